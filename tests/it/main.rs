//! The questions asked of the whole program, a module each.

mod decode;
mod fixture;
mod harness;

mod past;
mod published;

mod scenario;
mod winters;
