//! From what stands in a body to a channel's value in its kept unit.
//!
//! Knows how numbers and switches are written; what an instrument can do is [`limits`](super::limits)'.

use serde_json::Value;

use crate::reading::{Channel, Reason, Refusal};

/// The value of a channel where a JSON document has it; `None` for `null`, which says that nothing is known.
///
/// `scale` makes A, V, %, Ah or °C of the number.
pub(crate) fn from_json(channel: Channel, value: &Value, scale: f64) -> Result<Option<i64>, Refusal> {
    match value {
        Value::Null => Ok(None),
        Value::Bool(on) if channel.is_switch() => Ok(Some(i64::from(*on))),
        Value::Number(number) => {
            let number = number
                .as_f64()
                .ok_or_else(|| not_a_number(channel, &quoted(value)))?;
            kept(channel, number, scale).map(Some)
        }
        Value::String(text) => from_text(channel, text, scale).map(Some),
        Value::Bool(_) | Value::Array(_) | Value::Object(_) => Err(not_a_number(channel, &quoted(value))),
    }
}

/// The value of a channel written as plain text; a decimal comma is understood.
pub(crate) fn from_text(channel: Channel, text: &str, scale: f64) -> Result<i64, Refusal> {
    let text = text.trim();
    if channel.is_switch() {
        match text.to_ascii_lowercase().as_str() {
            "on" | "true" | "online" => return Ok(1),
            "off" | "false" | "offline" => return Ok(0),
            _ => {}
        }
    }
    number(text)
        .ok_or_else(|| not_a_number(channel, &shortened(text)))
        .and_then(|number| kept(channel, number, scale))
}

/// A number as people write it. Two commas, or a comma beside a point, separate thousands: which is not guessed.
fn number(text: &str) -> Option<f64> {
    let number: f64 = match text.split_once(',') {
        None => text.parse().ok()?,
        Some((whole, fraction)) if !fraction.contains(',') && !text.contains('.') => {
            format!("{whole}.{fraction}").parse().ok()?
        }
        Some(_) => return None,
    };
    number.is_finite().then_some(number)
}

/// Rounds to the kept unit, halves away from zero.
fn kept(channel: Channel, number: f64, scale: f64) -> Result<i64, Refusal> {
    // Scale and unit first: their product is a whole number wherever the instrument reports in a decimal
    // fraction of the unit, so that what was a whole number stays one.
    let kept = if channel.is_switch() {
        number
    } else {
        (number * (scale * channel.kept_per_unit())).round()
    };
    let fraction = channel.is_switch() && number.fract() != 0.0;
    if fraction || !kept.is_finite() || kept.abs() >= 9e15 {
        return Err(out_of_range(channel, &number.to_string()));
    }
    #[expect(clippy::cast_possible_truncation, reason = "whole and bounded just above")]
    Ok(kept as i64)
}

fn not_a_number(channel: Channel, what: &str) -> Refusal {
    Refusal {
        reason: Reason::NotANumber,
        detail: format!("{}: {what} is not a finite number", channel.name()),
    }
}

/// A value that the instrument can't have; `what` is the value as a person reads it.
pub(super) fn out_of_range(channel: Channel, what: &str) -> Refusal {
    Refusal {
        reason: Reason::OutOfRange,
        detail: format!("{}: {what} is outside what the instrument can do", channel.name()),
    }
}

/// A JSON value for a message to a person, at a bearable length.
pub(super) fn quoted(value: &Value) -> String {
    match value {
        Value::Array(_) => "an array".into(),
        Value::Object(_) => "an object".into(),
        Value::String(text) => shortened(text),
        Value::Null | Value::Bool(_) | Value::Number(_) => value.to_string(),
    }
}

/// Text in quotes, cut where it gets long as shown: a body may be a megabyte, and each character an escape.
pub(crate) fn shortened(text: &str) -> String {
    const LONGEST: usize = 60;
    let shown: String = text.chars().take(LONGEST).flat_map(char::escape_debug).collect();
    let cut: String = shown.chars().take(LONGEST).collect();
    let more = text.chars().nth(LONGEST).is_some() || cut.len() < shown.len();
    format!("\"{cut}\"{}", if more { "…" } else { "" })
}
