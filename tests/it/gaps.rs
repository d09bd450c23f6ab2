//! What a stretch that nobody heard does to an answer: nothing but widen it.

use std::{sync::LazyLock, time::Duration};

use packdrift::{
    charge::{
        drift::{ChargeError, Insufficient},
        facts::{Facts, Mark},
        fill::Filled,
        phase,
        stored::Basis,
    },
    config::Reporting,
    demo::{Kind, Plan, Winter, simulate},
    ledger,
    reading::{Channel, Channels},
    store::{
        anchor,
        note::{self, Said, Subject},
    },
};

use crate::past;

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;
const TERN: u16 = 1;
const SHUNT: u16 = 0;

static WINTER: LazyLock<Winter> = LazyLock::new(|| {
    simulate(&Plan {
        days: 30,
        ..Plan::new(Kind::Sparse, 11)
    })
});

/// The readings of the winter as `told` lets them through.
fn heard(told: impl Fn(i64, u16, Channels) -> Option<Channels>) -> Vec<(i64, u16, Channels)> {
    WINTER
        .readings()
        .filter_map(|(at_ms, of, channels)| Some((at_ms, of, told(at_ms, of, channels)?)))
        .collect()
}

/// Whether an instant lies in so many hours from noon of day 12 on.
fn within(at_ms: i64, hours: i64) -> bool {
    let from_ms = Plan::new(Kind::Sparse, 11).begin_ms + 12 * DAY_MS + 12 * HOUR_MS;
    (from_ms..from_ms + hours * HOUR_MS).contains(&at_ms)
}

/// Charge error of tern from the first full charge to the last, and to day 25: answers and truths.
fn answers(readings: Vec<(i64, u16, Channels)>) -> Vec<(Result<ChargeError, Insufficient>, f64)> {
    answers_of(&WINTER, readings)
}

fn answers_of(
    winter: &Winter,
    readings: Vec<(i64, u16, Channels)>,
) -> Vec<(Result<ChargeError, Insufficient>, f64)> {
    let setup = past::setup();
    let mut store = past::empty();
    past::put(&mut store, &setup, readings);
    ledger::refresh(&mut store, &setup).unwrap();
    let marks = anchor::of_bank(&store, "skerry").unwrap();
    let first_ms = marks[0].end_ms;
    let instants = [first_ms, marks[marks.len() - 1].end_ms, first_ms + 25 * DAY_MS];
    let (facts, at) = past::facts(&store, &setup, &instants);
    past::ask(&facts, |record| {
        at[1..]
            .iter()
            .zip(&instants[1..])
            .map(|(until, until_ms)| {
                let truth_ah = winter.true_charge_error_ah(0, first_ms, *until_ms);
                (record.charge_error(0, at[0], *until), truth_ah)
            })
            .collect()
    })
}

/// The answers hold the truth, and with `most_percent` of capacity less heard they are still near the full log's.
fn check(readings: Vec<(i64, u16, Channels)>, most_percent: Option<f64>) {
    let full = answers(heard(|_, _, channels| Some(channels)));
    for ((answer, truth_ah), (complete, _)) in answers(readings).into_iter().zip(full) {
        let (answer, complete) = (answer.unwrap().error, complete.unwrap().error);
        let (off_ah, stated_ah) = (answer.value_ah - truth_ah, answer.expanded_uncertainty_ah());
        assert!(
            off_ah.abs() <= stated_ah,
            "off by {off_ah} Ah, stated {stated_ah} Ah"
        );
        // A counter knows of a silence more than samples know of as much time heard, and how far packs stray is told
        // from what was heard: all but nothing less is sure.
        let complete_ah = complete.expanded_uncertainty_ah();
        assert!(
            stated_ah >= 0.95 * complete_ah,
            "{stated_ah} Ah where everything heard states {complete_ah} Ah"
        );
        if let Some(most_percent) = most_percent {
            let moved_percent = 100.0 * (answer.value_ah - complete.value_ah).abs() / 200.0;
            assert!(
                moved_percent <= most_percent,
                "moved by {moved_percent} % of capacity"
            );
        }
    }
}

