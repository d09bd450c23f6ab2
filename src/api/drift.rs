//! `GET /v1/drift`: how far each pack's count has drifted, and how sure that is.

use axum::{Json, Router, extract::State, routing::get};
use rusqlite::Connection;
use serde::{Deserialize, Serialize};

use super::{
    problem::Problem,
    query::{Asked, stretch},
    state::App,
    zulu::Zulu,
};
use crate::{
    charge::{
        drift::{ChargeError, Coverage, DAYS_PER_MONTH, Insufficient, Rate, Record},
        estimate::{COVERAGE_FACTOR, Estimate},
        facts::Facts,
        fill::Filled,
        losses::Closure,
        stored::Basis,
    },
    config::{Bank, Setup},
    ledger::{self, Display, Resync},
    store::gap::DisplayJump,
};

pub(super) fn router() -> Router<App> {
    Router::new().route("/v1/drift", get(drift))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Question {
    since: Option<String>,
    until: Option<String>,
    bank: Option<String>,
    pack: Option<String>,
}

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

#[derive(Serialize)]
struct Answer {
    bank: String,
    since: Option<Zulu>,
    until: Option<Zulu>,
    setup: String,
    coverage_factor: f64,
    packs: Vec<PackBody>,
    reference: Option<ReferenceBody>,
}

#[derive(Serialize)]
struct PackBody {
    pack: String,
    revision: String,
    firmware: Option<String>,
    capacity_ah: f64,
    charge_error: ErrorBody,
    rate: Option<RateBody>,
    epochs: Vec<EpochBody>,
    own_counter: Option<()>,
    display: Option<DisplayBody>,
    resyncs: Vec<ResyncBody>,
    counted: CountedBody,
    coverage: CoverageBody,
    recalibrations: Vec<Zulu>,
    unexplained_resets: Vec<ResetBody>,
}

#[derive(Serialize)]
struct ErrorBody {
    ah: Option<f64>,
    expanded_uncertainty_ah: Option<f64>,
    percent_of_capacity: Option<f64>,
    basis: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<String>,
    significant: Option<bool>,
    budget: Vec<LineBody>,
}

#[derive(Serialize)]
struct LineBody {
    source: &'static str,
    standard_uncertainty_ah: f64,
}

#[derive(Serialize)]
struct RateBody {
    ah_per_day: f64,
    points_per_month: f64,
    expanded_uncertainty_ah_per_day: f64,
}

#[derive(Serialize)]
struct EpochBody {
    begin: Zulu,
    end: Zulu,
    charge_error_ah: f64,
    expanded_uncertainty_ah: f64,
    #[serde(flatten)]
    rate: RateBody,
}

#[derive(Serialize)]
struct DisplayBody {
    at: Zulu,
    soc_percent: f64,
    actual_percent: Option<f64>,
    error_points: Option<f64>,
    expanded_uncertainty_points: Option<f64>,
    censored: bool,
}

#[derive(Serialize)]
struct ResyncBody {
    at: Zulu,
    before_percent: Option<f64>,
    after_percent: Option<f64>,
}

#[derive(Serialize)]
struct ResetBody {
    at: Zulu,
    before_percent: f64,
    after_percent: f64,
}

#[derive(Serialize)]
struct CountedBody {
    charged_ah: f64,
    discharged_ah: f64,
    net_ah: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    equivalent_full_cycles: Option<f64>,
}

#[derive(Serialize)]
struct CoverageBody {
    fraction: f64,
    longest_gap_s: i64,
}

#[derive(Serialize)]
struct ReferenceBody {
    reference: String,
    counted: CountedBody,
    coverage: CoverageBody,
    recalibrations: Vec<Zulu>,
    closures: Vec<ClosureBody>,
}

#[derive(Serialize)]
struct ClosureBody {
    begin: Zulu,
    end: Zulu,
    closure_ah: f64,
    expanded_uncertainty_ah: f64,
    ah_per_day: f64,
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
        reference: None,
    };
    let wanted = |p: usize| only.is_none_or(|name| setup.entry(bank.packs[p].instrument).id == name);
    let places = (0..bank.packs.len()).filter(|p| wanted(*p));
    let Some(asked) = ledger::gather(connection, setup, bank, &[since_ms, until_ms])? else {
        answer.packs = places.map(|p| unheard(setup, bank, p)).collect();
        return Ok(answer);
    };
    let (from, until) = (asked.at[0], asked.at[1]);
    let (from_ms, until_ms) = (asked.facts.cuts[from].at_ms, asked.facts.cuts[until].at_ms);
    let filled = Filled::new(&asked.facts);
    let record = Record::new(&asked.facts, &filled);
    let displays = ledger::displays(connection, setup, bank, until_ms)?;
    let resyncs = ledger::resyncs(connection, setup, bank, from_ms, until_ms)?;
    let jumps = ledger::jumps(connection, setup, bank, from_ms, until_ms)?;
    answer.since = Some(Zulu(from_ms));
    answer.until = Some(Zulu(until_ms));
    answer.packs = places
        .map(|p| {
            let seen = Seen {
                display: displays[p],
                resyncs: &resyncs[p],
                jumps: &jumps[p],
            };
            pack_body(setup, bank, &record, &asked.facts, p, (from, until), &seen)
        })
        .collect();
    answer.reference = Some(reference_body(setup, bank, &record, &asked.facts, (from, until)));
    Ok(answer)
}

