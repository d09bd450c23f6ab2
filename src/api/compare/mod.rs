//! `GET /v1/compare`: packs, revisions and firmwares side by side, and what recalibrations changed.

mod body;
mod groups;
mod words;

use axum::{Json, extract::State};
use rusqlite::Connection;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    problem::Problem,
    query::{Asked, OfBank},
    state::App,
    zulu::Zulu,
};
use crate::{
    charge::{
        compare::{self, Drifting},
        drift::Record,
        estimate::COVERAGE_FACTOR,
        fill::Filled,
    },
    config::{Bank, Held, Setup},
    ledger,
};
use body::{Answer, ChangeBody, OrderBody, RankBody, UnrankedBody};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(compare))
}

/// Packs by how fast they drift, and what can be said of revisions and firmwares.
#[utoipa::path(
    get,
    path = "/v1/compare",
    tag = "compare",
    operation_id = "compare",
    params(OfBank),
    responses((status = 200, body = Answer))
)]
async fn compare(State(app): State<App>, Asked(asked): Asked<OfBank>) -> Result<Json<Answer>, Problem> {
    app.ask_of_bank(&asked, move |connection, setup, bank, window_ms| {
        answer(connection, setup, bank, window_ms)
    })
    .await
    .map(Json)
}

/// The bank's packs as they are told apart at the end of what was asked.
struct Packs<'a> {
    setup: &'a Setup,
    bank: &'a Bank,
    until_ms: i64,
}

impl Packs<'_> {
    fn name(&self, p: usize) -> &str {
        &self.setup.entry(self.bank.packs[p].instrument).id
    }

    fn held(&self, p: usize) -> &Held {
        self.bank.packs[p].held_at(self.until_ms)
    }
}

fn answer(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    (since_ms, until_ms): (i64, i64),
) -> Result<Answer, Problem> {
    let asked = ledger::gather(connection, setup, bank, &[since_ms, until_ms])?;
    let Some(asked) = asked else {
        return Ok(Answer {
            bank: bank.id.clone(),
            since: None,
            until: None,
            setup: setup.digest.clone(),
            coverage_factor: COVERAGE_FACTOR,
            ranking: Vec::new(),
            unranked: Vec::new(),
            orders: Vec::new(),
            revisions: None,
            firmware: None,
            recalibrations: Vec::new(),
            verdict: vec!["Nothing was heard of this bank yet.".to_owned()],
        });
    };
    let facts = &asked.facts;
    let (from, until) = (asked.at[0], asked.at[1]);
    let until_ms = facts.cuts[until].at_ms;
    let packs = Packs {
        setup,
        bank,
        until_ms,
    };
    let filled = Filled::new(facts);
    let record = Record::new(facts, &filled);
    let (mut drifting, mut unranked) = (Vec::new(), Vec::new());
    for p in 0..bank.packs.len() {
        match record.drifting(p, packs.held(p).capacity_ah, (from, until)) {
            Ok(one) => drifting.push(one),
            Err(reason) => unranked.push(UnrankedBody {
                pack: packs.name(p).to_owned(),
                reason: reason.to_string(),
            }),
        }
    }
    let ranked: Vec<Drifting> = compare::ranked(drifting);
    let orders = compare::orders(&ranked);
    let revisions = groups::by(&ranked, &packs, groups::What::Revision);
    let firmware = groups::by(&ranked, &packs, groups::What::Firmware);
    let changes: Vec<_> = (0..bank.packs.len())
        .flat_map(|p| record.changes(p, from, until))
        .collect();
    let verdict = words::verdict(&packs, &ranked, &orders, revisions.as_ref());
    Ok(Answer {
        bank: bank.id.clone(),
        since: Some(Zulu(facts.cuts[from].at_ms)),
        until: Some(Zulu(until_ms)),
        setup: setup.digest.clone(),
        coverage_factor: COVERAGE_FACTOR,
        ranking: ranked.iter().map(|one| RankBody::of(one, &packs)).collect(),
        unranked,
        orders: orders
            .iter()
            .map(|order| OrderBody::of(order, &ranked, &packs))
            .collect(),
        revisions,
        firmware,
        recalibrations: changes
            .iter()
            .map(|change| ChangeBody::of(change, &packs))
            .collect(),
        verdict,
    })
}
