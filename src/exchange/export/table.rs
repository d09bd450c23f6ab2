//! A small table and how it is written.

use std::io::Write;

use serde_json::{Map, Value};

use super::{ExportError, Format, csv_writer};

/// Rows of named fields; a field that has no value is null.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// What the columns are called.
    pub columns: Vec<String>,
    /// Row by row.
    pub rows: Vec<Vec<Value>>,
}

impl Table {
    /// A table of objects: of each, these fields.
    #[must_use]
    pub fn of<'a>(columns: &[&str], objects: impl IntoIterator<Item = &'a Value>) -> Self {
        let row = |object: &Value| columns.iter().map(|column| object[*column].clone()).collect();
        Self {
            columns: columns.iter().map(|column| (*column).to_owned()).collect(),
            rows: objects.into_iter().map(row).collect(),
        }
    }

    /// Writes it.
    ///
    /// # Errors
    /// Where the output can't be written.
    pub fn write(&self, format: Format, into: &mut dyn Write) -> Result<(), ExportError> {
        match format {
            Format::Csv => {
                let mut csv = csv_writer(into);
                csv.write_record(&self.columns)?;
                for row in &self.rows {
                    csv.write_record(row.iter().map(text))?;
                }
                csv.flush()?;
            }
            Format::JsonLines => {
                for row in &self.rows {
                    let fields = self.columns.iter().cloned().zip(row.iter().cloned());
                    writeln!(into, "{}", Value::Object(fields.collect::<Map<_, _>>()))?;
                }
            }
        }
        Ok(())
    }
}

fn text(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}
