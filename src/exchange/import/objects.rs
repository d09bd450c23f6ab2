//! Rows of JSON: an object a line.

use std::io::{BufRead, Read};

use serde_json::Value;

use super::{
    file::{Contents, LONGEST_ROW},
    rows::{Cell, not_utf8},
    trouble::Trouble,
};

/// An object a line.
pub(super) struct Objects {
    contents: Contents,
    pub(super) header: Vec<String>,
    pub(super) text: String,
    value: Value,
    pub(super) line: u64,
    /// The first object was read for its field names, and not yet given.
    first: bool,
}

impl Objects {
    pub(super) fn open(contents: Contents) -> Result<Self, Trouble> {
        let mut objects = Self {
            contents,
            header: Vec::new(),
            text: String::new(),
            value: Value::Null,
            line: 0,
            first: false,
        };
        objects.first = objects.read()?;
        if let Value::Object(fields) = &objects.value {
            objects.header = fields.keys().cloned().collect();
        }
        Ok(objects)
    }

    pub(super) fn next(&mut self) -> Result<bool, Trouble> {
        if std::mem::take(&mut self.first) {
            return Ok(true);
        }
        self.read()
    }

    fn read(&mut self) -> Result<bool, Trouble> {
        loop {
            let mut bytes = std::mem::take(&mut self.text).into_bytes();
            let last_ended = bytes.is_empty() || bytes.ends_with(b"\n");
            bytes.clear();
            let mut line = (&mut self.contents).take(LONGEST_ROW as u64 + 1);
            if line.read_until(b'\n', &mut bytes)? == 0 {
                // What the last line ended with is asked for afterwards.
                self.text = if last_ended { String::new() } else { "…".into() };
                return Ok(false);
            }
            self.line += 1;
            if bytes.len() > LONGEST_ROW {
                return Err(Trouble::at(
                    self.line,
                    "this line is longer than a megabyte",
                    "write one object a line",
                ));
            }
            self.text = String::from_utf8(bytes).map_err(|_| not_utf8(self.line))?;
            if self.text.trim().is_empty() {
                continue;
            }
            self.value = serde_json::from_str(&self.text).map_err(|error| {
                let mend = if self.text.ends_with('\n') {
                    "mend or delete the line"
                } else {
                    "the file ends here, in the middle of a line: get it anew, or delete this line"
                };
                Trouble::at(self.line, format!("this is no JSON: {error}"), mend)
            })?;
            if self.value.is_object() {
                return Ok(true);
            }
            return Err(Trouble::at(
                self.line,
                "this is no JSON object",
                "write one object a line",
            ));
        }
    }

    pub(super) fn cell(&self, column: usize) -> Cell<'_> {
        let name = &self.header[column];
        let found = match self.value.get(name) {
            None if name.starts_with('/') => self.value.pointer(name),
            found => found,
        };
        found.map_or(Cell::Nothing, Cell::of)
    }
}
