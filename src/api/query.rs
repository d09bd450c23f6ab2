//! What stands in a query: instants as RFC 3339 or a plain date in the bank's time zone.

use std::fmt::Write;

use axum::{
    extract::{
        FromRequest, FromRequestParts, Path, Query, Request,
        rejection::{PathRejection, QueryRejection},
    },
    http::{StatusCode, request::Parts},
};
use chrono::{DateTime, NaiveDate, NaiveDateTime, NaiveTime, TimeZone, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, de::DeserializeOwned};
use utoipa::{
    IntoParams, PartialSchema, ToSchema,
    openapi::{
        KnownFormat, RefOr, Schema, SchemaFormat,
        schema::{AnyOfBuilder, ObjectBuilder, Type},
    },
};

use super::{BODY_BYTES, problem::Problem};
use crate::reading::HOUR_MS;

/// An instant as whoever asks writes it: RFC 3339, or a plain date in the bank's time zone.
pub(super) enum Instant {}

impl PartialSchema for Instant {
    fn schema() -> RefOr<Schema> {
        let text = |format| {
            ObjectBuilder::new()
                .schema_type(Type::String)
                .format(Some(SchemaFormat::KnownFormat(format)))
        };
        let either = AnyOfBuilder::new()
            .item(text(KnownFormat::DateTime))
            .item(text(KnownFormat::Date));
        RefOr::T(Schema::AnyOf(either.build()))
    }
}

impl ToSchema for Instant {}

/// One of a few words, for the description.
pub(super) fn one_of<const COUNT: usize>(words: [&'static str; COUNT]) -> ObjectBuilder {
    ObjectBuilder::new()
        .schema_type(Type::String)
        .enum_values(Some(words))
}

/// What a word that was sent means, of the few there are of what it is.
pub(super) fn meant<K, const COUNT: usize>(
    what: &str,
    written: &str,
    of: impl Fn(&str) -> Option<K>,
    words: [&'static str; COUNT],
) -> Result<K, Problem> {
    of(written).ok_or_else(|| {
        let known = words.join(", ");
        Problem::bad_body(format!("“{written}” is no {what}; one of: {known}"))
    })
}

/// A query, refused as a problem document where it can't be read.
pub(super) struct Asked<T>(pub T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequestParts<S> for Asked<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        match Query::from_request_parts(parts, state).await {
            Ok(Query(query)) => Ok(Self(query)),
            Err(rejection) => Err(Problem::bad_query(QueryRejection::body_text(&rejection))),
        }
    }
}

/// The number in a path, refused as a problem document where it is none.
pub(super) struct Numbered(pub i64);

impl<S: Send + Sync> FromRequestParts<S> for Numbered {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        match Path::from_request_parts(parts, state).await {
            Ok(Path(id)) => Ok(Self(id)),
            Err(rejection) => Err(Problem::bad_query(PathRejection::body_text(&rejection))),
        }
    }
}

/// A JSON body, refused as a problem document where it can't be read.
pub(super) struct Sent<T>(pub T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequest<S> for Sent<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Self, Problem> {
        match axum::Json::from_request(request, state).await {
            Ok(axum::Json(body)) => Ok(Self(body)),
            Err(rejection) if rejection.status() == StatusCode::PAYLOAD_TOO_LARGE => {
                Err(Problem::too_large(BODY_BYTES))
            }
            Err(rejection) => Err(Problem::bad_body(rejection.body_text())),
        }
    }
}

/// Reads an instant of a query: RFC 3339, or a plain date, which is its midnight in `zone`. In ms since 1970.
pub(super) fn instant(name: &str, text: &str, zone: Tz) -> Result<i64, Problem> {
    // An unescaped "+" of an offset arrives as a space.
    let hint = if text.contains(' ') {
        " (in a URL, write “+” as %2B)"
    } else {
        ""
    };
    read(text, zone).ok_or_else(|| Problem::bad_query(format!("{}{hint}", no_instant(name, text))))
}

/// The same of a body.
pub(super) fn sent_instant(name: &str, text: &str, zone: Tz) -> Result<i64, Problem> {
    read(text, zone).ok_or_else(|| Problem::bad_body(no_instant(name, text)))
}

fn read(text: &str, zone: Tz) -> Option<i64> {
    let date = || text.parse::<NaiveDate>().ok().map(|date| midnight(date, zone));
    let instant = DateTime::parse_from_rfc3339(text).ok();
    instant.map_or_else(date, |instant| Some(instant.timestamp_millis()))
}

