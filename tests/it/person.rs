//! One person's winter, from the first evening to the report: begun late, a board swapped, clocks set back, a note
//! corrected, the power cut, against a real broker.

use std::{fs, path::Path, process::Command, thread, time::Duration};

use chrono::DateTime;
use chrono_tz::Europe::Oslo;
use packdrift::{
    demo::{Kind, Plan, Winter, simulate},
    reading::{Channel, Channels},
};
use serde_json::Value;

use crate::{
    harness::{Mosquitto, Packdrift, Publisher, eventually, number},
    scenario::setup_with_broker,
};

const DAY_MS: i64 = 86_400_000;
/// 18 October 2025; clocks are set back on the 26th.
const BEGIN_MS: i64 = 1_760_745_600_000;
/// The logger is set up on the second evening.
const LATE_MS: i64 = BEGIN_MS + DAY_MS + 18 * 3_600_000;
/// Petrel's board is swapped for one that calls itself razorbill.
const SWAP: &str = "2025-10-31T09:00:00Z";
const SWAP_MS: i64 = 1_761_901_200_000;
const PETREL: usize = 3;

fn winter() -> Winter {
    simulate(&Plan {
        days: 24,
        report_s: 300,
        begin_ms: BEGIN_MS,
        ..Plan::new(Kind::Usual, 41)
    })
}

/// The messages of a stretch of the winter. Tern's board keeps the household's time, the others keep UTC.
fn messages(winter: &Winter, from_ms: i64, until_ms: i64) -> Vec<(String, Vec<u8>)> {
    let names = winter.instruments();
    winter
        .readings()
        .filter(|(at_ms, ..)| (from_ms..until_ms).contains(at_ms))
        .map(|(at_ms, of, channels)| {
            let name = match usize::from(of) {
                of if of == PETREL + 1 && at_ms >= SWAP_MS => "razorbill",
                of => names[of],
            };
            (format!("skerry/{name}/reading"), body(name, at_ms, &channels))
        })
        .collect()
}

#[expect(clippy::cast_precision_loss, reason = "small figures")]
fn body(name: &str, at_ms: i64, channels: &Channels) -> Vec<u8> {
    let utc = DateTime::from_timestamp_millis(at_ms).unwrap();
    let at = if name == "tern" {
        utc.with_timezone(&Oslo).to_rfc3339()
    } else {
        utc.to_rfc3339()
    };
    let value = |channel: Channel| {
        channels
            .get(channel)
            .map(|kept| kept as f64 / channel.kept_per_unit())
    };
    serde_json::json!({
        "at": at,
        "volts": value(Channel::Voltage),
        "amps": value(Channel::Current),
        "soc": value(Channel::Soc),
    })
    .to_string()
    .into_bytes()
}

/// What a person types, and what it prints.
fn packdrift(folder: &Path, words: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_packdrift"))
        .args(words)
        .arg("--config")
        .arg(folder.join("setup.toml"))
        .current_dir(folder)
        .output()
        .unwrap();
    let told = String::from_utf8(output.stdout).unwrap();
    assert!(
        output.status.success(),
        "{words:?}: {told}{}",
        String::from_utf8_lossy(&output.stderr)
    );
    told
}

fn drift(folder: &Path, words: &[&str]) -> Value {
    let words = [&["drift", "--json"], words].concat();
    serde_json::from_str(&packdrift(folder, &words)).unwrap()
}

fn pack<'a>(drift: &'a Value, name: &str) -> &'a Value {
    let packs = drift["packs"].as_array().unwrap();
    packs.iter().find(|pack| pack["pack"] == name).unwrap()
}

/// The answer about a pack holds what is true of the winter between the two instants that it answers for.
fn assert_true(winter: &Winter, place: usize, name: &str, drift: &Value) {
    let ms = |field: &str| {
        let at = drift[field].as_str().unwrap();
        DateTime::parse_from_rfc3339(at).unwrap().timestamp_millis()
    };
    let error = &pack(drift, name)["charge_error"];
    let truth_ah = winter.true_charge_error_ah(place, ms("since"), ms("until"));
    let figure = |field: &str| error[field].as_f64().unwrap_or_else(|| panic!("{name}: {error}"));
    let off_ah = figure("ah") - truth_ah;
    assert!(
        off_ah.abs() <= figure("expanded_uncertainty_ah"),
        "{name}: true {truth_ah} Ah, {error}"
    );
}

