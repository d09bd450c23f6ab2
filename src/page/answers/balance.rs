//! The packs together against the reference, hour by hour.

use serde::Deserialize;

use super::At;

/// `/v1/balance`.
#[derive(Debug, Clone, Deserialize)]
pub struct Balance {
    /// What the packs counted together, Ah.
    pub packs_ah: f64,
    /// What the reference counted, Ah.
    pub reference_ah: f64,
    /// The first less the second, Ah.
    pub difference_ah: f64,
    /// The packs over the reference; `None` where there is too little to tell.
    pub line: Option<BalanceLine>,
    /// Hour by hour, where all were heard.
    pub hours: Vec<BalanceHour>,
}

/// The packs' current as a line over the reference's.
#[derive(Debug, Clone, Deserialize)]
pub struct BalanceLine {
    /// A of the packs for each A of the reference.
    pub slope: f64,
    /// Its expanded uncertainty, k = 2.
    pub slope_expanded_uncertainty: f64,
    /// What the packs report on top, mA.
    pub intercept_ma: f64,
    /// Its expanded uncertainty, k = 2, mA.
    pub intercept_expanded_uncertainty_ma: f64,
}

/// An hour of the balance.
#[derive(Debug, Clone, Deserialize)]
pub struct BalanceHour {
    /// When it begins.
    pub begin: At,
    /// What the packs counted less what the reference counted, Ah.
    pub difference_ah: f64,
}
