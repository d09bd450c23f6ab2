//! The checked setup: what the rest of the program may rely on.
//!
//! Everything here has been found free of contradictions by [`load()`](super::load()); nobody else sees the file as written.
//! Each part of the file is told in a file of its own.

mod bank;
mod services;
mod source;

use std::time::Duration;

pub use bank::*;
pub use services::*;
pub use source::*;

use crate::{reading::Instrument, unit::as_ms};

/// A setup file that holds.
#[derive(Debug, Clone)]
pub struct Setup {
    /// The file as the user wrote it, kept with the data it explains.
    pub text: String,
    /// SHA-256 of `text`, as lower-case hex.
    pub digest: String,
    /// Where readings are kept.
    pub store: Store,
    /// Backups made by the daemon, if any.
    pub backup: Option<BackupPlan>,
    /// Reports written by the daemon, if any.
    pub report: Option<ReportPlan>,
    /// Who brings the messages.
    pub broker: Broker,
    /// Where questions are answered.
    pub api: Api,
    /// Where answers are given back, if anywhere; then the broker is somebody's.
    pub publish: Option<Publish>,
    /// The banks, at least one.
    pub banks: Vec<Bank>,
    /// Everything that reports, of all banks; the reference of a bank comes before its packs.
    pub instruments: Vec<InstrumentEntry>,
    /// How messages become readings, in the order of the file.
    pub sources: Vec<Source>,
}

/// Someone who reports.
#[derive(Debug, Clone)]
pub struct InstrumentEntry {
    /// The name in topics, notes and answers; unique in the whole setup.
    pub id: String,
    /// Position of its bank in [`Setup::banks`].
    pub bank: usize,
    /// What it is there.
    pub role: Role,
    /// The largest |current| it can have, mA.
    pub max_current_ma: i64,
    /// The voltages it can have, mV.
    pub voltage_mv: std::ops::RangeInclusive<i64>,
    /// How its current is reported.
    pub reporting: Reporting,
}

/// What an instrument is in its bank.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// The shunt in the main lead.
    Reference,
    /// A pack's board, by its position in [`Bank::packs`].
    Pack(usize),
}

/// How an instrument's current is to be read between two reports.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reporting {
    /// At regular times: straight lines between reports, pauses up to this long bridged.
    Regular {
        /// Longest pause that is bridged.
        longest_bridge: Duration,
    },
    /// On change: a value holds until the next, at most this long.
    OnChange {
        /// Longest time a value is taken to hold.
        longest_hold: Duration,
    },
}

impl Reporting {
    /// The longest pause between two reports that isn't a gap, ms.
    #[must_use]
    pub fn longest_pause_ms(self) -> i64 {
        let pause = match self {
            Self::Regular { longest_bridge } => longest_bridge,
            Self::OnChange { longest_hold } => longest_hold,
        };
        as_ms(pause)
    }
}

impl Setup {
    /// The instrument of that name.
    #[must_use]
    pub fn instrument(&self, id: &str) -> Option<Instrument> {
        let index = self.instruments.iter().position(|entry| entry.id == id)?;
        u16::try_from(index).ok().map(Instrument)
    }

    /// The bank of that name.
    #[must_use]
    pub fn bank(&self, id: &str) -> Option<&Bank> {
        self.banks.iter().find(|bank| bank.id == id)
    }

    /// What the banks are called, in the order of the setup.
    #[must_use]
    pub fn bank_names(&self) -> Vec<&str> {
        self.banks.iter().map(|bank| bank.id.as_str()).collect()
    }

    /// What the setup knows of an instrument.
    ///
    /// # Panics
    /// Only where the instrument is of another setup.
    #[must_use]
    pub fn entry(&self, instrument: Instrument) -> &InstrumentEntry {
        &self.instruments[usize::from(instrument.0)]
    }

    /// Every instrument, in the order of the setup.
    pub fn all_instruments(&self) -> impl Iterator<Item = Instrument> + '_ {
        (0..self.instruments.len()).filter_map(|index| u16::try_from(index).ok().map(Instrument))
    }
}
