//! Questions over HTTP: one router a resource.
//!
//! Handlers read the query, ask `ledger` and `charge`, and shape the answer; they hold no SQL and no arithmetic.
//! [`problem`] is the only place that knows both what can go wrong and how HTTP says so.

mod anchors;
mod balance;
mod call;
mod causes;
mod compare;
mod drift;
mod etag;
mod evidence;
mod forecast;
mod gate;
mod health;
mod kept;
mod marks;
mod metrics;
mod notes;
mod openapi;
mod packs;
mod phases;
pub mod problem;
mod quarantine;
mod query;
mod readings;
mod reference;
mod series;
mod serve;
mod setups;
mod state;
mod token;
mod zulu;

use std::net::SocketAddr;

use axum::{Router, middleware};
use utoipa_axum::router::OpenApiRouter;

pub use call::{CallError, call};
pub use gate::{is_here, is_sent_from_elsewhere};
pub use query::{instant_of, midnight, percent_encoded, query_string, stretch};
pub use readings::field;
pub use serve::serve;
pub use state::{App, Backups, Health, Intake};
pub use token::{Scope, Tokens, TokensError, bearer, issue as issue_token, secret};
pub use zulu::Zulu;

use problem::Problem;

/// Bodies of posts are notes: more than this is no note.
const BODY_BYTES: usize = 256 * 1024;

/// A router for whoever can reach the address that it listens on.
pub fn guarded(router: Router, listen: SocketAddr) -> Router {
    let meant = if listen.ip().is_loopback() {
        gate::Meant::ThisMachine
    } else {
        gate::Meant::AnyName
    };
    router.layer(middleware::from_fn_with_state(meant, gate::guard))
}

/// Everything under `/v1`, ready to be served.
pub fn app(app: App) -> Router {
    questions(app.clone()).layer(middleware::from_fn_with_state(app, token::guard))
}

/// The same without asking who asks: for those within this program, who have asked already.
pub fn questions(app: App) -> Router {
    let answers = OpenApiRouter::new()
        .merge(drift::router())
        .merge(series::router())
        .merge(balance::router())
        .merge(causes::router())
        .merge(compare::router())
        .merge(reference::router())
        .merge(forecast::router())
        .merge(evidence::router())
        .layer(middleware::from_fn_with_state(app.clone(), kept::keep));
    let (router, mut description) = openapi::begun()
        .merge(answers)
        .merge(anchors::router())
        .merge(phases::router())
        .merge(marks::router())
        .merge(notes::router())
        .merge(packs::router())
        .merge(setups::router())
        .merge(readings::router())
        .merge(quarantine::router())
        .split_for_parts();
    let (health, its_description) = health::router().split_for_parts();
    description.merge(its_description);
    router
        .merge(openapi::router(&description))
        .layer(middleware::from_fn(etag::revalidate))
        .merge(health)
        .merge(metrics::router())
        .fallback(async || Problem::no_such_page())
        .method_not_allowed_fallback(async || Problem::no_such_method())
        .layer(axum::extract::DefaultBodyLimit::max(BODY_BYTES))
        .with_state(app)
}
