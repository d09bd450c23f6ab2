//! Readings outside the usual cautions, told once a pack and kind. They are told, never acted upon.

use maud::{Markup, html};

use super::{
    answers::Caution,
    evidence::Evidence,
    words::{figure, minute, visible},
};

/// A sentence a pack and kind, with the worst and when it was last seen.
pub fn told(evidence: &Evidence) -> Vec<Markup> {
    let mut told = Vec::new();
    for pack in &evidence.drift.packs {
        let mut kinds: Vec<&str> = Vec::new();
        for caution in &pack.cautions {
            if !kinds.contains(&caution.kind.as_str()) {
                kinds.push(&caution.kind);
            }
        }
        for kind in kinds {
            let episodes: Vec<_> = pack
                .cautions
                .iter()
                .filter(|caution| caution.kind == kind)
                .collect();
            told.extend(sentence(&pack.pack, &episodes, evidence));
        }
    }
    if let Some(reference) = &evidence.drift.reference {
        if let Some(percent) = reference.impossible_percent {
            told.push(html! {
                (visible(&reference.reference)) ": by its count the packs would hold "
                (figure(percent, &format!("{percent:.1}"))) " % together, which can’t be: its zero, the losses or the "
                "capacities are not as the setup says, and no figure here is better than that."
            });
        }
        for span in reference.closures.iter().filter(|span| span.beyond_data_sheet) {
            told.push(html! {
                (visible(&reference.reference)) ": from " (minute(span.begin.ms, evidence.zone)) " to "
                (minute(span.end.ms, evidence.zone)) ", full to full, it counted more than losses and its data sheet "
                "explain; look for what is wired past it before relying on what is said of that time."
            });
        }
    }
    told
}

fn sentence(pack: &str, episodes: &[&Caution], evidence: &Evidence) -> Option<Markup> {
    let last = episodes.last()?;
    let furthest = |a: &&&Caution, b: &&&Caution| distance(a).total_cmp(&distance(b));
    let worst = episodes.iter().max_by(furthest)?;
    let (digits, unit) = match worst.kind.as_str() {
        "cell_voltage_high" | "cell_voltage_low" => (3, "V"),
        "charging_below_freezing" => (1, "°C"),
        _ => (1, "points"),
    };
    Some(html! {
        (visible(pack)) ": " (visible(&worst.text)) "; "
        @if episodes.len() > 1 { (episodes.len()) " times, last " } @else { "once, " }
        (minute(last.begin.ms, evidence.zone)) " to " (minute(last.end.ms, evidence.zone))
        ", at worst " (figure(worst.worst, &format!("{:.digits$}", worst.worst).replace('-', "−"))) " " (unit) "."
    })
}

/// How far out a value is, in an order that holds within its kind.
fn distance(caution: &Caution) -> f64 {
    match caution.kind.as_str() {
        "cell_voltage_low" | "charging_below_freezing" => -caution.worst,
        _ => caution.worst,
    }
}
