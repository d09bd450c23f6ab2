//! A small table and how it is written.

use std::io::Write;

use serde_json::Value;

use super::{Column, ExportError, Field, Format, sheet::Sheet};

/// Rows of fields.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// What the columns are.
    pub columns: Vec<Column>,
    /// Row by row, a field a column.
    pub rows: Vec<Vec<Field>>,
}

impl Table {
    /// A table of objects: of each, what the columns are called.
    #[must_use]
    pub fn of<'a>(columns: Vec<Column>, objects: impl IntoIterator<Item = &'a Value>) -> Self {
        let row = |object: &Value| {
            let field = |column: &Column| Field::of(column.kind, &object[column.name]);
            columns.iter().map(field).collect()
        };
        let rows = objects.into_iter().map(row).collect();
        Self { columns, rows }
    }

    /// Writes it; gives how many rows there were.
    ///
    /// # Errors
    /// Where the output can't be written.
    pub fn write(
        self,
        format: Format,
        setup_digest: &str,
        into: &mut (dyn Write + Send),
    ) -> Result<u64, ExportError> {
        let mut sheet = Sheet::begin(format, self.columns, setup_digest, into)?;
        let rows = self.rows.len() as u64;
        for row in self.rows {
            sheet.row(row)?;
        }
        sheet.end()?;
        Ok(rows)
    }
}
