//! Who is at the page: everybody who reaches it where it listens on loopback only, else whoever signed in with a
//! token. Also what keeps other pages from sending this page's forms.
//!
//! A session is a random number in a cookie that scripts can't read and other sites don't send; its hash is kept
//! in memory, so that it ends with the daemon. Forms carry a secret twice, in a cookie and in the form, and are
//! taken only from this page.

use std::{
    collections::HashMap,
    sync::{Mutex, PoisonError},
    time::{Duration, Instant},
};

use axum::{
    Form,
    extract::{FromRequestParts, Request, State},
    http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header, request::Parts},
    middleware::Next,
    response::{AppendHeaders, IntoResponse, Redirect, Response},
};
use maud::html;
use serde::Deserialize;
use sha2::{Digest, Sha256};

use super::{Page, asked::Refused, now, paper};
use crate::api::{Scope, bearer, is_here, is_sent_from_elsewhere, problem::Problem, secret};

/// How long a person stays signed in.
const SESSION: Duration = Duration::from_secs(30 * 24 * 3600);
const SESSION_COOKIE: &str = "packdrift_session";
const FORM_COOKIE: &str = "packdrift_form";

/// Who is signed in.
#[derive(Default)]
pub(super) struct Sessions(Mutex<HashMap<[u8; 32], (Scope, Instant)>>);

impl Sessions {
    /// Begins a session; gives the number that goes into the cookie.
    fn begin(&self, scope: Scope) -> String {
        let number = secret();
        let mut sessions = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        sessions.retain(|_, (_, begun)| begun.elapsed() < SESSION);
        sessions.insert(Sha256::digest(&number).into(), (scope, Instant::now()));
        number
    }

    fn scope_of(&self, number: &str) -> Option<Scope> {
        let hash: [u8; 32] = Sha256::digest(number).into();
        let sessions = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let (scope, begun) = sessions.get(&hash)?;
        (begun.elapsed() < SESSION).then_some(*scope)
    }
}

/// Who is looking at the page.
#[derive(Debug, Clone, Copy)]
pub(super) struct Visitor {
    /// May add notes.
    pub may_write: bool,
}

impl<S: Send + Sync> FromRequestParts<S> for Visitor {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        // `admit` put it there.
        parts.extensions.get().copied().ok_or_else(Problem::internal)
    }
}

/// Lets in whoever may ask; a person is led to where to sign in.
pub(super) async fn admit(State(page): State<Page>, mut request: Request, next: Next) -> Response {
    let headers = request.headers();
    let scope = match page.app.tokens() {
        None => Some(Scope::Write),
        Some(tokens) => match bearer(headers) {
            Some(token) => tokens.scope_of(token),
            None => cookie(headers, SESSION_COOKIE).and_then(|number| page.sessions.scope_of(number)),
        },
    };
    let Some(scope) = scope else {
        return match request.uri().path() {
            "/" => Redirect::to("/sign-in").into_response(),
            "/now" => now::signed_out(),
            _ => Problem::no_token().into_response(),
        };
    };
    request.extensions_mut().insert(Visitor {
        may_write: scope == Scope::Write,
    });
    next.run(request).await
}

/// Where a person signs in.
pub(super) async fn form() -> paper::Document {
    sign_in_form(None)
}

fn sign_in_form(wrong: Option<&str>) -> paper::Document {
    let status = if wrong.is_some() {
        StatusCode::FORBIDDEN
    } else {
        StatusCode::OK
    };
    paper::simple(
        status,
        "Sign in",
        &html! {
            p { "This packdrift can be reached from other machines, so it wants to know who asks." }
            @if let Some(wrong) = wrong { p class="wrong" role="alert" { (wrong) } }
            form method="post" action="/sign-in" {
                label for="token" { "Token, as " code { "packdrift token" } " printed it" }
                input id="token" name="token" type="password" autocomplete="current-password" required;
                button { "Sign in" }
            }
        },
    )
}

#[derive(Deserialize)]
pub(super) struct SignIn {
    token: String,
}

