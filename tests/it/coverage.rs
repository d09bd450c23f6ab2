//! Does the coverage benchmark ask the same question as the program? Its facts, gathered without a store, are those
//! that the ledger gathers from one.

#[allow(dead_code, reason = "the benchmark asks for more")]
#[path = "../../benches/coverage/heard.rs"]
pub mod heard;

use packdrift::{
    charge::{facts::Facts, learned::learned, switched_off::switched_off},
    demo::{Kind, Plan, simulate},
};

use crate::past;
use heard::Heard;

#[test]
fn facts_without_a_store_are_those_of_the_ledger() {
    let setup = past::setup();
    let winter = simulate(&Plan {
        days: 12,
        ..Plan::new(Kind::Usual, 2001)
    });
    let begin_ms = winter.readings().next().unwrap().0;
    // One hour in which nobody is heard, and one in which a pack isn't.
    let hour_ms = 3_600_000;
    let is_heard = |at_ms: i64, of: u16| {
        let hour = (at_ms - begin_ms) / hour_ms;
        hour != 100 && !(of == 3 && (150..152).contains(&hour))
    };
    let readings: Vec<_> = winter
        .readings()
        .filter(|(at_ms, of, _)| is_heard(*at_ms, *of))
        .collect();
    let mut store = past::empty();
    past::put(&mut store, &setup, readings.iter().copied());
    packdrift::ledger::refresh(&mut store, &setup).unwrap();
    let instants = [begin_ms + 77 * hour_ms + 1234, begin_ms + 200 * hour_ms];
    let (expect, expect_at) = past::facts(&store, &setup, &instants);
    let (facts, at) = Heard::new(&setup, readings).facts(&instants, &[]);
    assert!(expect.marks.len() > 1 && expect.gaps.len() == 7);
    assert_eq!(at, expect_at);
    // Sums of floating-point variances differ in their last digits by the order in which they are summed.
    let sampling = |facts: &Facts| -> Vec<f64> {
        let totals = facts.cuts.iter().flat_map(|cut| &cut.totals);
        totals.map(|counted| counted.sampling_ah2).collect()
    };
    for (one, other) in sampling(&facts).iter().zip(sampling(&expect)) {
        assert!(
            (one - other).abs() <= 1e-9 * other.abs().max(1e-9),
            "{one} {other}"
        );
    }
    // Those of the ledger have learned already.
    assert_eq!(
        without_sampling(learned(switched_off(facts))),
        without_sampling(expect)
    );
}

fn without_sampling(mut facts: Facts) -> Facts {
    let cuts = facts.cuts.iter_mut().chain(&mut facts.grid);
    for counted in cuts.flat_map(|cut| &mut cut.totals) {
        counted.sampling_ah2 = 0.0;
    }
    facts
}
