//! `GET /v1/drift/series`: charge error over time, for plots.

use axum::{Json, extract::State};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    drift::{known_pack, percent, round},
    problem::Problem,
    query::{Asked, Instant, stretch},
    state::App,
    zulu::Zulu,
};
use crate::{
    charge::{drift::Record, fill::Filled},
    config::duration,
    ledger,
};

/// Points in a series at most.
const MOST: i64 = 20_000;
/// Points answered from one record. Every figure carries what happened between any two cuts before it, so that its
/// cost grows with their number.
const AT_A_TIME: usize = 24;

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
#[derive(Default, Serialize, ToSchema)]
struct PackSeries {
    pack: String,
    charge_error_ah: Vec<Option<f64>>,
    expanded_uncertainty_ah: Vec<Option<f64>>,
    actual_percent: Vec<Option<f64>>,
    /// What the board displayed last, as old as its longest pause at most.
    display_percent: Vec<Option<f64>>,
}

impl PackSeries {
    fn new(pack: &str) -> Self {
        Self {
            pack: pack.to_owned(),
            ..Self::default()
        }
    }

    fn push(&mut self, record: &Record<'_>, p: usize, from: usize, at: usize) {
        let answer = record.charge_error(p, from, at).ok();
        let error = answer.as_ref().map(|answer| &answer.error);
        self.charge_error_ah
            .push(error.map(|error| round(error.value_ah, 3)));
        self.expanded_uncertainty_ah
            .push(error.map(|error| round(error.expanded_uncertainty_ah(), 3)));
        self.actual_percent
            .push(record.actual_percent(p, at).map(|percent| round(percent, 2)));
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
        let cuts = ledger::counted_until(connection, setup, bank, &instants)?;
        let displays = ledger::displays_at(connection, setup, bank, &instants)?;
        series.since = Some(Zulu(from_ms));
        series.until = Some(Zulu(until_ms));
        series.at = instants.iter().map(|at_ms| Zulu(*at_ms)).collect();
        let wanted = |id: &String| question.pack.as_ref().is_none_or(|wanted| wanted == id);
        let packs = bank.packs.iter().enumerate();
        let mut of_packs: Vec<(usize, PackSeries)> = packs
            .map(|(p, pack)| (p, &setup.entry(pack.instrument).id))
            .filter(|(_, id)| wanted(id))
            .map(|(p, id)| (p, PackSeries::new(id)))
            .collect();
        for some in cuts.chunks(AT_A_TIME) {
            let facts = ends.facts.with_cuts(some);
            let filled = Filled::new(&facts);
            let record = Record::new(&facts, &filled);
            let place = |at_ms| facts.cut_at(at_ms).ok_or_else(Problem::internal);
            let from = place(from_ms)?;
            for cut in some {
                let at = place(cut.at_ms)?;
                for (p, pack) in &mut of_packs {
                    pack.push(&record, *p, from, at);
                }
            }
        }
        for (p, pack) in &mut of_packs {
            let shown = displays
                .iter()
                .map(|shown| Some(percent(shown[*p]?.soc_permille)));
            pack.display_percent = shown.collect();
        }
        series.packs = of_packs.into_iter().map(|(_, pack)| pack).collect();
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
