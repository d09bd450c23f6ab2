//! What happened: phases, full charges, and what people noted.

use serde::Deserialize;

use super::At;

#[derive(Deserialize)]
pub(in crate::page) struct Phases {
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
pub(in crate::page) struct Anchors {
    pub anchors: Vec<Anchor>,
}

/// A full charge.
#[derive(Debug, Clone, Deserialize)]
pub struct Anchor {
    /// From.
    pub begin: At,
    /// The mark.
    pub end: At,
    /// Bank voltage at the mark, V; `None` where a person asserted it and nobody reported one.
    pub voltage_v: Option<f64>,
    /// Reference current at the mark, A; `None` likewise.
    pub tail_current_a: Option<f64>,
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
pub(in crate::page) struct Notes {
    pub notes: Vec<Note>,
    #[serde(default)]
    pub in_all: Option<usize>,
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
