//! Simulates a winter: charger and household on one busbar, and boards that report.

use super::{
    board::{Board, Faults},
    cells::Cells,
    cutoff::Cutoff,
    plan::{Kind, Plan},
    random::Random,
    rough::Rough,
    weather::Weather,
    winter::{PACKS, PackTraits, Report, STEP_S, Truth, Winter},
};
use crate::reading::{Channel, Channels};

const STEPS_PER_DAY: u32 = 86_400 / STEP_S;
/// What the charger holds, V.
const CHARGER_V: f64 = 56.3;
/// What it floats at afterwards, V.
const FLOAT_V: f64 = 54.0;
/// What the generator gives on the day of a full charge, as part of the bank's capacity.
const GENERATOR_C: f64 = 0.14;
/// How much what counts as full differs from day to day, with temperature and the balance of the cells, as a
/// fraction of capacity.
const FULL_DIFFERS_BY: f64 = 0.003;
/// Day on which a board is recalibrated by hand.
const RECALIBRATION_DAY: u32 = 33;
/// Which one: its place among the packs.
const RECALIBRATED: usize = 3;

/// Simulates a winter.
#[must_use]
pub fn simulate(plan: &Plan) -> Winter {
    let mut random = Random::new(plan.seed, 1);
    let full_days = plan.full_days(&mut random);
    let mut cells: Vec<Cells> = PACKS
        .iter()
        .map(|(_, rated_ah, _)| Cells::new(*rated_ah, &mut random))
        .collect();
    let boards: Vec<Board> = PACKS
        .iter()
        .zip(&cells)
        .map(|((_, rated_ah, revision), cells)| {
            let faults = Faults::of_revision(revision, &mut random);
            Board::new(faults, *rated_ah, cells.state_of_charge())
        })
        .collect();
    let cutoff = (plan.kind == Kind::Cutoff).then(|| Cutoff::new(plan, PACKS.len()));
    let rough = (plan.kind == Kind::Rough).then(|| Rough::new(plan, &mut cells));
    let packs = PACKS
        .iter()
        .zip(cells.iter().zip(&boards))
        .map(|((name, rated_ah, revision), (cells, board))| PackTraits {
            name,
            revision,
            rated_ah: *rated_ah,
            capacity_ah: cells.capacity_ah,
            faults: board.faults,
            lost_a: cells.lost_a(),
        })
        .collect();
    let recalibrated_ms = plan.begin_ms + i64::from(RECALIBRATION_DAY) * 86_400_000 + 9 * 3_600_000;
    let recalibrated = (plan.days > RECALIBRATION_DAY + 1).then_some((recalibrated_ms, RECALIBRATED));
    let mut simulation = Simulation {
        plan: *plan,
        shunt: Shunt {
            gain: 1.0 + random.between(-0.002, 0.002),
            offset_a: random.between(-0.010, 0.010),
        },
        weather: Weather::new(
            plan.days as usize + 1,
            if plan.kind == Kind::Sparse { 0.8 } else { 1.0 },
            plan.seed,
        ),
        charger: Charger::default(),
        tops_up: false,
        random: Random::new(plan.seed, 3),
        voltage_errors: (0..PACKS.len()).map(|_| random.normal(0.0, 0.01)).collect(),
        cells,
        boards,
        cutoff,
        rough,
        reports: Vec::new(),
        truth: Vec::new(),
    };
    simulation.run(&full_days, recalibrated);
    Winter {
        packs,
        full_days,
        recalibrated,
        away: simulation.cutoff.and_then(|cutoff| cutoff.was_away_ms()),
        plan: *plan,
        reports: simulation.reports,
        truth: simulation.truth,
    }
}

/// The reference: nearly right.
struct Shunt {
    gain: f64,
    offset_a: f64,
}

/// How the charger stands on the day of a full charge.
#[derive(Default)]
struct Charger {
    /// The tail at which it stops, A; drawn anew for each full charge.
    stops_at_a: Option<f64>,
    /// How long it has held with the current tapered, s.
    held_s: f64,
    /// It floats now.
    floats: bool,
}

