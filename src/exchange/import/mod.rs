//! Takes over what others logged: CSV of many kinds, JSON lines, SenML, Parquet, and another packdrift's store; and what
//! people said there, from its exports of notes, phases and marks.
//!
//! A file is read twice. [`look`] understands all of it and writes nothing: whatever is wrong with the file is said
//! then, with line and mend. [`write()`] hands the same readings to the writer, where they meet the same rules as
//! messages: what is there already changes nothing, two values of one instant void each other.

mod check;
mod clock;
mod columns;
mod feed;
mod fields;
mod file;
mod held;
mod map;
mod objects;
mod other;
mod packs;
#[cfg(feature = "parquet")]
mod parquet;
mod resume;
mod rows;
mod said;
mod trouble;
mod understand;

use std::{
    path::Path,
    sync::{
        Arc,
        atomic::{AtomicU64, Ordering},
    },
};

use chrono::Utc;
use sha2::{Digest, Sha256};
use tokio::runtime::Handle;

use check::Check;
pub use check::Values;
use feed::Feed;
pub use map::{Map, MapError};
use resume::Resume;
use rows::Rows;
pub use said::Said;
pub use trouble::ImportError;
use trouble::Trouble;
use understand::{Item, Understand};

use crate::{
    config::Setup,
    hex::hex,
    intake::{Decoder, value},
    reading::{Channel, Instrument, Reading, Reason},
    store::Writer,
};

/// How often progress is told, in rows.
const TELL_EVERY: u64 = 5000;

/// What a file was understood as, before anything is written.
pub struct Look {
    /// Readings in it.
    pub readings: u64,
    /// What would go to quarantine: reason, how many, the first of them.
    pub refused: Vec<(Reason, u64, String)>,
    /// First and last instant, ms since 1970.
    pub extent_ms: Option<(i64, i64)>,
    /// The first readings, with the line each comes from.
    pub first: Vec<(u64, Reading)>,
    /// What each instrument reports.
    pub channels: Vec<((Instrument, Channel), Values)>,
    /// What people said.
    pub said: Said,
    /// What was decided, and what was left out.
    pub remarks: Vec<String>,
    file_sha256: String,
    understanding_sha256: String,
    now_ms: i64,
}

/// Understands a whole file and writes nothing. `progress` is told bytes read and rows.
///
/// # Errors
/// Whatever is wrong with the file or the map, with line and mend.
pub fn look(
    path: &Path,
    map: Option<&Map>,
    setup: &Setup,
    mut progress: impl FnMut(u64, u64),
) -> Result<Look, ImportError> {
    let mut looked = || -> Result<Look, Trouble> {
        let now_ms = Utc::now().timestamp_millis();
        let is_store = other::is_store(path)?;
        let (said, mut remarks) = if is_store {
            let (said, remark) = other::said(path, setup)?;
            (Some(said), remark)
        } else {
            (Said::in_file(path, setup)?, Vec::new())
        };
        let mut check = Check::default();
        if is_store || said.is_none() {
            let mut seen = |item: Item, line| {
                check.see(&item, line);
                Ok(())
            };
            remarks.extend(each(path, map, setup, now_ms, &mut seen, &mut progress)?);
            check.makes_sense(setup)?;
        }
        let understanding = format!("{map:?} {}", setup.digest);
        Ok(Look {
            readings: check.readings,
            channels: check.channels(),
            refused: check
                .refused
                .into_iter()
                .map(|(reason, (count, first))| (reason, count, first))
                .collect(),
            extent_ms: check.extent_ms,
            first: check.first,
            said: said.unwrap_or_default(),
            remarks,
            file_sha256: file::digest(path)?,
            understanding_sha256: hex(&Sha256::digest(understanding)),
            now_ms,
        })
    };
    looked().map_err(|trouble| trouble.of(&path.display().to_string()))
}

/// Writes what [`look`] understood, and waits until it is committed. Gives the number of readings and refusals that
/// an earlier run of the same import had written.
///
/// # Errors
/// Where the file is another one by now, or the writer stops.
pub fn write(
    path: &Path,
    map: Option<&Map>,
    setup: &Setup,
    look: &Look,
    (writer, runtime): (&Writer, &Handle),
    mut progress: impl FnMut(u64, u64),
) -> Result<u64, ImportError> {
    let name = path.display().to_string();
    let resume = Resume::new(&setup.store.path, &look.file_sha256, &look.understanding_sha256);
    let topic = format!(
        "import:{}",
        path.file_name().unwrap_or_default().to_string_lossy()
    );
    let written = || {
        if file::digest(path)? != look.file_sha256 {
            return Err(Trouble::whole("the file changed meanwhile", "import it again"));
        }
        let mut before = 0;
        if look.readings > 0 {
            let mut feed = Feed::new(writer, runtime, &resume, topic, look.now_ms);
            before = feed.done_before();
            let mut sink = |item, _line| feed.take(item);
            each(path, map, setup, look.now_ms, &mut sink, &mut progress)?;
            feed.end()?;
        }
        let said = look.said.clone();
        runtime.block_on(writer.run(move |connection| said.take(connection)))??;
        Ok(before)
    };
    written().map_err(|trouble| trouble.of(&name))
}

/// Gives every item of a file, with its line; at the end what there is to remark.
fn each(
    path: &Path,
    map: Option<&Map>,
    setup: &Setup,
    now_ms: i64,
    sink: &mut dyn FnMut(Item, u64) -> Result<(), Trouble>,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Vec<String>, Trouble> {
    let decoder = Decoder::new(setup);
    if other::is_store(path)? {
        return other::each(path, map, setup, &decoder, now_ms, sink, progress);
    }
    let format = match map.and_then(|map| map.format) {
        Some(format) => format,
        None => rows::format(path)?,
    };
    let own = Map::own(format);
    let passed = Arc::new(AtomicU64::new(0));
    let is_own = map.is_none();
    let map = map.unwrap_or(&own);
    let mut rows = Rows::open(path, format, map, &passed)?;
    let mut understand = Understand::new(map, &mut rows, setup, &decoder, now_ms)?;
    let mut count = 0_u64;
    while rows.next()? {
        let line = rows.line();
        understand.row(&rows, &mut |item| sink(item, line))?;
        count += 1;
        if count.is_multiple_of(TELL_EVERY) {
            progress(passed.load(Ordering::Relaxed), count);
        }
    }
    progress(passed.load(Ordering::Relaxed), count);
    understand.clock.undecided()?;
    let mut remarks = Vec::new();
    if rows.ends_in_a_line() {
        let line = rows.line();
        if is_own {
            return Err(Trouble::at(
                line,
                "the last line is cut",
                "get the file anew, or delete this line",
            ));
        }
        remarks.push(format!("the last line, {line}, has no end: is it whole?"));
    }
    if understand.clock.decided() > 0 {
        remarks.push("an hour that clocks showed twice was told apart by the order of rows".to_owned());
    }
    if !understand.left_out.is_empty() {
        let rows: u64 = understand.left_out.values().sum();
        let names: Vec<_> = understand
            .left_out
            .keys()
            .take(5)
            .map(|name| value::shortened(name))
            .collect();
        remarks.push(format!(
            "{rows} rows of other names are left out, e.g. {}",
            names.join(", ")
        ));
    }
    Ok(remarks)
}
