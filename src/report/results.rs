//! The results of a report: figures, comparison, and what the data can't say.

use maud::{Markup, html};

use crate::page::{
    answers::PackAnswer,
    comparison,
    evidence::Evidence,
    sentences,
    words::{day, figure, plain, visible},
};

/// Every source of uncertainty with its share in each pack's answer.
pub(super) fn budget(evidence: &Evidence) -> Markup {
    let packs = &evidence.drift.packs;
    let of = |pack: &PackAnswer, source: &str| {
        let line = pack
            .charge_error
            .budget
            .iter()
            .find(|line| line.source == source)?;
        Some(line.standard_uncertainty_ah)
    };
    html! {
        h3 id="budget" { "Budget of the uncertainty: standard uncertainties in Ah" }
        div class="scroll" tabindex="0" role="region" aria-labelledby="budget" { table {
            thead { tr { th scope="col" { "source" } @for pack in packs { th scope="col" { (visible(&pack.pack)) } } } }
            tbody {
                @for (source, _) in evidence.sources() {
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
    html! {
        (comparison::ranking(evidence))
        ul { @for sentence in comparison::verdicts(&evidence.comparison) { li { (sentence) } } }
        p class="hint" { "What is wrong with the reference moves all packs alike and is left out of their differences. A verdict on a revision needs at least two units of it and includes the scatter between them." }
    }
}

/// What the data can't say: of this winter, then of any.
pub(super) fn limits(evidence: &Evidence) -> Markup {
    html! {
        ul {
            @for sentence in sentences::untold(evidence) { li { (sentence) } }
            @for pack in &evidence.drift.packs {
                @for epoch in pack.epochs.iter().skip(1) {
                    li { (visible(&pack.pack)) " was recalibrated or changed on " (day(epoch.begin.ms, evidence.zone)) ": its rates before and after are of two different instruments." }
                }
            }
            li { "Why a board drifts does not follow from its charge error alone: a zero error, unequal gains for charge and discharge, and blindness to small currents add up to the same." }
            li { "Place in the bank and temperature may differ with the revision; this comparison can’t tell them apart." }
            li { "An error of scale that the reference and all boards share is invisible here." }
        }
    }
}
