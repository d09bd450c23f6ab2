//! `packdrift compare`: packs by how fast they drift, and what can be said of revisions.

use std::path::Path;

use serde_json::Value;

use super::{
    Failure,
    figure::{day, number, with_uncertainty},
    table::table,
};

pub use super::stretch::Stretch as Arguments;

/// Asks and prints.
///
/// # Errors
/// Where the setup file is wrong, nobody answers, or the question is refused.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    arguments.print(config, "/v1/compare", shown)
}

/// The document as a person reads it.
#[must_use]
pub fn shown(document: &Value) -> String {
    let head = [
        "pack",
        "rev",
        "rate\npoints/month",
        "rate\nAh/day",
        "of throughput\n%",
        "judged since",
        "drifts less\nthan the next",
    ];
    let ranking = list(&document["ranking"]);
    let rows = ranking.iter().enumerate().map(|(place, one)| {
        let next = ranking.get(place + 1).map(|next| &next["pack"]);
        let order = list(&document["orders"])
            .iter()
            .find(|order| order["less"] == one["pack"] && Some(&order["more"]) == next);
        let percent = |share: f64| format!("{:.0} %", 100.0 * share);
        [
            one["pack"].as_str().unwrap_or("?").to_owned(),
            one["revision"].as_str().unwrap_or("?").to_owned(),
            with_uncertainty(
                &one["points_per_month"],
                &one["expanded_uncertainty_points_per_month"],
                1,
            ),
            with_uncertainty(&one["ah_per_day"], &one["expanded_uncertainty_ah_per_day"], 2),
            number(&one["percent_of_throughput"], |share| format!("{share:+.2}")),
            day(&one["begin"]).to_owned(),
            order.map_or("–".to_owned(), |order| number(&order["probability"], percent)),
        ]
    });
    let table = table(head, &[0, 1, 5], rows);
    let mut lines = Vec::new();
    for change in list(&document["recalibrations"]) {
        let by = with_uncertainty(
            &change["change_ah_per_day"],
            &change["expanded_uncertainty_ah_per_day"],
            2,
        );
        let sure = if change["significant"] == true {
            "a significant change"
        } else {
            "not significant"
        };
        lines.push(format!(
            "{}: recalibrated or changed on {}, rate changed by {by} Ah/day: {sure}",
            change["pack"].as_str().unwrap_or("?"),
            day(&change["at"]),
        ));
    }
    let kinds = [&document["revisions"], &document["firmware"]];
    let firmware = kinds[1]["verdict"].as_array().into_iter().flatten();
    for sentence in list(&document["verdict"]).iter().chain(firmware) {
        lines.push(sentence.as_str().unwrap_or("?").to_owned());
    }
    for confounder in kinds.iter().flat_map(|kind| list(&kind["confounders"])) {
        lines.push(format!("But note: {}.", confounder.as_str().unwrap_or("?")));
    }
    for one in list(&document["unranked"]) {
        lines.push(format!(
            "{}: not ranked, {}",
            one["pack"].as_str().unwrap_or("?"),
            one["reason"].as_str().unwrap_or("?")
        ));
    }
    lines.push("± is the expanded uncertainty, k = 2. The fastest stands last.".to_owned());
    format!("{table}\n{}\n", lines.join("\n"))
}

fn list(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}
