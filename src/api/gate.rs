//! What stands before every question: that it was meant for this daemon, and was not sent by somebody's web page.
//!
//! A page in a browser on the same machine reaches loopback too. It may lead a name of its own here (DNS
//! rebinding), which shows in `Host`, or send something off without being able to read the answer, which shows in
//! `Sec-Fetch-Site` (W3C Fetch Metadata) or `Origin`.

use std::{net::IpAddr, time::Duration};

use axum::{
    extract::{Request, State},
    http::{HeaderMap, HeaderName, HeaderValue, Method, header, uri::Authority},
    middleware::Next,
    response::{IntoResponse, Response},
};

use super::{BODY_BYTES, problem::Problem};

/// How long one question may take, with its body.
const LONGEST: Duration = Duration::from_secs(30);

const SEC_FETCH_SITE: HeaderName = HeaderName::from_static("sec-fetch-site");

/// Who may be meant by a request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Meant {
    /// Only this machine: the API listens on loopback.
    ThisMachine,
    /// Whatever name the machine has on its network; whoever asks has a token.
    AnyName,
}

pub(super) async fn guard(State(meant): State<Meant>, request: Request, next: Next) -> Response {
    if let Err(problem) = admit(meant, &request) {
        return problem.into_response();
    }
    match tokio::time::timeout(LONGEST, next.run(request)).await {
        Ok(response) => response,
        Err(_elapsed) => Problem::too_slow(LONGEST.as_secs()).into_response(),
    }
}

fn admit(meant: Meant, request: &Request) -> Result<(), Problem> {
    let headers = request.headers();
    let host = host(headers)?;
    let asked = request.uri().authority();
    if meant == Meant::ThisMachine && ![Some(&host), asked].into_iter().flatten().all(is_here) {
        return Err(Problem::foreign_host());
    }
    // Two servers in a row that disagree where a body ends can be made to take one request for two.
    if headers.contains_key(header::TRANSFER_ENCODING) {
        return Err(Problem::no_length());
    }
    // A body that is announced as too long is refused before any of it comes.
    let length = headers.get(header::CONTENT_LENGTH);
    let announced = length.and_then(|length| length.to_str().ok()?.parse::<u64>().ok());
    if announced.is_some_and(|bytes| bytes > BODY_BYTES as u64) {
        return Err(Problem::too_large(BODY_BYTES));
    }
    let only_asks = matches!(*request.method(), Method::GET | Method::HEAD);
    if !only_asks && is_sent_from_elsewhere(headers) {
        return Err(Problem::cross_site());
    }
    Ok(())
}

/// The one `Host` of a request.
fn host(headers: &HeaderMap) -> Result<Authority, Problem> {
    let mut given = headers.get_all(header::HOST).iter();
    let (Some(host), None) = (given.next(), given.next()) else {
        return Err(Problem::no_host());
    };
    let host = host.to_str().ok().and_then(|host| host.parse().ok());
    host.ok_or_else(Problem::no_host)
}

/// Whether a name is one of this machine's own for itself.
#[must_use]
pub fn is_here(authority: &Authority) -> bool {
    let host = authority.host();
    let literal = host.trim_start_matches('[').trim_end_matches(']');
    host.eq_ignore_ascii_case("localhost")
        || literal
            .parse::<IpAddr>()
            .is_ok_and(|address| address.is_loopback())
}

/// Whether a browser says that a page of another origin sent this. Other programs say nothing of the kind.
#[must_use]
pub fn is_sent_from_elsewhere(headers: &HeaderMap) -> bool {
    if let Some(site) = headers.get(SEC_FETCH_SITE) {
        return !matches!(site.as_bytes(), b"same-origin" | b"none");
    }
    let Some(origin) = headers.get(header::ORIGIN) else {
        return false;
    };
    let text = |value: &'_ HeaderValue| value.to_str().ok().map(str::to_owned);
    let host = headers.get(header::HOST).and_then(text);
    let origin = text(origin).and_then(|origin| Some(origin.split_once("://")?.1.to_owned()));
    !matches!((origin, host), (Some(origin), Some(host)) if origin.eq_ignore_ascii_case(&host))
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
    fn only_this_page_sends_its_forms() {
        assert!(!is_sent_from_elsewhere(&headers(&[(
            "sec-fetch-site",
            "same-origin"
        )])));
        assert!(is_sent_from_elsewhere(&headers(&[(
            "sec-fetch-site",
            "cross-site"
        )])));
        assert!(is_sent_from_elsewhere(&headers(&[(
            "sec-fetch-site",
            "same-site"
        )])));
        assert!(!is_sent_from_elsewhere(&headers(&[
            ("host", "a:1"),
            ("origin", "http://a:1")
        ])));
        assert!(is_sent_from_elsewhere(&headers(&[
            ("host", "a:1"),
            ("origin", "http://a:2")
        ])));
        assert!(is_sent_from_elsewhere(&headers(&[
            ("host", "a:1"),
            ("origin", "null")
        ])));
    }
}
