//! What is asked of one simulated winter, and how the answers stand beside its truth.

use packdrift::{
    charge::{
        drift::Record,
        facts::{Facts, Mark},
        fill::Filled,
        learned::learned,
        switched_off::switched_off,
    },
    config::Setup,
    demo::{Plan, Winter, simulate},
};

use super::{
    forecast,
    heard::Heard,
    reference,
    sort::Sort,
    tally::{Compared, Tally},
};

pub const DAY_MS: i64 = 86_400_000;
const HOUR_MS: i64 = 3_600_000;
/// Rates are told for a pack of this capacity, Ah.
const RATES_FOR_AH: f64 = 200.0;

/// The rows of a sort of winters.
#[derive(Debug, Default, Clone)]
pub struct Rows {
    /// Charge error at full charges, % of capacity.
    pub closures: Tally,
    /// Between them, once the next one has come, % of capacity.
    pub within: Tally,
    /// Between them, as it stood on the day, % of capacity.
    pub open: Tally,
    /// From the first reading to the last full charge, % of capacity.
    pub whole: Tally,
    /// Differences between two packs at the last full charge, Ah.
    pub differences: Tally,
    /// Rate over the winter, Ah a day for 200 Ah.
    pub rates: Tally,
    /// Rates before and after a recalibration, Ah a day for 200 Ah.
    pub epochs: Tally,
    /// Closures of the reference, span by span, Ah.
    pub reference: Tally,
    /// Days until a display is 10 points off, asked every ten days.
    pub forecast: Tally,
}

