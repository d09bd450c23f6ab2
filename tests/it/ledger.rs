//! Does the ledger say the same however readings came: late, repeated, shuffled, in any batches, one by one?

use packdrift::{
    config::Setup,
    demo::{Kind, Plan, simulate},
    ledger,
    reading::{Channel, Channels},
};
use proptest::prelude::*;
use rand::{SeedableRng, seq::SliceRandom};
use rand_chacha::ChaCha8Rng;
use rusqlite::Connection;

use crate::past;

type Told = (i64, u16, Channels);

const BEGIN_MS: i64 = 1_767_225_600_000;

/// Readings of some hours: irregular, with pauses, near full at times, some channels apart, some in conflict.
fn some_readings() -> impl Strategy<Value = Vec<Told>> {
    let instant = prop_oneof![
        // Anywhere within nine hours, on whole minutes, and on whole hours.
        8 => (0..9 * 60_i64).prop_map(|minute| minute * 60_000),
        4 => 0..9 * 3_600_000_i64,
        2 => (0..9_i64).prop_map(|hour| hour * 3_600_000),
        1 => (20..22 * 60_i64).prop_map(|minute| minute * 60_000),
    ];
    let current = prop_oneof![-60_000..60_000_i64, -40_000..40_000_i64, Just(0)];
    let voltage = prop_oneof![3 => 55_900..56_300_i64, 1 => 52_000..55_000_i64];
    let soc = prop_oneof![0..=1000_i64, Just(1000)];
    let channels = (
        proptest::option::weighted(0.85, current),
        proptest::option::weighted(0.8, voltage),
        proptest::option::weighted(0.5, soc),
        proptest::option::weighted(0.2, 0..100_000_i64),
    )
        .prop_map(|(current, voltage, soc, charge)| {
            let mut channels = Channels::default();
            channels.set(Channel::Current, current);
            channels.set(Channel::Voltage, voltage);
            channels.set(Channel::Soc, soc);
            channels.set(Channel::Charge, charge);
            channels
        });
    let told =
        (instant, 0..3_u16, channels).prop_map(|(at_ms, of, channels)| (BEGIN_MS + at_ms, of, channels));
    proptest::collection::vec(told, 1..250)
}

/// What is derived when readings come in these batches, with the ledger brought up to date after each.
fn derived_in_batches(setup: &Setup, batches: &[&[Told]]) -> String {
    let mut store = past::empty();
    for batch in batches {
        past::put(&mut store, setup, batch.iter().copied());
        ledger::refresh(&mut store, setup).unwrap();
    }
    past::derived(&store)
}

/// The lines in which two ledgers differ.
fn difference(one: &str, other: &str) -> String {
    let only = |these: &str, those: &str, sign: char| -> Vec<String> {
        these
            .lines()
            .filter(|line| !those.lines().any(|other| other == *line))
            .map(|line| format!("{sign} {line}"))
            .collect()
    };
    [only(one, other, '-'), only(other, one, '+')].concat().join("\n")
}

