//! Packs and revisions side by side.

use serde::Deserialize;

/// `/v1/compare`.
#[derive(Debug, Clone, Deserialize)]
pub struct Comparison {
    /// The packs by their rate, the slowest first.
    pub ranking: Vec<Ranked>,
    /// Pairs of packs.
    pub orders: Vec<Order>,
    /// Revisions side by side; `None` where there is one only.
    pub revisions: Option<Groups>,
    /// Firmwares side by side; `None` where there is one only.
    pub firmware: Option<Groups>,
    /// The answer in sentences.
    pub verdict: Vec<String>,
}

/// A pack in a [`Comparison`].
#[derive(Debug, Clone, Deserialize)]
pub struct Ranked {
    /// Its name.
    pub pack: String,
    /// Points of capacity a month.
    pub points_per_month: f64,
    /// Its expanded uncertainty, k = 2.
    pub expanded_uncertainty_points_per_month: f64,
}

/// Two packs, one of which drifts less.
#[derive(Debug, Clone, Deserialize)]
pub struct Order {
    /// The slower.
    pub less: String,
    /// The faster.
    pub more: String,
    /// How likely that order is.
    pub probability: f64,
    /// How far the sizes of their rates are apart, points a month.
    pub difference_points_per_month: f64,
    /// Its expanded uncertainty, k = 2, with what moves both alike left out.
    pub expanded_uncertainty_points_per_month: f64,
}

/// Packs grouped by what their boards are.
#[derive(Debug, Clone, Deserialize)]
pub struct Groups {
    /// What else differs between them.
    pub confounders: Vec<String>,
    /// What can be said of them.
    pub verdict: Vec<String>,
}
