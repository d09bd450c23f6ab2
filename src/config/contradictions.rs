//! What is wrong with parts that are each right: what only all of them together show.

use std::collections::HashMap;

use super::{
    reader::{Table, Written},
    setup::{Bank, Broker, Source},
};
use crate::reading::Channel;

/// Says which topics two sources would take.
pub(super) fn same_topics(root: &Table<'_>, sources: &[Written<Source>], names: &[&str]) {
    let mut taken: HashMap<String, Vec<usize>> = HashMap::new();
    for (index, source) in sources.iter().enumerate() {
        let topic = &source.value.topic;
        let names: &[&str] = if topic.names_instrument() { names } else { &[""] };
        let channels = Channel::ALL.map(Channel::name);
        let channels: &[&str] = if topic.names_channel() { &channels } else { &[""] };
        let topics = names
            .iter()
            .flat_map(|name| channels.iter().map(|channel| topic.filled(name, channel)));
        for spelled in topics {
            let others = taken.entry(spelled.clone()).or_default();
            let overlaps = |other: &&usize| source.value.overlaps(&sources[**other].value);
            if let Some(first) = others.iter().find(overlaps).copied() {
                root.findings.add(
                    &source.place,
                    format!("two sources take the topic “{spelled}”"),
                    format!("so does “{}”", sources[first].value.topic.written),
                    "make the topics differ, leave out one of the two sources, or say `until` when the one and `from` when the other holds",
                );
                break;
            }
            others.push(index);
        }
    }
}

/// Says where answers can't go: to packdrift's own broker, or where they would come in again as readings.
pub(super) fn published_to_itself(
    root: &Table<'_>,
    prefix: &Written<String>,
    broker: Option<&Broker>,
    sources: &[Written<Source>],
) {
    if matches!(broker, Some(Broker::Own(_))) {
        root.findings.add(
            &prefix.place,
            "packdrift's own broker keeps nothing that is published",
            "answers would go here",
            "name a broker of your own under [mqtt], or leave out [publish]",
        );
    }
    for source in sources {
        let filter = source.value.topic.filter();
        let mut levels = filter.split('/');
        let within = prefix
            .value
            .split('/')
            .all(|level| levels.next().is_some_and(|other| other == level || other == "+"));
        if within {
            root.findings.add(
                &prefix.place,
                format!(
                    "answers would come in again by the source of “{}”",
                    source.value.topic.written
                ),
                "this prefix",
                "choose a prefix that no source's topic begins with",
            );
        }
    }
}

/// Says which banks have one name.
pub(super) fn same_banks(root: &Table<'_>, banks: &[Bank]) {
    for (index, bank) in banks.iter().enumerate() {
        if banks[..index].iter().any(|other| other.id == bank.id) {
            root.findings.add(
                &root.place,
                format!("two banks are called “{}”", bank.id),
                "in this file",
                "give each bank a name of its own",
            );
        }
    }
}

/// Says where sources that name one instrument report its current in two ways: what lies between two of its reports
/// would be anybody's guess.
pub(super) fn two_ways_to_report(
    root: &Table<'_>,
    banks: &[Bank],
    sources: &[Written<Source>],
    names: &[&str],
) {
    for instrument in banks.iter().flat_map(Bank::instruments) {
        let mut bringing = sources
            .iter()
            .filter(|source| source.value.brings_current() && source.value.is_of(instrument) == Some(true));
        let Some(first) = bringing.next() else { continue };
        if let Some(other) = bringing.find(|other| other.value.on_change != first.value.on_change) {
            root.findings.add(
                &other.place,
                format!(
                    "the current of “{}” can come in two ways",
                    names[usize::from(instrument.0)]
                ),
                format!("“{}” reports it otherwise", first.value.topic.written),
                "give both the same `reports` and `longest_hold`",
            );
            return;
        }
    }
}
