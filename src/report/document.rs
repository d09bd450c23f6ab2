//! The report as one HTML file with nothing outside it.

use base64::{Engine, prelude::BASE64_STANDARD};
use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::{Report, method, results, setup};
use crate::page::{
    beside::displays_and_counters,
    cautions,
    happened::{full_charge_line, note_entry, off_busbar, phase_line},
    paper::{CAUTION, style},
    plots::{Plot, Size},
    sentences,
    table::table,
    words::{day, rfc3339, time, visible},
};

/// What a report adds to the style of the page.
const STYLE: &str = include_str!("report.css");

/// The file.
#[must_use]
pub fn html(report: &Report<'_>) -> String {
    let evidence = report.evidence;
    let bank = visible(&evidence.drift.bank);
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                title { "Drift of the charge counts of " (bank) }
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'";
                style { (PreEscaped(style())) (PreEscaped(STYLE)) }
            }
            body {
                main {
                    h1 { "How far did each pack’s own charge count drift?" }
                    p class="hint" { "A report on the bank “" (bank) "”, written by packdrift " (env!("CARGO_PKG_VERSION")) " on " (time(report.written_ms, evidence.zone)) "." }
                    div { (answer(report)) }
                    section { h2 { "Question" } p { "Packs wired in parallel share one voltage, yet each board counts charge by itself and sets its count right only at a full charge. In a dark winter there is none for weeks. How far has each board’s count gone from the truth meanwhile, and how sure is that?" } }
                    section { h2 { "Set-up" } (setup::section(report)) }
                    section { h2 { "Method" } (method::section()) }
                    section { h2 { "What happened" } (happened(report)) }
                    section class="broad" { h2 { "Results" } (table(evidence)) ul { @for sentence in displays_and_counters(evidence) { li { (sentence) } } } (plots(report)) (results::budget(evidence)) }
                    section { h2 { "Comparison" } (results::comparison(evidence)) }
                    section { h2 { "What the data can’t say" } (results::limits(evidence)) }
                    section { h2 { "Cautions" } p { (CAUTION) } ul { @for sentence in cautions::told(evidence) { li { (sentence) } } } }
                    section { h2 { "How to check it" } (check(report)) }
                }
            }
        }
    };
    markup.into_string()
}

fn answer(report: &Report<'_>) -> Markup {
    html! {
        p class="opening" { (sentences::opening(report.evidence)) }
        ul class="packs" { @for (p, pack) in report.evidence.drift.packs.iter().enumerate() { li { (sentences::sentence(p, pack)) } } }
        @for sentence in sentences::epochs(report.evidence) { p { (sentence) } }
    }
}

fn happened(report: &Report<'_>) -> Markup {
    let evidence = report.evidence;
    html! {
        h3 { "Full charges" }
        ul class="plain" { @for anchor in &evidence.anchors { li { (full_charge_line(anchor, evidence)) "." } } }
        h3 { "Phases" }
        ul class="plain" { @for phase in &evidence.phases { li { (phase_line(phase, evidence)) } } }
        @let off = off_busbar(evidence);
        @if !off.is_empty() { h3 { "Off the busbar" } ul class="plain" { @for sentence in off { li { (sentence) } } } }
        h3 { "Notes" }
        @if evidence.notes.is_empty() { p { "None." } }
        dl class="notes" { @for (number, note) in evidence.numbered_notes() { (note_entry(number, note, evidence)) } }
    }
}

fn plots(report: &Report<'_>) -> Markup {
    html! {
        @for plot in Plot::ALL {
            figure {
                div class="for-wide" { (plot.draw(report.evidence, report.series, Size::Wide, false)) }
                div class="for-narrow" { (plot.draw(report.evidence, report.series, Size::Narrow, false)) }
            }
        }
    }
}

fn check(report: &Report<'_>) -> Markup {
    let drift = &report.evidence.drift;
    let hours = format!("data:text/csv;base64,{}", BASE64_STANDARD.encode(&report.hours));
    let instant = |at_ms: Option<i64>| at_ms.map_or("–".to_owned(), rfc3339);
    html! {
        dl class="facts" {
            dt { "Program" } dd { "packdrift " (env!("CARGO_PKG_VERSION")) }
            dt { "Stretch" } dd { (instant(drift.since.map(|at| at.ms))) " to " (instant(drift.until.map(|at| at.ms))) }
            dt { "Settings" } dd { "setup file of SHA-256 " code { (drift.setup) } }
            dt { "Readings" } dd { (report.readings.rows) " in " code { "readings.csv" } " of SHA-256 " code { (report.readings.sha256) } }
        }
        p { "The bundle that belongs to this report holds " code { "readings.csv" } ", and " code { "sha256sum readings.csv" } " must print the digest above. From mark to mark a pack’s charge error is the sum of trapezoids over its own " code { "current_a" } ", which a spreadsheet can add up. With the readings sent again to a packdrift with these settings, " code { "packdrift drift --json" } " must print the figures above; " code { "packdrift demo" } " does so for simulated winters whose truth is known." }
        p { a download="hours.csv" href=(hours) { "hours.csv" } ": what each instrument counted, hour by hour, attached to this file." }
        @if report.names.hide() { p class="hint" { "Names stand in this report for others. Notes are as people wrote them, with the names replaced." } }
        p class="hint" { "Data up to " (drift.until.map_or("–".to_owned(), |until| day(until.ms, report.evidence.zone))) "." }
    }
}
