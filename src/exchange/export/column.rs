//! Columns: what they are called, what stands in them, and what that means. Headings, the schema of a Parquet file and
//! the data dictionary all come from here.

use chrono::DateTime;
use serde_json::Value;

use crate::page::words::rfc3339;

/// A column of a table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Column {
    /// What it is called, with its unit.
    pub name: &'static str,
    /// What stands in it.
    pub kind: Kind,
    /// What that means.
    pub meaning: &'static str,
}

/// What stands in a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// An instant.
    Instant,
    /// Words.
    Text,
    /// A figure with a fraction.
    Number,
    /// A whole number.
    Integer,
    /// Yes or no.
    Switch,
}

/// Units as they stand at the end of a column's name, longest first, and how they are written.
const UNITS: [(&str, &str); 9] = [
    ("_ah_per_day", "Ah/d"),
    ("_points_per_month", "points/month"),
    ("_percent", "%"),
    ("_points", "points"),
    ("_ah", "Ah"),
    ("_a", "A"),
    ("_v", "V"),
    ("_c", "°C"),
    ("_s", "s"),
];

impl Column {
    pub(super) const fn new(name: &'static str, kind: Kind, meaning: &'static str) -> Self {
        Self { name, kind, meaning }
    }

    /// The unit that its name says; `None` where it is no quantity.
    #[must_use]
    pub fn unit(&self) -> Option<&'static str> {
        if let Some((_, unit)) = self.name.rsplit_once(" / ") {
            return Some(unit);
        }
        let known = UNITS.iter().find(|(end, _)| self.name.ends_with(end));
        known.map(|(_, unit)| *unit)
    }
}

/// What stands in a row's column.
#[derive(Debug, Clone, PartialEq)]
pub enum Field {
    /// No value.
    Nothing,
    /// ms since 1970.
    Instant(i64),
    /// Words.
    Text(String),
    /// A figure with a fraction.
    Number(f64),
    /// A whole number.
    Integer(i64),
    /// Yes or no.
    Switch(bool),
}

impl Field {
    /// A value of an API's document as what its column holds.
    pub(super) fn of(kind: Kind, value: &Value) -> Self {
        let found = match kind {
            Kind::Instant => value.as_str().and_then(|text| {
                let at = DateTime::parse_from_rfc3339(text).ok()?;
                Some(Self::Instant(at.timestamp_millis()))
            }),
            Kind::Text => value.as_str().map(|text| Self::Text(text.to_owned())),
            Kind::Number => value.as_f64().map(Self::Number),
            Kind::Integer => value.as_i64().map(Self::Integer),
            Kind::Switch => value.as_bool().map(Self::Switch),
        };
        found.unwrap_or(Self::Nothing)
    }

    /// As it stands in CSV.
    pub(super) fn text(&self) -> String {
        match self {
            Self::Nothing => String::new(),
            Self::Instant(at_ms) => rfc3339(*at_ms),
            Self::Text(text) => text.clone(),
            Self::Number(number) => number.to_string(),
            Self::Integer(number) => number.to_string(),
            Self::Switch(on) => on.to_string(),
        }
    }

    /// As it stands in JSON.
    pub(super) fn json(&self) -> Value {
        match self {
            Self::Nothing => Value::Null,
            Self::Instant(at_ms) => rfc3339(*at_ms).into(),
            Self::Text(text) => text.as_str().into(),
            Self::Number(number) => (*number).into(),
            Self::Integer(number) => (*number).into(),
            Self::Switch(on) => (*on).into(),
        }
    }
}

impl<T: Into<Field>> From<Option<T>> for Field {
    fn from(value: Option<T>) -> Self {
        value.map_or(Self::Nothing, Into::into)
    }
}

impl From<f64> for Field {
    fn from(number: f64) -> Self {
        Self::Number(number)
    }
}

impl From<i64> for Field {
    fn from(number: i64) -> Self {
        Self::Integer(number)
    }
}

impl From<String> for Field {
    fn from(text: String) -> Self {
        Self::Text(text)
    }
}

impl From<bool> for Field {
    fn from(on: bool) -> Self {
        Self::Switch(on)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_says_the_unit() {
        let unit = |name| Column::new(name, Kind::Number, "").unit();
        assert_eq!(unit("rate_ah_per_day"), Some("Ah/d"));
        assert_eq!(unit("charged_ah"), Some("Ah"));
        assert_eq!(unit("current_min_a"), Some("A"));
        assert_eq!(unit("Voltage / V"), Some("V"));
        assert_eq!(unit("kind"), None);
    }
}
