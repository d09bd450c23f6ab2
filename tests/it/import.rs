//! Are other people's logs taken over with the right values, or refused with line and mend, never by halves?

use std::{
    fmt::Write as _,
    fs,
    io::Write as _,
    path::{Path, PathBuf},
};

use packdrift::{
    config::{self, Setup},
    daemon,
    exchange::import::{self, Look, Map},
    reading::{Channel, Reason},
    store::{self, Writer, digest},
};
use rusqlite::Connection;
use serde_json::Value;
use tempfile::TempDir;

const SETUP: &str = r#"
[[bank]]
id = "skerry"
chemistry = "lfp"
cells_in_series = 16
full = { volts = 56.0, tail_fraction = 0.05, hold = "5m" }
reference = { id = "shunt" }
pack = [{ id = "tern", capacity_ah = 200, revision = "A" }, { id = "fulmar", capacity_ah = 230, revision = "B" }]
[[source]]
topic = "skerry/{instrument}/reading"
format = "json"
time = "/at"
channels = { current = "/amps", voltage = "/volts", soc = "/soc" }
"#;

/// A place with a setup, to import into.
struct Place {
    folder: TempDir,
    setup: Setup,
}

impl Place {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let setup = config::parse("setup.toml", SETUP, folder.path()).unwrap();
        Self { folder, setup }
    }

    fn file(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.folder.path().join(name);
        fs::write(&path, bytes).unwrap();
        path
    }

    fn map(&self, text: &str) -> Result<Map, import::ImportError> {
        Ok(Map::read(&self.file("map.toml", text.as_bytes()))?)
    }

    fn look(&self, map: Option<&Map>, path: &Path) -> Result<Look, import::ImportError> {
        import::look(path, map, &self.setup, |_, _| {})
    }

    fn import(&self, map: Option<&Map>, path: &Path) -> Result<Look, import::ImportError> {
        let look = self.look(map, path)?;
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_time()
            .build()
            .unwrap();
        let connection = store::read_write(&self.setup.store.path).unwrap();
        let (writer, thread) = Writer::start(connection, daemon::writer_options(&self.setup)).unwrap();
        import::write(
            path,
            map,
            &self.setup,
            &look,
            (&writer, runtime.handle()),
            |_, _| {},
        )?;
        drop(writer);
        thread.join();
        Ok(look)
    }

    fn store(&self) -> Connection {
        store::read_only(&self.setup.store.path).unwrap()
    }

    /// What the store has, a line a reading.
    fn readings(&self) -> Vec<String> {
        let mut lines = Vec::new();
        store::reading::each_named(&self.store(), (i64::MIN, i64::MAX), |named| {
            let at = chrono::DateTime::from_timestamp_millis(named.at_ms).unwrap();
            let values: Vec<_> = named
                .channels
                .iter()
                .map(|(channel, value)| (channel.name(), value))
                .collect();
            let values: Vec<_> = values
                .iter()
                .map(|(name, value)| format!("{name} {value}"))
                .collect();
            let voided = if named.voided.is_empty() { "" } else { " void" };
            lines.push(format!(
                "{} {} {}{voided}",
                at.to_rfc3339_opts(chrono::SecondsFormat::AutoSi, true),
                named.name,
                values.join(" ")
            ));
            Ok::<_, rusqlite::Error>(())
        })
        .unwrap();
        lines
    }
}

/// What a file comes to: the readings in the store, or the words of the refusal, and then no store at all.
pub fn comes_to(map: &str, name: &str, bytes: &[u8]) -> Result<Vec<String>, String> {
    let place = Place::new();
    let path = place.file(name, bytes);
    let done = place.map(map).and_then(|map| place.import(Some(&map), &path));
    match done {
        Ok(_) => Ok(place.readings()),
        Err(error) => {
            assert!(
                !place.setup.store.path.exists(),
                "nothing is written of a file that is refused"
            );
            Err(error.to_string().replace(&path.display().to_string(), name))
        }
    }
}

fn taken(map: &str, text: &str, expect: &[&str]) {
    assert_eq!(
        comes_to(map, "log.csv", text.as_bytes()).as_deref(),
        Ok(&expect.iter().map(|line| (*line).to_owned()).collect::<Vec<_>>()[..]),
        "{text}"
    );
}

