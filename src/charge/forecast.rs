//! When a pack's display will be wrong by more than a threshold, if neither a full charge nor an end stop of the
//! display sets it anew first, and by how much a full charge now would narrow what is known of it.

use super::{
    count::{Counted, PER_AH},
    drift::{Insufficient, Record},
    estimate::{COVERAGE_FACTOR, Estimate},
    facts::{Facts, Mark},
    fill::Filled,
};

/// Nobody waits longer for a full charge, days.
pub const HORIZON_DAYS: f64 = 180.0;
/// How long the full charge takes that isn't yet made, ms: of no weight beside days.
const CHARGE_MS: i64 = 3_600_000;
/// How finely the day is looked for.
const STEPS_PER_DAY: u32 = 10;
/// What a display wanders about its trend with how deep the pack is just then: gains and capacities that boards
/// have wrong, a percent or two each, act on the depth. Points, standard deviation.
const WANDERS_POINTS: f64 = 1.0;
/// How unlike the weeks seen those to come may be: what is blind or goes with throughput depends on the weather.
/// Fraction of the rate, standard uncertainty.
const WEEKS_DIFFER: f64 = 0.15;

/// A display's error now, and how fast it grows.
#[derive(Debug, Clone, PartialEq)]
pub struct Outlook {
    /// Displayed less actual, an estimate in points.
    pub now: Estimate,
    /// By how much it changes, an estimate in points a day.
    pub per_day: Estimate,
}

/// When a threshold is passed, in days from now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Passing {
    /// By the rate as it is; `None`: not within [`HORIZON_DAYS`].
    pub likely: Option<f64>,
    /// At the earliest, with k = 2.
    pub earliest: Option<f64>,
    /// At the latest, with k = 2.
    pub latest: Option<f64>,
}

impl Outlook {
    /// When the error's size passes a threshold in points.
    #[must_use]
    pub fn passing(&self, threshold_points: f64) -> Passing {
        let (now, rate) = (self.now.value_ah, self.per_day.value_ah);
        let variance_now = self.now.standard_uncertainty_ah().powi(2) + WANDERS_POINTS.powi(2);
        let variance_rate = self.per_day.standard_uncertainty_ah().powi(2) + (WEEKS_DIFFER * rate).powi(2);
        let together = self.now.covariance(&self.per_day);
        let first = |size: &dyn Fn(f64) -> f64| {
            let days = (0_u32..).map(|step| f64::from(step) / f64::from(STEPS_PER_DAY));
            days.take_while(|days| *days <= HORIZON_DAYS)
                .find(|days| size(*days) >= threshold_points)
        };
        let spread = |days: f64| {
            let variance = variance_now + 2.0 * days * together + days * days * variance_rate;
            COVERAGE_FACTOR * variance.max(0.0).sqrt()
        };
        let error = |days: f64| now + rate * days;
        Passing {
            likely: first(&|days| error(days).abs()),
            earliest: first(&|days| error(days).abs() + spread(days)),
            latest: first(&|days| error(days).abs() - spread(days)),
        }
    }
}

impl Record<'_> {
    /// A pack's outlook at the cut `until`, by its rate since `from` or its last recalibration.
    ///
    /// `displayed_percent` is what it displays; `None` where that says nothing, as at its end stops: then what was
    /// counted since the last full charge stands in.
    ///
    /// # Errors
    /// [`Insufficient`] where there is too little to answer from.
    pub fn outlook(
        &self,
        p: usize,
        (from, until): (usize, usize),
        displayed_percent: Option<f64>,
    ) -> Result<Outlook, Insufficient> {
        let pack = &self.facts.era(until).packs[p];
        let rate = self.last_rate(p, from, until)?;
        let by_display = displayed_percent
            .zip(self.actual(p, until))
            .map(|(shown, actual)| Estimate::exact(shown) - actual);
        let now = match by_display {
            Some(now) => now,
            None => {
                let until_ms = self.facts.cuts[until].at_ms;
                let marks = self.facts.marks.iter().rev();
                let mark_ms = marks
                    .filter(|mark| mark.at_ms < until_ms && mark.counts[p])
                    .find_map(|mark| self.facts.cut_at(mark.at_ms));
                let since = mark_ms.unwrap_or(from);
                let error = self.charge_error(p, since, until)?.error;
                error.times(100.0 / pack.displayed_capacity_ah)
            }
        };
        let per_day = rate.per_day().times(100.0 / pack.displayed_capacity_ah);
        Ok(Outlook { now, per_day })
    }
}

