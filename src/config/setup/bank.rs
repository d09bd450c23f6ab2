//! `[[bank]]`: the reference, the packs with what each was when, and when they are full.

use std::time::Duration;

use chrono_tz::Tz;

use crate::reading::Instrument;

/// `[[bank]]`: packs on one busbar and the shunt in the main lead.
#[derive(Debug, Clone)]
pub struct Bank {
    /// Its name.
    pub id: String,
    /// What the cells are.
    pub chemistry: Chemistry,
    /// Cells in series in each pack.
    pub cells_in_series: u16,
    /// Where plain dates are read.
    pub time_zone: Tz,
    /// What counts as full.
    pub full: FullCharge,
    /// The longest pause of a regular reporter that is bridged.
    pub longest_bridge: Duration,
    /// What leaves the packs where the reference cannot see it, beside the boards' own draws.
    pub losses: Losses,
    /// The yardstick.
    pub reference: Reference,
    /// The packs, at least one.
    pub packs: Vec<Pack>,
}

/// Cell chemistry: decides what voltages a cell can have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Chemistry {
    /// Lithium iron phosphate.
    Lfp,
    /// Lithium nickel manganese cobalt oxide and its relatives.
    Nmc,
    /// Lithium titanate.
    Lto,
}

impl Chemistry {
    /// Nominal voltage of a cell, V. Common practice, no source.
    #[must_use]
    pub fn nominal_v(self) -> f64 {
        match self {
            Self::Lfp => 3.2,
            Self::Nmc => 3.65,
            Self::Lto => 2.3,
        }
    }
}

/// `full = { … }`: when a bank is full.
#[derive(Debug, Clone)]
pub struct FullCharge {
    /// Bank voltage at or above this, mV.
    pub voltage_mv: i64,
    /// |reference current| at or below this fraction of the bank's capacity.
    pub tail_fraction: f64,
    /// Both held for this long.
    pub hold: Duration,
    /// Anchors closer than this, with little discharged between, are one.
    pub merge: Duration,
    /// Standard uncertainty of a mark, % of capacity.
    pub repeatability_percent: f64,
    /// Whose voltage is taken; `None`: the reference's, else the median of the packs.
    pub voltage_from: Option<Instrument>,
}

/// Charge that leaves the packs behind the reference's back, each with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Losses {
    /// `self_discharge_percent_month`, default 0.5 ± 0.5: % of capacity in 30 days.
    pub self_discharge_percent_month: (f64, f64),
    /// `coulombic_efficiency`, default 0.998 ± 0.001: charge that comes out again over charge put in.
    pub coulombic_efficiency: (f64, f64),
}

/// `[bank.reference]`.
#[derive(Debug, Clone)]
pub struct Reference {
    /// The instrument.
    pub instrument: Instrument,
    /// Limit of its zero error, mA, as its data sheet has it.
    pub offset_ma: Option<f64>,
    /// Limit of its gain error, %, as its data sheet has it.
    pub gain_percent: Option<f64>,
}

/// `[[bank.pack]]`.
#[derive(Debug, Clone)]
pub struct Pack {
    /// The instrument: the pack's board.
    pub instrument: Instrument,
    /// What held when, oldest first, at least one; the first has no beginning.
    pub held: Vec<Held>,
}

/// What a pack was from a date on.
#[derive(Debug, Clone, PartialEq)]
pub struct Held {
    /// From when, ms since 1970; `None`: always.
    pub from_ms: Option<i64>,
    /// Rated capacity, Ah.
    pub capacity_ah: f64,
    /// What the board believes, where it differs.
    pub set_capacity_ah: Option<f64>,
    /// What somebody measured, and its standard uncertainty, Ah.
    pub measured_capacity_ah: Option<(f64, f64)>,
    /// The board's revision: what is compared.
    pub revision: String,
    /// The board's firmware.
    pub firmware: Option<String>,
    /// What the board draws from its pack and its standard uncertainty, mA; default 15 ± 15, as stated ± 5.
    pub standing_draw_ma: (f64, f64),
    /// Nobody stated the draw.
    pub draw_is_assumed: bool,
    /// On the busbar at all.
    pub in_bank: bool,
    /// How often its cells were changed for others by then.
    pub cells_changed: usize,
}

impl Bank {
    /// Who reports: the reference, then the packs.
    pub fn instruments(&self) -> impl Iterator<Item = Instrument> + '_ {
        std::iter::once(self.reference.instrument).chain(self.packs.iter().map(|pack| pack.instrument))
    }

    /// The instants at which a pack became something else, in order, ms since 1970.
    #[must_use]
    pub fn changes_ms(&self) -> Vec<i64> {
        let mut changes_ms: Vec<i64> = self
            .packs
            .iter()
            .flat_map(|pack| &pack.held)
            .filter_map(|held| held.from_ms)
            .collect();
        changes_ms.sort_unstable();
        changes_ms.dedup();
        changes_ms
    }

    /// Sum of the rated capacities of the packs on the busbar at an instant, Ah.
    #[must_use]
    pub fn capacity_ah(&self, at_ms: i64) -> f64 {
        self.packs
            .iter()
            .map(|pack| pack.held_at(at_ms))
            .filter(|held| held.in_bank)
            .map(|held| held.capacity_ah)
            .sum()
    }
}

impl Pack {
    /// What the pack was at an instant.
    ///
    /// # Panics
    /// Never for a checked setup: the first entry has no beginning.
    #[must_use]
    pub fn held_at(&self, at_ms: i64) -> &Held {
        self.held
            .iter()
            .rev()
            .find(|held| held.from_ms.is_none_or(|from_ms| from_ms <= at_ms))
            .expect("the first entry of a checked setup has no beginning")
    }
}

impl Held {
    /// The capacity that shares are taken by: the measured one, else the rated, Ah.
    #[must_use]
    pub fn best_capacity_ah(&self) -> f64 {
        self.measured_capacity_ah
            .map_or(self.capacity_ah, |(capacity_ah, _)| capacity_ah)
    }

    /// Whether a board of another revision, or with another firmware, or another pack's, counts here than before.
    #[must_use]
    pub fn is_another_board(&self, before: &Self) -> bool {
        (&self.revision, &self.firmware, self.cells_changed)
            != (&before.revision, &before.firmware, before.cells_changed)
    }

    /// What the board believes, Ah.
    #[must_use]
    pub fn displayed_capacity_ah(&self) -> f64 {
        self.set_capacity_ah.unwrap_or(self.capacity_ah)
    }
}
