//! Does the reference of the setup file hold, and has it every key that a setup file may have?

use std::{collections::BTreeMap, fs, path::Path};

use miette::Diagnostic;
use packdrift::config;

/// So unlike any key that none is guessed to be meant.
const UNKNOWN: &str = "qqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqq";

fn reference() -> String {
    fs::read_to_string(format!("{}/deploy/setup-all.toml", env!("CARGO_MANIFEST_DIR"))).unwrap()
}

fn is_header(line: &str) -> bool {
    line.trim_start_matches("# ").starts_with('[')
}

/// The lines under each header, those of one name together; what stands before the first, under none.
fn sections(text: &str) -> BTreeMap<&str, Vec<&str>> {
    let mut sections = BTreeMap::<&str, Vec<&str>>::new();
    let mut header = "";
    for line in text.lines() {
        let line = line.trim_start_matches("# ");
        if is_header(line) {
            header = line.split_whitespace().next().unwrap();
        }
        sections.entry(header).or_default().push(line);
    }
    sections
}

/// What each table knows, as whoever writes an unknown key is told.
fn known(text: &str) -> BTreeMap<String, Vec<String>> {
    let mut spoilt = format!("{UNKNOWN} = 1\n");
    for line in text.lines() {
        spoilt += &line.replace("{ at", &format!("{{ {UNKNOWN} = 1, at"));
        spoilt.push('\n');
        if line.starts_with('[') && !line.starts_with("[source.channels]") {
            spoilt.extend([UNKNOWN, " = 1\n"]);
        }
    }
    let wrong = config::parse("setup.toml", &spoilt, Path::new("")).unwrap_err();
    let told = wrong.findings.iter().map(|finding| {
        let help = finding.help().unwrap().to_string();
        let (table, keys) = help.split_once(" knows: ").unwrap_or_else(|| panic!("{help}"));
        let keys = keys.split(", ").map(str::to_owned).collect();
        (table.to_owned(), keys)
    });
    told.collect()
}

#[test]
fn every_key_stands_in_the_reference_and_it_holds() {
    let text = reference();
    config::parse("setup.toml", &text, Path::new("/hut")).unwrap();
    // packdrift's own broker, which contradicts another and keeps nothing that is published.
    let own_broker: String = text
        .split_inclusive('\n')
        .scan("", |header, line| {
            if is_header(line) {
                *header = line;
            }
            Some((*header, line))
        })
        .filter(|(header, _)| !header.starts_with("[mqtt]") && !header.starts_with("[publish]"))
        .map(|(header, line)| {
            if header.starts_with("# [broker]") {
                line.trim_start_matches("# ")
            } else {
                line
            }
        })
        .collect();
    config::parse("setup.toml", &own_broker, Path::new("/hut")).unwrap();

    let sections = sections(&text);
    let mut tables = known(&text);
    tables.extend(known(&own_broker));
    assert!(tables.len() >= 14, "{:?}", tables.keys());
    for (table, keys) in &tables {
        let header = match table.as_str() {
            "the file" => "",
            "`full`" => "[bank.full]",
            "a channel" => "[source.channels]",
            named => named,
        };
        let lines = &sections[header];
        for key in keys {
            let written =
                |line: &&str| line.starts_with(&format!("{key} =")) || line.contains(&format!(" {key} ="));
            let inner = match header.trim_matches(['[', ']']) {
                "" => key.clone(),
                outer => format!("{outer}.{key}"),
            };
            let heads = [format!("[{inner}]"), format!("[[{inner}]]")];
            let heads = heads.iter().any(|head| sections.contains_key(head.as_str()));
            assert!(heads || lines.iter().any(written), "{table} has no {key}");
        }
    }
    let channels = packdrift::reading::Channel::ALL.map(packdrift::reading::Channel::name);
    for channel in channels {
        let named = |line: &&str| line.starts_with(&format!("{channel} ="));
        assert!(sections["[source.channels]"].iter().any(named), "no {channel}");
    }
}
