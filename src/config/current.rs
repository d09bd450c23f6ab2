//! Whose current no source brings. Such a setup holds, since what others logged can be imported; but nothing that it
//! takes in itself is ever answered.

use super::setup::{Bank, Setup, Source};
use crate::reading::Instrument;

/// Instruments of one bank whose current no source brings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WithoutCurrent<'s> {
    /// Who they are, in the order of the bank.
    pub instruments: Vec<Instrument>,
    /// The topics under which messages of theirs may come, as written; they bring other channels only.
    pub topics: Vec<&'s str>,
}

/// The instruments of a bank whose current no source brings, together where the same sources are theirs.
#[must_use]
pub fn without_current<'s>(setup: &'s Setup, bank: &Bank) -> Vec<WithoutCurrent<'s>> {
    let mut without: Vec<WithoutCurrent<'s>> = Vec::new();
    for instrument in bank.instruments() {
        let theirs = setup
            .sources
            .iter()
            .filter(|source| source.is_of(instrument) != Some(false));
        if theirs.clone().any(Source::brings_current) {
            continue;
        }
        let topics: Vec<_> = theirs.map(|source| source.topic.written.as_str()).collect();
        match without.iter_mut().find(|others| others.topics == topics) {
            Some(others) => others.instruments.push(instrument),
            None => without.push(WithoutCurrent {
                instruments: vec![instrument],
                topics,
            }),
        }
    }
    without
}
