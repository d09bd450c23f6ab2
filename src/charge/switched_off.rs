//! Packs that were switched off: silent, and afterwards as full as before, while the others carried the load.
//!
//! A pack that leaves the busbar with its board still speaking is found by its voltage; one that was switched off
//! says nothing. Its display, or its counter, is what it was when it left.

use super::{
    facts::{Away, Facts, Gap},
    fill::{self, OF_ITS_SHARE, STRAY},
    time::hours,
};

/// A charge within so many standard deviations may be none.
const MAY_BE_NONE: f64 = 3.0;
/// One beyond so many is not the pack's share.
const SURELY: f64 = 4.0;
/// A board may count wrong by so much, A, and may not see less than that: common practice, no source.
const COUNTS_WRONG_A: f64 = 0.1;
const BLIND_BELOW_A: f64 = 0.7;

/// The facts with the packs off the busbar that were switched off. Needs a cut at both ends of every gap.
#[must_use]
pub fn switched_off(mut facts: Facts) -> Facts {
    let found: Vec<Away> = facts.gaps.iter().filter_map(|gap| off(&facts, gap)).collect();
    facts.away.extend(found);
    facts
}

/// The pack of a gap as off the busbar, if it was.
fn off(facts: &Facts, gap: &Gap) -> Option<Away> {
    let p = gap.of.checked_sub(1)?;
    if !facts.bank.at(gap.begin_ms).packs[p].in_bank {
        return None;
    }
    let said = fill::said_over(facts, gap)?;
    let unsure_ah = said.standard_uncertainty_ah();
    let totals = |at_ms: i64| facts.cut_at(at_ms).map(|cut| facts.cuts[cut].totals[0]);
    let reference = totals(gap.end_ms)? - totals(gap.begin_ms)?;
    let share = facts.share(p, gap.begin_ms);
    let should_ah = share * reference.net_ah();
    let capacity_ah = facts.bank.at(gap.begin_ms).packs[p].capacity_ah;
    let lasts_h = hours(gap.end_ms - gap.begin_ms);
    let wrong_ah = COUNTS_WRONG_A * lasts_h;
    let is_seen = share * reference.throughput_ah() > BLIND_BELOW_A * lasts_h;
    let strays_ah = (STRAY * capacity_ah).hypot(OF_ITS_SHARE * should_ah);
    let took_nothing = said.value_ah.abs() <= MAY_BE_NONE * unsure_ah + wrong_ah;
    let took_its_share = (should_ah - said.value_ah).abs() <= SURELY * unsure_ah.hypot(strays_ah) + wrong_ah;
    // What goes through all gaps comes last: few get there.
    let looks_off = is_seen && took_nothing && !took_its_share;
    (looks_off && !is_known_otherwise(facts, p, gap)).then_some(Away {
        p,
        begin_ms: gap.begin_ms,
        end_ms: gap.end_ms,
    })
}

/// Whether the pack is known to be off the busbar in a gap, or the reference was silent too and tells nothing.
fn is_known_otherwise(facts: &Facts, p: usize, gap: &Gap) -> bool {
    let overlaps = |begin_ms: i64, end_ms: i64| begin_ms < gap.end_ms && end_ms > gap.begin_ms;
    let mut silences = facts.gaps.iter().take_while(|other| other.of == 0);
    let mut away = facts.away.iter().filter(|away| away.p == p);
    silences.any(|silence| overlaps(silence.begin_ms, silence.end_ms))
        || away.any(|away| overlaps(away.begin_ms, away.end_ms))
}
