//! The one table: a row a pack.

use maud::{Markup, html};

use super::{
    answers::PackAnswer,
    evidence::Evidence,
    plots::icon,
    sentences::signed_or_dash,
    words::{figure, give_or_take, plain, visible},
};

/// The heads, which narrow screens repeat beside each figure.
const HEADS: [&str; 8] = [
    "pack",
    "charge error, Ah",
    "of capacity, %",
    "points a month",
    "verdict",
    "board shows → is, %",
    "last resync, %",
    "cells at last mark, mV",
];

/// Pack by pack: charge error, rate, verdict, display, resync, cells.
pub fn table(evidence: &Evidence) -> Markup {
    html! {
        table class="bypack" {
            thead {
                tr { @for head in HEADS { th scope="col" { (head) } } }
            }
            tbody {
                @for (p, pack) in evidence.drift.packs.iter().enumerate() {
                    tr {
                        th scope="row" { (icon(p)) " " (visible(&pack.pack)) span class="aside" { " " (pack.capacity_ah) " Ah, rev " (visible(&pack.revision)) } }
                        @for (head, cell) in HEADS[1..].iter().zip(cells(evidence, pack)) {
                            td data-head=(head) { div { (cell) } }
                        }
                    }
                }
            }
        }
    }
}

fn cells(evidence: &Evidence, pack: &PackAnswer) -> [Markup; 7] {
    let error = &pack.charge_error;
    let charge_error = match error.known() {
        Some((ah, uncertainty_ah)) => figure(ah, &give_or_take(ah, uncertainty_ah)),
        None => html! { "–" },
    };
    let rate = match &pack.rate {
        Some(rate) => {
            let reach = rate.expanded_uncertainty_points_per_month(pack.capacity_ah);
            figure(rate.points_per_month, &give_or_take(rate.points_per_month, reach))
        }
        None => html! { "–" },
    };
    let verdict = match error.significant {
        Some(true) => "drifts",
        Some(false) => "not significant",
        None => "no answer",
    };
    [
        charge_error,
        signed_or_dash(error.percent_of_capacity, 1),
        rate,
        html! { (verdict) span class="aside" { " (" (plain(&error.basis)) ")" } },
        display(pack),
        resync(pack),
        cells_at_mark(evidence, pack),
    ]
}

fn display(pack: &PackAnswer) -> Markup {
    html! {
        @match &pack.display {
            Some(display) => {
                (figure(display.soc_percent, &format!("{:.1}", display.soc_percent)))
                @if display.censored { span title="at its end stop, which hides error" { "*" } }
                " → "
                @match display.actual_percent {
                    Some(actual) => { (figure(actual, &format!("{actual:.1}"))) },
                    None => "–",
                }
            },
            None => "–",
        }
    }
}

fn resync(pack: &PackAnswer) -> Markup {
    let shown = |percent: Option<f64>| percent.map_or("–".to_owned(), |percent| format!("{percent:.1}"));
    html! {
        @match pack.resyncs.last() {
            Some(resync) => { (shown(resync.before_percent)) " → " (shown(resync.after_percent)) },
            None => "–",
        }
    }
}

fn cells_at_mark(evidence: &Evidence, pack: &PackAnswer) -> Markup {
    let difference = evidence
        .full_charges()
        .rev()
        .flat_map(|anchor| &anchor.packs)
        .find(|at| at.pack == pack.pack)
        .and_then(|at| at.cell_difference_v);
    html! { @match difference { Some(volts) => { (figure(volts, &format!("{:.0}", 1000.0 * volts))) }, None => "–" } }
}
