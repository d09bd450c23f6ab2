//! Where does the uncertainty come from? Each source's standard uncertainty, a column a pack.

use maud::html;

use super::{
    mark::{colour, mark},
    sheet::{Drawing, Sheet, count, place},
};
use crate::page::{
    evidence::Evidence,
    words::{plain, visible},
};

pub(super) const TITLE: &str = "Where does the uncertainty come from?";
pub(super) const BENEATH: &str =
    "standard uncertainty of each source in Ah; twice their root sum of squares is the ± of the answer";

/// The figures that the plot shows, in words.
pub(super) fn told(evidence: &Evidence) -> String {
    let packs = evidence.drift.packs.iter().map(|pack| {
        let lines = pack.charge_error.budget.iter().take(3);
        let lines =
            lines.map(|line| format!("{} {:.2} Ah", plain(&line.source), line.standard_uncertainty_ah));
        format!(
            "{}: {}",
            visible(&pack.pack),
            lines.collect::<Vec<_>>().join(", ")
        )
    });
    format!("The largest sources. {}.", packs.collect::<Vec<_>>().join("; "))
}

/// The sources of all packs, the largest first.
fn sources(evidence: &Evidence) -> Vec<(&str, f64)> {
    let mut sources: Vec<(&str, f64)> = Vec::new();
    for line in evidence
        .drift
        .packs
        .iter()
        .flat_map(|pack| &pack.charge_error.budget)
    {
        match sources.iter_mut().find(|(source, _)| *source == line.source) {
            Some((_, largest)) => *largest = largest.max(line.standard_uncertainty_ah),
            None => sources.push((&line.source, line.standard_uncertainty_ah)),
        }
    }
    sources.sort_by(|a, b| b.1.total_cmp(&a.1));
    sources
}

pub(super) fn draw(sheet: &Sheet, evidence: &Evidence, top: f64) -> Option<Drawing> {
    let sources = sources(evidence);
    let largest = sources.first()?.1.max(1e-6);
    let packs = &evidence.drift.packs;
    // On a phone the source stands on a line of its own over its bars.
    let labels = if sheet.narrow {
        8.0
    } else {
        sources
            .iter()
            .map(|(source, _)| sheet.text_width(source))
            .fold(0.0, f64::max)
            + 16.0
    };
    let column = (sheet.width - labels - 8.0) / count(packs.len());
    let figure = sheet.text_width("0.00 ");
    let (label_high, bar_high) = if sheet.narrow {
        (1.5 * sheet.font, 1.4 * sheet.font)
    } else {
        (0.0, 1.7 * sheet.font)
    };
    let row = |index: usize| top + 1.6 * sheet.font + (label_high + bar_high) * count(index);
    let bottom = row(sources.len());
    let body = html! {
        @for (p, pack) in packs.iter().enumerate() {
            @let x = labels + column * count(p);
            (mark(p, x + 6.0, top + 0.6 * sheet.font, 5.0))
            text class="small" x=(place(x + 16.0)) y=(place(top + sheet.font)) { (visible(&pack.pack)) }
        }
        @for (index, (source, _)) in sources.iter().enumerate() {
            @let y = row(index);
            text class="small" x="8" y=(place(y + if sheet.narrow { 1.2 } else { 1.1 } * sheet.font)) { (plain(source)) }
            @let bars = y + label_high;
            @for (p, pack) in packs.iter().enumerate() {
                @let x = labels + column * count(p);
                @if let Some(line) = pack.charge_error.budget.iter().find(|line| line.source == *source) {
                    @let width = (column - figure - 8.0).max(4.0) * line.standard_uncertainty_ah / largest;
                    g class=(colour(p)) {
                        rect class="bar" x=(place(x)) y=(place(bars + 3.0)) width=(place(width.max(1.0))) height=(place(bar_high - 6.0)) {}
                        text class="small" x=(place(x + width.max(1.0) + 4.0)) y=(place(bars + bar_high / 2.0 + 0.35 * sheet.font)) { (format!("{:.2}", line.standard_uncertainty_ah)) }
                    }
                }
            }
        }
    };
    Some(Drawing {
        body,
        bottom: bottom + 10.0,
    })
}
