//! Twenty files as people's loggers leave them: each comes to the right values, or is refused with line and mend and
//! nothing of it is written. A twenty-first, of a gigabyte, is `examples/large_import.rs`.

use crate::import::{MORNING, OSLO, TERN, comes_to};

/// What a file comes to.
enum Expected {
    Readings(&'static [&'static str]),
    /// Which line is named, and words of the refusal.
    Refused(u64, [&'static str; 2]),
}

use Expected::{Readings, Refused};

const OTHERS: &str = "[time]\ncolumn = 'time'\n[columns]\nI = { channel = 'current', instrument = 'tern' }\n";
const ZONES: &str = "instrument = 'tern'\ntime = { column = 'time', zone_column = 'zone' }\n";

const FILES: [(&str, &str, &[u8], Expected); 20] = [
    (
        "a byte order mark, CR LF, semicolons, decimal commas",
        TERN,
        "\u{feff}time;current;voltage\r\n2026-01-10T08:00:00Z;-4,2;52,9\r\n".as_bytes(),
        Readings(&MORNING),
    ),
    (
        "decimal commas beside commas, in quotes",
        TERN,
        b"time,current,voltage\n2026-01-10T08:00:00Z,\"-4,2\",\"52,9\"\n",
        Readings(&MORNING),
    ),
    (
        "decimal commas beside commas, without quotes",
        TERN,
        b"time,current,voltage\n2026-01-10T08:00:00Z,-4,2,52,9\n",
        Refused(2, ["5 fields where the header has 3", "decimal comma"]),
    ),
    (
        "an hour that clocks skipped",
        OSLO,
        b"time,soc\n2026-03-29 01:59,50\n2026-03-29 02:30,50\n",
        Refused(3, ["never was in Europe/Oslo", "zone = "]),
    ),
    (
        "an hour that clocks showed twice",
        OSLO,
        b"time,soc\n2025-10-26 02:30,50\n2025-10-26 02:00,51\n",
        Readings(&[
            "2025-10-26T00:30:00Z tern soc 500",
            "2025-10-26T01:00:00Z tern soc 510",
        ]),
    ),
    (
        "the same, where rows show one pass only",
        OSLO,
        b"time,soc\n2025-10-26 01:30,50\n2025-10-26 02:30,50\n2025-10-26 03:00,50\n",
        Refused(3, ["only one pass", "fold = "]),
    ),
    (
        "two columns of one name",
        TERN,
        b"time,soc,soc\n2026-01-10T08:00:00Z,50,51\n",
        Refused(1, ["2 columns are called “soc”", "rename"]),
    ),
    (
        "line ends within quotes",
        TERN,
        b"time,current,voltage,remark\n2026-01-10T08:00:00Z,-4.2,52.9,\"cold,\r\n\"\"dark\"\"\"\n",
        Readings(&MORNING),
    ),
    (
        "a quote that is never closed",
        TERN,
        b"time,soc,remark\n2026-01-10T08:00:00Z,50,\"a\n2026-01-10T08:01:00Z,51,b\n",
        Refused(2, ["never closed", "close it"]),
    ),
    (
        "a last line that is cut",
        TERN,
        b"time,current,voltage\r\n2026-01-10T08:00:00Z,-4.2,52.9\r\n2026-01-10T08:01:00Z,-4",
        Refused(3, ["the file ends here", "delete this line"]),
    ),
    (
        "signs of several kinds",
        TERN,
        b"time,current\n2026-01-10T08:00:00Z,+4.2\n2026-01-10T08:01:00Z,-0.0\n2026-01-10T08:02:00Z,-4.2\n",
        Readings(&[
            "2026-01-10T08:00:00Z tern current 4200",
            "2026-01-10T08:01:00Z tern current 0",
            "2026-01-10T08:02:00Z tern current -4200",
        ]),
    ),
    (
        "millivolts under volts",
        TERN,
        b"time,voltage\n2026-01-10T08:00:00Z,52900\n2026-01-10T08:01:00Z,52910\n",
        Refused(2, ["outside what the instrument can do", "unit"]),
    ),
    (
        "a unit that the channel has not",
        TERN,
        b"time,current_v\n2026-01-10T08:00:00Z,4\n",
        Refused(0, ["no unit of the channel current", "mend"]),
    ),
    (
        "rows of two zones",
        ZONES,
        b"time,zone,soc\n2026-01-10 09:00,Europe/Oslo,50\n2026-01-10 10:30,Europe/Helsinki,51\n",
        Readings(&[
            "2026-01-10T08:00:00Z tern soc 500",
            "2026-01-10T08:30:00Z tern soc 510",
        ]),
    ),
    (
        "local times of nobody knows where",
        TERN,
        b"time,soc\n2026-01-10 08:00,50\n",
        Refused(2, ["which zone", "zone = "]),
    ),
    (
        "days and months in an order that isn't said",
        TERN,
        b"time,soc\n03/04/2026 08:00,50\n",
        Refused(2, ["can't be read as a time", "format = "]),
    ),
    (
        "blank lines, rows out of order and twice",
        TERN,
        b"time,soc\r\n\r\n2026-01-10T08:01:00Z,51\r\n\r\n2026-01-10T08:00:00Z,50\r\n2026-01-10T08:01:00Z,51\r\n",
        Readings(&[
            "2026-01-10T08:00:00Z tern soc 500",
            "2026-01-10T08:01:00Z tern soc 510",
        ]),
    ),
    (
        "Latin-1",
        TERN,
        b"time,temp\xe9rature\n2026-01-10T08:00:00Z,4\n",
        Refused(1, ["not UTF-8", "iconv"]),
    ),
    (
        "UTF-16",
        TERN,
        b"\xff\xfet\0i\0m\0e\0",
        Refused(1, ["UTF-16", "iconv"]),
    ),
    (
        "nothing, and words for nothing",
        OTHERS,
        b"time,I\n2026-01-10T08:00:00Z,unavailable\n2026-01-10T08:01:00Z,\n2026-01-10T08:02:00Z,NaN\n2026-01-10T08:03:00Z,1\n",
        Readings(&["2026-01-10T08:03:00Z tern current 1000"]),
    ),
];

#[test]
fn awkward_files_come_to_the_right_values_or_are_refused_whole() {
    for (what, map, bytes, expected) in FILES {
        match (comes_to(map, "log.csv", bytes), expected) {
            (Ok(readings), Readings(expected)) => assert_eq!(readings, expected, "{what}"),
            (Err(told), Refused(line, words)) => {
                let place = format!("log.csv, line {line}: ");
                assert!(line == 0 || told.starts_with(&place), "{what}: {told}");
                assert!(words.iter().all(|word| told.contains(word)), "{what}: {told}");
            }
            (came_to, _) => panic!("{what}: {came_to:?}"),
        }
    }
}
