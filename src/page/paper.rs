//! The document: the answer first, then the table, the plots, what happened, the state of the logger.

use axum::{
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use base64::{Engine, prelude::BASE64_STANDARD};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest, Sha256};

use super::{
    asked::Refused,
    beside::displays_and_counters,
    cautions, comparison,
    evidence::{Evidence, Question},
    happened::{folded_note, full_charge_line, off_busbar, phase_line},
    note_form::NoteForm,
    now::Now,
    plots::{self, Plot},
    sentences,
    table::table,
    words::{day, rfc3339, visible},
};
use crate::api::query_string;

/// The style of the page; that of the plots comes before it.
const STYLE: &str = include_str!("page.css");
/// Phases and full charges that are listed; the plots show all of them.
const LISTED: usize = 12;
/// Notes that are listed: a page must stay one that a phone can show.
const NOTES: usize = 100;

/// What packdrift is and is not, wherever it shows figures.
pub const CAUTION: &str = "Banks of this size can kill by current and burn by heat. packdrift is a logger, not a protective device: it watches nothing and switches nothing. Act on the limits of the makers of your cells and management boards and on local codes, and leave wiring to licensed people.";

/// Everything that a paper shows.
pub(super) struct Paper<'a> {
    pub question: &'a Question,
    pub evidence: &'a Evidence,
    pub now: &'a Now,
    pub banks: &'a [&'a str],
    /// Where this visitor may write.
    pub form: Option<NoteForm<'a>>,
}

/// A page ready to be sent.
pub(super) struct Document {
    status: StatusCode,
    markup: Markup,
}

impl IntoResponse for Document {
    fn into_response(self) -> Response {
        let policy = format!(
            "default-src 'none'; style-src '{}'; script-src 'self'; connect-src 'self'; \
             img-src 'self' data:; form-action 'self'; base-uri 'none'; \
             frame-ancestors 'none'",
            style_hash(&style())
        );
        let fixed = HeaderValue::from_static;
        let headers = [
            (header::CONTENT_TYPE, fixed("text/html; charset=utf-8")),
            (header::CACHE_CONTROL, fixed("private, no-cache")),
            (header::X_CONTENT_TYPE_OPTIONS, fixed("nosniff")),
            (header::REFERRER_POLICY, fixed("same-origin")),
            (
                header::CONTENT_SECURITY_POLICY,
                HeaderValue::from_str(&policy).unwrap_or(fixed("default-src 'none'")),
            ),
        ];
        (self.status, headers, self.markup.into_string()).into_response()
    }
}

/// The style of the page, its plots' included.
pub fn style() -> String {
    format!("{}{STYLE}", plots::STYLE)
}

/// How a Content-Security-Policy names a style that stands in the document (CSP 3, hash-source).
pub(super) fn style_hash(style: &str) -> String {
    format!("sha256-{}", BASE64_STANDARD.encode(Sha256::digest(style)))
}

fn document(status: StatusCode, title: &str, head: &Markup, body: &Markup) -> Document {
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                title { (visible(title)) }
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                // No icon: browsers would ask for one that isn't there.
                link rel="icon" href="data:,";
                style { (PreEscaped(style())) }
                (head)
            }
            body { (body) }
        }
    };
    Document { status, markup }
}

/// A page with a heading and little else.
pub(super) fn simple(status: StatusCode, heading: &str, body: &Markup) -> Document {
    document(
        status,
        &format!("{heading} – packdrift"),
        &html! {},
        &html! { main { h1 { (heading) } (body) (footer()) } },
    )
}

/// What can't be answered, and what to do.
pub(super) fn refusal(refused: &Refused) -> Document {
    simple(
        refused.status,
        &visible(&refused.title),
        &html! { p { (visible(&refused.detail)) "." } p { a href="/" { "Back to the answer" } } },
    )
}

/// The whole paper of a bank.
pub(super) fn whole(paper: &Paper<'_>) -> Document {
    let (evidence, question) = (paper.evidence, paper.question);
    let bank = visible(&evidence.drift.bank);
    let body = html! {
        a class="skip" href="#answer" { "To the answer" }
        header {
            p class="name" { "packdrift" }
            @if paper.banks.len() > 1 {
                nav aria-label="Banks" {
                    @for other in paper.banks {
                        @let current = (*other == evidence.drift.bank).then_some("page");
                        a href={ "/" (query_string(&[("bank", Some(other))])) } aria-current=[current] { (visible(other)) } " "
                    }
                }
            }
        }
        main {
            h1 { (bank) ": how far has each pack’s own count drifted?" }
            (answer_section(evidence))
            (stretch_form(question, evidence))
            @let untold = sentences::untold(evidence);
            @if !untold.is_empty() { section { h2 { "What can’t be told yet" } ul { @for sentence in untold { li { (sentence) } } } } }
            @let cautions = cautions::told(evidence);
            @if !cautions.is_empty() { section { h2 { "Cautions" } ul { @for sentence in cautions { li { (sentence) } } } } }
            section id="now" data-query=(query_string(&[("bank", question.bank.as_deref())])) data-zone=(evidence.zone.name()) { (paper.now.shown()) }
            section class="broad" { h2 { "Pack by pack" } (table(evidence))
                p class="hint" { "± is the expanded uncertainty, k = 2. A charge error is what the board counted less what the pack gained: positive where the board believes in more than there is. " span { "*" } " marks a display at its end stop." } }
            @let beside = displays_and_counters(evidence);
            @if !beside.is_empty() { section { h2 { "What displays and counters say" } ul { @for sentence in beside { li { (sentence) } } } } }
            @let verdicts = comparison::verdicts(&evidence.comparison);
            @if !verdicts.is_empty() { section { h2 { "Packs and revisions side by side" } ul { @for sentence in verdicts { li { (sentence) } } } } }
            section class="broad" {
                @for (index, plot) in Plot::ALL.into_iter().enumerate() {
                    // On paper a heading is not left behind by what it heads.
                    div class="together" { @if index == 0 { h2 { "Plots" } } (figure(plot, question, evidence)) }
                }
            }
            (happened(paper))
            (paper.now.logger.section(evidence.zone))
            (footer())
        }
    };
    let live = html! { script src="/page.js" defer {} };
    document(StatusCode::OK, &format!("{bank} – packdrift"), &live, &body)
}

