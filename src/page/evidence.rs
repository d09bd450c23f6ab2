//! What is asked for a page, a plot or a report, and the answers to it together.
//!
//! Whoever asks, within the program or over HTTP, gets the same documents; what is in them is `answers`'.

use chrono_tz::Tz;
use serde::Deserialize;
use serde_json::Value;

use super::answers::{Anchor, Anchors, Balance, Comparison, Drift, Note, Notes, Pack, Packs, Phase, Phases};
use crate::{api::query_string, reading::HOUR_MS};

/// The most points a series is asked for: what a plot can show.
const POINTS: i64 = 160;

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
    pub fn paths(&self) -> [String; 6] {
        let query = self.query();
        [
            format!("/v1/drift{query}"),
            format!("/v1/phases{query}"),
            format!("/v1/anchors{}", query_string(&[("bank", self.bank.as_deref())])),
            self.notes_path(),
            "/v1/packs".to_owned(),
            format!("/v1/compare{query}"),
        ]
    }

    /// Where the notes are, the newest first.
    #[must_use]
    pub fn notes_path(&self) -> String {
        format!("/v1/notes{}", query_string(&[("bank", self.bank.as_deref())]))
    }

    /// What to GET for [`Evidence::with_balance`]: hour by hour, so that only who shows it asks.
    #[must_use]
    pub fn balance_path(&self) -> String {
        format!("/v1/balance{}", self.query())
    }

    /// What to GET for a [`Series`](super::answers::Series) over the stretch that an answer covers; `None` where nothing was heard.
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
    /// The full charges of all time, vetoed ones included, oldest first.
    pub anchors: Vec<Anchor>,
    /// What people attached to this bank and what is in it, at any time; the newest, where they are very many.
    pub notes: Vec<Note>,
    /// How many notes there are before these.
    pub earlier_notes: usize,
    /// What the packs were, dated.
    pub packs: Vec<Pack>,
    /// Who drifts faster, and what can be said of revisions.
    pub comparison: Comparison,
    /// The packs together against the reference; `None` where it was not asked for.
    pub balance: Option<Balance>,
    /// Where dates are read.
    pub zone: Tz,
}

impl Evidence {
    /// Reads the documents that [`Question::paths`] names.
    ///
    /// # Errors
    /// Where a document hasn't the shape that the API gives it.
    pub fn read(documents: [Value; 6], zone: Tz) -> Result<Self, serde_json::Error> {
        let [drift, phases, anchors, notes, packs, comparison] = documents;
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
        let earlier_notes = notes.in_all.unwrap_or(0).saturating_sub(notes.notes.len());
        let notes = notes.notes.into_iter().filter(|note| here(note)).collect();
        Ok(Self {
            drift,
            phases: phases.phases,
            anchors: anchors.anchors,
            notes,
            earlier_notes,
            packs,
            comparison: serde_json::from_value(comparison)?,
            balance: None,
            zone,
        })
    }

    /// The same with the document that [`Question::balance_path`] names.
    ///
    /// # Errors
    /// Where the document hasn't the shape that the API gives it.
    pub fn with_balance(self, document: Value) -> Result<Self, serde_json::Error> {
        Ok(Self {
            balance: Some(serde_json::from_value(document)?),
            ..self
        })
    }

    /// The stretch that the answer covers, ms since 1970; `None` where nothing was heard.
    #[must_use]
    pub fn stretch_ms(&self) -> Option<(i64, i64)> {
        Some((self.drift.since?.ms, self.drift.until?.ms))
    }

    /// The full charges that answers go by, oldest first.
    #[must_use = "iterators are lazy"]
    pub fn full_charges(&self) -> impl DoubleEndedIterator<Item = &Anchor> {
        self.anchors.iter().filter(|anchor| anchor.stands())
    }

    /// The first and the last mark that count for a pack, ms since 1970.
    #[must_use]
    pub fn marks_ms(&self, pack: &str) -> Option<(i64, i64)> {
        let counts = |anchor: &&Anchor| anchor.packs.iter().any(|at| at.pack == pack && at.counts);
        let first = self.full_charges().find(counts)?;
        let last = self.full_charges().rev().find(counts)?;
        Some((first.end.ms, last.end.ms))
    }

    /// The sources of uncertainty of all packs, each with the largest standard uncertainty that it has in any, Ah; the
    /// largest first.
    #[must_use]
    pub fn sources(&self) -> Vec<(&str, f64)> {
        let mut sources: Vec<(&str, f64)> = Vec::new();
        for line in self.drift.packs.iter().flat_map(|pack| &pack.charge_error.budget) {
            match sources.iter_mut().find(|(source, _)| *source == line.source) {
                Some((_, largest)) => *largest = largest.max(line.standard_uncertainty_ah),
                None => sources.push((&line.source, line.standard_uncertainty_ah)),
            }
        }
        sources.sort_by(|a, b| b.1.total_cmp(&a.1));
        sources
    }

    /// The notes, numbered as everywhere they are shown: from 1 on, those before them included.
    #[must_use = "iterators are lazy"]
    pub fn numbered_notes(&self) -> impl DoubleEndedIterator<Item = (usize, &Note)> {
        self.notes
            .iter()
            .enumerate()
            .map(|(index, note)| (self.earlier_notes + index + 1, note))
    }
}
