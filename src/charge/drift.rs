//! The answer: how far a pack's count has drifted between two instants, and how sure that is.

use super::{
    count::Counted,
    estimate::{Estimate, Source, Whose},
    facts::{Facts, Learned},
    fill::Filled,
    losses::Closure,
    stored::{Basis, Stored},
    time::{as_f64, hours},
};

/// Over how long two instants' imbalance between packs is the same, h.
const UNEQUAL_LASTS_H: f64 = 6.0;
/// More of a span than this without a witness is too much.
pub(super) const UNWITNESSED_AT_MOST: f64 = 0.1;

/// Why there is no answer.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum Insufficient {
    /// Nothing, or only an instant, lies between the two.
    #[error("nothing was heard of this pack in the time asked about")]
    NothingHeard,
    /// The pack did not belong to the bank.
    #[error("the pack didn't belong to the bank in the time asked about")]
    NotInBank,
    /// What the pack reports has the wrong sign.
    #[error(
        "what this pack reports runs against what the reference reports: one of them has the wrong sign (`charging` in its [[source]])"
    )]
    Reversed,
    /// For too long nobody can say what was counted.
    #[error(
        "for {percent:.0} % of the time nothing says what {whose} counted: no current was heard of it, and no counter or \
         display stands in; `packdrift check --live` shows what it reports"
    )]
    Unwitnessed {
        /// "the pack" or "the reference".
        whose: &'static str,
        /// Part of the time, %.
        percent: f64,
    },
}

/// A bank's record, ready to answer questions.
#[derive(Debug)]
pub struct Record<'a> {
    pub(super) facts: &'a Facts,
    pub(super) filled: &'a Filled<'a>,
    pub(super) stored: Stored<'a>,
}

/// A charge error between two instants.
#[derive(Debug, Clone, PartialEq)]
pub struct ChargeError {
    /// Counted charge less change of stored charge, Ah.
    pub error: Estimate,
    /// Whether both ends lie between marks.
    pub basis: Basis,
}

/// How much of a stretch of time was heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coverage {
    /// Fraction heard.
    pub fraction: f64,
    /// Longest gap within it, ms.
    pub longest_gap_ms: i64,
}

impl<'a> Record<'a> {
    /// Prepares the record of a bank.
    #[must_use]
    pub fn new(facts: &'a Facts, filled: &'a Filled<'a>) -> Self {
        Self {
            facts,
            filled,
            stored: Stored::new(facts, filled),
        }
    }

    /// The closed spans with the reference's closures.
    #[must_use]
    pub fn closures(&self) -> &[Closure] {
        &self.stored.closures
    }

    /// Charge error of pack `p` between two cuts.
    ///
    /// # Errors
    /// [`Insufficient`] where there is too little to answer from.
    pub fn charge_error(&self, p: usize, from: usize, until: usize) -> Result<ChargeError, Insufficient> {
        if from >= until {
            return Err(Insufficient::NothingHeard);
        }
        if self.facts.reversed[p] {
            return Err(Insufficient::Reversed);
        }
        let windows = self.in_bank(p, from, until);
        self.witnessed(p, &windows)?;
        let mut whole: Option<ChargeError> = None;
        for (from, until) in windows {
            let counted = self.filled.between(p + 1, from, until);
            let part = self.error_in_bank(p, from, until, counted);
            whole = Some(match whole {
                None => part,
                Some(before) => ChargeError {
                    error: before.error + part.error,
                    basis: if before.basis == part.basis {
                        before.basis
                    } else {
                        Basis::Provisional
                    },
                },
            });
        }
        whole.ok_or(Insufficient::NotInBank)
    }

    /// Error of pack `p`'s own counter, which went up by `own_ah` between two cuts; `None` where the pack didn't
    /// belong to the bank throughout, or nothing says what the reference counted.
    #[must_use]
    pub fn own_counter_error(&self, p: usize, from: usize, until: usize, own_ah: f64) -> Option<Estimate> {
        let windows = self.in_bank(p, from, until);
        let answered = windows == [(from, until)] && self.charge_error(p, from, until).is_ok();
        answered.then(|| self.error_in_bank(p, from, until, Estimate::exact(own_ah)).error)
    }

