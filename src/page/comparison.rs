//! Packs and revisions side by side, in words: the verdicts of `/v1/compare` and what else could explain them.

use maud::{Markup, html};

use super::{
    answers::{Comparison, Order, Ranked},
    evidence::Evidence,
    plots::icon,
    words::{figure, give_or_take, visible},
};

/// What can be said of packs, revisions and firmwares, a sentence each; nothing where there are no two packs to
/// compare.
pub fn verdicts(comparison: &Comparison) -> Vec<Markup> {
    if comparison.ranking.len() < 2 {
        return Vec::new();
    }
    let groups = || comparison.revisions.iter().chain(&comparison.firmware);
    let of_firmware = comparison.firmware.iter().flat_map(|groups| &groups.verdict);
    let verdicts = comparison.verdict.iter().chain(of_firmware);
    let verdicts = verdicts.map(|sentence| html! { (visible(sentence)) });
    let confounders = groups().flat_map(|groups| &groups.confounders);
    let confounders = confounders.map(|sentence| html! { "But note: " (visible(sentence)) "." });
    verdicts.chain(confounders).collect()
}

/// The packs by the size of their rate, and how sure each place is.
pub fn ranking(evidence: &Evidence) -> Markup {
    let comparison = &evidence.comparison;
    let ranking = &comparison.ranking;
    html! {
        p { "By the size of their rate, fastest first:" }
        ol {
            @for (place, pack) in ranking.iter().enumerate().rev() {
                li {
                    (one(pack, evidence))
                    @if let Some(order) = place.checked_sub(1).and_then(|next| between(comparison, &ranking[next], pack)) {
                        "; " (figure(order.probability, &format!("{:.0}", 100.0 * order.probability)))
                        " % likely faster than the next, by "
                        (figure(order.difference_points_per_month, &apart(order)))
                    }
                }
            }
        }
    }
}

fn one(ranked: &Ranked, evidence: &Evidence) -> Markup {
    let (points, reach) = (
        ranked.points_per_month,
        ranked.expanded_uncertainty_points_per_month,
    );
    let place = evidence
        .drift
        .packs
        .iter()
        .position(|pack| pack.pack == ranked.pack);
    html! {
        @if let Some(p) = place { (icon(p)) " " }
        (visible(&ranked.pack))
        @if let Some(p) = place { ", revision " (visible(&evidence.drift.packs[p].revision)) }
        ": " (figure(points, &give_or_take(points, reach))) " points a month"
    }
}

fn apart(order: &Order) -> String {
    give_or_take(
        order.difference_points_per_month,
        order.expanded_uncertainty_points_per_month,
    )
}

fn between<'a>(comparison: &'a Comparison, less: &Ranked, more: &Ranked) -> Option<&'a Order> {
    let mut orders = comparison.orders.iter();
    orders.find(|order| order.less == less.pack && order.more == more.pack)
}