fn refused(map: &str, bytes: impl AsRef<[u8]>, line: u64, words: &[&str]) {
    let told = comes_to(map, "log.csv", bytes.as_ref()).unwrap_err();
    if line > 0 {
        assert!(told.starts_with(&format!("log.csv, line {line}: ")), "{told}");
    }
    for word in words {
        assert!(told.contains(word), "“{word}” is not in: {told}");
    }
}

pub const TERN: &str = "instrument = 'tern'\n[time]\ncolumn = 'time'\n";
pub const OSLO: &str = "instrument = 'tern'\n[time]\ncolumn = 'time'\nzone = 'Europe/Oslo'\n";
/// What a night in which clocks are put back comes to.
const NIGHT: [&str; 6] = [
    "2025-10-25T23:30:00Z tern soc 100",
    "2025-10-26T00:00:00Z tern soc 110",
    "2025-10-26T00:30:00Z tern soc 120",
    "2025-10-26T01:00:00Z tern soc 130",
    "2025-10-26T01:30:00Z tern soc 140",
    "2025-10-26T02:00:00Z tern soc 150",
];
pub const MORNING: [&str; 1] = ["2026-01-10T08:00:00Z tern current -4200 voltage 52900"];

#[test]
fn headings_units_and_delimiters_of_several_styles() {
    for text in [
        "time,current,voltage\n2026-01-10T08:00:00Z,-4.2,52.9\n",
        "\u{feff}time,current,voltage\r\n2026-01-10T08:00:00Z,-4.2,52.9\r\n",
        "time;Current (mA);Voltage [mV]\n2026-01-10T08:00:00Z;-4200;52900\n",
        "Time\tCURRENT / A\tvoltage_v\n2026-01-10 08:00:00+00:00\t-4,2\t\"52,9\"\n",
        "time|current_a|voltage_v|remark\n1768032000|-4.2|52.9|\"cold,\nand dark\"\n",
        "\"time\",\"current_ma\",\"voltage_mv\"\n\"1768032000000\",\"-4200\",\"52900\"\n\n",
    ] {
        taken(TERN, text, &MORNING);
    }
    let no_header = format!("header = ['time', 'current', 'voltage']\nskip_lines = 2\n{TERN}");
    taken(
        &no_header,
        "logger 7\n\n2026-01-10T08:00:00Z,-4.2,52.9\n",
        &MORNING,
    );
    let apart = "instrument = 'tern'\ncharging = 'negative'\n[time]\ncolumn = 'day'\nand = 'clock'\nformat = '%d.%m.%Y %H:%M'\nzone = '+01:00'\n[columns]\nI = { channel = 'current', scale = 0.1 }\nU = 'voltage'\n";
    taken(apart, "day;clock;I;U\n10.01.2026;09:00;42;52,9\n", &MORNING);
}

#[test]
fn the_examples_of_rfc_4180_are_read_as_it_says() {
    let cases: Value = serde_json::from_str(include_str!("../published/rfc4180.json")).unwrap();
    for case in cases.as_array().unwrap() {
        // A column of times in front makes a log of them; the fields themselves are looked at as names of a long file.
        let text = case["text"].as_str().unwrap();
        let records = case["records"].as_array().unwrap();
        let first = records[0].as_array().unwrap()[0].as_str().unwrap();
        let map = format!(
            "header = ['a', 'b', 'c']\n[time]\ncolumn = 'b'\n[long]\nname = 'a'\nvalue = 'c'\nnames = {{ {first} = {{ channel = 'soc', instrument = 'tern' }} }}\n"
        );
        let told = comes_to(&map, "log.csv", text.as_bytes()).unwrap_err();
        let time = records[0].as_array().unwrap()[1].as_str().unwrap();
        let expected = if time.contains('\n') {
            "several lines"
        } else {
            time
        };
        assert!(
            told.contains(expected),
            "the second field of the first record is {time:?}: {told}"
        );
    }
}

