//! The command line, one file a command. What they do is elsewhere; here it is asked for and shown.

mod ask;
pub mod backup;
pub mod balance;
pub mod causes;
pub mod check;
pub mod compare;
pub mod demo;
pub mod drift;
mod evidence;
pub mod export;
mod failure;
pub mod forecast;
pub mod import;
pub mod live;
mod log;
pub mod mark;
pub mod note;
pub mod notes;
pub mod plan;
pub mod plot;
pub mod rebuild;
pub mod reference;
pub mod report;
pub mod restore;
pub mod salvage;
pub mod serve;
pub mod setups;
pub mod shell;
mod sparkline;
mod stretch;
mod table;
pub mod token;
pub mod verify;
pub mod watch;

pub use failure::Failure;
pub use log::LogFormat;
