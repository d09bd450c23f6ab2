//! The marks of a bank: full charges found in the readings, less those that a person vetoed, with those that one
//! asserted. Both stay visible.

use rusqlite::Connection;

use super::{anchors::Search, roster::Roster};
use crate::{
    charge::full::Anchor,
    config::{Bank, Setup},
    store::{
        self,
        anchor::PackAtMark,
        stated_mark::{self, Kind},
    },
};

/// A veto speaks of the full charge within this, ms.
const NEAR_MS: i64 = 3_600_000;

/// A full charge with what the packs showed at its mark.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MarkSeen {
    /// The full charge; where it was asserted, an instant.
    pub anchor: Anchor,
    /// What the packs showed.
    pub packs: Vec<PackAtMark>,
    /// The number under which a person asserted it; `None`: found in the readings.
    pub asserted: Option<i64>,
    /// The number under which a person vetoed it.
    pub vetoed: Option<i64>,
}

impl MarkSeen {
    /// Whether answers go by it.
    #[must_use]
    pub fn stands(&self) -> bool {
        self.vetoed.is_none()
    }

    /// Whether an instant lies within or near it.
    #[must_use]
    pub fn is_near(&self, at_ms: i64) -> bool {
        (self.anchor.begin_ms - NEAR_MS..=self.anchor.end_ms + NEAR_MS).contains(&at_ms)
    }
}

/// The bank at an instant, as it was logged.
///
/// # Errors
/// Whatever SQLite says.
pub fn logged_at(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    at_ms: i64,
) -> rusqlite::Result<Anchor> {
    let roster = Roster::look_up(connection, setup)?;
    Search::new(connection, bank, &roster)?.seen_at(at_ms)
}

/// Every full charge of a bank, vetoed ones included, in order of time.
///
/// # Errors
/// Whatever SQLite says.
pub fn marks(connection: &Connection, setup: &Setup, bank: &Bank) -> rusqlite::Result<Vec<MarkSeen>> {
    let stated = stated_mark::standing(connection, &bank.id)?;
    let mut marks = Vec::new();
    for anchor in store::anchor::of_bank(connection, &bank.id)? {
        let packs = store::anchor::packs(connection, &bank.id, anchor.end_ms)?;
        let mut mark = MarkSeen {
            anchor,
            packs,
            asserted: None,
            vetoed: None,
        };
        let veto = stated
            .iter()
            .find(|stated| stated.said.kind == Kind::Veto && mark.is_near(stated.said.at_ms));
        mark.vetoed = veto.map(|veto| veto.id);
        marks.push(mark);
    }
    let asserted: Vec<_> = stated
        .iter()
        .filter(|stated| stated.said.kind == Kind::Assert)
        .collect();
    if asserted.is_empty() {
        return Ok(marks);
    }
    let roster = Roster::look_up(connection, setup)?;
    let search = Search::new(connection, bank, &roster)?;
    for stated in asserted {
        let at_ms = stated.said.at_ms;
        // As the person saw it, else as logged.
        let logged = search.seen_at(at_ms)?;
        let anchor = Anchor {
            voltage_mv: stated.said.voltage_mv.or(logged.voltage_mv),
            tail_ma: stated.said.tail_ma.or(logged.tail_ma),
            ..logged
        };
        marks.push(MarkSeen {
            packs: search.packs_at(&anchor)?,
            anchor,
            asserted: Some(stated.id),
            vetoed: None,
        });
    }
    marks.sort_by_key(|mark| mark.anchor.end_ms);
    Ok(marks)
}
