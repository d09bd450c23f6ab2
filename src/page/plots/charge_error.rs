//! How far has each count drifted, and how sure is that? Charge error over time with its uncertainty.

use maud::{Markup, html};

use super::{
    mark::{colour, mark},
    scale::{Scale, ticks},
    sheet::{Drawing, Sheet, path, place},
    time_axis::TimeAxis,
};
use crate::page::{
    answers::{PackSeries, Series},
    evidence::Evidence,
    words::{give_or_take, visible},
};

pub(super) const TITLE: &str = "How far has each pack’s own count drifted?";
pub(super) const BENEATH: &str =
    "charge error in Ah, shaded ± its expanded uncertainty; dashed where no full charge has closed the span";

/// The figures that the plot shows, in words.
pub(super) fn told(evidence: &Evidence) -> String {
    let packs = evidence.drift.packs.iter().map(|pack| {
        let name = visible(&pack.pack);
        match pack.charge_error.known() {
            Some((ah, uncertainty_ah)) => format!("{name} {} Ah", give_or_take(ah, uncertainty_ah)),
            None => format!("{name} no answer"),
        }
    });
    format!(
        "Charge error at the end: {}.",
        packs.collect::<Vec<_>>().join("; ")
    )
}

pub(super) fn draw(sheet: &Sheet, evidence: &Evidence, series: &Series, top: f64) -> Option<Drawing> {
    let stretch_ms = evidence.stretch_ms()?;
    let names: Vec<_> = series.packs.iter().map(|pack| visible(&pack.pack)).collect();
    let widest = names
        .iter()
        .map(|name| sheet.text_width(name))
        .fold(0.0, f64::max);
    let (left, right) = (4.2 * sheet.font, sheet.width - widest - 34.0);
    let (top, bottom) = (top + 16.0, top + 16.0 + if sheet.narrow { 300.0 } else { 330.0 });
    let (mut low, mut high) = (0.0_f64, 0.0_f64);
    for (ah, uncertainty_ah) in series.packs.iter().flat_map(known) {
        low = low.min(ah - uncertainty_ah);
        high = high.max(ah + uncertainty_ah);
    }
    let ticks = ticks(low, high.max(low + 0.1), 6.0, true);
    let y = Scale {
        values: ticks.range,
        places: (bottom, top),
    };
    let axis = TimeAxis::new(sheet, evidence, stretch_ms, (left, right));
    let (below, end) = axis.below(bottom);
    let body = html! {
        @for (value, label) in &ticks.marks {
            @let class = if *value == 0.0 { "zero" } else { "grid" };
            path class=(class) d={ "M" (place(left)) " " (place(y.at(*value))) "H" (place(right)) } {}
            text class="small end" x=(place(left - 6.0)) y=(place(y.at(*value) + 0.35 * sheet.font)) { (label) }
        }
        (axis.behind(top, bottom))
        @for (p, pack) in series.packs.iter().enumerate() {
            (curve(p, pack, evidence, series, axis.scale, y))
        }
        (names_at_end(sheet, series, &names, right, y, (top, bottom)))
        (below)
    };
    Some(Drawing { body, bottom: end })
}

fn known(pack: &PackSeries) -> impl Iterator<Item = (f64, f64)> {
    pack.charge_error_ah
        .iter()
        .zip(&pack.expanded_uncertainty_ah)
        .filter_map(|(ah, uncertainty_ah)| ah.zip(*uncertainty_ah))
}

/// One pack's band, line and marks.
fn curve(p: usize, pack: &PackSeries, evidence: &Evidence, series: &Series, x: Scale, y: Scale) -> Markup {
    let points: Vec<_> = series
        .at
        .iter()
        .zip(pack.charge_error_ah.iter().zip(&pack.expanded_uncertainty_ah))
        .map(|(at, (ah, uncertainty_ah))| (at.ms, ah.zip(*uncertainty_ah)))
        .collect();
    let marks_ms = evidence.marks_ms(&pack.pack);
    let is_open = |at_ms: i64| marks_ms.is_none_or(|(first, last)| at_ms < first || at_ms > last);
    // A piece is open where either of its ends is.
    let piece = |open: bool| {
        let mut line: Vec<Option<(f64, f64)>> = Vec::new();
        for pair in points.windows(2) {
            let [(from_ms, Some((from, _))), (to_ms, Some((to, _)))] = pair else {
                line.push(None);
                continue;
            };
            if (is_open(*from_ms) || is_open(*to_ms)) != open {
                line.push(None);
                continue;
            }
            let begun = line.last().is_some_and(Option::is_some);
            if !begun {
                line.push(Some((x.at_ms(*from_ms), y.at(*from))));
            }
            line.push(Some((x.at_ms(*to_ms), y.at(*to))));
        }
        path(line)
    };
    let (closed, open) = (piece(false), piece(true));
    // Marks are staggered, so that those of different packs seldom meet.
    let every = (points.len() / 6).max(1);
    let marked = points.iter().skip(every / 2 + p * every / 8).step_by(every);
    html! {
        g class=(colour(p)) {
            @for band in bands(&points, x, y) { path class="band" d=(band) {} }
            @if !closed.is_empty() { path class="line" d=(closed) {} }
            @if !open.is_empty() { path class="line open" d=(open) {} }
            @for (at_ms, known) in marked {
                @if let Some((ah, _)) = known { (mark(p, x.at_ms(*at_ms), y.at(*ah), 4.5)) }
            }
        }
    }
}

/// An outline a run of known points: there along the upper edge, back along the lower.
fn bands(points: &[(i64, Option<(f64, f64)>)], x: Scale, y: Scale) -> Vec<String> {
    points
        .split(|(_, known)| known.is_none())
        .filter(|run| run.len() > 1)
        .map(|run| {
            let edge = |sign: f64| {
                run.iter().map(move |(at_ms, known)| {
                    known.map(|(ah, uncertainty_ah)| (x.at_ms(*at_ms), y.at(ah + sign * uncertainty_ah)))
                })
            };
            let mut outline = path(edge(1.0).chain(edge(-1.0).rev()));
            outline.push('z');
            outline
        })
        .collect()
}

/// The packs' names where their lines end, pushed apart where they would cover each other.
fn names_at_end(
    sheet: &Sheet,
    series: &Series,
    names: &[String],
    right: f64,
    y: Scale,
    (top, bottom): (f64, f64),
) -> Markup {
    let apart = 1.25 * sheet.font;
    let mut ends: Vec<(usize, f64, f64)> = series
        .packs
        .iter()
        .enumerate()
        .filter_map(|(p, pack)| {
            let (ah, _) = known(pack).last()?;
            Some((p, y.at(ah), y.at(ah)))
        })
        .collect();
    ends.sort_by(|a, b| a.1.total_cmp(&b.1));
    let mut free = top;
    for end in &mut ends {
        end.2 = end.1.max(free);
        free = end.2 + apart;
    }
    let mut free = bottom;
    for end in ends.iter_mut().rev() {
        end.2 = end.2.min(free);
        free = end.2 - apart;
    }
    html! {
        @for (p, at, label) in ends {
            g class=(colour(p)) {
                path class="leader" d={ "M" (place(right)) " " (place(at)) "L" (place(right + 10.0)) " " (place(label)) } {}
                (mark(p, right + 16.0, label, 5.0))
                text x=(place(right + 26.0)) y=(place(label + 0.35 * sheet.font)) { (names[p]) }
            }
        }
    }
}
