//! `GET /v1/readings`: the readings themselves, a page at a time.

use axum::{Json, extract::State};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use utoipa::{
    IntoParams, ToSchema,
    openapi::{
        KnownFormat, Schema, SchemaFormat,
        schema::{AdditionalProperties, ArrayBuilder, ObjectBuilder, Type},
    },
};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    problem::Problem,
    query::{Asked, Instant, stretch},
    state::App,
    zulu::Zulu,
};
use crate::{
    reading::{Channel, Channels},
    store,
};

/// Readings in an answer, unless fewer are asked for.
const PAGE: u32 = 1000;

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(readings))
}

#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Question {
    instrument: String,
    #[param(inline, value_type = Option<Instant>)]
    since: Option<String>,
    #[param(inline, value_type = Option<Instant>)]
    until: Option<String>,
    #[param(value_type = Option<i64>, minimum = 0, maximum = 4_294_967_295_i64)]
    limit: Option<u32>,
}

#[derive(Serialize, ToSchema)]
#[schema(as = ReadingsPage)]
struct Page {
    instrument: String,
    #[schema(schema_with = rows)]
    readings: Vec<Map<String, Value>>,
    /// Ask again with this as `since`; null where there are no more.
    next_since: Option<Zulu>,
}

/// The readings of one instrument, a page at a time.
#[utoipa::path(
    get,
    path = "/v1/readings",
    tag = "readings",
    operation_id = "readings",
    params(Question),
    responses((status = 200, body = Page))
)]
async fn readings(State(app): State<App>, Asked(question): Asked<Question>) -> Result<Json<Page>, Problem> {
    let setup = app.setup();
    let entry = setup
        .instruments
        .iter()
        .find(|entry| entry.id == question.instrument)
        .ok_or_else(|| {
            let known: Vec<_> = setup.instruments.iter().map(|entry| entry.id.as_str()).collect();
            Problem::unknown("instrument", &question.instrument, &known)
        })?;
    let zone = setup.banks[entry.bank].time_zone;
    let (since_ms, until_ms) = stretch(question.since.as_deref(), question.until.as_deref(), zone)?;
    let limit = question.limit.unwrap_or(PAGE).clamp(1, PAGE);
    app.read_in_turn(move |connection, _| {
        let mut found = Vec::new();
        if let Some(number) = store::instrument::known_number(connection, &question.instrument)? {
            found = store::reading::of_instrument(connection, number, since_ms, until_ms, limit + 1)?;
        }
        let next_since = if found.len() > limit as usize {
            found.pop().map(|(at_ms, _)| Zulu(at_ms))
        } else {
            None
        };
        let readings = found
            .iter()
            .map(|(at_ms, channels)| reading_body(*at_ms, channels))
            .collect();
        Ok(Page {
            instrument: question.instrument,
            readings,
            next_since,
        })
    })
    .await
    .map(Json)
}

/// A reading has its instant and those channels that were reported.
fn rows() -> ArrayBuilder {
    let number = || ObjectBuilder::new().schema_type(Type::Number);
    let at = ObjectBuilder::new()
        .schema_type(Type::String)
        .format(Some(SchemaFormat::KnownFormat(KnownFormat::DateTime)));
    let mut row = ObjectBuilder::new().property("at", at).required("at");
    for channel in Channel::ALL {
        row = row.property(field(channel), number());
    }
    ArrayBuilder::new()
        .items(row.additional_properties(Some(AdditionalProperties::<Schema>::FreeForm(false))))
}

fn reading_body(at_ms: i64, channels: &Channels) -> Map<String, Value> {
    let mut body = Map::new();
    body.insert("at".into(), Zulu(at_ms).to_string().into());
    for (channel, value) in channels.iter() {
        body.insert(field(channel).into(), channel.in_units(value).into());
    }
    body
}

/// A channel's name with its unit.
#[must_use]
pub fn field(channel: Channel) -> &'static str {
    match channel {
        Channel::Current => "current_a",
        Channel::Voltage => "voltage_v",
        Channel::Soc => "soc_percent",
        Channel::Charge => "charge_ah",
        Channel::Temperature => "temperature_c",
        Channel::CellMin => "cell_min_v",
        Channel::CellMax => "cell_max_v",
        Channel::Connected => "connected",
        Channel::Alive => "alive",
    }
}
