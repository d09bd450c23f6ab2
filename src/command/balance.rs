//! `packdrift balance`: the packs together against the reference, day by day, or the API's document.

use std::{collections::BTreeMap, fmt::Write, path::Path};

use serde_json::Value;

use super::{Failure, figure::day, table::table};

pub use super::stretch::Stretch as Arguments;

/// Asks and prints.
///
/// # Errors
/// Where the setup file is wrong, nobody answers, or the question is refused.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    arguments.print(config, "/v1/balance", shown)
}

/// The document as a person reads it.
#[must_use]
pub fn shown(document: &Value) -> String {
    let bank = document["bank"].as_str().unwrap_or("?");
    let (Some(since), Some(until)) = (document["since"].as_str(), document["until"].as_str()) else {
        return format!("bank {bank}: no hour yet in which everyone was heard\n");
    };
    let none = Vec::new();
    let mut days = BTreeMap::<&str, [f64; 3]>::new();
    for hour in document["hours"].as_array().unwrap_or(&none) {
        let sums = days.entry(day(&hour["begin"])).or_default();
        for (sum, field) in sums.iter_mut().zip(["packs_ah", "reference_ah", "difference_ah"]) {
            *sum += hour[field].as_f64().unwrap_or(0.0);
        }
    }
    let rows = days.into_iter().map(|(day, sums)| {
        let [packs, reference, difference] = sums.map(|ah| format!("{ah:+.2}"));
        [day.to_owned(), packs, reference, difference]
    });
    let head = ["day", "packs together\nAh", "reference\nAh", "difference\nAh"];
    let mut text = format!(
        "bank {bank}, packs against the reference from {since} to {until}\n{}\n",
        table(head, &[0], rows)
    );
    let figure = |value: &Value, digits: usize| {
        value
            .as_f64()
            .map_or("–".to_owned(), |value| format!("{value:.digits$}"))
    };
    let _ = writeln!(
        text,
        "together {} Ah, reference {} Ah, difference {} Ah over {} h; {} h left out, in which somebody wasn't heard",
        figure(&document["packs_ah"], 1),
        figure(&document["reference_ah"], 1),
        figure(&document["difference_ah"], 1),
        document["hours_counted"],
        document["hours_left_out"]
    );
    let line = &document["line"];
    if line.is_object() {
        let _ = writeln!(
            text,
            "together = {} ± {} times the reference, and {} ± {} mA; an hour's mean departs by {} mA",
            figure(&line["slope"], 4),
            figure(&line["slope_expanded_uncertainty"], 4),
            figure(&line["intercept_ma"], 0),
            figure(&line["intercept_expanded_uncertainty_ma"], 0),
            figure(&line["residual_spread_ma"], 0)
        );
    }
    for misreport in document["misreports"].as_array().unwrap_or(&none) {
        let word = |field: &str| misreport[field].as_str().unwrap_or("?");
        let did = match word("fault") {
            "stopped" => "stood still",
            _ => "ran against the bank",
        };
        let _ = writeln!(
            text,
            "{}: from {} to {} its report {did} and its share is missing from the sum",
            word("pack"),
            word("begin"),
            word("end")
        );
    }
    text.push_str("± is the expanded uncertainty, k = 2. ");
    text.push_str(document["determines"].as_str().unwrap_or(""));
    text.push('\n');
    text
}
