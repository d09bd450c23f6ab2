//! What the arithmetic doesn't assume: packs that differ in more than capacity, and a cold that moves everything.
//!
//! The figures are this simulation's own, of the size that practice reports: some millivolts of hysteresis a cell,
//! tens of milliamperes of wander, a few nights of heating.

use super::{board::Board, cells::Cells, plan::Plan, random::Random};

const DAY_S: f64 = 86_400.0;
/// A pack's heater while it heats, A from its own cells.
const HEATER_A: f64 = 0.3;
/// Colder than this it heats at night, °C.
const HEATS_BELOW_C: f64 = -4.0;
/// How alike the hysteresis of two packs of one make is, as a fraction.
const HYSTERESIS_DIFFERS_BY: f64 = 0.05;

/// A winter's cold and what it does.
pub(super) struct Rough {
    /// Mean temperature of each day, °C.
    days_c: Vec<f64>,
    /// What each board's zero moves by, A/K.
    zero_a_per_k: Vec<f64>,
    /// What each board's zero has moved by so far, A.
    zero_moved_a: Vec<f64>,
    /// The same of the reference, A/K.
    shunt_a_per_k: f64,
    shunt_a: f64,
    /// By how much each resistance grows over a day, as a fraction.
    ohms_a_day: Vec<f64>,
}

impl Rough {
    /// Makes the cells unlike each other, too.
    pub(super) fn new(plan: &Plan, cells: &mut [Cells]) -> Self {
        let mut random = Random::new(plan.seed, 5);
        let mut cold = 0.0;
        let days_c = (0..=plan.days)
            .map(|_| {
                cold = 0.8_f64 * cold + random.normal(0.0, 2.5);
                2.0 + cold
            })
            .collect();
        let hysteresis_v = random.between(0.004, 0.008);
        for cells in &mut *cells {
            let own_v = hysteresis_v * (1.0 + random.normal(0.0, HYSTERESIS_DIFFERS_BY));
            cells.be_its_own(own_v, &mut random);
        }
        Self {
            days_c,
            zero_a_per_k: cells.iter().map(|_| random.normal(0.0, 0.002)).collect(),
            zero_moved_a: vec![0.0; cells.len()],
            shunt_a_per_k: random.normal(0.0, 0.0004),
            shunt_a: 0.0,
            ohms_a_day: cells
                .iter()
                .map(|_| random.normal(0.0, 0.15) / f64::from(plan.days))
                .collect(),
        }
    }

    /// What the cold does over a step.
    pub(super) fn weather(&mut self, at_s: f64, seconds: f64, cells: &mut [Cells], boards: &mut [Board]) {
        let from_usual_k = self.celsius(at_s) - 2.0;
        let hour = at_s % DAY_S / 3600.0;
        let heats = self.celsius(at_s) < HEATS_BELOW_C && (2.0..5.0).contains(&hour);
        for (p, (cells, board)) in cells.iter_mut().zip(boards).enumerate() {
            let moved_a = self.zero_a_per_k[p] * from_usual_k;
            board.faults.offset_a += moved_a - self.zero_moved_a[p];
            self.zero_moved_a[p] = moved_a;
            cells.grow_resistance(1.0 + self.ohms_a_day[p] * seconds / DAY_S);
            cells.heater_a = if heats { HEATER_A } else { 0.0 };
        }
        self.shunt_a = self.shunt_a_per_k * from_usual_k;
    }

    /// What the reference's zero has moved by, A.
    pub(super) fn shunt_wanders_a(&self) -> f64 {
        self.shunt_a
    }

    /// Temperature, °C: the day's, colder at night.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a day of the winter"
    )]
    fn celsius(&self, at_s: f64) -> f64 {
        let day = ((at_s / DAY_S) as usize).min(self.days_c.len() - 1);
        let hour = at_s % DAY_S / 3600.0;
        self.days_c[day] - 2.5 * (std::f64::consts::TAU * (hour - 2.0) / 24.0).cos()
    }
}
