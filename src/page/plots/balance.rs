//! Do the packs' currents add up to the reference's? The difference, summed over time.

use maud::html;

use super::{
    scale::{Scale, ticks},
    sheet::{Drawing, Sheet, path, place},
    time_axis::TimeAxis,
};
use crate::{
    page::{
        evidence::Evidence,
        words::{give_or_take, signed},
    },
    reading::HOUR_MS,
};

pub(super) const TITLE: &str = "Do the packs’ currents add up to the reference’s?";
pub(super) const BENEATH: &str = "what the packs counted together less what the reference counted, Ah, summed over the hours in which all were heard";

/// Points that a line is drawn through at most.
const POINTS: usize = 240;

/// The figures that the plot shows, in words.
pub(super) fn told(evidence: &Evidence) -> String {
    let Some(balance) = &evidence.balance else {
        return "The plot’s own description has the figures.".to_owned();
    };
    if balance.hours.is_empty() {
        return "There is no whole hour yet in which all were heard.".to_owned();
    }
    let line = balance.line.as_ref().map_or(String::new(), |line| {
        let slope = give_or_take(line.slope, line.slope_expanded_uncertainty);
        let on_top = give_or_take(line.intercept_ma, line.intercept_expanded_uncertainty_ma);
        format!(" For each ampere of the reference they report {slope} A, and {on_top} mA on top.")
    });
    format!(
        "The packs counted {} Ah together, the reference {} Ah: {} Ah apart.{line}",
        signed(balance.packs_ah, 1),
        signed(balance.reference_ah, 1),
        signed(balance.difference_ah, 1)
    )
}

pub(super) fn draw(sheet: &Sheet, evidence: &Evidence, top: f64) -> Option<Drawing> {
    let stretch_ms = evidence.stretch_ms()?;
    let mut sum_ah = 0.0;
    let sums: Vec<(i64, f64)> = evidence
        .balance
        .as_ref()?
        .hours
        .iter()
        .map(|hour| {
            sum_ah += hour.difference_ah;
            ((hour.begin.ms + HOUR_MS).min(stretch_ms.1), sum_ah)
        })
        .collect();
    let last = sums.last()?;
    let every = sums.len().div_ceil(POINTS);
    let (left, right) = (4.2 * sheet.font, sheet.width - 14.0);
    let (top, bottom) = (top + 16.0, top + 16.0 + 180.0);
    let range = |(low, high): (f64, f64), (_, ah): &(i64, f64)| (low.min(*ah), high.max(*ah));
    let (low, high) = sums.iter().fold((0.0_f64, 0.0_f64), range);
    let ticks = ticks(low, high.max(low + 0.1), 5.0, true);
    let y = Scale {
        values: ticks.range,
        places: (bottom, top),
    };
    let axis = TimeAxis::new(sheet, evidence, stretch_ms, (left, right));
    let points = sums.iter().step_by(every).chain([last]);
    let line = path(points.map(|(at_ms, ah)| Some((axis.scale.at_ms(*at_ms), y.at(*ah)))));
    let (below, end) = axis.below(bottom);
    let body = html! {
        @for (value, label) in &ticks.marks {
            @let class = if *value == 0.0 { "zero" } else { "grid" };
            path class=(class) d={ "M" (place(left)) " " (place(y.at(*value))) "H" (place(right)) } {}
            text class="small end" x=(place(left - 6.0)) y=(place(y.at(*value) + 0.35 * sheet.font)) { (label) }
        }
        (axis.behind(top, bottom))
        g class="reference" { path class="line" d=(line) {} }
        (below)
    };
    Some(Drawing { body, bottom: end })
}
