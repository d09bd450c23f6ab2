//! Does the report say what the API answers, stand by itself, hold what it rests on, and keep names to itself?

use std::{collections::BTreeMap, fs, io::Read, path::Path, process::Command, time::Duration};

use base64::{Engine, prelude::BASE64_STANDARD};
use packdrift::{
    demo::{Kind, Plan, simulate},
    hex::hex,
    store,
};
use scraper::{Html, Selector};
use serde_json::Value;
use sha2::{Digest, Sha256};

use crate::{
    harness::{Packdrift, Publisher, eventually},
    past,
    scenario::{own_port, reading, setup_with_own_broker},
};

/// A folder with a short winter in it, and a note that should not reach a reader as it is.
struct Winter(tempfile::TempDir);

const HOSTILE: &str =
    "<script>Tern\u{202e}</script> \"\u{5e9}\u{5dc}\", 🔋\n=cmd() on skerry/tern/reading at ";

impl Winter {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let setup = past::setup();
        fs::write(folder.path().join("setup.toml"), &setup.text).unwrap();
        let mut connection = store::read_write(&folder.path().join("packdrift.sqlite")).unwrap();
        let winter = simulate(&Plan {
            days: 4,
            ..Plan::new(Kind::Sparse, 3)
        });
        past::put(&mut connection, &setup, winter.readings());
        drop(connection);
        let winter = Self(folder);
        let text = format!("{HOSTILE}{}", winter.path().join("packdrift.sqlite").display());
        winter.run(&["note", "--pack", "tern", "--at", "2025-11-03T09:00:00Z", &text]);
        winter
    }

    fn path(&self) -> &Path {
        self.0.path()
    }

    /// Runs the program in the folder; gives what it printed.
    fn run(&self, arguments: &[&str]) -> String {
        let (done, printed) = self.tried(arguments);
        assert!(done, "{arguments:?}: {printed}");
        printed
    }

    /// The same, and whether it could do what it was asked.
    fn tried(&self, arguments: &[&str]) -> (bool, String) {
        let done = Command::new(env!("CARGO_BIN_EXE_packdrift"))
            .current_dir(self.path())
            .args(arguments)
            .output()
            .unwrap();
        (done.status.success(), String::from_utf8(done.stdout).unwrap())
    }

    /// A report and the files of its bundle.
    fn report(&self, more: &[&str]) -> (String, BTreeMap<String, String>) {
        let usual = [
            "report",
            "--since",
            "2025-11-02",
            "-o",
            "winter.html",
            "--bundle",
            "winter.zip",
        ];
        self.run(&[&usual, more].concat());
        let archive = fs::File::open(self.path().join("winter.zip")).unwrap();
        let mut archive = zip::ZipArchive::new(archive).unwrap();
        let mut files = BTreeMap::new();
        for index in 0..archive.len() {
            let mut file = archive.by_index(index).unwrap();
            let mut text = String::new();
            file.read_to_string(&mut text).unwrap();
            files.insert(file.name().unwrap().into_owned(), text);
        }
        (
            fs::read_to_string(self.path().join("winter.html")).unwrap(),
            files,
        )
    }
}

#[test]
fn the_daemon_writes_reports_as_the_setup_file_says() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let setup =
        setup_with_own_broker(folder) + "\n[report]\nfolder = \"public\"\nevery = \"1s\"\nanonymous = true\n";
    fs::write(folder.join("setup.toml"), setup).unwrap();
    let daemon = Packdrift::start(folder);
    let mut publisher = Publisher::connect(own_port(folder), "instruments").unwrap();
    for n in 0..600 {
        let (topic, body, ..) = reading(n);
        publisher.publish(&topic, &body).unwrap();
    }
    let path = folder.join("public/report.html");
    let patience = Duration::from_secs(30);
    eventually("a report is written", patience, || path.exists());
    let written = || fs::metadata(&path).unwrap().modified().unwrap();
    let first = written();
    eventually("and another in its place", patience, || written() > first);
    let report = fs::read_to_string(&path).unwrap();
    assert!(parsed(&report).errors.is_empty() && report.contains("P1"));
    // Not as part of “pattern”.
    let mut words = report.split(|letter: char| !letter.is_alphanumeric());
    assert!(!words.any(|word| word == "tern" || word == "skerry"));
    assert_eq!(daemon.stop(), Some(0));
}

