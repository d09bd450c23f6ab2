//! Packs and revisions side by side: is the order right, are verdicts withheld where they must be, and are rates
//! before and after a recalibration kept apart?

use packdrift::demo::{Kind, Plan, simulate};
use serde_json::Value;

use crate::{asking::Api, coverage::heard::Heard, past};

#[test]
fn packs_are_ranked_and_one_unit_is_no_revision() {
    let api = Api::new(12);
    let answer = api.get("/v1/compare");
    let ranking = answer["ranking"].as_array().unwrap();
    assert_eq!(ranking.len(), 5);
    let sizes: Vec<f64> = ranking
        .iter()
        .map(|one| one["points_per_month"].as_f64().unwrap().abs())
        .collect();
    assert!(sizes.is_sorted(), "{sizes:?}");
    let orders = answer["orders"].as_array().unwrap();
    assert_eq!(orders.len(), 10);
    for order in orders {
        let probability = order["probability"].as_f64().unwrap();
        assert!((0.3..=1.0).contains(&probability), "{order}");
        assert_eq!(order["decided"], probability >= 0.95);
        assert!(
            order["decided"] == false || order["more_days"].is_null(),
            "{order}"
        );
    }
    let revisions = &answer["revisions"];
    let on: Vec<&Value> = revisions["groups"]
        .as_array()
        .unwrap()
        .iter()
        .map(|group| &group["verdict_on"])
        .collect();
    assert_eq!(on, ["revision", "revision", "unit"]);
    let comparisons = revisions["comparisons"].as_array().unwrap();
    assert_eq!(
        comparisons.len(),
        1,
        "only A and B have two units: {comparisons:?}"
    );
    assert_eq!(
        (&comparisons[0]["one"], &comparisons[0]["other"]),
        (&"revision A".into(), &"revision B".into())
    );
    let said = revisions["verdict"].to_string();
    assert!(
        said.contains("Of revision C there is one unit: what is said holds for skua, not for the revision."),
        "{said}"
    );
    assert!(revisions["confounders"].to_string().contains("Ah on average"));
    assert!(answer["firmware"].is_null());
}

#[test]
fn nothing_heard_is_no_ranking() {
    let answer = Api::new(0).get("/v1/compare");
    assert_eq!(answer["ranking"].as_array().unwrap().len(), 0);
    assert_eq!(answer["verdict"][0], "Nothing was heard of this bank yet.");
}

#[test]
fn a_recalibration_that_halves_an_offset_makes_two_epochs_that_differ() {
    // The first reporting seeds in which the board that is recalibrated has an offset worth halving.
    let winters = (3001..)
        .map(|seed| simulate(&Plan::new(Kind::Usual, seed)))
        .filter(|winter| winter.packs[3].faults.offset_a.abs() > 0.045);
    let setup = past::setup();
    for winter in winters.take(3) {
        let (at_ms, p) = winter.recalibrated.unwrap();
        let heard = Heard::new(&setup, winter.readings().collect());
        let (facts, at) = heard.facts(&[i64::MIN, i64::MAX], &[(at_ms, p)]);
        past::ask(&facts, |record| {
            let changes = record.changes(p, at[0], at[1]);
            assert_eq!(changes.len(), 1);
            let change = &changes[0];
            assert_eq!((change.before.end_ms, change.after.begin_ms), (at_ms, at_ms));
            assert!(change.by.is_significant(), "{:?}", change.by.value_ah);
            let truth = |rate: &packdrift::charge::rate::Rate| {
                winter.true_charge_error_ah(p, rate.begin_ms, rate.end_ms) / rate.days
            };
            // Twice the stated uncertainty: three winters are to hold it, not nineteen of twenty.
            let off = change.by.value_ah - (truth(&change.after) - truth(&change.before));
            assert!(off.abs() < 2.0 * change.by.expanded_uncertainty_ah(), "{off}");
            // What is ranked is the present epoch alone.
            let ranked = record
                .drifting(p, winter.packs[p].rated_ah, (at[0], at[1]))
                .unwrap();
            assert_eq!(ranked.begin_ms, at_ms);
            // Packs that nobody recalibrated have one.
            assert_eq!(record.changes(0, at[0], at[1]), []);
        });
    }
}
