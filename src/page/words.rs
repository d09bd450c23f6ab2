//! How figures, instants and people's words are written for a reader.
//!
//! Figures are rounded to what their uncertainty supports; the exact value stays beside the text in a `data`
//! element. What a person wrote is shown as text: control characters and marks that turn the reading direction are
//! made visible, markup is escaped by whoever puts it into a document.

use std::fmt::Write;

use chrono::{DateTime, Datelike};
use chrono_tz::Tz;
use maud::{Markup, html};

use crate::api::Zulu;

/// Digits behind the point, so that an uncertainty has two figures and columns still align.
#[must_use]
pub fn digits(uncertainty: f64) -> usize {
    if uncertainty < 0.1 {
        3
    } else if uncertainty < 1.0 {
        2
    } else {
        1
    }
}

/// A number with a sign that is as wide as a digit.
#[must_use]
pub fn signed(value: f64, digits: usize) -> String {
    let text = format!("{value:+.digits$}").replace('-', "−");
    let bare = text.trim_start_matches(['+', '−']);
    // A zero has no sign to tell of.
    if bare.trim_matches(['0', '.']).is_empty() {
        bare.to_owned()
    } else {
        text
    }
}

/// A value with its expanded uncertainty, e.g. `+123.9 ± 3.7`.
#[must_use]
pub fn give_or_take(value: f64, uncertainty: f64) -> String {
    let digits = digits(uncertainty);
    format!("{} ± {uncertainty:.digits$}", signed(value, digits))
}

/// The text of a figure together with its exact value.
#[must_use]
pub fn figure(value: f64, text: &str) -> Markup {
    html! { data value=(value) { (text) } }
}

/// An instant for a reader, e.g. `4 Dec 2025, 09:00`.
#[must_use]
pub fn minute(at_ms: i64, zone: Tz) -> String {
    format!("{}, {}", day(at_ms, zone), local(at_ms, zone).format("%H:%M"))
}

/// The day of an instant, e.g. `4 Dec 2025`.
#[must_use]
pub fn day(at_ms: i64, zone: Tz) -> String {
    local(at_ms, zone).format("%-d %b %Y").to_string()
}

/// The day of an instant without its year, unless it begins one.
#[must_use]
pub fn short_day(at_ms: i64, zone: Tz) -> String {
    let local = local(at_ms, zone);
    let form = if local.ordinal() == 1 {
        "%-d %b %Y"
    } else {
        "%-d %b"
    };
    local.format(form).to_string()
}

/// An instant for a reader with the exact one beside it.
#[must_use]
pub fn time(at_ms: i64, zone: Tz) -> Markup {
    html! { time datetime=(rfc3339(at_ms)) { (minute(at_ms, zone)) } }
}

/// An instant as RFC 3339 in UTC.
#[must_use]
pub fn rfc3339(at_ms: i64) -> String {
    Zulu(at_ms).to_string()
}

/// An instant in a zone.
#[must_use]
pub fn local(at_ms: i64, zone: Tz) -> DateTime<Tz> {
    DateTime::from_timestamp_millis(at_ms)
        .unwrap_or_default()
        .with_timezone(&zone)
}

/// A stretch of time in its largest sensible unit, e.g. `70 days`.
#[must_use]
pub fn lasting(ms: i64) -> String {
    let counted = |count: i64, unit: &str| {
        let many = if count == 1 { "" } else { "s" };
        format!("{count} {unit}{many}")
    };
    let minutes = ms / 60_000;
    match minutes {
        ..120 => counted(minutes, "minute"),
        120..2880 => counted(minutes / 60, "hour"),
        _ => counted((minutes + 720) / 1440, "day"),
    }
}

/// How long something lasts that may be a matter of seconds.
#[must_use]
pub fn seconds_or_more(seconds: i64) -> String {
    if seconds < 120 {
        format!("{seconds} s")
    } else {
        lasting(seconds * 1000)
    }
}

/// A word of the API for a reader: `full_charge` as `full charge`.
#[must_use]
pub fn plain(word: &str) -> String {
    let parts = word
        .split('_')
        .map(|part| if part == "soc" { "SOC" } else { part });
    parts.collect::<Vec<_>>().join(" ")
}

/// A person's words with everything invisible in them made visible, so that no reader and no XML parser stumbles.
#[must_use]
pub fn visible(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '\n' | '\t' => shown.push(character),
            '\r' => {}
            // The pictures of control characters stand in their order from U+2400.
            '\0'..='\u{1f}' => shown.extend(char::from_u32(0x2400 + u32::from(character))),
            '\u{7f}' => shown.push('\u{2421}'),
            '\u{80}'..='\u{9f}'
            | '\u{61c}'
            | '\u{200b}'
            | '\u{200e}'
            | '\u{200f}'
            | '\u{2028}'..='\u{202e}'
            | '\u{2066}'..='\u{2069}'
            | '\u{feff}'
            | '\u{fffe}'
            // Writing to a String does not fail.
            | '\u{ffff}' => drop(write!(shown, "[U+{:04X}]", u32::from(character))),
            _ => shown.push(character),
        }
    }
    shown
}

/// The beginning of a text on one line, with an ellipsis where there is more.
#[must_use]
pub fn beginning(text: &str, most: usize) -> String {
    let line = text.split_whitespace().collect::<Vec<_>>().join(" ");
    if line.chars().count() <= most {
        return line;
    }
    line.chars().take(most.saturating_sub(1)).chain(['…']).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_have_the_digits_that_their_uncertainty_supports() {
        assert_eq!(give_or_take(123.94, 3.71), "+123.9 ± 3.7");
        assert_eq!(give_or_take(-0.3081, 0.062), "−0.308 ± 0.062");
        assert_eq!(give_or_take(0.004, 0.31), "0.00 ± 0.31");
    }

    #[test]
    fn what_can_not_be_seen_is_made_visible() {
        assert_eq!(visible("a\u{1b}[31m\u{202e}b\0"), "a␛[31m[U+202E]b␀");
        assert_eq!(visible("عربي 🔋\nnext"), "عربي 🔋\nnext");
    }

    #[test]
    fn stretches_are_told_in_their_largest_unit() {
        assert_eq!(lasting(90 * 60_000), "90 minutes");
        assert_eq!(lasting(36 * 3_600_000), "36 hours");
        assert_eq!(lasting(70 * 86_400_000), "70 days");
    }
}