fn parsed(report: &str) -> Html {
    let html = Html::parse_document(report);
    assert!(html.errors.is_empty(), "{:?}", html.errors);
    html
}

fn all<'a>(html: &'a Html, selector: &str) -> Vec<scraper::ElementRef<'a>> {
    html.select(&Selector::parse(selector).unwrap()).collect()
}

#[test]
fn a_report_stands_by_itself() {
    let winter = Winter::new();
    let (report, files) = winter.report(&[]);
    let html = parsed(&report);
    for element in html.root_element().descendent_elements() {
        assert!(!["script", "iframe", "object", "link", "img"].contains(&element.value().name()));
        for (name, value) in element.value().attrs() {
            if ["href", "src", "srcset", "action", "data"].contains(&name) {
                assert!(
                    value.starts_with("data:text/csv") || value.starts_with('#'),
                    "{name}={value}"
                );
            }
            assert!(
                !value.contains("url(") || value.contains("url(#"),
                "{name}={value}"
            );
        }
    }
    assert!(
        !report.contains("@import")
            && report.matches("http").count()
                == report.matches("http://www.w3.org/2000/svg").count()
                    + report.matches("http-equiv").count()
    );

    let words = &all(&html, ".words")[0].text().collect::<String>();
    assert!(
        words.starts_with("<script>Tern[U+202E]</script> \"\u{5e9}\u{5dc}\", 🔋\n=cmd()"),
        "{words}"
    );

    let attached = all(&html, "a[download='hours.csv']")[0].attr("href").unwrap();
    let attached = BASE64_STANDARD
        .decode(attached.split_once(',').unwrap().1)
        .unwrap();
    assert_eq!(String::from_utf8(attached).unwrap(), files["hours.csv"]);
}

#[test]
fn its_figures_are_those_of_the_answer() {
    let winter = Winter::new();
    let (report, _) = winter.report(&[]);
    let html = parsed(&report);
    let drift: Value =
        serde_json::from_str(&winter.run(&["drift", "--since", "2025-11-02", "--json"])).unwrap();
    for (place, pack) in drift["packs"].as_array().unwrap().iter().enumerate() {
        let row = format!(".bypack tbody tr:nth-child({}) data", place + 1);
        let first = all(&html, &row)[0].attr("value").unwrap();
        assert_eq!(first, pack["charge_error"]["ah"].to_string());
        let sum = format!(".sum td:nth-child({})", place + 2);
        let data = all(&html, &format!("{sum} data"))[0].attr("value").unwrap();
        assert_eq!(data, pack["charge_error"]["expanded_uncertainty_ah"].to_string());
    }
    assert!(report.contains(drift["setup"].as_str().unwrap()));

    let compared: Value =
        serde_json::from_str(&winter.run(&["compare", "--since", "2025-11-02", "--json"])).unwrap();
    let words = html.root_element().text().collect::<String>();
    let sentences = [&compared["verdict"], &compared["revisions"]["confounders"]];
    let sentences: Vec<_> = sentences
        .into_iter()
        .flat_map(|list| list.as_array().unwrap())
        .collect();
    assert!(!sentences.is_empty());
    for sentence in sentences {
        assert!(words.contains(sentence.as_str().unwrap()), "{sentence}");
    }
}

