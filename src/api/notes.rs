//! `/v1/notes`: what a person attaches, the newest page first. A correction or withdrawal adds a revision; nothing
//! written is lost.

use axum::{Json, extract::State, http::StatusCode};
use chrono::Utc;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema, openapi::ObjectBuilder};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    problem::Problem,
    query::{Asked, Instant, Numbered, Sent, meant, one_of, seen},
    state::App,
    zulu::Zulu,
};
use crate::{
    config::Role,
    store::note::{self, Kind, List, Note, Place, Said, Subject},
};

/// Notes in an answer, unless fewer are asked for.
const PAGE: u32 = 500;

/// Characters in a note at most.
const LONGEST: usize = 20_000;

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(list, add))
        .routes(routes!(correct, withdraw))
}

#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Question {
    /// Left out: of every bank.
    bank: Option<String>,
    #[serde(default)]
    history: bool,
    #[param(value_type = Option<i64>, minimum = 0, maximum = 4_294_967_295_i64)]
    limit: Option<u32>,
    /// The `next_before` of the page behind.
    before: Option<String>,
}

#[derive(Serialize, ToSchema)]
#[schema(as = NotesPage)]
struct Page {
    notes: Vec<NoteBody>,
    /// How many there are on all pages; null where “before” was given.
    in_all: Option<i64>,
    /// Ask again with this as `before`; null where there are none before these.
    next_before: Option<String>,
}

#[derive(Serialize, ToSchema)]
struct NoteBody {
    id: i64,
    revision: i64,
    written: Zulu,
    at: Zulu,
    #[serde(skip_serializing_if = "Option::is_none")]
    pack: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    reference: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    bank: Option<String>,
    kind: &'static str,
    text: String,
    withdrawn: bool,
}

/// The newest of the notes that stand, or of all revisions, a page at a time; oldest first on each page.
#[utoipa::path(
    get,
    path = "/v1/notes",
    tag = "notes",
    operation_id = "list_notes",
    params(Question),
    responses((status = 200, body = Page))
)]
async fn list(State(app): State<App>, Asked(question): Asked<Question>) -> Result<Json<Page>, Problem> {
    let of = question
        .bank
        .as_deref()
        .map(|id| app.bank(Some(id)))
        .transpose()?;
    let setup = app.setup().clone();
    let list = List {
        history: question.history,
        of: of.map(|bank| {
            let instruments = bank.instruments();
            let names = instruments.map(|instrument| setup.entry(instrument).id.clone());
            (bank.id.clone(), names.collect())
        }),
    };
    let before = question.before.as_deref().map(place).transpose()?;
    let limit = question.limit.unwrap_or(PAGE).clamp(1, PAGE);
    let asked = app.clone();
    app.read_in_turn(move |connection, _| {
        let in_all = before.is_none().then(|| list.count(connection)).transpose()?;
        let mut notes = list.before(connection, before, limit + 1)?;
        let mut next_before = None;
        if notes.len() > limit as usize {
            notes.remove(0);
            let (first, second) = list.place(&notes[0]);
            next_before = Some(format!("{first}.{second}"));
        }
        Ok(Page {
            notes: notes.into_iter().map(|note| body(&asked, note)).collect(),
            in_all,
            next_before,
        })
    })
    .await
    .map(Json)
}

/// A place in a list, as a page before gave it.
fn place(written: &str) -> Result<Place, Problem> {
    let (first, second) = written.split_once('.').unwrap_or_default();
    match (first.parse(), second.parse()) {
        (Ok(first), Ok(second)) => Ok((first, second)),
        _ => Err(Problem::bad_query(format!(
            "before=“{written}” is no place in the list; send a page's “next_before”"
        ))),
    }
}

/// A note as a person sends it: exactly one of `pack`, `reference`, `bank`.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = WrittenNote)]
struct Written {
    #[schema(inline, value_type = Instant)]
    at: String,
    pack: Option<String>,
    reference: Option<String>,
    bank: Option<String>,
    #[schema(schema_with = kinds)]
    kind: String,
    #[schema(min_length = 1, max_length = 20000)]
    text: String,
}

fn kinds() -> ObjectBuilder {
    one_of(Kind::ALL.map(Kind::word))
}

