//! The whole file: reads it, lets each part read its tables, and resolves names between them.

use std::{collections::HashMap, ops::RangeInclusive, path::Path};

use sha2::{Digest, Sha256};
use toml::de::DeTable;

use super::{
    bank::{self, Draft, Enlist},
    contradictions,
    finding::{Findings, Wrong},
    reader::{Table, Written, nearest},
    services,
    setup::{Bank, InstrumentEntry, Publish, Reporting, Role, Setup, Source},
    source,
};
use crate::{
    hex::hex,
    reading::{Instrument, MOST_INSTRUMENTS},
};

/// Why there is no setup.
#[derive(Debug, thiserror::Error)]
pub enum LoadError {
    /// The file can't be read.
    #[error("the setup file {path} can't be read; name another with --config")]
    Read {
        /// The file.
        path: String,
        /// What the system says.
        source: std::io::Error,
    },
    /// The file is wrong.
    #[error("{}", .0.shown(false))]
    Wrong(Box<Wrong>),
}

/// Reads and checks a setup file.
///
/// # Errors
/// Where it can't be read, or everything that is wrong with it.
pub fn load(path: &Path) -> Result<Setup, LoadError> {
    let shown = path.display().to_string();
    let text = std::fs::read_to_string(path).map_err(|source| LoadError::Read {
        path: shown.clone(),
        source,
    })?;
    let folder = path.parent().unwrap_or_else(|| Path::new(""));
    parse(&shown, &text, folder).map_err(|wrong| LoadError::Wrong(Box::new(wrong)))
}

/// Checks the text of a setup file. Relative paths in it are taken from `folder`.
///
/// # Errors
/// Everything that is wrong with it.
pub fn parse(path: &str, text: &str, folder: &Path) -> Result<Setup, Wrong> {
    let findings = Findings::new(path, text);
    let document = DeTable::parse(text);
    let setup = match &document {
        Ok(document) => {
            let root = Table::new("the file", document.get_ref(), document.span(), &findings);
            read(root, text, folder)
        }
        Err(error) => {
            let place = error.span().unwrap_or(0..text.len());
            findings.add(
                &place,
                error.message(),
                "here",
                "this is where the file stops being TOML (toml.io)",
            );
            None
        }
    };
    if setup.is_none() {
        findings.add_if_none(
            &(0..0),
            "this can't be used",
            "somewhere in here",
            "compare it with the README's example",
        );
    }
    match (findings.into_wrong(), setup) {
        (None, Some(setup)) => Ok(setup),
        (wrong, _) => Err(wrong.unwrap_or_default()),
    }
}

fn read(root: Table<'_>, text: &str, folder: &Path) -> Option<Setup> {
    let store = services::store(&root, folder);
    let backup = services::backup(&root, folder);
    let report = services::report(&root, folder);
    let broker = services::broker(&root, folder);
    let api = services::api(&root, folder);
    let publish = services::publish(&root);
    let tables = root.tables("bank", "[[bank]]");
    if tables.is_empty() {
        root.findings.add(
            &root.place,
            "there is no bank",
            "in this file",
            "add a [[bank]] with its reference and its packs",
        );
    }
    let mut names = Names {
        findings: root.findings,
        known: HashMap::new(),
        order: Vec::new(),
    };
    let count = tables.len();
    let drafts: Vec<Draft> = tables
        .into_iter()
        .map(|table| bank::bank(table, &mut names))
        .collect();
    let order: Vec<&str> = names.order.iter().map(String::as_str).collect();
    let known = |name: &str| names.known.get(name).copied();
    let tables = root.tables("source", "[[source]]");
    if tables.is_empty() {
        root.findings.add(
            &root.place,
            "there is no source",
            "in this file",
            "add a [[source]] that says how messages become readings",
        );
    }
    let sources: Vec<Written<Source>> = tables
        .into_iter()
        .filter_map(|table| source::source(table, &known, &order))
        .collect();
    contradictions::same_topics(&root, &sources, &order);
    if let Some(publish) = &publish {
        contradictions::published_to_itself(&root, publish, broker.as_ref(), &sources);
    }
    let banks: Vec<Bank> = drafts
        .into_iter()
        .filter_map(|draft| settled(&root, draft, &order))
        .collect();
    contradictions::same_banks(&root, &banks);
    contradictions::two_ways_to_report(&root, &banks, &sources, &order);
    root.finish();
    if banks.len() != count || banks.is_empty() {
        return None;
    }
    let sources: Vec<Source> = sources.into_iter().map(|source| source.value).collect();
    let instruments = instruments(&banks, &sources, &names.order)?;
    Some(Setup {
        text: text.to_owned(),
        digest: digest(text),
        store,
        backup,
        report,
        broker: broker?,
        api: api?,
        publish: publish.map(|prefix| Publish { prefix: prefix.value }),
        banks,
        instruments,
        sources,
    })
}