/// The answers hold the truth, and none is stated wider than so many Ah.
fn holds_within(most_ah: f64, answers: &[(Result<ChargeError, Insufficient>, f64)]) {
    for (answer, truth_ah) in answers {
        let error = &answer.as_ref().unwrap().error;
        let (off_ah, stated_ah) = (error.value_ah - truth_ah, error.expanded_uncertainty_ah());
        assert!(
            off_ah.abs() <= stated_ah && stated_ah <= most_ah,
            "off by {off_ah} Ah, stated {stated_ah} Ah"
        );
    }
}

/// Without what a channel says.
fn without(mut channels: Channels, channel: Channel) -> Channels {
    channels.set(channel, None);
    channels
}

#[test]
fn a_pack_silent_for_thirty_hours_is_known_by_its_display() {
    check(
        heard(|at_ms, of, channels| (of != TERN || !within(at_ms, 30)).then_some(channels)),
        Some(1.0),
    );
}

/// With a counter of tern's own, in steps of 10 mAh, which goes up by what its current sums to.
fn with_own_counter() -> Vec<(i64, u16, Channels)> {
    let (mut before, mut counted) = (None::<(i64, i64)>, 0_i64);
    heard(|_, _, channels| Some(channels))
        .into_iter()
        .map(|(at_ms, of, mut channels)| {
            if let Some(current_ma) = channels.get(Channel::Current).filter(|_| of == TERN) {
                if let Some((before_ms, before_ma)) = before.replace((at_ms, current_ma)) {
                    counted += (at_ms - before_ms) * (before_ma + current_ma) / 2;
                }
                channels.set(Channel::Charge, Some(counted / HOUR_MS / 10 * 10));
            }
            (at_ms, of, channels)
        })
        .collect()
}

#[test]
fn a_pack_silent_for_thirty_hours_is_known_by_its_own_counter() {
    let mut told = with_own_counter();
    told.retain(|(at_ms, of, _)| *of != TERN || !within(*at_ms, 30));
    check(told, Some(0.2));
}

#[test]
fn a_pack_without_a_display_takes_its_share_and_its_usual_error() {
    let told =
        |at_ms, of, channels| (of != TERN || !within(at_ms, 30)).then(|| without(channels, Channel::Soc));
    check(heard(told), None);
}

#[test]
fn a_silent_reference_is_known_by_the_packs() {
    check(
        heard(|at_ms, of, channels| (of != SHUNT || !within(at_ms, 12)).then_some(channels)),
        Some(0.5),
    );
}

#[test]
fn an_outage_of_everything_is_bridged_by_the_displays() {
    check(
        heard(|at_ms, _, channels| (!within(at_ms, 20)).then_some(channels)),
        None,
    );
}

#[test]
fn what_no_instrument_says_follows_from_the_full_charges_around_it() {
    // Tern took some Ah meanwhile: without them the error would be wrong by as much.
    let told = |at_ms, _, channels| (!within(at_ms, 8)).then(|| without(channels, Channel::Soc));
    let closure = answers(heard(told)).swap_remove(0);
    holds_within(8.0, &[closure]);
}

