//! Charge error over time: at many instants for the price of a few.
//!
//! From one cut to the next a charge error is linear in what changes from instant to instant (the time, what the
//! reference and the pack counted), with estimates that don't change for coefficients: its variance is a quadratic
//! form in their covariances. What moves a count from one cut to the next is known in part at an instant between
//! them: of a sum of independent steps with variance σ², a part f shares f²·σ² with the whole and has f·(1 − f)·σ²
//! of its own. What fills the count of an instrument that was not heard goes evenly, or follows what was heard.

use super::{
    count::Counted,
    drift::{Record, UNWITNESSED_AT_MOST, shared_after},
    estimate::{COVERAGE_FACTOR, Estimate, Mixture, Source, Whose},
    facts::{Cut, Facts},
    fill::{Filled, Unheard},
    stored::{GoesOn, Passed, Unequal},
    time::{as_f64, hours},
};

/// How a pack stands at an instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Charge error and its expanded uncertainty, Ah; `None` where there is too little to answer from.
    pub error_ah: Option<(f64, f64)>,
    /// Actual state of charge, %; `None` where no mark says what full is.
    pub actual_percent: Option<f64>,
}

/// How each of these packs stands at each of these instants, with its charge error since the cut `from`. The instants
/// are in order of time, none before `from` and none behind the last cut.
#[must_use]
pub fn course(facts: &Facts, from: usize, instants: &[Cut], packs: &[usize]) -> Vec<Vec<Point>> {
    let filled = Filled::new(facts);
    let record = Record::new(facts, &filled);
    let mut points = vec![Vec::with_capacity(instants.len()); packs.len()];
    let behind = |instant: &Cut| facts.cuts.partition_point(|cut| cut.at_ms <= instant.at_ms) - 1;
    for run in instants.chunk_by(|one, next| behind(one) == behind(next)) {
        let begin = behind(&run[0]);
        let (at_cut, between) = run.split_at(usize::from(run[0].at_ms == facts.cuts[begin].at_ms));
        for (points, p) in points.iter_mut().zip(packs) {
            points.extend(at_cut.iter().map(|_| at_a_cut(&record, *p, from, begin)));
            if !between.is_empty() {
                let leg = Leg::new(&record, *p, from, begin);
                points.extend(between.iter().map(|instant| leg.at(instant)));
            }
        }
    }
    points
}

fn at_a_cut(record: &Record<'_>, p: usize, from: usize, at: usize) -> Point {
    let error = record.charge_error(p, from, at).ok().map(|answer| answer.error);
    Point {
        error_ah: error.map(|error| (error.value_ah, error.expanded_uncertainty_ah())),
        actual_percent: record.actual_percent(p, at),
    }
}

/// How a pack goes on from one cut to the next.
struct Leg<'a> {
    begin: &'a Cut,
    end: &'a Cut,
    p: usize,
    /// Stored charge at the beginning, Ah.
    stored_ah: f64,
    goes_on: GoesOn,
    unequal: Unequal,
    error: Error,
    /// What an actual state of charge is stated against, Ah; `None` where no mark says what full is.
    capacity_ah: Option<f64>,
}

/// The charge error of a pack from one cut to the next.
enum Error {
    /// There is none.
    Untold,
    /// Value and expanded uncertainty stay, Ah: the pack isn't in the bank.
    Stays(f64, f64),
    Goes(Box<Going>),
}

/// What has come about since the last cut.
struct Since {
    ms: i64,
    /// The part of the time to the next one.
    passed: f64,
    reference: Passed,
    /// What parts of it the next cut doesn't share.
    reference_loose: [f64; 2],
    /// By the pack, as heard.
    own: Counted,
    /// The parts of all that moves its count up to the next cut.
    own_parts: [f64; 2],
}

impl<'a> Leg<'a> {
    fn new(record: &'a Record<'_>, p: usize, from: usize, begin: usize) -> Self {
        let facts = record.facts;
        let goes_on = record.stored.goes_on(p, begin);
        Self {
            begin: &facts.cuts[begin],
            end: &facts.cuts[begin + 1],
            p,
            stored_ah: record.stored.of_pack(p, begin).0.value_ah,
            error: Error::new(record, p, from, begin, &goes_on),
            goes_on,
            unequal: record.stored.unequal_after(p, begin),
            capacity_ah: (!facts.marks.is_empty())
                .then(|| facts.era(facts.cuts.len() - 1).packs[p].capacity_ah),
        }
    }

