//! `GET /v1/packs/{pack}/evidence`: what calibration phases show of a pack's board beside the reference.

use axum::{
    Json,
    extract::{Path, State},
};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    drift::round,
    problem::Problem,
    query::{Asked, stretch},
    state::App,
    zulu::Zulu,
};
use crate::{
    charge::{
        estimate::COVERAGE_FACTOR,
        evidence::{Compared, Evidence, Known},
    },
    ledger::{self, Calibration},
    reading::Channel,
    store,
};

/// How to get evidence.
const GUIDANCE: &str = "If the makers of packs and boards allow it, have all other packs disconnected, so that this \
                        one is alone with the reference. Let nothing flow for half an hour, then charge steadily for \
                        half an hour, then discharge steadily: nothing shows the offset, the two currents show each \
                        direction's gain. State the time as a phase of the kind calibration. Leave the wiring to \
                        licensed people. Keep within what the remaining pack allows: the charger of the whole bank acts \
                        on it alone. Packs whose voltages are apart equalise with very large currents: have them \
                        connected again only once their voltages are as equal as their makers ask.";

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(ask))
}

#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Question {
    since: Option<String>,
    until: Option<String>,
}

#[derive(Serialize, ToSchema)]
#[schema(as = Evidence)]
struct Answer {
    pack: String,
    coverage_factor: f64,
    /// Smallest step of the reported current.
    resolution_ma: Option<i64>,
    reference_resolution_ma: Option<i64>,
    reports_every_s: Option<i64>,
    phases: Vec<PhaseBody>,
    guidance: &'static str,
}

#[derive(Serialize, ToSchema)]
#[schema(as = EvidencePhaseBody)]
struct PhaseBody {
    begin: Zulu,
    end: Zulu,
    voltage_difference_mv: Option<f64>,
    voltage_expanded_uncertainty_mv: Option<f64>,
    current: Option<CurrentBody>,
    #[serde(skip_serializing_if = "Option::is_none")]
    current_reason: Option<&'static str>,
}

/// What the currents show. With one current only, offset and gain are null and the difference is all there is.
#[derive(Serialize, Default, ToSchema)]
#[schema(as = EvidenceCurrentBody)]
struct CurrentBody {
    instants: usize,
    offset_ma: Option<f64>,
    offset_expanded_uncertainty_ma: Option<f64>,
    gain: Option<f64>,
    gain_expanded_uncertainty: Option<f64>,
    residual_spread_ma: Option<f64>,
    one_current_a: Option<f64>,
    difference_ma: Option<f64>,
    difference_expanded_uncertainty_ma: Option<f64>,
    /// The board went blind somewhere between these currents of the reference.
    blind_up_to_ma: Option<f64>,
    seen_from_ma: Option<f64>,
    clock_behind_s: Option<i64>,
    /// Currents that were not there yet: nothing, charging, discharging.
    wanted: Vec<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<&'static str>,
}

/// What calibration phases show of a pack's board beside the reference.
#[utoipa::path(
    get,
    path = "/v1/packs/{pack}/evidence",
    tag = "packs",
    operation_id = "pack_evidence",
    params(("pack" = String, Path, description = "the pack's name"), Question),
    responses((status = 200, body = Answer))
)]
async fn ask(
    State(app): State<App>,
    Path(name): Path<String>,
    Asked(question): Asked<Question>,
) -> Result<Json<Answer>, Problem> {
    let setup = app.setup();
    let found = setup.banks.iter().find_map(|bank| {
        let of = |pack: &crate::config::Pack| setup.entry(pack.instrument).id == name;
        Some((bank, bank.packs.iter().position(of)?))
    });
    let Some((bank, p)) = found else {
        let packs = setup.banks.iter().flat_map(|bank| &bank.packs);
        let known: Vec<&str> = packs
            .map(|pack| setup.entry(pack.instrument).id.as_str())
            .collect();
        return Err(Problem::unknown("pack", &name, &known));
    };
    let window = stretch(
        question.since.as_deref(),
        question.until.as_deref(),
        bank.time_zone,
    )?;
    let bank = bank.id.clone();
    app.ask(move |connection, setup| {
        let bank = setup.bank(&bank).ok_or_else(Problem::internal)?;
        let (calibrations, steps_ma) = ledger::calibrations(connection, setup, bank, p, window)?;
        let number = store::instrument::known_number(connection, &name)?;
        let last_ms = store::reading::extent(connection)?.map(|(_, last_ms)| last_ms);
        let every_ms = match number.zip(last_ms) {
            Some((number, last_ms)) => {
                store::reading::usual_interval_ms(connection, number, Channel::Current, last_ms)?
            }
            None => None,
        };
        Ok(Answer {
            pack: name,
            coverage_factor: COVERAGE_FACTOR,
            resolution_ma: steps_ma[0],
            reference_resolution_ma: steps_ma[1],
            reports_every_s: every_ms.map(|ms| ms / 1000),
            phases: calibrations.iter().map(phase_body).collect(),
            guidance: GUIDANCE,
        })
    })
    .await
    .map(Json)
}

fn phase_body(phase: &Calibration) -> PhaseBody {
    let (voltage_difference_mv, voltage_expanded_uncertainty_mv) = stated(phase.difference_v, 1000.0, 1);
    PhaseBody {
        begin: Zulu(phase.begin_ms),
        end: Zulu(phase.end_ms),
        voltage_difference_mv,
        voltage_expanded_uncertainty_mv,
        current: phase.evidence.as_ref().map(current_body),
        current_reason: phase
            .evidence
            .is_none()
            .then_some("other packs were on the busbar: nobody knows what flowed through this one"),
    }
}

/// A figure in its unit and its expanded uncertainty.
fn stated(known: Option<Known>, per: f64, digits: i32) -> (Option<f64>, Option<f64>) {
    let rounded = |value: f64| round(per * value, digits);
    (
        known.map(|known| rounded(known.0)),
        known.map(|known| rounded(COVERAGE_FACTOR * known.1)),
    )
}

fn current_body(evidence: &Evidence) -> CurrentBody {
    let kinds = evidence.kinds;
    let wanted = [
        (kinds.nothing, "nothing"),
        (kinds.charging, "charging"),
        (kinds.discharging, "discharging"),
    ];
    let mut body = CurrentBody {
        instants: evidence.instants,
        blind_up_to_ma: evidence.blind_a.map(|between| round(1000.0 * between.0, 0)),
        seen_from_ma: evidence.blind_a.map(|between| round(1000.0 * between.1, 0)),
        clock_behind_s: evidence.behind_ms.map(|ms| ms / 1000),
        wanted: wanted
            .into_iter()
            .filter(|(there, _)| !there)
            .map(|(_, word)| word)
            .collect(),
        ..CurrentBody::default()
    };
    match evidence.compared {
        Some(Compared::Line {
            offset_a,
            gain,
            spread_a,
        }) => {
            (body.offset_ma, body.offset_expanded_uncertainty_ma) = stated(Some(offset_a), 1000.0, 1);
            (body.gain, body.gain_expanded_uncertainty) = stated(Some(gain), 1.0, 5);
            body.residual_spread_ma = Some(round(1000.0 * spread_a, 1));
        }
        Some(Compared::OneCurrent {
            reference_a,
            difference_a,
        }) => {
            body.one_current_a = Some(round(reference_a, 2));
            (body.difference_ma, body.difference_expanded_uncertainty_ma) =
                stated(Some(difference_a), 1000.0, 1);
            body.reason = Some("one current alone can't tell an offset from a gain");
        }
        None => body.reason = Some("too few reports of both at the same instants that the board saw"),
    }
    body
}
