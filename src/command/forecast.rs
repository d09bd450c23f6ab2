//! `packdrift forecast`: when displays will be too wrong, and what a full charge now would be good for.

use std::path::Path;

use clap::Args;
use serde_json::Value;

use super::{
    Failure,
    figure::{day, number, with_uncertainty},
    stretch::How,
    table::table,
};

/// What to ask.
#[derive(Args)]
pub struct Arguments {
    /// How wrong a display may be, points; left out: 10.
    #[arg(long, value_name = "POINTS")]
    threshold_points: Option<f64>,
    /// From when rates are taken. Left out: from the first reading, or the pack's last recalibration.
    #[arg(long, value_name = "WHEN")]
    since: Option<String>,
    #[command(flatten)]
    how: How,
}

/// Asks and prints.
///
/// # Errors
/// Where the setup file is wrong, nobody answers, or the question is refused.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let threshold = arguments.threshold_points.map(|points| points.to_string());
    let asked = [
        ("threshold_points", threshold.as_deref()),
        ("since", arguments.since.as_deref()),
    ];
    arguments.how.print(config, "/v1/forecast", &asked, shown)
}

/// The document as a person reads it.
#[must_use]
pub fn shown(document: &Value) -> String {
    let head = [
        "pack",
        "display error\npoints",
        "grows\npoints/day",
        "passes",
        "at the earliest",
        "at the latest",
        "charge error ±\nAh, now",
        "after a full\ncharge today",
    ];
    let packs = || document["packs"].as_array().into_iter().flatten();
    let table = table(head, &[0, 3, 4, 5], packs().map(row));
    let threshold = number(&document["threshold_points"], |points| format!("{points}"));
    let mut lines = vec![format!(
        "displays that will be wrong by {threshold} points if no full charge comes first, seen from {}\n{table}",
        day(&document["at"]),
    )];
    let by = &document["full_charge_recommended_by"];
    lines.push(match by.as_str() {
        Some(_) => format!(
            "a display may be {threshold} points off from {} on, unless a full charge comes first",
            day(by)
        ),
        None => format!(
            "no display may pass the threshold within {} days",
            number(&document["horizon_days"], |days| format!("{days:.0}"))
        ),
    });
    for pack in packs() {
        if let Some(reason) = pack["reason"].as_str() {
            let name = pack["pack"].as_str().unwrap_or("?");
            lines.push(format!("{name}: no forecast, {reason}"));
        }
    }
    if packs().any(|pack| pack["reckoned"] == true) {
        lines.push(
            "* the display is at an end stop: reckoned from what was counted since the last full charge"
                .to_owned(),
        );
    }
    lines.push("± is the expanded uncertainty, k = 2.".to_owned());
    lines.push("packdrift is a logger, not a protective device.\n".to_owned());
    lines.join("\n")
}

fn row(pack: &Value) -> [String; 8] {
    let known = pack["reason"].is_null();
    let when = |at: &Value| match at.as_str() {
        Some(_) => day(at).to_owned(),
        None if known => "not foreseen".to_owned(),
        None => "–".to_owned(),
    };
    let now = with_uncertainty(
        &pack["display_error_points"],
        &pack["expanded_uncertainty_points"],
        1,
    );
    let reckoned = if pack["reckoned"] == true { "*" } else { "" };
    [
        pack["pack"].as_str().unwrap_or("?").to_owned(),
        format!("{now}{reckoned}"),
        with_uncertainty(
            &pack["points_per_day"],
            &pack["expanded_uncertainty_points_per_day"],
            2,
        ),
        when(&pack["passes"]),
        when(&pack["earliest"]),
        when(&pack["latest"]),
        number(&pack["charge_error_expanded_uncertainty_ah"], |ah| {
            format!("{ah:.1}")
        }),
        number(&pack["after_full_charge_expanded_uncertainty_ah"], |ah| {
            format!("{ah:.1}")
        }),
    ]
}
