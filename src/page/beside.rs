//! What stands beside the boards' currents, in words: their own counters, all displays together, and the reference's.

use maud::{Markup, html};

use super::{
    answers::{Display, OwnCounter, PackAnswer},
    evidence::Evidence,
    words::{figure, give_or_take, minute, plain, signed, visible},
};

/// A sentence for each of them that is reported.
pub fn displays_and_counters(evidence: &Evidence) -> Vec<Markup> {
    let mut said = Vec::new();
    if let Some(display) = &evidence.drift.bank_display {
        said.push(html! {
            "All displays together, each weighted by the capacity its board believes in, show " (shown(display)) "."
        });
    }
    let reference = evidence.drift.reference.as_ref();
    if let Some((reference, display)) = reference.and_then(|it| Some((it, it.display.as_ref()?))) {
        said.push(html! {
            "The display of " (visible(&reference.reference)) " shows " (shown(display)) ". Beside it the boards show "
            @for (index, (pack, points)) in less_reference(evidence).enumerate() {
                @if index > 0 { ", " }
                (visible(&pack.pack)) " " (figure(points, &signed(points, 1)))
            }
            " points."
            @if let Some(comparison) = &reference.display_comparison { " " (visible(comparison)) }
        });
    }
    for pack in &evidence.drift.packs {
        if let Some(counter) = &pack.own_counter {
            said.push(own_counter(pack, counter, evidence));
        }
    }
    said
}

fn less_reference(evidence: &Evidence) -> impl Iterator<Item = (&PackAnswer, f64)> {
    let packs = evidence.drift.packs.iter();
    packs.filter_map(|pack| Some((pack, pack.display.as_ref()?.less_reference_display_points?)))
}

/// What a display shows, and what is.
fn shown(display: &Display) -> Markup {
    html! {
        (figure(display.soc_percent, &format!("{:.1}", display.soc_percent))) " %"
        @if let Some(actual) = display.actual_percent { " where " (figure(actual, &format!("{actual:.1}"))) " % is" }
        @if let Some((error, reach)) = display.error_points.zip(display.expanded_uncertainty_points) {
            ", off by " (figure(error, &give_or_take(error, reach))) " points"
        }
        @if display.censored { ", with a display at its end stop, which hides error" }
    }
}

fn own_counter(pack: &PackAnswer, counter: &OwnCounter, evidence: &Evidence) -> Markup {
    html! {
        "The own counter of " (visible(&pack.pack))
        @match counter.counted_ah {
            Some(ah) => { " went up by " (figure(ah, &signed(ah, 1))) " Ah" },
            None => { " stepped in a way that can’t be put right" },
        }
        @match (counter.counts.as_str(), counter.charge_error_ah.zip(counter.expanded_uncertainty_ah)) {
            ("net", Some((error, reach))) => { ", an error of " (figure(error, &give_or_take(error, reach))) " Ah" },
            ("net", None) => { ", and its error can’t be told" },
            (counts, _) => { ", but counts " (plain(counts)) " and not net charge, so that it has no error to tell" },
        }
        @for (index, step) in counter.steps.iter().enumerate() {
            @if index == 0 { ". Steps of it that are no charge: " } @else { "; " }
            (plain(&step.kind)) " from " (step.before_ah) " to " (step.after_ah) " Ah on " (minute(step.at.ms, evidence.zone))
        }
        "."
    }
}
