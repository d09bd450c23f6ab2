//! What an instrument itself says of a stretch in which it was not heard: by its own counter, else its display.

use crate::charge::{
    estimate::{Estimate, Source, Whose},
    facts::{Facts, Gap},
};

/// How long before the bank is full by its own criterion a board may take itself for full, ms.
const RESETS_BEFORE_MS: i64 = 3_600_000;
/// What a display at its upper end may not have counted of what its pack still took, fraction of capacity.
const TAKEN_WHEN_FULL: f64 = 0.01;

/// Charge over a gap by the instrument's own counter, else its display.
pub(super) fn own_witness(facts: &Facts, gap: &Gap) -> Option<Estimate> {
    // A counter or display may have jumped at a full charge, and a jump is not charge. What showed full already when
    // the gap began, at the end of one, had jumped by then.
    let shows_full = gap.charge_mah.is_none() && gap.soc_permille.is_some_and(|(before, _)| before >= 1000);
    let full_inside = facts.marks.iter().any(|mark| {
        let over = mark.at_ms < gap.begin_ms || (shows_full && mark.at_ms == gap.begin_ms);
        !over && mark.since_ms - RESETS_BEFORE_MS <= gap.end_ms
    });
    if full_inside {
        return None;
    }
    let (ah, uncertainty_ah) = by_counter(gap).or_else(|| by_display(facts, gap))?;
    Some(Estimate::exact(ah).moved(Source::Gaps, whose(gap.of), gap.begin_ms, uncertainty_ah))
}

/// Whose the uncertainty about an instrument is.
pub(super) fn whose(of: usize) -> Whose {
    of.checked_sub(1).map_or(Whose::Common, Whose::Pack)
}

fn by_counter(gap: &Gap) -> Option<(f64, f64)> {
    const COUNTER_STEP_AH: f64 = 0.1;
    let (before, after) = gap.charge_mah?;
    Some((as_f64(after - before) / 1000.0, COUNTER_STEP_AH / 6.0_f64.sqrt()))
}

fn by_display(facts: &Facts, gap: &Gap) -> Option<(f64, f64)> {
    let (before, after) = gap.soc_permille?;
    // At its ends a display says how much at most; what it shows full again may have been set there.
    if before <= 0 || after <= 0 || after >= 1000 {
        return None;
    }
    let era = facts.bank.at(gap.begin_ms);
    let capacity_ah = match gap.of.checked_sub(1) {
        Some(p) => era.packs[p].displayed_capacity_ah,
        None => era.capacity_ah(),
    };
    let whole_percents = before % 10 == 0 && after % 10 == 0;
    let step = if whole_percents { 0.01 } else { 0.001 };
    let uncounted = if before >= 1000 { TAKEN_WHEN_FULL } else { 0.0 };
    // Two roundings, each of variance step²/12.
    let uncertainty = (step / 6.0_f64.sqrt()).hypot(uncounted);
    Some((
        as_f64(after - before) / 1000.0 * capacity_ah,
        uncertainty * capacity_ah,
    ))
}

#[expect(clippy::cast_precision_loss, reason = "charges here are far below 2^52 mAh")]
fn as_f64(value: i64) -> f64 {
    value as f64
}
