//! When a reading held: RFC 3339 text or a count since 1970, to ms.
//!
//! Whether an instant is plausible is decided here too; whether an arrival time may stand in for a missing one is
//! [`live`](super::live)'s.

use chrono::DateTime;
use serde_json::Value;

use super::value::quoted;
use crate::reading::{Reason, Refusal, rfc3339};

/// 2010-01-01T00:00:00Z: no instrument of this kind reports from before, only clocks that lost their time. Those begin
/// at 1970, 1980 or 2000, and a single reading from then would stretch every question without a beginning over decades.
const EARLIEST_MS: i64 = 1_262_304_000_000;

/// How far ahead of the arrival an instrument's clock may be.
const AHEAD_MS: i64 = 24 * 3600 * 1000;

/// A count since 1970 from here on is of ms, below of s: in s it would be after the year 5100, in ms before
/// 1974.
const LEAST_MS: f64 = 1e11;

/// The instant that a text names, ms since 1970-01-01T00:00:00Z.
///
/// Text is RFC 3339 with any offset. A leap second, `23:59:60Z`, is the instant that the next minute begins
/// with, as everywhere in POSIX time. A plain number in text is taken as [`from_count`] takes it.
#[must_use]
pub fn from_text(text: &str) -> Option<i64> {
    let text = text.trim();
    match DateTime::parse_from_rfc3339(text) {
        Ok(at) => Some(at.timestamp_millis()),
        Err(_) => text.parse().ok().and_then(from_count),
    }
}

/// The instant of a number of s or ms since 1970, told apart by magnitude; fractions of a ms are rounded.
#[must_use]
pub fn from_count(count: f64) -> Option<i64> {
    let ms = if count.abs() < LEAST_MS {
        count * 1000.0
    } else {
        count
    };
    // Beyond this, neighbouring floats are more than a ms apart and no clock has ever been there.
    if !ms.is_finite() || ms.abs() >= 9e15 {
        return None;
    }
    #[expect(clippy::cast_possible_truncation, reason = "bounded just above")]
    Some(ms.round() as i64)
}

/// The instant that a value in a JSON document names.
///
/// # Errors
/// `BadTime` for what can't be read as one.
pub(super) fn from_value(value: &Value) -> Result<i64, Refusal> {
    match value {
        Value::String(text) => from_text(text),
        Value::Number(count) => count.as_f64().and_then(from_count),
        _ => None,
    }
    .ok_or_else(|| Refusal {
        reason: Reason::BadTime,
        detail: format!(
            "{} is neither an RFC 3339 time nor a count of s or ms since 1970",
            quoted(value)
        ),
    })
}

/// Refuses an instant before 2010 or more than a day after the message arrived.
pub(crate) fn plausible(at_ms: i64, arrived_ms: i64) -> Result<i64, Refusal> {
    if at_ms < EARLIEST_MS {
        return Err(implausible(at_ms, "is before 2010: the clock was not set"));
    }
    if at_ms > arrived_ms.saturating_add(AHEAD_MS) {
        return Err(implausible(at_ms, "is more than a day after the message arrived"));
    }
    Ok(at_ms)
}

fn implausible(at_ms: i64, why: &str) -> Refusal {
    let at = rfc3339(at_ms);
    Refusal {
        reason: Reason::ImplausibleTime,
        detail: format!("{at} {why}"),
    }
}
