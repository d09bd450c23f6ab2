//! Keeps what is derived in step with the readings, and gathers the facts for a question.
//!
//! Hours, gaps, anchors and cuts are derived from readings alone: they can be dropped and rebuilt with the same
//! result to the last digit. Readings that come late mark their hours; [`refresh()`] derives those again and
//! whatever depends on them. Everything here runs on a connection that somebody else owns; the arithmetic is
//! `charge`'s.

mod anchors;
mod balance;
mod busbar;
mod calibration;
mod causes;
mod cautions;
mod cuts;
mod evidence;
mod facts;
mod hours;
mod marks;
mod own_counter;
mod phases;
mod refresh;
mod roster;
mod told;

pub use anchors::criterion;
pub use balance::hours_of_bank;
pub use calibration::{Calibration, calibrations};
pub use causes::causes;
pub use cautions::cautions;
pub use evidence::{Display, Resync, displays, jumps, last_heard, resyncs};
pub use facts::{Asked, bank_facts, counted_until, gather, grid_ms};
pub use marks::{MarkSeen, logged_at, marks};
pub use own_counter::{OwnCount, own_counts};
pub use phases::{Phases, phases};
pub use refresh::{Progress, is_behind, rebuild, refresh};
pub use roster::Roster;
