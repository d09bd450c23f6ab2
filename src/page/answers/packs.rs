//! What the packs were, dated.

use serde::Deserialize;

use super::At;

#[derive(Deserialize)]
pub(in crate::page) struct Packs {
    pub packs: Vec<Pack>,
}

/// A pack as the setup has it.
#[derive(Debug, Clone, Deserialize)]
pub struct Pack {
    /// Its name.
    pub pack: String,
    /// Its bank.
    pub bank: String,
    /// What held when, oldest first.
    pub held: Vec<Held>,
}

/// What a pack was from a date on.
#[derive(Debug, Clone, Deserialize)]
pub struct Held {
    /// From when; `None`: always.
    pub from: Option<At>,
    /// Rated, Ah.
    pub capacity_ah: f64,
    /// What its board believes, Ah.
    pub set_capacity_ah: Option<f64>,
    /// What somebody measured, Ah.
    pub measured_capacity_ah: Option<f64>,
    /// Standard uncertainty of that, Ah.
    pub measured_capacity_uncertainty_ah: Option<f64>,
    /// The board's revision.
    pub revision: String,
    /// The board's firmware.
    pub firmware: Option<String>,
    /// What the board draws, mA.
    pub standing_draw_ma: f64,
    /// Standard uncertainty of that, mA.
    pub standing_draw_uncertainty_ma: f64,
    /// On the busbar at all.
    pub in_bank: bool,
}
