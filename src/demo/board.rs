//! A board that counts: gain that differs between charge and discharge, an offset, blindness below a threshold,
//! rounding, and a display that is set to 100 % by the board's own idea of full.

use super::random::Random;

/// What is wrong with a board.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Faults {
    /// Reported over true charging current.
    pub charge_gain: f64,
    /// Reported over true discharging current.
    pub discharge_gain: f64,
    /// Reported with nothing flowing, A.
    pub offset_a: f64,
    /// Smaller currents are reported as nothing, A.
    pub blind_below_a: f64,
    /// Step of the display, %.
    pub display_step_percent: f64,
    /// A resync takes this long to show, s.
    pub ramp_s: f64,
}

impl Faults {
    /// What boards of a revision are like, with the scatter between them.
    pub(super) fn of_revision(revision: &str, random: &mut Random) -> Self {
        let (offset_a, offset_scatter_a, asymmetry, blind_below_a, step, ramp_s) = match revision {
            "A" => (0.050, 0.025, 0.004, 0.5, 1.0, 0.0),
            "B" => (-0.030, 0.020, 0.003, 0.35, 0.1, 0.0),
            _ => (0.010, 0.010, 0.002, 0.25, 1.0, 900.0),
        };
        let gain = 1.0 + random.normal(0.0, 0.012);
        let half = random.normal(0.0, asymmetry) / 2.0;
        Self {
            charge_gain: gain + half,
            discharge_gain: gain - half,
            offset_a: random.normal(offset_a, offset_scatter_a),
            blind_below_a: blind_below_a * random.between(0.8, 1.2),
            display_step_percent: step,
            ramp_s,
        }
    }
}

/// Full, as a board sees it: its voltage, its current as part of its capacity, and for how long, s.
const FULL_V: f64 = 55.8;
const FULL_TAIL: f64 = 0.045;
const FULL_S: f64 = 180.0;

/// A board at work.
#[derive(Debug, Clone)]
pub(super) struct Board {
    pub(super) faults: Faults,
    /// Everything it has counted, Ah.
    pub(super) counted_ah: f64,
    set_capacity_ah: f64,
    display_ah: f64,
    full_s: f64,
    at_full: bool,
}

impl Board {
    pub(super) fn new(faults: Faults, set_capacity_ah: f64, state_of_charge: f64) -> Self {
        let display_ah = set_capacity_ah * state_of_charge;
        Self {
            faults,
            counted_ah: 0.0,
            set_capacity_ah,
            display_ah,
            full_s: 0.0,
            at_full: false,
        }
    }

    /// What it makes of a true current, A.
    pub(super) fn measured_a(&self, true_a: f64) -> f64 {
        let gain = if true_a > 0.0 {
            self.faults.charge_gain
        } else {
            self.faults.discharge_gain
        };
        let seen_a = true_a * gain + self.faults.offset_a;
        if seen_a.abs() < self.faults.blind_below_a {
            0.0
        } else {
            (seen_a * 10.0).round() / 10.0
        }
    }

    /// Counts for a while.
    pub(super) fn count(&mut self, true_a: f64, volts: f64, seconds: f64) {
        let measured_a = self.measured_a(true_a);
        let counted_ah = measured_a * seconds / 3600.0;
        self.counted_ah += counted_ah;
        self.display_ah = (self.display_ah + counted_ah).clamp(0.0, self.set_capacity_ah);
        let tapered = measured_a.abs() <= FULL_TAIL * self.set_capacity_ah;
        self.full_s = if volts >= FULL_V && tapered {
            self.full_s + seconds
        } else {
            0.0
        };
        self.at_full |= self.full_s >= FULL_S;
        if self.at_full {
            let missing_ah = self.set_capacity_ah - self.display_ah;
            let step_ah = if self.faults.ramp_s > 0.0 {
                self.set_capacity_ah * seconds / self.faults.ramp_s
            } else {
                missing_ah
            };
            self.display_ah += step_ah.min(missing_ah);
            self.at_full = self.display_ah < self.set_capacity_ah;
        }
    }

    /// What it displays, %.
    pub(super) fn displayed_percent(&self) -> f64 {
        let percent = 100.0 * self.display_ah / self.set_capacity_ah;
        (percent / self.faults.display_step_percent).round() * self.faults.display_step_percent
    }
}
