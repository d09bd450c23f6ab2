//! SQLite: opening and migrating, one file a table, and the one writer.
//!
//! Only the [`Writer`] changes readings; everyone else reads through connections of their own. What the tables
//! mean stands in `migrations/`. How derived rows come about is `ledger`'s.

pub mod anchor;
pub mod backup;
mod batch;
pub mod caution_hour;
pub mod counter_step;
pub mod cut;
pub mod derived;
pub mod digest;
pub mod gap;
pub mod hour;
pub mod instrument;
pub mod note;
pub mod off_busbar;
mod open;
pub mod quarantine;
pub mod reading;
mod revised;
pub mod salvage;
pub mod setup_version;
pub mod soundness;
pub mod stated_mark;
pub mod stated_phase;
mod trouble;
mod writer;

pub use batch::Message;
pub use open::{Lock, OpenError, read_only, read_write, upgrade};
pub use trouble::Trouble;
pub use writer::{Committed, Failing, Options, StartError, Stopped, Ticket, Writer, WriterThread};