#[test]
fn a_clock_that_is_put_back_is_followed_by_the_order_of_rows() {
    let text = "time,soc\n2025-10-26 01:30,10\n2025-10-26 02:00,11\n2025-10-26 02:30,12\n2025-10-26 02:00,13\n2025-10-26 02:30,14\n2025-10-26 03:00,15\n";
    taken(OSLO, text, &NIGHT);
    let once = "time,soc\n2025-10-26 01:30,10\n2025-10-26 02:30,12\n2025-10-26 03:00,15\n";
    refused(OSLO, once, 3, &["02:30", "only one pass", "fold = "]);
    // The newest first, from after that night; from within it nothing would show that they are.
    let newest_first = |text: &str| {
        let mut lines: Vec<_> = text.lines().skip(1).collect();
        lines.reverse();
        format!("time,soc\n{}\n", lines.join("\n"))
    };
    taken(OSLO, &newest_first(text), &NIGHT);
    let within = text.replace("2025-10-26 03:00,15\n", "");
    refused(
        OSLO,
        newest_first(&within),
        2,
        &["02:30", "begin there, newest first", "sort"],
    );
    refused(
        OSLO,
        newest_first(once),
        3,
        &["02:30", "only one pass", "fold = "],
    );
    taken(
        &format!("{OSLO}fold = 'later'\n"),
        "time,soc\n2025-10-26 02:30,12\n",
        &["2025-10-26T01:30:00Z tern soc 120"],
    );
}

#[test]
fn lines_are_counted_however_they_end() {
    for end in ["\n", "\r\n"] {
        let lines = [
            "time,soc",
            "2026-01-10T08:00:00Z,1",
            "2026-01-10T08:01:00Z,2",
            "soon,3",
            "",
        ];
        refused(TERN, lines.join(end), 4, &["“soon”"]);
        let headless = format!("header = ['time', 'soc']\n{TERN}");
        refused(&headless, lines[3..].join(end), 1, &["“soon”"]);
    }
}

#[test]
fn times_that_never_were_or_have_no_zone_are_refused() {
    refused(
        OSLO,
        "time,soc\n2026-03-29 01:59,1\n2026-03-29 02:30,2\n",
        3,
        &["never was in Europe/Oslo", "zone = "],
    );
    refused(
        TERN,
        "time,soc\n2026-01-10 08:00,1\n",
        2,
        &["which zone", "zone = "],
    );
    refused(
        TERN,
        "time,soc\n10/01/2026,1\n",
        2,
        &["“10/01/2026”", "format = "],
    );
    refused(TERN, "time,soc\n,1\n", 2, &["no time"]);
    refused(
        "instrument = 'tern'\ntime = { column = 'time', zone = 'Oslo' }\n",
        "time,soc\n2026-01-10 08:00,1\n",
        0,
        &["“Oslo” is no time zone"],
    );
}

#[test]
fn rows_of_two_zones_are_told_apart() {
    let map = "instrument = 'tern'\ntime = { column = 'time', zone_column = 'zone' }\n";
    taken(
        map,
        "time,zone,soc\n2026-01-10 09:00,Europe/Oslo,50\n2026-01-10 10:30,Europe/Helsinki,51\n",
        &[
            "2026-01-10T08:00:00Z tern soc 500",
            "2026-01-10T08:30:00Z tern soc 510",
        ],
    );
}

#[test]
fn files_that_are_not_whole_are_refused() {
    let cut = "the file ends here, in the middle of a line";
    refused(
        TERN,
        "time,soc,current\n2026-01-10T08:00:00Z,1,2\n2026-01-10T08:01:00Z,1",
        3,
        &[cut],
    );
    refused(
        TERN,
        "time,soc\n2026-01-10T08:00:00Z,1,5\n2026-01-10T08:01:00Z,1\n",
        2,
        &["3 fields where the header has 2", "decimal comma"],
    );
    refused(
        TERN,
        "time,soc\n2026-01-10T08:00:00Z,\"1\n2026-01-10T08:01:00Z,2\n",
        2,
        &["several lines", "close"],
    );
    refused(
        TERN,
        "time,soc,note\n2026-01-10T08:00:00Z,1,\"a\n2026-01-10T08:01:00Z,2,b\n",
        2,
        &["never closed"],
    );
    refused(
        "instrument = 'tern'\ntime = { column = 'at' }\n",
        "{\"at\":1768032000,\"soc\":1}\n{\"at\":17680",
        2,
        &["no JSON", cut],
    );
    let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    packed
        .write_all(&[b"time,soc\n".to_vec(), b"2026-01-10T08:00:00Z,1\n".repeat(2000)].concat())
        .unwrap();
    let packed = packed.finish().unwrap();
    refused(
        TERN,
        &packed[..packed.len() / 2],
        0,
        &["can't be read; is it whole?"],
    );
    refused(TERN, "", 1, &["no header"]);
}

