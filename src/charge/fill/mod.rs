//! Gaps filled: what an instrument counted while it was not heard.
//!
//! The board went on counting; its own counter says how much, else its display, else what it should have counted
//! and its usual error. What nobody heard at all between two full charges follows from what was heard: at both the
//! bank held the same. Each fill carries an uncertainty of its own, so that a gap neither adds nor hides drift.
//! Time is cut at every mark and at both ends of every gap, so that between two cuts an instrument was heard
//! throughout or not at all.

mod from_marks;
mod from_packs;
mod from_reference;
mod unheard;
mod usual;
mod witness;

use super::{
    estimate::{Estimate, Source},
    facts::{Facts, Gap},
    time::{self, as_f64},
    wander::TERMS,
};
pub(super) use unheard::Unheard;
pub(super) use witness::said_over;
use witness::whose;

/// How far the charge that a pack takes may stray from its share, fraction of capacity.
pub(super) const STRAY: f64 = 0.006;
/// Over how long it gets there, h.
const STRAYS_WITHIN_H: f64 = 6.0;
/// Standard deviation of what a board makes of its share: its gain and its capacity. Common practice, no source.
pub(super) const OF_ITS_SHARE: f64 = 0.03;

/// Between two successive cuts.
#[derive(Debug, Clone, Copy)]
struct Segment {
    begin_ms: i64,
    end_ms: i64,
}

impl From<&Gap> for Segment {
    fn from(gap: &Gap) -> Self {
        Self {
            begin_ms: gap.begin_ms,
            end_ms: gap.end_ms,
        }
    }
}

impl Segment {
    fn lasts_ms(self) -> f64 {
        as_f64(self.end_ms - self.begin_ms)
    }
}

/// How it is known what an instrument counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum How {
    Heard,
    /// By what it said before and after.
    ByItself,
    /// By what others counted meanwhile.
    ByOthers,
    /// By what the bank held at the full charges around it.
    FromMarks,
    /// Not at all.
    Unknown,
}

/// What an instrument counted in a segment. For what was heard the uncertainty is told by the totals.
#[derive(Debug, Clone)]
struct Amount {
    how: How,
    ah: Estimate,
}

impl Amount {
    fn known(&self) -> Option<&Estimate> {
        (self.how != How::Unknown).then_some(&self.ah)
    }

    fn heard_ah(&self) -> Option<f64> {
        (self.how == How::Heard).then_some(self.ah.value_ah)
    }
}

/// What went by the reference for a while: all that its count's errors go by.
#[derive(Debug, Clone, Default)]
pub(super) struct Flow {
    /// For how long, h.
    pub(super) hours: f64,
    /// Net charge, Ah.
    pub(super) counted: Estimate,
    /// Charge put in (at least), as it was heard, Ah: what coulombic losses go by.
    pub(super) charged_ah: f64,
    /// Charge put in and taken out, as it was heard, Ah.
    pub(super) throughput_ah: f64,
    /// What the reference's closure came and went by, as `wander` has it, Ah.
    pub(super) wandered_ah: [f64; TERMS],
}

/// Charge counted by every instrument, with the gaps filled.
#[derive(Debug)]
pub struct Filled<'a> {
    facts: &'a Facts,
    segments: Vec<Segment>,
    /// By instrument, then segment.
    amounts: Vec<Vec<Amount>>,
    /// By segment: the packs that tell what the reference counted.
    witnesses: Vec<Vec<usize>>,
}

impl<'a> Filled<'a> {
    /// Fills the gaps.
    #[must_use]
    pub fn new(facts: &'a Facts) -> Self {
        let segments: Vec<_> = facts
            .cuts
            .windows(2)
            .map(|pair| Segment {
                begin_ms: pair[0].at_ms,
                end_ms: pair[1].at_ms,
            })
            .collect();
        let instruments = facts.bank.eras[0].packs.len() + 1;
        let amounts = (0..instruments).map(|of| heard(facts, &segments, of)).collect();
        let mut filled = Self {
            facts,
            witnesses: vec![Vec::new(); segments.len()],
            segments,
            amounts,
        };
        if !facts.gaps.is_empty() {
            let usual = filled.usual_errors();
            filled.fill_from_own_witness(&usual);
            filled.fill_reference_from_packs(&usual);
            filled.fill_reference_from_marks();
            filled.suppose_reference();
            filled.fill_packs_from_reference(&usual);
            filled.doubt_displays(&usual);
        }
        filled
    }

    /// Charge that an instrument counted between two cuts.
    #[must_use]
    pub fn between(&self, of: usize, from: usize, until: usize) -> Estimate {
        if from > until {
            return -self.between(of, until, from);
        }
        let counted = |index: usize| {
            let amount = &self.amounts[of][index];
            let unsure = (amount.how == How::Heard).then(|| self.unsure_ah(of, index));
            let begin_ms = self.segments[index].begin_ms;
            let moved = |ah: Estimate, (source, by_ah)| ah.moved(source, whose(of), begin_ms, by_ah);
            unsure.into_iter().flatten().fold(amount.ah.clone(), moved)
        };
        (from..until).map(counted).sum()
    }

