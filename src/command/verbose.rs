//! `packdrift drift --verbose`: what each ± is made of, and what calibration phases showed of each board.

use serde_json::Value;

use super::{
    figure::{day, number, with_uncertainty},
    table::table,
};
use crate::page::words::plain;

/// The budgets, a line a pack, the largest part first.
pub(super) fn budgets(drift: &Value) -> String {
    let mut text = String::new();
    for pack in drift["packs"].as_array().into_iter().flatten() {
        let lines = pack["charge_error"]["budget"].as_array().into_iter().flatten();
        let parts: Vec<String> = lines
            .filter_map(|line| {
                let (source, ah) = (
                    line["source"].as_str()?,
                    line["standard_uncertainty_ah"].as_f64()?,
                );
                Some(format!("{} {ah:.2}", plain(source)))
            })
            .collect();
        if !parts.is_empty() {
            let name = pack["pack"].as_str().unwrap_or("?");
            text.extend([name, ": ", &parts.join(", "), "\n"]);
        }
    }
    if !text.is_empty() {
        text.insert_str(
            0,
            "\nstandard uncertainties, Ah; ± is twice the root of the sum of their squares\n",
        );
    }
    text
}

/// What calibration phases showed of the packs whose evidence this is.
pub(super) fn evidence(documents: &[Value]) -> String {
    let head = [
        "pack",
        "calibration",
        "offset\nmA",
        "gain\n%",
        "voltage\nmV",
        "blind below\nmA",
        "clock behind\ns",
        "still wanted",
    ];
    let rows: Vec<[String; 8]> = documents
        .iter()
        .flat_map(|document| {
            let phases = document["phases"].as_array().into_iter().flatten();
            phases.map(|phase| row(&document["pack"], phase))
        })
        .collect();
    let seen = documents.iter().map(|document| {
        let whole = |key: &str| number(&document[key], |value| format!("{value:.0}"));
        format!(
            "{}: steps of {} mA (the reference's: {} mA), a report each {} s\n",
            document["pack"].as_str().unwrap_or("?"),
            whole("resolution_ma"),
            whole("reference_resolution_ma"),
            whole("reports_every_s"),
        )
    });
    let seen: String = seen.collect();
    if rows.is_empty() {
        let guidance = documents
            .first()
            .and_then(|document| document["guidance"].as_str());
        return format!(
            "\n{seen}no calibration phase yet. {}\n",
            guidance.unwrap_or_default()
        );
    }
    format!("\n{seen}{}\n", table(head, &[0, 1, 7], rows))
}

fn row(pack: &Value, phase: &Value) -> [String; 8] {
    let current = &phase["current"];
    let percent = |value: &Value, less: f64| {
        value
            .as_f64()
            .map_or(Value::Null, |gain| Value::from(100.0 * (gain - less)))
    };
    let wanted = current["wanted"]
        .as_array()
        .into_iter()
        .flatten()
        .filter_map(Value::as_str);
    let wanted: Vec<&str> = wanted.collect();
    let reason = phase["current_reason"]
        .as_str()
        .or_else(|| current["reason"].as_str());
    [
        pack.as_str().unwrap_or("?").to_owned(),
        day(&phase["begin"]).to_owned(),
        with_uncertainty(
            &current["offset_ma"],
            &current["offset_expanded_uncertainty_ma"],
            0,
        ),
        with_uncertainty(
            &percent(&current["gain"], 1.0),
            &percent(&current["gain_expanded_uncertainty"], 0.0),
            2,
        ),
        with_uncertainty(
            &phase["voltage_difference_mv"],
            &phase["voltage_expanded_uncertainty_mv"],
            0,
        ),
        number(&current["seen_from_ma"], |ma| format!("{ma:.0}")),
        number(&current["clock_behind_s"], |s| format!("{s:.0}")),
        reason.map_or_else(|| wanted.join(", "), ToOwned::to_owned),
    ]
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn a_budget_is_told_line_by_line() {
        let text = budgets(&json!({"packs": [{"pack": "tern", "charge_error": {"budget": [
            {"source": "full_charge_repeatability", "standard_uncertainty_ah": 0.6},
            {"source": "gaps", "standard_uncertainty_ah": 0.2},
        ]}}]}));
        assert!(
            text.ends_with("squares\ntern: full charge repeatability 0.60, gaps 0.20\n"),
            "{text}"
        );
        assert_eq!(budgets(&json!({"packs": [{"pack": "tern"}]})), "");
    }

    #[test]
    fn evidence_is_told_phase_by_phase_with_what_is_missing() {
        let text = evidence(&[json!({
            "pack": "tern", "resolution_ma": 100, "reference_resolution_ma": 10, "reports_every_s": 60,
            "phases": [{
                "begin": "2025-11-02T09:00:00Z",
                "current": {"offset_ma": 52.0, "offset_expanded_uncertainty_ma": 4.0, "gain": 1.004,
                            "gain_expanded_uncertainty": 0.002, "seen_from_ma": 480.0, "wanted": ["charging"]},
            }],
            "guidance": "",
        })]);
        for told in ["steps of 100 mA", "+52 ± 4", "+0.40 ± 0.20", "480", "charging"] {
            assert!(text.contains(told), "{told}: {text}");
        }
        let none = evidence(&[json!({"pack": "tern", "phases": [], "guidance": "Do so."})]);
        assert!(none.ends_with("no calibration phase yet. Do so.\n"), "{none}");
    }
}
