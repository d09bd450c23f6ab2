//! `GET /v1/packs`: the packs as the setup has them, with what held when.

use axum::{Json, extract::State};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{state::App, zulu::Zulu};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(packs))
}

#[derive(Serialize, ToSchema)]
struct Packs {
    packs: Vec<PackBody>,
}

#[derive(Serialize, ToSchema)]
#[schema(as = PackHeldBody)]
struct PackBody {
    pack: String,
    bank: String,
    held: Vec<HeldBody>,
}

#[derive(Serialize, ToSchema)]
struct HeldBody {
    from: Option<Zulu>,
    capacity_ah: f64,
    set_capacity_ah: Option<f64>,
    measured_capacity_ah: Option<f64>,
    measured_capacity_uncertainty_ah: Option<f64>,
    revision: String,
    firmware: Option<String>,
    standing_draw_ma: f64,
    standing_draw_uncertainty_ma: f64,
    in_bank: bool,
}

/// The packs as the setup has them, with what held when.
#[utoipa::path(
    get,
    path = "/v1/packs",
    tag = "packs",
    operation_id = "packs",
    responses((status = 200, body = Packs))
)]
async fn packs(State(app): State<App>) -> Json<Packs> {
    let setup = app.setup();
    let packs = setup
        .banks
        .iter()
        .flat_map(|bank| bank.packs.iter().map(move |pack| (bank, pack)))
        .map(|(bank, pack)| PackBody {
            pack: setup.entry(pack.instrument).id.clone(),
            bank: bank.id.clone(),
            held: pack
                .held
                .iter()
                .map(|held| HeldBody {
                    from: held.from_ms.map(Zulu),
                    capacity_ah: held.capacity_ah,
                    set_capacity_ah: held.set_capacity_ah,
                    measured_capacity_ah: held.measured_capacity_ah.map(|measured| measured.0),
                    measured_capacity_uncertainty_ah: held.measured_capacity_ah.map(|measured| measured.1),
                    revision: held.revision.clone(),
                    firmware: held.firmware.clone(),
                    standing_draw_ma: held.standing_draw_ma.0,
                    standing_draw_uncertainty_ma: held.standing_draw_ma.1,
                    in_bank: held.in_bank,
                })
                .collect(),
        })
        .collect();
    Json(Packs { packs })
}
