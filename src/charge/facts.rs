//! What the arithmetic is given: the bank, what was counted at the instants that matter, gaps and marks.
//!
//! Instruments are numbered by their place in the bank: 0 is the reference, pack `p` (from 0) is `p + 1`.

use super::count::Counted;

/// What is known of a bank beforehand.
#[derive(Debug, Clone, PartialEq)]
pub struct Bank {
    /// Standard uncertainty of the reference's zero, mA.
    pub reference_offset_ma: f64,
    /// Standard uncertainty of the reference's gain, as a fraction.
    pub reference_gain: f64,
    /// Self-discharge, fraction of capacity in 30 days, and its standard uncertainty.
    pub self_discharge_month: (f64, f64),
    /// Coulombic efficiency and its standard uncertainty.
    pub coulombic_efficiency: (f64, f64),
    /// Standard uncertainty of a full charge, fraction of capacity.
    pub full_repeatability: f64,
    /// The packs.
    pub packs: Vec<Pack>,
}

/// What is known of a pack beforehand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pack {
    /// The capacity that shares go by, Ah.
    pub capacity_ah: f64,
    /// Standard uncertainty of that capacity, fraction.
    pub capacity_uncertainty: f64,
    /// What its board believes, Ah.
    pub displayed_capacity_ah: f64,
    /// What its board draws, mA, and its standard uncertainty.
    pub standing_draw_ma: (f64, f64),
}

impl Bank {
    /// Sum of the packs' capacities, Ah.
    #[must_use]
    pub fn capacity_ah(&self) -> f64 {
        self.packs.iter().map(|pack| pack.capacity_ah).sum()
    }

    /// The part of the bank's stored charge that is pack `p`'s.
    #[must_use]
    pub fn share(&self, p: usize) -> f64 {
        self.packs[p].capacity_ah / self.capacity_ah()
    }
}

/// What every instrument has counted since its first reading, at one instant, as heard.
#[derive(Debug, Clone, PartialEq)]
pub struct Cut {
    /// ms since 1970.
    pub at_ms: i64,
    /// By instrument.
    pub totals: Vec<Counted>,
}

/// A stretch in which an instrument was not heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// The instrument.
    pub of: usize,
    /// Last heard, ms since 1970.
    pub begin_ms: i64,
    /// Heard again, ms since 1970.
    pub end_ms: i64,
    /// Its own counter before and after, mAh.
    pub charge_mah: Option<(i64, i64)>,
    /// Its display before and after, tenths of a percent.
    pub soc_permille: Option<(i64, i64)>,
}

/// An instant at which the bank was full.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mark {
    /// ms since 1970.
    pub at_ms: i64,
    /// By pack: whether it showed the full charge too.
    pub counts: Vec<bool>,
}

/// Everything that a question about a bank is answered from.
#[derive(Debug, Clone, PartialEq)]
pub struct Facts {
    /// The bank.
    pub bank: Bank,
    /// In order of time; every instant named below and every instant asked about is one of them.
    pub cuts: Vec<Cut>,
    /// All gaps between the first and the last cut, by instrument, then in order of time.
    pub gaps: Vec<Gap>,
    /// In order of time.
    pub marks: Vec<Mark>,
    /// Recalibrations by instrument, each in order of time, ms since 1970.
    pub recalibrated_ms: Vec<Vec<i64>>,
    /// Smallest step of each instrument's current, mA.
    pub resolution_ma: Vec<Option<i64>>,
}

impl Facts {
    /// The position of the cut at an instant.
    ///
    /// `None` where there is none: a question about an instant that the facts were not gathered for.
    #[must_use]
    pub fn cut_at(&self, at_ms: i64) -> Option<usize> {
        self.cuts.binary_search_by_key(&at_ms, |cut| cut.at_ms).ok()
    }

    /// The beginning of an instrument's epoch at an instant: its last recalibration at or before it.
    #[must_use]
    pub fn epoch_ms(&self, instrument: usize, at_ms: i64) -> Option<i64> {
        self.recalibrated_ms[instrument]
            .iter()
            .rev()
            .find(|begin_ms| **begin_ms <= at_ms)
            .copied()
    }
}
