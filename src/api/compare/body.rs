//! The shapes of the answer: what stands in the document and in which units.

use serde::Serialize;
use utoipa::ToSchema;

use super::{
    super::{drift::round, zulu::Zulu},
    Packs,
};
use crate::charge::{
    compare::{Change, DECIDED, Drifting, Order},
    rate::Rate,
};

#[derive(Serialize, ToSchema)]
#[schema(as = Compare)]
pub(super) struct Answer {
    pub(super) bank: String,
    pub(super) since: Option<Zulu>,
    pub(super) until: Option<Zulu>,
    pub(super) setup: String,
    pub(super) coverage_factor: f64,
    /// The slowest first.
    pub(super) ranking: Vec<RankBody>,
    pub(super) unranked: Vec<UnrankedBody>,
    pub(super) orders: Vec<OrderBody>,
    /// Null where fewer than two revisions are there.
    pub(super) revisions: Option<GroupsBody>,
    /// Null where fewer than two firmwares are stated.
    pub(super) firmware: Option<GroupsBody>,
    pub(super) recalibrations: Vec<ChangeBody>,
    /// The answer in sentences.
    pub(super) verdict: Vec<String>,
}

#[derive(Serialize, ToSchema)]
#[schema(as = CompareRankBody)]
pub(super) struct RankBody {
    pack: String,
    revision: String,
    firmware: Option<String>,
    capacity_ah: f64,
    begin: Zulu,
    end: Zulu,
    points_per_month: f64,
    expanded_uncertainty_points_per_month: f64,
    ah_per_day: f64,
    expanded_uncertainty_ah_per_day: f64,
    percent_of_throughput: Option<f64>,
}

impl RankBody {
    pub(super) fn of(one: &Drifting, packs: &Packs<'_>) -> Self {
        let held = packs.held(one.p);
        let points = one.points_per_month();
        Self {
            pack: packs.name(one.p).to_owned(),
            revision: held.revision.clone(),
            firmware: held.firmware.clone(),
            capacity_ah: held.capacity_ah,
            begin: Zulu(one.begin_ms),
            end: Zulu(one.end_ms),
            points_per_month: round(points.value_ah, 2),
            expanded_uncertainty_points_per_month: round(points.expanded_uncertainty_ah(), 2),
            ah_per_day: round(one.ah_per_day.value_ah, 4),
            expanded_uncertainty_ah_per_day: round(one.ah_per_day.expanded_uncertainty_ah(), 4),
            percent_of_throughput: one.percent_of_throughput().map(|percent| round(percent, 2)),
        }
    }
}

#[derive(Serialize, ToSchema)]
#[schema(as = CompareUnrankedBody)]
pub(super) struct UnrankedBody {
    pub(super) pack: String,
    pub(super) reason: String,
}

/// Two packs: `less` drifts less than `more`, with that probability.
#[derive(Serialize, ToSchema)]
#[schema(as = CompareOrderBody)]
pub(super) struct OrderBody {
    less: String,
    more: String,
    probability: f64,
    decided: bool,
    difference_points_per_month: f64,
    expanded_uncertainty_points_per_month: f64,
    /// About how many more days would decide it; null where it is decided or no test of two years would.
    more_days: Option<f64>,
}

impl OrderBody {
    pub(super) fn of(order: &Order, ranked: &[Drifting], packs: &Packs<'_>) -> Self {
        Self {
            less: packs.name(ranked[order.less].p).to_owned(),
            more: packs.name(ranked[order.more].p).to_owned(),
            probability: round(order.probability, 4),
            decided: order.probability >= DECIDED,
            difference_points_per_month: round(order.difference.value_ah, 2),
            expanded_uncertainty_points_per_month: round(order.difference.expanded_uncertainty_ah(), 2),
            more_days: order.more_days,
        }
    }
}

/// Groups of packs side by side.
#[derive(Serialize, ToSchema)]
#[schema(as = CompareGroupsBody)]
pub(super) struct GroupsBody {
    pub(super) groups: Vec<GroupBody>,
    /// Standard deviation between units of one group; null where no group has two.
    pub(super) scatter_between_units_ah_per_day: Option<f64>,
    pub(super) comparisons: Vec<ComparisonBody>,
    pub(super) confounders: Vec<String>,
    pub(super) verdict: Vec<String>,
}

#[derive(Serialize, ToSchema)]
#[schema(as = CompareGroupBody)]
pub(super) struct GroupBody {
    pub(super) name: String,
    pub(super) packs: Vec<String>,
    pub(super) mean_ah_per_day: f64,
    /// Of these units; what other units would do is in the comparisons.
    pub(super) expanded_uncertainty_ah_per_day: f64,
    /// "revision" or "firmware" with two units or more, "unit" with one: what a verdict is on.
    pub(super) verdict_on: &'static str,
}

/// Two groups of at least two units each. `confidence_differ`: how sure it is that the two differ;
/// `confidence_better`: that one drifts less.
#[derive(Serialize, ToSchema)]
#[schema(as = CompareComparisonBody)]
pub(super) struct ComparisonBody {
    pub(super) one: String,
    pub(super) other: String,
    pub(super) difference_ah_per_day: f64,
    pub(super) standard_uncertainty_ah_per_day: f64,
    pub(super) degrees_of_freedom: f64,
    pub(super) confidence_differ: f64,
    pub(super) confidence_better: f64,
    /// Which drifts less; null where that can't be claimed.
    pub(super) better: Option<String>,
    pub(super) more_days: Option<f64>,
    pub(super) units_of_each_needed: Option<u32>,
}

/// What a recalibration changed.
#[derive(Serialize, ToSchema)]
#[schema(as = CompareChangeBody)]
pub(super) struct ChangeBody {
    pack: String,
    at: Zulu,
    before: EpochBody,
    after: EpochBody,
    change_ah_per_day: f64,
    expanded_uncertainty_ah_per_day: f64,
    significant: bool,
}

#[derive(Serialize, ToSchema)]
#[schema(as = CompareEpochBody)]
struct EpochBody {
    begin: Zulu,
    end: Zulu,
    ah_per_day: f64,
    expanded_uncertainty_ah_per_day: f64,
}

impl EpochBody {
    fn of(rate: &Rate) -> Self {
        Self {
            begin: Zulu(rate.begin_ms),
            end: Zulu(rate.end_ms),
            ah_per_day: round(rate.ah_per_day(), 4),
            expanded_uncertainty_ah_per_day: round(rate.expanded_uncertainty_ah_per_day(), 4),
        }
    }
}

impl ChangeBody {
    pub(super) fn of(change: &Change, packs: &Packs<'_>) -> Self {
        Self {
            pack: packs.name(change.p).to_owned(),
            at: Zulu(change.after.begin_ms),
            before: EpochBody::of(&change.before),
            after: EpochBody::of(&change.after),
            change_ah_per_day: round(change.by.value_ah, 4),
            expanded_uncertainty_ah_per_day: round(change.by.expanded_uncertainty_ah(), 4),
            significant: change.by.is_significant(),
        }
    }
}
