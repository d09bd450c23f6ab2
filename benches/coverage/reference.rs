//! The reference's closures beside what the packs really took.

use packdrift::{charge::facts::Facts, demo::Winter};

use super::{tally::Compared, winter::answered};

/// Span by span.
pub fn closures(winter: &Winter, facts: &Facts) -> Vec<Compared> {
    answered(facts, |record| {
        record
            .trials()
            .iter()
            // A pack that is away need not be full when the others are: then something was stored, as it should.
            .filter(|trial| {
                let away = &facts.away;
                !away
                    .iter()
                    .any(|away| away.begin_ms < trial.end_ms && away.end_ms > trial.begin_ms)
            })
            .map(|trial| {
                // What was counted and not stored is the reference's closure; what is off is what was stored.
                let stored_ah: f64 = (0..winter.packs.len())
                    .map(|p| {
                        let at = |at_ms| winter.true_soc_percent(p, at_ms);
                        let points = at(trial.end_ms) - at(trial.begin_ms);
                        winter.packs[p].capacity_ah * points / 100.0
                    })
                    .sum();
                Compared {
                    off: stored_ah,
                    stated: trial.closure.expanded_uncertainty_ah(),
                }
            })
            .collect()
    })
}
