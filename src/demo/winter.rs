//! A winter that was simulated: what its instruments report, and the truth beside it.

use super::{board::Faults, plan::Plan};
use crate::reading::Channels;

/// Step of the simulation, s.
pub(super) const STEP_S: u32 = 10;

/// The packs: name, rated capacity in Ah, board revision.
pub(super) const PACKS: [(&str, f64, &str); 5] = [
    ("tern", 200.0, "A"),
    ("fulmar", 230.0, "A"),
    ("gannet", 230.0, "B"),
    ("petrel", 150.0, "B"),
    ("skua", 206.0, "C"),
];

/// One pack of a simulated winter.
#[derive(Debug, Clone)]
pub struct PackTraits {
    /// Its name.
    pub name: &'static str,
    /// Its board's revision.
    pub revision: &'static str,
    /// Its rated capacity, Ah.
    pub rated_ah: f64,
    /// Its true capacity, Ah.
    pub capacity_ah: f64,
    /// What is wrong with its board at the beginning.
    pub faults: Faults,
    /// What its board draws and its cells lose by themselves, A; a heater comes on top in a rough winter.
    pub lost_a: f64,
}

/// What was really so at an instant.
#[derive(Debug, Clone, Copy)]
pub(super) struct Truth {
    /// What the board has counted at its own fine step, Ah.
    pub(super) counted_ah: f64,
    /// What is in the cells, Ah.
    pub(super) stored_ah: f64,
}

/// A simulated winter: what the instruments report, and the truth.
#[derive(Debug, Clone)]
pub struct Winter {
    /// The packs, in the order of the setup.
    pub packs: Vec<PackTraits>,
    /// Days that were planned to end full.
    pub full_days: Vec<u32>,
    /// When a board was recalibrated by hand, ms since 1970, and the pack's place; `None` in a short winter.
    pub recalibrated: Option<(i64, usize)>,
    /// Which pack was off the busbar, by its place, and from when to when, ms since 1970.
    pub away: Option<(usize, i64, i64)>,
    pub(super) plan: Plan,
    pub(super) reports: Vec<Report>,
    pub(super) truth: Vec<[Truth; PACKS.len()]>,
}

/// What an instrument reports at an instant.
#[derive(Debug, Clone, Copy)]
pub(super) struct Report {
    pub(super) at_ms: i64,
    /// 0 is the reference, pack `p` is `p + 1`.
    pub(super) instrument: u16,
    pub(super) channels: Channels,
}

impl Winter {
    /// Names of the instruments: the reference, then the packs.
    #[must_use]
    pub fn instruments(&self) -> Vec<&'static str> {
        std::iter::once("shunt")
            .chain(self.packs.iter().map(|pack| pack.name))
            .collect()
    }

    /// What is reported, in order of time: (ms since 1970, instrument's place, values).
    #[must_use]
    pub fn readings(&self) -> impl ExactSizeIterator<Item = (i64, u16, Channels)> + '_ {
        self.reports
            .iter()
            .map(|report| (report.at_ms, report.instrument, report.channels))
    }

    /// True charge error of a pack between two instants: what its board counted less what its cells gained, Ah.
    #[must_use]
    pub fn true_charge_error_ah(&self, pack: usize, since_ms: i64, until_ms: i64) -> f64 {
        let error_ah = |truth: Truth| truth.counted_ah - truth.stored_ah;
        error_ah(self.truth_at(pack, until_ms)) - error_ah(self.truth_at(pack, since_ms))
    }

    /// True state of charge of a pack, %.
    #[must_use]
    pub fn true_soc_percent(&self, pack: usize, at_ms: i64) -> f64 {
        100.0 * self.truth_at(pack, at_ms).stored_ah / self.packs[pack].capacity_ah
    }

    fn truth_at(&self, pack: usize, at_ms: i64) -> Truth {
        let step_ms = i64::from(STEP_S) * 1000;
        let last = self.truth.len() - 1;
        let since_ms = (at_ms - self.plan.begin_ms).max(0);
        let before = usize::try_from(since_ms / step_ms).unwrap_or(last).min(last);
        let after = (before + 1).min(last);
        #[expect(clippy::cast_precision_loss, reason = "less than a step in ms")]
        let part = (since_ms % step_ms) as f64 / step_ms as f64;
        let (from, to) = (self.truth[before][pack], self.truth[after][pack]);
        Truth {
            counted_ah: from.counted_ah + part * (to.counted_ah - from.counted_ah),
            stored_ah: from.stored_ah + part * (to.stored_ah - from.stored_ah),
        }
    }
}
