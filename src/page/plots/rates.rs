//! Which boards drift fastest, and do revisions differ? Rates with their intervals, by revision.

use super::{
    intervals::{self, Row},
    sheet::{Drawing, Sheet},
};
use crate::page::{
    answers::PackAnswer,
    evidence::Evidence,
    words::{give_or_take, visible},
};

pub(super) const TITLE: &str = "Which boards drift fastest, and do revisions differ?";
pub(super) const BENEATH: &str =
    "rate of drift with its interval (k = 2), since the last recalibration, by revision of the board";

/// The figures that the plot shows, in words.
pub(super) fn told(evidence: &Evidence) -> String {
    let packs = evidence.drift.packs.iter().map(|pack| {
        let rate = rate(pack).map_or("no answer".to_owned(), |(rate, reach)| {
            format!("{} points a month", give_or_take(rate, reach))
        });
        format!(
            "{}, revision {}: {rate}",
            visible(&pack.pack),
            visible(&pack.revision)
        )
    });
    let revisions = evidence.comparison.revisions.iter();
    let verdicts = revisions.flat_map(|revisions| &revisions.verdict);
    let verdicts: String = verdicts
        .map(|sentence| [" ", &visible(sentence)].concat())
        .collect();
    format!("{}.{verdicts}", packs.collect::<Vec<_>>().join("; "))
}

/// Points of capacity a month, with the expanded uncertainty.
fn rate(pack: &PackAnswer) -> Option<(f64, f64)> {
    let rate = pack.rate.as_ref()?;
    Some((
        rate.points_per_month,
        rate.expanded_uncertainty_points_per_month(pack.capacity_ah),
    ))
}

pub(super) fn draw(sheet: &Sheet, evidence: &Evidence, top: f64) -> Drawing {
    let mut revisions: Vec<&str> = evidence
        .drift
        .packs
        .iter()
        .map(|pack| pack.revision.as_str())
        .collect();
    revisions.sort_unstable();
    revisions.dedup();
    let mut rows = Vec::new();
    for revision in revisions {
        let of_revision = |(_, pack): &(usize, &PackAnswer)| pack.revision == revision;
        let packs: Vec<_> = evidence
            .drift
            .packs
            .iter()
            .enumerate()
            .filter(of_revision)
            .collect();
        let units = match packs.len() {
            1 => "one unit, no verdict on it".to_owned(),
            count => format!("{count} units"),
        };
        rows.push(Row::Heading(format!("revision {}: {units}", visible(revision))));
        rows.extend(packs.into_iter().map(|(p, pack)| Row::Value {
            pack: Some(p),
            label: visible(&pack.pack),
            value: rate(pack),
            text: rate(pack).map_or("no answer".to_owned(), |(rate, reach)| give_or_take(rate, reach)),
        }));
    }
    intervals::draw(sheet, &rows, "points of capacity a month", top)
}
