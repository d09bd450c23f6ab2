//! `GET /v1/forecast`: when displays will be wrong by more than a threshold if no full charge (and no end stop of
//! the display) comes first, and what a full charge now would be good for.

use axum::{Json, extract::State};
use rusqlite::Connection;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    drift::round,
    problem::Problem,
    query::{Asked, instant},
    state::App,
    zulu::Zulu,
};
use crate::{
    charge::{
        drift::{Insufficient, Record},
        estimate::COVERAGE_FACTOR,
        fill::Filled,
        forecast::{HORIZON_DAYS, Outlook, Passing, narrowed},
    },
    config::{Bank, Setup},
    ledger::{self, Display},
    unit::tenths,
};

const MS_PER_DAY: f64 = 86_400_000.0;
/// Where nobody says otherwise.
const THRESHOLD_POINTS: f64 = 10.0;

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(forecast))
}

#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Question {
    threshold_points: Option<f64>,
    since: Option<String>,
    bank: Option<String>,
}

#[derive(Serialize, ToSchema)]
#[schema(as = Forecast)]
struct Answer {
    bank: String,
    /// From when the rates are taken.
    since: Option<Zulu>,
    /// The last reading: the day from which it is foretold.
    at: Option<Zulu>,
    setup: String,
    coverage_factor: f64,
    threshold_points: f64,
    horizon_days: f64,
    packs: Vec<PackBody>,
    /// From then on a display may be beyond the threshold, unless a full charge comes first; null where none may be
    /// within the horizon. Told by a logger: whether to charge is decided elsewhere.
    full_charge_recommended_by: Option<Zulu>,
}

#[derive(Serialize, ToSchema)]
#[schema(as = ForecastPackBody)]
struct PackBody {
    pack: String,
    /// Why nothing can be foretold.
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<String>,
    display_error_points: Option<f64>,
    expanded_uncertainty_points: Option<f64>,
    /// The display stands at an end stop: its error is reckoned from what was counted since the last full charge.
    reckoned: bool,
    points_per_day: Option<f64>,
    expanded_uncertainty_points_per_day: Option<f64>,
    /// By the rate as it is; null: not within the horizon.
    passes: Option<Zulu>,
    /// k = 2; null: not within the horizon.
    earliest: Option<Zulu>,
    /// k = 2; null: perhaps not within the horizon.
    latest: Option<Zulu>,
    /// How well the charge error since `since` is known now, and would be after a full charge today.
    charge_error_expanded_uncertainty_ah: Option<f64>,
    after_full_charge_expanded_uncertainty_ah: Option<f64>,
}

/// When displays will be too wrong, and what a full charge now would be good for.
#[utoipa::path(
    get,
    path = "/v1/forecast",
    tag = "forecast",
    operation_id = "forecast",
    params(Question),
    responses((status = 200, body = Answer))
)]
async fn forecast(State(app): State<App>, Asked(question): Asked<Question>) -> Result<Json<Answer>, Problem> {
    let bank = app.bank(question.bank.as_deref())?;
    let threshold_points = question.threshold_points.unwrap_or(THRESHOLD_POINTS);
    if !(threshold_points > 0.0 && threshold_points <= 100.0) {
        return Err(Problem::bad_query(
            "“threshold_points” must be above 0 and at most 100",
        ));
    }
    let since_ms = match question.since.as_deref() {
        Some(text) => instant("since", text, bank.time_zone)?,
        None => i64::MIN,
    };
    let bank = bank.id.clone();
    app.ask(move |connection, setup| {
        let bank = setup.bank(&bank).ok_or_else(Problem::internal)?;
        answer(connection, setup, bank, since_ms, threshold_points)
    })
    .await
    .map(Json)
}

