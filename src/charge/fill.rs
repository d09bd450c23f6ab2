//! Gaps filled: what an instrument counted while it was not heard.
//!
//! The board went on counting; its own counter says how much, else its display, else what it should have counted
//! and its usual error. Each fill carries an uncertainty of its own, so that a gap neither adds nor hides drift.
//! Time is cut at every mark and at both ends of every gap, so that between two cuts an instrument was heard
//! throughout or not at all.

use super::{
    estimate::{Estimate, Source, Whose},
    facts::{Facts, Gap},
};

const MS_PER_HOUR: f64 = 3_600_000.0;

/// How long before the bank is full by its own criterion a board may take itself for full, ms.
const RESETS_BEFORE_MS: i64 = 3_600_000;
/// How far the charge that a pack takes may stray from its share, fraction of capacity.
const STRAY: f64 = 0.006;
/// Over how long it gets there, ms.
const STRAYS_WITHIN_MS: f64 = 6.0 * MS_PER_HOUR;

/// Between two successive cuts.
#[derive(Debug, Clone, Copy)]
struct Segment {
    begin_ms: i64,
    end_ms: i64,
}

impl Segment {
    fn part_of(self, gap: &Gap) -> f64 {
        as_f64(self.end_ms - self.begin_ms) / as_f64(gap.end_ms - gap.begin_ms)
    }
}

/// What an instrument counted in a segment.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Amount {
    /// Heard: value in Ah.
    Heard(f64),
    /// Filled: value and its standard uncertainty in Ah, and the gap it belongs to.
    Filled {
        ah: f64,
        uncertainty_ah: f64,
        gap_begin_ms: i64,
    },
    /// Nobody can say.
    Unknown,
}

impl Amount {
    fn ah(self) -> Option<f64> {
        match self {
            Self::Heard(ah) | Self::Filled { ah, .. } => Some(ah),
            Self::Unknown => None,
        }
    }

    fn heard_ah(self) -> Option<f64> {
        match self {
            Self::Heard(ah) => Some(ah),
            Self::Filled { .. } | Self::Unknown => None,
        }
    }
}

