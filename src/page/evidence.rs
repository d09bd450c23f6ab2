//! What the API says about one question, read back for the page, the plots and the report.
//!
//! Only what is shown is read; fields that are added to the answers are passed over. What is not known is `None`
//! here as it is null there. How the answers come about is the API's.

use chrono::DateTime;
use chrono_tz::Tz;
use serde::Deserialize;
use serde_json::Value;

use crate::api::query_string;

/// The most points a series is asked for: what a plot can show.
const POINTS: i64 = 160;
const HOUR_MS: i64 = 3_600_000;

/// What is asked: a bank and a stretch of time, each as a person writes it.
#[derive(Debug, Clone, Default, Deserialize)]
pub struct Question {
    /// The bank; `None`: the only one.
    pub bank: Option<String>,
    /// From when; `None`: from the first reading.
    pub since: Option<String>,
    /// Until when; `None`: until the last reading.
    pub until: Option<String>,
}

impl Question {
    /// An empty field of a form is one that was left out.
    #[must_use]
    pub fn without_blanks(self) -> Self {
        let filled = |field: Option<String>| field.filter(|text| !text.trim().is_empty());
        Self {
            bank: filled(self.bank),
            since: filled(self.since),
            until: filled(self.until),
        }
    }

    /// The question as a query string, with its question mark where there is anything in it.
    #[must_use]
    pub fn query(&self) -> String {
        query_string(&[
            ("bank", self.bank.as_deref()),
            ("since", self.since.as_deref()),
            ("until", self.until.as_deref()),
        ])
    }

    /// What to GET for an [`Evidence`], in the order of [`Evidence::read`].
    #[must_use]
    pub fn paths(&self) -> [String; 5] {
        let query = self.query();
        [
            format!("/v1/drift{query}"),
            format!("/v1/phases{query}"),
            format!("/v1/anchors{}", query_string(&[("bank", self.bank.as_deref())])),
            "/v1/notes".to_owned(),
            "/v1/packs".to_owned(),
        ]
    }

    /// What to GET for a [`Series`] over the stretch that an answer covers; `None` where nothing was heard.
    #[must_use]
    pub fn series_path(&self, drift: &Drift) -> Option<String> {
        let (since, until) = drift.since.zip(drift.until)?;
        let span_ms = until.ms - since.ms;
        // Whole hours are answered without reading readings.
        let step_ms = if span_ms > 12 * HOUR_MS {
            (span_ms / POINTS / HOUR_MS + 1) * HOUR_MS
        } else {
            60_000 * (span_ms / POINTS / 60_000 + 1)
        };
        let step = format!("PT{}S", step_ms / 1000);
        Some(format!(
            "/v1/drift/series{}",
            query_string(&[
                ("bank", self.bank.as_deref()),
                ("since", self.since.as_deref()),
                ("until", self.until.as_deref()),
                ("step", Some(&step)),
            ])
        ))
    }
}

/// The answers to one question.
#[derive(Debug, Clone)]
pub struct Evidence {
    /// The drift of each pack.
    pub drift: Drift,
    /// What was going on, oldest first.
    pub phases: Vec<Phase>,
    /// The full charges of all time, oldest first.
    pub anchors: Vec<Anchor>,
    /// What people attached to this bank and what is in it, within the stretch asked about.
    pub notes: Vec<Note>,
    /// What the packs were, dated.
    pub packs: Vec<Pack>,
    /// Where dates are read.
    pub zone: Tz,
}

impl Evidence {
    /// Reads the documents that [`Question::paths`] names.
    ///
    /// # Errors
    /// Where a document hasn't the shape that the API gives it.
    pub fn read(documents: [Value; 5], zone: Tz) -> Result<Self, serde_json::Error> {
        let [drift, phases, anchors, notes, packs] = documents;
        let drift: Drift = serde_json::from_value(drift)?;
        let anchors: Anchors = serde_json::from_value(anchors)?;
        let phases: Phases = serde_json::from_value(phases)?;
        let notes: Notes = serde_json::from_value(notes)?;
        let packs: Packs = serde_json::from_value(packs)?;
        let packs: Vec<_> = packs
            .packs
            .into_iter()
            .filter(|pack| pack.bank == drift.bank)
            .collect();
        let reference = drift
            .reference
            .as_ref()
            .map(|reference| reference.reference.as_str());
        let here = |note: &Note| {
            note.bank.as_ref() == Some(&drift.bank)
                || note.reference.is_some() && note.reference.as_deref() == reference
                || packs.iter().any(|pack| note.pack.as_ref() == Some(&pack.pack))
        };
        let notes = notes.notes.into_iter().filter(|note| here(note)).collect();
        Ok(Self {
            drift,
            phases: phases.phases,
            anchors: anchors.anchors,
            notes,
            packs,
            zone,
        })
    }

    /// The stretch that the answer covers, ms since 1970; `None` where nothing was heard.
    #[must_use]
    pub fn stretch_ms(&self) -> Option<(i64, i64)> {
        Some((self.drift.since?.ms, self.drift.until?.ms))
    }

    /// The first and the last mark that count for a pack, ms since 1970.
    #[must_use]
    pub fn marks_ms(&self, pack: &str) -> Option<(i64, i64)> {
        let counts = |anchor: &&Anchor| anchor.packs.iter().any(|at| at.pack == pack && at.counts);
        let first = self.anchors.iter().find(counts)?;
        let last = self.anchors.iter().rev().find(counts)?;
        Some((first.end.ms, last.end.ms))
    }

    /// Notes of an instant within the stretch, numbered from 1 as everywhere they are shown.
    pub fn numbered_notes(&self) -> impl Iterator<Item = (usize, &Note)> {
        self.notes
            .iter()
            .enumerate()
            .map(|(index, note)| (index + 1, note))
    }
}

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
    pub cautions: Vec<Value>,
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
struct Phases {
    phases: Vec<Phase>,
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
struct Anchors {
    anchors: Vec<Anchor>,
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
    /// What each pack showed.
    pub packs: Vec<PackAtMark>,
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
struct Notes {
    notes: Vec<Note>,
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
struct Packs {
    packs: Vec<Pack>,
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
