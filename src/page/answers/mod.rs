//! The API's documents, as far as they are shown.
//!
//! Fields that are added to the answers are passed over. What is not known is `None` here as it is null there. How
//! the answers come about is the API's.

mod balance;
mod compared;
mod happened;
mod packs;
mod series;

use chrono::DateTime;
use serde::Deserialize;

pub use balance::{Balance, BalanceHour, BalanceLine};
pub use compared::{Comparison, Groups, Order, Ranked};
pub use happened::{Anchor, Note, PackAtMark, Phase};
pub(super) use happened::{Anchors, Notes, Phases};
pub(super) use packs::Packs;
pub use packs::{Held, Pack};
pub use series::{PackSeries, Series};

/// An instant, as RFC 3339 in the answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(try_from = "String")]
pub struct At {
    /// Milliseconds since 1970.
    pub ms: i64,
}

impl TryFrom<String> for At {
    type Error = chrono::ParseError;

    fn try_from(text: String) -> Result<Self, chrono::ParseError> {
        let instant = DateTime::parse_from_rfc3339(&text)?;
        Ok(Self {
            ms: instant.timestamp_millis(),
        })
    }
}

/// `/v1/drift`.
#[derive(Debug, Clone, Deserialize)]
pub struct Drift {
    /// The bank.
    pub bank: String,
    /// First instant of the answer.
    pub since: Option<At>,
    /// Last instant of the answer.
    pub until: Option<At>,
    /// Digest of the setup file.
    pub setup: String,
    /// Pack by pack.
    pub packs: Vec<PackAnswer>,
    /// The packs' displays together: what an inverter sees that asks them all.
    #[serde(default)]
    pub bank_display: Option<Display>,
    /// The yardstick.
    pub reference: Option<Reference>,
}

/// The answer for one pack.
#[derive(Debug, Clone, Deserialize)]
pub struct PackAnswer {
    /// Its name.
    pub pack: String,
    /// Its board's revision.
    pub revision: String,
    /// Its board's firmware.
    pub firmware: Option<String>,
    /// Rated capacity, Ah.
    pub capacity_ah: f64,
    /// Counted charge less the change of stored charge.
    pub charge_error: ChargeError,
    /// How fast it grows, in the last epoch.
    pub rate: Option<Rate>,
    /// From recalibration to recalibration.
    pub epochs: Vec<Epoch>,
    /// What its own counter went up by.
    #[serde(default)]
    pub own_counter: Option<OwnCounter>,
    /// What its board shows.
    pub display: Option<Display>,
    /// Full charges as seen on the display.
    pub resyncs: Vec<Resync>,
    /// What its board counted.
    pub counted: Counted,
    /// How much of it was heard.
    pub coverage: Coverage,
    /// Jumps of the display that nothing counted explains.
    pub unexplained_resets: Vec<Resync>,
    /// Readings outside the usual cautions.
    #[serde(default)]
    pub cautions: Vec<Caution>,
}

/// A charge error with its uncertainty.
#[derive(Debug, Clone, Deserialize)]
pub struct ChargeError {
    /// Ah; positive: the board counted too much.
    pub ah: Option<f64>,
    /// Expanded uncertainty, k = 2, Ah.
    pub expanded_uncertainty_ah: Option<f64>,
    /// Percent of capacity.
    pub percent_of_capacity: Option<f64>,
    /// `closed`, `provisional` or `insufficient`.
    pub basis: String,
    /// Why there is no answer.
    pub reason: Option<String>,
    /// Larger than its uncertainty.
    pub significant: Option<bool>,
    /// Where the uncertainty comes from, largest first.
    pub budget: Vec<BudgetLine>,
}

impl ChargeError {
    /// Value and expanded uncertainty, Ah, where there is an answer.
    #[must_use]
    pub fn known(&self) -> Option<(f64, f64)> {
        self.ah.zip(self.expanded_uncertainty_ah)
    }
}

/// One source of uncertainty.
#[derive(Debug, Clone, Deserialize)]
pub struct BudgetLine {
    /// Its word.
    pub source: String,
    /// Standard uncertainty, Ah.
    pub standard_uncertainty_ah: f64,
}

/// How fast a charge error grows.
#[derive(Debug, Clone, Deserialize)]
pub struct Rate {
    /// Ah a day.
    pub ah_per_day: f64,
    /// Points of capacity a month.
    pub points_per_month: f64,
    /// Expanded uncertainty, k = 2, Ah a day.
    pub expanded_uncertainty_ah_per_day: f64,
}

