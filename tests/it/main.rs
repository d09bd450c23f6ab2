//! The questions asked of the whole program, a module each.

mod api;
mod asking;
mod attacks;
mod awkward;
mod backup;
mod broker_faults;
mod browser;
mod certificates;
mod client;
mod closed_forms;
mod compare;
mod cost;
mod course;
mod coverage;
mod dated;
mod decode;
mod export;
mod fixture;
mod fleet;
mod forecast;
mod fuzzed;
mod gaps;
#[allow(dead_code, reason = "the examples use more of it")]
mod harness;
mod import;
mod kill;
mod leaving;
mod ledger;
mod live;
mod marks;
mod metrics;
mod mosquitto;
mod openapi;
mod own_broker;
mod page;
mod past;
mod path;
mod person;
mod publish;
mod published;
mod reference;
mod refused;
mod report;
mod reporting;
#[allow(dead_code, reason = "the examples use more of it")]
mod scenario;
mod senml;
mod setup;
#[allow(dead_code, reason = "fuzzing uses more of it")]
mod taken;
mod terminal;
mod tls;
mod tools;
mod unattended;
mod webdriver;
mod winters;
