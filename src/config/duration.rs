//! Durations as people write them: `5m`, `12h`, `7d`, or ISO 8601, `PT5M`.

use std::time::Duration;

use jiff::{Span, SpanRelativeTo};

/// Reads a positive duration. A day is 24 hours; months and years are refused, since they have no one length.
///
/// # Errors
/// In words, what is wrong.
pub fn duration(text: &str) -> Result<Duration, String> {
    let span: Span = text.parse().map_err(|_| format!("“{text}” is no duration"))?;
    let signed = span
        .to_duration(SpanRelativeTo::days_are_24_hours())
        .map_err(|_| format!("“{text}” has no one length"))?;
    let duration = Duration::try_from(signed).map_err(|_| format!("“{text}” is negative"))?;
    if duration.is_zero() {
        Err(format!("“{text}” is nothing"))
    } else {
        Ok(duration)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_spellings_are_read() {
        for (text, seconds) in [
            ("5m", 300),
            ("12h", 43_200),
            ("PT5M", 300),
            ("PT12H", 43_200),
            ("7d", 604_800),
            ("90s", 90),
        ] {
            assert_eq!(duration(text), Ok(Duration::from_secs(seconds)), "{text}");
        }
        assert_eq!(duration("1h 30m"), duration("PT1H30M"));
    }

    #[test]
    fn what_is_none_is_refused() {
        for text in ["", "5", "m", "-5m", "0s", "P1M", "5 parsecs"] {
            assert!(duration(text).is_err(), "{text}");
        }
    }
}