    /// The stretches between two cuts in which pack `p` belonged to the bank.
    pub(super) fn in_bank(&self, p: usize, from: usize, until: usize) -> Vec<(usize, usize)> {
        let mut windows: Vec<(usize, usize)> = Vec::new();
        for cut in from..until {
            if !self.facts.era(cut).packs[p].in_bank {
                continue;
            }
            match windows.last_mut() {
                Some(window) if window.1 == cut => window.1 = cut + 1,
                _ => windows.push((cut, cut + 1)),
            }
        }
        windows
    }

    pub(super) fn error_in_bank(
        &self,
        p: usize,
        from: usize,
        until: usize,
        counted: Estimate,
    ) -> ChargeError {
        let (stored_from, basis_from) = self.stored.of_pack(p, from);
        let (stored_until, basis_until) = self.stored.of_pack(p, until);
        let unequal_from_ah = self.stored.unequal_ah(p, from, stored_from.value_ah);
        let unequal_until_ah = self.stored.unequal_ah(p, until, stored_until.value_ah);
        let shared = shared_after(self.facts.cuts[until].at_ms - self.facts.cuts[from].at_ms);
        let own = (1.0 - shared * shared).sqrt();
        let redefined = self.stored.redefined(p, from, until);
        // Keyed by the instant, so that errors before and after an instant add up to the error across it.
        let (from_ms, until_ms) = (self.facts.cuts[from].at_ms, self.facts.cuts[until].at_ms);
        let error = (counted - (stored_until - stored_from - redefined))
            .moved(
                Source::UnequalSoc,
                Whose::Pack(p),
                from_ms,
                unequal_from_ah - shared * unequal_until_ah,
            )
            .moved(
                Source::UnequalSoc,
                Whose::Pack(p),
                until_ms,
                -own * unequal_until_ah,
            );
        let closed = basis_from == Basis::Closed && basis_until == Basis::Closed;
        ChargeError {
            error,
            basis: if closed { Basis::Closed } else { Basis::Provisional },
        }
    }

    /// Actual state of charge of pack `p` at a cut, as Ah relative to full; `None` where no mark says what full is.
    #[must_use]
    pub fn below_full(&self, p: usize, at: usize) -> Option<Estimate> {
        if self.facts.marks.is_empty() {
            return None;
        }
        let (stored, _) = self.stored.of_pack(p, at);
        let unequal_ah = self.stored.unequal_ah(p, at, stored.value_ah);
        let at_ms = self.facts.cuts[at].at_ms;
        Some(stored.moved(Source::UnequalSoc, Whose::Pack(p), at_ms, unequal_ah))
    }

    /// Actual state of charge of pack `p` at a cut, % of its capacity; `None` where no mark says what full is. Which part
    /// of the bank's charge is its own is of no matter to that: a larger share is one of a larger capacity. How large all
    /// are together is.
    #[must_use]
    pub fn actual(&self, p: usize, at: usize) -> Option<Estimate> {
        let below = self.below_full(p, at)?;
        let era = self.facts.era(at);
        let below = below.times(100.0 / era.packs[p].capacity_ah);
        let below_percent = below.value_ah;
        let actual = below + Estimate::exact(100.0);
        Some(match &era.learned {
            Some(Learned { since_ms, spread, .. }) => (0..spread.ncols()).fold(actual, |actual, cause| {
                let by = -spread[(p, cause)] * below_percent;
                actual.moved(Source::CapacityShare, Whose::Pack(cause), *since_ms, by)
            }),
            None => {
                let by = -era.packs[p].capacity_uncertainty * below_percent;
                actual.moved(Source::CapacityShare, Whose::Pack(p), 0, by)
            }
        })
    }

