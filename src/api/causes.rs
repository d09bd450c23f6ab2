//! `GET /v1/causes`: why each board drifts, as far as readings can tell it.

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
        causes::{Causes, Change, Figure, Untold, account::PackExplained},
        estimate::COVERAGE_FACTOR,
    },
    config::{Bank, Setup},
    ledger,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(ask))
}

#[derive(Serialize, ToSchema)]
#[schema(as = Causes)]
struct Answer {
    bank: String,
    since: Option<Zulu>,
    until: Option<Zulu>,
    setup: String,
    coverage_factor: f64,
    /// Why nothing can be told of any pack.
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<String>,
    packs: Vec<PackBody>,
}

/// Why one board drifts. The steady error is that of the last epoch; `explained` is what the causes make of the
/// charge error between `since` and `until`.
#[derive(Serialize, Default, ToSchema)]
#[schema(as = CausesPackBody)]
struct PackBody {
    pack: String,
    separable: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<String>,
    steady_ma: Option<f64>,
    steady_expanded_uncertainty_ma: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    steady_reason: Option<String>,
    asymmetry_percent: Option<f64>,
    asymmetry_expanded_uncertainty_percent: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    asymmetry_reason: Option<String>,
    blind_ah: Option<f64>,
    blind_expanded_uncertainty_ah: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    blind_reason: Option<String>,
    charge_error_ah: Option<f64>,
    explained: Option<ExplainedBody>,
    unexplained_ah: Option<f64>,
    epochs: Vec<EpochBody>,
    questions: Vec<QuestionBody>,
}

#[derive(Serialize, ToSchema)]
#[schema(as = CausesExplainedBody)]
#[expect(clippy::struct_field_names, reason = "units stand in the names of fields")]
struct ExplainedBody {
    steady_ah: f64,
    asymmetry_ah: f64,
    blind_ah: f64,
    gain_ah: f64,
    coulombic_ah: f64,
    sum_ah: f64,
}

#[derive(Serialize, ToSchema)]
#[schema(as = CausesEpochBody)]
struct EpochBody {
    begin: Zulu,
    end: Zulu,
    steady_ma: Option<f64>,
    steady_expanded_uncertainty_ma: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    steady_reason: Option<String>,
}

/// What only a person can know.
#[derive(Serialize, ToSchema)]
#[schema(as = CausesQuestionBody)]
struct QuestionBody {
    at: Zulu,
    change_ma: f64,
    expanded_uncertainty_ma: f64,
    question: String,
}

/// Why each board drifts, as far as readings can tell it.
#[utoipa::path(
    get,
    path = "/v1/causes",
    tag = "causes",
    operation_id = "causes",
    params(OfBank),
    responses((status = 200, body = Answer))
)]
async fn ask(State(app): State<App>, Asked(asked): Asked<OfBank>) -> Result<Json<Answer>, Problem> {
    app.ask_of_bank(&asked, move |connection, setup, bank, (since_ms, until_ms)| {
        let told = ledger::causes(connection, setup, bank, since_ms, until_ms)?;
        let mut answer = Answer {
            bank: bank.id.clone(),
            since: None,
            until: None,
            setup: setup.digest.clone(),
            coverage_factor: COVERAGE_FACTOR,
            reason: None,
            packs: Vec::new(),
        };
        let packs = 0..bank.packs.len();
        match told {
            None => answer.reason = Some("nothing was heard yet".to_owned()),
            Some(Err(untold)) => answer.reason = Some(untold.to_string()),
            Some(Ok(told)) => {
                let window = (told.begin_ms, told.end_ms);
                answer.since = Some(Zulu(told.begin_ms));
                answer.until = Some(Zulu(told.end_ms));
                answer.packs = packs
                    .clone()
                    .map(|p| match &told.packs[p] {
                        Some(pack) => explained(setup, bank, p, window, pack),
                        None => unexplained(setup, bank, p, "the pack isn't in the bank"),
                    })
                    .collect();
            }
        }
        if let Some(reason) = &answer.reason {
            answer.packs = packs.map(|p| unexplained(setup, bank, p, reason)).collect();
        }
        Ok(answer)
    })
    .await
    .map(Json)
}

fn name(setup: &Setup, bank: &Bank, p: usize) -> String {
    setup.entry(bank.packs[p].instrument).id.clone()
}

