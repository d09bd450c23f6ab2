//! The shapes of the answer: what stands in the document and in which units.

use serde::Serialize;
use utoipa::ToSchema;

use super::super::zulu::Zulu;
use crate::charge::{drift::Coverage, estimate::Estimate};

#[derive(Serialize, ToSchema)]
#[schema(as = Drift)]
pub(super) struct Answer {
    pub(super) bank: String,
    pub(super) since: Option<Zulu>,
    pub(super) until: Option<Zulu>,
    pub(super) setup: String,
    pub(super) coverage_factor: f64,
    pub(super) packs: Vec<PackBody>,
    pub(super) bank_display: Option<DisplayBody>,
    pub(super) reference: Option<ReferenceBody>,
}

#[derive(Serialize, ToSchema)]
pub(super) struct PackBody {
    pub(super) pack: String,
    pub(super) revision: String,
    pub(super) firmware: Option<String>,
    pub(super) capacity_ah: f64,
    pub(super) charge_error: ErrorBody,
    pub(super) rate: Option<RateBody>,
    pub(super) epochs: Vec<EpochBody>,
    pub(super) own_counter: Option<OwnCounterBody>,
    pub(super) display: Option<DisplayBody>,
    pub(super) resyncs: Vec<ResyncBody>,
    pub(super) counted: CountedBody,
    pub(super) coverage: CoverageBody,
    /// When it was recalibrated, or another board or firmware began to count.
    pub(super) recalibrations: Vec<Zulu>,
    pub(super) unexplained_resets: Vec<ResetBody>,
    pub(super) cautions: Vec<CautionBody>,
}

#[derive(Serialize, ToSchema)]
pub(super) struct ErrorBody {
    pub(super) ah: Option<f64>,
    pub(super) expanded_uncertainty_ah: Option<f64>,
    pub(super) percent_of_capacity: Option<f64>,
    pub(super) basis: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) reason: Option<String>,
    pub(super) significant: Option<bool>,
    pub(super) budget: Vec<LineBody>,
}

#[derive(Serialize, ToSchema)]
pub(super) struct LineBody {
    source: &'static str,
    standard_uncertainty_ah: f64,
}

/// The lines of a budget, largest first.
pub(super) fn lines(estimate: &Estimate) -> Vec<LineBody> {
    let line = |(source, ah): (crate::charge::estimate::Source, f64)| LineBody {
        source: source.word(),
        standard_uncertainty_ah: round(ah, 4),
    };
    estimate.budget().into_iter().map(line).collect()
}

#[derive(Serialize, ToSchema)]
pub(super) struct RateBody {
    pub(super) ah_per_day: f64,
    pub(super) points_per_month: f64,
    pub(super) expanded_uncertainty_ah_per_day: f64,
    /// The part of the epoch that the rate is told over: from full charge to full charge where that leaves out a
    /// twentieth at most and is surer.
    pub(super) told_from: Zulu,
    pub(super) told_until: Zulu,
}

#[derive(Serialize, ToSchema)]
pub(super) struct EpochBody {
    pub(super) begin: Zulu,
    pub(super) end: Zulu,
    pub(super) charge_error_ah: f64,
    pub(super) expanded_uncertainty_ah: f64,
    #[serde(flatten)]
    pub(super) rate: RateBody,
}

/// What the pack's own counter went up by. Its error is null where the counter doesn't count net charge, or a step
/// of it can't be put right.
#[derive(Serialize, ToSchema)]
pub(super) struct OwnCounterBody {
    pub(super) counts: &'static str,
    pub(super) counted_ah: Option<f64>,
    pub(super) charge_error_ah: Option<f64>,
    pub(super) expanded_uncertainty_ah: Option<f64>,
    pub(super) steps: Vec<StepBody>,
}

/// A step of a counter that is not charge. At a full charge it is the board's own correction.
#[derive(Serialize, ToSchema)]
pub(super) struct StepBody {
    pub(super) at: Zulu,
    pub(super) kind: &'static str,
    pub(super) before_ah: f64,
    pub(super) after_ah: f64,
    pub(super) counted_ah: Option<f64>,
}

#[derive(Serialize, ToSchema)]
pub(super) struct DisplayBody {
    /// When it was last displayed; null for the bank's mean of several displays.
    pub(super) at: Option<Zulu>,
    pub(super) soc_percent: f64,
    pub(super) actual_percent: Option<f64>,
    pub(super) error_points: Option<f64>,
    pub(super) expanded_uncertainty_points: Option<f64>,
    pub(super) censored: bool,
    /// Displayed here less displayed by the reference.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) less_reference_display_points: Option<f64>,
}

#[derive(Serialize, ToSchema)]
pub(super) struct ResyncBody {
    pub(super) at: Zulu,
    pub(super) before_percent: Option<f64>,
    pub(super) after_percent: Option<f64>,
}

#[derive(Serialize, ToSchema)]
pub(super) struct ResetBody {
    pub(super) at: Zulu,
    pub(super) before_percent: f64,
    pub(super) after_percent: f64,
}

#[derive(Serialize, ToSchema)]
pub(super) struct CountedBody {
    pub(super) charged_ah: f64,
    pub(super) discharged_ah: f64,
    pub(super) net_ah: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) equivalent_full_cycles: Option<f64>,
}

#[derive(Serialize, ToSchema)]
pub(super) struct CoverageBody {
    pub(super) fraction: f64,
    pub(super) longest_gap_s: i64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) off_busbar_s: Option<i64>,
}

/// What was outside the usual cautions, once an episode. `worst` is in V, °C or points.
#[derive(Serialize, ToSchema)]
pub(super) struct CautionBody {
    pub(super) kind: &'static str,
    pub(super) begin: Zulu,
    pub(super) end: Zulu,
    pub(super) worst: f64,
    pub(super) text: String,
}

#[derive(Serialize, ToSchema)]
pub(super) struct ReferenceBody {
    pub(super) reference: String,
    pub(super) counted: CountedBody,
    pub(super) coverage: CoverageBody,
    pub(super) recalibrations: Vec<Zulu>,
    pub(super) display: Option<DisplayBody>,
    /// What is wrong with judging boards by the reference's display.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) display_comparison: Option<&'static str>,
    pub(super) closures: Vec<ClosureBody>,
    /// What the packs would hold together at the end by its count, where that can't be: it, the losses or the
    /// capacities are not as the setup says.
    pub(super) impossible_percent: Option<f64>,
}

#[derive(Serialize, ToSchema)]
pub(super) struct ClosureBody {
    pub(super) begin: Zulu,
    pub(super) end: Zulu,
    pub(super) closure_ah: f64,
    pub(super) expanded_uncertainty_ah: f64,
    pub(super) ah_per_day: f64,
    /// More than losses and the reference's data sheet explain, by more than its uncertainty.
    pub(super) beyond_data_sheet: bool,
}

pub(super) fn coverage_body(coverage: Coverage, off_busbar_ms: Option<i64>) -> CoverageBody {
    CoverageBody {
        fraction: round(coverage.fraction, 5),
        longest_gap_s: coverage.longest_gap_ms / 1000,
        off_busbar_s: off_busbar_ms.map(|ms| ms / 1000),
    }
}

/// Digits beyond what the uncertainty supports only hide it.
pub(in crate::api) fn round(value: f64, digits: i32) -> f64 {
    let factor = 10_f64.powi(digits);
    // Adding zero turns −0 into 0.
    (value * factor).round() / factor + 0.0
}
