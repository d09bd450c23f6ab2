//! Instruments that say nothing, or what isn't so: is the answer still true, or is the fault named?
//!
//! Thirty simulated days go into a store with the fault in them; then a daemon is asked. Nothing can be lost on the
//! way here: a row recovers where the truth lies within what is stated, or the fault is named with its time.

use std::{
    fs,
    time::{Duration, Instant},
};

use chrono::{DateTime, TimeDelta, Utc};
use packdrift::{
    demo::{Kind, Plan, Winter, simulate},
    ledger,
    reading::{Channel, Channels},
    store,
};
use serde_json::{Value, json};

use crate::{
    Arguments, Outcome,
    harness::{Packdrift, Publisher, number},
    load::until,
    past,
    scenario::{own_port, setup_with_own_broker},
};

const SHUNT: u16 = 0;
const TERN: u16 = 1;
const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;

/// A bank whose instruments did something wrong, and a daemon that is asked about it.
struct Bank {
    winter: Winter,
    daemon: Packdrift,
    lost: usize,
    readings: i64,
    begun: Instant,
    _folder: tempfile::TempDir,
}

/// Thirty days, in which `told` may change or withhold what is reported.
fn bank(mut told: impl FnMut(i64, u16, Channels) -> Option<Channels>) -> Bank {
    let folder = tempfile::tempdir().unwrap();
    fs::write(
        folder.path().join("setup.toml"),
        setup_with_own_broker(folder.path()),
    )
    .unwrap();
    let setup = past::setup();
    let winter = simulate(&Plan {
        days: 30,
        ..Plan::new(Kind::Sparse, 12)
    });
    let reported: Vec<_> = winter
        .readings()
        .filter_map(|(at_ms, of, channels)| Some((at_ms, of, told(at_ms, of, channels)?)))
        .collect();
    let sent = reported.len();
    let mut connection = store::read_write(&folder.path().join("packdrift.sqlite")).unwrap();
    past::put(&mut connection, &setup, reported);
    ledger::refresh(&mut connection, &setup).unwrap();
    drop(connection);
    let begun = Instant::now();
    let daemon = Packdrift::start(folder.path());
    let readings = number(folder.path(), "SELECT count(*) FROM reading");
    Bank {
        winter,
        daemon,
        lost: sent - usize::try_from(readings).unwrap(),
        readings,
        begun,
        _folder: folder,
    }
}

/// Whether an instant lies in so many hours from noon of day 12 on.
fn within(at_ms: i64, hours: i64) -> bool {
    let from_ms = noon_ms();
    (from_ms..from_ms + hours * HOUR_MS).contains(&at_ms)
}

fn noon_ms() -> i64 {
    Plan::new(Kind::Sparse, 12).begin_ms + 12 * DAY_MS + 12 * HOUR_MS
}

fn instant(at_ms: i64) -> String {
    DateTime::from_timestamp_millis(at_ms).unwrap().to_rfc3339()
}

fn ms(value: &Value) -> i64 {
    DateTime::parse_from_rfc3339(value.as_str().unwrap())
        .unwrap()
        .timestamp_millis()
}

impl Bank {
    /// The entry of a pack from the first full charge until `until_ms`, and whether what it states holds the truth.
    fn asked(&self, place: usize, until_ms: i64) -> (Value, bool) {
        let anchors = self.daemon.get("/v1/anchors").1;
        let since_ms = ms(&anchors["anchors"][0]["end"]);
        let query = format!("since={}&until={}", instant(since_ms), instant(until_ms)).replace('+', "%2B");
        let drift = self.daemon.get(&format!("/v1/drift?{query}")).1;
        let pack = drift["packs"][place].clone();
        let truth_ah = self
            .winter
            .true_charge_error_ah(place, ms(&drift["since"]), ms(&drift["until"]));
        let error = &pack["charge_error"];
        let holds = match (error["ah"].as_f64(), error["expanded_uncertainty_ah"].as_f64()) {
            (Some(ah), Some(stated_ah)) => (ah - truth_ah).abs() <= stated_ah,
            _ => false,
        };
        (pack, holds)
    }

    /// Whether the balance names tern's report with this fault in so many hours from noon of day 12, and nothing else.
    fn named(&self, fault: &str, hours: i64) -> bool {
        let balance = self.daemon.get("/v1/balance").1;
        let misreports = balance["misreports"].as_array().unwrap();
        !misreports.is_empty()
            && misreports.iter().all(|it| {
                it["pack"] == "tern"
                    && it["fault"] == fault
                    && ms(&it["begin"]) >= noon_ms() - HOUR_MS
                    && ms(&it["end"]) <= noon_ms() + (hours + 1) * HOUR_MS
            })
    }

    fn outcome(self, recovered: bool, remark: &str) -> Outcome {
        Outcome {
            lost: self.lost,
            doubled: 0,
            by_itself: recovered,
            measured: false,
            seconds: self.begun.elapsed().as_secs_f64(),
            remark: format!("{} readings; {remark}", self.readings),
        }
    }
}

fn stated(pack: &Value) -> String {
    let error = &pack["charge_error"];
    format!("{} ± {} Ah", error["ah"], error["expanded_uncertainty_ah"])
}

pub fn silent(_: &Arguments) -> Outcome {
    let bank = bank(|at_ms, of, channels| (of != TERN || !within(at_ms, 30)).then_some(channels));
    let (pack, holds) = bank.asked(0, noon_ms() + 48 * HOUR_MS);
    let remark = format!(
        "{} holds the truth; {} of the time heard",
        stated(&pack),
        pack["coverage"]["fraction"]
    );
    bank.outcome(holds, &remark)
}