/// Charge counted by every instrument, with the gaps filled.
#[derive(Debug)]
pub struct Filled<'a> {
    facts: &'a Facts,
    segments: Vec<Segment>,
    /// By instrument, then segment.
    amounts: Vec<Vec<Amount>>,
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
        let amounts = (0..instruments)
            .map(|of| witnessed(facts, &segments, of))
            .collect();
        let mut filled = Self {
            facts,
            segments,
            amounts,
        };
        filled.fill_reference_from_packs();
        filled.fill_packs_from_reference();
        filled
    }

    /// Charge that an instrument counted between two cuts.
    #[must_use]
    pub fn between(&self, of: usize, from: usize, until: usize) -> Estimate {
        if from > until {
            return -self.between(of, until, from);
        }
        let whose = if of == 0 {
            Whose::Common
        } else {
            Whose::Pack(of - 1)
        };
        let mut sum = Estimate::default();
        for index in from..until {
            let begin_ms = self.segments[index].begin_ms;
            match self.amounts[of][index] {
                Amount::Heard(ah) => {
                    let counted = self.facts.cuts[index + 1].totals[of] - self.facts.cuts[index].totals[of];
                    sum.value_ah += ah;
                    sum = sum.moved(
                        Source::Sampling,
                        whose,
                        begin_ms,
                        counted.sampling_ah2.max(0.0).sqrt(),
                    );
                    if let Some(step_ma) = self.facts.resolution_ma[of] {
                        let by_ah = rounding_ah(step_ma, counted.pauses_ms2);
                        sum = sum.moved(Source::Resolution, whose, begin_ms, by_ah);
                    }
                }
                Amount::Filled {
                    ah,
                    uncertainty_ah,
                    gap_begin_ms,
                } => {
                    sum.value_ah += ah;
                    sum = sum.moved(Source::Gaps, whose, gap_begin_ms, uncertainty_ah);
                }
                Amount::Unknown => {}
            }
        }
        sum
    }

    /// Charge put in (at least) between two cuts as the reference heard it, Ah: what coulombic losses go by.
    #[must_use]
    pub fn charged_ah(&self, from: usize, until: usize) -> f64 {
        let (from, until) = (
            &self.facts.cuts[from].totals[0],
            &self.facts.cuts[until].totals[0],
        );
        until.charged_ah() - from.charged_ah()
    }

    /// Charge put in and taken out between two cuts as the reference heard it, Ah.
    #[must_use]
    pub fn throughput_ah(&self, from: usize, until: usize) -> f64 {
        let (from, until) = (
            &self.facts.cuts[from].totals[0],
            &self.facts.cuts[until].totals[0],
        );
        until.charged_ah() + until.discharged_ah() - from.charged_ah() - from.discharged_ah()
    }

    /// Time between two cuts for which nobody can say what an instrument counted, ms.
    #[must_use]
    pub fn unknown_ms(&self, of: usize, from: usize, until: usize) -> i64 {
        (from..until)
            .filter(|index| self.amounts[of][*index] == Amount::Unknown)
            .map(|index| self.segments[index].end_ms - self.segments[index].begin_ms)
            .sum()
    }

    /// Where the reference has no witness of its own, the packs' sum stands in, less what it usually differs by.
    fn fill_reference_from_packs(&mut self) {
        let sums: Vec<Option<f64>> = (0..self.segments.len())
            .map(|index| {
                let at_ms = self.segments[index].begin_ms;
                (0..self.amounts.len() - 1)
                    .filter(|p| self.facts.on_busbar(*p, at_ms))
                    .map(|p| self.amounts[p + 1][index].ah())
                    .sum()
            })
            .collect();
        let differences: Vec<Option<f64>> = (0..self.segments.len())
            .map(|index| Some(sums[index]? - self.amounts[0][index].heard_ah()?))
            .collect();
        for (index, sum_ah) in sums.into_iter().enumerate() {
            let Some(sum_ah) = sum_ah.filter(|_| self.amounts[0][index] == Amount::Unknown) else {
                continue;
            };
            let usual_ah = self.usual_ah(&differences, 0, index);
            self.fill(0, index, sum_ah - usual_ah, usual_ah.hypot(STRAY * sum_ah));
        }
    }

    /// Where a pack has no witness of its own, it takes its share of the reference's charge and its usual error.
    fn fill_packs_from_reference(&mut self) {
        for p in 0..self.amounts.len() - 1 {
            let shares: Vec<f64> = self
                .segments
                .iter()
                .map(|segment| self.facts.share(p, segment.begin_ms))
                .collect();
            let errors: Vec<Option<f64>> = (0..self.segments.len())
                .map(|index| {
                    let counted_ah = self.amounts[p + 1][index].heard_ah()?;
                    Some(counted_ah - shares[index] * self.amounts[0][index].ah()?)
                })
                .collect();
            for (index, share) in shares.iter().enumerate() {
                let Some(reference_ah) = self.amounts[0][index]
                    .ah()
                    .filter(|_| self.amounts[p + 1][index] == Amount::Unknown)
                else {
                    continue;
                };
                let usual_ah = self.usual_ah(&errors, p + 1, index);
                let capacity_ah = self.facts.bank.at(self.segments[index].begin_ms).packs[p].capacity_ah;
                let stray_ah = capacity_ah * self.stray(p + 1, index);
                self.fill(
                    p + 1,
                    index,
                    share * reference_ah + usual_ah,
                    usual_ah.hypot(stray_ah),
                );
            }
        }
    }

    fn fill(&mut self, of: usize, index: usize, ah: f64, uncertainty_ah: f64) {
        let segment = self.segments[index];
        let gap_begin_ms = gap_over(self.facts, of, segment).map_or(segment.begin_ms, |gap| gap.begin_ms);
        self.amounts[of][index] = Amount::Filled {
            ah,
            uncertainty_ah,
            gap_begin_ms,
        };
    }

    /// How far the charge of an instrument may stray in a segment of a gap, fraction of capacity.
    fn stray(&self, of: usize, index: usize) -> f64 {
        let segment = self.segments[index];
        let Some(gap) = gap_over(self.facts, of, segment) else {
            return STRAY;
        };
        STRAY * (as_f64(gap.end_ms - gap.begin_ms) / STRAYS_WITHIN_MS).min(1.0) * segment.part_of(gap)
    }

    /// What a difference that was heard elsewhere in the instrument's epoch comes to in a segment, by time.
    fn usual_ah(&self, differences: &[Option<f64>], of: usize, index: usize) -> f64 {
        let epoch_ms = self.facts.epoch_ms(of, self.segments[index].begin_ms);
        let (mut ah, mut heard_ms) = (0.0, 0);
        for (segment, difference) in self.segments.iter().zip(differences) {
            if let Some(difference) = difference
                && self.facts.epoch_ms(of, segment.begin_ms) == epoch_ms
            {
                ah += difference;
                heard_ms += segment.end_ms - segment.begin_ms;
            }
        }
        if heard_ms == 0 {
            return 0.0;
        }
        let here_ms = self.segments[index].end_ms - self.segments[index].begin_ms;
        ah * as_f64(here_ms) / as_f64(heard_ms)
    }
}