pub(super) async fn sign_in(
    State(page): State<Page>,
    headers: HeaderMap,
    Form(sign_in): Form<SignIn>,
) -> Response {
    if is_sent_from_elsewhere(&headers) {
        return sign_in_form(Some("This form was sent by another site.")).into_response();
    }
    let Some(tokens) = page.app.tokens() else {
        return Redirect::to("/").into_response();
    };
    match tokens.scope_of(sign_in.token.trim()) {
        Some(scope) => {
            let number = page.sessions.begin(scope);
            let lasts = format!("; Max-Age={}", SESSION.as_secs());
            (
                set_cookie(&headers, SESSION_COOKIE, &number, &lasts),
                Redirect::to("/"),
            )
                .into_response()
        }
        None => sign_in_form(Some("No such token is known here.")).into_response(),
    }
}

/// The secret that this browser's forms carry: the one it has, else a new one.
pub(super) fn form_secret(headers: &HeaderMap) -> String {
    cookie(headers, FORM_COOKIE).map_or_else(secret, str::to_owned)
}

/// The header that has the browser keep it.
pub(super) fn keep_form_secret(
    headers: &HeaderMap,
    secret: &str,
) -> impl axum::response::IntoResponseParts + use<> {
    set_cookie(headers, FORM_COOKIE, secret, "")
}

/// Whether a form was filled in here: its secret is the one in the cookie, and no other site sent it.
pub(super) fn check_form(page: &Page, headers: &HeaderMap, secret: &str) -> Result<(), Refused> {
    let same_secret = cookie(headers, FORM_COOKIE) == Some(secret);
    // Without tokens the only guard is that this is loopback; a foreign name that was made to point here is none.
    let known_host = page.app.tokens().is_some() || names_loopback(headers);
    if same_secret && known_host && !is_sent_from_elsewhere(headers) {
        return Ok(());
    }
    Err(Refused {
        status: StatusCode::FORBIDDEN,
        title: "This form was not filled in here".to_owned(),
        detail: "open the page again, by its own address, and send the form once more".to_owned(),
    })
}

fn names_loopback(headers: &HeaderMap) -> bool {
    let host = headers.get(header::HOST);
    host.is_none_or(|host| {
        let host = host.to_str().ok().and_then(|host| host.parse().ok());
        host.is_some_and(|host| is_here(&host))
    })
}

fn cookie<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(';'))
        .find_map(|pair| {
            let (key, value) = pair.trim().split_once('=')?;
            (key == name).then_some(value)
        })
}

/// Of a request over TLS, which ends at a proxy before packdrift, the cookie goes back over TLS only.
fn set_cookie(
    headers: &HeaderMap,
    name: &str,
    value: &str,
    more: &str,
) -> AppendHeaders<[(HeaderName, HeaderValue); 1]> {
    let over_tls = headers.get("x-forwarded-proto").is_some_and(|by| by == "https");
    let secure = if over_tls { "; Secure" } else { "" };
    let cookie = format!("{name}={value}; Path=/; HttpOnly; SameSite=Strict{secure}{more}");
    // What was kept by a browser may be anything; what can't be sent back is not.
    let value = HeaderValue::from_str(&cookie).unwrap_or(HeaderValue::from_static(""));
    AppendHeaders([(header::SET_COOKIE, value)])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &'static str)]) -> HeaderMap {
        pairs
            .iter()
            .map(|(name, value)| (HeaderName::from_static(name), HeaderValue::from_static(value)))
            .collect()
    }

    #[test]
    fn a_foreign_name_for_loopback_is_none() {
        for host in ["127.0.0.1:8077", "localhost", "[::1]:8077"] {
            assert!(names_loopback(
                &[(header::HOST, HeaderValue::from_static(host))]
                    .into_iter()
                    .collect()
            ));
        }
        assert!(!names_loopback(&headers(&[("host", "winter.example:8077")])));
    }

    #[test]
    fn a_cookie_that_came_over_tls_goes_back_over_tls_only() {
        let secure = |pairs| {
            let AppendHeaders([(_, cookie)]) = set_cookie(&headers(pairs), FORM_COOKIE, "1", "");
            cookie.to_str().unwrap().contains("; Secure")
        };
        assert!(secure(&[("x-forwarded-proto", "https")]));
        assert!(!secure(&[("x-forwarded-proto", "http")]) && !secure(&[]));
    }

    #[test]
    fn a_session_is_known_by_its_number_only() {
        let sessions = Sessions::default();
        let number = sessions.begin(Scope::Read);
        assert_eq!(sessions.scope_of(&number), Some(Scope::Read));
        assert_eq!(sessions.scope_of("0"), None);
    }
}
