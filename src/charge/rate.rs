//! How fast a pack drifts: its charge error a day, epoch by epoch.
//!
//! An epoch lasts from one recalibration to the next. Its charge error is that from its beginning to its end; its rate is
//! told by as much of it as tells it best.

use super::{
    count::Counted,
    drift::{Insufficient, Record},
    estimate::{Estimate, Source, Whose},
    learned::GAIN,
    time::as_f64,
};

/// Days in a month of 1/12 Julian year, by which points a month are stated.
pub const DAYS_PER_MONTH: f64 = 30.4375;
/// This part of an epoch a rate may leave out where that makes it surer: what lies before its first full charge and
/// behind its last, where nobody knows to a point how the packs share what they hold.
const LEFT_OUT_AT_MOST: f64 = 0.05;

/// A charge error over a stretch between recalibrations, as a rate.
#[derive(Debug, Clone, PartialEq)]
pub struct Rate {
    /// From, ms since 1970.
    pub begin_ms: i64,
    /// Until, ms since 1970.
    pub end_ms: i64,
    /// For how much of it the pack belonged to the bank, days.
    pub days: f64,
    /// Charge error over it.
    pub error: Estimate,
    /// The part of it that tells the rate best, from and until in ms since 1970.
    pub told_over_ms: (i64, i64),
    /// For how much of that part the pack belonged to the bank, days.
    told_days: f64,
    /// Charge error over that part.
    told_by: Estimate,
}

impl Rate {
    /// Ah a day.
    #[must_use]
    pub fn ah_per_day(&self) -> f64 {
        self.per_day().value_ah
    }

    /// Expanded uncertainty, Ah a day.
    #[must_use]
    pub fn expanded_uncertainty_ah_per_day(&self) -> f64 {
        self.per_day().expanded_uncertainty_ah()
    }

    /// The rate as an estimate in Ah a day.
    #[must_use]
    pub fn per_day(&self) -> Estimate {
        self.told_by.clone().times(1.0 / self.told_days)
    }
}

impl Record<'_> {
    /// Charge errors of pack `p` between two cuts, one for each stretch between recalibrations in which it belonged to
    /// the bank; [`Insufficient`] where there is too little of one to answer from.
    #[must_use]
    pub fn rates(&self, p: usize, from: usize, until: usize) -> Vec<Result<Rate, Insufficient>> {
        self.facts
            .between_recalibrations(p + 1, from, until)
            .windows(2)
            .filter_map(|pair| {
                let windows = self.in_bank(p, pair[0], pair[1]);
                Some(self.rate(p, windows.first()?.0, windows.last()?.1))
            })
            .collect()
    }

    /// The rate of the last of these stretches.
    ///
    /// # Errors
    /// [`Insufficient`] where there is too little of it to answer from.
    pub fn last_rate(&self, p: usize, from: usize, until: usize) -> Result<Rate, Insufficient> {
        self.rates(p, from, until)
            .pop()
            .unwrap_or(Err(Insufficient::NotInBank))
    }

    /// For how long pack `p` belonged to the bank between two cuts, days.
    fn days_in_bank(&self, p: usize, from: usize, until: usize) -> f64 {
        let hours = |(from, until): (usize, usize)| self.facts.hours(from, until);
        self.in_bank(p, from, until).into_iter().map(hours).sum::<f64>() / 24.0
    }

    /// The rate between two cuts: told from full charge to full charge where that leaves out little and is surer.
    fn rate(&self, p: usize, from: usize, until: usize) -> Result<Rate, Insufficient> {
        let at_ms = |cut: usize| self.facts.cuts[cut].at_ms;
        let error = self.charge_error(p, from, until)?.error;
        let days = self.days_in_bank(p, from, until);
        let mut rate = Rate {
            begin_ms: at_ms(from),
            end_ms: at_ms(until),
            days,
            told_over_ms: (at_ms(from), at_ms(until)),
            told_days: days,
            told_by: error.clone(),
            error,
        };
        let marks = self.facts.marks.iter().filter(|mark| mark.counts[p]);
        let within: Vec<usize> = marks
            .filter_map(|mark| self.facts.cut_at(mark.at_ms))
            .filter(|cut| (from..=until).contains(cut))
            .collect();
        let (Some(first), Some(last)) = (within.first(), within.last()) else {
            return Ok(rate);
        };
        let shortest_ms = (1.0 - LEFT_OUT_AT_MOST) * as_f64(at_ms(until) - at_ms(from));
        let whole = (from, until);
        for (from, until) in [(from, *last), (*first, until), (*first, *last)] {
            if as_f64(at_ms(until) - at_ms(from)) < shortest_ms {
                continue;
            }
            let unlike_ah = self.unlike_ah(p, whole, (from, until));
            let part = Rate {
                told_over_ms: (at_ms(from), at_ms(until)),
                told_days: self.days_in_bank(p, from, until),
                told_by: self.charge_error(p, from, until)?.error.moved(
                    Source::Gaps,
                    Whose::Pack(p),
                    at_ms(from),
                    unlike_ah,
                ),
                ..rate.clone()
            };
            if part.expanded_uncertainty_ah_per_day() < rate.expanded_uncertainty_ah_per_day() {
                rate = part;
            }
        }
        Ok(rate)
    }

    /// How much more or less than its rate says pack `p`'s board may have counted wrong in what a part leaves out of
    /// a whole, Ah (standard uncertainty): its gain acts on what went in less what went out, a gain that differs
    /// between the two on their sum. Both are made of the same counts, so they add up.
    fn unlike_ah(&self, p: usize, whole: (usize, usize), part: (usize, usize)) -> f64 {
        let counted = |(from, until): (usize, usize)| self.heard(p + 1, from, until);
        let lasts_h = |(from, until): (usize, usize)| self.facts.hours(from, until);
        let by_time = lasts_h(part) / lasts_h(whole);
        let unlike = |of: fn(&Counted) -> f64| (of(&counted(part)) - by_time * of(&counted(whole))).abs();
        GAIN * (unlike(Counted::net_ah) + unlike(Counted::throughput_ah))
    }
}