struct Simulation {
    plan: Plan,
    shunt: Shunt,
    weather: Weather,
    charger: Charger,
    tops_up: bool,
    random: Random,
    voltage_errors: Vec<f64>,
    cells: Vec<Cells>,
    boards: Vec<Board>,
    cutoff: Option<Cutoff>,
    rough: Option<Rough>,
    reports: Vec<Report>,
    truth: Vec<[Truth; PACKS.len()]>,
}

impl Simulation {
    fn run(&mut self, full_days: &[u32], recalibrated: Option<(i64, usize)>) {
        let phases_ms: Vec<i64> = (0..=PACKS.len())
            .map(|instrument| {
                let spread = i64::from(self.plan.report_s) * 1000 / 6;
                i64::try_from(instrument).unwrap_or(0) * spread
            })
            .collect();
        let step_ms = i64::from(STEP_S) * 1000;
        let report_ms = i64::from(self.plan.report_s) * 1000;
        for step in 0..self.plan.days * STEPS_PER_DAY {
            if step % STEPS_PER_DAY == 0 {
                for cells in &mut self.cells {
                    cells.full_differs_by = self.random.normal(0.0, FULL_DIFFERS_BY);
                }
            }
            let at_ms = self.plan.begin_ms + i64::from(step) * step_ms;
            if let Some((when_ms, pack)) = recalibrated
                && at_ms == when_ms
            {
                self.boards[pack].faults.offset_a /= 2.0;
            }
            if let Some(rough) = &mut self.rough {
                let elapsed_s = f64::from(step) * f64::from(STEP_S);
                rough.weather(elapsed_s, f64::from(STEP_S), &mut self.cells, &mut self.boards);
            }
            let wanted_a = self.wanted_a(step, full_days.contains(&(step / STEPS_PER_DAY)));
            let (volts, currents) = self.share(wanted_a);
            if let Some(cutoff) = &mut self.cutoff {
                cutoff.see(at_ms, &currents, |p| self.cells[p].capacity_ah);
            }
            self.truth.push(std::array::from_fn(|p| Truth {
                counted_ah: self.boards[p].counted_ah,
                stored_ah: self.cells[p].stored_ah,
            }));
            for (instrument, phase_ms) in phases_ms.iter().enumerate() {
                if (i64::from(step) * step_ms - phase_ms).rem_euclid(report_ms) < step_ms {
                    self.report(at_ms, instrument, volts, &currents);
                }
            }
            for (p, amperes) in currents.iter().enumerate() {
                self.boards[p].count(*amperes, volts, f64::from(STEP_S));
                self.cells[p].carry(*amperes, f64::from(STEP_S));
            }
        }
    }

    /// What charger and household would like to flow into the bank, A, and the voltage that the charger holds.
    fn wanted_a(&mut self, step: u32, full_day: bool) -> (f64, f64) {
        let step_s = f64::from(STEP_S);
        let at_s = f64::from(step) * step_s;
        let hour = at_s % 86_400.0 / 3600.0;
        let sun_a = self.weather.sun_a(at_s, step_s);
        let mut load_a = self.weather.load_a(at_s, step_s);
        let stored = self.state_of_charge();
        if full_day && (5.0..22.0).contains(&hour) {
            let generator_a = GENERATOR_C * self.capacity_ah();
            let holds_v = if self.charger.floats { FLOAT_V } else { CHARGER_V };
            // While the bank is being filled somebody sees to it that no big appliance runs.
            return (sun_a + generator_a - load_a.min(8.0), holds_v);
        }
        self.charger = Charger::default();
        if stored < 0.30 {
            load_a *= (stored / 0.30).max(0.2); // somebody saves power
        }
        // On other days somebody keeps the bank from filling up.
        let sun_a = if stored > 0.85 {
            sun_a * ((0.93 - stored) / 0.08).clamp(0.0, 1.0)
        } else {
            sun_a
        };
        // A small generator, started when the bank is low and left to run for some hours.
        self.tops_up = stored < if self.tops_up { 0.45 } else { 0.18 };
        let topped_a = if self.tops_up { 45.0 } else { 0.0 };
        (sun_a + topped_a - load_a, CHARGER_V)
    }

