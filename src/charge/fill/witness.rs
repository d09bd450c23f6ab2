//! What an instrument itself says of a stretch in which it was not heard: by its own counter, else its display.

use super::{Amount, Filled, How, OF_ITS_SHARE, Segment, usual::Usual};
use crate::charge::{
    estimate::{Estimate, Source, Whose},
    facts::{Facts, Gap, Mark},
    losses::Losses,
    time::{MS_PER_HOUR, as_f64},
};

/// How long before the bank is full by its own criterion a board may take itself for full, ms.
const RESETS_BEFORE_MS: i64 = 3_600_000;
/// What a display at its upper end may not have counted of what its pack still took, fraction of capacity.
const TAKEN_WHEN_FULL: f64 = 0.01;
/// How fast a display falls from its upper end, tenths of a percent an hour: common practice, no source.
const FALLS_PERMILLE_PER_HOUR: f64 = 10.0;
/// How many standard deviations apart displays may be and still have counted the same.
const AGREE_WITHIN: f64 = 3.0;

impl Filled<'_> {
    /// Fills gaps with what their instrument itself says of them, unless that was set anew meanwhile.
    pub(super) fn fill_from_own_witness(&mut self, usual: &Usual) {
        let facts = self.facts;
        for gap in &facts.gaps {
            let Some(witness) = own_witness(facts, gap) else {
                continue;
            };
            let Some(inside) = self.inside(gap) else { continue };
            // What the reference heard meanwhile says when the charge was counted, and how much about.
            let should: Vec<Option<f64>> = inside
                .clone()
                .map(|index| self.should_ah(usual, gap.of, index))
                .collect();
            let heard_ah: f64 = should.iter().flatten().sum();
            let beyond_ah = witness.value_ah - heard_ah;
            let everything_heard = should.iter().all(Option::is_some);
            let pack = gap.of.checked_sub(1).filter(|_| everything_heard);
            if pack.is_some_and(|p| !self.agrees(usual, p, Segment::from(gap), &witness, heard_ah)) {
                continue; // set anew meanwhile
            }
            let takes_rest = |should: Option<f64>| everything_heard || should.is_none();
            let rest_ms: f64 = inside
                .clone()
                .zip(&should)
                .filter(|(_, should)| takes_rest(**should))
                .map(|(index, _)| self.segments[index].lasts_ms())
                .sum();
            for (index, should) in inside.zip(should) {
                let lasts_ms = self.segments[index].lasts_ms();
                let rest_ah = if takes_rest(should) {
                    beyond_ah * lasts_ms / rest_ms
                } else {
                    0.0
                };
                let mut ah = witness
                    .clone()
                    .times(lasts_ms / as_f64(gap.end_ms - gap.begin_ms));
                ah.value_ah = should.unwrap_or_default() + rest_ah;
                self.amounts[gap.of][index] = Amount {
                    how: How::ByItself,
                    ah,
                };
            }
        }
    }

    /// A display that may have been set anew while the reference wasn't heard either is believed no better than what it
    /// had been off by until then: that may have been taken back meanwhile.
    pub(super) fn doubt_displays(&mut self, usual: &Usual) {
        let losses = self.losses();
        let doubted: Vec<(&Gap, f64)> = self
            .facts
            .gaps
            .iter()
            .filter(|gap| gap.of > 0 && may_have_been_full(gap))
            .filter_map(|gap| Some((gap, self.gathered_ah(usual, &losses, gap)?.abs())))
            .collect();
        for (gap, gathered_ah) in doubted {
            for index in self.inside(gap).into_iter().flatten() {
                let part = self.segments[index].lasts_ms() / as_f64(gap.end_ms - gap.begin_ms);
                let reference_heard = self.is_heard(0, index);
                let amount = &mut self.amounts[gap.of][index];
                if amount.how == How::ByItself && !reference_heard {
                    let ah = std::mem::take(&mut amount.ah);
                    amount.ah = ah.moved(Source::Gaps, whose(gap.of), gap.begin_ms, part * gathered_ah);
                }
            }
        }
    }

    /// What a pack's charge error usually comes to from its last full charge to a gap of it, Ah: what it counts beside
    /// its share of what the reference does, and its share of what that counts too much.
    fn gathered_ah(&self, usual: &Usual, losses: &Losses<'_>, gap: &Gap) -> Option<f64> {
        let p = gap.of.checked_sub(1)?;
        let counts = |mark: &&Mark| mark.counts[p] && mark.at_ms <= gap.begin_ms;
        let last = self.facts.marks.iter().rev().find(counts);
        let begin = last.map_or(Some(0), |mark| self.facts.cut_at(mark.at_ms))?;
        let end = self.facts.cut_at(gap.begin_ms)?;
        let since = Segment {
            begin_ms: self.facts.cuts[begin].at_ms,
            end_ms: gap.begin_ms,
        };
        let too_much_ah = losses.between(begin, begin, end).value_ah;
        Some(usual.ah(self.facts, p, since) + self.facts.share(p, since.begin_ms) * too_much_ah)
    }

    /// What a pack should have counted in a segment: its share of what the reference did, and its usual error.
    fn should_ah(&self, usual: &Usual, of: usize, index: usize) -> Option<f64> {
        let p = of.checked_sub(1)?;
        let segment = self.segments[index];
        let reference_ah = self.amounts[0][index].known()?.value_ah;
        Some(self.facts.share(p, segment.begin_ms) * reference_ah + usual.ah(self.facts, p, segment))
    }

    /// Whether what a pack's witness says is what it should have counted, or else was set anew meanwhile.
    pub(super) fn agrees(
        &self,
        usual: &Usual,
        p: usize,
        during: Segment,
        witness: &Estimate,
        should_ah: f64,
    ) -> bool {
        let usual_ah = usual.ah(self.facts, p, during);
        let apart_ah = witness
            .standard_uncertainty_ah()
            .hypot(self.stray_ah(p, during))
            .hypot(OF_ITS_SHARE * should_ah);
        (witness.value_ah - should_ah).abs() <= AGREE_WITHIN * apart_ah + usual_ah.abs()
    }
}

/// Whether a display may have been at its upper end in a gap, and set anew there, without anybody hearing of it.
fn may_have_been_full(gap: &Gap) -> bool {
    let Some((before, after)) = gap.soc_permille.filter(|_| gap.charge_mah.is_none()) else {
        return false;
    };
    let (highest, lasts_ms) = (before.max(after), gap.end_ms - gap.begin_ms);
    as_f64(1000 - highest) <= FALLS_PERMILLE_PER_HOUR * as_f64(lasts_ms) / MS_PER_HOUR
}

/// Charge over a gap by the instrument's own counter, else its display.
fn own_witness(facts: &Facts, gap: &Gap) -> Option<Estimate> {
    // A counter or display may have jumped at a full charge, and a jump is not charge. What showed full already when
    // the gap began, at the end of one, had jumped by then.
    let shows_full = gap.charge_mah.is_none() && gap.soc_permille.is_some_and(|(before, _)| before >= 1000);
    let full_inside = facts.marks.iter().any(|mark| {
        let over = mark.at_ms < gap.begin_ms || (shows_full && mark.at_ms == gap.begin_ms);
        !over && mark.since_ms - RESETS_BEFORE_MS <= gap.end_ms
    });
    if full_inside { None } else { said_over(facts, gap) }
}

/// What the instrument's own counter, else its display, says of a gap, whatever happened in it.
pub(in crate::charge) fn said_over(facts: &Facts, gap: &Gap) -> Option<Estimate> {
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
