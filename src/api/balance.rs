//! `GET /v1/balance`: the packs' reported currents together against the reference's.

use axum::{Json, extract::State};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    drift::round,
    problem::Problem,
    query::{Asked, OfBank},
    state::App,
    zulu::Zulu,
};
use crate::{
    charge::{
        balance::{Balance, Counted, Fault, Line, balance},
        estimate::COVERAGE_FACTOR,
    },
    config::{Bank, Setup},
    ledger,
    reading::HOUR_MS,
};

/// What the balance is no evidence of.
const DETERMINES: &str = "Only the sum of the boards' errors, the reference's own among them: which board is wrong, \
                          the balance can't say.";

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(ask))
}

#[derive(Serialize, ToSchema)]
#[schema(as = Balance)]
struct Answer {
    bank: String,
    since: Option<Zulu>,
    until: Option<Zulu>,
    coverage_factor: f64,
    determines: &'static str,
    packs_ah: f64,
    reference_ah: f64,
    difference_ah: f64,
    hours_counted: usize,
    hours_left_out: usize,
    line: Option<LineBody>,
    misreports: Vec<MisreportBody>,
    hours: Vec<HourBody>,
}

/// The packs together over the reference: `slope` times its current, and `intercept_ma` on top.
#[derive(Serialize, ToSchema)]
#[schema(as = BalanceLineBody)]
struct LineBody {
    slope: f64,
    slope_expanded_uncertainty: f64,
    intercept_ma: f64,
    intercept_expanded_uncertainty_ma: f64,
    residual_spread_ma: f64,
}

/// A pack's report that can't be true, whose share is missing from the sum.
#[derive(Serialize, ToSchema)]
#[schema(as = BalanceMisreportBody)]
struct MisreportBody {
    pack: String,
    /// `stopped`: it stood still. `reversed`: it ran against the bank.
    fault: &'static str,
    begin: Zulu,
    end: Zulu,
}

#[derive(Serialize, ToSchema)]
#[schema(as = BalanceHourBody)]
struct HourBody {
    begin: Zulu,
    packs_ah: f64,
    reference_ah: f64,
    difference_ah: f64,
}

/// The packs' reported currents together against the reference's.
#[utoipa::path(
    get,
    path = "/v1/balance",
    tag = "balance",
    operation_id = "balance",
    params(OfBank),
    responses((status = 200, body = Answer))
)]
async fn ask(State(app): State<App>, Asked(asked): Asked<OfBank>) -> Result<Json<Answer>, Problem> {
    app.ask_of_bank(&asked, move |connection, setup, bank, (since_ms, until_ms)| {
        let hours = ledger::hours_of_bank(connection, setup, bank, since_ms, until_ms)?;
        Ok(answer(setup, bank, &balance(&hours)))
    })
    .await
    .map(Json)
}

fn answer(setup: &Setup, bank: &Bank, balance: &Balance) -> Answer {
    let ends = balance.hours.first().zip(balance.hours.last());
    let sum = |of: fn(&Counted) -> f64| round(balance.hours.iter().map(of).sum(), 3);
    Answer {
        bank: bank.id.clone(),
        since: ends.map(|(first, _)| Zulu(first.begin_ms)),
        until: ends.map(|(_, last)| Zulu(last.begin_ms + HOUR_MS)),
        coverage_factor: COVERAGE_FACTOR,
        determines: DETERMINES,
        packs_ah: sum(|hour| hour.packs_ah),
        reference_ah: sum(|hour| hour.reference_ah),
        difference_ah: round(balance.difference_ah(), 3),
        hours_counted: balance.hours.len(),
        hours_left_out: balance.left_out,
        line: balance.line.as_ref().map(line_body),
        misreports: balance
            .misreports
            .iter()
            .map(|misreport| MisreportBody {
                pack: setup.entry(bank.packs[misreport.p].instrument).id.clone(),
                fault: match misreport.fault {
                    Fault::Stopped => "stopped",
                    Fault::Reversed => "reversed",
                },
                begin: Zulu(misreport.begin_ms),
                end: Zulu(misreport.end_ms),
            })
            .collect(),
        hours: balance
            .hours
            .iter()
            .map(|hour| HourBody {
                begin: Zulu(hour.begin_ms),
                packs_ah: round(hour.packs_ah, 4),
                reference_ah: round(hour.reference_ah, 4),
                difference_ah: round(hour.packs_ah - hour.reference_ah, 4),
            })
            .collect(),
    }
}

fn line_body(line: &Line) -> LineBody {
    LineBody {
        slope: round(line.slope.0, 5),
        slope_expanded_uncertainty: round(COVERAGE_FACTOR * line.slope.1, 5),
        intercept_ma: round(1000.0 * line.intercept_a.0, 2),
        intercept_expanded_uncertainty_ma: round(1000.0 * COVERAGE_FACTOR * line.intercept_a.1, 2),
        residual_spread_ma: round(1000.0 * line.spread_a, 2),
    }
}
