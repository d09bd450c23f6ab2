//! The drift over time.

use serde::Deserialize;

use super::At;

/// `/v1/drift/series`.
#[derive(Debug, Clone, Deserialize)]
pub struct Series {
    /// The instants.
    pub at: Vec<At>,
    /// Pack by pack, a value an instant.
    pub packs: Vec<PackSeries>,
}

/// A pack over time.
#[derive(Debug, Clone, Deserialize)]
pub struct PackSeries {
    /// Its name.
    pub pack: String,
    /// Charge error, Ah.
    pub charge_error_ah: Vec<Option<f64>>,
    /// Its expanded uncertainty, Ah.
    pub expanded_uncertainty_ah: Vec<Option<f64>>,
    /// Actual state of charge, %.
    pub actual_percent: Vec<Option<f64>>,
    /// Displayed state of charge, %.
    #[serde(default)]
    pub display_percent: Vec<Option<f64>>,
}
