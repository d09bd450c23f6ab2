//! What can go wrong, as RFC 9457 problem documents. `detail` says what to do; the cause goes to the log.

use axum::{
    Json,
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use serde::Serialize;
use utoipa::ToSchema;

use crate::store::OpenError;

/// A problem document.
#[derive(Debug, Serialize, ToSchema)]
pub struct Problem {
    #[serde(rename = "type")]
    kind: String,
    title: &'static str,
    status: u16,
    detail: String,
}

impl Problem {
    fn new(status: StatusCode, kind: &str, title: &'static str, detail: impl Into<String>) -> Self {
        Self {
            kind: format!("urn:packdrift:{kind}"),
            title,
            status: status.as_u16(),
            detail: detail.into(),
        }
    }

    /// What kind it is and what to do, for whoever is no client of HTTP.
    #[must_use]
    pub fn told(self) -> (String, String) {
        (self.title.to_owned(), self.detail)
    }

    /// A query that can't be read.
    pub(super) fn bad_query(detail: impl Into<String>) -> Self {
        Self::new(
            StatusCode::BAD_REQUEST,
            "bad-query",
            "The question can't be read",
            detail,
        )
    }

    /// A body that can't be taken.
    pub(super) fn bad_body(detail: impl Into<String>) -> Self {
        Self::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            "bad-body",
            "What was sent can't be taken",
            detail,
        )
    }

    /// A name that the setup doesn't have.
    pub(super) fn unknown(what: &str, name: &str, known: &[&str]) -> Self {
        let detail = format!("there is no {what} “{name}”; there is: {}", known.join(", "));
        Self::new(
            StatusCode::NOT_FOUND,
            &format!("unknown-{what}"),
            "No such name",
            detail,
        )
    }

    /// A name that the setup has, but for something else.
    pub(super) fn named_otherwise(what: &str, name: &str, is: &str) -> Self {
        let detail =
            format!("“{name}” is a {is}, no {what}: send it as “{is}”, on the command line with --{is}");
        Self::new(
            StatusCode::NOT_FOUND,
            &format!("unknown-{what}"),
            "No such name",
            detail,
        )
    }

    /// A note or phase that was never written.
    pub(super) fn not_written(what: &str, id: i64) -> Self {
        let detail = format!("there is no {what} {id}; GET /v1/{what}s lists them");
        Self::new(
            StatusCode::NOT_FOUND,
            &format!("unknown-{what}"),
            "Never written",
            detail,
        )
    }

    pub(super) fn no_such_page() -> Self {
        let detail = "the questions are under /v1, e.g. /v1/drift?since=2026-01-10 or /v1/health";
        Self::new(StatusCode::NOT_FOUND, "no-such-page", "Nothing is here", detail)
    }

    pub(super) fn no_such_method() -> Self {
        let detail = "GET asks; POST, PUT and DELETE go to /v1/notes, /v1/phases and /v1/marks";
        Self::new(
            StatusCode::METHOD_NOT_ALLOWED,
            "no-such-method",
            "That can't be done here",
            detail,
        )
    }

    /// Nobody who may ask.
    #[must_use]
    pub fn no_token() -> Self {
        let detail = "send a token as “Authorization: Bearer …”; `packdrift token` makes one";
        Self::new(StatusCode::UNAUTHORIZED, "no-token", "A token is needed", detail)
    }

    pub(super) fn read_only_token() -> Self {
        let detail = "this token may only read; use one with the scope “write”";
        Self::new(
            StatusCode::FORBIDDEN,
            "read-only-token",
            "This token may not write",
            detail,
        )
    }

    pub(super) fn no_host() -> Self {
        let detail = "send one “Host” with the name or address that was asked, e.g. “Host: localhost”";
        Self::new(
            StatusCode::BAD_REQUEST,
            "no-host",
            "It isn't clear who is meant",
            detail,
        )
    }

    pub(super) fn foreign_host() -> Self {
        let detail =
            "this answers to localhost only; ask it as localhost or 127.0.0.1, also from a reverse proxy";
        Self::new(
            StatusCode::MISDIRECTED_REQUEST,
            "foreign-host",
            "Somebody else is meant",
            detail,
        )
    }

    pub(super) fn cross_site() -> Self {
        let detail = "a page of another site sent this; only packdrift's own page and other programs may";
        Self::new(
            StatusCode::FORBIDDEN,
            "cross-site",
            "Another site may not write here",
            detail,
        )
    }

    pub(super) fn no_length() -> Self {
        let detail = "send the body in one piece with its Content-Length, without a Transfer-Encoding";
        Self::new(
            StatusCode::LENGTH_REQUIRED,
            "no-length",
            "The length is needed",
            detail,
        )
    }

    pub(super) fn too_large(bytes: usize) -> Self {
        let detail = format!("more than {bytes} bytes is no note; send a shorter one");
        Self::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            "too-large",
            "What was sent is too large",
            detail,
        )
    }

    pub(super) fn too_slow(seconds: u64) -> Self {
        let detail = format!("it was not answered within {seconds} s; ask for less, or send faster");
        Self::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "too-slow",
            "It took too long",
            detail,
        )
    }

    /// What is derived lacks readings that are there, and the writer has other work.
    pub(super) fn behind() -> Self {
        let detail =
            "readings have come that are not counted yet, and the writer is busy; ask again in a moment";
        Self::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "behind",
            "Not counted yet",
            detail,
        )
    }

    pub(super) fn stopping() -> Self {
        let detail = "the daemon is stopping; ask again in a moment";
        Self::new(StatusCode::SERVICE_UNAVAILABLE, "stopping", "Not now", detail)
    }

    /// Nothing that whoever asked can mend.
    #[must_use]
    pub fn internal() -> Self {
        let detail = "the log of the daemon says more";
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "internal",
            "Something went wrong here",
            detail,
        )
    }
}

impl From<rusqlite::Error> for Problem {
    fn from(error: rusqlite::Error) -> Self {
        tracing::error!(
            error = &error as &dyn std::error::Error,
            "the store could not be asked"
        );
        Self::internal()
    }
}

impl From<OpenError> for Problem {
    fn from(error: OpenError) -> Self {
        tracing::error!(
            error = &error as &dyn std::error::Error,
            "the store could not be opened"
        );
        Self::internal()
    }
}

/// When to ask again what can't be answered now, s.
const SOON_S: HeaderValue = HeaderValue::from_static("5");

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let mut response = (status, Json(self)).into_response();
        let kind = HeaderValue::from_static("application/problem+json");
        response.headers_mut().insert(header::CONTENT_TYPE, kind);
        if status == StatusCode::SERVICE_UNAVAILABLE {
            response.headers_mut().insert(header::RETRY_AFTER, SOON_S);
        }
        response
    }
}