#[test]
fn a_winter_as_it_comes() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let winter = winter();
    let end_ms = BEGIN_MS + 24 * DAY_MS;
    let mosquitto = Mosquitto::start(folder);
    let setup = folder.join("setup.toml");
    fs::write(&setup, setup_with_broker(mosquitto.port)).unwrap();

    // The first evening: what does the setup mean? Then the logger runs, and readings come in, for two weeks.
    assert!(packdrift(folder, &["check"]).contains("Bank “skerry”: 5 packs"));
    let daemon = Packdrift::start(folder);
    daemon.subscribed();
    let mut boards = Publisher::connect(mosquitto.port, "boards").unwrap();
    let mut sent = publish(&mut boards, &messages(&winter, LATE_MS, SWAP_MS));
    eventually("two weeks are in", Duration::from_secs(60), || {
        readings(folder) == sent
    });

    // The swap: the daemon is stopped, the setup says what is other since when, the daemon goes on.
    assert_eq!(daemon.stop(), Some(0));
    let text = fs::read_to_string(&setup).unwrap();
    let (petrel, swapped) = (
        "id = \"petrel\"\n",
        format!("id = \"petrel\"\nchange = [{{ from = {SWAP}, in_bank = false }}]\n"),
    );
    let razorbill = format!(
        "[[bank.pack]]\nid = \"razorbill\"\ncapacity_ah = 150\nrevision = \"C\"\nin_bank = false\n\
         change = [{{ from = {SWAP}, in_bank = true }}]\n\n[[source]]"
    );
    let edited = text
        .replacen(petrel, &swapped, 1)
        .replacen("[[source]]", &razorbill, 1);
    fs::write(&setup, edited).unwrap();
    let told = packdrift(folder, &["check"]);
    assert!(
        told.contains("petrel: in the bank was true and is false"),
        "{told}"
    );
    let daemon = Packdrift::start(folder);

    // Somebody sets fulmar's zero anew and writes the wrong day, then the right one.
    let noted = packdrift(
        folder,
        &[
            "note",
            "--pack",
            "fulmar",
            "--kind",
            "observation",
            "--at",
            "2025-11-02",
            "zero looks off",
        ],
    );
    let number_of_note = noted.split(['.', ' ']).nth(1).unwrap().to_owned();
    packdrift(
        folder,
        &[
            "note",
            "--pack",
            "fulmar",
            "--at",
            "2025-11-03",
            "--correct",
            &number_of_note,
            "zero looks off by 40 mA",
        ],
    );
    assert!(packdrift(folder, &["notes"]).contains("2025-11-02T23:00:00Z"));
    assert!(packdrift(folder, &["notes", "--history"]).contains("2025-11-01T23:00:00Z"));

    // The power is cut while readings come in; the broker keeps what is not acknowledged.
    daemon.subscribed();
    let later = messages(&winter, SWAP_MS, end_ms);
    let expected = sent + i64::try_from(later.len()).unwrap();
    let publishing = thread::spawn(move || publish(&mut boards, &later));
    eventually("some of it is in", Duration::from_secs(60), || {
        readings(folder) > sent
    });
    daemon.kill();
    sent += publishing.join().unwrap();
    assert_eq!(sent, expected);
    let daemon = Packdrift::start(folder);
    eventually("everything is in", Duration::from_secs(60), || {
        readings(folder) == sent
    });

    on_the_last_day(folder, &winter);
    assert_eq!(daemon.stop(), Some(0));
}

/// How far since the clocks were set back, and the report.
fn on_the_last_day(folder: &Path, winter: &Winter) {
    let since_clocks = drift(folder, &["--since", "2025-10-26"]);
    assert_eq!(
        since_clocks["since"], "2025-10-25T22:00:00Z",
        "midnight of a summer's day"
    );
    for (place, name) in ["tern", "fulmar", "gannet", "petrel", "skua"]
        .into_iter()
        .enumerate()
    {
        if place != PETREL {
            assert_true(winter, place, name, &since_clocks);
        }
    }
    let until_swap = drift(folder, &["--since", "2025-10-26", "--until", SWAP]);
    assert_true(winter, PETREL, "petrel", &until_swap);
    let since_swap = drift(folder, &["--since", SWAP]);
    assert_true(winter, PETREL, "razorbill", &since_swap);
    assert_eq!(number(folder, "SELECT count(*) FROM setup_version"), 2);
    packdrift(folder, &["report", "--since", "2025-10-26", "-o", "winter.html"]);
    let report = fs::read_to_string(folder.join("winter.html")).unwrap();
    let ah = pack(&since_clocks, "tern")["charge_error"]["ah"]
        .as_f64()
        .unwrap();
    for words in [
        format!("value=\"{ah}\""),
        "razorbill".to_owned(),
        "zero looks off by 40 mA".to_owned(),
    ] {
        assert!(report.contains(&words), "the report says {words}");
    }
}

/// Publishes them all and gives their number.
fn publish(boards: &mut Publisher, messages: &[(String, Vec<u8>)]) -> i64 {
    let bodies = messages
        .iter()
        .map(|(topic, body)| (topic.as_str(), body.clone()));
    boards.publish_all(bodies).unwrap();
    i64::try_from(messages.len()).unwrap()
}

fn readings(folder: &Path) -> i64 {
    number(folder, "SELECT count(*) FROM reading")
}
