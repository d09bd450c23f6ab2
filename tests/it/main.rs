//! The questions asked of the whole program, a module each.

mod api;
mod attacks;
mod backup;
mod broker_faults;
mod cost;
mod decode;
mod fixture;
mod gaps;
mod harness;
mod kill;
mod ledger;
mod live;
mod mosquitto;
mod own_broker;
mod page;
mod past;
mod path;
mod published;
mod refused;
mod report;
mod reporting;
mod scenario;
mod setup;
mod unattended;
mod winters;
