//! Who reports: the instruments of the setup with their numbers in the store and how their reports are joined.

use rusqlite::Connection;

use crate::{
    charge::count::{Between, Joining},
    config::{Bank, Chemistry, Reporting, Role, Setup},
    reading::Instrument,
    store,
};

/// An instrument as the ledger sees it.
#[derive(Debug, Clone, Copy)]
pub struct Member {
    /// Its number in the store.
    pub number: i64,
    /// How its current is joined.
    pub joining: Joining,
    /// What its display's percents are of, Ah, as the setup has it now. Before a dated change of it, jumps of the
    /// display and steps of the counter are judged by this one too; answers go by what held then.
    pub displayed_capacity_ah: f64,
    /// Cells in series.
    pub cells_in_series: i64,
    /// Whether the cells are LFP, whose usual cautions are known.
    pub lfp: bool,
}

/// All instruments of a setup, by [`Instrument`] index.
#[derive(Debug, Clone)]
pub struct Roster {
    members: Vec<Member>,
}

impl Roster {
    /// Looks up the numbers of a setup's instruments. On a connection that writes, new names get theirs.
    ///
    /// # Errors
    /// Whatever SQLite says.
    pub fn look_up(connection: &Connection, setup: &Setup) -> rusqlite::Result<Self> {
        let members = setup
            .instruments
            .iter()
            .map(|entry| {
                let bank = &setup.banks[entry.bank];
                let displayed_capacity_ah = match entry.role {
                    Role::Reference => bank.capacity_ah(i64::MAX),
                    Role::Pack(p) => bank.packs[p].held_at(i64::MAX).displayed_capacity_ah(),
                };
                let number = match store::instrument::known_number(connection, &entry.id)? {
                    Some(number) => number,
                    None => store::instrument::number_of(connection, &entry.id)?,
                };
                Ok(Member {
                    number,
                    joining: joining(entry.reporting),
                    displayed_capacity_ah,
                    cells_in_series: i64::from(bank.cells_in_series).max(1),
                    lfp: bank.chemistry == Chemistry::Lfp && entry.role != Role::Reference,
                })
            })
            .collect::<rusqlite::Result<_>>()?;
        Ok(Self { members })
    }

    /// The instrument as the ledger sees it.
    ///
    /// # Panics
    /// Only where the instrument is of another setup.
    #[must_use]
    pub fn member(&self, instrument: Instrument) -> Member {
        self.members[usize::from(instrument.0)]
    }

    /// Everyone.
    #[must_use]
    pub fn members(&self) -> &[Member] {
        &self.members
    }

    /// The members of a bank: the reference, then the packs.
    #[must_use]
    pub fn of_bank(&self, bank: &Bank) -> Vec<Member> {
        bank.instruments()
            .map(|instrument| self.member(instrument))
            .collect()
    }

    /// The longest pause that anyone's reports are joined over, ms.
    #[must_use]
    pub fn longest_pause_ms(&self) -> i64 {
        self.members
            .iter()
            .map(|member| member.joining.longest_pause_ms)
            .max()
            .unwrap_or(0)
    }
}

fn joining(reporting: Reporting) -> Joining {
    let between = match reporting {
        Reporting::Regular { .. } => Between::Line,
        Reporting::OnChange { .. } => Between::Hold,
    };
    Joining {
        between,
        longest_pause_ms: reporting.longest_pause_ms(),
    }
}