fn rebuilt(store: &mut Connection, setup: &Setup) -> String {
    ledger::rebuild(store, setup, |_| {}).unwrap();
    past::derived(store)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(600))]

    #[test]
    fn order_repetition_and_batches_change_nothing(
        readings in some_readings(),
        cuts in proptest::collection::vec(0.0..1.0_f64, 0..6),
        seed in any::<u64>(),
    ) {
        let setup = past::setup();
        let at_once = derived_in_batches(&setup, &[&readings]);

        let mut late = readings.clone();
        late.extend(readings.iter().step_by(3));
        late.shuffle(&mut ChaCha8Rng::seed_from_u64(seed));
        let mut bounds: Vec<usize> = cuts.iter().map(|cut| place(*cut, late.len())).collect();
        bounds.extend([0, late.len()]);
        bounds.sort_unstable();
        let batches: Vec<&[Told]> = bounds.windows(2).map(|pair| &late[pair[0]..pair[1]]).collect();
        let in_batches = derived_in_batches(&setup, &batches);
        prop_assert!(in_batches == at_once, "{}", difference(&in_batches, &at_once));
    }

    #[test]
    fn what_is_counted_up_to_two_instants_is_what_lies_between(
        readings in some_readings(),
        from in 0.0..1.0_f64,
        until in 0.0..1.0_f64,
    ) {
        let setup = past::setup();
        let mut store = past::empty();
        past::put(&mut store, &setup, readings.iter().copied());
        ledger::refresh(&mut store, &setup).unwrap();
        let day_ms = 86_400_000;
        let instants = [from.min(until), from.max(until)]
            .map(|part| BEGIN_MS + i64::try_from(place(part, day_ms)).unwrap());
        let Some(asked) = ledger::gather(&store, &setup, &setup.banks[0], &instants).unwrap() else {
            return Ok(());
        };
        let cut = |place: usize| &asked.facts.cuts[asked.at[place]];
        let (begin_ms, end_ms) = (cut(0).at_ms, cut(1).at_ms);
        let joining = packdrift::charge::count::Joining {
            between: packdrift::charge::count::Between::Line,
            longest_pause_ms: 600_000,
        };
        for of in 0..3_usize {
            let counted = cut(1).totals[of] - cut(0).totals[of];
            let samples = samples(&store, of);
            let direct = samples
                .windows(2)
                .filter_map(|pair| packdrift::charge::count::Piece::joining(pair[0], pair[1], joining))
                .map(|piece| piece.between(begin_ms, end_ms))
                .fold(packdrift::charge::count::Counted::default(), |sum, part| sum + part);
            prop_assert_eq!(
                (counted.charged, counted.discharged, counted.heard_ms, counted.pauses_ms2),
                (direct.charged, direct.discharged, direct.heard_ms, direct.pauses_ms2)
            );
        }
    }
}

/// A place as a part of a length.
#[expect(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a test"
)]
fn place(part: f64, length: usize) -> usize {
    (part * length as f64) as usize
}

/// The currents of an instrument as stored.
fn samples(store: &Connection, of: usize) -> Vec<packdrift::charge::count::Sample> {
    store
        .prepare(
            "SELECT at_ms, current FROM reading JOIN instrument ON instrument.id = reading.instrument \
             WHERE name = ?1 AND current IS NOT NULL ORDER BY at_ms",
        )
        .unwrap()
        .query_map([["shunt", "tern", "fulmar"][of]], |row| {
            Ok(packdrift::charge::count::Sample {
                at_ms: row.get(0)?,
                current_ma: row.get(1)?,
            })
        })
        .unwrap()
        .collect::<rusqlite::Result<_>>()
        .unwrap()
}

#[test]
fn a_winter_told_one_by_one_is_the_winter_told_at_once() {
    let setup = past::setup();
    let winter = simulate(&Plan {
        days: 3,
        ..Plan::new(Kind::Usual, 5)
    });
    let readings: Vec<Told> = winter.readings().step_by(7).collect();
    let ones: Vec<&[Told]> = readings.chunks(1).collect();
    assert_eq!(
        derived_in_batches(&setup, &ones),
        derived_in_batches(&setup, &[&readings])
    );
}

#[test]
fn rebuilding_after_late_readings_changes_no_digit() {
    let setup = past::setup();
    let winter = simulate(&Plan {
        days: 30,
        ..Plan::new(Kind::Usual, 6)
    });
    let mut readings: Vec<Told> = winter.readings().collect();
    // A stretch of the second week, some readings here and there, and one pack's last days come weeks late.
    let late: Vec<Told> = readings
        .iter()
        .enumerate()
        .filter(|(n, (at_ms, of, _))| {
            let day = (at_ms - readings[0].0) / 86_400_000;
            (day == 9 && *of == 2) || n % 997 == 0 || (day > 24 && *of == 4)
        })
        .map(|(_, told)| *told)
        .collect();
    readings.retain(|told| !late.contains(told));
    let mut store = past::empty();
    past::put(&mut store, &setup, readings);
    ledger::refresh(&mut store, &setup).unwrap();
    let before = past::derived(&store);
    past::put(&mut store, &setup, late);
    ledger::refresh(&mut store, &setup).unwrap();
    let refreshed = past::derived(&store);
    assert_ne!(refreshed, before);
    assert_eq!(refreshed, rebuilt(&mut store, &setup));
    assert_eq!(refreshed, past::derived(&past::filled(&setup, &winter)));
}