#[test]
fn the_bundle_holds_what_the_report_rests_on() {
    let winter = Winter::new();
    let (report, files) = winter.report(&[]);
    let sums = &files["SHA256SUMS"];
    assert_eq!(sums.lines().count(), files.len() - 1);
    for line in sums.lines() {
        let (sum, name) = line.split_once("  ").unwrap();
        assert_eq!(sum, hex(&Sha256::digest(&files[name])), "{name}");
        if name == "readings.csv" {
            assert!(report.contains(sum), "the digest stands in the report");
        }
    }
    assert_eq!(files["report.html"], report);
    let rows = files["readings.csv"].lines().count() - 1;
    assert!(report.contains(&format!("{rows} in ")), "{rows} readings");
    // The first reading after midnight in Oslo, of every instrument one.
    assert!(
        files["readings.csv"]
            .lines()
            .nth(1)
            .unwrap()
            .starts_with("2025-11-01T23:00:")
    );
    let setup: Value = serde_json::from_str(&files["setup.json"]).unwrap();
    assert_eq!(setup["packs"].as_array().unwrap().len(), 5);
    assert_eq!(setup["full"]["volts"], 56.0);
    let description: Value = serde_json::from_str(&files["description.jsonld"]).unwrap();
    assert_eq!(description["@type"], "Dataset");
    let described = description["distribution"].as_array().unwrap();
    assert_eq!(
        described.len(),
        files.len() - 2,
        "all but the description and the checksums"
    );
    for file in described {
        let contents = &files[file["contentUrl"].as_str().unwrap()];
        assert_eq!(file["sha256"], hex(&Sha256::digest(contents)));
    }
    assert!(
        files["notes.csv"].contains("\"<script>Tern[U+202E]</script> \"\"\u{5e9}\u{5dc}\"\", 🔋\n=cmd()")
    );
}

#[test]
fn renamed_it_tells_no_name_topic_or_path() {
    let winter = Winter::new();
    let (report, files) = winter.report(&["--rename", "tern=P7,skua=Last"]);
    let folder = winter.path().display().to_string().to_lowercase();
    for (name, text) in files.iter().chain([(&"winter.html".to_owned(), &report)]) {
        // “pattern” is a word of SVG and “returns” one of the method.
        let text = text.to_lowercase().replace("pattern", "").replace("return", "");
        for secret in [
            "tern",
            "fulmar",
            "gannet",
            "petrel",
            "skua",
            "shunt",
            "skerry",
            "reading at",
            &folder,
        ] {
            if secret == "shunt" && name == "description.jsonld" {
                // What a reference is, not what this one is called.
                continue;
            }
            assert!(!text.contains(secret), "{secret} in {name}");
        }
    }
    let html = parsed(&report);
    let names: Vec<String> = all(&html, ".bypack tbody th")
        .iter()
        .map(|head| {
            head.text()
                .collect::<String>()
                .split_whitespace()
                .next()
                .unwrap()
                .to_owned()
        })
        .collect();
    assert_eq!(names, ["P7", "P1", "P2", "P3", "Last"]);
    let words = &all(&html, ".words")[0].text().collect::<String>();
    assert!(words.ends_with("on [topic] at [path]"), "{words}");
}

#[test]
fn a_plot_comes_from_the_command_line_too() {
    let winter = Winter::new();
    for plot in ["charge-error", "budget"] {
        let svg = winter.run(&["plot", plot, "--size", "narrow"]);
        let xml = roxmltree::Document::parse(&svg).unwrap();
        assert!(xml.root_element().attribute("class").unwrap().contains("narrow"));
    }
}

#[test]
fn on_a_terminal_a_note_is_a_line_of_text() {
    let winter = Winter::new();
    winter.run(&["note", "--pack", "tern", "bell \u{7} red \u{1b}[31m"]);
    let told = winter.run(&["notes"]);
    assert_eq!(
        told.lines().count(),
        2 + 2,
        "a head, a rule, and two notes: {told}"
    );
    let acts = |one: char| one != '\n' && (one.is_control() || ('\u{202a}'..='\u{202e}').contains(&one));
    assert!(!told.contains(acts), "{told:?}");
    assert!(
        told.contains("bell ␇ red ␛[31m") && told.contains("[U+202E]"),
        "{told}"
    );
}

#[test]
fn phases_and_health_are_told_with_no_daemon_too() {
    let winter = Winter::new();
    let phases = winter.run(&["phases"]);
    assert!(
        phases.contains("full charge") && phases.contains("partial cycling"),
        "{phases}"
    );
    let (done, health) = winter.tried(&["health"]);
    assert!(
        health.contains("no daemon runs on this store") && health.contains("34560 readings"),
        "{health}"
    );
    // Nothing comes in where nobody listens: whoever asks by a timer must hear of it.
    assert!(!done);
    let (done, document) = winter.tried(&["health", "--json"]);
    assert!(!done);
    assert_eq!(serde_json::from_str::<Value>(&document).unwrap()["ok"], false);
}
