//! `packdrift check`: what a setup file means, in plain words, or everything that is wrong with it.

use std::{fmt::Write, path::Path, process::ExitCode, time::Duration};

use chrono::Utc;
use clap::Args;

use super::live;
use crate::{
    api::Zulu,
    config::{
        self, Bank, Broker, ChangeToPast, InstrumentName, LoadError, Setup, Source, WithoutCurrent,
        without_current,
    },
    page::words::rfc3339,
    reading::Instrument,
    secret::{SecretError, private_text},
    store::{self, OpenError, setup_version},
    unit::thousandths,
};

/// What to check.
#[derive(Args)]
pub struct Arguments {
    /// Also listen to the broker, store nothing, and tell what comes and what to mend.
    #[arg(long)]
    live: bool,
    /// For how long to listen.
    #[arg(long = "for", value_name = "DURATION", default_value = "2m", value_parser = config::duration, requires = "live")]
    listen_for: Duration,
}

/// Checks a setup file and prints what it found.
#[must_use]
pub fn run(config: &Path, arguments: &Arguments) -> ExitCode {
    match config::load(config) {
        Ok(setup) if arguments.live => match live::look(&setup, arguments.listen_for) {
            Ok(told) => {
                print!("{told}");
                ExitCode::SUCCESS
            }
            Err(failure) => {
                eprintln!("{failure:?}");
                ExitCode::FAILURE
            }
        },
        Ok(setup) => {
            print!("{}", meaning(&setup));
            let mut unusable: Vec<_> = unusable_secrets(&setup).iter().map(ToString::to_string).collect();
            match edited(&setup) {
                Ok(told) => print!("{told}"),
                Err(error) => unusable.push(error.to_string()),
            }
            for error in &unusable {
                eprintln!("packdrift: {error}");
            }
            if unusable.is_empty() {
                ExitCode::SUCCESS
            } else {
                ExitCode::FAILURE
            }
        }
        Err(LoadError::Wrong(wrong)) => {
            eprint!("{}", wrong.shown(console::colors_enabled_stderr()));
            ExitCode::FAILURE
        }
        Err(error) => {
            eprintln!("packdrift: {error}");
            ExitCode::FAILURE
        }
    }
}

/// Why files with secrets can't be used that the daemon would want.
#[must_use]
pub fn unusable_secrets(setup: &Setup) -> Vec<SecretError> {
    let mut files = vec![setup.api.token_file.as_deref()];
    if let Broker::Theirs(mqtt) = &setup.broker {
        files.push(mqtt.password_file.as_deref());
        files.push(mqtt.client_certificate.as_ref().map(|shown| shown.key.as_path()));
    }
    let files = files.into_iter().flatten();
    files.filter_map(|file| private_text(file).err()).collect()
}

/// What a setup changes of the past, beside the one that was served last; nothing, where there is no store yet.
fn edited(setup: &Setup) -> Result<String, OpenError> {
    if !setup.store.path.exists() {
        return Ok(String::new());
    }
    let served = setup_version::last_served(&store::read_only(&setup.store.path)?).ok();
    let Some(version) = served.flatten().filter(|version| version.digest != setup.digest) else {
        return Ok(String::new());
    };
    // Written by the rules of then.
    let Ok(before) = config::parse("setup.toml", &version.text, Path::new("")) else {
        return Ok("It is other than the one served last, which can't be read any more.\n".to_owned());
    };
    let now_ms = Utc::now().timestamp_millis();
    Ok(told(&config::changes_to_past(&before, setup, now_ms)))
}

/// Changes to the past, in plain words.
#[must_use]
pub fn told(changes: &[ChangeToPast]) -> String {
    if changes.is_empty() {
        return "It changes nothing of what held before now.\n".to_owned();
    }
    let mut text = "It changes what held before now, and answers about that time with it:\n".to_owned();
    for change in changes {
        let from = change.from_ms.map_or_else(
            || "from the beginning".to_owned(),
            |from_ms| format!("from {} on", Zulu(from_ms)),
        );
        let _ = writeln!(text, "  {}, {from}: {}", change.bank, change.what);
    }
    text + "If something became other only now, say since when: [[bank.pack.change]] with from = …\n"
}

/// What a setup means, in plain words.
#[must_use]
pub fn meaning(setup: &Setup) -> String {
    let mut text = String::new();
    // Writing to a String does not fail.
    let _ = write_meaning(setup, &mut text);
    text
}

