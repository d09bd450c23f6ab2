//! Do plots fit on their sheets?

use serde_json::{Value, json};

use super::{sheet::count, *};

/// A bank of so many packs, as the API would answer, with an hour missing.
fn bank(packs: usize) -> (Evidence, Series) {
    let at = |hour: usize| format!("2026-01-0{}T{:02}:00:00Z", 1 + hour / 24, hour % 24);
    let counted = json!({"charged_ah": 1.0, "discharged_ah": 1.0, "net_ah": 0.0});
    let coverage = json!({"fraction": 1.0, "longest_gap_s": 0});
    let answer = |p: usize| {
        let budget: Vec<_> = ["unequal_soc", "full_charge_repeatability", "sampling"]
            .map(|source| json!({"source": source, "standard_uncertainty_ah": 0.5 + 100.0 / count(p + 1)}))
            .to_vec();
        json!({
            "pack": format!("colony-{p}"), "revision": "A", "firmware": null, "capacity_ah": 200.0,
            "charge_error": {"ah": 9.0 * count(p) - 40.0, "expanded_uncertainty_ah": 3.0, "percent_of_capacity": 1.0,
                "basis": "closed", "significant": true, "budget": budget},
            "rate": {"ah_per_day": 1.0, "points_per_month": 3.0 * count(p), "expanded_uncertainty_ah_per_day": 0.1},
            "epochs": [], "display": null, "resyncs": [], "counted": counted, "coverage": coverage,
            "unexplained_resets": [],
        })
    };
    let closure = json!({"begin": at(0), "end": at(47), "closure_ah": 3.0, "expanded_uncertainty_ah": 1.0, "ah_per_day": 1.5});
    let drift = json!({
        "bank": "skerry", "since": at(0), "until": at(47), "setup": "",
        "packs": (0..packs).map(answer).collect::<Vec<_>>(),
        "reference": {"reference": "shunt", "counted": counted, "coverage": coverage, "closures": [closure]},
    });
    let notes: Vec<_> = (0..9)
        .map(|n| json!({"at": at(20 + n / 3), "bank": "skerry", "kind": "observation", "text": "wind ".repeat(40)}))
        .collect();
    let phases = json!([{"kind": "outage", "begin": at(3), "end": at(9), "stated": null}]);
    let documents = [
        drift,
        json!({"phases": phases}),
        json!({"anchors": []}),
        json!({"notes": notes}),
        json!({"packs": []}),
        json!({"ranking": [], "orders": [], "revisions": null, "firmware": null, "verdict": []}),
    ];
    let balance = json!({"packs_ah": 10.0, "reference_ah": 8.0, "difference_ah": 2.0, "line": null,
            "hours": [{"begin": at(1), "difference_ah": 1.5}, {"begin": at(2), "difference_ah": 0.5}]});
    let evidence = Evidence::read(documents, chrono_tz::Europe::Oslo).unwrap();
    let evidence = evidence.with_balance(balance).unwrap();
    let line = |scale: f64| {
        let value = |hour: usize| {
            if hour == 30 {
                Value::Null
            } else {
                json!(scale * count(hour))
            }
        };
        (0..48).map(value).collect::<Vec<_>>()
    };
    let series = json!({
        "at": (0..48).map(at).collect::<Vec<_>>(),
        "packs": (0..packs).map(|p| json!({
            "pack": format!("colony-{p}"), "charge_error_ah": line(0.2 * count(p) - 1.0),
            "expanded_uncertainty_ah": line(0.1), "actual_percent": line(1.0), "display_percent": line(2.5),
        })).collect::<Vec<_>>(),
    });
    (evidence, serde_json::from_value(series).unwrap())
}

#[test]
fn a_line_is_drawn_by_differences_and_lifts_the_pen_where_a_point_is_missing() {
    let points = [
        Some((1.0, 2.0)),
        Some((3.54, 1.0)),
        None,
        Some((9.0, -0.1)),
        Some((9.0, 0.3)),
    ];
    assert_eq!(sheet::path(points), "M1 2l2.5-1M9-0.1l0 0.4");
}

#[test]
fn nothing_leaves_the_sheet_however_many_packs_there_are() {
    for packs in [1, 5, 16] {
        let (evidence, series) = bank(packs);
        for (plot, size) in Plot::ALL
            .into_iter()
            .flat_map(|plot| [(plot, Size::Wide), (plot, Size::Narrow)])
        {
            let svg = plot.draw(&evidence, Some(&series), size, true).into_string();
            let xml = roxmltree::Document::parse(&svg).unwrap();
            let sheet = Sheet::new(plot.name(), size);
            let height: f64 = xml.root_element().attribute("height").unwrap().parse().unwrap();
            for node in xml
                .descendants()
                .filter(|node| !node.ancestors().any(|it| it.has_tag_name("defs")))
            {
                let number = |name: &str| node.attribute(name).and_then(|value| value.parse::<f64>().ok());
                let (Some(x), Some(y)) = (number("x"), number("y")) else {
                    continue;
                };
                let words = node
                    .text()
                    .filter(|_| node.tag_name().name() == "text")
                    .unwrap_or_default();
                let class = node.attribute("class").unwrap_or_default();
                let width = number("width").unwrap_or_else(|| sheet.text_width(words));
                let begin = match class {
                    _ if class.ends_with("end") => x - width,
                    _ if class.ends_with("middle") => x - width / 2.0,
                    _ => x,
                };
                let inside =
                    begin >= -1.0 && begin + width <= sheet.width + 1.0 && (0.0..=height).contains(&y);
                assert!(inside, "{} of {packs} packs, {size:?}: {node:?}", plot.name());
            }
        }
    }
}
