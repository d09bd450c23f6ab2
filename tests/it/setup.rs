//! Is everything that is wrong with a setup file said, with its place and its mend?

use std::{fmt::Write, fs::Permissions, os::unix::fs::PermissionsExt, path::Path, time::Duration};

use packdrift::{
    command::check::{meaning, unusable_secrets},
    config::{self, Broker, Reporting, Setup, Wrong},
};

const GOOD: &str = r#"[[bank]]
id = "skerry"
chemistry = "lfp"
cells_in_series = 16
full = { volts = 56.0, tail_fraction = 0.05, hold = "5m" }

[bank.reference]
id = "shunt"

[[bank.pack]]
id = "tern"
capacity_ah = 200
revision = "A"

[[bank.pack]]
id = "fulmar"
capacity_ah = 230
revision = "B"

[[source]]
topic = "skerry/{instrument}/reading"
format = "json"
time = "/at"
[source.channels]
current = "/amps"
"#;

fn read(text: &str) -> Result<Setup, Wrong> {
    config::parse("setup.toml", text, Path::new("/hut"))
}

/// The good file with one thing in it replaced.
fn with(from: &str, to: &str) -> String {
    assert!(GOOD.contains(from), "{from}");
    GOOD.replacen(from, to, 1)
}

/// Files with one thing wrong: what it is, and the file.
#[expect(clippy::too_many_lines, reason = "a list")]
fn wrong_files() -> Vec<(&'static str, String)> {
    let more = |text: &str| format!("{GOOD}\n{text}");
    let before = |text: &str| format!("{text}\n{GOOD}");
    vec![
        (
            "unknown key",
            with("chemistry = \"lfp\"", "chemistry = \"lfp\"\ncolour = \"red\""),
        ),
        ("misspelt key", with("cells_in_series", "cells_in_serie")),
        ("two packs with one id", with("id = \"fulmar\"", "id = \"tern\"")),
        (
            "a name that can't stand in a topic",
            with("id = \"tern\"", "id = \"tern/1\""),
        ),
        (
            "capacity of nothing",
            with("capacity_ah = 230", "capacity_ah = 0"),
        ),
        (
            "capacity in mAh",
            with("capacity_ah = 230", "capacity_ah = 230000"),
        ),
        (
            "another capacity in mAh",
            with(
                "revision = \"B\"",
                "revision = \"B\"\nset_capacity_ah = 230000\n[[bank.pack.change]]\nfrom = 2026-01-10T08:00:00Z\ncapacity_ah = 220000",
            ),
        ),
        ("no revision", with("revision = \"A\"\n", "")),
        (
            "measured without uncertainty",
            with(
                "capacity_ah = 230",
                "capacity_ah = 230\nmeasured_capacity_ah = 228",
            ),
        ),
        (
            "full voltage of another cell count",
            with("volts = 56.0", "volts = 28.0"),
        ),
        (
            "tail out of range",
            with("tail_fraction = 0.05", "tail_fraction = 5"),
        ),
        (
            "a duration that is none",
            with("hold = \"5m\"", "hold = \"a while\""),
        ),
        (
            "unknown chemistry",
            with("chemistry = \"lfp\"", "chemistry = \"lead\""),
        ),
        (
            "unknown time zone",
            with("cells_in_series", "time_zone = \"Europe/Osle\"\ncells_in_series"),
        ),
        ("no reference", with("[bank.reference]\nid = \"shunt\"\n", "")),
        (
            "no instrument named",
            with("skerry/{instrument}/reading", "skerry/reading"),
        ),
        ("unknown placeholder", with("{instrument}", "{pack}")),
        ("a wildcard", with("{instrument}", "+")),
        (
            "a channel that nothing calls so",
            with("current = \"/amps\"", "curent = \"/amps\""),
        ),
        (
            "a pointer that is none",
            with("current = \"/amps\"", "current = \"amps\""),
        ),
        (
            "a format that is none",
            with("format = \"json\"", "format = \"xml\""),
        ),
        (
            "a source that ends before it begins",
            more(
                "[[source]]\ntopic = \"skerry/{instrument}/soc\"\nformat = \"number\"\nchannels = { soc = { scale = 1 } }\nfrom = 2026-01-10T08:00:00Z\nuntil = 2026-01-09T08:00:00Z\n",
            ),
        ),
        (
            "two sources for one topic at one time",
            more(
                "[[source]]\ntopic = \"skerry/{instrument}/soc\"\nformat = \"number\"\nchannels = { soc = { scale = 1 } }\nuntil = 2026-01-10T08:00:00Z\n\n[[source]]\ntopic = \"skerry/{instrument}/soc\"\nformat = \"number\"\nchannels = { soc = { scale = 0.1 } }\nfrom = 2026-01-10T07:59:59Z\n",
            ),
        ),
        (
            "two sources for one topic",
            more(
                "[[source]]\ntopic = \"skerry/tern/{channel}\"\ninstrument = \"tern\"\nformat = \"number\"\n\n[[source]]\ntopic = \"skerry/{instrument}/soc\"\nformat = \"number\"\nchannels = { soc = { scale = 1 } }\n",
            ),
        ),
        (
            "two ways to report one current",
            more(
                "[[source]]\ntopic = \"cellar/one\"\ninstrument = \"shunt\"\nformat = \"json\"\nchannels = { current = \"/a\" }\n\
                 [[source]]\ntopic = \"cellar/two\"\ninstrument = \"shunt\"\nformat = \"json\"\nchannels = { current = \"/a\" }\nreports = \"on_change\"\n",
            ),
        ),
        (
            "full voltage by another bank's instrument",
            format!(
                "{}\n{}",
                with("hold = \"5m\"", "hold = \"5m\", voltage_from = \"skua\""),
                "[[bank]]\nid = \"stack\"\nchemistry = \"lfp\"\ncells_in_series = 16\nfull = { volts = 56.0 }\nreference = { id = \"auk\" }\npack = [{ id = \"skua\", capacity_ah = 200, revision = \"A\" }]\n"
            ),
        ),
        (
            "a number without a channel",
            more("[[source]]\ntopic = \"hut/{instrument}\"\nformat = \"number\"\n"),
        ),
        (
            "an instrument that no bank has",
            more(
                "[[source]]\ntopic = \"hut/meter\"\ninstrument = \"turn\"\nformat = \"json\"\nchannels = { soc = \"/s\" }\n",
            ),
        ),
        (
            "open to the network",
            before("[api]\nlisten = \"0.0.0.0:8077\"\n"),
        ),
        (
            "two brokers",
            before("[mqtt]\nurl = \"mqtt://hut:1883\"\n\n[broker]\nlisten = \"127.0.0.1:1883\"\n"),
        ),
        (
            "a broker's address that is none",
            before("[mqtt]\nurl = \"http://hut\"\n"),
        ),
        (
            "changes out of order",
            with(
                "revision = \"B\"",
                "revision = \"B\"\n\n[[bank.pack.change]]\nfrom = 2026-02-01T00:00:00Z\nfirmware = \"2\"\n\n[[bank.pack.change]]\nfrom = 2026-01-01T00:00:00Z\nfirmware = \"3\"",
            ),
        ),
        ("no bank", GOOD[GOOD.find("[[source]]").unwrap()..].to_owned()),
        ("no TOML", with("cells_in_series = 16", "cells_in_series = = 16")),
    ]
}

