//! `GET /v1/anchors`: the full charges, and pack by pack whether they count and what was shown.

use axum::{Json, extract::State};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    problem::Problem,
    query::{Asked, OfBank},
    state::App,
    zulu::Zulu,
};
use crate::{
    ledger::{self, Roster},
    store,
    unit::{tenths, thousandths},
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(anchors))
}

#[derive(Serialize, ToSchema)]
struct Anchors {
    bank: String,
    anchors: Vec<Anchor>,
}

#[derive(Serialize, ToSchema)]
struct Anchor {
    begin: Zulu,
    end: Zulu,
    voltage_crossed: Zulu,
    /// Null, as the current below, where a person asserted it, gave none and none was logged.
    voltage_v: Option<f64>,
    tail_current_a: Option<f64>,
    /// The number under which a person asserted it; null where it was found in the readings.
    asserted: Option<i64>,
    /// The number under which a person vetoed it: no answer goes by it then.
    vetoed: Option<i64>,
    packs: Vec<PackBody>,
}

#[derive(Serialize, ToSchema)]
#[schema(as = AnchorPackBody)]
struct PackBody {
    pack: String,
    counts: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<String>,
    voltage_v: Option<f64>,
    tail_current_a: Option<f64>,
    cell_min_v: Option<f64>,
    cell_max_v: Option<f64>,
    cell_difference_v: Option<f64>,
    temperature_c: Option<f64>,
    display_before_percent: Option<f64>,
    display_after_percent: Option<f64>,
}

/// The full charges, and pack by pack whether they count and what was shown.
#[utoipa::path(
    get,
    path = "/v1/anchors",
    tag = "anchors",
    operation_id = "anchors",
    params(OfBank),
    responses((status = 200, body = Anchors))
)]
async fn anchors(State(app): State<App>, Asked(asked): Asked<OfBank>) -> Result<Json<Anchors>, Problem> {
    app.ask_of_bank(&asked, move |connection, setup, bank, (since_ms, until_ms)| {
        let roster = Roster::look_up(connection, setup)?;
        let name_of = |number: i64| {
            let named = |instrument: &_| roster.member(*instrument).number == number;
            setup
                .all_instruments()
                .find(named)
                .map(|instrument| setup.entry(instrument).id.clone())
        };
        let mut anchors = Vec::new();
        for mark in ledger::marks(connection, setup, bank)? {
            let anchor = mark.anchor;
            if anchor.end_ms < since_ms || anchor.begin_ms > until_ms {
                continue;
            }
            anchors.push(Anchor {
                begin: Zulu(anchor.begin_ms),
                end: Zulu(anchor.end_ms),
                voltage_crossed: Zulu(anchor.crossed_ms),
                voltage_v: anchor.voltage_mv.map(thousandths),
                tail_current_a: anchor.tail_ma.map(thousandths),
                asserted: mark.asserted,
                vetoed: mark.vetoed,
                packs: mark
                    .packs
                    .into_iter()
                    .filter_map(|pack| Some(pack_body(name_of(pack.instrument)?, pack)))
                    .collect(),
            });
        }
        Ok(Anchors {
            bank: bank.id.clone(),
            anchors,
        })
    })
    .await
    .map(Json)
}

fn pack_body(pack: String, shown: store::anchor::PackAtMark) -> PackBody {
    PackBody {
        pack,
        counts: shown.against.is_none(),
        reason: shown.against,
        voltage_v: shown.voltage_mv.map(thousandths),
        tail_current_a: shown.tail_ma.map(thousandths),
        cell_min_v: shown.cell_min_mv.map(thousandths),
        cell_max_v: shown.cell_max_mv.map(thousandths),
        cell_difference_v: shown
            .cell_max_mv
            .zip(shown.cell_min_mv)
            .map(|(max, min)| thousandths(max - min)),
        temperature_c: shown.temperature.map(tenths),
        display_before_percent: shown.soc_before.map(tenths),
        display_after_percent: shown.soc_after.map(tenths),
    }
}