#[test]
fn displays_that_were_all_set_anew_while_nobody_listened_are_no_charge() {
    let winter = simulate(&Plan {
        days: 40,
        ..Plan::new(Kind::Usual, 12)
    });
    let setup = past::setup();
    let marks = anchor::of_bank(&past::filled(&setup, &winter), "skerry").unwrap();
    assert!(marks.len() >= 3);
    let hidden = marks[1].begin_ms - 2 * HOUR_MS..marks[1].end_ms + 2 * HOUR_MS;
    let told = winter.readings().filter_map(|(at_ms, of, mut channels)| {
        // A display that isn't clipped at its end stop betrays nothing.
        let soc = channels.get(Channel::Soc).map(|soc| soc.min(990));
        channels.set(Channel::Soc, soc);
        (!hidden.contains(&at_ms)).then_some((at_ms, of, channels))
    });
    // Known, not merely called unknown: the display had jumped by more.
    holds_within(10.0, &answers_of(&winter, told.collect()));
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_precision_loss,
    reason = "currents and displays of a winter"
)]
#[test]
fn displays_that_drifted_alike_and_were_all_set_anew_while_nobody_listened_are_no_charge() {
    // What every board counts beside its share: mA for each Ah of its pack, or parts of its capacity an hour.
    const BESIDE: f64 = 0.4;
    let winter = simulate(&Plan {
        days: 40,
        ..Plan::new(Kind::Usual, 12)
    });
    let setup = past::setup();
    let marks = anchor::of_bank(&past::filled(&setup, &winter), "skerry").unwrap();
    let (first_ms, hidden_ms, last_ms) = (marks[0].end_ms, marks[1].end_ms, marks[2].end_ms);
    let capacity_ah = |of: u16| [0.0, 200.0, 230.0, 230.0, 150.0, 206.0][usize::from(of)];
    let bank_ah: f64 = (1..=5).map(capacity_ah).sum();
    let (mut bank_ma, mut before_ms, mut net_ah) = (0.0, first_ms, 0.0);
    let (mut truth_ah, mut tern) = (0.0, None::<(i64, f64)>);
    let mut told = Vec::new();
    for (at_ms, of, mut channels) in winter.readings() {
        let hours = |from_ms: i64| (at_ms - from_ms) as f64 / HOUR_MS as f64;
        if of == SHUNT {
            net_ah += bank_ma / 1000.0 * hours(before_ms);
            bank_ma = channels.get(Channel::Current).unwrap() as f64;
            before_ms = at_ms;
        } else {
            let full_ms = [last_ms, hidden_ms, first_ms]
                .into_iter()
                .find(|full_ms| *full_ms <= at_ms)
                .unwrap_or(first_ms);
            if tern.is_none_or(|(before_ms, _)| before_ms < full_ms) && of == TERN {
                net_ah = 0.0;
            }
            let current_ma = (bank_ma / bank_ah + BESIDE) * capacity_ah(of);
            let shown = 1.0 + net_ah / bank_ah + BESIDE / 1000.0 * hours(full_ms);
            channels.set(Channel::Current, Some(current_ma.round() as i64));
            channels.set(
                Channel::Soc,
                Some((1000.0 * shown).round().clamp(10.0, 990.0) as i64),
            );
            if of == TERN && at_ms <= last_ms {
                if let Some((before_ms, before_ma)) = tern.filter(|(before_ms, _)| *before_ms >= first_ms) {
                    truth_ah += 0.5 * (before_ma + current_ma) / 1000.0 * hours(before_ms);
                }
                tern = Some((at_ms, current_ma));
            }
        }
        if !(marks[1].begin_ms - DAY_MS..hidden_ms + DAY_MS).contains(&at_ms) {
            told.push((at_ms, of, channels));
        }
    }
    let mut store = past::empty();
    past::put(&mut store, &setup, told);
    ledger::refresh(&mut store, &setup).unwrap();
    assert_eq!(anchor::of_bank(&store, "skerry").unwrap().len(), marks.len() - 1);
    let (facts, at) = past::facts(&store, &setup, &[first_ms, last_ms]);
    let answer = past::ask(&facts, |record| record.charge_error(0, at[0], at[1]));
    // What a board usually counts in such a time isn't known better; the displays had jumped by several times that.
    holds_within(15.0, &[(answer, truth_ah)]);
}

#[test]
fn without_any_witness_for_long_there_is_no_answer() {
    let told = |at_ms, _, channels| (!within(at_ms, 5 * 24)).then(|| without(channels, Channel::Soc));
    for (answer, _) in answers(heard(told)) {
        assert!(
            matches!(answer, Err(Insufficient::Unwitnessed { .. })),
            "{answer:?}"
        );
    }
}

#[test]
fn at_a_closure_the_error_is_the_packs_own_net_count() {
    let setup = past::setup();
    let store = past::filled(&setup, &WINTER);
    let marks = anchor::of_bank(&store, "skerry").unwrap();
    let (facts, at) = past::facts(&store, &setup, &[marks[0].end_ms, marks[1].end_ms]);
    past::ask(&facts, |record| {
        for p in 0..5 {
            let answer = record.charge_error(p, at[0], at[1]).unwrap();
            assert_eq!(answer.basis, Basis::Closed);
            let counted_ah = record.heard(p + 1, at[0], at[1]).net_ah();
            assert!((answer.error.value_ah - counted_ah).abs() < 1e-9);
        }
    });
}

