//! Rows of an Apache Parquet file.
//!
//! Only flat columns are taken. A timestamp without a zone is a local time, as in any other log.

use std::{
    fs::File,
    io,
    panic::{AssertUnwindSafe, catch_unwind},
    path::Path,
    sync::{
        Arc,
        atomic::{AtomicU64, Ordering},
    },
};

use chrono::DateTime;
use parquet::{
    basic::{LogicalType, TimeUnit},
    errors::ParquetError,
    file::{reader::FileReader, serialized_reader::SerializedFileReader},
    record::{Field, reader::RowIter},
    schema::types::Type,
};
use serde_json::Value;

use super::{rows::Cell, trouble::Trouble};
use crate::page::words::rfc3339;

/// Rows between two looks at how far it is.
const TELL_EVERY: u64 = 1024;

/// A Parquet file's rows.
pub(super) struct Columns {
    rows: RowIter<'static>,
    pub(super) header: Vec<String>,
    /// For columns of instants: what they count, and whether from a place of its own.
    instants: Vec<Option<Instants>>,
    values: Vec<Value>,
    /// The row, from 1.
    pub(super) row: u64,
    all_rows: u64,
    bytes: u64,
    passed: Arc<AtomicU64>,
}

/// How a column writes instants.
#[derive(Clone, Copy)]
struct Instants {
    per_s: i64,
    is_utc: bool,
}

impl Columns {
    pub(super) fn open(path: &Path, passed: &Arc<AtomicU64>) -> Result<Self, Trouble> {
        guarded(|| Self::read_head(path, passed))?
    }

    fn read_head(path: &Path, passed: &Arc<AtomicU64>) -> Result<Self, Trouble> {
        let file = File::open(path)?;
        let bytes = file.metadata()?.len();
        let reader = SerializedFileReader::new(file).map_err(broken)?;
        let about = reader.metadata().file_metadata();
        let all_rows = about.num_rows().unsigned_abs();
        let flat = about.schema().get_fields().iter().filter(|field| is_flat(field));
        let flat: Vec<_> = flat.cloned().collect();
        let only_flat = Type::group_type_builder(about.schema().name())
            .with_fields(flat.clone())
            .build()
            .map_err(broken)?;
        let rows = RowIter::from_file_into(Box::new(reader));
        Ok(Self {
            rows: rows.project(Some(only_flat)).map_err(broken)?,
            header: flat.iter().map(|field| field.name().to_owned()).collect(),
            instants: flat.iter().map(|field| instants(field)).collect(),
            values: Vec::new(),
            row: 0,
            all_rows,
            bytes,
            passed: passed.clone(),
        })
    }

    pub(super) fn next(&mut self) -> Result<bool, Trouble> {
        let Some(row) = guarded(|| self.rows.next())? else {
            self.passed.store(self.bytes, Ordering::Relaxed);
            return Ok(false);
        };
        self.row += 1;
        if self.row.is_multiple_of(TELL_EVERY) {
            let bytes = u128::from(self.bytes) * u128::from(self.row) / u128::from(self.all_rows.max(1));
            self.passed
                .store(u64::try_from(bytes).unwrap_or(self.bytes), Ordering::Relaxed);
        }
        let fields = row.map_err(broken)?.into_columns();
        let values = fields.into_iter().zip(&self.instants);
        self.values = values
            .map(|((_, field), instants)| value(field, *instants))
            .collect();
        Ok(true)
    }

    pub(super) fn cell(&self, column: usize) -> Cell<'_> {
        Cell::of(&self.values[column])
    }

    /// The row by its columns' names.
    pub(super) fn object(&self) -> Value {
        let fields = self.header.iter().cloned().zip(self.values.iter().cloned());
        Value::Object(fields.collect())
    }

    /// The row for quarantine.
    pub(super) fn raw(&self) -> Vec<u8> {
        Value::Array(self.values.clone()).to_string().into_bytes()
    }
}

/// What the `parquet` crate reads; where a file is damaged, it panics in places.
fn guarded<T>(read: impl FnOnce() -> T) -> Result<T, Trouble> {
    // Nothing of what was being read is used after a panic.
    catch_unwind(AssertUnwindSafe(read))
        .map_err(|_| Trouble::whole("this Parquet file is damaged inside", "get it anew"))
}

/// One value a row, of a kind that a log has.
fn is_flat(field: &Type) -> bool {
    let about = field.get_basic_info();
    let repeated = about.has_repetition() && about.repetition() == parquet::basic::Repetition::REPEATED;
    let odd = matches!(
        about.logical_type_ref(),
        Some(LogicalType::Time(_) | LogicalType::Bson | LogicalType::Uuid)
    );
    field.is_primitive() && !repeated && !odd
}

fn instants(field: &Type) -> Option<Instants> {
    match field.get_basic_info().logical_type_ref() {
        Some(LogicalType::Timestamp(stamp)) => Some(Instants {
            per_s: match stamp.unit {
                TimeUnit::MILLIS => 1_000,
                TimeUnit::MICROS => 1_000_000,
                TimeUnit::NANOS => 1_000_000_000,
            },
            is_utc: stamp.is_adjusted_to_u_t_c,
        }),
        _ => None,
    }
}

fn value(field: Field, instants: Option<Instants>) -> Value {
    match (field, instants) {
        (
            Field::Long(count) | Field::TimestampMillis(count) | Field::TimestampMicros(count),
            Some(Instants { per_s, is_utc }),
        ) => {
            let at_ms = count.div_euclid(per_s / 1_000);
            if is_utc {
                rfc3339(at_ms).into()
            } else {
                let local = DateTime::from_timestamp_millis(at_ms).map(|at| at.naive_utc());
                local.map_or(Value::Null, |local| {
                    local.format("%Y-%m-%d %H:%M:%S%.3f").to_string().into()
                })
            }
        }
        (Field::TimestampMillis(at_ms), None) => rfc3339(at_ms).into(),
        (Field::TimestampMicros(count), None) => rfc3339(count.div_euclid(1_000)).into(),
        (Field::Null, _) => Value::Null,
        (Field::Bool(on), _) => on.into(),
        (Field::Byte(number), _) => number.into(),
        (Field::Short(number), _) => number.into(),
        (Field::Int(number), _) => number.into(),
        (Field::Long(number), _) => number.into(),
        (Field::UByte(number), _) => number.into(),
        (Field::UShort(number), _) => number.into(),
        (Field::UInt(number), _) => number.into(),
        (Field::ULong(number), _) => number.into(),
        (Field::Float(number), _) => number.into(),
        (Field::Double(number), _) => number.into(),
        (Field::Str(text), _) => text.into(),
        (Field::Bytes(bytes), _) => String::from_utf8_lossy(bytes.data()).into(),
        (other, _) => other.to_string().into(),
    }
}

fn broken(error: ParquetError) -> Trouble {
    match error {
        ParquetError::External(source) => match source.downcast::<io::Error>() {
            Ok(error) => Trouble::Read(*error),
            Err(other) => Trouble::Read(io::Error::other(other)),
        },
        other => Trouble::Read(io::Error::other(other)),
    }
}