fn answer(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    since_ms: i64,
    threshold_points: f64,
) -> Result<Answer, Problem> {
    let mut answer = Answer {
        bank: bank.id.clone(),
        since: None,
        at: None,
        setup: setup.digest.clone(),
        coverage_factor: COVERAGE_FACTOR,
        threshold_points,
        horizon_days: HORIZON_DAYS,
        packs: Vec::new(),
        full_charge_recommended_by: None,
    };
    let name = |p: usize| setup.entry(bank.packs[p].instrument).id.clone();
    let Some(asked) = ledger::gather(connection, setup, bank, &[since_ms, i64::MAX])? else {
        let nobody = (0..bank.packs.len()).map(|p| refused(name(p), Insufficient::NothingHeard));
        answer.packs = nobody.collect();
        return Ok(answer);
    };
    let facts = &asked.facts;
    let (from, until) = (asked.at[0], asked.at[1]);
    let until_ms = facts.cuts[until].at_ms;
    let filled = Filled::new(facts);
    let record = Record::new(facts, &filled);
    let displays = ledger::displays(connection, setup, bank, &[until_ms])?.concat();
    let after_full_charge = narrowed(&record, from);
    answer.since = Some(Zulu(facts.cuts[from].at_ms));
    answer.at = Some(Zulu(until_ms));
    let mut first_ms: Option<i64> = None;
    for p in 0..bank.packs.len() {
        let shown = displays[p + 1].and_then(telling);
        let told = record.outlook(p, (from, until), shown);
        let body = told.and_then(|outlook| {
            let passing = outlook.passing(threshold_points);
            let earliest_ms = passing.earliest.map(|days| after(until_ms, days));
            first_ms = first_ms.into_iter().chain(earliest_ms).min();
            let now_ah = record
                .charge_error(p, from, until)?
                .error
                .expanded_uncertainty_ah();
            let after_ah = after_full_charge[p]?;
            Ok(PackBody {
                reckoned: shown.is_none(),
                charge_error_expanded_uncertainty_ah: Some(round(now_ah, 2)),
                after_full_charge_expanded_uncertainty_ah: Some(round(after_ah, 2)),
                ..told_body(name(p), &outlook, passing, until_ms)
            })
        });
        answer
            .packs
            .push(body.unwrap_or_else(|reason| refused(name(p), reason)));
    }
    answer.full_charge_recommended_by = first_ms.map(Zulu);
    Ok(answer)
}

/// What a display says, %; `None` at its end stops, which hide error.
fn telling(display: Display) -> Option<f64> {
    let within = display.soc_permille > 0 && display.soc_permille < 1000;
    within.then(|| tenths(display.soc_permille))
}

#[expect(clippy::cast_possible_truncation, reason = "some months in ms")]
fn after(at_ms: i64, days: f64) -> i64 {
    at_ms + (days * MS_PER_DAY) as i64
}

fn told_body(pack: String, outlook: &Outlook, passing: Passing, until_ms: i64) -> PackBody {
    let at = |days: Option<f64>| days.map(|days| Zulu(after(until_ms, days)));
    PackBody {
        display_error_points: Some(round(outlook.now.value_ah, 2)),
        expanded_uncertainty_points: Some(round(outlook.now.expanded_uncertainty_ah(), 2)),
        points_per_day: Some(round(outlook.per_day.value_ah, 4)),
        expanded_uncertainty_points_per_day: Some(round(outlook.per_day.expanded_uncertainty_ah(), 4)),
        passes: at(passing.likely),
        earliest: at(passing.earliest),
        latest: at(passing.latest),
        reason: None,
        ..refused(pack, Insufficient::NothingHeard)
    }
}

fn refused(pack: String, reason: Insufficient) -> PackBody {
    PackBody {
        pack,
        reason: Some(reason.to_string()),
        display_error_points: None,
        expanded_uncertainty_points: None,
        reckoned: false,
        points_per_day: None,
        expanded_uncertainty_points_per_day: None,
        passes: None,
        earliest: None,
        latest: None,
        charge_error_expanded_uncertainty_ah: None,
        after_full_charge_expanded_uncertainty_ah: None,
    }
}
