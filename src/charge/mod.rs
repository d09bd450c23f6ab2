//! The arithmetic: counted charge, full charges, stored charge, charge error and its uncertainty.
//!
//! Pure functions over slices. No I/O, no clock, no serde, no SQL: `ledger` brings the facts, `api` shows the
//! answers. Charging is positive throughout.

pub mod balance;
pub mod busbar;
pub mod causes;
pub mod caution;
pub mod chance;
pub mod compare;
pub mod confounder;
pub mod count;
pub mod counter;
pub mod course;
pub mod drift;
pub mod estimate;
pub mod evidence;
pub mod facts;
pub mod fill;
pub mod forecast;
pub mod full;
pub mod learned;
pub mod least_squares;
pub mod losses;
pub mod phase;
pub mod plan;
pub mod rate;
pub mod revision;
mod sharing;
pub mod stored;
pub mod switched_off;
mod time;
pub mod trial;
mod wander;
