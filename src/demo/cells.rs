//! What is really in a pack: its open-circuit voltage, resistance, slow polarisation, and what it loses.

use super::random::Random;

/// Cells in series.
const CELLS: f64 = 16.0;
/// Time constants of the two polarisations, s.
const FAST_S: f64 = 1800.0;
const SLOW_S: f64 = 3.0 * 3600.0;
const HOURS_PER_MONTH: f64 = 720.0;

/// Open-circuit voltage of an LFP cell by state of charge: steep at both ends, nearly flat between. The shape is
/// common knowledge of the trade; the figures are this simulation's own.
const CURVE: [(f64, f64); 20] = [
    (-0.05, 2.40),
    (0.0, 2.70),
    (0.02, 2.95),
    (0.05, 3.09),
    (0.10, 3.19),
    (0.15, 3.215),
    (0.20, 3.235),
    (0.30, 3.262),
    (0.40, 3.278),
    (0.50, 3.284),
    (0.60, 3.292),
    (0.70, 3.312),
    (0.80, 3.322),
    (0.90, 3.328),
    (0.95, 3.334),
    (0.975, 3.350),
    (0.99, 3.395),
    (0.996, 3.450),
    (1.0, 3.505),
    (1.02, 3.850),
];

fn open_circuit_v(charge: f64) -> f64 {
    let above = CURVE
        .partition_point(|(at, _)| *at <= charge)
        .clamp(1, CURVE.len() - 1);
    let ((low, low_v), (high, high_v)) = (CURVE[above - 1], CURVE[above]);
    CELLS * (low_v + (charge - low) / (high - low) * (high_v - low_v))
}

/// One pack's cells.
#[derive(Debug, Clone)]
pub(super) struct Cells {
    /// True capacity, Ah.
    pub(super) capacity_ah: f64,
    /// Stored charge, Ah.
    pub(super) stored_ah: f64,
    /// How much more charge than usual makes the pack look full just now, as a fraction of capacity.
    pub(super) full_differs_by: f64,
    /// What the board draws, A.
    draw_a: f64,
    self_discharge_per_hour: f64,
    efficiency: f64,
    ohms: f64,
    fast_ohms: f64,
    slow_ohms: f64,
    fast_v: f64,
    slow_v: f64,
    /// What a heater takes from the cells just now, A.
    pub(super) heater_a: f64,
    own: Own,
}

/// What one pack's cells have that the others' don't; nothing by default.
#[derive(Debug, Clone, Copy, Default)]
struct Own {
    /// How far the voltage lies above the curve after charging and below it after discharging, V.
    hysteresis_v: f64,
    /// Which way it last went: 1 charging, -1 discharging.
    went: f64,
    /// How much further along the curve the cells look in the middle than they are, fraction of capacity.
    shifted_by: f64,
}

/// Charge that turns the hysteresis round, fraction of capacity.
const TURNS_WITHIN: f64 = 0.03;

impl Cells {
    /// A pack that is nearly full, whose true capacity is near its rated one.
    pub(super) fn new(rated_ah: f64, random: &mut Random) -> Self {
        let capacity_ah = rated_ah * (1.0 + random.normal(0.0, 0.02));
        let scale = 200.0 / rated_ah;
        let mut unequal = |ohms: f64| ohms * scale * (1.0 + random.normal(0.0, 0.20)).max(0.5);
        let (ohms, fast_ohms, slow_ohms) = (unequal(0.006), unequal(0.008), unequal(0.006));
        Self {
            capacity_ah,
            stored_ah: capacity_ah * random.between(0.93, 0.97),
            full_differs_by: 0.0,
            draw_a: random.normal(0.015, 0.008).max(0.0),
            self_discharge_per_hour: random.normal(0.005, 0.003).max(0.0) / HOURS_PER_MONTH,
            efficiency: random.normal(0.998, 0.001).min(1.0),
            ohms,
            fast_ohms,
            slow_ohms,
            fast_v: 0.0,
            slow_v: 0.0,
            heater_a: 0.0,
            own: Own::default(),
        }
    }

    /// Gives the pack a hysteresis, V a cell, and a curve and a draw of its own.
    pub(super) fn be_its_own(&mut self, hysteresis_v: f64, random: &mut Random) {
        self.own = Own {
            hysteresis_v: CELLS * hysteresis_v,
            went: 0.0,
            shifted_by: random.normal(0.0, 0.005),
        };
        self.draw_a = random.normal(0.020, 0.010).max(0.0);
    }

    /// Changes every resistance by a factor.
    pub(super) fn grow_resistance(&mut self, factor: f64) {
        self.ohms *= factor;
        self.fast_ohms *= factor;
        self.slow_ohms *= factor;
    }

    /// Voltage without a current through the ohmic resistance, V.
    pub(super) fn inner_v(&self) -> f64 {
        let charge = self.state_of_charge();
        // Only the steep end near full moves; the flat part stays.
        let near_full = ((charge - 0.95) / 0.05).clamp(0.0, 1.0);
        // A curve of its own parts from the others' in the middle and meets them at both ends.
        let shifted_by = self.own.shifted_by * (4.0 * charge * (1.0 - charge)).clamp(0.0, 1.0);
        open_circuit_v(charge - near_full * self.full_differs_by + shifted_by)
            + self.own.hysteresis_v * self.own.went
            + self.fast_v
            + self.slow_v
    }

    /// Ohmic conductance, 1/Ω.
    pub(super) fn conductance(&self) -> f64 {
        1.0 / self.ohms
    }

    pub(super) fn state_of_charge(&self) -> f64 {
        self.stored_ah / self.capacity_ah
    }

    /// What its board draws and it loses by itself, A.
    pub(super) fn lost_a(&self) -> f64 {
        self.draw_a + self.self_discharge_per_hour * self.capacity_ah
    }

    /// Carries a terminal current for a while.
    pub(super) fn carry(&mut self, amperes: f64, seconds: f64) {
        let hours = seconds / 3600.0;
        let stored = if amperes > 0.0 {
            self.efficiency * amperes
        } else {
            amperes
        };
        let lost = self.lost_a() + self.heater_a;
        self.stored_ah += (stored - lost) * hours;
        let turned = amperes.abs() * hours / (TURNS_WITHIN * self.capacity_ah);
        self.own.went += (amperes.signum() - self.own.went) * turned.min(1.0);
        self.fast_v += (amperes * self.fast_ohms - self.fast_v) * (seconds / FAST_S);
        self.slow_v += (amperes * self.slow_ohms - self.slow_v) * (seconds / SLOW_S);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_curve_only_rises() {
        assert!(
            CURVE
                .windows(2)
                .all(|pair| pair[0].0 < pair[1].0 && pair[0].1 < pair[1].1)
        );
    }

    #[test]
    fn what_goes_in_is_stored_less_what_is_lost() {
        let mut cells = Cells::new(200.0, &mut Random::new(1, 1));
        let before_ah = cells.stored_ah;
        for amperes in [20.0, -5.0] {
            for _ in 0..360 {
                cells.carry(amperes, 10.0);
            }
        }
        let lost_ah = 2.0 * cells.lost_a();
        let expect_ah = 20.0 * cells.efficiency - 5.0 - lost_ah;
        assert!((cells.stored_ah - before_ah - expect_ah).abs() < 1e-9);
    }
}
