//! Rows of a file with their line numbers: RFC 4180 and its relatives, a JSON object a line, SenML, or Parquet.
//!
//! What columns mean is `columns`'; how rows are told apart is `fields`' and `objects`'.

use std::{
    io::BufRead,
    path::Path,
    sync::{Arc, atomic::AtomicU64},
};

use serde_json::Value;

use super::{
    fields::Fields,
    file,
    map::{Format, Map},
    objects::Objects,
    packs::Packs,
    trouble::Trouble,
};
use crate::intake::senml;

/// What stands in a column of a row.
#[derive(Debug, Clone, Copy)]
pub(super) enum Cell<'a> {
    Text(&'a str),
    Json(&'a Value),
    Nothing,
}

impl<'a> Cell<'a> {
    /// What a JSON value says.
    pub(super) fn of(value: &'a Value) -> Self {
        match value {
            Value::Null => Self::Nothing,
            Value::String(text) if text.trim().is_empty() => Self::Nothing,
            Value::String(text) => Self::Text(text.trim()),
            value => Self::Json(value),
        }
    }
}

/// How a file is written, by how it begins.
pub(super) fn format(path: &Path) -> Result<Format, Trouble> {
    let mut contents = file::open(path, &Arc::default())?;
    let head = contents.fill_buf()?;
    if head.starts_with(&[0xff, 0xfe]) || head.starts_with(&[0xfe, 0xff]) {
        return Err(Trouble::at(
            1,
            "this is UTF-16",
            "convert it: iconv -f utf-16 -t utf-8 FILE > NEW",
        ));
    }
    let first = head.trim_ascii_start().first();
    Ok(match first {
        Some(b'{') => Format::JsonLines,
        Some(b'[') => Format::Senml,
        Some(&first) if senml::is_cbor(first) => Format::Senml,
        _ if head.starts_with(b"PAR1") => Format::Parquet,
        _ => Format::Csv,
    })
}

/// The rows of a file, one after the other.
pub(super) enum Rows {
    Csv(Box<Fields>),
    JsonLines(Objects),
    Senml(Box<Packs>),
    #[cfg(feature = "parquet")]
    Parquet(Box<super::parquet::Columns>),
}

impl Rows {
    /// Opens a file that is written so, and reads its header.
    pub(super) fn open(
        path: &Path,
        format: Format,
        map: &Map,
        passed: &Arc<AtomicU64>,
    ) -> Result<Self, Trouble> {
        let contents = || file::open(path, passed);
        match format {
            Format::Csv => Fields::open(contents()?, map).map(|fields| Self::Csv(Box::new(fields))),
            Format::JsonLines => Objects::open(contents()?).map(Self::JsonLines),
            Format::Senml => Packs::open(contents()?).map(|packs| Self::Senml(Box::new(packs))),
            Format::Parquet => Self::parquet(path, passed),
        }
    }

    #[cfg(feature = "parquet")]
    fn parquet(path: &Path, passed: &Arc<AtomicU64>) -> Result<Self, Trouble> {
        super::parquet::Columns::open(path, passed).map(|columns| Self::Parquet(Box::new(columns)))
    }

    #[cfg(not(feature = "parquet"))]
    fn parquet(_: &Path, _: &Arc<AtomicU64>) -> Result<Self, Trouble> {
        Err(Trouble::whole(
            "this is Parquet, which this packdrift was built without",
            "build it with: cargo install --path . --features parquet",
        ))
    }

    /// What the columns are called; for JSON those of the first object.
    pub(super) fn header(&self) -> &[String] {
        match self {
            Self::Csv(fields) => &fields.header,
            Self::JsonLines(objects) => &objects.header,
            Self::Senml(packs) => &packs.header,
            #[cfg(feature = "parquet")]
            Self::Parquet(columns) => &columns.header,
        }
    }

    /// The line of the header, for what is wrong with it.
    pub(super) fn header_line(&self) -> u64 {
        match self {
            Self::Csv(fields) => fields.header_line,
            Self::JsonLines(_) | Self::Senml(_) => 1,
            #[cfg(feature = "parquet")]
            Self::Parquet(_) => 0,
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
            ([], rows) => Err(Trouble::at(
                line,
                format!("there is no column “{name}”"),
                format!("the columns are: {}", rows.header().join(", ")),
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
            Self::Senml(packs) => packs.next(),
            #[cfg(feature = "parquet")]
            Self::Parquet(columns) => columns.next(),
        }
    }

    /// The line that the row begins with, from 1; a file without lines has rows or records.
    pub(super) fn line(&self) -> u64 {
        match self {
            Self::Csv(fields) => fields.line,
            Self::JsonLines(objects) => objects.line,
            Self::Senml(packs) => packs.record,
            #[cfg(feature = "parquet")]
            Self::Parquet(columns) => columns.row,
        }
    }

    /// What stands in a column of the row.
    pub(super) fn cell(&self, column: usize) -> Result<Cell<'_>, Trouble> {
        match self {
            Self::Csv(fields) => fields.cell(column),
            Self::JsonLines(objects) => Ok(objects.cell(column)),
            Self::Senml(packs) => Ok(packs.cell(column)),
            #[cfg(feature = "parquet")]
            Self::Parquet(columns) => Ok(columns.cell(column)),
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
            Self::Senml(packs) => packs.raw(),
            #[cfg(feature = "parquet")]
            Self::Parquet(columns) => columns.raw(),
        }
    }

    /// Whether the last line has no end, once all rows were read.
    pub(super) fn ends_in_a_line(&self) -> bool {
        match self {
            Self::Csv(fields) => fields.seen.last.get() != b'\n',
            Self::JsonLines(objects) => !objects.text.is_empty() && !objects.text.ends_with('\n'),
            Self::Senml(_) => false,
            #[cfg(feature = "parquet")]
            Self::Parquet(_) => false,
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
