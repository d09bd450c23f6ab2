//! `GET /v1/drift`: how far each pack's count has drifted, and how sure that is.

mod body;
mod display;
mod pack;

use axum::{Json, extract::State};
use rusqlite::Connection;
use serde::Deserialize;
use serde_json::Value;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    problem::Problem,
    query::{Asked, Instant, stretch},
    state::App,
    zulu::Zulu,
};
use crate::{
    charge::{
        drift::{Record, is_impossible},
        estimate::{COVERAGE_FACTOR, Estimate},
        facts::Facts,
        fill::Filled,
        losses::Closure,
        trial::Trial,
    },
    config::{Bank, Setup},
    ledger::{self, Display},
};
pub(super) use body::round;
use body::{Answer, ClosureBody, CountedBody, ReferenceBody, coverage_body};
use pack::{Seen, inside, pack_body, unheard};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(drift))
}

#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Question {
    #[param(inline, value_type = Option<Instant>)]
    since: Option<String>,
    #[param(inline, value_type = Option<Instant>)]
    until: Option<String>,
    bank: Option<String>,
    pack: Option<String>,
}

/// How far each pack's own count has drifted from the truth.
#[utoipa::path(
    get,
    path = "/v1/drift",
    tag = "drift",
    operation_id = "drift",
    params(Question),
    responses((status = 200, body = Answer))
)]
async fn drift(State(app): State<App>, Asked(question): Asked<Question>) -> Result<Json<Answer>, Problem> {
    let bank = app.bank(question.bank.as_deref())?;
    let (since_ms, until_ms) = stretch(
        question.since.as_deref(),
        question.until.as_deref(),
        bank.time_zone,
    )?;
    let (bank, setup) = (bank.id.clone(), app.setup().clone());
    if let Some(pack) = &question.pack {
        known_pack(&setup, app.bank(Some(&bank))?, pack)?;
    }
    app.ask(move |connection, setup| {
        let bank = setup.bank(&bank).ok_or_else(Problem::internal)?;
        answer(
            connection,
            setup,
            bank,
            (since_ms, until_ms),
            question.pack.as_deref(),
        )
    })
    .await
    .map(Json)
}

/// Refuses a name that is no pack of the bank.
pub(super) fn known_pack(setup: &Setup, bank: &Bank, name: &str) -> Result<(), Problem> {
    let known: Vec<_> = bank
        .packs
        .iter()
        .map(|pack| setup.entry(pack.instrument).id.as_str())
        .collect();
    if known.contains(&name) {
        Ok(())
    } else {
        Err(Problem::unknown("pack", name, &known))
    }
}

/// The whole answer for a bank as a document, from its first reading to its last.
pub(super) fn document(connection: &Connection, setup: &Setup, bank: &Bank) -> Result<Value, Problem> {
    let answer = answer(connection, setup, bank, (i64::MIN, i64::MAX), None)?;
    serde_json::to_value(answer).map_err(|_| Problem::internal())
}

fn answer(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    (since_ms, until_ms): (i64, i64),
    only: Option<&str>,
) -> Result<Answer, Problem> {
    let mut answer = Answer {
        bank: bank.id.clone(),
        since: None,
        until: None,
        setup: setup.digest.clone(),
        coverage_factor: COVERAGE_FACTOR,
        packs: Vec::new(),
        bank_display: None,
        reference: None,
    };
    let wanted = |p: usize| only.is_none_or(|name| setup.entry(bank.packs[p].instrument).id == name);
    let places = (0..bank.packs.len()).filter(|p| wanted(*p));
    let Some(asked) = ledger::gather(connection, setup, bank, &[since_ms, until_ms])? else {
        answer.packs = places.map(|p| unheard(setup, bank, p)).collect();
        return Ok(answer);
    };
    let facts = &asked.facts;
    let (from, until) = (asked.at[0], asked.at[1]);
    let (from_ms, until_ms) = (facts.cuts[from].at_ms, facts.cuts[until].at_ms);
    let filled = Filled::new(facts);
    let record = Record::new(facts, &filled);
    let displays = ledger::displays(connection, setup, bank, &[until_ms])?.concat();
    let (reference_display, displays) = (displays[0], &displays[1..]);
    let resyncs = ledger::resyncs(connection, setup, bank, from_ms, until_ms)?;
    let jumps = ledger::jumps(connection, setup, bank, from_ms, until_ms)?;
    let own = ledger::own_counts(connection, setup, bank, from_ms, until_ms)?;
    let cautions = ledger::cautions(connection, setup, bank, from_ms, until_ms)?;
    answer.since = Some(Zulu(from_ms));
    answer.until = Some(Zulu(until_ms));
    answer.packs = places
        .map(|p| {
            let seen = Seen {
                display: displays[p],
                reference_display,
                resyncs: &resyncs[p],
                jumps: &jumps[p],
                own: own[p].as_ref(),
                cautions: &cautions[p],
            };
            pack_body(setup, bank, &record, facts, p, (from, until), &seen)
        })
        .collect();
    let on_busbar: Vec<bool> = (0..bank.packs.len())
        .map(|p| facts.on_busbar(p, until_ms))
        .collect();
    let bank_actual = record.bank_actual(until);
    answer.bank_display = display::bank_mean(bank, bank_actual.clone(), &on_busbar, displays, until_ms);
    answer.reference = Some(reference_body(
        setup,
        bank,
        &record,
        facts,
        (from, until),
        reference_display,
        bank_actual,
    ));
    Ok(answer)
}

fn reference_body(
    setup: &Setup,
    bank: &Bank,
    record: &Record<'_>,
    facts: &Facts,
    (from, until): (usize, usize),
    display: Option<Display>,
    bank_actual: Option<Estimate>,
) -> ReferenceBody {
    let counted = record.heard(0, from, until);
    let (from_ms, until_ms) = (facts.cuts[from].at_ms, facts.cuts[until].at_ms);
    ReferenceBody {
        reference: setup.entry(bank.reference.instrument).id.clone(),
        counted: CountedBody {
            charged_ah: round(counted.charged_ah(), 3),
            discharged_ah: round(counted.discharged_ah(), 3),
            net_ah: round(counted.net_ah(), 3),
            equivalent_full_cycles: None,
        },
        coverage: coverage_body(record.coverage(0, from, until), None),
        recalibrations: inside(&facts.recalibrated_ms[0], from_ms, until_ms),
        impossible_percent: bank_actual
            .as_ref()
            .filter(|actual| is_impossible(actual))
            .map(|actual| round(actual.value_ah, 1)),
        display: display.map(|display| display::body(display, bank_actual, None)),
        display_comparison: display.map(|_| display::COMPARISON),
        closures: record
            .closures()
            .iter()
            .zip(record.trials())
            .map(|(closure, trial)| closure_body(facts, closure, &trial))
            .collect(),
    }
}

fn closure_body(facts: &Facts, span: &Closure, trial: &Trial) -> ClosureBody {
    let days = facts.hours(span.begin, span.end) / 24.0;
    ClosureBody {
        begin: Zulu(facts.cuts[span.begin].at_ms),
        end: Zulu(facts.cuts[span.end].at_ms),
        closure_ah: round(span.closure.value_ah, 3),
        expanded_uncertainty_ah: round(span.closure.expanded_uncertainty_ah(), 3),
        ah_per_day: round(span.closure.value_ah / days, 4),
        beyond_data_sheet: trial.is_beyond_data_sheet(),
    }
}
