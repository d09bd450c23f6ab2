//! The questions asked of the whole program, a module each.

mod published;
