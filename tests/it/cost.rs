//! Is a question answered from cumulative hours, whatever the sampling and however long the window?

use std::sync::{
    Arc,
    atomic::{AtomicU64, Ordering},
};

use packdrift::demo::{Kind, Plan, simulate};
use rusqlite::Connection;

use crate::past;

const DAY_MS: i64 = 86_400_000;

/// Steps of SQLite's virtual machine that a question over some days takes: each row read costs several.
fn steps(store: &Connection, days: i64) -> u64 {
    let setup = past::setup();
    let counted = Arc::new(AtomicU64::new(0));
    let counting = counted.clone();
    let begin_ms = Plan::new(Kind::Usual, 1).begin_ms + DAY_MS + 1_234_567;
    // Once without counting, so that statements are prepared.
    let instants = [begin_ms, begin_ms + days * DAY_MS];
    past::facts(store, &setup, &instants);
    let count = move || {
        counting.fetch_add(1, Ordering::Relaxed);
        false
    };
    store.progress_handler(1, Some(count)).unwrap();
    let (facts, at) = past::facts(store, &setup, &instants);
    store.progress_handler(0, None::<fn() -> bool>).unwrap();
    past::ask(&facts, |record| record.charge_error(0, at[0], at[1]).unwrap());
    counted.load(Ordering::Relaxed)
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
