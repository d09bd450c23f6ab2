//! `GET /v1/reference`: the reference on trial, span by span and pooled over its epochs.

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
        drift::Record,
        estimate::{COVERAGE_FACTOR, Estimate},
        fill::Filled,
        trial::Trial,
    },
    ledger,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(reference))
}

#[derive(Serialize, ToSchema)]
#[schema(as = Reference)]
struct Answer {
    bank: String,
    reference: String,
    setup: String,
    coverage_factor: f64,
    /// From full charge to full charge.
    spans: Vec<TrialBody>,
    /// All spans of one epoch of the reference together.
    pooled: Vec<TrialBody>,
    verdict: String,
}

#[derive(Serialize, ToSchema)]
#[schema(as = ReferenceTrialBody)]
struct TrialBody {
    begin: Zulu,
    end: Zulu,
    spans: usize,
    /// The reference was set anew within: nothing follows for either epoch.
    of_two_epochs: bool,
    closure: AmountBody,
    /// What should have left the packs behind the reference's back, as the setup has it.
    expected: Vec<ExpectedBody>,
    /// What is left for the instrument.
    remainder: AmountBody,
    significant: bool,
    allowed_by_data_sheet_ah: f64,
    beyond_data_sheet: bool,
}

#[derive(Serialize, ToSchema)]
#[schema(as = ReferenceAmountBody)]
struct AmountBody {
    ah: f64,
    expanded_uncertainty_ah: f64,
    ah_per_day: f64,
    ma: f64,
    expanded_uncertainty_ma: f64,
    percent_of_throughput: Option<f64>,
}

#[derive(Serialize, ToSchema)]
#[schema(as = ReferenceExpectedBody)]
struct ExpectedBody {
    source: &'static str,
    ah: f64,
    expanded_uncertainty_ah: f64,
}

/// What the reference counted from full charge to full charge, and what of it is its own error.
#[utoipa::path(
    get,
    path = "/v1/reference",
    tag = "reference",
    operation_id = "reference",
    params(OfBank),
    responses((status = 200, body = Answer))
)]
async fn reference(State(app): State<App>, Asked(asked): Asked<OfBank>) -> Result<Json<Answer>, Problem> {
    app.ask_of_bank(&asked, move |connection, setup, bank, (since_ms, until_ms)| {
        let asked = ledger::gather(connection, setup, bank, &[since_ms, until_ms])?;
        let (mut spans, mut pooled) = (Vec::new(), Vec::new());
        if let Some(asked) = &asked {
            let filled = Filled::new(&asked.facts);
            let record = Record::new(&asked.facts, &filled);
            let inside = |trial: &Trial| trial.begin_ms >= since_ms && trial.end_ms <= until_ms;
            spans = record.trials();
            spans.retain(inside);
            pooled = Trial::pooled(&asked.facts, spans.clone());
        }
        Ok(Answer {
            bank: bank.id.clone(),
            reference: setup.entry(bank.reference.instrument).id.clone(),
            setup: setup.digest.clone(),
            coverage_factor: COVERAGE_FACTOR,
            verdict: verdict(pooled.last()),
            spans: spans.iter().map(body).collect(),
            pooled: pooled.iter().map(body).collect(),
        })
    })
    .await
    .map(Json)
}

fn body(trial: &Trial) -> TrialBody {
    let remainder = trial.remainder();
    TrialBody {
        begin: Zulu(trial.begin_ms),
        end: Zulu(trial.end_ms),
        spans: trial.spans,
        of_two_epochs: trial.of_two_epochs,
        closure: amount(trial, &trial.closure),
        expected: trial
            .expected
            .iter()
            .map(|(source, part)| ExpectedBody {
                source: source.word(),
                ah: round(part.value_ah, 2),
                expanded_uncertainty_ah: round(part.expanded_uncertainty_ah(), 2),
            })
            .collect(),
        significant: remainder.is_significant(),
        remainder: amount(trial, &remainder),
        allowed_by_data_sheet_ah: round(trial.allowed_ah, 2),
        beyond_data_sheet: trial.is_beyond_data_sheet(),
    }
}

fn amount(trial: &Trial, estimate: &Estimate) -> AmountBody {
    let (ah_per_day, ma, percent) = trial.as_rate(estimate.value_ah);
    let (_, uncertainty_ma, _) = trial.as_rate(estimate.expanded_uncertainty_ah());
    AmountBody {
        ah: round(estimate.value_ah, 2),
        expanded_uncertainty_ah: round(estimate.expanded_uncertainty_ah(), 2),
        ah_per_day: round(ah_per_day, 4),
        ma: round(ma, 1),
        expanded_uncertainty_ma: round(uncertainty_ma, 1),
        percent_of_throughput: percent.map(|percent| round(percent, 3)),
    }
}

fn verdict(present: Option<&Trial>) -> String {
    let Some(trial) = present else {
        return "No span has closed in the reference's present epoch: nothing is known of its error yet."
            .to_owned();
    };
    let remainder = trial.remainder();
    let (_, ma, _) = trial.as_rate(remainder.value_ah);
    let (_, uncertainty_ma, _) = trial.as_rate(remainder.expanded_uncertainty_ah());
    let seen = format!("{ma:+.0} ± {uncertainty_ma:.0} mA are left for the instrument itself");
    if trial.is_beyond_data_sheet() {
        format!("Beyond its data sheet: {seen}.")
    } else if remainder.is_significant() {
        format!("{seen}: an error that can be told, but within its data sheet or not surely beyond it.")
    } else {
        format!("The losses behind it explain what it counts: {seen}, which is not significant.")
    }
}
