//! The questions asked of the whole program, a module each.

mod decode;
mod fixture;
mod harness;
mod kill;
mod past;
mod published;
mod refused;
mod scenario;
mod winters;
