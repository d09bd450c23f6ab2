//! How far does the yardstick itself drift? The reference's net count from full charge to full charge.

use super::{
    intervals::{self, Row},
    sheet::{Drawing, Sheet},
};
use crate::page::{
    answers::Closure,
    evidence::Evidence,
    words::{give_or_take, short_day, visible},
};

pub(super) const TITLE: &str = "How far does the yardstick itself drift?";
pub(super) const BENEATH: &str = "what the reference counted a day too much from full charge to full charge: its own error and the losses behind it";

const MS_PER_DAY: f64 = 86_400_000.0;

/// The figures that the plot shows, in words.
pub(super) fn told(evidence: &Evidence) -> String {
    let Some(reference) = evidence
        .drift
        .reference
        .as_ref()
        .filter(|it| !it.closures.is_empty())
    else {
        return "No span between two full charges is closed yet.".to_owned();
    };
    let spans = reference.closures.iter().map(|closure| {
        let (rate, reach) = rate(closure);
        format!(
            "{}: {} Ah a day",
            span(closure, evidence),
            give_or_take(rate, reach)
        )
    });
    format!(
        "{}, {}.",
        visible(&reference.reference),
        spans.collect::<Vec<_>>().join("; ")
    )
}

#[expect(clippy::cast_precision_loss, reason = "times are far below 2^52 ms")]
fn rate(closure: &Closure) -> (f64, f64) {
    let days = (closure.end.ms - closure.begin.ms) as f64 / MS_PER_DAY;
    (closure.ah_per_day, closure.expanded_uncertainty_ah / days)
}

fn span(closure: &Closure, evidence: &Evidence) -> String {
    let day = |at_ms| short_day(at_ms, evidence.zone);
    format!("{} to {}", day(closure.begin.ms), day(closure.end.ms))
}

pub(super) fn draw(sheet: &Sheet, evidence: &Evidence, top: f64) -> Option<Drawing> {
    let reference = evidence
        .drift
        .reference
        .as_ref()
        .filter(|it| !it.closures.is_empty())?;
    let rows: Vec<_> = reference
        .closures
        .iter()
        .map(|closure| {
            let (rate, reach) = rate(closure);
            Row::Value {
                pack: None,
                label: span(closure, evidence),
                value: Some((rate, reach)),
                text: give_or_take(rate, reach),
            }
        })
        .collect();
    Some(intervals::draw(sheet, &rows, "Ah a day", top))
}
