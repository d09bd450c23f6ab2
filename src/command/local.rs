//! Instants of an answer as clocks at the bank show them: on a terminal a day is the bank's day, as it is on the page
//! and where somebody asks from a date on.

use chrono::{DateTime, SecondsFormat};
use chrono_tz::Tz;
use serde_json::Value;

/// An answer whose instants are written in a zone, with their offset.
#[must_use]
pub fn local(answer: Value, zone: Tz) -> Value {
    match answer {
        Value::String(text) => match DateTime::parse_from_rfc3339(&text) {
            Ok(instant) => instant
                .with_timezone(&zone)
                .to_rfc3339_opts(SecondsFormat::AutoSi, true)
                .into(),
            Err(_) => text.into(),
        },
        Value::Array(values) => values.into_iter().map(|value| local(value, zone)).collect(),
        Value::Object(fields) => {
            let fields = fields.into_iter();
            fields.map(|(name, value)| (name, local(value, zone))).collect()
        }
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn a_day_is_that_of_the_bank() {
        let answer = json!({"bank": "skerry", "spans": [{"begin": "2026-01-09T13:30:00Z", "end": null}]});
        assert_eq!(
            local(answer.clone(), chrono_tz::Australia::Sydney),
            json!({"bank": "skerry", "spans": [{"begin": "2026-01-10T00:30:00+11:00", "end": null}]})
        );
        assert_eq!(local(answer.clone(), chrono_tz::UTC), answer);
    }
}