    /// Whether an instrument was heard from one cut to the next.
    pub(super) fn is_heard(&self, of: usize, index: usize) -> bool {
        self.amounts[of][index].how == How::Heard
    }

    /// What moves the count of an instrument that was heard from one cut to the next, Ah.
    pub(super) fn unsure_ah(&self, of: usize, index: usize) -> [(Source, f64); 2] {
        let counted = self.facts.cuts[index + 1].totals[of] - self.facts.cuts[index].totals[of];
        let step_ma = self.facts.resolution_ma[of].unwrap_or(0);
        [
            (Source::Sampling, counted.sampling_ah2.max(0.0).sqrt()),
            (Source::Resolution, rounding_ah(step_ma, counted.pauses_ms2)),
        ]
    }

    /// What went by the reference between two cuts.
    pub(super) fn flow(&self, from: usize, until: usize) -> Flow {
        let totals = |cut: usize| &self.facts.cuts[cut].totals[0];
        Flow {
            hours: self.facts.hours(from, until),
            counted: self.between(0, from, until),
            charged_ah: totals(until).charged_ah() - totals(from).charged_ah(),
            throughput_ah: self.throughput_ah(from, until),
            wandered_ah: [0.0; TERMS],
        }
    }

    /// Charge put in and taken out between two cuts as the reference heard it, Ah.
    #[must_use]
    pub fn throughput_ah(&self, from: usize, until: usize) -> f64 {
        let totals = |cut: usize| self.facts.cuts[cut].totals[0];
        (totals(until) - totals(from)).throughput_ah()
    }

    /// Time between two cuts for which no instrument says what one counted, ms.
    #[must_use]
    pub fn unknown_ms(&self, of: usize, from: usize, until: usize) -> i64 {
        (from..until)
            .filter(|index| matches!(self.amounts[of][*index].how, How::FromMarks | How::Unknown))
            .map(|index| self.segments[index].end_ms - self.segments[index].begin_ms)
            .sum()
    }

    /// Whether what the reference counted between two cuts is known without looking at the full charges, so that it
    /// says something about the reference.
    #[must_use]
    pub fn is_measured(&self, from: usize, until: usize) -> bool {
        let measured = |amount: &Amount| !matches!(amount.how, How::FromMarks | How::Unknown);
        self.amounts[0][from..until].iter().all(measured)
    }

    /// The segments that make up a gap; `None` where time was not cut at its ends.
    fn inside(&self, gap: &Gap) -> Option<std::ops::Range<usize>> {
        Some(self.facts.cut_at(gap.begin_ms)?..self.facts.cut_at(gap.end_ms)?)
    }

    /// The segments of a gap of the reference in which nothing says yet what it counted.
    fn unknown(&self, gap: &Gap) -> Vec<usize> {
        let inside = self.inside(gap).into_iter().flatten();
        inside
            .filter(|index| self.amounts[0][*index].how == How::Unknown)
            .collect()
    }

    /// How far the charge of a pack may stray from its share in a part of one of its gaps, Ah.
    fn stray_ah(&self, p: usize, segment: Segment) -> f64 {
        let capacity_ah = self.facts.bank.at(segment.begin_ms).packs[p].capacity_ah;
        let Some(gap) = gap_over(self.facts, p + 1, segment) else {
            return STRAY * capacity_ah;
        };
        let gap_ms = as_f64(gap.end_ms - gap.begin_ms);
        let whole_ah = STRAY * capacity_ah * (gap_ms / time::MS_PER_HOUR / STRAYS_WITHIN_H).min(1.0);
        whole_ah * segment.lasts_ms() / gap_ms
    }
}

const UNKNOWN: Amount = Amount {
    how: How::Unknown,
    ah: Estimate::ZERO,
};

/// What was heard of an instrument in each segment.
fn heard(facts: &Facts, segments: &[Segment], of: usize) -> Vec<Amount> {
    segments
        .iter()
        .enumerate()
        .map(|(index, segment)| {
            if gap_over(facts, of, *segment).is_some() {
                return UNKNOWN;
            }
            let counted = facts.cuts[index + 1].totals[of] - facts.cuts[index].totals[of];
            Amount {
                how: How::Heard,
                ah: Estimate::exact(counted.net_ah()),
            }
        })
        .collect()
}

/// The gap of an instrument that a segment lies in. Gaps are sorted by instrument, then time.
fn gap_over(facts: &Facts, of: usize, segment: Segment) -> Option<&Gap> {
    let behind = facts
        .gaps
        .partition_point(|gap| (gap.of, gap.begin_ms) <= (of, segment.begin_ms));
    let gap = &facts.gaps[behind.checked_sub(1)?];
    (gap.of == of && gap.end_ms >= segment.end_ms).then_some(gap)
}

/// Standard deviation of the charge from rounding of the reports, Ah: independent roundings, each of variance
/// step²/12 (JCGM 100:2008, 4.3.7), each for the pause that follows it.
fn rounding_ah(step_ma: i64, pauses_ms2: i64) -> f64 {
    as_f64(step_ma) / 1000.0 / 12.0_f64.sqrt() * as_f64(pauses_ms2.max(0)).sqrt() / time::MS_PER_HOUR
}
