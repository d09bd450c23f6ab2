//! `GET /v1/health`: what matters on a winter night.

use axum::{Json, extract::State, http::StatusCode};
use chrono::Utc;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    problem::Problem,
    state::{App, Backups, Intake},
    zulu::Zulu,
};
use crate::{
    intake::clocks,
    ledger,
    store::{self, Trouble},
    unit::thousandths,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(health))
}

#[derive(Serialize, ToSchema)]
pub(super) struct HealthBody {
    /// Readings come in and can be kept; never where no daemon runs.
    ok: bool,
    version: &'static str,
    started: Zulu,
    broker: Option<BrokerBody>,
    store: StoreBody,
    backups: Option<BackupsBody>,
    instruments: Vec<InstrumentBody>,
    last_marks: Vec<MarkBody>,
}

#[derive(Serialize, ToSchema)]
struct BrokerBody {
    /// packdrift is the broker itself.
    own: bool,
    address: Option<String>,
    connected: bool,
    connected_since: Option<Zulu>,
    /// Everything that was asked of the broker is granted: nothing published from now on is missed.
    subscribed: bool,
    last_error: Option<String>,
    refused_filters: Vec<String>,
    messages_taken: Option<u64>,
    unacknowledged: Option<usize>,
}

#[derive(Serialize, ToSchema)]
struct StoreBody {
    readings: i64,
    waiting_for_commit: u64,
    commits_fail_since: Option<Zulu>,
    commits_fail_because: Option<&'static str>,
    /// What to do about that.
    mend: Option<&'static str>,
    refused_messages: i64,
    /// Taken, but for values that differ from what was said before of the same instant.
    conflicting_messages: i64,
    database_bytes: Option<u64>,
    free_disk_bytes: Option<u64>,
}

#[derive(Serialize, ToSchema)]
struct BackupsBody {
    last: Option<Zulu>,
    fail_because: Option<&'static str>,
    /// What to do about that.
    mend: Option<&'static str>,
}

#[derive(Serialize, ToSchema)]
struct InstrumentBody {
    instrument: String,
    last_reading: Option<Zulu>,
    age_s: Option<i64>,
    /// Its clock less ours, with the way of a message in it.
    clock_off_s: Option<f64>,
    /// That is so much that its readings are dated wrongly.
    clock_wrong: bool,
}

#[derive(Serialize, ToSchema)]
#[schema(as = LastMarkBody)]
struct MarkBody {
    bank: String,
    at: Option<Zulu>,
}

/// How the logger is doing.
#[utoipa::path(
    get,
    path = "/v1/health",
    tag = "health",
    operation_id = "health",
    responses((status = 200, body = HealthBody), (status = 503, body = HealthBody))
)]
async fn health(State(app): State<App>) -> Result<(StatusCode, Json<HealthBody>), Problem> {
    let body = look(&app).await?;
    let status = if body.ok {
        StatusCode::OK
    } else {
        StatusCode::SERVICE_UNAVAILABLE
    };
    Ok((status, Json(body)))
}

/// How the logger is doing now.
pub(super) async fn look(app: &App) -> Result<HealthBody, Problem> {
    let now_ms = Utc::now().timestamp_millis();
    let broker = app.health().intake.as_ref().map(broker_body);
    let backups = app
        .health()
        .backups
        .as_ref()
        .map(|state| backups_body(&state.borrow()));
    let clocks = app.health().clocks.clone();
    let waiting = app.writer().waiting();
    let failing = app.writer().failing();
    let started = Zulu(app.health().started_ms);
    // Not through `ask`: health must answer while the writer can't.
    app.read(move |connection, setup| {
        let bytes = |path: &std::path::Path| std::fs::metadata(path).ok().map(|file| file.len());
        let instruments = ledger::last_heard(connection, setup, now_ms)?
            .into_iter()
            .map(|(instrument, last_ms)| {
                let off_ms = clocks.as_ref().and_then(|clocks| clocks.off_ms(instrument));
                InstrumentBody {
                    instrument: setup.entry(instrument).id.clone(),
                    last_reading: last_ms.map(Zulu),
                    age_s: last_ms.map(|last_ms| (now_ms - last_ms) / 1000),
                    clock_off_s: off_ms.map(thousandths),
                    clock_wrong: off_ms.is_some_and(|off_ms| off_ms.abs() > clocks::OFF_MS),
                }
            })
            .collect();
        let mut last_marks = Vec::new();
        for bank in &setup.banks {
            let last = store::anchor::of_bank(connection, &bank.id)?
                .last()
                .map(|anchor| Zulu(anchor.end_ms));
            last_marks.push(MarkBody {
                bank: bank.id.clone(),
                at: last,
            });
        }
        let (refused_messages, conflicting_messages) =
            store::quarantine::refused_and_in_conflict(connection)?;
        Ok(HealthBody {
            ok: failing.is_none() && broker.as_ref().is_some_and(|broker| broker.subscribed),
            version: env!("CARGO_PKG_VERSION"),
            started,
            broker,
            store: StoreBody {
                readings: store::hour::readings(connection)?,
                waiting_for_commit: waiting,
                commits_fail_since: failing.map(|failing| Zulu(failing.since_ms)),
                commits_fail_because: failing.map(|failing| failing.trouble.word()),
                mend: failing.map(|failing| failing.trouble.mend()),
                refused_messages,
                conflicting_messages,
                database_bytes: bytes(&setup.store.path),
                free_disk_bytes: rustix::fs::statvfs(&setup.store.path)
                    .ok()
                    .map(|disk| disk.f_bavail.saturating_mul(disk.f_frsize)),
            },
            backups,
            instruments,
            last_marks,
        })
    })
    .await
}

fn backups_body(state: &Backups) -> BackupsBody {
    BackupsBody {
        last: state.last_ms.map(Zulu),
        fail_because: state.failing.map(Trouble::word),
        mend: state.failing.map(Trouble::mend),
    }
}

fn broker_body(intake: &Intake) -> BrokerBody {
    match intake {
        Intake::Own(address) => BrokerBody {
            own: true,
            address: Some(address.to_string()),
            connected: true,
            connected_since: None,
            subscribed: true,
            last_error: None,
            refused_filters: Vec::new(),
            messages_taken: None,
            unacknowledged: None,
        },
        Intake::Broker(state) => {
            let state = state.borrow();
            BrokerBody {
                own: false,
                address: None,
                connected: state.connected_since_ms.is_some(),
                connected_since: state.connected_since_ms.map(Zulu),
                subscribed: state.subscribed,
                last_error: state.last_error.clone(),
                refused_filters: state.refused_filters.clone(),
                messages_taken: Some(state.taken),
                unacknowledged: Some(state.unacknowledged),
            }
        }
    }
}
