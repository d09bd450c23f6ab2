//! The results of a report: figures, comparison, and what the data can't say.

use maud::{Markup, html};

use crate::page::{
    answers::PackAnswer,
    evidence::Evidence,
    plots::icon,
    sentences,
    words::{day, figure, give_or_take, plain, visible},
};

/// Every source of uncertainty with its share in each pack's answer.
pub(super) fn budget(evidence: &Evidence) -> Markup {
    let packs = &evidence.drift.packs;
    let mut sources: Vec<&str> = Vec::new();
    for line in packs.iter().flat_map(|pack| &pack.charge_error.budget) {
        if !sources.contains(&line.source.as_str()) {
            sources.push(&line.source);
        }
    }
    let of = |pack: &PackAnswer, source: &str| {
        let line = pack
            .charge_error
            .budget
            .iter()
            .find(|line| line.source == source)?;
        Some(line.standard_uncertainty_ah)
    };
    html! {
        div class="scroll" tabindex="0" role="region" aria-label="Budget of the uncertainty" { table {
            caption { "Budget of the uncertainty: standard uncertainties in Ah" }
            thead { tr { th scope="col" { "source" } @for pack in packs { th scope="col" { (visible(&pack.pack)) } } } }
            tbody {
                @for source in sources {
                    tr {
                        th scope="row" { (plain(source)) }
                        @for pack in packs { td { @match of(pack, source) { Some(ah) => { (figure(ah, &format!("{ah:.3}"))) }, None => "–" } } }
                    }
                }
                tr class="sum" {
                    th scope="row" { "expanded uncertainty, k = 2" }
                    @for pack in packs { td { @match pack.charge_error.expanded_uncertainty_ah { Some(ah) => { (figure(ah, &format!("{ah:.3}"))) }, None => "–" } } }
                }
            }
        } }
    }
}

/// Packs by their rate, and what can be said of pairs and of revisions.
pub(super) fn comparison(evidence: &Evidence) -> Markup {
    let mut ranked: Vec<(usize, &PackAnswer, f64, f64)> = evidence
        .drift
        .packs
        .iter()
        .enumerate()
        .filter_map(|(p, pack)| {
            let rate = pack.rate.as_ref()?;
            let reach = rate.expanded_uncertainty_points_per_month(pack.capacity_ah);
            Some((p, pack, rate.points_per_month, reach))
        })
        .collect();
    ranked.sort_by(|a, b| b.2.abs().total_cmp(&a.2.abs()));
    let mut revisions: Vec<(&str, usize)> = Vec::new();
    for pack in &evidence.drift.packs {
        match revisions
            .iter_mut()
            .find(|(revision, _)| *revision == pack.revision)
        {
            Some((_, units)) => *units += 1,
            None => revisions.push((&pack.revision, 1)),
        }
    }
    html! {
        p { "By the size of their rate, fastest first:" }
        ol {
            @for (p, pack, rate, reach) in &ranked {
                li { (icon(*p)) " " (visible(&pack.pack)) ", revision " (visible(&pack.revision)) ": " (figure(*rate, &give_or_take(*rate, *reach))) " points a month" }
            }
        }
        ul {
            @for pair in ranked.windows(2) {
                @let ((_, faster, fast, fast_reach), (_, slower, slow, slow_reach)) = (pair[0], pair[1]);
                @let (apart, reach) = (fast.abs() - slow.abs(), fast_reach.hypot(slow_reach));
                li {
                    (visible(&faster.pack)) " against " (visible(&slower.pack)) ": " (give_or_take(apart, reach)) " points a month apart, "
                    @if apart > reach { "more than its uncertainty." } @else { "which is not significant." }
                }
            }
        }
        p class="hint" { "The ± of a difference takes the two rates as independent. What is wrong with the reference moves all packs alike, so that a difference is rather better known than that." }
        p {
            "A verdict on a revision needs at least two units of it and includes the scatter between them. Here there are "
            @for (index, (revision, units)) in revisions.iter().enumerate() {
                @if index > 0 { ", " }
                (units) " of revision " (visible(revision))
            }
            ": what is said above is of these units."
        }
    }
}

/// What the data can't say: of this winter, then of any.
pub(super) fn limits(evidence: &Evidence) -> Markup {
    html! {
        ul {
            @for sentence in sentences::untold(evidence) { li { (sentence) } }
            @for pack in &evidence.drift.packs {
                @for epoch in pack.epochs.iter().skip(1) {
                    li { (visible(&pack.pack)) " was recalibrated on " (day(epoch.begin.ms, evidence.zone)) ": its rates before and after are of two different instruments." }
                }
            }
            li { "Why a board drifts does not follow from its charge error alone: a zero error, unequal gains for charge and discharge, and blindness to small currents add up to the same." }
            li { "Revision, capacity, place in the bank and temperature differ together between packs; this comparison can’t tell them apart." }
            li { "An error of scale that the reference and all boards share is invisible here." }
        }
    }
}