#[test]
fn what_never_ends_is_refused_before_it_fills_the_memory() {
    let row = "2026-01-10T08:01:00Z,2,b\n";
    let open_quote = format!(
        "time,soc,note\n2026-01-10T08:00:00Z,1,\"a\n{}",
        row.repeat(80_000)
    );
    refused(TERN, open_quote, 2, &["more than a megabyte", "close the quote"]);
    let at = "instrument = 'tern'\ntime = { column = 'at' }\n";
    let no_line_ends = format!("{{\"at\":1768032000,\"soc\":1}}\n{}", "{},".repeat(400_000));
    refused(
        at,
        no_line_ends,
        2,
        &["longer than a megabyte", "one object a line"],
    );
    let pack = format!("[{}", "{\"n\":\"tern:soc\"},".repeat(1_000_000));
    let senml = "instrument = 'tern'\ntime = { column = 'time' }\ncolumns = { value = 'soc' }\n";
    refused(senml, pack, 1, &["larger than 16 MiB", "split"]);
    // A header that is further down than there are lines.
    refused(
        &format!("skip_lines = {}\n{TERN}", i64::MAX),
        "time,soc\n",
        0,
        &["no header"],
    );
}

#[test]
fn what_a_refusal_quotes_is_short_and_can_be_seen() {
    let text = format!("time,soc\n\u{1b}[2J{},1\n", "9".repeat(100_000));
    let told = comes_to(TERN, "log.csv", text.as_bytes()).unwrap_err();
    assert!(
        told.len() < 1000 && told.contains("␛[2J999") && told.contains("can't be read as a time"),
        "{told}"
    );
}

#[test]
fn packed_files_are_unpacked() {
    let text = b"time,current,voltage\n2026-01-10T08:00:00Z,-4.2,52.9\n";
    let mut gz = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    gz.write_all(text).unwrap();
    let head = b"time,current,voltage\n";
    let level = || ruzstd::encoding::CompressionLevel::Fastest;
    // Two frames, as tools for long files write them.
    let mut zst = ruzstd::encoding::compress_to_vec(&head[..], level());
    zst.extend(ruzstd::encoding::compress_to_vec(&text[head.len()..], level()));
    for bytes in [gz.finish().unwrap(), zst] {
        assert_eq!(comes_to(TERN, "log", &bytes).unwrap(), MORNING);
    }
}

#[test]
fn headers_that_mean_two_things_or_none_are_refused() {
    refused(
        TERN,
        "time,soc,soc\n2026-01-10T08:00:00Z,1,2\n",
        1,
        &["2 columns are called “soc”"],
    );
    refused(
        TERN,
        "time,current_a,current_ma\n2026-01-10T08:00:00Z,1,2\n",
        1,
        &["are both the current"],
    );
    refused(
        TERN,
        "when,soc\n2026-01-10T08:00:00Z,1\n",
        1,
        &["no column “time”", "when, soc"],
    );
    refused(
        TERN,
        "time,humidity\n2026-01-10T08:00:00Z,1\n",
        1,
        &["no column is called like a channel", "[columns]"],
    );
    refused(
        "time = { column = 'time' }\n",
        "time,soc\n2026-01-10T08:00:00Z,1\n",
        1,
        &["which instrument"],
    );
    refused(
        "instrument = 'turn'\ntime = { column = 'time' }\n",
        "time,soc\n2026-01-10T08:00:00Z,1\n",
        0,
        &["“turn”", "tern"],
    );
    refused(
        TERN,
        b"time,temp\xe9rature\n2026-01-10T08:00:00Z,1\n",
        1,
        &["not UTF-8", "iconv"],
    );
    refused(TERN, b"\xff\xfet\0i\0m\0e\0", 1, &["UTF-16", "iconv"]);
    refused(
        "intrument = 'tern'\ntime = { column = 'time' }\n",
        "time,soc\n",
        0,
        &["map.toml is wrong"],
    );
}

