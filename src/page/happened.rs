//! What happened, in words: full charges, phases, time off the busbar, and what people noted.

use maud::{Markup, html};

use super::{
    answers::{Anchor, Note, Phase},
    evidence::Evidence,
    words::{beginning, lasting, plain, signed, time, visible},
};

/// A note longer than this is folded.
const LONG_NOTE: usize = 400;

/// A full charge in words; what a person asserted or vetoed says so.
pub fn full_charge_line(anchor: &Anchor, evidence: &Evidence) -> Markup {
    html! {
        (time(anchor.begin.ms, evidence.zone))
        @if anchor.end > anchor.begin { " to " (time(anchor.end.ms, evidence.zone)) }
        @let volts = anchor.voltage_v.map(|volts| format!("{volts:.2} V"));
        @let amperes = anchor.tail_current_a.map(|amperes| format!("{} A", signed(amperes, 1)));
        @let shown: Vec<String> = [volts, amperes].into_iter().flatten().collect();
        @if !shown.is_empty() { ", at the mark " (shown.join(" and ")) }
        @if let Some(number) = anchor.asserted { "; asserted by a person (mark " (number) "), not found in the readings" }
        @if let Some(number) = anchor.vetoed { "; vetoed by a person (mark " (number) "), so no answer goes by it" }
        @for pack in anchor.packs.iter().filter(|pack| !pack.counts) {
            "; does not count for " (visible(&pack.pack)) @if let Some(reason) = &pack.reason { " (" (visible(reason)) ")" }
        }
    }
}

/// A phase in words.
pub fn phase_line(phase: &Phase, evidence: &Evidence) -> Markup {
    html! {
        (time(phase.begin.ms, evidence.zone)) ": " (plain(&phase.kind)) ", " (lasting(phase.end.ms - phase.begin.ms))
        @if phase.stated.is_some() { ", stated by a person" }
    }
}

/// Who was off the busbar and for how long, a sentence a pack that was.
pub fn off_busbar(evidence: &Evidence) -> Vec<Markup> {
    let packs = evidence.drift.packs.iter();
    packs
        .filter_map(|pack| Some((pack, pack.coverage.off_busbar_s.filter(|off_s| *off_s > 0)?)))
        .map(|(pack, off_s)| {
            html! {
                (visible(&pack.pack)) " was off the busbar for " (lasting(off_s * 1000))
                " in all; what it held stood still meanwhile, and the others shared alone."
            }
        })
        .collect()
}

/// A note with its number, as the plots show it.
pub fn note_entry(number: usize, note: &Note, evidence: &Evidence) -> Markup {
    html! {
        (note_head(number, note, evidence))
        dd { p class="words" dir="auto" { (visible(&note.text)) } }
    }
}

/// The same, with a long text folded.
pub(super) fn folded_note(number: usize, note: &Note, evidence: &Evidence) -> Markup {
    let text = visible(&note.text);
    if text.chars().count() <= LONG_NOTE {
        return note_entry(number, note, evidence);
    }
    html! {
        (note_head(number, note, evidence))
        dd { details { summary dir="auto" { (beginning(&text, LONG_NOTE / 4)) } p class="words" dir="auto" { (text) } } }
    }
}

fn note_head(number: usize, note: &Note, evidence: &Evidence) -> Markup {
    html! { dt { span class="number" { (number) } " " (time(note.at.ms, evidence.zone)) ", " bdi { (visible(note.whom())) } ", " (plain(&note.kind)) } }
}