fn write_meaning(setup: &Setup, text: &mut String) -> std::fmt::Result {
    let lacks = |bank: &Bank| !without_current(setup, bank).is_empty();
    let but = if setup.banks.iter().any(lacks) {
        ", but not everything that it names can be answered for"
    } else {
        ""
    };
    writeln!(text, "The setup holds{but}.")?;
    for bank in &setup.banks {
        write_bank(setup, bank, text)?;
        for without in without_current(setup, bank) {
            write_without_current(setup, bank, &without, text)?;
        }
    }
    match &setup.broker {
        Broker::Own(address) => writeln!(text, "Readings: packdrift is the broker, on {address}.")?,
        Broker::Theirs(mqtt) => {
            let tls = if mqtt.tls { ", with TLS" } else { "" };
            writeln!(
                text,
                "Readings: from the broker {}:{}{tls}, as client “{}”.",
                mqtt.host, mqtt.port, mqtt.client_id
            )?;
        }
    }
    for source in &setup.sources {
        write_source(setup, source, text)?;
    }
    writeln!(text, "Store: {}.", setup.store.path.display())?;
    if let Some(plan) = &setup.backup {
        writeln!(
            text,
            "Backups: in {}, a new one where the newest is {} s old, {} kept.",
            plan.folder.display(),
            plan.every.as_secs(),
            plan.keep
        )?;
    }
    let tokens = if setup.api.token_file.is_some() {
        ", for those with a token"
    } else {
        ""
    };
    writeln!(text, "Answers: http://{}{tokens}.", setup.api.listen)?;
    if setup.sources.iter().any(|source| source.time.is_none()) {
        writeln!(
            text,
            "Advice: let the instruments send a time. Without one, what a broker stored while packdrift was away \
             can't be dated and goes to quarantine."
        )?;
    }
    Ok(())
}

fn write_bank(setup: &Setup, bank: &Bank, text: &mut String) -> std::fmt::Result {
    let reference = &setup.entry(bank.reference.instrument).id;
    let capacity_ah = bank.capacity_ah(i64::MAX);
    writeln!(
        text,
        "Bank “{}”: {} packs, {capacity_ah} Ah together, measured against the reference “{reference}”.",
        bank.id,
        bank.packs.len()
    )?;
    for pack in &bank.packs {
        let held = pack.held_at(i64::MAX);
        let changes = match pack.held.len() - 1 {
            0 => String::new(),
            1 => ", 1 dated change".to_owned(),
            count => format!(", {count} dated changes"),
        };
        writeln!(
            text,
            "  pack “{}”: {} Ah, revision {}{changes}",
            setup.entry(pack.instrument).id,
            held.capacity_ah,
            held.revision
        )?;
    }
    let volts = thousandths(bank.full.voltage_mv);
    writeln!(
        text,
        "  full: at or above {volts} V ({:.3} V a cell) with {:.1} A or less for {} s",
        volts / f64::from(bank.cells_in_series),
        bank.full.tail_fraction * capacity_ah,
        bank.full.hold.as_secs()
    )
}

/// Who can't be answered for, and what to mend.
fn write_without_current(
    setup: &Setup,
    bank: &Bank,
    without: &WithoutCurrent<'_>,
    text: &mut String,
) -> std::fmt::Result {
    let names = |instruments: &[Instrument]| {
        let quoted = |instrument: &Instrument| format!("“{}”", setup.entry(*instrument).id);
        instruments.iter().map(quoted).collect::<Vec<_>>().join(", ")
    };
    let whom = match without.instruments.as_slice() {
        all if all.contains(&bank.reference.instrument) => "this bank",
        [_] => "that pack",
        _ => "those packs",
    };
    write!(
        text,
        "  no source brings the current of {}, without which there is no answer for {whom} unless it is imported. ",
        names(&without.instruments)
    )?;
    if without.topics.is_empty() {
        return writeln!(text, "Add a [[source]] whose channels have `current`.");
    }
    let topics: Vec<_> = without.topics.iter().map(|topic| format!("“{topic}”")).collect();
    writeln!(
        text,
        "Messages come as {}: add `current` to the channels there, or a [[source]] that has it.",
        topics.join(", ")
    )
}

fn write_source(setup: &Setup, source: &Source, text: &mut String) -> std::fmt::Result {
    let channels = if source.topic.names_channel() {
        "the channel that the topic names".to_owned()
    } else {
        let names: Vec<_> = source.channels.iter().map(|at| at.channel.name()).collect();
        names.join(", ")
    };
    let of = match &source.instrument {
        Some(InstrumentName::Fixed(instrument)) => format!(" of “{}”", setup.entry(*instrument).id),
        Some(InstrumentName::Pointer(pointer)) => format!(" of the instrument at {pointer}"),
        None => String::new(),
    };
    let time = match &source.time {
        Some(pointer) => format!("time at {pointer}"),
        None => "no time of its own".to_owned(),
    };
    let on_change = if source.on_change.is_some() {
        ", on change"
    } else {
        ""
    };
    let dated = |word: &str, at_ms: Option<i64>| {
        at_ms.map_or_else(String::new, |at_ms| format!(", {word} {}", rfc3339(at_ms)))
    };
    let (from, until) = (dated("from", source.from_ms), dated("until", source.until_ms));
    writeln!(
        text,
        "  “{}” (subscribed as {}): {channels}{of}, {time}{on_change}{from}{until}",
        source.topic.written,
        source.topic.filter()
    )
}