/// The instruments by name, in the order they are met.
struct Names<'f> {
    findings: &'f Findings,
    known: HashMap<String, Instrument>,
    order: Vec<String>,
}

impl Enlist for Names<'_> {
    fn enlist(&mut self, name: &Written<String>) -> Option<Instrument> {
        let plain = |letter: char| letter.is_ascii_alphanumeric() || "-_.".contains(letter);
        if name.value.is_empty() || !name.value.chars().all(plain) {
            self.findings.add(
                &name.place,
                format!("“{}” can't be a name", name.value),
                "this name",
                "use letters, digits, “-”, “_” and “.” only: it stands in topics and answers",
            );
            return None;
        }
        if self.known.contains_key(&name.value) {
            self.findings.add(
                &name.place,
                format!("two instruments are called “{}”", name.value),
                "the second one",
                "give each pack and each reference, in all banks, a name of its own",
            );
            return None;
        }
        let index = u16::try_from(self.order.len());
        let Some(index) = index.ok().filter(|index| *index < MOST_INSTRUMENTS) else {
            self.findings.add(
                &name.place,
                format!("there are more than {MOST_INSTRUMENTS} instruments"),
                "one too many",
                "split the banks over several packdrifts, each with a setup file and a store of its own",
            );
            return None;
        };
        let instrument = Instrument(index);
        self.known.insert(name.value.clone(), instrument);
        self.order.push(name.value.clone());
        Some(instrument)
    }
}

/// A bank with the names in it resolved.
fn settled(root: &Table<'_>, draft: Draft, names: &[&str]) -> Option<Bank> {
    let mut bank = draft.bank?;
    if let Some(from) = draft.voltage_from {
        // Another bank's voltage says nothing of this one.
        let name = |instrument: Instrument| names[usize::from(instrument.0)];
        let meant = bank
            .instruments()
            .find(|instrument| name(*instrument) == from.value);
        bank.full.voltage_from = meant;
        if bank.full.voltage_from.is_none() {
            let own: Vec<&str> = bank.instruments().map(name).collect();
            let mend = nearest(&from.value, &own).map_or_else(
                || format!("its instruments are: {}", own.join(", ")),
                |near| format!("did you mean \"{near}\"?"),
            );
            root.findings.add(
                &from.place,
                format!("the bank “{}” has no instrument “{}”", bank.id, from.value),
                "this name",
                mend,
            );
        }
    }
    Some(bank)
}

/// What each instrument is and can do.
fn instruments(banks: &[Bank], sources: &[Source], names: &[String]) -> Option<Vec<InstrumentEntry>> {
    let mut entries: Vec<Option<InstrumentEntry>> = vec![None; names.len()];
    for (index, bank) in banks.iter().enumerate() {
        let cells = i64::from(bank.cells_in_series);
        let voltage_mv: RangeInclusive<i64> = 1000 * cells..=5000 * cells;
        let largest_ah =
            |pack: &super::setup::Pack| pack.held.iter().map(|held| held.capacity_ah).fold(0.0, f64::max);
        let of_bank_ah: f64 = bank.packs.iter().map(largest_ah).sum();
        let packs = bank
            .packs
            .iter()
            .enumerate()
            .map(|(p, pack)| (pack.instrument, Role::Pack(p), largest_ah(pack)));
        let reference = (bank.reference.instrument, Role::Reference, of_bank_ah);
        for (instrument, role, capacity_ah) in std::iter::once(reference).chain(packs) {
            let place = usize::from(instrument.0);
            #[expect(clippy::cast_possible_truncation, reason = "20 C of a capacity in mA")]
            let max_current_ma = (20.0 * capacity_ah * 1000.0) as i64;
            entries[place] = Some(InstrumentEntry {
                id: names[place].clone(),
                bank: index,
                role,
                max_current_ma,
                voltage_mv: voltage_mv.clone(),
                reporting: reporting(bank, sources, instrument),
            });
        }
    }
    entries.into_iter().collect()
}

/// How an instrument's current is reported: as the sources say that name it; where none does, on change if one says so
/// that may bring it.
fn reporting(bank: &Bank, sources: &[Source], instrument: Instrument) -> Reporting {
    let bringing = |named: bool| {
        sources
            .iter()
            .filter(move |source| {
                source.brings_current() && source.is_of(instrument) == named.then_some(true)
            })
            .map(|source| source.on_change)
    };
    let on_change = match bringing(true).next() {
        Some(on_change) => on_change,
        None => bringing(false).flatten().next(),
    };
    match on_change {
        Some(longest_hold) => Reporting::OnChange { longest_hold },
        None => Reporting::Regular {
            longest_bridge: bank.longest_bridge,
        },
    }
}

fn digest(text: &str) -> String {
    hex(&Sha256::digest(text))
}
