//! Units as people and formats write them, and what they make of a number; whole numbers of small units as fractions.
//!
//! Only units that differ by a factor: what needs an offset (K, °F) is not taken, since it is rather a mistake.

use std::time::Duration;

use crate::reading::Channel;

/// A duration in ms; what is longer than there are times, the longest.
#[must_use]
pub fn as_ms(duration: Duration) -> i64 {
    i64::try_from(duration.as_millis()).unwrap_or(i64::MAX)
}

/// Thousandths (mA, mV, mAh, ms) in the whole unit (A, V, Ah, s).
#[must_use]
#[expect(
    clippy::cast_precision_loss,
    reason = "quantities and spans of time are far below 2^52"
)]
pub fn thousandths(value: i64) -> f64 {
    value as f64 / 1000.0
}

/// Tenths of a percent or of a degree in % or °C.
#[must_use]
#[expect(clippy::cast_precision_loss, reason = "quantities are far below 2^52")]
pub fn tenths(value: i64) -> f64 {
    value as f64 / 10.0
}

/// What a number in a unit is multiplied with to give the channel's own unit (A, V, %, Ah, °C); `None` where the
/// unit can't be one of this channel.
///
/// Symbols are those of the SI, of the SenML registry (RFC 8428 section 12.1, RFC 8798) and of common loggers.
#[must_use]
pub fn scale(channel: Channel, unit: &str) -> Option<f64> {
    let unit = unit.trim();
    let table: &[(&str, f64)] = match channel {
        Channel::Current => &[("A", 1.0), ("mA", 0.001), ("cA", 0.01), ("dA", 0.1)],
        Channel::Voltage | Channel::CellMin | Channel::CellMax => {
            &[("V", 1.0), ("mV", 0.001), ("cV", 0.01), ("dV", 0.1)]
        }
        Channel::Soc => &[
            ("%", 1.0),
            ("percent", 1.0),
            ("pct", 1.0),
            ("%EL", 1.0),
            ("/100", 1.0),
            ("/1000", 0.1),
            ("‰", 0.1),
            ("/", 100.0),
            ("1", 100.0),
        ],
        Channel::Charge => &[
            ("Ah", 1.0),
            ("A h", 1.0),
            ("A·h", 1.0),
            ("mAh", 0.001),
            ("As", 1.0 / 3600.0),
            ("C", 1.0 / 3600.0),
        ],
        Channel::Temperature => &[("°C", 1.0), ("℃", 1.0), ("degC", 1.0), ("Cel", 1.0), ("C", 1.0)],
        Channel::Connected | Channel::Alive => &[("/", 1.0), ("1", 1.0)],
    };
    let exact = table.iter().find(|(symbol, _)| *symbol == unit);
    let found = exact.or_else(|| table.iter().find(|(symbol, _)| symbol.eq_ignore_ascii_case(unit)));
    found.map(|(_, scale)| *scale)
}

/// A column's heading taken apart: what it is called, and its unit where it says one.
///
/// Understood are `Current (A)`, `Current [A]`, `Current / A` and `current_a`; a word alone has no unit.
#[must_use]
pub fn heading(text: &str) -> (String, Option<String>) {
    let text = text.trim();
    for (open, close) in [('(', ')'), ('[', ']')] {
        if let Some((name, rest)) = text.split_once(open)
            && let Some(unit) = rest.trim_end().strip_suffix(close)
        {
            return (plain(name), Some(unit.trim().to_owned()));
        }
    }
    if let Some((name, unit)) = text.rsplit_once(" / ") {
        return (plain(name), Some(unit.trim().to_owned()));
    }
    if let Some((name, suffix)) = text.rsplit_once('_')
        && matches!(
            suffix,
            "a" | "ma" | "v" | "mv" | "ah" | "mah" | "percent" | "pct" | "c"
        )
    {
        return (plain(name), Some(suffix.to_owned()));
    }
    (plain(text), None)
}

/// A heading's name as channels are named: small letters, underscores.
fn plain(name: &str) -> String {
    name.trim().to_lowercase().replace([' ', '-'], "_")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headings_of_several_styles_say_the_same() {
        for text in [
            "Current (mA)",
            "current [mA]",
            "Current / mA",
            "current_ma",
            " Current ( mA )",
        ] {
            let (name, unit) = heading(text);
            assert_eq!(name, "current", "{text}");
            assert_eq!(scale(Channel::Current, &unit.unwrap()), Some(0.001), "{text}");
        }
        assert_eq!(heading("cell_max"), ("cell_max".into(), None));
        assert_eq!(heading("State of charge"), ("state_of_charge".into(), None));
    }

    #[test]
    fn a_unit_of_another_quantity_is_none() {
        assert_eq!(scale(Channel::Current, "V"), None);
        assert_eq!(scale(Channel::Temperature, "K"), None);
        assert_eq!(scale(Channel::Soc, "/"), Some(100.0));
    }
}