#[test]
fn units_that_can_not_be_are_refused() {
    let column = |entry: &str| format!("{TERN}[columns]\n{entry}\n");
    let text = "time,Current (mA)\n2026-01-10T08:00:00Z,4200\n";
    refused(
        &column("'Current (mA)' = { channel = 'current', unit = 'A' }"),
        text,
        0,
        &["says mA, the map says A"],
    );
    refused(
        &column("'Current (mA)' = 'voltage'"),
        text,
        0,
        &["no unit of the channel voltage"],
    );
    // Millivolts taken for volts show in every row.
    let rows = (0..9)
        .map(|minute| format!("2026-01-10T08:0{minute}:00Z,52900\n"))
        .collect::<Vec<_>>()
        .concat();
    refused(
        TERN,
        format!("time,voltage\n{rows}"),
        2,
        &["outside what the instrument can do", "9 of 9", "unit"],
    );
}

#[test]
fn thousands_and_fractions_are_not_guessed() {
    refused(
        TERN,
        "time;charge\n2026-01-10T08:00:00Z;1,234\n",
        2,
        &["“1,234”", "decimal = "],
    );
    let told = |sign: &str| format!("decimal = '{sign}'\n{TERN}");
    taken(
        &told(","),
        "time;charge\n2026-01-10T08:00:00Z;1,234\n",
        &["2026-01-10T08:00:00Z tern charge 1234"],
    );
}

#[test]
fn a_current_that_runs_against_the_reference_is_refused() {
    let mut text = "time,name,current\n".to_owned();
    for hour in 0..24 {
        let amps = f64::from(hour - 12) * 2.0;
        writeln!(
            text,
            "2026-01-10T{hour:02}:00:00Z,shunt,{amps}\n2026-01-10T{hour:02}:00:00Z,tern,{}",
            -amps / 2.0
        )
        .unwrap();
    }
    let map = "time = { column = 'time' }\ninstrument = { column = 'name' }\n";
    refused(
        map,
        &text,
        0,
        &[
            "2026-01-10",
            "“tern” runs against the reference",
            "charging = \"negative\"",
        ],
    );
}

#[test]
fn one_value_a_row_with_its_name() {
    let map = "[time]\ncolumn = 'at'\n[long]\nname = 'name'\nvalue = 'value'\n[long.names]\n'bms_1/current' = { channel = 'current', instrument = 'tern', unit = 'mA' }\n'bms_1/soc' = { channel = 'soc', instrument = 'tern' }\n'bms_1/switch' = { channel = 'connected', instrument = 'tern' }\n";
    let text = "name,value,at\nbms_1/current,-4200,2026-01-10T08:00:00Z\nbms_1/soc,61.5,2026-01-10T08:00:00Z\nkitchen/warmth,21,2026-01-10T08:00:00Z\nbms_1/switch,on,2026-01-10T08:01:00Z\nbms_1/soc,unavailable,2026-01-10T08:02:00Z\n";
    taken(
        map,
        text,
        &[
            "2026-01-10T08:00:00Z tern current -4200 soc 615",
            "2026-01-10T08:01:00Z tern connected 1",
        ],
    );
}

