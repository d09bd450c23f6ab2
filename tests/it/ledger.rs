//! Does the ledger say the same however readings came: late, repeated, shuffled, in any batches, one by one?

use std::time::Duration;

use packdrift::{
    charge::count::{Between, Counted, Joining, Piece, Sample},
    config::{Reporting, Setup},
    demo::{Kind, Plan, simulate},
    ledger,
    reading::{Channel, Channels},
};
use proptest::prelude::*;
use rand::{SeedableRng, seq::SliceRandom};
use rand_chacha::ChaCha8Rng;
use rusqlite::Connection;

use crate::past;

/// How long tern's values hold, where it reports on change only.
const HOLD_MS: i64 = 3 * 3_600_000;

/// The demo's setup, or one in which tern reports on change only.
fn setup(tern_holds: bool) -> Setup {
    let mut setup = past::setup();
    if tern_holds {
        setup.instruments[1].reporting = Reporting::OnChange {
            longest_hold: Duration::from_millis(HOLD_MS.unsigned_abs()),
        };
    }
    setup
}

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
        proptest::option::weighted(0.1, 0..=1_i64),
    )
        .prop_map(|(current, voltage, soc, charge, alive)| {
            let mut channels = Channels::default();
            channels.set(Channel::Current, current);
            channels.set(Channel::Voltage, voltage);
            channels.set(Channel::Soc, soc);
            channels.set(Channel::Charge, charge);
            channels.set(Channel::Alive, alive);
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
        tern_holds in any::<bool>(),
    ) {
        let setup = setup(tern_holds);
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
        tern_holds in any::<bool>(),
    ) {
        let setup = setup(tern_holds);
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
        for of in 0..3_usize {
            let (between, longest_pause_ms) = if of == 1 && tern_holds {
                (Between::Hold, HOLD_MS)
            } else {
                (Between::Line, 600_000)
            };
            let joining = Joining { between, longest_pause_ms };
            let counted = cut(1).totals[of] - cut(0).totals[of];
            let runs = runs(&store, of, joining);
            let direct = runs
                .iter()
                .flat_map(|samples| samples.windows(2))
                .filter_map(|pair| Piece::joining(pair[0], pair[1], joining))
                .map(|piece| piece.between(begin_ms, end_ms))
                .fold(Counted::default(), |sum, part| sum + part);
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

/// The currents of an instrument as stored, in runs that end where it says that it is no longer there. Where values
/// hold, whatever else it says within its hold says that the current is what it was.
fn runs(store: &Connection, of: usize, joining: Joining) -> Vec<Vec<Sample>> {
    let holds = joining.between == Between::Hold;
    let mut statement = store
        .prepare(
            "SELECT at_ms, current, alive FROM reading JOIN instrument ON instrument.id = reading.instrument \
             WHERE name = ?1 ORDER BY at_ms",
        )
        .unwrap();
    let mut rows = statement.query([["shunt", "tern", "fulmar"][of]]).unwrap();
    let mut runs = vec![Vec::<Sample>::new()];
    while let Some(row) = rows.next().unwrap() {
        let at_ms: i64 = row.get(0).unwrap();
        let said: Option<i64> = row.get(1).unwrap();
        let alive: Option<i64> = row.get(2).unwrap();
        let run = runs.last_mut().unwrap();
        let last = run
            .last()
            .filter(|last| holds && at_ms - last.at_ms <= joining.longest_pause_ms);
        if let Some(current_ma) = said.or(last.map(|last| last.current_ma)) {
            run.push(Sample { at_ms, current_ma });
        }
        if holds && alive == Some(0) {
            runs.push(Vec::new());
        }
    }
    runs
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