fn answer_section(evidence: &Evidence) -> Markup {
    html! {
        section id="answer" aria-label="The answer" {
            p class="opening" { (sentences::opening(evidence)) }
            ul class="packs" { @for (p, pack) in evidence.drift.packs.iter().enumerate() { li { (sentences::sentence(p, pack)) } } }
            @for sentence in sentences::epochs(evidence) { p { (sentence) } }
        }
    }
}

/// The choice of the stretch: a plain form, so that the address says what is shown.
fn stretch_form(question: &Question, evidence: &Evidence) -> Markup {
    let date = |field: &Option<String>| {
        field
            .as_deref()
            .and_then(|text| text.get(..10))
            .unwrap_or("")
            .to_owned()
    };
    let bank = question.bank.as_deref();
    let link = |since: Option<&str>| format!("/{}", query_string(&[("bank", bank), ("since", since)]));
    let marks = evidence.full_charges().rev().take(4);
    html! {
        form class="stretch" method="get" action="/" aria-label="From when to when" {
            @if let Some(bank) = bank { input type="hidden" name="bank" value=(bank); }
            label { "Since " input id="since" name="since" type="date" value=(date(&question.since)); }
            label { "until " input id="until" name="until" type="date" value=(date(&question.until)); }
            button { "Show" }
            p class="hint" {
                "Or since " a href=(link(None)) { "the first reading" }
                @for mark in marks { ", " a href=(link(Some(&rfc3339(mark.end.ms)))) { "the full charge of " (day(mark.end.ms, evidence.zone)) } }
                ". Days are those of " (evidence.zone.name()) "."
            }
        }
    }
}

fn figure(plot: Plot, question: &Question, evidence: &Evidence) -> Markup {
    let source = |size: &str| {
        format!(
            "/v1/plots/{}.svg{}",
            plot.name(),
            query_string(&[
                ("bank", question.bank.as_deref()),
                ("since", question.since.as_deref()),
                ("until", question.until.as_deref()),
                ("size", Some(size)),
            ])
        )
    };
    html! {
        figure {
            picture {
                source media="(max-width: 640px)" srcset=(source("narrow"));
                img src=(source("wide")) alt={ (plot.title()) " " (plot.told(evidence)) } loading="lazy" width="960" height="540";
            }
            figcaption { a href=(source("wide")) { "This plot as a file" } }
        }
    }
}

fn happened(paper: &Paper<'_>) -> Markup {
    let evidence = paper.evidence;
    let left_out = |all: usize| all.saturating_sub(LISTED);
    html! {
        section {
            h2 { "What happened" }
            h3 { "Full charges" }
            @if evidence.anchors.is_empty() { p { "None yet." } }
            @else {
                @let skip = left_out(evidence.anchors.len());
                @if skip > 0 { p class="hint" { "The last " (LISTED) " of " (evidence.anchors.len()) "; " a href={ "/v1/anchors" (query_string(&[("bank", paper.question.bank.as_deref())])) } { "all of them" } "." } }
                ul class="plain" { @for anchor in evidence.anchors.iter().skip(skip) { li { (full_charge_line(anchor, evidence)) "." } } }
            }
            h3 { "Phases" }
            @if evidence.phases.is_empty() { p { "None yet." } }
            @else {
                @let skip = left_out(evidence.phases.len());
                @if skip > 0 { p class="hint" { "The last " (LISTED) " of " (evidence.phases.len()) "; " a href={ "/v1/phases" (paper.question.query()) } { "all of them" } "." } }
                ul class="plain" { @for phase in evidence.phases.iter().skip(skip) { li { (phase_line(phase, evidence)) } } }
            }
            @let off = off_busbar(evidence);
            @if !off.is_empty() { h3 { "Off the busbar" } ul class="plain" { @for sentence in off { li { (sentence) } } } }
            h3 id="notes" { "Notes" }
            @if evidence.notes.is_empty() { p { "None yet." } }
            @let skip = evidence.notes.len().saturating_sub(NOTES);
            @if skip + evidence.earlier_notes > 0 { p class="hint" { "The last " (evidence.notes.len() - skip) " of " (evidence.notes.len() + evidence.earlier_notes) "; " a href=(paper.question.notes_path()) { "all of them" } ", a page at a time." } }
            dl class="notes" {
                @for (number, note) in evidence.numbered_notes().skip(skip) { (folded_note(number, note, evidence)) }
            }
            @if let Some(form) = &paper.form { (form.shown(paper.question, evidence)) }
        }
    }
}

fn footer() -> Markup {
    html! { footer { p { (CAUTION) } } }
}