#[test]
fn a_state_holds_until_the_next_change_and_no_longer_than_stated() {
    let map = format!("state_changes = {{ longest_hold = '25m' }}\n{TERN}");
    let text = "time,current\n2026-01-10T08:00:00Z,-4\n2026-01-10T08:15:00Z,2\n2026-01-10T09:00:00Z,3\n2026-01-10T09:01:00Z,unknown\n2026-01-10T10:00:00Z,0\n";
    taken(
        &map,
        text,
        &[
            "2026-01-10T08:00:00Z tern current -4000",
            // Not longer apart than the setup bridges (10 min), and once more before it changes.
            "2026-01-10T08:10:00Z tern current -4000",
            "2026-01-10T08:14:59.999Z tern current -4000",
            "2026-01-10T08:15:00Z tern current 2000",
            "2026-01-10T08:25:00Z tern current 2000",
            "2026-01-10T08:35:00Z tern current 2000",
            "2026-01-10T08:40:00Z tern current 2000",
            "2026-01-10T09:00:00Z tern current 3000",
            "2026-01-10T09:00:59.999Z tern current 3000",
            "2026-01-10T10:00:00Z tern current 0",
        ],
    );
    refused(
        &map,
        "time,current\n2026-01-10T08:00:00Z,1\n2026-01-10T07:00:00Z,2\n",
        3,
        &["comes before", "sort"],
    );
}

#[test]
fn json_lines_are_read_by_name_or_pointer() {
    let map = "time = { column = 'at' }\ninstrument = { column = 'from', names = { 'BMS 1' = 'tern' } }\n[columns]\n'/data/amps' = 'current'\nvolts = 'voltage'\n";
    let text = "{\"at\":1768032000.0,\"from\":\"BMS 1\",\"data\":{\"amps\":-4.2},\"volts\":\"52.9\"}\n\n{\"from\":\"fulmar\",\"at\":\"2026-01-10T08:01:00Z\",\"volts\":null,\"data\":{\"amps\":1}}\n";
    taken(
        map,
        text,
        &[MORNING[0], "2026-01-10T08:01:00Z fulmar current 1000"],
    );
}

#[test]
fn senml_from_a_file_needs_no_map_where_names_end_in_instrument_and_channel() {
    let place = Place::new();
    let text = r#"[{"bn":"urn:dev:skerry:tern/","bt":1768032000,"n":"current","u":"A","v":-4.2},{"n":"voltage","u":"mV","v":52900}]
        [{"bn":"fulmar.","bt":1768032060,"n":"connected","vb":true},{"n":"soc","u":"/","v":0.5},{"n":"door","v":1}]"#;
    let look = place
        .import(None, &place.file("log.senml", text.as_bytes()))
        .unwrap();
    assert_eq!(
        place.readings(),
        [MORNING[0], "2026-01-10T08:01:00Z fulmar soc 500 connected 1"]
    );
    assert!(look.remarks[0].contains("door"), "{:?}", look.remarks);
    let cbor = |pack: Value| {
        let mut bytes = Vec::new();
        ciborium::into_writer(&pack, &mut bytes).unwrap();
        bytes
    };
    let one = |at: i64| serde_json::json!([{"bn": "tern:", "bt": at, "n": "soc", "u": "%", "v": 50}]);
    let both = [cbor(one(1_768_032_000)), cbor(one(1_768_032_060))].concat();
    let place = Place::new();
    place.import(None, &place.file("log", &both)).unwrap();
    assert_eq!(place.readings().len(), 2);
    let refused = |text: &str, words: &str| {
        let place = Place::new();
        let told = place
            .look(None, &place.file("log", text.as_bytes()))
            .err()
            .unwrap()
            .to_string();
        assert!(told.contains(words), "{told}");
    };
    refused(
        r#"[{"n":"tern/soc","u":"%","v":1,"t":-5}]"#,
        "counts from when it was sent",
    );
    refused(
        r#"[{"bt":1768032000,"n":"tern/soc","u":"V","v":1}]"#,
        "\"V\" is no unit of it",
    );
    refused(
        r#"[{"bt":1768032000,"n":"tern/soc","u":"%","v":1},{"n""#,
        "no JSON",
    );
}