#[test]
fn errors_add_up_over_time() {
    let setup = past::setup();
    let store = past::filled(&setup, &WINTER);
    let begin_ms = Plan::new(Kind::Sparse, 11).begin_ms;
    let days = [0.2, 5.3, 12.9, 28.9, 29.7];
    #[expect(clippy::cast_possible_truncation, reason = "hours of a winter")]
    let instants = days.map(|day| begin_ms + (day * 24.0) as i64 * HOUR_MS);
    let (facts, at) = past::facts(&store, &setup, &instants);
    past::ask(&facts, |record| {
        for p in 0..5 {
            let error_ah = |from: usize, until: usize| {
                record
                    .charge_error(p, at[from], at[until])
                    .unwrap()
                    .error
                    .value_ah
            };
            let sum_ah: f64 = (0..4).map(|from| error_ah(from, from + 1)).sum();
            assert!((sum_ah - error_ah(0, 4)).abs() < 1e-9);
        }
    });
}

#[test]
fn rates_before_and_after_a_recalibration_are_never_averaged() {
    let setup = past::setup();
    let store = past::filled(&setup, &WINTER);
    let at_ms = Plan::new(Kind::Sparse, 11).begin_ms + 15 * DAY_MS;
    let said = Said {
        at_ms,
        subject: Subject::Instrument("tern".to_owned()),
        kind: note::Kind::Recalibration,
        text: "zero set".to_owned(),
    };
    note::add(&store, at_ms, said).unwrap();
    let (facts, at) = past::facts(&store, &setup, &[i64::MIN, i64::MAX]);
    past::ask(&facts, |record| {
        let rates = record
            .rates(0, at[0], at[1])
            .into_iter()
            .collect::<Result<Vec<_>, _>>()
            .unwrap();
        assert_eq!(rates.len(), 2);
        assert_eq!((rates[0].end_ms, rates[1].begin_ms), (at_ms, at_ms));
        let whole = record.charge_error(0, at[0], at[1]).unwrap().error.value_ah;
        let parts: f64 = rates.iter().map(|rate| rate.error.value_ah).sum();
        assert!((whole - parts).abs() < 1e-9);
        assert_eq!(record.rates(1, at[0], at[1]).len(), 1);
    });
}

#[test]
fn a_display_set_anew_at_a_full_charge_that_was_not_heard_is_no_charge() {
    let setup = past::setup();
    let marks = anchor::of_bank(&past::filled(&setup, &WINTER), "skerry").unwrap();
    let full = &marks[marks.len() - 1];
    // Tern is silent while its board takes itself for full, and speaks again long before the charge ends.
    let silent = full.begin_ms - 2 * HOUR_MS..full.begin_ms + 4 * HOUR_MS;
    assert!(silent.end < full.end_ms);
    let told = |at_ms: i64, of, mut channels: Channels| {
        // A display that isn't clipped at its end stop betrays nothing.
        let soc = channels.get(Channel::Soc).map(|soc| soc.min(990));
        channels.set(Channel::Soc, soc);
        (of != TERN || !silent.contains(&at_ms)).then_some(channels)
    };
    check(heard(told), None);
}

#[test]
fn a_reference_set_anew_within_a_span_is_answered_wider_and_truly() {
    let setup = past::setup();
    let set_ms = Plan::new(Kind::Sparse, 11).begin_ms + 12 * DAY_MS;
    // The shunt reads 15 mA too much until somebody sets its zero.
    let told = |at_ms, of, mut channels: Channels| {
        if of == SHUNT && at_ms < set_ms {
            let current_ma = channels.get(Channel::Current).map(|ma| ma + 15);
            channels.set(Channel::Current, current_ma);
        }
        Some(channels)
    };
    let mut store = past::empty();
    past::put(&mut store, &setup, heard(told));
    ledger::refresh(&mut store, &setup).unwrap();
    let marks = anchor::of_bank(&store, "skerry").unwrap();
    let (first_ms, last_ms) = (marks[0].end_ms, marks[marks.len() - 1].end_ms);
    let instants = [first_ms, set_ms, first_ms + 20 * DAY_MS, last_ms];
    let answers = |store: &rusqlite::Connection| {
        let (facts, at) = past::facts(store, &setup, &instants);
        past::ask(&facts, |record| {
            at[1..]
                .iter()
                .map(|until| record.charge_error(0, at[0], *until).unwrap())
                .collect::<Vec<_>>()
        })
    };
    let untold = answers(&store);
    let said = Said {
        at_ms: set_ms,
        subject: Subject::Instrument("shunt".to_owned()),
        kind: note::Kind::Recalibration,
        text: "zero set with nothing flowing".to_owned(),
    };
    note::add(&store, set_ms, said).unwrap();
    let told = answers(&store);
    for ((answer, until_ms), untold) in told.iter().zip(&instants[1..]).zip(&untold) {
        let truth_ah = WINTER.true_charge_error_ah(0, first_ms, *until_ms);
        let stated_ah = answer.error.expanded_uncertainty_ah();
        let off_ah = answer.error.value_ah - truth_ah;
        assert!(
            off_ah.abs() <= stated_ah,
            "off by {off_ah} Ah, stated {stated_ah} Ah"
        );
        if *until_ms != last_ms {
            assert_eq!(answer.basis, Basis::Provisional);
            assert!(stated_ah > untold.error.expanded_uncertainty_ah());
        }
    }
    // At the full charge the reference plays no part: nothing changes.
    let (at_full, before) = (&told[2], &untold[2]);
    assert_eq!(at_full.basis, Basis::Closed);
    assert!((at_full.error.value_ah - before.error.value_ah).abs() < 1e-9);
}

