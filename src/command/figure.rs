//! How figures and days of the API's documents are written on a terminal; what is not known is a dash.

use serde_json::Value;

/// A number as `show` writes it.
pub(super) fn number(value: &Value, show: impl FnOnce(f64) -> String) -> String {
    value.as_f64().map_or_else(|| "–".to_owned(), show)
}

/// The day of an instant, where it is written.
pub(super) fn day(instant: &Value) -> &str {
    instant.as_str().and_then(|text| text.get(..10)).unwrap_or("?")
}

/// A value with its expanded uncertainty, e.g. `+123.9 ± 3.7`.
pub(super) fn with_uncertainty(value: &Value, uncertainty: &Value, digits: usize) -> String {
    match (value.as_f64(), uncertainty.as_f64()) {
        (Some(value), Some(uncertainty)) => format!("{value:+.digits$} ± {uncertainty:.digits$}"),
        _ => "–".to_owned(),
    }
}
