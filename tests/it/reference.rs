//! The reference on trial: do the parts add up, is a wrong instrument found out and a right one left alone, and does
//! a re-zero begin an epoch?

use packdrift::{
    charge::{drift::is_impossible, facts::Mark, trial::Trial},
    demo::{Kind, Plan, Winter, simulate},
    ledger,
    reading::Channel,
};

use crate::{asking::Api, coverage::heard::Heard, past};

#[test]
fn what_is_left_is_the_closure_less_what_was_expected() {
    let answer = Api::new(12).get("/v1/reference");
    let spans = answer["spans"].as_array().unwrap();
    assert_eq!(spans.len(), 1);
    let figure = |value: &serde_json::Value| value.as_f64().unwrap();
    let expected: f64 = spans[0]["expected"]
        .as_array()
        .unwrap()
        .iter()
        .map(|part| figure(&part["ah"]))
        .sum();
    let left = figure(&spans[0]["remainder"]["ah"]);
    // Five figures rounded to hundredths.
    assert!((figure(&spans[0]["closure"]["ah"]) - expected - left).abs() < 0.03);
    assert_eq!(spans[0]["beyond_data_sheet"], false);
    assert_eq!(answer["pooled"], answer["spans"], "one span is its own pool");
    let nothing = Api::new(0).get("/v1/reference");
    assert!(
        nothing["verdict"]
            .as_str()
            .unwrap()
            .starts_with("No span has closed")
    );
}

/// Trials of the reference of a winter whose readings show `more_ma` on top, set anew at these instants: by span,
/// and pooled.
fn trials(winter: &Winter, more_ma: i64, set_anew_ms: &[i64]) -> (Vec<Trial>, Vec<Trial>) {
    let mut readings: Vec<_> = winter.readings().collect();
    for (_, of, channels) in &mut readings {
        if *of == 0 {
            let seen = channels.get(Channel::Current);
            channels.set(Channel::Current, seen.map(|ma| ma + more_ma));
        }
    }
    let setup = past::setup();
    let (mut facts, _) = Heard::new(&setup, readings).facts(set_anew_ms, &[]);
    facts.recalibrated_ms[0].extend(set_anew_ms);
    past::ask(&facts, |record| {
        let trials = record.trials();
        (trials.clone(), Trial::pooled(&facts, trials))
    })
}

#[test]
fn an_instrument_beyond_its_data_sheet_is_found_out_and_a_right_one_is_not() {
    let winter = simulate(&Plan::new(Kind::Usual, 3001));
    let (spans, pooled) = trials(&winter, 0, &[]);
    assert_eq!((spans.len(), pooled.len(), pooled[0].spans), (3, 1, 3));
    assert!(!pooled[0].is_beyond_data_sheet());
    // The marks between the spans cancel in the pool: three spans by themselves would come to 1.7 times one.
    let uncertainty = |trial: &Trial| trial.closure.standard_uncertainty_ah();
    assert!(uncertainty(&pooled[0]) < 1.5 * uncertainty(&spans[0]));
    let (_, pooled) = trials(&winter, 120, &[]);
    assert!(pooled[0].is_beyond_data_sheet());
    let (_, left_ma, _) = pooled[0].as_rate(pooled[0].remainder().value_ah);
    let (_, within_ma, _) = pooled[0].as_rate(pooled[0].remainder().expanded_uncertainty_ah());
    // Its own zero is within 10 mA.
    assert!((left_ma - 120.0).abs() < 10.0 + within_ma, "{left_ma}");
}

#[test]
fn setting_it_anew_begins_an_epoch_and_spoils_the_span_around() {
    let winter = simulate(&Plan::new(Kind::Usual, 3001));
    let begin_ms = winter.readings().next().unwrap().0;
    let (spans, pooled) = trials(&winter, 0, &[begin_ms + 33 * 86_400_000]);
    let spoiled: Vec<bool> = spans.iter().map(|span| span.of_two_epochs).collect();
    assert_eq!(spoiled, [false, true, false]);
    assert_eq!((pooled.len(), pooled[0].spans, pooled[1].spans), (2, 1, 1));
}

#[test]
fn a_second_full_charge_of_the_same_hour_leaves_the_days_that_follow_as_sure_as_they_were() {
    let winter = simulate(&Plan::new(Kind::Usual, 3001));
    let setup = past::setup();
    let begin_ms = Plan::new(Kind::Usual, 3001).begin_ms;
    let until_ms = begin_ms + 33 * 86_400_000;
    let readings = winter.readings().take_while(|(at_ms, ..)| *at_ms < until_ms);
    let heard = Heard::new(&setup, readings.collect());
    let full_ms = heard.marks_ms();
    assert_eq!(full_ms.len(), 2);
    let again_ms = full_ms[1] + 20 * 60_000;
    let (mut facts, at) = heard.facts(&[full_ms[0], again_ms], &[]);
    let last = facts.cuts.len() - 1;
    let sure_ah = |facts: &_| -> Vec<f64> {
        past::ask(facts, |record| {
            (0..winter.packs.len())
                .map(|p| {
                    record
                        .charge_error(p, at[0], last)
                        .unwrap()
                        .error
                        .expanded_uncertainty_ah()
                })
                .collect()
        })
    };
    let once = sure_ah(&facts);
    facts.marks.push(Mark {
        at_ms: again_ms,
        ..facts.marks[1].clone()
    });
    for (once, twice) in once.into_iter().zip(sure_ah(&facts)) {
        assert!((0.8..1.2).contains(&(twice / once)), "{once} and {twice} Ah");
    }
}

#[test]
fn packs_that_would_hold_more_than_they_can_are_told_of() {
    let winter = simulate(&Plan {
        days: 30,
        ..Plan::new(Kind::Sparse, 11)
    });
    let impossible = |more_ma: i64| {
        let before_the_next = winter
            .readings()
            .take_while(|(at_ms, ..)| *at_ms < Plan::new(Kind::Sparse, 11).begin_ms + 25 * 86_400_000);
        let readings = before_the_next.map(|(at_ms, of, mut channels)| {
            if of == 0 {
                let seen = channels.get(Channel::Current);
                channels.set(Channel::Current, seen.map(|ma| ma + more_ma));
            }
            (at_ms, of, channels)
        });
        let setup = past::setup();
        let mut store = past::empty();
        past::put(&mut store, &setup, readings);
        ledger::refresh(&mut store, &setup).unwrap();
        let (facts, at) = past::facts(&store, &setup, &[i64::MAX]);
        past::ask(&facts, |record| {
            record
                .bank_actual(at[0])
                .filter(is_impossible)
                .map(|actual| actual.value_ah)
        })
    };
    assert_eq!(impossible(0), None);
    assert!(impossible(2000).unwrap() > 100.0);
    assert!(impossible(-2000).unwrap() < 0.0);
}