#[test]
fn each_mistake_is_named_with_its_place_and_mend() {
    let mut told = String::new();
    for (what, text) in wrong_files() {
        let Err(wrong) = read(&text) else {
            panic!("nothing found wrong: {what}")
        };
        for line in ["setup.toml:", "help:"] {
            assert!(
                wrong.shown(false).contains(line),
                "{what}: no {line}\n{}",
                wrong.shown(false)
            );
        }
        writeln!(told, "## {what}\n{}", wrong.shown(false)).unwrap();
    }
    insta::assert_snapshot!(told);
}

#[test]
fn all_mistakes_are_told_at_once() {
    let text = GOOD
        .replacen("capacity_ah = 200", "capacity_ah = -1", 1)
        .replacen("volts = 56.0", "volts = 66.0", 1)
        .replacen("id = \"fulmar\"", "id = \"shunt\"", 1)
        .replacen("time = ", "tine = ", 1)
        .replacen("current = ", "ampere = ", 1);
    let wrong = read(&text).unwrap_err();
    assert_eq!(wrong.findings.len(), 5, "{}", wrong.shown(false));
}

#[test]
fn no_more_instruments_pass_than_a_store_has_room_for() {
    let with_packs = |more: i32| {
        let pack = |n| format!("[[bank.pack]]\nid = \"p{n}\"\ncapacity_ah = 200\nrevision = \"A\"\n");
        let packs: Vec<_> = (0..more).map(pack).collect();
        read(&with("[[source]]", &(packs.concat() + "[[source]]")))
    };
    assert_eq!(with_packs(4092).unwrap().instruments.len(), 4095);
    let wrong = with_packs(4093).unwrap_err();
    assert_eq!(wrong.findings.len(), 1, "{}", wrong.shown(false));
    assert!(wrong.shown(false).contains("4095"), "{}", wrong.shown(false));
}

#[test]
fn what_is_written_arrives() {
    let setup = read(GOOD).unwrap();
    let bank = &setup.banks[0];
    assert_eq!(bank.full.voltage_mv, 56_000);
    assert_eq!(bank.full.hold, Duration::from_secs(300));
    assert_eq!(bank.packs[1].held_at(0).revision, "B");
    assert_eq!(setup.store.path, Path::new("/hut/packdrift.sqlite"));
    assert!(matches!(setup.broker, Broker::Own(address) if address.port() == 1883));
    let tern = setup.instrument("tern").unwrap();
    assert_eq!(setup.entry(tern).max_current_ma, 4_000_000);
    assert_eq!(setup.entry(tern).voltage_mv, 16_000..=80_000);
}

