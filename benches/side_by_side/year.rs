//! A year of the bank "skerry": five simulated winters one after another, six instruments that speak one after
//! another with 40 ms of jitter. It goes to disk as packdrift stores it, and as other people's tools want it.

use std::{
    fs::File,
    io::{BufWriter, Write},
    path::Path,
};

use packdrift::{
    demo::{Kind, Plan, simulate},
    reading::{Channel, Channels},
    store::{self, reading::TouchedHours},
};

/// Winters in a year.
pub const YEAR: u32 = 5;
/// Days of each.
const DAYS: u32 = 73;
pub const DAY_MS: i64 = 86_400_000;
const HOUR_MS: i64 = 3_600_000;
const INSTRUMENTS: [&str; 6] = ["shunt", "tern", "fulmar", "gannet", "petrel", "skua"];
/// Readings in a transaction.
const BATCH: i64 = 8192;

/// When the year begins, ms since 1970.
pub fn begin_ms() -> i64 {
    Plan::new(Kind::Usual, 1).begin_ms
}

/// Calls `each` with the readings of so many winters, in order of time: (ms since 1970, instrument's place, values).
pub fn each_reading(winters: u32, report_s: u32, mut each: impl FnMut(i64, u16, Channels)) {
    for winter in 0..winters {
        let simulated = simulate(&Plan {
            days: DAYS,
            report_s,
            begin_ms: begin_ms() + i64::from(winter * DAYS) * DAY_MS,
            ..Plan::new(Kind::Usual, u64::from(winter) + 1)
        });
        for (at_ms, instrument, channels) in simulated.readings() {
            let turn_ms = i64::from(instrument) * 10_000 / 6;
            each(
                at_ms - at_ms % 10_000 + turn_ms + at_ms % 40,
                instrument,
                channels,
            );
        }
    }
}

/// Stores them in a folder with nothing derived yet. Gives their number.
pub fn store_in(folder: &Path, winters: u32, report_s: u32) -> i64 {
    let connection = store::read_write(&folder.join("packdrift.sqlite")).unwrap();
    let numbers = INSTRUMENTS.map(|name| store::instrument::number_of(&connection, name).unwrap());
    let mut touched = TouchedHours::new();
    let mut readings = 0;
    let mut insert = store::reading::Insert::new(&connection).unwrap();
    connection.execute_batch("BEGIN").unwrap();
    each_reading(winters, report_s, |at_ms, instrument, channels| {
        let number = numbers[usize::from(instrument)];
        insert.put(number, at_ms, &channels).unwrap();
        touched.insert((at_ms.div_euclid(HOUR_MS), number));
        readings += 1;
        if readings % BATCH == 0 {
            connection.execute_batch("COMMIT; BEGIN").unwrap();
        }
    });
    store::reading::mark_stale(&connection, &touched).unwrap();
    connection.execute_batch("COMMIT").unwrap();
    readings
}

/// Writes kept units, for tools that know nothing of packdrift.
pub fn plain_csv(path: &Path, winters: u32, report_s: u32) {
    let mut file = BufWriter::new(File::create(path).unwrap());
    writeln!(file, "at_ms,instrument,current,voltage,soc").unwrap();
    each_reading(winters, report_s, |at_ms, instrument, channels| {
        write!(file, "{at_ms},{}", instrument + 1).unwrap();
        for channel in [Channel::Current, Channel::Voltage, Channel::Soc] {
            match channels.get(channel) {
                Some(value) => write!(file, ",{value}").unwrap(),
                None => write!(file, ",").unwrap(),
            }
        }
        writeln!(file).unwrap();
    });
    file.flush().unwrap();
}

/// Writes a log as other programs do, in the units of people. Gives the readings.
pub fn log(path: &Path, most: usize) -> Vec<(i64, u16, Channels)> {
    let mut readings = Vec::with_capacity(most);
    each_reading(1, 10, |at_ms, instrument, channels| {
        if readings.len() < most {
            readings.push((at_ms, instrument, channels));
        }
    });
    let mut file = BufWriter::new(File::create(path).unwrap());
    writeln!(file, "at,instrument,amps,volts,soc").unwrap();
    for (at_ms, instrument, channels) in &readings {
        let at = chrono::DateTime::from_timestamp_millis(*at_ms).unwrap();
        let at = at.to_rfc3339_opts(chrono::SecondsFormat::Millis, true);
        write!(file, "{at},{}", INSTRUMENTS[usize::from(*instrument)]).unwrap();
        for channel in [Channel::Current, Channel::Voltage, Channel::Soc] {
            match channels.get(channel) {
                #[expect(clippy::cast_precision_loss, reason = "an instrument's figure")]
                Some(value) => write!(file, ",{}", value as f64 / channel.kept_per_unit()).unwrap(),
                None => write!(file, ",").unwrap(),
            }
        }
        writeln!(file).unwrap();
    }
    file.flush().unwrap();
    readings
}
