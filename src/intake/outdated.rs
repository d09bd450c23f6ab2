//! What earlier setups subscribed to and this one doesn't: a broker keeps subscriptions with the session, and goes on
//! sending.

use std::{collections::BTreeSet, path::Path};

use rusqlite::Connection;

use super::Decoder;
use crate::{
    config::{self, Setup},
    store,
};

/// The topic filters of setups that were served before which this one lacks.
///
/// # Errors
/// Whatever SQLite says.
pub fn outdated_filters(connection: &Connection, setup: &Setup) -> rusqlite::Result<Vec<String>> {
    let mut outdated = BTreeSet::new();
    for version in store::setup_version::all(connection)? {
        // One that only an earlier packdrift understood was told so when it was last served.
        if let Ok(earlier) = config::parse("setup.toml", &version.text, Path::new("")) {
            outdated.extend(Decoder::new(&earlier).filters());
        }
    }
    for filter in Decoder::new(setup).filters() {
        outdated.remove(&filter);
    }
    Ok(outdated.into_iter().collect())
}