#[test]
fn a_gap_shows_in_the_coverage() {
    let setup = past::setup();
    let mut store = past::empty();
    let told = |at_ms, of, channels| (of != TERN || !within(at_ms, 30)).then_some(channels);
    past::put(&mut store, &setup, heard(told));
    ledger::refresh(&mut store, &setup).unwrap();
    let (facts, at) = past::facts(&store, &setup, &[i64::MIN, i64::MAX]);
    past::ask(&facts, |record| {
        let tern = record.coverage(usize::from(TERN), at[0], at[1]);
        assert!(
            (30 * HOUR_MS..30 * HOUR_MS + 120_000).contains(&tern.longest_gap_ms),
            "{tern:?}"
        );
        // 30 hours of 30 days are not heard.
        assert!((tern.fraction - (1.0 - 30.0 / 720.0)).abs() < 1e-3, "{tern:?}");
        let fulmar = record.coverage(usize::from(TERN) + 1, at[0], at[1]);
        assert_eq!(fulmar.longest_gap_ms, 0);
    });
}

#[test]
fn a_board_that_was_never_heard_has_no_answer() {
    let others = heard(|_, of, channels| (of != TERN).then_some(channels));
    for (answer, _) in answers(others) {
        let refused = answer.unwrap_err();
        assert!(
            matches!(
                refused,
                Insufficient::Unwitnessed {
                    whose: "the pack",
                    ..
                }
            ),
            "{refused}"
        );
    }
}

/// The winter with the sign of one instrument's current turned round.
fn turned(whose: u16) -> Vec<(i64, u16, Channels)> {
    heard(|_, of, mut channels| {
        let seen = channels.get(Channel::Current);
        if of == whose {
            channels.set(Channel::Current, seen.map(|ma| -ma));
        }
        Some(channels)
    })
}

#[test]
fn a_board_with_the_wrong_sign_has_no_answer_and_leaves_the_others_alone() {
    for (answer, _) in answers(turned(TERN)) {
        assert_eq!(answer.unwrap_err(), Insufficient::Reversed);
    }
    check(turned(TERN + 1), Some(0.5));
}

#[test]
fn a_gap_across_the_end_of_what_was_heard_counts_up_to_there() {
    let mut setup = past::setup();
    setup.instruments[usize::from(TERN)].reporting = Reporting::OnChange {
        longest_hold: Duration::from_secs(12 * 3600),
    };
    let end_ms = WINTER.readings().map(|(at_ms, ..)| at_ms).max().unwrap();
    // What tern said last still holds, five hours before the end; the shunt is silent before and behind that.
    let told = |at_ms, of, channels| {
        let before_end_ms = end_ms - at_ms;
        let silent = match of {
            TERN => before_end_ms < 5 * HOUR_MS,
            SHUNT => (2 * HOUR_MS..8 * HOUR_MS).contains(&before_end_ms),
            _ => false,
        };
        (!silent).then_some(channels)
    };
    let mut store = past::empty();
    past::put(&mut store, &setup, heard(told));
    ledger::refresh(&mut store, &setup).unwrap();
    let (facts, at) = past::facts(&store, &setup, &[i64::MIN, i64::MAX]);
    past::ask(&facts, |record| {
        let shunt = record.coverage(usize::from(SHUNT), at[0], at[1]);
        let three_hours = 3 * HOUR_MS - 120_000..3 * HOUR_MS + 120_000;
        assert!(three_hours.contains(&shunt.longest_gap_ms), "{shunt:?}");
    });
}

