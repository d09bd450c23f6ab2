//! Logs that have a row only where something changed: a value holds until the next, for a stated time at most.
//!
//! What is held is written out as further readings, so that it counts as much as it held, however the setup says
//! that the instrument reports: no pause is longer than what the setup bridges, and where straight lines are drawn
//! between readings, the old value stands once more just before the new one.

use std::collections::HashMap;

use super::trouble::Trouble;
use crate::{
    config::{Reporting, Setup},
    reading::{Channel, Instrument},
};

/// Where a held value is repeated before the next one, ms: the line drawn between the two is off by half a change
/// for this long.
const JUST_BEFORE_MS: i64 = 1;

/// What each instrument said last.
pub(super) struct Held {
    longest_hold_ms: i64,
    last: HashMap<(Instrument, Channel), (i64, i64)>,
}

impl Held {
    pub(super) fn new(longest_hold_ms: i64) -> Self {
        Self {
            longest_hold_ms,
            last: HashMap::new(),
        }
    }

    /// Gives the readings that a change stands for: what was held until then, and the new value. `None` as a value
    /// says that nothing is known from then on.
    pub(super) fn change(
        &mut self,
        setup: &Setup,
        (instrument, channel): (Instrument, Channel),
        at_ms: i64,
        value: Option<i64>,
        line: u64,
        reading: &mut dyn FnMut(i64, i64) -> Result<(), Trouble>,
    ) -> Result<(), Trouble> {
        if let Some((since_ms, held)) = self.last.remove(&(instrument, channel)) {
            if at_ms < since_ms {
                return Err(Trouble::at(
                    line,
                    "this change comes before the one in an earlier row",
                    "sort the file by time",
                ));
            }
            let reporting = setup.entry(instrument).reporting;
            let step_ms = reporting.longest_pause_ms().max(1);
            let just_before = match reporting {
                Reporting::Regular { .. } => JUST_BEFORE_MS,
                Reporting::OnChange { .. } => 0,
            };
            let end_ms = (at_ms - just_before).min(since_ms + self.longest_hold_ms);
            let mut at = since_ms + step_ms;
            while at < end_ms {
                reading(at, held)?;
                at += step_ms;
            }
            let repeats = just_before > 0 || end_ms < at_ms;
            if repeats && end_ms > since_ms {
                reading(end_ms, held)?;
            }
        }
        if let Some(value) = value {
            reading(at_ms, value)?;
            self.last.insert((instrument, channel), (at_ms, value));
        }
        Ok(())
    }
}