impl Rows {
    /// The rows with their names.
    pub fn named(&self) -> [(&'static str, &Tally); 9] {
        [
            ("charge error at full charges, % of capacity", &self.closures),
            ("  between, corrected by the next, %", &self.within),
            ("  between, as it stood on the day, %", &self.open),
            ("from the first reading to the last full, %", &self.whole),
            ("difference of two packs at the last, Ah", &self.differences),
            ("rate over the winter, Ah/day for 200 Ah", &self.rates),
            ("rate of an epoch of some 35 days, same", &self.epochs),
            ("closure of the reference, Ah", &self.reference),
            ("forecast of 10 points: -1 early, 1 late", &self.forecast),
        ]
    }
}

/// A winter, and what is heard of it.
pub fn simulated(setup: &Setup, sort: Sort, seed: u64) -> (Winter, Heard<'_>) {
    let winter = simulate(&Plan::new(sort.kind(), seed));
    let heard = Heard::new(setup, sort.readings(&winter, seed));
    (winter, heard)
}

/// Asks everything of one winter.
pub fn ask(setup: &Setup, sort: Sort, seed: u64, rows: &mut Rows) {
    let (winter, heard) = simulated(setup, sort, seed);
    let marks_ms = heard.marks_ms();
    let recalibrated: Vec<(i64, usize)> = winter.recalibrated.into_iter().collect();
    // Every third day, at another hour each time.
    let between_ms = (1..22).map(|n| marks_ms[0] + 3 * n * DAY_MS + n * 7 % 24 * HOUR_MS);
    let instants: Vec<i64> = marks_ms.iter().copied().chain(between_ms).collect();
    let (facts, at) = heard.facts(&instants, &recalibrated);
    let (at_marks, at_between) = at.split_at(marks_ms.len());
    let first = at_marks[0];
    let last = facts.cuts.len() - 1;
    let mut answers = Rows::default();
    answered(&facts, |record| {
        let closures = at_marks[1..].iter();
        let closures = closures.flat_map(|until| charge_errors(&winter, &facts, record, first, *until));
        answers.closures.add(closures.collect());
        let within = at_between.iter();
        let within = within.flat_map(|until| charge_errors(&winter, &facts, record, first, *until));
        answers.within.add(within.collect());
        if let Some(until) = at_marks[1..].last() {
            answers
                .differences
                .add(differences(&winter, &facts, record, first, *until));
        }
        let (mut whole, mut parts) = (Vec::new(), Vec::new());
        for p in 0..winter.packs.len() {
            let compared = rates(&winter, record, p, (0, last));
            if compared.len() == 1 {
                whole.extend(compared);
            } else {
                parts.extend(compared);
            }
        }
        let first_ever = charge_errors(&winter, &facts, record, 0, *at_marks.last().unwrap_or(&last));
        answers.whole.add(first_ever);
        answers.rates.add(whole);
        answers.epochs.add(parts);
    });
    answers.reference.add(reference::closures(&winter, &facts));
    answers
        .forecast
        .add(forecast::passings(&winter, &heard, &recalibrated));
    let open = at_between.iter().flat_map(|until| {
        let then = as_of(&facts, *until);
        answered(&then, |record| {
            charge_errors(&winter, &then, record, first, *until)
        })
    });
    answers.open.add(open.collect());
    rows.append(answers);
}

impl Rows {
    /// Takes what another winter, or another thread, found.
    pub fn append(&mut self, one: Self) {
        for (all, one) in [
            (&mut self.closures, one.closures),
            (&mut self.within, one.within),
            (&mut self.open, one.open),
            (&mut self.whole, one.whole),
            (&mut self.differences, one.differences),
            (&mut self.reference, one.reference),
            (&mut self.forecast, one.forecast),
            (&mut self.rates, one.rates),
            (&mut self.epochs, one.epochs),
        ] {
            all.append(one);
        }
    }
}

/// Asks a question of the record of these facts.
pub fn answered<T>(facts: &Facts, question: impl FnOnce(&Record<'_>) -> T) -> T {
    let facts = &learned(switched_off(facts.clone()));
    let filled = Filled::new(facts);
    question(&Record::new(facts, &filled))
}

/// The facts as they stood at a cut: what came later had not happened.
pub fn as_of(facts: &Facts, until: usize) -> Facts {
    let until_ms = facts.cuts[until].at_ms;
    let mut then = facts.clone();
    then.marks.retain(|mark: &Mark| mark.at_ms <= until_ms);
    then.gaps.retain_mut(|gap| {
        if gap.end_ms > until_ms {
            gap.end_ms = until_ms;
            gap.charge_mah = None;
            gap.soc_permille = None;
        }
        gap.begin_ms < gap.end_ms
    });
    then.cuts.truncate(until + 1);
    then.grid.retain(|cut| cut.at_ms <= until_ms);
    then
}

fn charge_errors(
    winter: &Winter,
    facts: &Facts,
    record: &Record<'_>,
    from: usize,
    until: usize,
) -> Vec<Compared> {
    let (from_ms, until_ms) = (facts.cuts[from].at_ms, facts.cuts[until].at_ms);
    (0..winter.packs.len())
        .map(|p| {
            let percent = 100.0 / winter.packs[p].rated_ah;
            let truth_ah = winter.true_charge_error_ah(p, from_ms, until_ms);
            record
                .charge_error(p, from, until)
                .map_or(Compared::MISSED, |answer| Compared {
                    off: percent * (answer.error.value_ah - truth_ah),
                    stated: percent * answer.error.expanded_uncertainty_ah(),
                })
        })
        .collect()
}

fn differences(
    winter: &Winter,
    facts: &Facts,
    record: &Record<'_>,
    from: usize,
    until: usize,
) -> Vec<Compared> {
    let (from_ms, until_ms) = (facts.cuts[from].at_ms, facts.cuts[until].at_ms);
    let truth_ah = |p| winter.true_charge_error_ah(p, from_ms, until_ms);
    let answer = |p| record.charge_error(p, from, until).map(|answer| answer.error);
    let packs = winter.packs.len();
    let pairs = (0..packs).flat_map(|p| (p + 1..packs).map(move |q| (p, q)));
    pairs
        .map(|(p, q)| match (answer(p), answer(q)) {
            (Ok(one), Ok(other)) => {
                let difference = one - other;
                Compared {
                    off: difference.value_ah - (truth_ah(p) - truth_ah(q)),
                    stated: difference.expanded_uncertainty_ah(),
                }
            }
            _ => Compared::MISSED,
        })
        .collect()
}

fn rates(winter: &Winter, record: &Record<'_>, p: usize, (from, until): (usize, usize)) -> Vec<Compared> {
    let scale = RATES_FOR_AH / winter.packs[p].rated_ah;
    record
        .rates(p, from, until)
        .into_iter()
        .map(|rate| {
            let Ok(rate) = rate else { return Compared::MISSED };
            let truth_ah = winter.true_charge_error_ah(p, rate.begin_ms, rate.end_ms);
            Compared {
                off: scale * (rate.ah_per_day() - truth_ah / rate.days),
                stated: scale * rate.expanded_uncertainty_ah_per_day(),
            }
        })
        .collect()
}