#[test]
fn an_outage_is_one_also_where_a_pack_was_never_heard_or_is_silent_for_good() {
    let setup = past::setup();
    let dies_ms = Plan::new(Kind::Sparse, 11).begin_ms + 5 * DAY_MS;
    let told = |at_ms, of, channels| {
        let dead = of == TERN && at_ms > dies_ms || of == TERN + 1;
        (!dead && !within(at_ms, 10)).then_some(channels)
    };
    let mut store = past::empty();
    past::put(&mut store, &setup, heard(told));
    ledger::refresh(&mut store, &setup).unwrap();
    let phases = ledger::phases(&store, &setup, &setup.banks[0], i64::MIN, i64::MAX).unwrap();
    let outages: Vec<_> = phases
        .phases
        .iter()
        .filter(|phase| phase.kind == phase::Kind::Outage)
        .collect();
    assert_eq!(outages.len(), 1, "{phases:?}");
    assert!(within(outages[0].end_ms - HOUR_MS, 10), "{outages:?}");
}

#[test]
fn what_closes_within_a_day_is_not_stretched_over_a_winter() {
    let setup = past::setup();
    let store = past::filled(&setup, &WINTER);
    let first_ms = anchor::of_bank(&store, "skerry").unwrap()[0].end_ms;
    let again_ms = first_ms + 8 * HOUR_MS;
    let (mut facts, at) = past::facts(&store, &setup, &[first_ms, again_ms, first_ms + 25 * DAY_MS]);
    // Full again the same day, and not once more.
    facts.marks.retain(|mark| mark.at_ms == first_ms);
    let again = Mark {
        since_ms: again_ms,
        at_ms: again_ms,
        ..facts.marks[0].clone()
    };
    facts.marks.push(again);
    past::ask(&facts, |record| {
        assert_eq!(record.closures().len(), 1);
        let error = record.charge_error(0, at[0], at[2]).unwrap().error;
        assert!(error.expanded_uncertainty_ah() < 60.0, "{:?}", error.budget());
    });
}

#[test]
fn a_display_near_its_upper_end_behind_a_silence_is_doubted_by_what_it_was_off_before() {
    let setup = past::setup();
    let mut store = past::empty();
    past::put(
        &mut store,
        &setup,
        heard(|at_ms, _, channels| (!within(at_ms, 9)).then_some(channels)),
    );
    ledger::refresh(&mut store, &setup).unwrap();
    let (facts, _) = past::facts(&store, &setup, &[i64::MIN, i64::MAX]);
    let gap_of_tern = |facts: &Facts| facts.gaps.iter().position(|gap| gap.of == 1).unwrap();
    let unsure_ah = |facts: &Facts| {
        let gap = facts.gaps[gap_of_tern(facts)];
        let (begin, end) = (
            facts.cut_at(gap.begin_ms).unwrap(),
            facts.cut_at(gap.end_ms).unwrap(),
        );
        Filled::new(facts)
            .between(1, begin, end)
            .standard_uncertainty_ah()
    };
    let mut near_full = facts.clone();
    let place = gap_of_tern(&facts);
    let (before, after) = facts.gaps[place].soc_permille.unwrap();
    assert!(before.max(after) < 900);
    near_full.gaps[place].soc_permille = Some((before - after + 950, 950));
    // Tern's error of the twelve days before, more or less.
    let gathered_ah = WINTER
        .true_charge_error_ah(
            0,
            Plan::new(Kind::Sparse, 11).begin_ms + DAY_MS,
            facts.gaps[place].begin_ms,
        )
        .abs();
    assert!(gathered_ah > 5.0, "{gathered_ah}");
    let (doubted_ah, believed_ah) = (unsure_ah(&near_full), unsure_ah(&facts));
    assert!(
        doubted_ah > believed_ah + 0.7 * gathered_ah,
        "{doubted_ah} {believed_ah} {gathered_ah}"
    );
}