    fn at(&self, instant: &Cut) -> Point {
        let since = self.since(instant);
        let hours = hours(since.ms);
        let by = self.goes_on.by(hours, &since.reference);
        let stored_ah = self.stored_ah + self.goes_on.value_ah(&by);
        Point {
            error_ah: match &self.error {
                Error::Untold => None,
                Error::Stays(ah, expanded_ah) => Some((*ah, *expanded_ah)),
                Error::Goes(going) => going.at(instant.at_ms, &since, &by, self.unequal.ah(hours, stored_ah)),
            },
            actual_percent: self
                .capacity_ah
                .map(|capacity_ah| 100.0 * (1.0 + stored_ah / capacity_ah)),
        }
    }
}

impl Leg<'_> {
    fn since(&self, instant: &Cut) -> Since {
        let since = |of: usize| instant.totals[of] - self.begin.totals[of];
        let parts = |of: usize| parts(since(of), self.end.totals[of] - self.begin.totals[of]);
        let ms = instant.at_ms - self.begin.at_ms;
        let passed = as_f64(ms) / as_f64(self.end.at_ms - self.begin.at_ms);
        let heard = since(0);
        let (net_ah, noise, reference_loose) = match &self.goes_on.unheard {
            None => (heard.net_ah(), parts(0), parts(0).map(loose)),
            Some(unheard) => {
                let ah = unheard.followed_ah(|of| since(of).net_ah()) + passed * unheard.rest.value_ah;
                (ah, [passed, 0.0], [0.0; 2])
            }
        };
        Since {
            ms,
            passed,
            reference: Passed {
                net_ah,
                charged_ah: heard.charged_ah(),
                throughput_ah: heard.throughput_ah(),
                noise,
            },
            reference_loose,
            own: since(self.p + 1),
            own_parts: parts(self.p + 1),
        }
    }
}

/// Terms of a charge error: what it came to, less what the pack stored since, what moves its own count, and how
/// unequal it was when the bank's charge began to be followed.
const TERMS: usize = 1 + GoesOn::TERMS + 2 + 1;

/// A charge error that changes from instant to instant.
struct Going {
    sum: Mixture<TERMS>,
    /// Since when the pack has belonged to the bank, or the question begins, ms since 1970.
    from_ms: i64,
    /// How unequal it was then, Ah.
    unequal_from_ah: f64,
    /// For how long it belonged to the bank up to the last cut, ms.
    in_bank_ms: i64,
    /// For how much of that nothing says what the reference counted, and what it did, ms.
    unwitnessed_ms: [i64; 2],
    /// Nothing says what they count from that cut on.
    unwitnessed: [bool; 2],
    /// Where the pack isn't heard: how its count goes on.
    unheard: Option<Unheard>,
}

