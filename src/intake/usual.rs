//! How often each topic without times usually speaks, from what the store already has of its instrument.

use std::collections::HashMap;

use rusqlite::Connection;

use crate::{
    config::{InstrumentName, Setup, Source},
    reading::{Channel, Instrument},
    store,
};

/// The usual interval of every topic whose messages bring no time, ms; topics too new to tell are left out.
///
/// # Errors
/// Whatever SQLite says.
pub fn usual_ms(
    connection: &Connection,
    setup: &Setup,
    now_ms: i64,
) -> rusqlite::Result<HashMap<String, i64>> {
    let mut usual = HashMap::new();
    for source in setup.sources.iter().filter(|source| source.time.is_none()) {
        for instrument in instruments(setup, source) {
            let name = &setup.entry(instrument).id;
            let Some(number) = store::instrument::known_number(connection, name)? else {
                continue;
            };
            for channel in channels(source) {
                let interval_ms = store::reading::usual_interval_ms(connection, number, channel, now_ms)?;
                if let Some(interval_ms) = interval_ms {
                    usual.insert(source.topic.filled(name, channel.name()), interval_ms);
                }
            }
        }
    }
    Ok(usual)
}

fn instruments(setup: &Setup, source: &Source) -> Vec<Instrument> {
    match source.instrument {
        Some(InstrumentName::Fixed(instrument)) => vec![instrument],
        Some(InstrumentName::Pointer(_)) => Vec::new(),
        None => setup.all_instruments().collect(),
    }
}

/// The channels that a source's topics are told apart by; else any one that its messages have.
fn channels(source: &Source) -> Vec<Channel> {
    if source.topic.names_channel() {
        Channel::ALL.to_vec()
    } else {
        source.channels.iter().take(1).map(|at| at.channel).collect()
    }
}
