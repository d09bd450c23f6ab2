//! Whose message it is, by its topic.
//!
//! A setup knows all its instruments and channels, so every topic that can carry a reading is spelled out once
//! and then looked up; patterns are only gone through to say why a topic is not among them.

use std::collections::HashMap;

use super::value::shortened;
use crate::{
    config::{Part, Setup, TopicPattern},
    reading::{Channel, Instrument, Reason, Refusal},
};

/// What a topic says about its messages.
#[derive(Debug, Clone, Copy)]
pub(super) struct Route {
    /// Position of the source in the setup.
    pub(super) source: usize,
    /// Who it is of, where the topic says so.
    pub(super) instrument: Option<Instrument>,
    /// What it reports, where the topic says so.
    pub(super) channel: Option<Channel>,
}

/// Every topic of a setup.
#[derive(Debug)]
pub(super) struct Topics {
    /// Several where sources follow one another on a topic.
    routes: HashMap<String, Vec<Route>>,
    patterns: Vec<TopicPattern>,
    instruments: Vec<String>,
}

impl Topics {
    pub(super) fn new(setup: &Setup) -> Self {
        let mut topics = Self {
            routes: HashMap::new(),
            patterns: setup.sources.iter().map(|source| source.topic.clone()).collect(),
            instruments: setup.instruments.iter().map(|entry| entry.id.clone()).collect(),
        };
        for (source, pattern) in topics.patterns.iter().enumerate() {
            for instrument in choices(pattern.names_instrument(), setup.all_instruments()) {
                for channel in choices(pattern.names_channel(), Channel::ALL) {
                    let name = instrument.map_or("", |instrument| setup.entry(instrument).id.as_str());
                    let topic = pattern.filled(name, channel.map_or("", Channel::name));
                    topics.routes.entry(topic).or_default().push(Route {
                        source,
                        instrument,
                        channel,
                    });
                }
            }
        }
        topics
    }

    /// What a topic says by each source that takes it, or why it says nothing.
    pub(super) fn routes(&self, topic: &str) -> Result<&[Route], Refusal> {
        self.routes
            .get(topic)
            .map(Vec::as_slice)
            .ok_or_else(|| self.stranger(topic))
    }

    /// The MQTT topic filters that bring every topic, without those that another one covers: a broker may send a
    /// message once for each filter that it fits.
    pub(super) fn filters(&self) -> Vec<String> {
        let mut filters: Vec<_> = self.patterns.iter().map(TopicPattern::filter).collect();
        filters.sort_unstable();
        filters.dedup();
        let covered = |narrow: &String| filters.iter().any(|wide| wide != narrow && covers(wide, narrow));
        filters
            .iter()
            .filter(|filter| !covered(filter))
            .cloned()
            .collect()
    }

    fn stranger(&self, topic: &str) -> Refusal {
        let reason = self
            .patterns
            .iter()
            .find_map(|pattern| {
                if fits(pattern, topic, Some(&self.instruments)) {
                    // Only the channel was left open, and every channel that exists is a topic already.
                    Some(Reason::UnknownChannel)
                } else if fits(pattern, topic, None) {
                    Some(Reason::UnknownInstrument)
                } else {
                    None
                }
            })
            .unwrap_or(Reason::UnknownTopic);
        let topic = shortened(topic);
        let detail = match reason {
            Reason::UnknownChannel => format!("{topic} names no channel"),
            Reason::UnknownInstrument => format!("{topic} names no instrument of the setup"),
            _ => format!("no source takes {topic}"),
        };
        Refusal { reason, detail }
    }
}

/// What a placeholder can stand for, or the one empty choice where there is none.
fn choices<T>(placeholder: bool, all: impl IntoIterator<Item = T>) -> Vec<Option<T>> {
    if placeholder {
        all.into_iter().map(Some).collect()
    } else {
        vec![None]
    }
}

/// Whether a filter of single-level wildcards takes everything that another takes.
fn covers(wide: &str, narrow: &str) -> bool {
    let mut narrow = narrow.split('/');
    wide.split('/')
        .all(|level| narrow.next().is_some_and(|other| level == "+" || level == other))
        && narrow.next().is_none()
}

/// Whether a topic has the shape of a pattern, with any channel, and one of these instruments or any.
fn fits(pattern: &TopicPattern, topic: &str, instruments: Option<&[String]>) -> bool {
    let mut texts = topic.split('/');
    pattern.levels.iter().all(|parts| {
        texts
            .next()
            .is_some_and(|text| level_fits(parts, text, instruments))
    }) && texts.next().is_none()
}

fn level_fits(parts: &[Part], text: &str, instruments: Option<&[String]>) -> bool {
    let Some((first, rest)) = parts.split_first() else {
        return text.is_empty();
    };
    let after = |name: &str| {
        text.strip_prefix(name)
            .is_some_and(|text| level_fits(rest, text, instruments))
    };
    match (first, instruments) {
        (Part::Text(name), _) => after(name),
        (Part::Instrument, Some(names)) => names.iter().any(|name| after(name)),
        (Part::Instrument | Part::Channel, _) => text
            .char_indices()
            .map(|(at, letter)| at + letter.len_utf8())
            .any(|end| level_fits(rest, &text[end..], instruments)),
    }
}