impl Error {
    fn new(record: &Record<'_>, p: usize, from: usize, begin: usize, goes_on: &GoesOn) -> Self {
        let facts = record.facts;
        if facts.reversed[p] {
            return Self::Untold;
        }
        if !facts.era(begin).packs[p].in_bank {
            return record
                .charge_error(p, from, begin)
                .map_or(Self::Untold, |answer| {
                    Self::Stays(answer.error.value_ah, answer.error.expanded_uncertainty_ah())
                });
        }
        let mut windows = record.in_bank(p, from, begin + 1);
        let Some((came, _)) = windows.pop() else {
            return Self::Untold;
        };
        let earlier = windows.iter().map(|(from, until)| {
            let counted = record.filled.between(p + 1, *from, *until);
            record.error_in_bank(p, *from, *until, counted).error
        });
        let earlier: Estimate = earlier.sum();
        windows.push((came, begin));
        let (stored_from, _) = record.stored.of_pack(p, came);
        let unequal_from_ah = record.stored.unequal_ah(p, came, stored_from.value_ah);
        let redefined = record.stored.redefined(p, came, begin);
        let stored = record.stored.of_pack(p, begin).0 - stored_from - redefined;
        let so_far = earlier + record.filled.between(p + 1, came, begin) - stored;

        let at_ms = facts.cuts[begin].at_ms;
        let moved = |source, which, by_ah| Estimate::default().moved(source, Whose::Pack(p), which, by_ah);
        let unheard = record.filled.unheard(p + 1, begin);
        let own = match &unheard {
            Some(unheard) => [unheard.rest.clone(), Estimate::ZERO],
            None => {
                let unsure = record.filled.unsure_ah(p + 1, begin);
                unsure.map(|(source, by_ah)| moved(source, at_ms, by_ah))
            }
        };
        let unequal = moved(Source::UnequalSoc, facts.cuts[came].at_ms, 1.0);
        let mut terms = [const { Estimate::ZERO }; TERMS];
        terms[0] = so_far;
        for (term, stored) in terms[1..].iter_mut().zip(&goes_on.terms) {
            *term = -stored.clone();
        }
        for (term, own) in terms[1 + GoesOn::TERMS..]
            .iter_mut()
            .zip(own.into_iter().chain([unequal]))
        {
            *term = own;
        }
        let lasted_ms = |(from, until): &(usize, usize)| facts.cuts[*until].at_ms - facts.cuts[*from].at_ms;
        let unknown_ms = |of: usize| -> i64 {
            let unknown_ms = |(from, until): &(usize, usize)| record.filled.unknown_ms(of, *from, *until);
            windows.iter().map(unknown_ms).sum()
        };
        Self::Goes(Box::new(Going {
            sum: Mixture::new(&terms),
            from_ms: facts.cuts[came].at_ms,
            unequal_from_ah,
            in_bank_ms: windows.iter().map(lasted_ms).sum(),
            unwitnessed_ms: [unknown_ms(0), unknown_ms(p + 1)],
            unwitnessed: [0, p + 1].map(|of| record.filled.unknown_ms(of, begin, begin + 1) > 0),
            unheard,
        }))
    }
}

impl Going {
    /// Value and expanded uncertainty at an instant, Ah.
    fn at(
        &self,
        at_ms: i64,
        since: &Since,
        stored_by: &[f64; GoesOn::TERMS],
        unequal_ah: f64,
    ) -> Option<(f64, f64)> {
        let unwitnessed_ms =
            |which: usize| self.unwitnessed_ms[which] + if self.unwitnessed[which] { since.ms } else { 0 };
        let unwitnessed_ms = unwitnessed_ms(0).max(unwitnessed_ms(1));
        let unwitnessed = as_f64(unwitnessed_ms) / as_f64(self.in_bank_ms + since.ms);
        if unwitnessed > UNWITNESSED_AT_MOST {
            return None;
        }
        let shared = shared_after(at_ms - self.from_ms);
        let (own_ah, own_by, own_loose) = match &self.unheard {
            None => (since.own.net_ah(), since.own_parts, since.own_parts.map(loose)),
            Some(unheard) => {
                let followed_ah = unheard.followed_ah(|_| since.reference.net_ah);
                (followed_ah, [since.passed, 0.0], [0.0; 2])
            }
        };
        let mut by = [0.0; TERMS];
        by[0] = 1.0;
        by[1..=GoesOn::TERMS].copy_from_slice(stored_by);
        by[TERMS - 3..TERMS - 1].copy_from_slice(&own_by);
        by[TERMS - 1] = self.unequal_from_ah - shared * unequal_ah;
        let noise = GoesOn::NOISE
            .zip(since.reference_loose)
            .chain((TERMS - 3..).zip(own_loose));
        let loose: f64 = noise
            .map(|(term, loose)| loose * self.sum.variance_of(term))
            .sum();
        let variance = self.sum.variance(&by) + loose + (1.0 - shared * shared) * unequal_ah * unequal_ah;
        Some((self.sum.value(&by) + own_ah, COVERAGE_FACTOR * variance.sqrt()))
    }
}

/// Which parts of what moves a count, by sampling and by rounding, lie in the first part of a stretch.
fn parts(first: Counted, whole: Counted) -> [f64; 2] {
    let part = |first: f64, whole: f64| if whole > 0.0 { first / whole } else { 0.0 };
    [
        part(first.sampling_ah2, whole.sampling_ah2),
        part(as_f64(first.pauses_ms2), as_f64(whole.pauses_ms2)),
    ]
}

/// What a part of a variance has of its own.
fn loose(part: f64) -> f64 {
    part * (1.0 - part)
}
