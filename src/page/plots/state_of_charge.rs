//! What does each board display, and what is? State of charge over time, a panel a pack, with the resyncs.

use maud::{Markup, html};

use super::{
    mark::{colour, mark},
    scale::Scale,
    sheet::{Drawing, Sheet, count, path, place},
    time_axis::TimeAxis,
};
use crate::page::{
    answers::{PackAnswer, PackSeries, Series},
    evidence::Evidence,
    words::visible,
};

pub(super) const TITLE: &str = "What does each board display, and what is?";
pub(super) const BENEATH: &str = "state of charge in %; in colour what the board displays, thin what is; arrows where a full charge set the display";

/// Jumps smaller than this are no more than a display's rounding, points.
const WORTH_TELLING: f64 = 1.0;

/// The figures that the plot shows, in words.
pub(super) fn told(evidence: &Evidence) -> String {
    let packs = evidence.drift.packs.iter().map(|pack| {
        let name = visible(&pack.pack);
        match &pack.display {
            Some(display) => {
                let actual = display
                    .actual_percent
                    .map_or("not known".to_owned(), |actual| format!("{actual:.1} %"));
                format!("{name} displays {:.1} %, actually {actual}", display.soc_percent)
            }
            None => format!("{name} displays nothing"),
        }
    });
    format!("At the end: {}.", packs.collect::<Vec<_>>().join("; "))
}

pub(super) fn draw(sheet: &Sheet, evidence: &Evidence, series: &Series, top: f64) -> Option<Drawing> {
    let stretch_ms = evidence.stretch_ms()?;
    let (left, right) = (3.4 * sheet.font, sheet.width - 14.0);
    let axis = TimeAxis::new(sheet, evidence, stretch_ms, (left, right));
    let (head, high, apart) = (1.6 * sheet.font, 76.0, 14.0);
    let panel = |p: usize| top + head + (head + high + apart) * count(p);
    let panels = html! {
        @for (p, pack) in series.packs.iter().enumerate() {
            @let panel = panel(p);
            @let y = Scale { values: (0.0, 100.0), places: (panel + high, panel) };
            @let answer = evidence.drift.packs.iter().find(|answer| answer.pack == pack.pack);
            (head_line(sheet, p, pack, answer, left, panel - 0.5 * sheet.font))
            @for value in [0.0, 50.0, 100.0] {
                path class="grid" d={ "M" (place(left)) " " (place(y.at(value))) "H" (place(right)) } {}
                text class="small end" x=(place(left - 6.0)) y=(place(y.at(value) + 0.35 * sheet.font)) { (value) }
            }
            (axis.behind_panel(panel, panel + high))
            (curves(p, pack, series, axis.scale, y))
            @if let Some(answer) = answer { (resyncs(sheet, answer, axis.scale, y)) }
        }
    };
    let (below, end) = axis.below(panel(series.packs.len().saturating_sub(1)) + high);
    Some(Drawing {
        body: html! { (panels) (below) },
        bottom: end,
    })
}

fn head_line(
    sheet: &Sheet,
    p: usize,
    pack: &PackSeries,
    answer: Option<&PackAnswer>,
    left: f64,
    y: f64,
) -> Markup {
    let name = visible(&pack.pack);
    let now = answer.and_then(|answer| answer.display.as_ref()).map(|display| {
        let actual = display
            .actual_percent
            .map_or(String::new(), |actual| format!(", is {actual:.1} %"));
        let hidden = if display.censored { " (end stop)" } else { "" };
        format!("displays {:.1} %{hidden}{actual}", display.soc_percent)
    });
    let beside = left + 22.0 + sheet.text_width(&name);
    html! {
        (mark(p, left + 6.0, y - 0.35 * sheet.font, 5.0))
        text x=(place(left + 16.0)) y=(place(y)) { (name) }
        @if let Some(now) = now { text class="small" x=(place(beside)) y=(place(y)) { (now) } }
    }
}

fn curves(p: usize, pack: &PackSeries, series: &Series, x: Scale, y: Scale) -> Markup {
    let line = |values: &[Option<f64>]| {
        let points = series.at.iter().zip(values);
        // What lies beyond empty or full is drawn at the edge of its panel.
        path(points.map(|(at, value)| Some((x.at_ms(at.ms), y.at((*value)?.clamp(-8.0, 108.0))))))
    };
    let (display, actual) = (line(&pack.display_percent), line(&pack.actual_percent));
    html! {
        g class=(colour(p)) {
            @if !display.is_empty() { path class="line" d=(display) {} }
            @if !actual.is_empty() { path class="actual" d=(actual) {} }
        }
    }
}

/// Jumps of the display at full charges: an arrow and its two figures.
fn resyncs(sheet: &Sheet, answer: &PackAnswer, x: Scale, y: Scale) -> Markup {
    let jumps = answer.resyncs.iter().filter_map(|resync| {
        let (before, after) = resync.before_percent.zip(resync.after_percent)?;
        ((after - before).abs() >= WORTH_TELLING).then_some((resync.at.ms, before, after))
    });
    html! {
        @for (at_ms, before, after) in jumps {
            @let (place_x, from, to) = (x.at_ms(at_ms), y.at(before), y.at(after));
            @let back = if to < from { 5.0 } else { -5.0 };
            path class="axis" d={ "M" (place(place_x)) " " (place(from)) "V" (place(to)) "m-3 " (place(back)) "l3 " (place(-back)) "l3 " (place(back)) } {}
            @let label = format!("{before:.0}→{after:.0}");
            // Beside the arrow, before it where there is room.
            @let fits = place_x - sheet.text_width(&label) > x.places.0;
            @let (class, label_x) = if fits { ("small halo end", place_x - 5.0) } else { ("small halo", place_x + 5.0) };
            text class=(class) x=(place(label_x)) y=(place(f64::midpoint(from, to) + 0.35 * sheet.font)) { (label) }
        }
    }
}