/// What a pack's board displayed.
struct Seen<'a> {
    display: Option<Display>,
    resyncs: &'a [Resync],
    jumps: &'a [DisplayJump],
}

fn pack_body(
    setup: &Setup,
    bank: &Bank,
    record: &Record<'_>,
    facts: &Facts,
    p: usize,
    (from, until): (usize, usize),
    seen: &Seen<'_>,
) -> PackBody {
    let (from_ms, until_ms) = (facts.cuts[from].at_ms, facts.cuts[until].at_ms);
    let held = bank.packs[p].held_at(until_ms);
    let capacity_ah = held.capacity_ah;
    let epochs = record.rates(p, from, until).unwrap_or_default();
    let counted = record.heard(p + 1, from, until);
    let throughput_ah = counted.charged_ah() + counted.discharged_ah();
    PackBody {
        charge_error: error_body(record.charge_error(p, from, until), capacity_ah),
        rate: epochs.last().map(|rate| rate_body(rate, capacity_ah)),
        epochs: epochs.iter().map(|rate| epoch_body(rate, capacity_ah)).collect(),
        display: seen.display.map(|display| {
            display_body(
                display,
                record.below_full(p, until),
                facts.era(until).packs[p].capacity_ah,
            )
        }),
        resyncs: seen.resyncs.iter().map(resync_body).collect(),
        counted: CountedBody {
            charged_ah: round(counted.charged_ah(), 3),
            discharged_ah: round(counted.discharged_ah(), 3),
            net_ah: round(counted.net_ah(), 3),
            equivalent_full_cycles: Some(round(throughput_ah / (2.0 * capacity_ah), 2)),
        },
        coverage: coverage_body(record.coverage(p + 1, from, until)),
        recalibrations: inside(&facts.recalibrated_ms[p + 1], from_ms, until_ms),
        unexplained_resets: seen
            .jumps
            .iter()
            .map(|jump| ResetBody {
                at: Zulu(jump.at_ms),
                before_percent: percent(jump.soc_before),
                after_percent: percent(jump.soc_after),
            })
            .collect(),
        ..unheard(setup, bank, p)
    }
}

/// The entry of a pack of which nothing is known yet.
fn unheard(setup: &Setup, bank: &Bank, p: usize) -> PackBody {
    let pack = &bank.packs[p];
    let held = pack.held_at(i64::MAX);
    PackBody {
        pack: setup.entry(pack.instrument).id.clone(),
        revision: held.revision.clone(),
        firmware: held.firmware.clone(),
        capacity_ah: held.capacity_ah,
        charge_error: error_body(Err(Insufficient::NothingHeard), held.capacity_ah),
        rate: None,
        epochs: Vec::new(),
        own_counter: None,
        display: None,
        resyncs: Vec::new(),
        counted: CountedBody {
            charged_ah: 0.0,
            discharged_ah: 0.0,
            net_ah: 0.0,
            equivalent_full_cycles: Some(0.0),
        },
        coverage: CoverageBody {
            fraction: 0.0,
            longest_gap_s: 0,
        },
        recalibrations: Vec::new(),
        unexplained_resets: Vec::new(),
    }
}

fn error_body(answer: Result<ChargeError, Insufficient>, capacity_ah: f64) -> ErrorBody {
    match answer {
        Ok(ChargeError { error, basis }) => ErrorBody {
            ah: Some(round(error.value_ah, 3)),
            expanded_uncertainty_ah: Some(round(error.expanded_uncertainty_ah(), 3)),
            percent_of_capacity: Some(round(100.0 * error.value_ah / capacity_ah, 2)),
            basis: match basis {
                Basis::Closed => "closed",
                Basis::Provisional => "provisional",
            },
            reason: None,
            significant: Some(error.is_significant()),
            budget: error
                .budget()
                .into_iter()
                .map(|(source, ah)| LineBody {
                    source: source.word(),
                    standard_uncertainty_ah: round(ah, 4),
                })
                .collect(),
        },
        Err(reason) => ErrorBody {
            ah: None,
            expanded_uncertainty_ah: None,
            percent_of_capacity: None,
            basis: "insufficient",
            reason: Some(reason.to_string()),
            significant: None,
            budget: Vec::new(),
        },
    }
}