/// Attaches a note to exactly one of a pack, a reference, a bank.
#[utoipa::path(
    post,
    path = "/v1/notes",
    tag = "notes",
    operation_id = "add_note",
    request_body = Written,
    responses((status = 201, body = NoteBody))
)]
async fn add(
    State(app): State<App>,
    Sent(written): Sent<Written>,
) -> Result<(StatusCode, Json<NoteBody>), Problem> {
    let said = said(&app, written)?;
    let written_ms = Utc::now().timestamp_millis();
    let note = app
        .write(move |connection| note::add(connection, written_ms, said))
        .await?;
    Ok((StatusCode::CREATED, Json(body(&app, note))))
}

/// Corrects a note by a further revision.
#[utoipa::path(
    put,
    path = "/v1/notes/{id}",
    tag = "notes",
    operation_id = "correct_note",
    params(("id" = i64, Path)),
    request_body = Written,
    responses((status = 200, body = NoteBody))
)]
async fn correct(
    State(app): State<App>,
    Numbered(id): Numbered,
    Sent(written): Sent<Written>,
) -> Result<Json<NoteBody>, Problem> {
    let said = said(&app, written)?;
    revise(&app, id, Some(said)).await
}

/// Takes a note back; it stays in the history.
#[utoipa::path(
    delete,
    path = "/v1/notes/{id}",
    tag = "notes",
    operation_id = "withdraw_note",
    params(("id" = i64, Path)),
    responses((status = 200, body = NoteBody))
)]
async fn withdraw(State(app): State<App>, Numbered(id): Numbered) -> Result<Json<NoteBody>, Problem> {
    revise(&app, id, None).await
}

async fn revise(app: &App, id: i64, said: Option<Said>) -> Result<Json<NoteBody>, Problem> {
    let written_ms = Utc::now().timestamp_millis();
    let note = app
        .write(move |connection| note::revise(connection, written_ms, id, said))
        .await?;
    note.map(|note| Json(body(app, note)))
        .ok_or_else(|| Problem::not_written("note", id))
}

fn said(app: &App, written: Written) -> Result<Said, Problem> {
    let setup = app.setup();
    let word = |role| match role {
        Role::Pack(_) => "pack",
        Role::Reference => "reference",
    };
    let instrument = |name: &str, what: &str| {
        let all = setup.instruments.iter();
        match all.clone().find(|entry| entry.id == name) {
            Some(entry) if word(entry.role) == what => {
                Ok((Subject::Instrument(entry.id.clone()), &setup.banks[entry.bank]))
            }
            Some(entry) => Err(Problem::named_otherwise(what, name, word(entry.role))),
            None => {
                let known: Vec<_> = all
                    .filter(|entry| word(entry.role) == what)
                    .map(|entry| entry.id.as_str())
                    .collect();
                Err(Problem::unknown(what, name, &known))
            }
        }
    };
    let (subject, bank) = match (&written.pack, &written.reference, &written.bank) {
        (Some(name), None, None) => instrument(name, "pack")?,
        (None, Some(name), None) => instrument(name, "reference")?,
        (None, None, Some(name)) => {
            let bank = app.bank(Some(name))?;
            (Subject::Bank(bank.id.clone()), bank)
        }
        _ => {
            return Err(Problem::bad_body(
                "say whom the note is of: one of “pack”, “reference”, “bank”",
            ));
        }
    };
    let words = Kind::ALL.map(Kind::word);
    let kind = meant("kind of note", &written.kind, Kind::of, words)?;
    if written.text.trim().is_empty() {
        return Err(Problem::bad_body(
            "the note has no words; say what was seen or done",
        ));
    }
    if written.text.chars().count() > LONGEST {
        return Err(Problem::bad_body(format!(
            "the text is longer than {LONGEST} characters"
        )));
    }
    let at_ms = seen(&written.at, bank.time_zone)?;
    Ok(Said {
        at_ms,
        subject,
        kind,
        text: written.text,
    })
}

fn body(app: &App, note: Note) -> NoteBody {
    let (mut pack, mut reference, mut bank) = (None, None, None);
    match note.said.subject {
        Subject::Bank(name) => bank = Some(name),
        Subject::Instrument(name) => {
            let setup = app.setup();
            let entry = setup.instruments.iter().find(|entry| entry.id == name);
            if entry.is_some_and(|entry| entry.role == Role::Reference) {
                reference = Some(name);
            } else {
                pack = Some(name);
            }
        }
    }
    NoteBody {
        id: note.id,
        revision: note.revision,
        written: Zulu(note.written_ms),
        at: Zulu(note.said.at_ms),
        pack,
        reference,
        bank,
        kind: note.said.kind.word(),
        text: note.said.text,
        withdrawn: note.withdrawn,
    }
}
