//! `anchor` and `anchor_pack`: the full charges of a bank and what each pack showed at them.

use rusqlite::{Connection, params};

use crate::charge::full::Anchor;

/// What a pack showed at a mark.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct PackAtMark {
    /// The pack's number.
    pub instrument: i64,
    /// Why the mark doesn't count for it; `None`: it counts.
    pub against: Option<String>,
    /// mV.
    pub voltage_mv: Option<i64>,
    /// mA.
    pub tail_ma: Option<i64>,
    /// mV.
    pub cell_min_mv: Option<i64>,
    /// mV.
    pub cell_max_mv: Option<i64>,
    /// Tenths of a degree Celsius.
    pub temperature: Option<i64>,
    /// Display when the voltage crossed the full value, tenths of a percent.
    pub soc_before: Option<i64>,
    /// Display once settled, tenths of a percent.
    pub soc_after: Option<i64>,
}

/// Writes an anchor with what the packs showed.
///
/// # Errors
/// Whatever SQLite says.
pub fn put(
    connection: &Connection,
    bank: &str,
    anchor: &Anchor,
    packs: &[PackAtMark],
) -> rusqlite::Result<()> {
    connection
        .prepare_cached("INSERT OR REPLACE INTO anchor VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?
        .execute(params![
            bank,
            anchor.end_ms,
            anchor.begin_ms,
            anchor.crossed_ms,
            anchor.voltage_mv,
            anchor.tail_ma
        ])?;
    for pack in packs {
        connection
            .prepare_cached(
                "INSERT OR REPLACE INTO anchor_pack VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
            )?
            .execute(params![
                bank,
                anchor.end_ms,
                pack.instrument,
                pack.against,
                pack.voltage_mv,
                pack.tail_ma,
                pack.cell_min_mv,
                pack.cell_max_mv,
                pack.temperature,
                pack.soc_before,
                pack.soc_after,
            ])?;
    }
    Ok(())
}

/// Removes the anchors of a bank that end in `[from_ms, until_ms)`.
///
/// # Errors
/// Whatever SQLite says.
pub fn remove(connection: &Connection, bank: &str, from_ms: i64, until_ms: i64) -> rusqlite::Result<()> {
    for table in ["anchor", "anchor_pack"] {
        connection
            .prepare_cached(&format!(
                "DELETE FROM {table} WHERE bank = ?1 AND end_ms >= ?2 AND end_ms < ?3"
            ))?
            .execute(params![bank, from_ms, until_ms])?;
    }
    Ok(())
}

/// The anchors of a bank, in order.
///
/// # Errors
/// Whatever SQLite says.
pub fn of_bank(connection: &Connection, bank: &str) -> rusqlite::Result<Vec<Anchor>> {
    connection
        .prepare_cached(
            "SELECT begin_ms, end_ms, crossed_ms, voltage, tail FROM anchor WHERE bank = ?1 ORDER BY end_ms",
        )?
        .query_map(params![bank], |row| {
            Ok(Anchor {
                begin_ms: row.get(0)?,
                end_ms: row.get(1)?,
                crossed_ms: row.get(2)?,
                voltage_mv: row.get(3)?,
                tail_ma: row.get(4)?,
            })
        })?
        .collect()
}

/// What the packs showed at the mark of an anchor.
///
/// # Errors
/// Whatever SQLite says.
pub fn packs(connection: &Connection, bank: &str, end_ms: i64) -> rusqlite::Result<Vec<PackAtMark>> {
    connection
        .prepare_cached(
            "SELECT instrument, against, voltage, tail, cell_min, cell_max, temperature, soc_before, soc_after \
             FROM anchor_pack WHERE bank = ?1 AND end_ms = ?2 ORDER BY instrument",
        )?
        .query_map(params![bank, end_ms], |row| {
            Ok(PackAtMark {
                instrument: row.get(0)?,
                against: row.get(1)?,
                voltage_mv: row.get(2)?,
                tail_ma: row.get(3)?,
                cell_min_mv: row.get(4)?,
                cell_max_mv: row.get(5)?,
                temperature: row.get(6)?,
                soc_before: row.get(7)?,
                soc_after: row.get(8)?,
            })
        })?
        .collect()
}
