//! Does an answer hang on how a bank reports: on change only, in counters of its own, with long silences?

use std::{collections::HashMap, time::Duration};

use packdrift::{
    config::{Reporting, Setup},
    demo::{Kind, Plan, Winter, simulate},
    ledger,
    reading::{Channel, Channels},
    store::anchor,
};

use crate::past;

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;

/// Charge errors of all packs, Ah, from the first full charge to the last and to days in between.
fn answers(setup: &Setup, readings: Vec<(i64, u16, Channels)>) -> Vec<f64> {
    let mut store = past::empty();
    past::put(&mut store, setup, readings);
    ledger::refresh(&mut store, setup).unwrap();
    let marks = anchor::of_bank(&store, "skerry").unwrap();
    let (first_ms, last_ms) = (marks[0].end_ms, marks[marks.len() - 1].end_ms);
    assert!(last_ms - first_ms > 20 * DAY_MS, "a full charge at either end");
    // The same instants whatever was reported: marks may lie a little apart.
    let hour_ms = |at_ms: i64| at_ms.div_euclid(HOUR_MS) * HOUR_MS;
    let instants: Vec<i64> = [0, 5, 9, 14, 20]
        .iter()
        .map(|days| hour_ms(first_ms) + days * DAY_MS + HOUR_MS)
        .chain([last_ms])
        .collect();
    let (facts, at) = past::facts(&store, setup, &instants);
    println!(
        "MARKS {:?}",
        marks.iter().map(|m| (m.begin_ms, m.end_ms)).collect::<Vec<_>>()
    );
    let at0 = at[0];
    for of in 0..3 {
        println!(
            "NET {of} {:?}",
            at.iter()
                .map(|at| (facts.cuts[*at].totals[of] - facts.cuts[at0].totals[of]).net_ah())
                .collect::<Vec<_>>()
        );
        println!(
            "HEARD {of} {:?}",
            at.iter()
                .map(|at| (facts.cuts[*at].totals[of].heard_ms - facts.cuts[at0].totals[of].heard_ms) / 1000)
                .collect::<Vec<_>>()
        );
    }
    println!("GAPS {:?}", facts.gaps);
    past::ask(&facts, |record| {
        at[1..]
            .iter()
            .flat_map(|until| (0..5).map(|p| record.charge_error(p, at[0], *until).unwrap().error.value_ah))
            .collect()
    })
}

/// What of a winter's readings changes, in steps of 0.1 A and 1 %.
fn on_change(winter: &Winter) -> Vec<(i64, u16, Channels)> {
    let steps = [
        (Channel::Current, 100),
        (Channel::Soc, 10),
        (Channel::Voltage, 10),
    ];
    let mut last: HashMap<(u16, usize), i64> = HashMap::new();
    let mut told = Vec::new();
    for (at_ms, of, channels) in winter.readings() {
        let mut changed = Channels::default();
        for (place, (channel, step)) in steps.into_iter().enumerate() {
            let Some(value) = channels.get(channel) else {
                continue;
            };
            #[expect(
                clippy::cast_precision_loss,
                clippy::cast_possible_truncation,
                reason = "small figures"
            )]
            let value = (value as f64 / step as f64).round() as i64 * step;
            if last.insert((of, place), value) != Some(value) {
                changed.set(channel, Some(value));
            }
        }
        if changed != Channels::default() {
            told.push((at_ms, of, changed));
        }
    }
    told
}

#[test]
fn reports_on_change_are_as_good_as_every_ten_seconds() {
    let winter = simulate(&Plan {
        days: 26,
        report_s: 10,
        ..Plan::new(Kind::Sparse, 21)
    });
    let regular = past::setup();
    let mut changing = past::setup();
    for entry in &mut changing.instruments {
        entry.reporting = Reporting::OnChange {
            longest_hold: Duration::from_secs(12 * 3600),
        };
    }
    let every = answers(&regular, winter.readings().collect());
    let told = on_change(&winter);
    println!("{} readings of {}", told.len(), winter.readings().len());
    let changed = answers(&changing, told);
    for (n, (every, changed)) in every.iter().zip(&changed).enumerate() {
        let percent = 100.0 * (changed - every).abs() / winter.packs[n % 5].rated_ah;
        println!(
            "{}: {every:.2} Ah, on change {changed:.2} Ah",
            winter.packs[n % 5].name
        );
        assert!(percent <= 0.3, "apart by {percent:.2} % of capacity");
    }
}