    /// The busbar's voltage and each pack's current: one voltage, and the currents add up.
    fn share(&mut self, (wanted_a, holds_v): (f64, f64)) -> (f64, [f64; PACKS.len()]) {
        let away = self.cutoff.as_ref().and_then(Cutoff::away);
        let conductances: [f64; PACKS.len()] = std::array::from_fn(|p| {
            if away == Some(p) {
                0.0
            } else {
                self.cells[p].conductance()
            }
        });
        let conductance: f64 = conductances.iter().sum();
        let driven: f64 = self
            .cells
            .iter()
            .zip(conductances)
            .map(|(cells, conductance)| cells.inner_v() * conductance)
            .sum();
        let free_v = (wanted_a + driven) / conductance;
        let volts = if wanted_a > 0.0 {
            free_v.min(holds_v.max(driven / conductance))
        } else {
            free_v
        };
        let currents = std::array::from_fn(|p| (volts - self.cells[p].inner_v()) * conductances[p]);
        let total_a: f64 = currents.iter().sum();
        self.mind_the_tail(volts, total_a);
        (volts, currents)
    }

    /// Stops the charger once the current has tapered: at a tail and after a time that differ from charge to charge.
    fn mind_the_tail(&mut self, volts: f64, total_a: f64) {
        let capacity_ah = self.capacity_ah();
        if volts < CHARGER_V - 0.01 || total_a > 0.045 * capacity_ah {
            return;
        }
        self.charger.held_s += f64::from(STEP_S);
        let random = &mut self.random;
        let stops_at_a = *self
            .charger
            .stops_at_a
            .get_or_insert_with(|| random.between(0.012, 0.035) * capacity_ah);
        if total_a <= stops_at_a && self.charger.held_s >= 900.0 {
            self.charger.floats = true;
        }
    }

    fn report(&mut self, at_ms: i64, instrument: usize, volts: f64, currents: &[f64; PACKS.len()]) {
        // Within the step everything stands still, so any instant in it is a true one.
        #[expect(clippy::cast_possible_truncation, reason = "a few hundred ms")]
        let at_ms = at_ms + self.random.between(0.0, 900.0) as i64;
        #[expect(clippy::cast_possible_truncation, reason = "an instrument's figure")]
        let kept = |channel: Channel, value: f64| (channel, (value * channel.kept_per_unit()).round() as i64);
        let hundredths = |value: f64| (value * 100.0).round() / 100.0;
        let channels = match instrument.checked_sub(1) {
            None => {
                let total_a: f64 = currents.iter().sum();
                let wander_a = self.rough.as_ref().map_or(0.0, Rough::shunt_wanders_a);
                let zero_a = self.shunt.offset_a + wander_a;
                let seen_a = total_a * self.shunt.gain + zero_a + self.random.normal(0.0, 0.01);
                Channels::from_iter([
                    kept(Channel::Current, hundredths(seen_a)),
                    kept(Channel::Voltage, hundredths(volts)),
                ])
            }
            Some(p) => Channels::from_iter([
                kept(Channel::Current, self.boards[p].measured_a(currents[p])),
                kept(
                    Channel::Voltage,
                    hundredths(self.volts_at(p, volts) + self.voltage_errors[p]),
                ),
                kept(Channel::Soc, self.boards[p].displayed_percent()),
            ]),
        };
        let instrument = u16::try_from(instrument).unwrap_or(u16::MAX);
        self.reports.push(Report {
            at_ms,
            instrument,
            channels,
        });
    }

    /// What stands at a pack's cells: the busbar's voltage, or their own while they are off it.
    fn volts_at(&self, p: usize, volts: f64) -> f64 {
        if self.cutoff.as_ref().and_then(Cutoff::away) == Some(p) {
            self.cells[p].inner_v()
        } else {
            volts
        }
    }

    fn capacity_ah(&self) -> f64 {
        self.cells.iter().map(|cells| cells.capacity_ah).sum()
    }

    fn state_of_charge(&self) -> f64 {
        self.cells.iter().map(|cells| cells.stored_ah).sum::<f64>() / self.capacity_ah()
    }
}
