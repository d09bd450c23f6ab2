//! Is a question answered from cumulative hours, whatever the sampling and however long the window?

use std::{
    collections::BTreeMap,
    sync::{
        Arc,
        atomic::{AtomicU64, Ordering},
    },
};

use packdrift::{
    charge::caution::Kind as Caution,
    demo::{Kind, Plan, simulate},
    ledger,
    store::{self, caution_hour, hour, instrument, reading},
};
use rusqlite::Connection;

use crate::past;

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;

/// Steps of SQLite's virtual machine that something takes: each row read costs several.
fn steps_of(store: &Connection, asked: impl FnOnce()) -> u64 {
    let counted = Arc::new(AtomicU64::new(0));
    let counting = counted.clone();
    let count = move || {
        counting.fetch_add(1, Ordering::Relaxed);
        false
    };
    store.progress_handler(1, Some(count)).unwrap();
    asked();
    store.progress_handler(0, None::<fn() -> bool>).unwrap();
    counted.load(Ordering::Relaxed)
}

/// Steps that a question over some days takes.
fn steps(store: &Connection, days: i64) -> u64 {
    let setup = past::setup();
    let begin_ms = Plan::new(Kind::Usual, 1).begin_ms + DAY_MS + 1_234_567;
    // Once without counting, so that statements are prepared.
    let instants = [begin_ms, begin_ms + days * DAY_MS];
    past::facts(store, &setup, &instants);
    steps_of(store, || {
        let (facts, at) = past::facts(store, &setup, &instants);
        past::ask(&facts, |record| record.charge_error(0, at[0], at[1]).unwrap());
    })
}

#[test]
fn what_is_looked_up_again_and_again_reads_no_more_than_its_hours() {
    let plan = Plan {
        days: 12,
        ..Plan::new(Kind::Sparse, 1)
    };
    let store = past::filled(&past::setup(), &simulate(&plan));
    let begin_ms = plan.begin_ms + 5 * DAY_MS;
    let readings = hour::readings(&store).unwrap();
    // Of one hour that all six have been heard in anew.
    let stale = (1..=6)
        .map(|instrument| (begin_ms / HOUR_MS, instrument))
        .collect();
    reading::mark_stale(&store, &stale).unwrap();
    let mut counted = 0;
    let counting = steps_of(&store, || counted = hour::readings(&store).unwrap());
    let mut highest = BTreeMap::default();
    let displays = steps_of(&store, || {
        highest = reading::highest_displays(&store, begin_ms, begin_ms + HOUR_MS).unwrap();
    });
    assert_eq!(counted, readings);
    assert_eq!(highest.len(), 5);
    // Six instruments report every minute.
    let an_hour = 6 * 60;
    println!("{counting} steps to count {readings} readings, {displays} for an hour's displays");
    assert!(counting < 30 * an_hour, "{counting} steps");
    assert!(displays < 30 * an_hour, "{displays} steps");
}

#[test]
fn an_instrument_that_says_nothing_costs_no_look_at_what_the_others_say() {
    let setup = past::setup();
    let plan = Plan {
        days: 4,
        ..Plan::new(Kind::Sparse, 1)
    };
    // Tern falls silent after six hours; skua never speaks.
    let (tern, skua) = (1, 5);
    let winter = simulate(&plan);
    let heard = winter
        .readings()
        .filter(|(at_ms, of, _)| *of != skua && (*of != tern || *at_ms < plan.begin_ms + 6 * HOUR_MS));
    let mut store = past::empty();
    past::put(&mut store, &setup, heard);
    ledger::refresh(&mut store, &setup).unwrap();
    let number = |name| instrument::known_number(&store, name).unwrap().unwrap();
    for (name, since_ms) in [("tern", plan.begin_ms + DAY_MS), ("skua", i64::MIN)] {
        let number = number(name);
        let steps = steps_of(&store, || {
            let found = reading::of_instrument(&store, number, since_ms, i64::MAX, 1001).unwrap();
            assert!(found.is_empty());
        });
        // Every row of `hour` is looked at, of which there are six a day and hour at most; a row takes some ten steps.
        let hours = 6 * 4 * 24;
        println!("{steps} steps for {name}, who has nothing to say");
        assert!(steps < 30 * hours, "{steps} steps for {name}");
    }
}

#[test]
fn cautions_of_a_day_are_looked_up_among_those_of_a_year() {
    let store = store::read_write(std::path::Path::new(":memory:")).unwrap();
    store
        .execute("INSERT INTO instrument VALUES (1, 'tern')", [])
        .unwrap();
    let hours = 365 * 24;
    for hour in 0..hours {
        caution_hour::add(&store, 1, hour, Caution::SocSpread, hour * HOUR_MS, 200).unwrap();
    }
    let (from_ms, until_ms) = ((hours - 24) * HOUR_MS, hours * HOUR_MS);
    let mut found = Vec::new();
    let looking = steps_of(&store, || {
        found = caution_hour::between(&store, 1, from_ms, until_ms).unwrap();
    });
    assert_eq!(found.len(), 24);
    assert!(looking < 1000, "{looking} steps");
}

#[test]
fn the_cost_grows_neither_with_sampling_nor_with_the_window() {
    let winter = |report_s| {
        let plan = Plan {
            days: 40,
            report_s,
            ..Plan::new(Kind::Sparse, 1)
        };
        past::filled(&past::setup(), &simulate(&plan))
    };
    let (minutes, tens) = (winter(60), winter(10));
    let readings = |store: &Connection| -> u64 {
        store
            .query_row("SELECT count(*) FROM reading", [], |row| row.get::<_, i64>(0))
            .unwrap()
            .unsigned_abs()
    };
    assert!(readings(&tens) > 5 * readings(&minutes));

    let (week, month) = (steps(&minutes, 6), steps(&minutes, 36));
    println!(
        "60 s: {week} steps over 6 days, {month} over 36; 10 s: {} over 36",
        steps(&tens, 36)
    );
    assert!(
        month < week + week / 10,
        "{month} steps over 36 days, {week} over 6"
    );

    // Two edge hours of six instruments, each a sample every 10 s instead of every minute; a row of `reading` with
    // all its columns takes some thirty steps. Everything else stays.
    let more_rows = 2 * 6 * (360 - 60);
    let limit = month + 40 * more_rows;
    let fine = steps(&tens, 36);
    assert!(
        fine < limit,
        "{fine} steps at 10 s, {month} at 60 s, {limit} allowed"
    );
}