pub fn stuck(_: &Arguments) -> Outcome {
    let mut stuck_at = None;
    let bank = bank(|at_ms, of, mut channels| {
        if of == TERN && within(at_ms, 48) {
            let current = *stuck_at.get_or_insert(channels.get(Channel::Current));
            channels.set(Channel::Current, current);
        }
        Some(channels)
    });
    let named = bank.named("stopped", 48);
    bank.outcome(named, "named by the balance of the bank, with its time")
}

pub fn reversed(_: &Arguments) -> Outcome {
    let bank = bank(|at_ms, of, mut channels| {
        if of == TERN && within(at_ms, 48) {
            channels.set(Channel::Current, channels.get(Channel::Current).map(|ma| -ma));
        }
        Some(channels)
    });
    let named = bank.named("reversed", 48);
    bank.outcome(named, "named by the balance of the bank, with its time")
}

pub fn counter_resets(_: &Arguments) -> Outcome {
    // A counter in steps of 10 mAh that goes up by what the current sums to, and begins at nothing every five days.
    let (mut before, mut counted, mut set_at) = (None::<(i64, i64)>, 0_i64, 0_i64);
    let begin_ms = Plan::new(Kind::Sparse, 12).begin_ms;
    let bank = bank(|at_ms, of, mut channels| {
        if let Some(current_ma) = channels.get(Channel::Current).filter(|_| of == TERN) {
            if let Some((before_ms, before_ma)) = before.replace((at_ms, current_ma)) {
                counted += (at_ms - before_ms) * (before_ma + current_ma) / 2;
                if (before_ms - begin_ms) / (5 * DAY_MS) != (at_ms - begin_ms) / (5 * DAY_MS) {
                    set_at = counted;
                }
            }
            channels.set(Channel::Charge, Some((counted - set_at) / HOUR_MS / 10 * 10));
        }
        Some(channels)
    });
    let (pack, holds) = bank.asked(0, begin_ms + 29 * DAY_MS);
    let own = &pack["own_counter"];
    let off_ah = own["charge_error_ah"].as_f64().unwrap_or(f64::NAN)
        - pack["charge_error"]["ah"].as_f64().unwrap_or(f64::NAN);
    let steps = own["steps"].as_array().map_or(0, Vec::len);
    let remark = format!("{steps} resets found; its own count and its current's agree within {off_ah:.2} Ah");
    bank.outcome(holds && steps == 5 && off_ah.abs() < 0.5, &remark)
}

pub fn set_anew(_: &Arguments) -> Outcome {
    // The shunt reads 15 mA too much until somebody sets its zero, and says so.
    let set_ms = noon_ms();
    let bank = bank(|at_ms, of, mut channels| {
        if of == SHUNT && at_ms < set_ms {
            channels.set(Channel::Current, channels.get(Channel::Current).map(|ma| ma + 15));
        }
        Some(channels)
    });
    let until_ms = set_ms + 8 * DAY_MS;
    let (before, _) = bank.asked(0, until_ms);
    let note = json!({
        "at": instant(set_ms), "reference": "shunt", "kind": "recalibration", "text": "zero set with nothing flowing"
    });
    let (status, told) = bank.daemon.post("/v1/notes", &note);
    assert_eq!(status, 201, "{told}");
    let (after, holds) = bank.asked(0, until_ms);
    let wider = after["charge_error"]["expanded_uncertainty_ah"].as_f64()
        > before["charge_error"]["expanded_uncertainty_ah"].as_f64();
    let remark = format!("{} becomes {} with the note", stated(&before), stated(&after));
    bank.outcome(
        holds && wider && after["charge_error"]["basis"] == "provisional",
        &remark,
    )
}

/// Boards report twice a second, tern's with a clock that is twelve minutes behind until somebody sets it.
pub fn wrong_clock(_: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let daemon = Packdrift::start(folder);
    let mut publisher = Publisher::connect(own_port(folder), "boards").unwrap();
    let mut sent = 0;
    let mut report = |behind: TimeDelta| {
        for (name, behind) in [("tern", behind), ("fulmar", TimeDelta::zero())] {
            let at = (Utc::now() - behind).to_rfc3339();
            let topic = format!("skerry/{name}/reading");
            let body = format!(r#"{{"at": "{at}", "volts": 53.2, "amps": -4.0}}"#);
            publisher.publish(&topic, body.as_bytes()).unwrap();
            sent += 1;
        }
        std::thread::sleep(Duration::from_millis(500));
    };
    let flagged = || -> Vec<(String, f64)> {
        let health = daemon.get("/v1/health").1;
        let instruments = health["instruments"].as_array().unwrap().iter();
        let wrong = instruments.filter(|it| it["clock_wrong"] == true);
        wrong
            .map(|it| {
                (
                    it["instrument"].as_str().unwrap().to_owned(),
                    it["clock_off_s"].as_f64().unwrap(),
                )
            })
            .collect()
    };
    let mut wrong = Vec::new();
    until("the clock is told", 60, || {
        report(TimeDelta::minutes(12));
        wrong = flagged();
        !wrong.is_empty()
    });
    let right = matches!(&wrong[..], [(name, off_s)] if name == "tern" && (off_s + 720.0).abs() < 5.0);
    let mended = Instant::now();
    until("the clock is right again", 60, || {
        report(TimeDelta::zero());
        flagged().is_empty()
    });
    let seconds = mended.elapsed().as_secs_f64();
    let stored = number(folder, "SELECT count(*) FROM reading");
    Outcome {
        lost: usize::try_from(sent - stored).unwrap(),
        doubled: 0,
        by_itself: right,
        measured: false,
        seconds,
        remark: format!("{stored} readings; health says {wrong:?} s until it is set"),
    }
}
