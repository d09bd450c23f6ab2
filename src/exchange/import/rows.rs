//! Rows of a file with their line numbers: RFC 4180 and its relatives, or a JSON object a line.
//!
//! What columns mean is `columns`'; how rows are told apart is `fields`' and `objects`'.

use serde_json::Value;

use super::{
    fields::Fields,
    file::Contents,
    map::{Format, Map},
    objects::Objects,
    trouble::Trouble,
};

/// What stands in a column of a row.
#[derive(Debug, Clone, Copy)]
pub(super) enum Cell<'a> {
    Text(&'a str),
    Json(&'a Value),
    Nothing,
}

/// The rows of a file, one after the other.
pub(super) enum Rows {
    Csv(Box<Fields>),
    JsonLines(Objects),
}

impl Rows {
    /// Finds out how the file is written, and reads its header.
    pub(super) fn open(mut contents: Contents, map: &Map) -> Result<Self, Trouble> {
        let head = contents.fill_buf()?;
        if head.starts_with(&[0xff, 0xfe]) || head.starts_with(&[0xfe, 0xff]) {
            return Err(Trouble::at(
                1,
                "this is UTF-16",
                "convert it: iconv -f utf-16 -t utf-8 FILE > NEW",
            ));
        }
        let looks = if head.trim_ascii_start().starts_with(b"{") {
            Format::JsonLines
        } else {
            Format::Csv
        };
        match map.format.unwrap_or(looks) {
            Format::Csv => Fields::open(contents, map).map(|fields| Self::Csv(Box::new(fields))),
            Format::JsonLines => Objects::open(contents).map(Self::JsonLines),
        }
    }

    /// What the columns are called; for JSON those of the first object.
    pub(super) fn header(&self) -> &[String] {
        match self {
            Self::Csv(fields) => &fields.header,
            Self::JsonLines(objects) => &objects.header,
        }
    }

    /// The line of the header, for what is wrong with it.
    pub(super) fn header_line(&self) -> u64 {
        match self {
            Self::Csv(fields) => fields.header_line,
            Self::JsonLines(_) => 1,
        }
    }

    /// The place of a column by its name. An object may have fields that the first one has not.
    pub(super) fn column(&mut self, name: &str) -> Result<usize, Trouble> {
        let (line, header) = (self.header_line(), self.header());
        let same = |text: &str| text == name;
        let alike = |text: &str| text.trim().eq_ignore_ascii_case(name.trim());
        let exact: Vec<usize> = places(header, same);
        let found = if exact.is_empty() {
            places(header, alike)
        } else {
            exact
        };
        match (found.as_slice(), self) {
            ([place], _) => Ok(*place),
            ([], Self::JsonLines(objects)) => {
                objects.header.push(name.to_owned());
                Ok(objects.header.len() - 1)
            }
            ([], Self::Csv(fields)) => Err(Trouble::at(
                line,
                format!("there is no column “{name}”"),
                format!("the columns are: {}", fields.header.join(", ")),
            )),
            (several, _) => Err(Trouble::at(
                line,
                format!("{} columns are called “{name}”", several.len()),
                "rename all but one of them in the file's header",
            )),
        }
    }

    /// Goes on to the next row; false at the end.
    pub(super) fn next(&mut self) -> Result<bool, Trouble> {
        match self {
            Self::Csv(fields) => fields.next(),
            Self::JsonLines(objects) => objects.next(),
        }
    }

    /// The line that the row begins with, from 1.
    pub(super) fn line(&self) -> u64 {
        match self {
            Self::Csv(fields) => fields.line,
            Self::JsonLines(objects) => objects.line,
        }
    }

    /// What stands in a column of the row.
    pub(super) fn cell(&self, column: usize) -> Result<Cell<'_>, Trouble> {
        match self {
            Self::Csv(fields) => fields.cell(column),
            Self::JsonLines(objects) => Ok(objects.cell(column)),
        }
    }

    /// The row for quarantine.
    pub(super) fn raw(&self) -> Vec<u8> {
        match self {
            Self::Csv(fields) => {
                let parts: Vec<&[u8]> = fields.record.iter().collect();
                parts.join(&fields.delimiter)
            }
            Self::JsonLines(objects) => objects.text.trim_end().as_bytes().to_vec(),
        }
    }

    /// Whether the last line has no end, once all rows were read.
    pub(super) fn ends_in_a_line(&self) -> bool {
        match self {
            Self::Csv(fields) => fields.seen.last.get() != b'\n',
            Self::JsonLines(objects) => !objects.text.is_empty() && !objects.text.ends_with('\n'),
        }
    }
}

fn places(header: &[String], is: impl Fn(&str) -> bool) -> Vec<usize> {
    let named = header.iter().enumerate().filter(|(_, text)| is(text));
    named.map(|(place, _)| place).collect()
}

pub(super) fn not_utf8(line: u64) -> Trouble {
    Trouble::at(
        line,
        "this is not UTF-8",
        "convert the file: iconv -f latin1 -t utf-8 FILE > NEW",
    )
}