#[test]
fn a_reporter_on_change_and_a_dated_change_are_understood() {
    let text = with("format = \"json\"", "format = \"json\"\nreports = \"on_change\"\nlonghold = 1")
        .replacen("longhold = 1", "longest_hold = \"PT20M\"", 1)
        .replacen(
            "revision = \"B\"",
            "revision = \"B\"\n[[bank.pack.change]]\nfrom = 2026-01-10T08:00:00+01:00\nfirmware = \"1.5\"\ncapacity_ah = 220",
            1,
        );
    let setup = read(&text).unwrap();
    let fulmar = setup.instrument("fulmar").unwrap();
    let hold = Reporting::OnChange {
        longest_hold: Duration::from_secs(1200),
    };
    assert_eq!(setup.entry(fulmar).reporting, hold);
    let pack = &setup.banks[0].packs[1];
    let change_ms = chrono::DateTime::parse_from_rfc3339("2026-01-10T07:00:00Z")
        .unwrap()
        .timestamp_millis();
    let capacity_ah = |at_ms| pack.held_at(at_ms).capacity_ah.round();
    assert_eq!(
        (capacity_ah(change_ms - 1), capacity_ah(change_ms)),
        (230.0, 220.0)
    );
    assert_eq!(pack.held_at(change_ms).revision, "B");
}

#[test]
fn the_setups_that_come_along_hold() {
    for file in ["demo-data/skerry.toml", "deploy/setup.toml"] {
        let path = format!("{}/{file}", env!("CARGO_MANIFEST_DIR"));
        config::load(Path::new(&path)).unwrap();
    }
    let readme = std::fs::read_to_string(format!("{}/README.md", env!("CARGO_MANIFEST_DIR"))).unwrap();
    let (_, rest) = readme.split_once("```toml\n").unwrap();
    let (own_bank, _) = rest.split_once("```").unwrap();
    insta::assert_snapshot!(meaning(&read(own_bank).unwrap()));
}

#[test]
fn files_with_secrets_are_looked_at_before_the_daemon_wants_them() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("tokens");
    let text = format!(
        "[mqtt]\nurl = \"mqtt://hut:1883\"\npassword_file = \"nowhere\"\n[api]\ntoken_file = {path:?}\n{GOOD}"
    );
    let setup = read(&text).unwrap();
    std::fs::write(&path, "").unwrap();
    let told = |mode| {
        std::fs::set_permissions(&path, Permissions::from_mode(mode)).unwrap();
        let errors = unusable_secrets(&setup).into_iter();
        errors
            .map(|error| error.to_string())
            .collect::<Vec<_>>()
            .join("; ")
    };
    let exposed = told(0o644);
    assert!(
        exposed.contains("chmod 600") && exposed.contains("/hut/nowhere can't be read"),
        "{exposed}"
    );
    assert_eq!(told(0o600), "/hut/nowhere can't be read");
}

#[test]
fn a_current_that_no_source_brings_is_told_with_its_mend() {
    let soc = "[[source]]\ntopic = \"cellar/{instrument}/soc\"\nformat = \"number\"\nchannels = { soc = { scale = 1 } }\n";
    let current_of = |name: &str| {
        format!(
            "[[source]]\ntopic = \"hut/{name}\"\ninstrument = \"{name}\"\nformat = \"json\"\nchannels = {{ current = \"/a\" }}\n"
        )
    };
    let bank = &GOOD[..GOOD.find("[[source]]").unwrap()];
    let told = |sources: &str| meaning(&read(&format!("{bank}{sources}")).unwrap());
    assert!(
        told(
            &current_of("shunt")
                .replace("instrument = \"shunt\"\n", "")
                .replace("hut/shunt", "hut/{instrument}")
        )
        .starts_with("The setup holds.\n")
    );
    let mut lines = Vec::new();
    for sources in [
        soc.to_owned(),
        current_of("tern") + &current_of("fulmar"),
        current_of("shunt") + &current_of("fulmar") + soc,
    ] {
        let told = told(&sources);
        let about = |line: &&str| line.starts_with("The setup") || line.contains("no source");
        lines.extend(told.lines().filter(about).map(str::to_owned));
    }
    let but = "The setup holds, but not everything that it names can be answered for.";
    let or = "unless it is imported.";
    let come = "Messages come as “cellar/{instrument}/soc”: add `current` to the channels there, or a [[source]] that has it.";
    assert_eq!(
        lines,
        [
            but.to_owned(),
            format!(
                "  no source brings the current of “shunt”, “tern”, “fulmar”, without which there is no answer for this bank {or} {come}"
            ),
            but.to_owned(),
            format!(
                "  no source brings the current of “shunt”, without which there is no answer for this bank {or} Add a [[source]] whose channels have `current`."
            ),
            but.to_owned(),
            format!(
                "  no source brings the current of “tern”, without which there is no answer for that pack {or} {come}"
            ),
        ]
    );
}
