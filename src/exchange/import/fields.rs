//! Rows of fields: RFC 4180 and its relatives.
//!
//! A file that isn't whole is found out here: a row with too few fields, a quote that is never closed.

use std::{
    cell::Cell as Shared,
    io::{BufRead, Read},
    rc::Rc,
};

use csv::{ByteRecord, Reader, ReaderBuilder};

use super::{
    file::{Contents, LONGEST_ROW},
    map::Map,
    rows::{Cell, not_utf8},
    trouble::Trouble,
};

/// Delimiters that a header is searched for.
const DELIMITERS: [u8; 4] = [b',', b';', b'\t', b'|'];

/// Rows of fields.
pub(super) struct Fields {
    reader: Reader<Watched>,
    pub(super) seen: Rc<Seen>,
    pub(super) header: Vec<String>,
    pub(super) header_line: u64,
    /// Lines that the reader never saw.
    before: u64,
    /// Whether lines end in CR LF: the reader then goes on to the next line only with its first field.
    ends_in_crlf: bool,
    pub(super) delimiter: u8,
    pub(super) record: ByteRecord,
    pub(super) line: u64,
}

impl Fields {
    pub(super) fn open(mut contents: Contents, map: &Map) -> Result<Self, Trouble> {
        for _ in 0..map.skip_lines {
            if contents.skip_until(b'\n')? == 0 {
                break;
            }
        }
        let delimiter = match map.delimiter.as_deref() {
            None => likely(contents.fill_buf()?),
            Some("\\t" | "tab") => b'\t',
            Some(text) if text.len() == 1 => text.as_bytes()[0],
            Some(text) => {
                return Err(Trouble::whole(
                    format!("the map's delimiter “{text}” is not one character"),
                    "write it like delimiter = \";\" or \"tab\"",
                ));
            }
        };
        let head = contents.fill_buf()?;
        let first_line = head.split(|byte| *byte == b'\n').next().unwrap_or_default();
        let ends_in_crlf = first_line.ends_with(b"\r");
        let seen = Rc::new(Seen::default());
        let watched = Watched {
            inner: contents,
            seen: seen.clone(),
            since_row: 0,
        };
        let mut reader = ReaderBuilder::new()
            .delimiter(delimiter)
            .has_headers(false)
            .flexible(true)
            .buffer_capacity(1 << 17)
            .from_reader(watched);
        let header_line = map.skip_lines.saturating_add(1);
        let header = match &map.header {
            Some(header) => header.clone(),
            None => {
                let mut record = ByteRecord::new();
                if !reader.read_byte_record(&mut record).map_err(broken)? {
                    return Err(Trouble::at(
                        header_line,
                        "the file has no header",
                        "is it the right file?",
                    ));
                }
                let text = |field: &[u8]| std::str::from_utf8(field).map(|text| text.trim().to_owned());
                record
                    .iter()
                    .map(text)
                    .collect::<Result<_, _>>()
                    .map_err(|_| not_utf8(header_line))?
            }
        };
        Ok(Self {
            reader,
            seen,
            header,
            header_line,
            before: map.skip_lines,
            ends_in_crlf,
            delimiter,
            record: ByteRecord::new(),
            line: header_line,
        })
    }

    pub(super) fn next(&mut self) -> Result<bool, Trouble> {
        if !self.read()? {
            return if self.seen.quotes.get().is_multiple_of(2) {
                Ok(false)
            } else {
                Err(Trouble::at(
                    self.line,
                    "a quote is opened in this line or one before and never closed",
                    "close it, or double a “\"” that belongs to the text",
                ))
            };
        }
        let line = self
            .record
            .position()
            .map_or(0, |at| at.line() + u64::from(self.ends_in_crlf && at.byte() > 0));
        self.line = self.before.saturating_add(line);
        if self.record.len() == self.header.len() {
            return Ok(true);
        }
        let what = format!(
            "{} fields where the header has {}",
            self.record.len(),
            self.header.len()
        );
        let last = !self
            .reader
            .read_byte_record(&mut ByteRecord::new())
            .map_err(broken)?;
        let mend = if last && self.record.len() < self.header.len() {
            "the file ends here, in the middle of a line: get it anew, or delete this line"
        } else if self.delimiter == b',' {
            "a decimal comma must stand in quotes here, or the delimiter be another one; delete or mend the line"
        } else {
            "mend or delete the line; if fields are set apart otherwise, write `delimiter` into the map"
        };
        Err(Trouble::at(self.line, what, mend))
    }

    fn read(&mut self) -> Result<bool, Trouble> {
        self.reader.get_mut().since_row = 0;
        let read = self.reader.read_byte_record(&mut self.record);
        if self.reader.get_ref().since_row > LONGEST_ROW {
            return Err(Trouble::at(
                self.line + 1,
                "a row that begins here or a little below goes on for more than a megabyte",
                "close the quote in it that is open",
            ));
        }
        read.map_err(broken)
    }

    pub(super) fn cell(&self, column: usize) -> Result<Cell<'_>, Trouble> {
        let Some(field) = self.record.get(column) else {
            return Ok(Cell::Nothing);
        };
        let text = std::str::from_utf8(field)
            .map_err(|_| not_utf8(self.line))?
            .trim();
        if text.contains('\n') {
            return Err(Trouble::at(
                self.line,
                format!("the field “{}” goes on over several lines", self.header[column]),
                "a quote is opened there and not closed in the same line: close it",
            ));
        }
        Ok(if text.is_empty() {
            Cell::Nothing
        } else {
            Cell::Text(text)
        })
    }
}

/// The delimiter that stands most often in the first line, outside quotes.
fn likely(head: &[u8]) -> u8 {
    let mut counts = [0; DELIMITERS.len()];
    let mut quoted = false;
    for byte in head {
        match byte {
            b'"' => quoted = !quoted,
            b'\n' if !quoted => break,
            _ if quoted => {}
            byte => {
                if let Some(place) = DELIMITERS.iter().position(|delimiter| delimiter == byte) {
                    counts[place] += 1;
                }
            }
        }
    }
    let most = counts.iter().copied().max().unwrap_or(0);
    let place = counts.iter().position(|count| *count == most).unwrap_or(0);
    DELIMITERS[place]
}

fn broken(error: csv::Error) -> Trouble {
    match error.into_kind() {
        csv::ErrorKind::Io(error) => Trouble::Read(error),
        other => Trouble::whole(format!("it is no CSV: {other:?}"), "is it the right file?"),
    }
}

/// What went by on the way to the reader.
#[derive(Default)]
pub(super) struct Seen {
    quotes: Shared<u64>,
    pub(super) last: Shared<u8>,
}

struct Watched {
    inner: Contents,
    seen: Rc<Seen>,
    /// Bytes read since the row began, but for what was read ahead.
    since_row: usize,
}

impl Read for Watched {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        if self.since_row > LONGEST_ROW {
            return Err(std::io::ErrorKind::FileTooLarge.into());
        }
        let length = self.inner.read(into)?;
        self.since_row += length;
        let piece = &into[..length];
        let quotes = piece.iter().map(|byte| u64::from(*byte == b'"')).sum::<u64>();
        self.seen.quotes.set(self.seen.quotes.get() + quotes);
        if let Some(last) = piece.last() {
            self.seen.last.set(*last);
        }
        Ok(length)
    }
}
