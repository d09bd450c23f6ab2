//! What an instrument can report at all; everything beyond is a fault of the message, not of the bank.
//!
//! Cautions about a bank that is really in trouble are not made here: these limits lie far outside.

use std::ops::RangeInclusive;

use super::value::out_of_range;
use crate::{
    config::InstrumentEntry,
    reading::{Channel, Refusal},
};

/// Displayed state of charge, tenths of a percent. Rounding to tenths before the comparison forgives a display
/// that is off by half a tenth.
const SOC: RangeInclusive<i64> = 0..=1000;

/// Beyond this no charge counter of a bank ever gets, mAh: ten million Ah.
const CHARGE: RangeInclusive<i64> = -10_000_000_000..=10_000_000_000;

/// Tenths of a degree.
const TEMPERATURE: RangeInclusive<i64> = -600..=1200;

/// One cell, of any chemistry, mV.
const CELL: RangeInclusive<i64> = 1000..=5000;

/// The limits of one instrument.
#[derive(Debug)]
pub(super) struct Limits {
    max_current_ma: i64,
    voltage_mv: RangeInclusive<i64>,
}

impl Limits {
    pub(super) fn new(entry: &InstrumentEntry) -> Self {
        Self {
            max_current_ma: entry.max_current_ma,
            voltage_mv: entry.voltage_mv.clone(),
        }
    }

    /// Gives a value back, in its kept unit, or refuses it.
    pub(super) fn check(&self, channel: Channel, value: i64) -> Result<i64, Refusal> {
        let possible = match channel {
            Channel::Current => value.abs() <= self.max_current_ma,
            Channel::Voltage => self.voltage_mv.contains(&value),
            Channel::Soc => SOC.contains(&value),
            Channel::Charge => CHARGE.contains(&value),
            Channel::Temperature => TEMPERATURE.contains(&value),
            Channel::CellMin | Channel::CellMax => CELL.contains(&value),
            Channel::Connected | Channel::Alive => matches!(value, 0 | 1),
        };
        if possible {
            return Ok(value);
        }
        Err(out_of_range(channel, &channel.in_units(value).to_string()))
    }
}
