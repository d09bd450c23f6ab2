//! What packs that leave, come and are changed do to an answer.

use std::path::Path;

use packdrift::{
    charge::{drift::Record, estimate::Source},
    config::{self, Setup},
    demo::{Kind, Plan, Winter, simulate},
    ledger,
    store::anchor,
};

use crate::past;

const DAY_MS: i64 = 24 * 3_600_000;
const TERN_AH: f64 = 200.0;

fn winter(kind: Kind) -> Winter {
    simulate(&Plan {
        days: 32,
        report_s: 120,
        ..Plan::new(kind, 41)
    })
}

/// The demo's setup with such changes of tern.
fn setup(change: &str) -> Setup {
    let path = format!("{}/demo-data/skerry.toml", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(path).unwrap();
    let changed = text.replacen(
        "capacity_ah = 200\n",
        &format!("capacity_ah = 200\nchange = [{change}]\n"),
        1,
    );
    config::parse("setup.toml", &changed, Path::new("")).unwrap()
}

#[test]
fn a_pack_that_was_switched_off_took_nothing_meanwhile() {
    let winter = winter(Kind::Cutoff);
    let (off, begin_ms, end_ms) = winter.away.unwrap();
    let silent = |at_ms: i64, of: u16| usize::from(of) == off + 1 && (begin_ms..end_ms).contains(&at_ms);
    let heard = winter.readings().filter(|(at_ms, of, _)| !silent(*at_ms, *of));
    let setup = past::setup();
    let mut store = past::empty();
    past::put(&mut store, &setup, heard);
    ledger::refresh(&mut store, &setup).unwrap();
    let first_ms = anchor::of_bank(&store, "skerry").unwrap()[0].end_ms;
    let (facts, at) = past::facts(&store, &setup, &[first_ms, end_ms + DAY_MS, i64::MAX]);
    past::ask(&facts, |record| {
        let off_ms = record.off_busbar_ms(off, at[0], at[2]);
        assert!((off_ms - (end_ms - begin_ms)).abs() < 600_000, "{off_ms} ms");
        for until in &at[1..] {
            let until_ms = facts.cuts[*until].at_ms;
            for p in 0..winter.packs.len() {
                let answer = record.charge_error(p, at[0], *until).unwrap().error;
                let off_by_ah = answer.value_ah - winter.true_charge_error_ah(p, first_ms, until_ms);
                let stated_ah = answer.expanded_uncertainty_ah();
                assert!(
                    off_by_ah.abs() < 1.5 * stated_ah,
                    "pack {p} at {until_ms}: {off_by_ah} ± {stated_ah}"
                );
            }
        }
    });
}

/// What tern's state of charge beside the others' makes of its charge error's standard uncertainty between two
/// cuts, fraction of capacity.
fn unequal(record: &Record<'_>, from: usize, until: usize) -> f64 {
    let budget = record.charge_error(0, from, until).unwrap().error.budget();
    let line = budget.iter().find(|(source, _)| *source == Source::UnequalSoc);
    line.map_or(0.0, |(_, ah)| ah / TERN_AH)
}

#[test]
fn nobody_knows_what_a_pack_brings_that_joins() {
    let joined = "2025-11-15T06:00:00Z";
    let joined_ms = joined
        .parse::<chrono::DateTime<chrono::Utc>>()
        .unwrap()
        .timestamp_millis();
    let anew =
        format!("{{ from = 2025-11-06T12:00:00Z, in_bank = false }}, {{ from = {joined}, in_bank = true }}");
    // Other cells of the same capacity are another pack, too.
    let other_cells = format!("{{ from = {joined}, capacity_ah = 200 }}");
    for (change, before_ms) in [(&anew, None), (&other_cells, Some(joined_ms - DAY_MS))] {
        let setup = setup(change);
        let store = past::filled(&setup, &winter(Kind::Usual));
        let marks = anchor::of_bank(&store, "skerry").unwrap();
        let next_ms = marks
            .iter()
            .map(|mark| mark.end_ms)
            .find(|end_ms| *end_ms > joined_ms)
            .unwrap();
        let (facts, at) = past::facts(
            &store,
            &setup,
            &[joined_ms, joined_ms + DAY_MS, next_ms, i64::MAX],
        );
        past::ask(&facts, |record| {
            let beside_others = 0.2 * (1.0 - facts.share(0, joined_ms));
            let unequal = [(0, 1), (0, 2), (2, 3)].map(|(from, until)| unequal(record, at[from], at[until]));
            let [next_day, full, behind] = unequal;
            // Over the day itself it stays so, also when the bank is full again.
            if let Some(before_ms) = before_ms {
                let (facts, at) = past::facts(&store, &setup, &[before_ms, i64::MAX]);
                let across = past::ask(&facts, |record| self::unequal(record, at[0], at[1]));
                assert!(across > 0.8 * beside_others, "{across}");
            }
            assert!(
                next_day > 0.8 * beside_others && full > 0.8 * beside_others && behind < 0.01,
                "{change}: {unequal:?}"
            );
        });
    }
}

#[test]
fn a_board_with_another_firmware_begins_an_epoch() {
    let setup = setup(
        "{ from = 2025-11-15T06:00:00Z, firmware = \"2.0\" }, { from = 2025-11-18T06:00:00Z, standing_draw_ma = 20 }",
    );
    let store = past::filled(&setup, &winter(Kind::Usual));
    let (facts, at) = past::facts(&store, &setup, &[i64::MIN, i64::MAX]);
    let rates = |p| past::ask(&facts, |record| record.rates(p, at[0], at[1]).len());
    assert_eq!((rates(0), rates(1)), (2, 1));
}

#[test]
fn a_rate_is_of_the_time_in_which_a_pack_belonged_to_the_bank() {
    let setup = setup(
        "{ from = 2025-11-09T00:00:00Z, in_bank = false }, { from = 2025-11-12T00:00:00Z, in_bank = true }, \
         { from = 2025-11-25T00:00:00Z, in_bank = false }",
    );
    let store = past::filled(&setup, &winter(Kind::Usual));
    let (facts, at) = past::facts(&store, &setup, &[i64::MIN, i64::MAX]);
    past::ask(&facts, |record| {
        let rate = record.last_rate(0, at[0], at[1]).unwrap();
        let left = "2025-11-25T00:00:00Z"
            .parse::<chrono::DateTime<chrono::Utc>>()
            .unwrap();
        assert_eq!(rate.end_ms, left.timestamp_millis());
        #[expect(clippy::cast_precision_loss, reason = "some days")]
        let days = (rate.end_ms - rate.begin_ms) as f64 / DAY_MS as f64 - 3.0;
        assert!((rate.days - days).abs() < 1e-9);
        let error_ah = record.charge_error(0, at[0], at[1]).unwrap().error.value_ah;
        assert!((rate.ah_per_day() - error_ah / days).abs() < 1e-9);
    });
}