fn unexplained(setup: &Setup, bank: &Bank, p: usize, reason: &str) -> PackBody {
    PackBody {
        pack: name(setup, bank, p),
        reason: Some(reason.to_owned()),
        ..PackBody::default()
    }
}

/// A figure in `per` units to so many digits, its expanded uncertainty, and why there is none.
fn parts(
    figure: &Result<Figure, Untold>,
    per: f64,
    digits: i32,
) -> (Option<f64>, Option<f64>, Option<String>) {
    match figure {
        Ok(figure) => (
            Some(round(per * figure.value, digits)),
            Some(round(per * COVERAGE_FACTOR * figure.standard_uncertainty, digits)),
            None,
        ),
        Err(untold) => (None, None, Some(untold.to_string())),
    }
}

fn explained(
    setup: &Setup,
    bank: &Bank,
    p: usize,
    (begin_ms, end_ms): (i64, i64),
    pack: &PackExplained,
) -> PackBody {
    let causes = &pack.causes;
    let (asymmetry_percent, asymmetry_expanded_uncertainty_percent, asymmetry_reason) =
        parts(&causes.asymmetry, 100.0, 2);
    let (blind_ah, blind_expanded_uncertainty_ah, blind_reason) = parts(&causes.blind_ah, 1.0, 2);
    let begins = std::iter::once(begin_ms).chain(pack.recalibrated_ms.iter().copied());
    let ends = pack.recalibrated_ms.iter().copied().chain([end_ms]);
    let epochs: Vec<EpochBody> = causes
        .steady_a
        .iter()
        .zip(begins.zip(ends))
        .map(|(figure, (begin_ms, end_ms))| {
            let (steady_ma, steady_expanded_uncertainty_ma, steady_reason) = parts(figure, 1000.0, 1);
            EpochBody {
                begin: Zulu(begin_ms),
                end: Zulu(end_ms),
                steady_ma,
                steady_expanded_uncertainty_ma,
                steady_reason,
            }
        })
        .collect();
    let last = epochs.last();
    let charge_error_ah = pack.charge_error.as_ref().map(|error| error.value_ah);
    let sum_ah = causes.explained.sum_ah();
    PackBody {
        pack: name(setup, bank, p),
        separable: causes.stands_against.is_none(),
        reason: causes.stands_against.map(|untold| untold.to_string()),
        steady_ma: last.and_then(|epoch| epoch.steady_ma),
        steady_expanded_uncertainty_ma: last.and_then(|epoch| epoch.steady_expanded_uncertainty_ma),
        steady_reason: last.and_then(|epoch| epoch.steady_reason.clone()),
        asymmetry_percent,
        asymmetry_expanded_uncertainty_percent,
        asymmetry_reason,
        blind_ah,
        blind_expanded_uncertainty_ah,
        blind_reason,
        charge_error_ah: charge_error_ah.map(|ah| round(ah, 2)),
        explained: causes.stands_against.is_none().then(|| explained_body(causes)),
        unexplained_ah: charge_error_ah
            .filter(|_| causes.stands_against.is_none())
            .map(|ah| round(ah - sum_ah, 2)),
        epochs,
        questions: causes.change.iter().map(question).collect(),
    }
}

fn explained_body(causes: &Causes) -> ExplainedBody {
    let explained = &causes.explained;
    ExplainedBody {
        steady_ah: round(explained.steady_ah, 2),
        asymmetry_ah: round(explained.asymmetry_ah, 2),
        blind_ah: round(explained.blind_ah, 2),
        gain_ah: round(explained.gain_ah, 2),
        coulombic_ah: round(explained.coulombic_ah, 2),
        sum_ah: round(explained.sum_ah(), 2),
    }
}

fn question(change: &Change) -> QuestionBody {
    let (by_ma, expanded_ma) = (
        1000.0 * change.by_a,
        1000.0 * COVERAGE_FACTOR * change.standard_uncertainty_a,
    );
    QuestionBody {
        at: Zulu(change.at_ms),
        change_ma: round(by_ma, 1),
        expanded_uncertainty_ma: round(expanded_ma, 1),
        question: format!(
            "since about then the board reports {by_ma:+.0} ± {expanded_ma:.0} mA: was it recalibrated, reset or given \
             other firmware? If so, note a recalibration at that time."
        ),
    }
}
