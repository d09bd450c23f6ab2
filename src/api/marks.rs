//! `/v1/marks`: full charges that a person knows of and the log missed, and those that were none.

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
    charge::full::are_apart,
    config::Bank,
    ledger,
    store::stated_mark::{self, Kind, Said, StatedMark},
    unit::thousandths,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(list, add))
        .routes(routes!(withdraw))
}

#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Question {
    bank: Option<String>,
    #[serde(default)]
    history: bool,
}

#[derive(Serialize, ToSchema)]
struct Marks {
    bank: String,
    marks: Vec<MarkBody>,
}

#[derive(Serialize, ToSchema)]
struct MarkBody {
    id: i64,
    revision: i64,
    written: Zulu,
    bank: String,
    kind: &'static str,
    at: Zulu,
    voltage_v: Option<f64>,
    tail_current_a: Option<f64>,
    text: String,
    withdrawn: bool,
}

/// Full charges that people stated or vetoed.
#[utoipa::path(
    get,
    path = "/v1/marks",
    tag = "marks",
    operation_id = "list_marks",
    params(Question),
    responses((status = 200, body = Marks))
)]
async fn list(State(app): State<App>, Asked(question): Asked<Question>) -> Result<Json<Marks>, Problem> {
    let bank = app.bank(question.bank.as_deref())?.id.clone();
    app.read(move |connection, _| {
        let marks = if question.history {
            stated_mark::history(connection, &bank)?
        } else {
            stated_mark::standing(connection, &bank)?
        };
        Ok(Marks {
            bank,
            marks: marks.into_iter().map(body).collect(),
        })
    })
    .await
    .map(Json)
}

/// A mark as a person sends it.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = WrittenMark)]
struct Written {
    bank: Option<String>,
    #[schema(schema_with = kinds)]
    kind: String,
    #[schema(inline, value_type = Instant)]
    at: String,
    voltage_v: Option<f64>,
    tail_current_a: Option<f64>,
    #[serde(default)]
    text: String,
}

fn kinds() -> ObjectBuilder {
    one_of(Kind::ALL.map(Kind::word))
}

/// States a full charge that the log missed, or vetoes one that was none.
#[utoipa::path(
    post,
    path = "/v1/marks",
    tag = "marks",
    operation_id = "add_mark",
    request_body = Written,
    responses((status = 201, body = MarkBody))
)]
async fn add(
    State(app): State<App>,
    Sent(written): Sent<Written>,
) -> Result<(StatusCode, Json<MarkBody>), Problem> {
    let bank = app.bank(written.bank.as_deref())?;
    let words = Kind::ALL.map(Kind::word);
    let kind = meant("kind of mark", &written.kind, Kind::of, words)?;
    let said = Said {
        bank: bank.id.clone(),
        kind,
        at_ms: seen(&written.at, bank.time_zone)?,
        voltage_mv: written
            .voltage_v
            .map(|volts| kept("voltage_v", volts))
            .transpose()?,
        tail_ma: written
            .tail_current_a
            .map(|amperes| kept("tail_current_a", amperes))
            .transpose()?,
        text: written.text,
    };
    speaks_of_something(&app, said.clone()).await?;
    let written_ms = Utc::now().timestamp_millis();
    let mark = app
        .write(move |connection| stated_mark::add(connection, written_ms, said))
        .await?;
    Ok((StatusCode::CREATED, Json(body(mark))))
}