impl Rate {
    /// Expanded uncertainty in points of capacity a month.
    #[must_use]
    pub fn expanded_uncertainty_points_per_month(&self, capacity_ah: f64) -> f64 {
        100.0 * self.expanded_uncertainty_ah_per_day * crate::charge::rate::DAYS_PER_MONTH / capacity_ah
    }
}

/// The rate of one epoch.
#[derive(Debug, Clone, Deserialize)]
pub struct Epoch {
    /// From.
    pub begin: At,
    /// Until.
    pub end: At,
    /// How fast.
    #[serde(flatten)]
    pub rate: Rate,
}

/// What a board shows against what is.
#[derive(Debug, Clone, Deserialize)]
pub struct Display {
    /// What it shows, %.
    pub soc_percent: f64,
    /// What is, %.
    pub actual_percent: Option<f64>,
    /// The difference, points.
    pub error_points: Option<f64>,
    /// Expanded uncertainty of the difference, points.
    pub expanded_uncertainty_points: Option<f64>,
    /// At its end stop, which hides error.
    pub censored: bool,
    /// Displayed here less displayed by the reference, points.
    #[serde(default)]
    pub less_reference_display_points: Option<f64>,
}

/// What a board's own counter says.
#[derive(Debug, Clone, Deserialize)]
pub struct OwnCounter {
    /// What it counts: `net`, or throughput of a kind.
    pub counts: String,
    /// What it went up by, Ah.
    pub counted_ah: Option<f64>,
    /// That less the change of stored charge, Ah.
    pub charge_error_ah: Option<f64>,
    /// Its expanded uncertainty, k = 2, Ah.
    pub expanded_uncertainty_ah: Option<f64>,
    /// Steps that are not charge.
    pub steps: Vec<CounterStep>,
}

/// A step of a counter that is not charge.
#[derive(Debug, Clone, Deserialize)]
pub struct CounterStep {
    /// When.
    pub at: At,
    /// Its word.
    pub kind: String,
    /// Before, Ah.
    pub before_ah: f64,
    /// After, Ah.
    pub after_ah: f64,
}

/// An episode outside the usual cautions.
#[derive(Debug, Clone, Deserialize)]
pub struct Caution {
    /// Its word.
    pub kind: String,
    /// First seen.
    pub begin: At,
    /// Last seen.
    pub end: At,
    /// The value furthest out: V, °C or points.
    pub worst: f64,
    /// In words.
    pub text: String,
}

/// A jump of a display.
#[derive(Debug, Clone, Deserialize)]
pub struct Resync {
    /// When.
    pub at: At,
    /// What it showed before, %.
    pub before_percent: Option<f64>,
    /// And after, %.
    pub after_percent: Option<f64>,
}

/// What was counted.
#[derive(Debug, Clone, Deserialize)]
pub struct Counted {
    /// In, Ah.
    pub charged_ah: f64,
    /// Out, Ah.
    pub discharged_ah: f64,
    /// Throughput over twice the capacity.
    pub equivalent_full_cycles: Option<f64>,
}

/// How much was heard.
#[derive(Debug, Clone, Deserialize)]
pub struct Coverage {
    /// Fraction of the time.
    pub fraction: f64,
    /// Longest pause, s.
    pub longest_gap_s: i64,
    /// How long the pack was off the busbar, s.
    #[serde(default)]
    pub off_busbar_s: Option<i64>,
}

/// The yardstick's entry.
#[derive(Debug, Clone, Deserialize)]
pub struct Reference {
    /// Its name.
    pub reference: String,
    /// What it counted.
    pub counted: Counted,
    /// How much was heard.
    pub coverage: Coverage,
    /// What it shows.
    #[serde(default)]
    pub display: Option<Display>,
    /// What is wrong with judging boards by that.
    #[serde(default)]
    pub display_comparison: Option<String>,
    /// From full charge to full charge.
    pub closures: Vec<Closure>,
    /// What the packs would hold together by its count, %, where that can't be.
    #[serde(default)]
    pub impossible_percent: Option<f64>,
}

/// The reference's net count over a closed span.
#[derive(Debug, Clone, Deserialize)]
pub struct Closure {
    /// From mark.
    pub begin: At,
    /// To mark.
    pub end: At,
    /// Net count, Ah.
    pub closure_ah: f64,
    /// Expanded uncertainty, k = 2, Ah.
    pub expanded_uncertainty_ah: f64,
    /// Ah a day.
    pub ah_per_day: f64,
    /// More than losses and data sheet explain.
    #[serde(default)]
    pub beyond_data_sheet: bool,
}