fn no_instant(name: &str, text: &str) -> String {
    format!("{name}=“{text}” is no instant; write 2026-01-10 or 2026-01-10T08:00:00Z")
}

/// Reads the instant of something that somebody has seen, which is not to come yet. A day ahead is let pass, as for
/// readings: clocks differ.
pub(super) fn seen(text: &str, zone: Tz) -> Result<i64, Problem> {
    let at_ms = sent_instant("at", text, zone)?;
    if at_ms > Utc::now().timestamp_millis() + 24 * HOUR_MS {
        return Err(Problem::bad_body(format!(
            "at=“{text}” is still to come; write when it happened"
        )));
    }
    Ok(at_ms)
}

/// A question about a stretch of a bank's record.
#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct OfBank {
    #[param(inline, value_type = Option<Instant>)]
    pub(super) since: Option<String>,
    #[param(inline, value_type = Option<Instant>)]
    pub(super) until: Option<String>,
    pub(super) bank: Option<String>,
}

/// Reads the two ends of a stretch of time; what is left out is open. In ms since 1970.
///
/// # Errors
/// Where one of them is no instant, or they are the wrong way round.
pub fn stretch(since: Option<&str>, until: Option<&str>, zone: Tz) -> Result<(i64, i64), Problem> {
    let since_ms = since.map_or(Ok(i64::MIN), |text| instant("since", text, zone))?;
    let until_ms = until.map_or(Ok(i64::MAX), |text| instant("until", text, zone))?;
    if since_ms >= until_ms {
        return Err(Problem::bad_query("“since” must lie before “until”"));
    }
    Ok((since_ms, until_ms))
}

/// The first instant of a date in a zone, ms since 1970.
#[must_use]
pub fn midnight(date: NaiveDate, zone: Tz) -> i64 {
    instant_of(date.and_time(NaiveTime::MIN), zone)
}

/// The instant at which clocks in a zone first show this, ms since 1970; where they jump over it, that after the jump.
#[must_use]
pub fn instant_of(naive: NaiveDateTime, zone: Tz) -> i64 {
    let jumps = [0, 30, 60, 90, 120].map(chrono::Duration::minutes);
    jumps
        .into_iter()
        .find_map(|jump| zone.from_local_datetime(&(naive + jump)).earliest())
        .map_or_else(
            || naive.and_utc().timestamp_millis(),
            |instant| instant.timestamp_millis(),
        )
}

/// A query string of those parameters that are given.
#[must_use]
pub fn query_string(parameters: &[(&str, Option<&str>)]) -> String {
    let mut query = String::new();
    for (name, value) in parameters {
        if let Some(value) = value {
            query.push(if query.is_empty() { '?' } else { '&' });
            query.push_str(name);
            query.push('=');
            query.push_str(&percent_encoded(value));
        }
    }
    query
}

/// Text with everything but letters, digits and `-_.~` as `%20` and so on (RFC 3986, section 2.1).
#[must_use]
pub fn percent_encoded(text: &str) -> String {
    let mut encoded = String::new();
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-_.~".contains(&byte) {
            encoded.push(char::from(byte));
        } else {
            // Writing to a String does not fail.
            let _ = write!(encoded, "%{byte:02X}");
        }
    }
    encoded
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(text: &str, zone: Tz, expect: &str) {
        let read = instant("since", text, zone).unwrap();
        assert_eq!(super::super::zulu::Zulu(read).to_string(), expect);
    }

    #[test]
    fn a_plain_date_is_midnight_where_the_bank_is() {
        check("2026-01-10", chrono_tz::Europe::Oslo, "2026-01-09T23:00:00Z");
        check("2026-07-10", chrono_tz::Europe::Oslo, "2026-07-09T22:00:00Z");
    }

    #[test]
    fn a_day_whose_midnight_is_skipped_begins_after_the_jump() {
        // In 2018 São Paulo went from 00:00 to 01:00 on 4 November (IANA time zone database).
        check(
            "2018-11-04",
            chrono_tz::America::Sao_Paulo,
            "2018-11-04T03:00:00Z",
        );
    }

    #[test]
    fn an_offset_is_taken_as_written() {
        check(
            "2026-01-10T08:00:00+01:00",
            chrono_tz::UTC,
            "2026-01-10T07:00:00Z",
        );
    }

    #[test]
    fn what_is_no_instant_is_refused() {
        assert!(instant("since", "10 January", chrono_tz::UTC).is_err());
    }
}
