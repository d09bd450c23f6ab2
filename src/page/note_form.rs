//! The form for a note, and what becomes of it: the API takes the note, the page comes back with it.

use axum::{
    Form,
    extract::{State, rejection::FormRejection},
    http::{HeaderMap, Method, StatusCode},
    response::{IntoResponse, Redirect, Response},
};
use chrono::{NaiveDateTime, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};
use serde::Deserialize;
use serde_json::json;

use super::{
    Page,
    asked::{Refused, ask},
    evidence::{Evidence, Question},
    paper::refusal,
    session::{self, Visitor, check_form},
    words::{plain, rfc3339, visible},
};
use crate::{api::instant_of, store::note::Kind};

/// The form as it is shown.
pub(super) struct NoteForm<'a> {
    /// What tells this page's forms from others.
    pub secret: &'a str,
    /// What was sent and could not be taken.
    pub failed: Option<&'a Failed>,
}

/// A note that could not be taken, and why.
pub(super) struct Failed {
    sent: Sent,
    why: Refused,
}

/// The fields of the form.
#[derive(Clone, Deserialize)]
pub(super) struct Sent {
    secret: String,
    bank: String,
    /// Of the page that the form stood on.
    since: Option<String>,
    /// Likewise.
    until: Option<String>,
    /// `pack NAME`, `reference NAME` or `bank NAME`.
    whom: String,
    kind: String,
    /// As a browser's field for date and time gives it, in the bank's time zone; empty: now.
    #[serde(default)]
    at: String,
    text: String,
}

pub(super) async fn send(
    State(page): State<Page>,
    visitor: Visitor,
    headers: HeaderMap,
    sent: Result<Form<Sent>, FormRejection>,
) -> Response {
    let sent = match sent {
        Ok(Form(sent)) => sent,
        Err(rejection) => {
            let refused = Refused {
                status: StatusCode::UNPROCESSABLE_ENTITY,
                title: "The form can’t be read".to_owned(),
                detail: rejection.body_text(),
            };
            return refusal(&refused).into_response();
        }
    };
    if !visitor.may_write {
        let refused = Refused {
            status: StatusCode::FORBIDDEN,
            title: "This token may only read".to_owned(),
            detail: "sign in with one that may write".to_owned(),
        };
        return refusal(&refused).into_response();
    }
    if let Err(refused) = check_form(&page, &headers, &sent.secret) {
        return refusal(&refused).into_response();
    }
    let question = Question {
        bank: Some(sent.bank.clone()),
        since: sent.since.clone(),
        until: sent.until.clone(),
    }
    .without_blanks();
    match keep(&page, &sent).await {
        Ok(()) => Redirect::to(&format!("/{}#notes", question.query())).into_response(),
        Err(why) => {
            let status = why.status;
            let secret = sent.secret.clone();
            let failed = Failed { sent, why };
            match page.paper(question, visitor, &secret, Some(&failed)).await {
                Ok(paper) => (status, session::keep_form_secret(&headers, &secret), paper).into_response(),
                Err(refused) => refusal(&refused).into_response(),
            }
        }
    }
}

async fn keep(page: &Page, sent: &Sent) -> Result<(), Refused> {
    let zone = page
        .app
        .setup()
        .bank(&sent.bank)
        .map_or(Tz::UTC, |bank| bank.time_zone);
    // The API says what it makes of anything but these three.
    let (whose, name) = sent.whom.split_once(' ').unwrap_or(("bank", &sent.whom));
    let whose = if matches!(whose, "pack" | "reference") {
        whose
    } else {
        "bank"
    };
    let note = json!({
        "at": instant(&sent.at, zone),
        whose: name,
        "kind": sent.kind,
        // A browser ends lines as RFC 7578 has it.
        "text": sent.text.replace("\r\n", "\n"),
    });
    ask(&page.questions, Method::POST, "/v1/notes", Some(&note)).await?;
    Ok(())
}

/// What a field for date and time gives, as RFC 3339; anything else as it is, for the API to judge.
fn instant(field: &str, zone: Tz) -> String {
    let field = field.trim();
    if field.is_empty() {
        return Utc::now().to_rfc3339();
    }
    let local = ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"]
        .into_iter()
        .find_map(|form| NaiveDateTime::parse_from_str(field, form).ok());
    let Some(local) = local else {
        return field.to_owned();
    };
    rfc3339(instant_of(local, zone))
}

impl NoteForm<'_> {
    /// The form, for a page with this question and answer.
    pub(super) fn shown(&self, question: &Question, evidence: &Evidence) -> Markup {
        let sent = self.failed.map(|failed| &failed.sent);
        let kept = |field: fn(&Sent) -> &str| sent.map_or("", field);
        let mut subjects: Vec<(&str, &str)> = evidence
            .drift
            .packs
            .iter()
            .map(|pack| ("pack", pack.pack.as_str()))
            .collect();
        subjects.extend(
            evidence
                .drift
                .reference
                .iter()
                .map(|it| ("reference", it.reference.as_str())),
        );
        subjects.push(("bank", &evidence.drift.bank));
        html! {
            form class="note" method="post" action="/notes" {
                h3 id="add" { "Add a note" }
                @if let Some(failed) = self.failed {
                    p class="wrong" role="alert" { "Not taken. " (visible(&failed.why.title)) ": " (visible(&failed.why.detail)) "." }
                }
                input type="hidden" name="secret" value=(self.secret);
                input type="hidden" name="bank" value=(evidence.drift.bank);
                @if let Some(since) = &question.since { input type="hidden" name="since" value=(since); }
                @if let Some(until) = &question.until { input type="hidden" name="until" value=(until); }
                div class="fields" {
                    p { label for="whom" { "Of" }
                        select id="whom" name="whom" {
                            @for (whose, name) in subjects {
                                @let value = format!("{whose} {name}");
                                option value=(value) selected[kept(|sent| &sent.whom) == value] { (visible(name)) @if whose != "pack" { " (" (whose) ")" } }
                            }
                        } }
                    p { label for="kind" { "Kind" }
                        select id="kind" name="kind" {
                            @for kind in Kind::ALL {
                                option value=(kind.word()) selected[kept(|sent| &sent.kind) == kind.word()] { (plain(kind.word())) }
                            }
                        } }
                    p { label for="at" { "When, " (evidence.zone.name()) "; empty: now" }
                        input id="at" name="at" type="datetime-local" value=(kept(|sent| &sent.at)); }
                }
                p { label for="text" { "Words" }
                    textarea id="text" name="text" rows="3" required maxlength="20000" dir="auto" { (kept(|sent| &sent.text)) } }
                p class="hint" { "A recalibration begins a new epoch: rates before and after it are never averaged." }
                button { "Keep this note" }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_browsers_date_and_time_is_read_where_the_bank_is() {
        let oslo = chrono_tz::Europe::Oslo;
        assert_eq!(instant("2026-01-10T08:00", oslo), "2026-01-10T07:00:00Z");
        // On 29 March 2026 the clock jumps from 02:00 to 03:00, on 4 October on Lord Howe Island from 02:00 to 02:30
        // (IANA time zone database).
        assert_eq!(instant("2026-03-29T02:30", oslo), "2026-03-29T01:00:00Z");
        let lord_howe = chrono_tz::Australia::Lord_Howe;
        assert_eq!(instant("2026-10-04T02:15", lord_howe), "2026-10-03T15:45:00Z");
        assert_eq!(instant("2026-01-10", oslo), "2026-01-10");
    }
}