    /// The same of the packs on the busbar together; `None` also where nobody is on it.
    #[must_use]
    pub fn bank_actual(&self, at: usize) -> Option<Estimate> {
        let at_ms = self.facts.cuts[at].at_ms;
        let era = self.facts.era(at);
        let on: Vec<usize> = (0..era.packs.len())
            .filter(|p| self.facts.on_busbar(*p, at_ms))
            .collect();
        let of_ah: f64 = on.iter().map(|p| era.packs[*p].capacity_ah).sum();
        let part = |p: usize| Some(self.actual(p, at)?.times(era.packs[p].capacity_ah / of_ah));
        let together: Estimate = on.iter().map(|p| part(*p)).sum::<Option<_>>()?;
        (!on.is_empty()).then_some(together)
    }

    /// The same of pack `p`, its value alone, % of what its capacity is at the end of the record; `None` where no
    /// mark says what full is.
    #[must_use]
    pub fn actual_percent(&self, p: usize, at: usize) -> Option<f64> {
        if self.facts.marks.is_empty() {
            return None;
        }
        let capacity_ah = self.facts.era(self.facts.cuts.len() - 1).packs[p].capacity_ah;
        Some(100.0 * (1.0 + self.stored.of_pack(p, at).0.value_ah / capacity_ah))
    }

    /// What an instrument counted between two cuts, as heard.
    #[must_use]
    pub fn heard(&self, of: usize, from: usize, until: usize) -> Counted {
        self.facts.cuts[until].totals[of] - self.facts.cuts[from].totals[of]
    }

    /// How much of the time between two cuts an instrument was heard.
    #[must_use]
    pub fn coverage(&self, of: usize, from: usize, until: usize) -> Coverage {
        let (begin_ms, end_ms) = (self.facts.cuts[from].at_ms, self.facts.cuts[until].at_ms);
        let heard_ms = self.heard(of, from, until).heard_ms;
        let longest_gap_ms = self
            .facts
            .gaps
            .iter()
            .filter(|gap| gap.of == of)
            .map(|gap| gap.end_ms.min(end_ms) - gap.begin_ms.max(begin_ms))
            .max()
            .unwrap_or(0)
            .max(0);
        Coverage {
            fraction: as_f64(heard_ms) / as_f64((end_ms - begin_ms).max(1)),
            longest_gap_ms,
        }
    }

    /// How long pack `p` was off the busbar between two cuts while it belonged to the bank, ms.
    #[must_use]
    pub fn off_busbar_ms(&self, p: usize, from: usize, until: usize) -> i64 {
        let cuts = &self.facts.cuts;
        (from..until)
            .filter(|cut| self.facts.era(*cut).packs[p].in_bank && !self.facts.on_busbar(p, cuts[*cut].at_ms))
            .map(|cut| cuts[cut + 1].at_ms - cuts[cut].at_ms)
            .sum()
    }

    fn witnessed(&self, p: usize, windows: &[(usize, usize)]) -> Result<(), Insufficient> {
        let cuts = &self.facts.cuts;
        let whole_ms: i64 = windows
            .iter()
            .map(|(from, until)| cuts[*until].at_ms - cuts[*from].at_ms)
            .sum();
        for (of, whose) in [(p + 1, "the pack"), (0, "the reference")] {
            let unknown_ms: i64 = windows
                .iter()
                .map(|(from, until)| self.filled.unknown_ms(of, *from, *until))
                .sum();
            let part = as_f64(unknown_ms) / as_f64(whole_ms.max(1));
            if part > UNWITNESSED_AT_MOST {
                return Err(Insufficient::Unwitnessed {
                    whose,
                    percent: 100.0 * part,
                });
            }
        }
        Ok(())
    }
}

/// Whether an actual state of charge, %, is more than full or less than empty by more than its expanded uncertainty: then
/// something isn't as the setup says.
#[must_use]
pub fn is_impossible(actual: &Estimate) -> bool {
    (actual.value_ah - 50.0).abs() - 50.0 > actual.expanded_uncertainty_ah()
}

/// What packs differ by lasts some hours: the part of it that two instants so far apart share.
pub(super) fn shared_after(apart_ms: i64) -> f64 {
    (-hours(apart_ms) / UNEQUAL_LASTS_H).exp()
}
