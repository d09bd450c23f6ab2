//! `GET /v1/drift/series`: charge error over time, for plots.

use axum::{Json, extract::State};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    drift::{known_pack, round},
    problem::Problem,
    query::{Asked, Instant, stretch},
    state::App,
    zulu::Zulu,
};
use crate::{
    charge::course::{Point, course},
    config::duration,
    ledger::{self, Display},
    unit::tenths,
};

/// Points in a series at most.
const MOST: i64 = 20_000;
/// Points worked on at once: what is counted at each of them is more than is said of it.
const AT_ONCE: usize = 1000;

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(series))
}

#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Question {
    #[param(inline, value_type = Option<Instant>)]
    since: Option<String>,
    #[param(inline, value_type = Option<Instant>)]
    until: Option<String>,
    step: Option<String>,
    bank: Option<String>,
    pack: Option<String>,
}

#[derive(Serialize, ToSchema)]
struct Series {
    bank: String,
    since: Option<Zulu>,
    until: Option<Zulu>,
    at: Vec<Zulu>,
    packs: Vec<PackSeries>,
}

/// One value an instant; null where there is none.
#[derive(Serialize, ToSchema)]
struct PackSeries {
    pack: String,
    charge_error_ah: Vec<Option<f64>>,
    expanded_uncertainty_ah: Vec<Option<f64>>,
    actual_percent: Vec<Option<f64>>,
    /// What the board displayed last, as old as its longest pause at most.
    display_percent: Vec<Option<f64>>,
}

impl PackSeries {
    fn new(pack: &str, points: usize) -> Self {
        let values = || Vec::with_capacity(points);
        Self {
            pack: pack.to_owned(),
            charge_error_ah: values(),
            expanded_uncertainty_ah: values(),
            actual_percent: values(),
            display_percent: values(),
        }
    }

    fn push(&mut self, point: &Point, shown: Option<Display>) {
        let (ah, expanded_ah) = point.error_ah.unzip();
        self.charge_error_ah.push(ah.map(|ah| round(ah, 3)));
        self.expanded_uncertainty_ah
            .push(expanded_ah.map(|ah| round(ah, 3)));
        self.actual_percent
            .push(point.actual_percent.map(|percent| round(percent, 2)));
        self.display_percent
            .push(shown.map(|shown| tenths(shown.soc_permille)));
    }
}

/// Charge error over time.
#[utoipa::path(
    get,
    path = "/v1/drift/series",
    tag = "drift",
    operation_id = "series",
    params(Question),
    responses((status = 200, body = Series))
)]
async fn series(State(app): State<App>, Asked(question): Asked<Question>) -> Result<Json<Series>, Problem> {
    let bank = app.bank(question.bank.as_deref())?;
    let (since_ms, until_ms) = stretch(
        question.since.as_deref(),
        question.until.as_deref(),
        bank.time_zone,
    )?;
    let step = question.step.as_deref().unwrap_or("PT1H");
    let step_ms = duration(step)
        .ok()
        .and_then(|step| i64::try_from(step.as_millis()).ok())
        .filter(|step_ms| *step_ms > 0)
        .ok_or_else(|| Problem::bad_query(format!("step=“{step}” is no duration; write PT1H or 1h")))?;
    if let Some(pack) = &question.pack {
        known_pack(app.setup(), bank, pack)?;
    }
    let bank = bank.id.clone();
    app.ask(move |connection, setup| {
        let bank = setup.bank(&bank).ok_or_else(Problem::internal)?;
        let mut series = Series {
            bank: bank.id.clone(),
            since: None,
            until: None,
            at: Vec::new(),
            packs: Vec::new(),
        };
        let Some(ends) = ledger::gather(connection, setup, bank, &[since_ms, until_ms])? else {
            return Ok(series);
        };
        let (from_ms, until_ms) = (
            ends.facts.cuts[ends.at[0]].at_ms,
            ends.facts.cuts[ends.at[1]].at_ms,
        );
        let instants = instants(from_ms, until_ms, step_ms)?;
        series.since = Some(Zulu(from_ms));
        series.until = Some(Zulu(until_ms));
        series.at = instants.iter().map(|at_ms| Zulu(*at_ms)).collect();
        let name = |p: usize| &setup.entry(bank.packs[p].instrument).id;
        let wanted = |p: &usize| question.pack.as_ref().is_none_or(|wanted| wanted == name(*p));
        let packs: Vec<usize> = (0..bank.packs.len()).filter(wanted).collect();
        series.packs = packs
            .iter()
            .map(|p| PackSeries::new(name(*p), instants.len()))
            .collect();
        for some in instants.chunks(AT_ONCE) {
            let cuts = ledger::counted_until(connection, setup, bank, some)?;
            let displays = ledger::displays(connection, setup, bank, some)?;
            let points = course(&ends.facts, ends.at[0], &cuts, &packs);
            for ((p, series), points) in packs.iter().zip(&mut series.packs).zip(points) {
                for (point, shown) in points.iter().zip(&displays) {
                    series.push(point, shown[p + 1]);
                }
            }
        }
        Ok(series)
    })
    .await
    .map(Json)
}

/// The ends and the multiples of the step between them: whole hours need no readings.
fn instants(from_ms: i64, until_ms: i64, step_ms: i64) -> Result<Vec<i64>, Problem> {
    if (until_ms - from_ms) / step_ms > MOST {
        return Err(Problem::bad_query(format!(
            "more than {MOST} points; ask with a longer step"
        )));
    }
    let first = from_ms.div_euclid(step_ms) + 1;
    let last = (until_ms - 1).div_euclid(step_ms);
    let mut instants = vec![from_ms];
    instants.extend((first..=last).map(|index| index * step_ms));
    instants.push(until_ms);
    Ok(instants)
}
