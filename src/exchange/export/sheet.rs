//! Writes rows of fields, in whichever format was asked for.

use std::io::Write;

use serde_json::{Map, Value};

use super::{Column, ExportError, Field, Format};

/// Rows on their way out.
pub(super) enum Sheet<W: Write + Send> {
    Csv(Box<csv::Writer<W>>),
    JsonLines(Vec<Column>, W),
    #[cfg(feature = "parquet")]
    Parquet(Box<super::parquet::Parquet<W>>),
}

impl<W: Write + Send> Sheet<W> {
    /// Begins with the headings; a Parquet file says of which setup file it is by that one's digest.
    pub(super) fn begin(
        format: Format,
        columns: Vec<Column>,
        setup_digest: &str,
        into: W,
    ) -> Result<Self, ExportError> {
        #[cfg(not(feature = "parquet"))]
        let _ = setup_digest;
        Ok(match format {
            Format::Csv => {
                // A line ends in CR LF, as RFC 4180 has it.
                let mut csv = csv::WriterBuilder::new()
                    .terminator(csv::Terminator::CRLF)
                    .from_writer(into);
                csv.write_record(columns.iter().map(|column| column.name))?;
                Self::Csv(Box::new(csv))
            }
            Format::JsonLines => Self::JsonLines(columns, into),
            #[cfg(feature = "parquet")]
            Format::Parquet => Self::Parquet(Box::new(super::parquet::Parquet::begin(
                columns,
                setup_digest,
                into,
            )?)),
        })
    }

    /// Writes a row: a field a column.
    #[cfg_attr(
        not(feature = "parquet"),
        expect(clippy::needless_pass_by_value, reason = "Parquet keeps the row")
    )]
    pub(super) fn row(&mut self, row: Vec<Field>) -> Result<(), ExportError> {
        match self {
            Self::Csv(csv) => csv.write_record(row.iter().map(Field::text))?,
            Self::JsonLines(columns, into) => {
                let there = columns
                    .iter()
                    .zip(&row)
                    .filter(|(_, field)| **field != Field::Nothing);
                let line: Map<_, _> = there
                    .map(|(column, field)| (column.name.to_owned(), field.json()))
                    .collect();
                writeln!(into, "{}", Value::Object(line))?;
            }
            #[cfg(feature = "parquet")]
            Self::Parquet(parquet) => parquet.row(row)?,
        }
        Ok(())
    }

    /// Writes what is still to be written.
    pub(super) fn end(self) -> Result<(), ExportError> {
        match self {
            Self::Csv(mut csv) => csv.flush()?,
            Self::JsonLines(_, mut into) => into.flush()?,
            #[cfg(feature = "parquet")]
            Self::Parquet(parquet) => parquet.end()?,
        }
        Ok(())
    }
}
