//! `GET /v1/quarantine`: what could not be taken, counted, and the latest of it to look at.

use axum::{Json, extract::State};
use chrono::DateTime;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{problem::Problem, query::Asked, state::App, zulu::Zulu};
use crate::store::quarantine;

/// Lines of the count, and messages, in an answer.
const LINES: u32 = 1000;
const MESSAGES: u32 = 20;
/// Bytes of a body that are shown.
const SHOWN: u32 = 2048;

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list))
}

#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Question {
    #[param(value_type = Option<i64>, minimum = 0, maximum = 4_294_967_295_i64)]
    limit: Option<u32>,
}

#[derive(Serialize, ToSchema)]
struct Quarantine {
    messages: i64,
    counts: Vec<CountBody>,
    latest: Vec<KeptBody>,
}

#[derive(Serialize, ToSchema)]
struct CountBody {
    day: Option<String>,
    topic: String,
    reason: String,
    messages: i64,
}

#[derive(Serialize, ToSchema)]
struct KeptBody {
    arrived: Zulu,
    topic: String,
    reason: String,
    detail: String,
    /// The body as text; what is no UTF-8 is shown as �.
    body: String,
    body_bytes: u32,
}

/// What could not be taken: counts, and the latest to look at.
#[utoipa::path(
    get,
    path = "/v1/quarantine",
    tag = "quarantine",
    operation_id = "list_quarantine",
    params(Question),
    responses((status = 200, body = Quarantine))
)]
async fn list(State(app): State<App>, Asked(question): Asked<Question>) -> Result<Json<Quarantine>, Problem> {
    let limit = question.limit.unwrap_or(MESSAGES).min(LINES);
    app.read(move |connection, _| {
        let counts = quarantine::counts(connection, LINES)?
            .into_iter()
            .map(|line| CountBody {
                day: DateTime::from_timestamp(line.day * 86_400, 0)
                    .map(|instant| instant.date_naive().to_string()),
                topic: line.topic,
                reason: line.reason,
                messages: line.messages,
            })
            .collect();
        let latest = quarantine::latest(connection, limit, SHOWN)?
            .into_iter()
            .map(|kept| KeptBody {
                arrived: Zulu(kept.arrived_ms),
                topic: kept.topic,
                reason: kept.reason,
                detail: kept.detail,
                body: String::from_utf8_lossy(&kept.body).into_owned(),
                body_bytes: kept.body_bytes,
            })
            .collect();
        let (refused, in_conflict) = quarantine::refused_and_in_conflict(connection)?;
        Ok(Quarantine {
            messages: refused + in_conflict,
            counts,
            latest,
        })
    })
    .await
    .map(Json)
}
