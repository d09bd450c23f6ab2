//! `/v1/phases`: what was going on; a person's word stands over what was derived.

use axum::{Json, extract::State, http::StatusCode};
use chrono::Utc;
use serde::{Deserialize, Serialize};
use utoipa::{ToSchema, openapi::ObjectBuilder};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    problem::Problem,
    query::{Asked, Instant, Numbered, OfBank, Sent, meant, one_of, sent_instant},
    state::App,
    zulu::Zulu,
};
use crate::{charge::phase::Kind, ledger, store::stated_phase};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(list, add))
        .routes(routes!(withdraw))
}

#[derive(Serialize, ToSchema)]
#[schema(as = Phases)]
struct Body {
    bank: String,
    phases: Vec<PhaseBody>,
    off_busbar: Vec<OffBusbarBody>,
}

/// A pack that was off the busbar for a while; `end` is null where it is not back yet.
#[derive(Serialize, ToSchema)]
struct OffBusbarBody {
    pack: String,
    begin: Zulu,
    end: Option<Zulu>,
}

#[derive(Serialize, ToSchema)]
struct PhaseBody {
    kind: &'static str,
    begin: Zulu,
    end: Zulu,
    /// The number of the stated phase; null where it was derived.
    stated: Option<i64>,
}

/// What was going on: phases, and packs off the busbar.
#[utoipa::path(
    get,
    path = "/v1/phases",
    tag = "phases",
    operation_id = "list_phases",
    params(OfBank),
    responses((status = 200, body = Body))
)]
async fn list(State(app): State<App>, Asked(asked): Asked<OfBank>) -> Result<Json<Body>, Problem> {
    app.ask_of_bank(&asked, move |connection, setup, bank, (since_ms, until_ms)| {
        let found = ledger::phases(connection, setup, bank, since_ms, until_ms)?;
        let off_busbar = bank.packs.iter().zip(found.away).flat_map(|(pack, away)| {
            away.into_iter().map(|stretch| OffBusbarBody {
                pack: setup.entry(pack.instrument).id.clone(),
                begin: Zulu(stretch.begin_ms),
                end: stretch.end_ms.map(Zulu),
            })
        });
        let phases = found
            .phases
            .into_iter()
            .map(|phase| PhaseBody {
                kind: phase.kind.word(),
                begin: Zulu(phase.begin_ms),
                end: Zulu(phase.end_ms),
                stated: phase.stated,
            })
            .collect();
        Ok(Body {
            bank: bank.id.clone(),
            phases,
            off_busbar: off_busbar.collect(),
        })
    })
    .await
    .map(Json)
}

#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct Stated {
    bank: Option<String>,
    #[schema(schema_with = kinds)]
    kind: String,
    #[schema(inline, value_type = Instant)]
    begin: String,
    #[schema(inline, value_type = Instant)]
    end: String,
    #[serde(default)]
    text: String,
}

#[derive(Serialize, ToSchema)]
struct StatedBody {
    id: i64,
    revision: i64,
    written: Zulu,
    bank: String,
    kind: &'static str,
    begin: Zulu,
    end: Zulu,
    text: String,
    withdrawn: bool,
}

fn kinds() -> ObjectBuilder {
    one_of(Kind::ALL.map(Kind::word))
}

/// States a phase, which stands over what was derived.
#[utoipa::path(
    post,
    path = "/v1/phases",
    tag = "phases",
    operation_id = "add_phase",
    request_body = Stated,
    responses((status = 201, body = StatedBody))
)]
async fn add(
    State(app): State<App>,
    Sent(stated): Sent<Stated>,
) -> Result<(StatusCode, Json<StatedBody>), Problem> {
    let bank = app.bank(stated.bank.as_deref())?;
    let words = Kind::ALL.map(Kind::word);
    let kind = meant("kind of phase", &stated.kind, Kind::of, words)?;
    let begin_ms = sent_instant("begin", &stated.begin, bank.time_zone)?;
    let end_ms = sent_instant("end", &stated.end, bank.time_zone)?;
    if begin_ms >= end_ms {
        return Err(Problem::bad_body("“begin” must lie before “end”"));
    }
    let said = stated_phase::Said {
        bank: bank.id.clone(),
        kind,
        begin_ms,
        end_ms,
        text: stated.text,
    };
    let written_ms = Utc::now().timestamp_millis();
    let phase = app
        .write(move |connection| stated_phase::add(connection, written_ms, said))
        .await?;
    Ok((StatusCode::CREATED, Json(stated_body(phase))))
}

/// Takes a stated phase back.
#[utoipa::path(
    delete,
    path = "/v1/phases/{id}",
    tag = "phases",
    operation_id = "withdraw_phase",
    params(("id" = i64, Path)),
    responses((status = 200, body = StatedBody))
)]
async fn withdraw(State(app): State<App>, Numbered(id): Numbered) -> Result<Json<StatedBody>, Problem> {
    let written_ms = Utc::now().timestamp_millis();
    let phase = app
        .write(move |connection| stated_phase::withdraw(connection, written_ms, id))
        .await?;
    phase
        .map(|phase| Json(stated_body(phase)))
        .ok_or_else(|| Problem::not_written("phase", id))
}

fn stated_body(phase: stated_phase::StatedPhase) -> StatedBody {
    StatedBody {
        id: phase.id,
        revision: phase.revision,
        written: Zulu(phase.written_ms),
        bank: phase.said.bank,
        kind: phase.said.kind.word(),
        begin: Zulu(phase.said.begin_ms),
        end: Zulu(phase.said.end_ms),
        text: phase.said.text,
        withdrawn: phase.withdrawn,
    }
}
