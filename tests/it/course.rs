//! Is each point of a charge error over time the answer at that instant, whatever happens on the way?

use std::path::Path;

use packdrift::{
    charge::course::course,
    config::{self, Setup},
    demo::{Kind, Plan, Winter, simulate},
    ledger,
    reading::{Channel, Channels},
    store::note::{self, Said, Subject},
};

use crate::past;

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;
/// Not hours of the clock, and every hour of the day in turn.
const STEP_MS: i64 = 7 * HOUR_MS + 1_234_567;
const SHUNT: u16 = 0;
const TERN: u16 = 1;

fn winter(kind: Kind) -> Winter {
    simulate(&Plan {
        days: 32,
        report_s: 120,
        ..Plan::new(kind, 41)
    })
}

/// So many days after a winter's beginning, ms since 1970.
fn day_ms(day: i64) -> i64 {
    Plan::new(Kind::Usual, 41).begin_ms + day * DAY_MS
}

/// The demo's setup with something else in some place.
fn setup(replaced: &str, by: &str) -> Setup {
    let path = format!("{}/demo-data/skerry.toml", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(path).unwrap().replacen(replaced, by, 1);
    config::parse("setup.toml", &text, Path::new("")).unwrap()
}

/// Every point since the second day and since day 12 is what is answered about just that stretch.
fn check(
    setup: &Setup,
    readings: impl IntoIterator<Item = (i64, u16, Channels)>,
    recalibrated: &[(&str, i64)],
) {
    let mut store = past::empty();
    past::put(&mut store, setup, readings);
    ledger::refresh(&mut store, setup).unwrap();
    for (name, at_ms) in recalibrated {
        let said = Said {
            at_ms: *at_ms,
            subject: Subject::Instrument((*name).to_owned()),
            kind: note::Kind::Recalibration,
            text: "zero set".to_owned(),
        };
        note::add(&store, *at_ms, said).unwrap();
    }
    let bank = &setup.banks[0];
    let mut untold = 0;
    for since_ms in [day_ms(1), day_ms(12)] {
        let (facts, at) = past::facts(&store, setup, &[since_ms, i64::MAX]);
        let end_ms = facts.cuts[at[1]].at_ms;
        let inside = (1..).map(|step| since_ms + step * STEP_MS);
        let mut instants: Vec<i64> = inside.take_while(|at_ms| *at_ms < end_ms).collect();
        // Cuts are instants too.
        instants.extend(facts.cuts[at[0]..].iter().map(|cut| cut.at_ms));
        instants.sort_unstable();
        instants.dedup();
        let cuts = ledger::counted_until(&store, setup, bank, &instants).unwrap();
        let packs: Vec<usize> = (0..bank.packs.len()).collect();
        let points = course(&facts, at[0], &cuts, &packs);
        for (place, at_ms) in instants.iter().enumerate() {
            let (facts, at) = past::facts(&store, setup, &[since_ms, *at_ms]);
            past::ask(&facts, |record| {
                for (p, points) in points.iter().enumerate() {
                    let point = points[place];
                    let answer = record.charge_error(p, at[0], at[1]).ok();
                    let error = answer.map(|answer| answer.error);
                    let told = error.map(|error| (error.value_ah, error.expanded_uncertainty_ah()));
                    let what = format!("pack {p} at {at_ms}: {:?}, answer {told:?}", point.error_ah);
                    untold += i32::from(told.is_none());
                    assert_eq!(point.error_ah.is_some(), told.is_some(), "{what}");
                    // Shown to 0.001: sums in another order differ by far less.
                    if let Some((point, told)) = point.error_ah.zip(told) {
                        assert!(
                            (point.0 - told.0).abs() < 1e-7 && (point.1 - told.1).abs() < 1e-7,
                            "{what}"
                        );
                    }
                    let actual = record.actual_percent(p, at[1]);
                    let apart = point
                        .actual_percent
                        .zip(actual)
                        .map(|(point, actual)| point - actual);
                    assert!(apart.unwrap().abs() < 1e-9, "pack {p} at {at_ms}: {actual:?}");
                }
            });
        }
    }
    // The first instant of each is none yet.
    assert!(untold >= 10);
}

#[test]
fn through_full_charges_and_recalibrations() {
    let recalibrated = [
        ("shunt", day_ms(6)),
        ("tern", day_ms(9)),
        ("shunt", day_ms(31) + HOUR_MS),
    ];
    check(&past::setup(), winter(Kind::Usual).readings(), &[]);
    check(&past::setup(), winter(Kind::Usual).readings(), &recalibrated);
}

#[test]
fn a_board_of_the_wrong_sign_has_none() {
    let turned = |(at_ms, of, mut channels): (i64, u16, Channels)| {
        if of == TERN {
            let counted = channels.get(Channel::Current);
            channels.set(Channel::Current, counted.map(|ma| -ma));
        }
        (at_ms, of, channels)
    };
    check(&past::setup(), winter(Kind::Usual).readings().map(turned), &[]);
}

#[test]
fn through_days_off_the_busbar() {
    check(&past::setup(), winter(Kind::Cutoff).readings(), &[]);
}

#[test]
fn through_silence() {
    let silent = |at_ms: i64, of: u16| {
        let within = |from: i64, hours: i64| (from..from + hours * HOUR_MS).contains(&at_ms);
        within(day_ms(3), 30) && of == TERN
            || within(day_ms(8), 20) && of == SHUNT
            || within(day_ms(14) + HOUR_MS, 9)
            || within(day_ms(19), 14) && of == SHUNT
            || within(day_ms(19) + 6 * HOUR_MS, 20) && of == TERN
            || within(day_ms(26), 90) && of != SHUNT
    };
    let winter = winter(Kind::Usual);
    let heard = winter.readings().filter(|(at_ms, of, _)| !silent(*at_ms, *of));
    check(&past::setup(), heard, &[]);
    // One board never speaks again, and one never did.
    let heard = winter.readings().filter(|(at_ms, of, _)| match of {
        1 => *at_ms < day_ms(15),
        4 => false,
        _ => true,
    });
    check(&past::setup(), heard, &[]);
}

#[test]
fn through_packs_that_change_come_and_go() {
    let winter = winter(Kind::Usual);
    let (capacity, change) = (
        "capacity_ah = 200\n",
        "capacity_ah = 200\nchange = [{ from = 2025-11-17T12:00:00Z, capacity_ah = 212 }]\n",
    );
    check(&setup(capacity, change), winter.readings(), &[]);
    let change = "capacity_ah = 200\nchange = [{ from = 2025-11-06T12:00:00Z, in_bank = false }, \
                  { from = 2025-11-15T06:00:00Z, in_bank = true }]\n";
    check(&setup(capacity, change), winter.readings(), &[]);
}
