//! The API's documents, as far as they are shown.
//!
//! Fields that are added to the answers are passed over. What is not known is `None` here as it is null there. How
//! the answers come about is the API's.

use chrono::DateTime;
use serde::Deserialize;

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
    /// Ah; positive: the pack believes it holds more than it does.
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
        100.0 * self.expanded_uncertainty_ah_per_day * crate::charge::drift::DAYS_PER_MONTH / capacity_ah
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

#[derive(Deserialize)]
pub(super) struct Phases {
    pub phases: Vec<Phase>,
}

/// A tagged interval.
#[derive(Debug, Clone, Deserialize)]
pub struct Phase {
    /// Its word.
    pub kind: String,
    /// From.
    pub begin: At,
    /// Until.
    pub end: At,
    /// Its number where a person stated it.
    pub stated: Option<i64>,
}

#[derive(Deserialize)]
pub(super) struct Anchors {
    pub anchors: Vec<Anchor>,
}

/// A full charge.
#[derive(Debug, Clone, Deserialize)]
pub struct Anchor {
    /// From.
    pub begin: At,
    /// The mark.
    pub end: At,
    /// Bank voltage at the mark, V.
    pub voltage_v: f64,
    /// Reference current at the mark, A.
    pub tail_current_a: f64,
    /// The number under which a person asserted it.
    #[serde(default)]
    pub asserted: Option<i64>,
    /// The number under which a person vetoed it: no answer goes by it.
    #[serde(default)]
    pub vetoed: Option<i64>,
    /// What each pack showed.
    pub packs: Vec<PackAtMark>,
}

impl Anchor {
    /// Whether answers go by it.
    #[must_use]
    pub fn stands(&self) -> bool {
        self.vetoed.is_none()
    }
}

/// What a pack showed at a mark.
#[derive(Debug, Clone, Deserialize)]
pub struct PackAtMark {
    /// Its name.
    pub pack: String,
    /// The mark counts for it.
    pub counts: bool,
    /// Why it doesn't.
    pub reason: Option<String>,
    /// Highest less lowest cell, V.
    pub cell_difference_v: Option<f64>,
}

#[derive(Deserialize)]
pub(super) struct Notes {
    pub notes: Vec<Note>,
}

/// What a person attached.
#[derive(Debug, Clone, Deserialize)]
pub struct Note {
    /// The instant it speaks of.
    pub at: At,
    /// Of this pack.
    pub pack: Option<String>,
    /// Of this reference.
    pub reference: Option<String>,
    /// Of this bank.
    pub bank: Option<String>,
    /// Its kind.
    pub kind: String,
    /// The words.
    pub text: String,
}

impl Note {
    /// Whom it is of.
    #[must_use]
    pub fn whom(&self) -> &str {
        self.pack
            .as_deref()
            .or(self.reference.as_deref())
            .or(self.bank.as_deref())
            .unwrap_or("?")
    }
}

#[derive(Deserialize)]
pub(super) struct Packs {
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
