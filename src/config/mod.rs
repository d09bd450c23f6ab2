//! From what the user wrote to a [`Setup`] without contradictions.
//!
//! Everything that can be wrong with a setup file is found here, all of it at once, with the place and the mend.
//! The rest of the program never sees the file as written.

mod bank;
mod compare;
mod contradictions;
mod current;
mod duration;
mod finding;
mod load;
mod reader;
mod services;
mod setup;
mod source;
mod topic;

pub use compare::{ChangeToPast, changes_to_past};
pub use current::{WithoutCurrent, without_current};
pub use duration::duration;
pub use finding::{Finding, Wrong};
pub use load::{LoadError, load, parse};
pub use setup::*;
