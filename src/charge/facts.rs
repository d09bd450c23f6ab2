//! What the arithmetic is given: the bank, what was counted at the instants that matter, gaps and marks.
//!
//! Instruments are numbered by their place in the bank: 0 is the reference, pack `p` (from 0) is `p + 1`.

use nalgebra::DMatrix;

use super::{
    count::Counted,
    estimate::{Estimate, Source, Whose},
    time,
};

/// Standard uncertainty of a pack's capacity where nobody measured it, fraction.
pub const UNMEASURED_CAPACITY: f64 = 0.02;

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
    /// What the packs were from when on, oldest first, at least one; the first holds from the beginning.
    pub eras: Vec<Era>,
}

/// What the packs were for a while.
#[derive(Debug, Clone, PartialEq)]
pub struct Era {
    /// From when, ms since 1970.
    pub begin_ms: i64,
    /// The packs, the same ones in every era.
    pub packs: Vec<Pack>,
    /// What the boards told beyond what was known beforehand.
    pub learned: Option<Learned>,
}

/// How sure capacities are after learning, and how alike the packs keep.
#[derive(Debug, Clone, PartialEq)]
pub struct Learned {
    /// Since when the packs were the same, ms since 1970.
    pub since_ms: i64,
    /// A factor of the covariance of the relative errors, one row a pack, one column a cause.
    pub spread: DMatrix<f64>,
    /// By pack: how far its state of charge strays from what its share says, fraction of capacity (standard
    /// deviation); `None` where too little was heard of it.
    pub strays: Vec<Option<f64>>,
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
    /// Nobody said so: where one such assumption is wrong, it is wrong for all packs alike.
    pub draw_is_assumed: bool,
    /// Whether it belongs to the bank.
    pub in_bank: bool,
    /// How often its cells were changed for others: other cells are another pack.
    pub cells_changed: usize,
}

impl Bank {
    /// What held at an instant.
    ///
    /// # Panics
    /// Only where there is no era at all.
    #[must_use]
    pub fn at(&self, at_ms: i64) -> &Era {
        let behind = self.eras.partition_point(|era| era.begin_ms <= at_ms);
        &self.eras[behind.saturating_sub(1)]
    }
}

impl Era {
    /// Sum of the capacities of the packs in the bank, Ah.
    #[must_use]
    pub fn capacity_ah(&self) -> f64 {
        self.in_bank().map(|(_, pack)| pack.capacity_ah).sum()
    }

    /// Whether pack `p` joins the bank with this era, or its cells were changed for others: nobody knows what it brings.
    #[must_use]
    pub fn joins(&self, before: &Self, p: usize) -> bool {
        let (before, now) = (&before.packs[p], &self.packs[p]);
        now.in_bank && (!before.in_bank || before.cells_changed != now.cells_changed)
    }

    /// The packs that belong to the bank, with their places.
    pub fn in_bank(&self) -> impl Iterator<Item = (usize, &Pack)> {
        self.packs.iter().enumerate().filter(|(_, pack)| pack.in_bank)
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

/// A stretch in which a pack was off the busbar.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Away {
    /// The pack.
    pub p: usize,
    /// Since when, ms since 1970.
    pub begin_ms: i64,
    /// Until when, ms since 1970; `i64::MAX` where it is not back yet.
    pub end_ms: i64,
}

/// An instant at which the bank was full.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mark {
    /// Since when it had been full, ms since 1970: boards may have set their displays and counters anew from then on.
    pub since_ms: i64,
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
    /// What was counted at instants some hours or days apart, whatever is asked: what shares are learned from.
    pub grid: Vec<Cut>,
    /// All gaps between the first and the last cut, by instrument, then in order of time.
    pub gaps: Vec<Gap>,
    /// In order of time.
    pub marks: Vec<Mark>,
    /// Who was off the busbar when; a pack's own in order of time.
    pub away: Vec<Away>,
    /// Recalibrations by instrument, each in order of time, ms since 1970.
    pub recalibrated_ms: Vec<Vec<i64>>,
    /// Smallest step of each instrument's current, mA.
    pub resolution_ma: Vec<Option<i64>>,
    /// By pack: what its board reports runs against what the reference does; learned.
    pub reversed: Vec<bool>,
}

impl Facts {
    /// What a pack holds at a full charge, as Ah relative to full: nothing, as nearly as its full charges are alike.
    #[must_use]
    pub fn full(&self, p: usize, at: usize) -> Estimate {
        let by_ah = self.bank.full_repeatability * self.era(at).packs[p].capacity_ah;
        let at_ms = self.cuts[at].at_ms;
        Estimate::default().moved(Source::FullCharge, Whose::Pack(p), at_ms, by_ah)
    }

    /// What the packs on the busbar hold together at a full charge.
    #[must_use]
    pub fn full_together(&self, at: usize) -> Estimate {
        let at_ms = self.cuts[at].at_ms;
        (0..self.era(at).packs.len())
            .filter(|p| self.on_busbar(*p, at_ms))
            .map(|p| self.full(p, at))
            .sum()
    }

    /// The position of the cut at an instant.
    ///
    /// `None` where there is none: a question about an instant that the facts were not gathered for.
    #[must_use]
    pub fn cut_at(&self, at_ms: i64) -> Option<usize> {
        self.cuts.binary_search_by_key(&at_ms, |cut| cut.at_ms).ok()
    }

    /// Two cuts, and between them those at which an instrument was recalibrated.
    pub(super) fn between_recalibrations(&self, of: usize, from: usize, until: usize) -> Vec<usize> {
        let inside =
            (from + 1..until).filter(|cut| self.recalibrated_ms[of].contains(&self.cuts[*cut].at_ms));
        std::iter::once(from).chain(inside).chain([until]).collect()
    }

    /// What held at a cut.
    #[must_use]
    pub fn era(&self, cut: usize) -> &Era {
        self.bank.at(self.cuts[cut].at_ms)
    }

    /// Hours from one cut to another.
    #[must_use]
    pub fn hours(&self, from: usize, until: usize) -> f64 {
        time::hours(self.cuts[until].at_ms - self.cuts[from].at_ms)
    }

    /// Whether pack `p` is on the busbar from an instant on.
    #[must_use]
    pub fn on_busbar(&self, p: usize, at_ms: i64) -> bool {
        let away = |away: &Away| away.p == p && (away.begin_ms..away.end_ms).contains(&at_ms);
        self.bank.at(at_ms).packs[p].in_bank && !self.away.iter().any(away)
    }

    /// The part of the bank's current that is pack `p`'s from an instant on: nothing while it is off the busbar.
    #[must_use]
    pub fn share(&self, p: usize, at_ms: i64) -> f64 {
        if !self.on_busbar(p, at_ms) {
            return 0.0;
        }
        let packs = &self.bank.at(at_ms).packs;
        let together_ah: f64 = (0..packs.len())
            .filter(|q| self.on_busbar(*q, at_ms))
            .map(|q| packs[q].capacity_ah)
            .sum();
        packs[p].capacity_ah / together_ah
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
