//! The answer as sentences with their figures: who drifts how far, and what can't be told yet.

use maud::{Markup, html};

use super::{
    answers::PackAnswer,
    evidence::Evidence,
    plots::icon,
    words::{day, figure, give_or_take, lasting, minute, rfc3339, signed, time, visible},
};

/// Coverage below this is worth a sentence.
const WELL_HEARD: f64 = 0.99;

/// The opening: over what stretch, how many drift, and who most.
pub fn opening(evidence: &Evidence) -> Markup {
    let Some((since_ms, until_ms)) = evidence.stretch_ms() else {
        return html! { "Nothing has been heard of this bank yet, so there is nothing to answer." };
    };
    let packs = &evidence.drift.packs;
    let drifting = packs
        .iter()
        .filter(|pack| pack.charge_error.significant == Some(true))
        .count();
    let most = packs
        .iter()
        .filter(|pack| pack.charge_error.significant == Some(true))
        .max_by(|a, b| share(a).total_cmp(&share(b)));
    html! {
        "From " (time(since_ms, evidence.zone)) " to " (time(until_ms, evidence.zone)) ", " (lasting(until_ms - since_ms)) ", "
        @match (drifting, most) {
            (0, _) | (_, None) => "no pack’s count has drifted by more than the uncertainty of the answer.",
            (count, Some(pack)) => {
                strong { (count) " of " (packs.len()) } " packs’ counts drifted by more than the uncertainty of the answer; "
                strong { (visible(&pack.pack)) } " most, for its size."
            },
        }
    }
}

fn share(pack: &PackAnswer) -> f64 {
    pack.charge_error.percent_of_capacity.map_or(0.0, f64::abs)
}

/// What is to be said of a pack, beside its mark.
pub fn sentence(p: usize, pack: &PackAnswer) -> Markup {
    let error = &pack.charge_error;
    html! {
        (icon(p)) " " strong { (visible(&pack.pack)) } " "
        @match error.known() {
            None => {
                "has no answer" @if let Some(reason) = &error.reason { ": " (visible(reason)) } "."
            },
            Some((ah, uncertainty_ah)) if error.significant == Some(false) => {
                "shows no drift that can be told from none: " (figure(ah, &give_or_take(ah, uncertainty_ah))) " Ah."
            },
            Some((ah, uncertainty_ah)) => {
                "counted "
                (figure(ah, give_or_take(ah.abs(), uncertainty_ah).trim_start_matches('+'))) " Ah too "
                @if ah > 0.0 { "much" } @else { "little" }
                @if let Some(percent) = error.percent_of_capacity {
                    ", " (figure(percent, &format!("{:.1}", percent.abs()))) " % of its " (pack.capacity_ah) "\u{a0}Ah"
                }
                @if let Some(rate) = &pack.rate {
                    @let reach = rate.expanded_uncertainty_points_per_month(pack.capacity_ah);
                    "; now " (figure(rate.points_per_month, &give_or_take(rate.points_per_month, reach))) " points a month"
                }
                "."
            },
        }
        @if let Some(display) = pack.display.as_ref().filter(|display| !display.censored)
            && let Some((actual, unsure)) = display.actual_percent.zip(display.expanded_uncertainty_points)
        {
            " It displays " (figure(display.soc_percent, &format!("{:.1}", display.soc_percent))) " %, actual is "
            (figure(actual, give_or_take(actual, unsure).trim_start_matches('+'))) " %."
        }
    }
}

/// What can't be told yet, a sentence each.
pub fn untold(evidence: &Evidence) -> Vec<Markup> {
    let Some((since_ms, until_ms)) = evidence.stretch_ms() else {
        return Vec::new();
    };
    let packs = &evidence.drift.packs;
    let mut untold = Vec::new();
    let provisional: Vec<_> = packs
        .iter()
        .filter(|pack| pack.charge_error.basis == "provisional")
        .collect();
    if !provisional.is_empty() {
        let whose = if provisional.len() == packs.len() {
            "All figures are".to_owned()
        } else {
            let names: Vec<_> = provisional.iter().map(|pack| visible(&pack.pack)).collect();
            format!("The figures of {} are", names.join(", "))
        };
        let ends: Vec<_> = evidence.full_charges().map(|anchor| anchor.end.ms).collect();
        let last = ends.iter().copied().rfind(|end_ms| *end_ms <= until_ms);
        let first = ends.first().copied();
        untold.push(html! {
            (whose) " provisional: "
            @match (first, last) {
                (Some(first), Some(_)) if since_ms < first => {
                    "they begin before the first full charge, of " (day(first, evidence.zone)) ", so that what was stored at their beginning rests on the reference alone."
                },
                (_, Some(last)) => {
                    "they end " (lasting(until_ms - last)) " after the last full charge, of " (day(last, evidence.zone)) "; the next one will close the span and revise them."
                },
                _ => "there was no full charge yet to count from.",
            }
        });
    }
    for pack in packs {
        if pack.display.as_ref().is_some_and(|display| display.censored) {
            untold.push(html! { "The display of " (visible(&pack.pack)) " is at its end stop, which hides its error." });
        }
        if pack.charge_error.known().is_some() && pack.coverage.fraction < WELL_HEARD {
            untold.push(html! {
                "Of " (visible(&pack.pack)) " " (figure(pack.coverage.fraction, &format!("{:.1}", 100.0 * pack.coverage.fraction)))
                " % of the time was heard, the longest pause " (lasting(pack.coverage.longest_gap_s * 1000)) "; what was not heard widens its ±."
            });
        }
        for reset in &pack.unexplained_resets {
            untold.push(html! {
                "The display of " (visible(&pack.pack)) " jumped "
                @if let Some((before, after)) = reset.before_percent.zip(reset.after_percent) { "from " (before) " to " (after) " % " }
                "at " time datetime=(rfc3339(reset.at.ms)) { (minute(reset.at.ms, evidence.zone)) } ", which nothing counted explains. Was it set by hand?"
            });
        }
    }
    untold
}

/// Rates before and after recalibrations and changes of the board, a sentence a pack that had one.
pub fn epochs(evidence: &Evidence) -> Vec<Markup> {
    let recalibrated = evidence.drift.packs.iter().filter(|pack| pack.epochs.len() > 1);
    recalibrated
        .map(|pack| {
            html! {
                (visible(&pack.pack)) " was recalibrated or changed: "
                @for (index, epoch) in pack.epochs.iter().enumerate() {
                    @if index > 0 { "; then " }
                    @let rate = &epoch.rate;
                    (figure(rate.ah_per_day, &give_or_take(rate.ah_per_day, rate.expanded_uncertainty_ah_per_day))) " Ah a day until " (day(epoch.end.ms, evidence.zone))
                }
                "."
            }
        })
        .collect()
}

/// A figure with a sign, or a dash where there is none.
pub fn signed_or_dash(value: Option<f64>, digits: usize) -> Markup {
    html! { @match value { Some(value) => { (figure(value, &signed(value, digits))) }, None => "–" } }
}