fn rate_body(rate: &Rate, capacity_ah: f64) -> RateBody {
    RateBody {
        ah_per_day: round(rate.ah_per_day(), 4),
        points_per_month: round(100.0 * rate.ah_per_day() * DAYS_PER_MONTH / capacity_ah, 2),
        expanded_uncertainty_ah_per_day: round(rate.expanded_uncertainty_ah_per_day(), 4),
    }
}

fn epoch_body(rate: &Rate, capacity_ah: f64) -> EpochBody {
    EpochBody {
        begin: Zulu(rate.begin_ms),
        end: Zulu(rate.end_ms),
        charge_error_ah: round(rate.error.value_ah, 3),
        expanded_uncertainty_ah: round(rate.error.expanded_uncertainty_ah(), 3),
        rate: rate_body(rate, capacity_ah),
    }
}

fn display_body(display: Display, below_full: Option<Estimate>, capacity_ah: f64) -> DisplayBody {
    let soc_percent = percent(display.soc_permille);
    let actual_percent = below_full
        .as_ref()
        .map(|below| 100.0 * (1.0 + below.value_ah / capacity_ah));
    DisplayBody {
        at: Zulu(display.at_ms),
        soc_percent,
        actual_percent: actual_percent.map(|actual| round(actual, 2)),
        error_points: actual_percent.map(|actual| round(soc_percent - actual, 2)),
        expanded_uncertainty_points: below_full
            .map(|below| round(100.0 * below.expanded_uncertainty_ah() / capacity_ah, 2)),
        censored: display.soc_permille <= 0 || display.soc_permille >= 1000,
    }
}

fn resync_body(resync: &Resync) -> ResyncBody {
    ResyncBody {
        at: Zulu(resync.at_ms),
        before_percent: resync.before_permille.map(percent),
        after_percent: resync.after_permille.map(percent),
    }
}

fn coverage_body(coverage: Coverage) -> CoverageBody {
    CoverageBody {
        fraction: round(coverage.fraction, 5),
        longest_gap_s: coverage.longest_gap_ms / 1000,
    }
}

fn reference_body(
    setup: &Setup,
    bank: &Bank,
    record: &Record<'_>,
    facts: &Facts,
    (from, until): (usize, usize),
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
        coverage: coverage_body(record.coverage(0, from, until)),
        recalibrations: inside(&facts.recalibrated_ms[0], from_ms, until_ms),
        closures: record
            .closures()
            .iter()
            .map(|closure| closure_body(facts, closure))
            .collect(),
    }
}

fn closure_body(facts: &Facts, span: &Closure) -> ClosureBody {
    let (begin_ms, end_ms) = (facts.cuts[span.begin].at_ms, facts.cuts[span.end].at_ms);
    #[expect(clippy::cast_precision_loss, reason = "times are far below 2^52 ms")]
    let days = (end_ms - begin_ms) as f64 / 86_400_000.0;
    let mark_ah = facts.bank.full_repeatability * facts.era(span.end).capacity_ah();
    let counted_ah = span.closure.standard_uncertainty_ah();
    let uncertainty_ah = COVERAGE_FACTOR * (2.0 * mark_ah * mark_ah + counted_ah * counted_ah).sqrt();
    ClosureBody {
        begin: Zulu(begin_ms),
        end: Zulu(end_ms),
        closure_ah: round(span.closure.value_ah, 3),
        expanded_uncertainty_ah: round(uncertainty_ah, 3),
        ah_per_day: round(span.closure.value_ah / days, 4),
    }
}

fn inside(instants_ms: &[i64], from_ms: i64, until_ms: i64) -> Vec<Zulu> {
    instants_ms
        .iter()
        .filter(|at_ms| (from_ms..=until_ms).contains(*at_ms))
        .map(|at_ms| Zulu(*at_ms))
        .collect()
}

/// Tenths of a percent as percent.
#[expect(clippy::cast_precision_loss, reason = "tenths of a percent")]
pub(super) fn percent(permille: i64) -> f64 {
    permille as f64 / 10.0
}

/// Digits beyond what the uncertainty supports only hide it.
pub(super) fn round(value: f64, digits: i32) -> f64 {
    let factor = 10_f64.powi(digits);
    // Adding zero turns −0 into 0.
    (value * factor).round() / factor + 0.0
}
