//! Does a first look at a broker tell a newcomer what to mend?

use std::{fs, path::Path, process::Command, thread, time::Duration};

use chrono::DateTime;
use packdrift::{
    command,
    config::{self, Setup},
    intake::survey::Survey,
};

use crate::{
    harness::{Mosquitto, Publisher},
    scenario::{reading, setup_with_broker},
};

/// A bank in which petrel has a source of its own, without a time.
fn setup() -> Setup {
    let text = setup_with_broker(1883)
        + "\n[[source]]\ntopic = \"hut/petrel\"\ninstrument = \"petrel\"\nformat = \"json\"\n\
           channels = { current = \"/amps\", voltage = \"/volts\" }\n";
    config::parse("setup.toml", &text, Path::new("")).unwrap()
}

#[test]
fn five_mistakes_of_a_first_evening_are_named_with_their_mend() {
    const BEGIN_MS: i64 = 1_767_225_600_000;
    let setup = setup();
    let mut survey = Survey::new(&setup);
    // A current that wanders around −10 A and never stands still.
    let amperes = |n: i64| -10.0 - f64::from(i32::try_from(n * 7 % 31).unwrap()) / 10.0;
    for n in 0..40 {
        let at_ms = BEGIN_MS + n * 5000;
        let at = |off_ms: i64| {
            DateTime::from_timestamp_millis(at_ms + off_ms)
                .unwrap()
                .to_rfc3339()
        };
        let mut say = |topic: &str, body: String| survey.see(topic, body.as_bytes(), at_ms, false);
        let body = |amps: f64, off_ms: i64| {
            format!(
                r#"{{"at": "{}", "amps": {amps:.1}, "volts": 53.0, "soc": 60}}"#,
                at(off_ms)
            )
        };
        say("skerry/shunt/reading", body(5.0 * amperes(n), 0));
        say("skerry/tern/reading", body(amperes(n), 0));
        say("skerry/fulmar/reading", body(-amperes(n), 0));
        say("skerry/gannet/reading", body(amperes(n), -3_600_000));
        say(
            "hut/petrel",
            format!(r#"{{"amps": {:.1}, "volts": 53.0}}"#, amperes(n)),
        );
        // Speaks when something changes: at uneven times.
        if n % 9 == 0 || n % 7 == 0 {
            say("skerry/skua/reading", body(amperes(n), 0));
        }
        say("cellar/tern/volts", "53.1".to_owned());
    }
    insta::assert_snapshot!(command::live::told(&setup, &survey));
}

/// What is found in so many messages of a topic.
fn findings(topic: &str, body: impl Fn(i32) -> String) -> String {
    let setup = setup();
    let mut survey = Survey::new(&setup);
    for n in 0..20 {
        let arrived_ms = 1_767_225_600_000 + 5000 * i64::from(n);
        survey.see(topic, body(n).as_bytes(), arrived_ms, false);
    }
    survey.findings().join("\n")
}

#[test]
fn a_name_within_another_word_of_a_topic_is_left_alone() {
    let found = findings("ternary/tern/v", |_| "53.1".to_owned());
    assert!(found.contains(r#"topic = "ternary/{instrument}/v""#), "{found}");
}

#[test]
fn a_display_that_is_a_fraction_is_named_with_its_scale() {
    let displaying = |soc: f64, amps: f64| {
        findings("skerry/tern/reading", |n| {
            format!(
                r#"{{"at": "2026-01-01T00:{n:02}:00Z", "amps": {amps}, "soc": {}}}"#,
                soc + 0.001 * f64::from(n)
            )
        })
    };
    let named = |found: &str| found.contains("scale = 100");
    assert!(named(&displaying(0.61, -4.0)));
    // As it is, and of a pack that is empty and rests.
    assert!(!named(&displaying(61.0, -4.0)));
    assert!(!named(&displaying(0.61, 0.0)));
}

#[test]
fn who_reports_more_seldom_than_the_bank_bridges_is_named() {
    let setup = setup();
    let told = |every_min: i64| {
        let mut survey = Survey::new(&setup);
        for n in 0..4 {
            let at_ms = 1_767_225_600_000 + n * every_min * 60_000;
            let at = DateTime::from_timestamp_millis(at_ms).unwrap().to_rfc3339();
            let body = format!(r#"{{"at": "{at}", "amps": -4.{n}, "volts": 53.0, "soc": 60}}"#);
            survey.see("skerry/tern/reading", body.as_bytes(), at_ms, false);
        }
        survey.findings().join("\n")
    };
    let seldom = told(15);
    assert!(
        seldom.contains("“tern” reports every 15 min") && seldom.contains("longest_bridge"),
        "{seldom}"
    );
    assert!(!told(5).contains("longest_bridge"));
}

#[test]
fn a_real_broker_is_listened_to_and_nothing_is_stored() {
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    let setup = folder.path().join("setup.toml");
    fs::write(&setup, setup_with_broker(mosquitto.port)).unwrap();
    let port = mosquitto.port;
    let publishing = thread::spawn(move || {
        let mut publisher = Publisher::connect(port, "instruments").unwrap();
        for n in 0..300 {
            let (topic, body, ..) = reading(n);
            publisher.publish(&topic, &body).unwrap();
            thread::sleep(Duration::from_millis(10));
        }
    });
    let output = Command::new(env!("CARGO_BIN_EXE_packdrift"))
        .args(["check", "--live", "--for", "2s", "--config"])
        .arg(&setup)
        .output()
        .unwrap();
    publishing.join().unwrap();
    let told = String::from_utf8(output.stdout).unwrap();
    assert!(
        output.status.success(),
        "{told}{}",
        String::from_utf8_lossy(&output.stderr)
    );
    assert!(told.contains("on 6 topics; nothing was stored"), "{told}");
    assert!(!folder.path().join("packdrift.sqlite").exists());
}
