//! What a pack was changes at dates, and setup files get corrected: do answers follow, and does the history tell?

use std::{fs, path::Path};

use packdrift::{
    command::check,
    config::{self, Setup, changes_to_past},
    demo::{Kind, Plan, Winter, simulate},
};
use serde_json::Value;

use crate::asking::Api;

/// When tern's capacity changes, in the setup that says so.
const CHANGE: &str = "2025-11-23T12:00:00Z";
const CHANGE_MS: i64 = 1_763_899_200_000;
const NOW_MS: i64 = 1_800_000_000_000;
/// The first full charge is over, and another one closes the span before the change.
const SINCE: &str = "2025-11-03T00:00:00Z";
const BEFORE: &str = "2025-11-15T12:00:00Z";
const AFTER: &str = "2025-11-26T00:00:00Z";

fn winter() -> Winter {
    simulate(&Plan {
        days: 28,
        ..Plan::new(Kind::Usual, 31)
    })
}

/// The demo's setup with something else in the place of tern's capacity.
fn setup(capacity: &str) -> Setup {
    let path = format!("{}/demo-data/skerry.toml", env!("CARGO_MANIFEST_DIR"));
    let text = fs::read_to_string(path).unwrap();
    let edited = text.replacen("capacity_ah = 200\n", capacity, 1);
    config::parse("setup.toml", &edited, Path::new("")).unwrap()
}

fn as_written() -> Setup {
    setup("capacity_ah = 200\n")
}

/// The label was misread: it always was another.
fn corrected() -> Setup {
    setup("capacity_ah = 210\n")
}

/// Cells were replaced at a date.
fn changed() -> Setup {
    setup(&format!(
        "capacity_ah = 200\nchange = [{{ from = {CHANGE}, capacity_ah = 210 }}]\n"
    ))
}

/// Tern's and fulmar's charge error between two instants.
fn errors(api: &Api, since: &str, until: &str) -> (Value, Value) {
    let drift = api.get(&format!("/v1/drift?since={since}&until={until}"));
    let error = |p: usize| drift["packs"][p]["charge_error"].clone();
    (error(0), error(1))
}

#[test]
fn a_corrected_capacity_is_that_of_all_the_past() {
    let winter = winter();
    let api = Api::on(as_written(), winter.readings());
    let as_it_was = errors(&api, SINCE, BEFORE);
    let api = api.edited(corrected());
    let recomputed = errors(&api, SINCE, BEFORE);
    assert_ne!(recomputed, as_it_was);
    assert_eq!(
        recomputed,
        errors(&Api::on(corrected(), winter.readings()), SINCE, BEFORE)
    );
    let setups = api.get("/v1/setups");
    let [first, second] = setups["setups"].as_array().unwrap().as_slice() else {
        panic!("{setups}");
    };
    assert_eq!(first["changes_to_past"], serde_json::json!([]));
    assert_eq!(
        (&first["served"], &second["served"]),
        (&Value::from(false), &Value::from(true))
    );
    let change = &second["changes_to_past"][0];
    assert_eq!(change["what"], "tern: capacity_ah was 200.0 and is 210.0");
    assert_eq!(change["from"], Value::Null);
    let text = api.get(&format!("/v1/setups/{}", first["digest"].as_str().unwrap()));
    assert!(text["text"].as_str().unwrap().contains("capacity_ah = 200\n"));
}

#[test]
fn a_capacity_changed_at_a_date_leaves_the_time_before_alone() {
    let winter = winter();
    let api = Api::on(as_written(), winter.readings());
    let before = errors(&api, SINCE, BEFORE);
    let after = errors(&api, SINCE, AFTER);
    let api = api.edited(changed());
    let still = errors(&api, SINCE, BEFORE);
    // What the boards told later of the shares no longer counts for the time before: that is all that may change.
    for (still, before) in [(&still.0, &before.0), (&still.1, &before.1)] {
        let of = |error: &Value, key: &str| error[key].as_f64().unwrap();
        let moved_ah = (of(still, "ah") - of(before, "ah")).abs();
        assert!(
            moved_ah < 0.25 * of(before, "expanded_uncertainty_ah"),
            "{still} {before}"
        );
    }
    let now_after = errors(&api, SINCE, AFTER);
    assert_ne!(now_after, after);
    // Other cells, not other charge: the change itself is no error.
    let (just_before, just_after) = ("2025-11-23T11:59:00Z", "2025-11-23T12:01:00Z");
    let across = errors(&api, just_before, just_after);
    for error in [&across.0, &across.1] {
        assert!(error["ah"].as_f64().unwrap().abs() < 0.2, "{error}");
    }
    let setups = api.get("/v1/setups");
    assert_eq!(setups["setups"].as_array().unwrap().len(), 2);
    assert_eq!(setups["setups"][1]["changes_to_past"][0]["from"], CHANGE);
}

#[test]
fn an_edit_that_changes_the_past_is_told() {
    assert!(changes_to_past(&as_written(), &as_written(), NOW_MS).is_empty());
    let corrections = changes_to_past(&as_written(), &corrected(), NOW_MS);
    assert_eq!(corrections.len(), 1);
    let told = check::told(&corrections);
    assert!(
        told.contains("skerry, from the beginning: tern: capacity_ah was 200.0 and is 210.0"),
        "{told}"
    );
    let changes = changes_to_past(&as_written(), &changed(), NOW_MS);
    assert_eq!(changes[0].from_ms, Some(CHANGE_MS));
    // A change that is still to come changes nothing of the past.
    assert!(changes_to_past(&as_written(), &changed(), CHANGE_MS - 1).is_empty());
}

#[test]
fn an_edit_of_what_every_hour_and_full_charge_hang_on_is_told() {
    let path = format!("{}/demo-data/skerry.toml", env!("CARGO_MANIFEST_DIR"));
    let text = fs::read_to_string(path).unwrap();
    for (from, to, what) in [
        (
            "hold = \"5m\"",
            "hold = \"5m\", voltage_from = \"tern\"",
            "full.voltage_from was the usual and is tern",
        ),
        (
            "chemistry = \"lfp\"\ncells_in_series = 16",
            "chemistry = \"nmc\"\ncells_in_series = 14",
            "chemistry was Lfp and is Nmc",
        ),
        (
            "id = \"shunt\"",
            "id = \"meter\"",
            "the reference was shunt and is meter",
        ),
        (
            "format = \"json\"",
            "format = \"json\"\nreports = \"on_change\"",
            "tern: reports was regular and is on_change, longest_hold 1800s",
        ),
    ] {
        assert!(text.contains(from), "{from}");
        let edited = config::parse("setup.toml", &text.replacen(from, to, 1), Path::new("")).unwrap();
        let told = check::told(&changes_to_past(&as_written(), &edited, NOW_MS));
        assert!(told.contains(what), "{told}");
    }
}
