//! What the page says in words of what few banks report.

use serde_json::{Value, json};

use super::{
    beside::displays_and_counters,
    cautions,
    evidence::Evidence,
    happened::{full_charge_line, off_busbar},
};

fn caution(kind: &str, day: u32, worst: f64, text: &str) -> Value {
    json!({"kind": kind, "begin": format!("2025-12-{day:02}T08:00:00Z"), "end": format!("2025-12-{day:02}T09:00:00Z"), "worst": worst, "text": text})
}

fn display(soc: f64, more: &Value) -> Value {
    let mut display = json!({"at": null, "soc_percent": soc, "actual_percent": 80.0, "error_points": soc - 80.0, "expanded_uncertainty_points": 1.5, "censored": false});
    if let (Some(display), Some(more)) = (display.as_object_mut(), more.as_object()) {
        display.extend(more.clone());
    }
    display
}

/// A bank with one pack that reports all there is.
fn evidence() -> Evidence {
    let counted =
        json!({"charged_ah": 10.0, "discharged_ah": 9.0, "net_ah": 1.0, "equivalent_full_cycles": 0.1});
    let coverage = json!({"fraction": 1.0, "longest_gap_s": 60, "off_busbar_s": 10_800});
    let pack = json!({
        "pack": "tern", "revision": "A", "firmware": null, "capacity_ah": 200.0,
        "charge_error": {"ah": 5.0, "expanded_uncertainty_ah": 1.0, "percent_of_capacity": 2.5, "basis": "closed", "significant": true, "budget": []},
        "rate": null, "epochs": [],
        "own_counter": {"counts": "net", "counted_ah": 41.24, "charge_error_ah": 3.2, "expanded_uncertainty_ah": 1.7,
            "steps": [{"at": "2025-12-03T10:00:00Z", "kind": "reset", "before_ah": 120.5, "after_ah": 0.0, "counted_ah": 0.0}]},
        "display": display(84.0, &json!({"less_reference_display_points": -6.0})),
        "resyncs": [], "counted": counted, "coverage": coverage, "unexplained_resets": [],
        "cautions": [
            caution("cell_voltage_low", 4, 2.41, "a cell below 2.5 V, the usual caution for LFP"),
            caution("charging_below_freezing", 5, -3.0, "charging below 0 °C"),
            caution("cell_voltage_low", 6, 2.46, "a cell below 2.5 V, the usual caution for LFP"),
        ],
    });
    let drift = json!({
        "bank": "skerry", "since": "2025-12-01T00:00:00Z", "until": "2025-12-10T00:00:00Z", "setup": "",
        "packs": [pack],
        "bank_display": display(82.0, &json!({"censored": true})),
        "reference": {"reference": "shunt", "counted": counted, "coverage": coverage, "closures": [],
            "display": display(90.0, &json!({})), "display_comparison": "It says nothing of which of the two is wrong."},
    });
    let anchor = |more: Value| {
        let mut anchor = json!({"begin": "2025-12-01T10:00:00Z", "end": "2025-12-01T12:00:00Z", "voltage_v": 55.851, "tail_current_a": 4.04, "packs": []});
        if let (Some(anchor), Value::Object(more)) = (anchor.as_object_mut(), more) {
            anchor.extend(more);
        }
        anchor
    };
    let documents = [
        drift,
        json!({"phases": []}),
        json!({"anchors": [
            anchor(json!({"packs": [{"pack": "tern", "counts": false, "reason": "its current is too large", "cell_difference_v": null}]})),
            anchor(json!({"vetoed": 7})),
            anchor(json!({"asserted": 8, "begin": "2025-12-01T12:00:00Z", "voltage_v": null})),
        ]}),
        json!({"notes": []}),
        json!({"packs": []}),
        json!({"ranking": [], "orders": [], "revisions": null, "firmware": null, "verdict": []}),
    ];
    Evidence::read(documents, chrono_tz::UTC).unwrap()
}

/// Sentences without their markup.
fn words(markup: impl IntoIterator<Item = maud::Markup>) -> Vec<String> {
    let bare = |markup: maud::Markup| {
        let mut text = String::new();
        let mut inside = false;
        for letter in markup.into_string().chars() {
            match letter {
                '<' => inside = true,
                '>' => inside = false,
                _ if !inside => text.push(letter),
                _ => {}
            }
        }
        text
    };
    markup.into_iter().map(bare).collect()
}

#[test]
fn cautions_are_told_once_a_kind_with_their_worst() {
    assert_eq!(
        words(cautions::told(&evidence())),
        [
            "tern: a cell below 2.5 V, the usual caution for LFP; 2 times, last 6 Dec 2025, 08:00 to 6 Dec 2025, 09:00, at worst 2.410 V.",
            "tern: charging below 0 °C; once, 5 Dec 2025, 08:00 to 5 Dec 2025, 09:00, at worst −3.0 °C.",
        ]
    );
}

#[test]
fn displays_and_counters_are_judged_in_words() {
    assert_eq!(
        words(displays_and_counters(&evidence())),
        [
            "All displays together, each weighted by the capacity its board believes in, show 82.0 % where 80.0 % is, off by +2.0 ± 1.5 points, with a display at its end stop, which hides error.",
            "The display of shunt shows 90.0 % where 80.0 % is, off by +10.0 ± 1.5 points. Beside it the boards show tern −6.0 points. It says nothing of which of the two is wrong.",
            "The own counter of tern went up by +41.2 Ah, an error of +3.2 ± 1.7 Ah. Steps of it that are no charge: reset from 120.5 to 0 Ah on 3 Dec 2025, 10:00.",
        ]
    );
}

#[test]
fn what_people_know_of_marks_is_said() {
    let evidence = evidence();
    assert_eq!(
        words(
            evidence
                .anchors
                .iter()
                .map(|anchor| full_charge_line(anchor, &evidence))
        ),
        [
            "1 Dec 2025, 10:00 to 1 Dec 2025, 12:00, at the mark 55.85 V and +4.0 A; does not count for tern (its current is too large)",
            "1 Dec 2025, 10:00 to 1 Dec 2025, 12:00, at the mark 55.85 V and +4.0 A; vetoed by a person (mark 7), so no answer goes by it",
            "1 Dec 2025, 12:00, at the mark +4.0 A; asserted by a person (mark 8), not found in the readings",
        ]
    );
    assert_eq!(evidence.full_charges().count(), 2);
    assert_eq!(
        words(off_busbar(&evidence)),
        [
            "tern was off the busbar for 3 hours in all; what it held stood still meanwhile, and the others shared alone."
        ]
    );
}