#[test]
fn several_instruments_may_share_a_row_and_one_wrong_value_refuses_only_its_own() {
    let map = "time = { column = 'time' }\n[columns]\nI1 = { channel = 'current', instrument = 'tern' }\nU1 = { channel = 'voltage', instrument = 'tern' }\nI2 = { channel = 'current', instrument = 'fulmar' }\n";
    let text = "time,I1,U1,I2\n2026-01-10T08:00:00Z,1,52,2\n2026-01-10T08:01:00Z,1,52,3\n2026-01-10T08:02:00Z,1,9999,4\n";
    let place = Place::new();
    let map = place.map(map).unwrap();
    let look = place
        .import(Some(&map), &place.file("log.csv", text.as_bytes()))
        .unwrap();
    assert_eq!(look.refused.len(), 1);
    assert_eq!((look.refused[0].0, look.refused[0].1), (Reason::OutOfRange, 1));
    assert_eq!(place.readings().len(), 5);
    let kept = store::quarantine::latest(&place.store(), 9, 100).unwrap();
    assert_eq!(kept.len(), 1);
    assert_eq!(
        (kept[0].topic.as_str(), kept[0].reason.as_str()),
        ("import:log.csv", "out_of_range")
    );
    assert_eq!(kept[0].body, b"2026-01-10T08:02:00Z,1,9999,4");
}

#[test]
fn importing_again_changes_nothing_and_other_values_void_each_other() {
    let place = Place::new();
    let map = place.map(TERN).unwrap();
    let path = place.file(
        "log.csv",
        b"time,soc\n2026-01-10T08:00:00Z,50\n2026-01-10T08:01:00Z,51\n",
    );
    place.import(Some(&map), &path).unwrap();
    let first = digest::of_readings(&place.store()).unwrap();
    place.import(Some(&map), &path).unwrap();
    assert_eq!(digest::of_readings(&place.store()).unwrap(), first);
    let other = place.file("other.csv", b"time,soc\n2026-01-10T08:00:00Z,52\n");
    place.import(Some(&map), &other).unwrap();
    assert_eq!(place.readings()[0], "2026-01-10T08:00:00Z tern  void");
    let kept = store::quarantine::latest(&place.store(), 9, 0).unwrap();
    let told: Vec<_> = kept.iter().map(|kept| kept.detail.as_str()).collect();
    assert_eq!(
        told,
        ["tern has more than one soc at 2026-01-10T08:00:00Z; 50 is one of them and none is believed"]
    );
}

#[test]
fn an_import_that_was_cut_short_goes_on_where_it_was() {
    let place = Place::new();
    let map = place.map(TERN).unwrap();
    let mut text = "time,soc\n".to_owned();
    for second in 0..90_000 {
        writeln!(text, "{},{}", 1_768_032_000 + second, second % 1000 / 10).unwrap();
    }
    let path = place.file("log.csv", text.as_bytes());
    let look = place.look(Some(&map), &path).unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap();
    let connection = store::read_write(&place.setup.store.path).unwrap();
    let (writer, thread) = Writer::start(connection, daemon::writer_options(&place.setup)).unwrap();
    let with = (&writer, runtime.handle());
    let cut = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        import::write(&path, Some(&map), &place.setup, &look, with, |_, rows| {
            assert!(rows < 70_000, "as a power cut would");
        })
    }));
    assert!(cut.is_err());
    let before = import::write(&path, Some(&map), &place.setup, &look, with, |_, _| {}).unwrap();
    assert!((20_000..70_000).contains(&before), "{before}");
    drop(writer);
    thread.join();
    assert_eq!(digest::of_readings(&place.store()).unwrap().readings, 90_000);
    assert!(!place.folder.path().join("packdrift.sqlite.import").exists());
}

#[test]
fn the_look_tells_what_was_understood() {
    let place = Place::new();
    let map = place.map(TERN).unwrap();
    let path = place.file(
        "log.csv",
        b"time,soc\n2026-01-10T08:00:00Z,50\n2026-01-10T08:01:00Z,51.5",
    );
    let look = place.look(Some(&map), &path).unwrap();
    assert_eq!(look.readings, 2);
    assert_eq!(look.first[0].0, 2, "the line");
    assert_eq!(look.first[0].1.channels.get(Channel::Soc), Some(500));
    assert_eq!(
        look.channels
            .iter()
            .map(|(_, seen)| (seen.taken, seen.lowest, seen.highest))
            .collect::<Vec<_>>(),
        [(2, 500, 515)]
    );
    assert_eq!(look.remarks, ["the last line, 3, has no end: is it whole?"]);
}
