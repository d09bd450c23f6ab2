//! packdrift logs a winter test of battery packs wired in parallel and answers one question: how far has each
//! pack's own charge count drifted from the truth, since when, and how sure are we?
//!
//! Data flows one way, and so do the dependencies between these modules:
//!
//! ```text
//! broker ─ intake ─ writer ─ store ─ ledger ─ charge ─ api ─ page / report
//!          decode    commit   SQLite  hours,   pure
//!          (pure)    then ack         anchors,
//!                                     phases
//! ```
//!
//! packdrift listens only. It is a logger, never a protective device.

pub mod api;
pub mod charge;
pub mod command;
pub mod config;
pub mod daemon;
pub mod demo;
pub mod exchange;
pub mod hex;
pub mod intake;
pub mod ledger;
pub mod page;
pub mod publish;
pub mod reading;
pub mod report;
pub mod secret;
pub mod store;
pub mod unit;