/// What an instrument itself says of each segment: heard, or filled by its own counter or display.
fn witnessed(facts: &Facts, segments: &[Segment], of: usize) -> Vec<Amount> {
    segments
        .iter()
        .enumerate()
        .map(|(index, segment)| {
            let Some(gap) = gap_over(facts, of, *segment) else {
                let counted = facts.cuts[index + 1].totals[of] - facts.cuts[index].totals[of];
                return Amount::Heard(counted.net_ah());
            };
            let part = segment.part_of(gap);
            own_witness(facts, gap).map_or(Amount::Unknown, |(ah, uncertainty_ah)| Amount::Filled {
                ah: ah * part,
                uncertainty_ah: uncertainty_ah * part,
                gap_begin_ms: gap.begin_ms,
            })
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

/// Charge over a gap by the instrument's own counter, else its display: (Ah, standard uncertainty in Ah).
fn own_witness(facts: &Facts, gap: &Gap) -> Option<(f64, f64)> {
    // A counter or display may have jumped at a full charge, and a jump is not charge.
    let full_inside = facts
        .marks
        .iter()
        .any(|mark| mark.at_ms >= gap.begin_ms && mark.since_ms - RESETS_BEFORE_MS <= gap.end_ms);
    if full_inside {
        return None;
    }
    if let Some((before, after)) = gap.charge_mah {
        const COUNTER_STEP_AH: f64 = 0.1;
        return Some((as_f64(after - before) / 1000.0, COUNTER_STEP_AH / 6.0_f64.sqrt()));
    }
    let (before, after) = gap.soc_permille?;
    let clipped = |soc: i64| soc <= 0 || soc >= 1000;
    if clipped(before) || clipped(after) {
        return None;
    }
    let era = facts.bank.at(gap.begin_ms);
    let capacity_ah = match gap.of.checked_sub(1) {
        Some(p) => era.packs[p].displayed_capacity_ah,
        None => era.capacity_ah(),
    };
    let whole_percents = before % 10 == 0 && after % 10 == 0;
    let step = if whole_percents { 0.01 } else { 0.001 };
    // Two roundings, each of variance step²/12.
    Some((
        as_f64(after - before) / 1000.0 * capacity_ah,
        step * capacity_ah / 6.0_f64.sqrt(),
    ))
}

/// Standard deviation of the charge from rounding of the reports, Ah: independent roundings, each of variance
/// step²/12 (JCGM 100:2008, 4.3.7), each for the pause that follows it.
fn rounding_ah(step_ma: i64, pauses_ms2: i64) -> f64 {
    as_f64(step_ma) / 1000.0 / 12.0_f64.sqrt() * as_f64(pauses_ms2.max(0)).sqrt() / MS_PER_HOUR
}

#[expect(
    clippy::cast_precision_loss,
    reason = "times and charges here are far below 2^52"
)]
fn as_f64(value: i64) -> f64 {
    value as f64
}
