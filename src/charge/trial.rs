//! The reference on trial: what it counted from full charge to full charge, what should have left the packs behind
//! its back, and whether the rest is more than its data sheet allows.

use super::{
    drift::Record,
    estimate::{Estimate, Source},
    facts::Facts,
    losses::Closure,
};

/// A data sheet's limit of error was taken as a rectangular distribution (JCGM 100:2008, 4.3.7).
const STANDARD_TO_LIMIT: f64 = 1.732_050_807_568_877_2;

/// The reference's closure over one or several spans.
#[derive(Debug, Clone, PartialEq)]
pub struct Trial {
    /// The first mark, ms since 1970.
    pub begin_ms: i64,
    /// The last mark, ms since 1970.
    pub end_ms: i64,
    /// How many spans lie between, and how many days they have together.
    pub spans: usize,
    /// Days of those spans.
    pub days: f64,
    /// The reference was set anew within: what it shows is of two instruments.
    pub of_two_epochs: bool,
    /// What it counted net, Ah.
    pub closure: Estimate,
    /// What it counted in and out, Ah.
    pub throughput_ah: f64,
    /// What should have left the packs behind its back, by cause, Ah.
    pub expected: [(Source, Estimate); 3],
    /// What its zero may come to by its data sheet, Ah.
    pub allowed_ah: f64,
}

impl Trial {
    /// What is left for the instrument, Ah.
    #[must_use]
    pub fn remainder(&self) -> Estimate {
        let expected = self.expected.iter().map(|(_, part)| part.clone());
        self.closure.clone() - expected.sum()
    }

    /// Whether what is left exceeds the data sheet by more than its expanded uncertainty.
    #[must_use]
    pub fn is_beyond_data_sheet(&self) -> bool {
        let remainder = self.remainder();
        remainder.value_ah.abs() - self.allowed_ah > remainder.expanded_uncertainty_ah()
    }

    /// Of an amount in Ah: (Ah a day, mA, % of throughput).
    #[must_use]
    pub fn as_rate(&self, ah: f64) -> (f64, f64, Option<f64>) {
        let ah_per_day = ah / self.days;
        let percent = (self.throughput_ah > 0.0).then(|| 100.0 * ah / self.throughput_ah);
        (ah_per_day, ah_per_day / 24.0 * 1000.0, percent)
    }

    /// Those of each of the reference's epochs together; in order of time, as they are given.
    #[must_use]
    pub fn pooled(facts: &Facts, trials: Vec<Self>) -> Vec<Self> {
        let mut pooled: Vec<Self> = Vec::new();
        for trial in trials.into_iter().filter(|trial| !trial.of_two_epochs) {
            let epoch_ms = |of: &Self| facts.epoch_ms(0, of.begin_ms);
            match pooled.pop() {
                Some(before) if epoch_ms(&before) == epoch_ms(&trial) => pooled.push(before.and(trial)),
                before => {
                    pooled.extend(before);
                    pooled.push(trial);
                }
            }
        }
        pooled
    }

    fn and(self, next: Self) -> Self {
        let [draw, discharge, efficiency] = self.expected;
        let [next_draw, next_discharge, next_efficiency] = next.expected;
        Self {
            begin_ms: self.begin_ms,
            end_ms: next.end_ms,
            spans: self.spans + next.spans,
            days: self.days + next.days,
            of_two_epochs: false,
            closure: self.closure + next.closure,
            throughput_ah: self.throughput_ah + next.throughput_ah,
            expected: [
                (draw.0, draw.1 + next_draw.1),
                (discharge.0, discharge.1 + next_discharge.1),
                (efficiency.0, efficiency.1 + next_efficiency.1),
            ],
            allowed_ah: self.allowed_ah + next.allowed_ah,
        }
    }
}

impl Record<'_> {
    /// The reference's closures, span by span, in order of time.
    #[must_use]
    pub fn trials(&self) -> Vec<Trial> {
        self.closures().iter().map(|span| self.trial(span)).collect()
    }

    fn trial(&self, span: &Closure) -> Trial {
        let facts = self.facts;
        let (begin_ms, end_ms) = (facts.cuts[span.begin].at_ms, facts.cuts[span.end].at_ms);
        let hours = facts.hours(span.begin, span.end);
        Trial {
            begin_ms,
            end_ms,
            spans: 1,
            days: hours / 24.0,
            of_two_epochs: facts.epoch_ms(0, begin_ms) != facts.epoch_ms(0, end_ms),
            closure: span.closure.clone(),
            throughput_ah: self.filled.throughput_ah(span.begin, span.end),
            expected: self
                .stored
                .losses
                .behind(span.begin, &self.filled.flow(span.begin, span.end)),
            allowed_ah: STANDARD_TO_LIMIT * facts.bank.reference_offset_ma / 1000.0 * hours,
        }
    }
}
