//! The command line, one file a command. What they do is elsewhere; here it is asked for and shown.

mod ask;
pub mod check;
pub mod demo;
pub mod drift;
mod evidence;
mod failure;
pub mod live;
pub mod mark;
pub mod note;
pub mod notes;
pub mod plot;
pub mod rebuild;
pub mod report;
pub mod serve;
mod table;
pub mod token;
pub mod watch;

pub use failure::Failure;
