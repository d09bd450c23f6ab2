//! Does an answer hang on how a bank reports: on change only, in counters of its own, with long silences?

use std::{collections::HashMap, time::Duration};

use packdrift::{
    charge::{
        causes::steps::Gathering,
        count::{Between, Joining},
    },
    config::{Reporting, Setup},
    demo::{Kind, Plan, Winter, simulate},
    ledger,
    reading::{Channel, Channels},
    store::anchor,
};

use crate::{asking::Api, past};

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
    assert!(told.len() * 5 < winter.readings().len(), "most of it is left out");
    let changed = answers(&changing, told);
    for (n, (every, changed)) in every.iter().zip(&changed).enumerate() {
        let percent = 100.0 * (changed - every).abs() / winter.packs[n % 5].rated_ah;
        assert!(
            percent <= 0.3,
            "{every:.2} Ah, on change {changed:.2} Ah: apart by {percent:.2} % of capacity"
        );
    }
}

/// A winter in which tern's board reports a charge counter of its own as `told` makes it: from what was counted
/// since the beginning in mAh, to what is reported.
fn with_counter(winter: &Winter, told: impl Fn(i64, i64) -> i64) -> Vec<(i64, u16, Channels)> {
    let (mut before, mut counted) = (None::<(i64, i64)>, 0_i64);
    winter
        .readings()
        .map(|(at_ms, of, mut channels)| {
            if let Some(current_ma) = channels.get(Channel::Current).filter(|_| of == 1) {
                if let Some((before_ms, before_ma)) = before.replace((at_ms, current_ma)) {
                    counted += (at_ms - before_ms) * (before_ma + current_ma) / 2;
                }
                channels.set(Channel::Charge, Some(told(at_ms, counted / HOUR_MS)));
            }
            (at_ms, of, channels)
        })
        .collect()
}

#[test]
fn a_counter_that_wraps_resets_and_jumps_is_counted_right_and_each_step_is_recorded() {
    let winter = simulate(&Plan {
        days: 12,
        ..Plan::new(Kind::Sparse, 23)
    });
    let begin_ms = winter.readings().next().unwrap().0;
    let (reset_ms, jump_ms) = (begin_ms + 5 * DAY_MS, begin_ms + 8 * DAY_MS);
    // 16 bits of 1 mAh that begin at 10 Ah and wrap; set to nothing on day 5; set to something else on day 8.
    let readings = with_counter(&winter, |at_ms, counted_mah| {
        let set_mah = match at_ms {
            _ if at_ms >= jump_ms => 40_000,
            _ if at_ms >= reset_ms => 0,
            _ => 10_000,
        };
        (set_mah + counted_mah).rem_euclid(65_536)
    });
    let api = Api::on(past::setup(), readings);
    let drift = api.get("/v1/drift?since=2025-11-02");
    let tern = &drift["packs"][0];
    let own = &tern["own_counter"];
    assert_eq!(own["counts"], "net", "{own}");
    let (counted_ah, net_ah) = (&own["counted_ah"], &tern["counted"]["net_ah"]);
    let apart_ah = counted_ah.as_f64().unwrap() - net_ah.as_f64().unwrap();
    assert!(
        apart_ah.abs() < 0.05,
        "counter {counted_ah} Ah, current {net_ah} Ah"
    );
    let kinds: Vec<&str> = own["steps"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|step| step["kind"].as_str())
        .collect();
    assert!(kinds.contains(&"wrap"), "{own}");
    assert!(kinds.iter().filter(|kind| **kind != "wrap").count() >= 2, "{own}");
}

#[test]
fn what_holds_is_as_good_as_said_again_also_to_the_causes() {
    let winter = simulate(&Plan {
        days: 26,
        ..Plan::new(Kind::Sparse, 21)
    });
    let mut setup = past::setup();
    for entry in &mut setup.instruments {
        entry.reporting = Reporting::OnChange {
            longest_hold: Duration::from_secs(1200),
        };
    }
    // Everybody says something every minute, its current only where that has changed.
    let mut last: HashMap<u16, i64> = HashMap::new();
    let mut held: Vec<(i64, u16, Channels)> = Vec::new();
    let mut said_again = Vec::new();
    for (at_ms, of, mut channels) in winter.readings() {
        let current_ma = channels.get(Channel::Current).map(|ma| ma / 500 * 500);
        channels.set(Channel::Current, current_ma);
        said_again.push((at_ms, of, channels));
        if let Some(current_ma) = current_ma
            && last.insert(of, current_ma) == Some(current_ma)
        {
            channels.set(Channel::Current, None);
        }
        held.push((at_ms, of, channels));
    }
    let causes = |readings| Api::on(setup.clone(), readings).get("/v1/causes?since=2025-11-02");
    let (held, said_again) = (causes(held), causes(said_again));
    // Enough is heard for the arithmetic to be asked, whatever it then finds in currents this coarse.
    assert!(said_again["since"].is_string(), "{said_again}");
    assert_eq!(held, said_again);
}

#[test]
fn of_an_instrument_that_is_gone_nothing_holds_until_it_speaks_again() {
    let joining = Joining {
        between: Between::Hold,
        longest_pause_ms: HOUR_MS,
    };
    let mut gathering = Gathering::new(0, HOUR_MS, HOUR_MS / 4, &[joining]);
    gathering.current(0, 0, 1000);
    gathering.current(0, HOUR_MS / 4, 1000);
    gathering.gone(0);
    gathering.current(0, HOUR_MS / 2, 1000);
    gathering.current(0, HOUR_MS, 1000);
    let heard: Vec<f64> = gathering.finish().reported[0]
        .iter()
        .map(|step| step.heard)
        .collect();
    assert_eq!(heard, [1.0, 0.0, 1.0, 1.0]);
}