/// Expanded uncertainty of every pack's charge error since the cut `from` once the bank had been charged full from the
/// last cut, Ah; by pack, [`Insufficient`] where there is too little to answer from.
#[must_use]
pub fn narrowed(record: &Record<'_>, from: usize) -> Vec<Result<f64, Insufficient>> {
    let facts = charged_full(record);
    let filled = Filled::new(&facts);
    let record = Record::new(&facts, &filled);
    let full = facts.cuts.len() - 1;
    (0..facts.bank.eras[0].packs.len())
        .map(|p| {
            Ok(record
                .charge_error(p, from, full)?
                .error
                .expanded_uncertainty_ah())
        })
        .collect()
}

/// The facts as they would be had everyone on the busbar been charged full behind the last cut, and counted it.
fn charged_full(record: &Record<'_>) -> Facts {
    let facts = record.facts;
    let mut charged = facts.clone();
    let last = facts.cuts.len() - 1;
    let at_ms = facts.cuts[last].at_ms + CHARGE_MS;
    let packs = facts.bank.eras[0].packs.len();
    let counts: Vec<bool> = (0..packs).map(|p| facts.on_busbar(p, at_ms)).collect();
    let missing_ah = |p: usize| {
        let below = record.below_full(p, last).filter(|_| counts[p]);
        below.map_or(0.0, |below| (-below.value_ah).max(0.0))
    };
    let mut cut = facts.cuts[last].clone();
    cut.at_ms = at_ms;
    cut.totals[0] += charge((0..packs).map(missing_ah).sum());
    for p in 0..packs {
        cut.totals[p + 1] += charge(missing_ah(p));
    }
    charged.cuts.push(cut);
    charged.marks.push(Mark {
        since_ms: at_ms,
        at_ms,
        counts,
    });
    charged
}

/// So much charged within [`CHARGE_MS`].
#[expect(clippy::cast_possible_truncation, reason = "a charge of some hundred Ah")]
fn charge(ah: f64) -> Counted {
    Counted {
        charged: (ah * PER_AH).round() as i64,
        heard_ms: CHARGE_MS,
        ..Counted::default()
    }
}

#[cfg(test)]
mod tests {
    use super::super::estimate::{Source, Whose};
    use super::*;

    fn outlook(now: f64, per_day: f64, unsure_per_day: f64) -> Outlook {
        Outlook {
            now: Estimate::exact(now),
            per_day: Estimate::exact(per_day).moved(Source::Sampling, Whose::Pack(0), 0, unsure_per_day),
        }
    }

    #[test]
    fn a_steady_drift_passes_when_it_must() {
        let passing = outlook(2.0, 0.5, 0.01).passing(10.0);
        assert_eq!(passing.likely, Some(16.0));
        assert!(passing.earliest < passing.likely && passing.likely < passing.latest);
    }

    #[test]
    fn a_drift_to_the_other_side_counts_as_much() {
        let (up, down) = (outlook(2.0, 0.5, 0.01), outlook(-2.0, -0.5, 0.01));
        assert_eq!(up.passing(10.0), down.passing(10.0));
    }

    #[test]
    fn what_may_stand_still_has_no_latest_day() {
        let passing = outlook(0.0, 0.1, 0.06).passing(10.0);
        assert_eq!((passing.likely, passing.latest), (Some(100.0), None));
        assert_eq!(outlook(0.0, 0.01, 0.0).passing(10.0).earliest, None);
    }
}