/// Refuses a veto of nothing, and an assertion of what is there already or of what the log speaks against.
async fn speaks_of_something(app: &App, said: Said) -> Result<(), Problem> {
    app.ask(move |connection, setup| {
        let bank = setup.bank(&said.bank).ok_or_else(Problem::internal)?;
        let marks = ledger::marks(connection, setup, bank)?;
        let near: Vec<_> = marks
            .iter()
            .filter(|mark| mark.stands() && mark.is_near(said.at_ms))
            .collect();
        match said.kind {
            Kind::Veto if near.is_empty() => Err(Problem::bad_body(
                "no full charge stands within an hour of that time; /v1/anchors lists them",
            )),
            // A veto speaks of what the log has; who asserted a mark takes it back.
            Kind::Veto => match near.iter().map(|mark| mark.asserted).collect::<Option<Vec<_>>>() {
                Some(asserted) => Err(Problem::bad_body(format!(
                    "that full charge was asserted: withdraw mark {}",
                    joined(&asserted)
                ))),
                None => Ok(()),
            },
            Kind::Assert if !near.is_empty() => Err(Problem::bad_body(
                "a full charge stands within an hour of that time already; veto that one first",
            )),
            Kind::Assert => {
                let logged = ledger::logged_at(connection, setup, bank, said.at_ms)?;
                let Some(logged_mv) = logged.voltage_mv else {
                    return Ok(());
                };
                against_log(bank, &said, logged_mv).map_or(Ok(()), |why| Err(Problem::bad_body(why)))
            }
        }
    })
    .await
}

fn joined(numbers: &[i64]) -> String {
    numbers
        .iter()
        .map(ToString::to_string)
        .collect::<Vec<_>>()
        .join(" and ")
}

/// Why a bank that was logged with this voltage can't have been full as it was asserted: every answer runs from a mark,
/// so that a wrong date ruins them all.
fn against_log(bank: &Bank, said: &Said, logged_mv: i64) -> Option<String> {
    let criterion = ledger::criterion(bank, said.at_ms);
    let logged = thousandths(logged_mv);
    match said.voltage_mv {
        None if logged_mv < criterion.voltage_mv - criterion.dip_mv => Some(format!(
            "the log has {logged} V for that time, and the bank is full at {} V: see whether “at” is right; if it is, \
             say with which voltage it was seen (“voltage_v”, on the command line --voltage)",
            thousandths(criterion.voltage_mv)
        )),
        // No pack would be taken for one on the busbar.
        Some(seen_mv) if are_apart(i64::from(bank.cells_in_series), seen_mv, logged_mv) => Some(format!(
            "“voltage_v” is {} V, and the log has {logged} V for that time: see whether “at” and “voltage_v” are right",
            thousandths(seen_mv)
        )),
        None | Some(_) => None,
    }
}

/// V or A in mV or mA.
fn kept(field: &str, value: f64) -> Result<i64, Problem> {
    if !value.is_finite() || value.abs() > 100_000.0 {
        return Err(Problem::bad_body(format!(
            "“{field}” is outside what a bank can have"
        )));
    }
    #[expect(clippy::cast_possible_truncation, reason = "bounded just above")]
    Ok((value * 1000.0).round() as i64)
}

/// Takes a stated mark back; it stays in the history.
#[utoipa::path(
    delete,
    path = "/v1/marks/{id}",
    tag = "marks",
    operation_id = "withdraw_mark",
    params(("id" = i64, Path)),
    responses((status = 200, body = MarkBody))
)]
async fn withdraw(State(app): State<App>, Numbered(id): Numbered) -> Result<Json<MarkBody>, Problem> {
    let written_ms = Utc::now().timestamp_millis();
    let mark = app
        .write(move |connection| stated_mark::withdraw(connection, written_ms, id))
        .await?;
    mark.map(|mark| Json(body(mark)))
        .ok_or_else(|| Problem::not_written("mark", id))
}

fn body(mark: StatedMark) -> MarkBody {
    MarkBody {
        id: mark.id,
        revision: mark.revision,
        written: Zulu(mark.written_ms),
        bank: mark.said.bank,
        kind: mark.said.kind.word(),
        at: Zulu(mark.said.at_ms),
        voltage_v: mark.said.voltage_mv.map(thousandths),
        tail_current_a: mark.said.tail_ma.map(thousandths),
        text: mark.said.text,
        withdrawn: mark.withdrawn,
    }
}
