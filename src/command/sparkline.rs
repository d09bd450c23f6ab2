//! The charge error over time in one line a pack, for the terminal.

use serde_json::Value;

use crate::page::answers::Series;

/// Eighths of a line's height (Unicode, block elements).
const BLOCKS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
/// Letters a line is wide.
const WIDTH: usize = 48;

/// A line a pack, all on one scale; nothing where there is no answer over time.
pub(super) fn lines(series: &Value) -> Vec<String> {
    let Ok(series) = serde_json::from_value::<Series>(series.clone()) else {
        return Vec::new();
    };
    let known = || {
        series
            .packs
            .iter()
            .flat_map(|pack| pack.charge_error_ah.iter().flatten())
    };
    let (low, high) = known().fold((0.0_f64, 0.0_f64), |(low, high), ah| {
        (low.min(*ah), high.max(*ah))
    });
    if known().next().is_none() {
        return Vec::new();
    }
    let widest = series.packs.iter().map(|pack| pack.pack.chars().count()).max();
    let widest = widest.unwrap_or_default();
    let mut lines = vec![format!(
        "charge error over time, from {low:+.1} to {high:+.1} Ah:"
    )];
    lines.extend(series.packs.iter().map(|pack| {
        let drawn = drawn(&pack.charge_error_ah, low, high);
        format!(" {:<widest$}  {drawn}", pack.pack)
    }));
    lines
}

/// The last value of each of [`WIDTH`] stretches; a space where there is none.
fn drawn(values: &[Option<f64>], low: f64, high: f64) -> String {
    let stretches = WIDTH.min(values.len());
    (0..stretches)
        .map(|stretch| {
            let of = &values[values.len() * stretch / stretches..values.len() * (stretch + 1) / stretches];
            of.iter()
                .rev()
                .flatten()
                .next()
                .map_or(' ', |ah| block(*ah, low, high))
        })
        .collect()
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "between 0 and 7, and a number that is none becomes 0"
)]
fn block(ah: f64, low: f64, high: f64) -> char {
    let height = if high > low {
        (ah - low) / (high - low)
    } else {
        0.0
    };
    BLOCKS[(8.0 * height).clamp(0.0, 7.0) as usize]
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn all_packs_are_drawn_on_one_scale() {
        let series = json!({"at": [], "packs": [
            {"pack": "tern", "charge_error_ah": [0.0, 4.0, null, 8.0], "expanded_uncertainty_ah": [], "actual_percent": []},
            {"pack": "skua", "charge_error_ah": [0.0, -8.0, -8.0, 0.0], "expanded_uncertainty_ah": [], "actual_percent": []},
        ]});
        assert_eq!(
            lines(&series),
            [
                "charge error over time, from -8.0 to +8.0 Ah:",
                " tern  ▅▇ █",
                " skua  ▅▁▁▅"
            ]
        );
    }

    #[test]
    fn nothing_is_drawn_of_nothing() {
        assert!(lines(&json!({"at": [], "packs": []})).is_empty());
        assert!(lines(&Value::Null).is_empty());
    }
}
