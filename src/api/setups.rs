//! `/v1/setups`: every setup file that was ever served, and what each changed of the past.

use std::path::Path;

use axum::{Json, extract, extract::State};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{problem::Problem, state::App, zulu::Zulu};
use crate::{
    config::{self, ChangeToPast, Setup, changes_to_past},
    store::setup_version::{self, Version},
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list)).routes(routes!(one))
}

#[derive(Serialize, ToSchema)]
struct Setups {
    setups: Vec<SetupBody>,
}

/// A setup file without its text.
#[derive(Serialize, ToSchema)]
struct SetupBody {
    digest: String,
    first_served: Zulu,
    /// It is the one that is served now.
    served: bool,
    /// What it changed of what held before it was served; null where one of the two files can't be read any more.
    changes_to_past: Option<Vec<ChangeBody>>,
}

#[derive(Serialize, ToSchema)]
#[schema(as = SetupChangeBody)]
struct ChangeBody {
    bank: String,
    /// Null: from the beginning.
    from: Option<Zulu>,
    what: String,
}

#[derive(Serialize, ToSchema)]
#[schema(as = SetupTextBody)]
struct TextBody {
    digest: String,
    first_served: Zulu,
    text: String,
}

/// Every setup file that was served, and what each changed of the past.
#[utoipa::path(
    get,
    path = "/v1/setups",
    tag = "setups",
    operation_id = "setups",
    responses((status = 200, body = Setups))
)]
async fn list(State(app): State<App>) -> Result<Json<Setups>, Problem> {
    app.read(|connection, setup| {
        let versions = setup_version::all(connection)?;
        let read: Vec<Option<Setup>> = versions.iter().map(|version| of(&version.text)).collect();
        let before = std::iter::once(None).chain(read.iter().map(Some));
        let setups = versions
            .iter()
            .zip(read.iter().zip(before))
            .map(|(version, (read, before))| SetupBody {
                digest: version.digest.clone(),
                first_served: Zulu(version.first_served_ms),
                served: version.digest == setup.digest,
                changes_to_past: match before {
                    None => Some(Vec::new()),
                    Some(before) => before.as_ref().zip(read.as_ref()).map(|(before, read)| {
                        let changes = changes_to_past(before, read, version.first_served_ms);
                        changes.into_iter().map(change).collect()
                    }),
                },
            })
            .collect();
        Ok(Setups { setups })
    })
    .await
    .map(Json)
}

/// The text of one.
#[utoipa::path(
    get,
    path = "/v1/setups/{digest}",
    tag = "setups",
    operation_id = "setup",
    params(("digest" = String, Path, description = "SHA-256 of its text, hex")),
    responses((status = 200, body = TextBody))
)]
async fn one(
    State(app): State<App>,
    extract::Path(digest): extract::Path<String>,
) -> Result<Json<TextBody>, Problem> {
    app.read(move |connection, _| {
        let versions = setup_version::all(connection)?;
        let known: Vec<_> = versions.iter().map(|version| version.digest.as_str()).collect();
        let unknown = Problem::unknown("setup", &digest, &known);
        let version = versions.into_iter().find(|version| version.digest == digest);
        version.map(text).ok_or(unknown)
    })
    .await
    .map(Json)
}

/// A setup as it was once written. What was right then may be wrong by the rules of today.
fn of(text: &str) -> Option<Setup> {
    config::parse("setup.toml", text, Path::new("")).ok()
}

fn change(change: ChangeToPast) -> ChangeBody {
    ChangeBody {
        bank: change.bank,
        from: change.from_ms.map(Zulu),
        what: change.what,
    }
}

fn text(version: Version) -> TextBody {
    TextBody {
        digest: version.digest,
        first_served: Zulu(version.first_served_ms),
        text: version.text,
    }
}
