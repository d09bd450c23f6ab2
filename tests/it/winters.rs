//! How near the truth are the answers of simulated winters, and does the stated uncertainty hold it?
//!
//! Seeds below 2000 served to set the simulation and the budget's constants; these here served nothing else.

use std::{fmt, ops::Range, thread};

use packdrift::{
    charge::facts::Facts,
    config::Setup,
    demo::{Kind, Plan, Winter, simulate},
};

use crate::past;

const SEEDS: Range<u64> = 2001..2021;
const DAY_MS: i64 = 86_400_000;
const HOUR_MS: i64 = 3_600_000;

/// One answer beside the truth, in % of rated capacity.
struct Compared {
    off: f64,
    stated: f64,
}

/// What a set of answers comes to.
struct Summary {
    answers: usize,
    p95: f64,
    held_percent: f64,
    median_stated: f64,
}

impl fmt::Display for Summary {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            answers,
            p95,
            held_percent,
            median_stated,
        } = self;
        write!(
            formatter,
            "{answers} answers, p95 {p95:.2} % of capacity, ± holds the truth in {held_percent:.1} %, median ± {median_stated:.2} %"
        )
    }
}

fn summary(compared: &[Compared]) -> Summary {
    let mut off: Vec<f64> = compared.iter().map(|one| one.off.abs()).collect();
    let mut stated: Vec<f64> = compared.iter().map(|one| one.stated).collect();
    off.sort_by(f64::total_cmp);
    stated.sort_by(f64::total_cmp);
    let held = compared.iter().filter(|one| one.off.abs() <= one.stated).count();
    #[expect(clippy::cast_precision_loss, reason = "a few thousand answers")]
    let held_percent = 100.0 * held as f64 / compared.len() as f64;
    Summary {
        answers: off.len(),
        p95: off[off.len() * 95 / 100],
        held_percent,
        median_stated: stated[stated.len() / 2],
    }
}

/// Answers of one winter: at its closures, within closed spans, and as they stood in open spans.
struct Answers {
    closures: Vec<Compared>,
    within: Vec<Compared>,
    open: Vec<Compared>,
}

fn answers(kind: Kind, seed: u64) -> Answers {
    let setup = past::setup();
    let winter = simulate(&Plan::new(kind, seed));
    let store = past::filled(&setup, &winter);
    let marks: Vec<i64> = packdrift::store::anchor::of_bank(&store, "skerry")
        .unwrap()
        .iter()
        .map(|anchor| anchor.end_ms)
        .collect();
    let planned = winter.full_days.len();
    assert_eq!(
        marks.len(),
        planned,
        "{kind} {seed}: as many marks as planned full charges"
    );
    // Every third day, at another hour each time.
    let first_ms = marks[0];
    let between: Vec<i64> = (1..22)
        .map(|n| first_ms + 3 * n * DAY_MS + n * 7 % 24 * HOUR_MS)
        .collect();
    let instants: Vec<i64> = marks.iter().chain(&between).copied().collect();
    let (facts, at) = past::facts(&store, &setup, &instants);
    let (at_marks, at_between) = at.split_at(marks.len());
    let mut answers = Answers {
        closures: Vec::new(),
        within: Vec::new(),
        open: Vec::new(),
    };
    for until in &at_marks[1..] {
        answers
            .closures
            .extend(compared(&winter, &facts, at_marks[0], *until, &setup));
    }
    for until in at_between {
        answers
            .within
            .extend(compared(&winter, &facts, at_marks[0], *until, &setup));
        // As the answer stood on that day: later marks had not happened.
        let mut then = facts.clone();
        let until_ms = facts.cuts[*until].at_ms;
        then.marks.retain(|mark| mark.at_ms <= until_ms);
        then.cuts.truncate(until + 1);
        answers
            .open
            .extend(compared(&winter, &then, at_marks[0], *until, &setup));
    }
    answers
}

/// Every pack's answer beside the truth. An answer that is refused counts as one that doesn't hold.
fn compared(winter: &Winter, facts: &Facts, from: usize, until: usize, setup: &Setup) -> Vec<Compared> {
    let (from_ms, until_ms) = (facts.cuts[from].at_ms, facts.cuts[until].at_ms);
    past::ask(facts, |record| {
        (0..setup.banks[0].packs.len())
            .map(|p| {
                let percent = 100.0 / winter.packs[p].rated_ah;
                let truth_ah = winter.true_charge_error_ah(p, from_ms, until_ms);
                match record.charge_error(p, from, until) {
                    Ok(answer) => Compared {
                        off: percent * (answer.error.value_ah - truth_ah),
                        stated: percent * answer.error.expanded_uncertainty_ah(),
                    },
                    Err(_) => Compared {
                        off: f64::INFINITY,
                        stated: 0.0,
                    },
                }
            })
            .collect()
    })
}

/// All winters of a kind.
fn all(kind: Kind) -> Answers {
    let mut all = Answers {
        closures: Vec::new(),
        within: Vec::new(),
        open: Vec::new(),
    };
    for seed in SEEDS {
        let answers = answers(kind, seed);
        all.closures.extend(answers.closures);
        all.within.extend(answers.within);
        all.open.extend(answers.open);
    }
    println!("{kind}, at closures: {}", summary(&all.closures));
    println!("{kind}, within closed spans: {}", summary(&all.within));
    println!("{kind}, in open spans: {}", summary(&all.open));
    all
}

#[test]
fn answers_are_near_the_truth_and_say_how_near() {
    let (usual, sparse) = thread::scope(|scope| {
        let sparse = scope.spawn(|| all(Kind::Sparse));
        (all(Kind::Usual), sparse.join().unwrap())
    });
    let closures: Vec<Compared> = usual.closures.into_iter().chain(sparse.closures).collect();
    let between: Vec<Compared> = usual
        .within
        .into_iter()
        .chain(usual.open)
        .chain(sparse.within)
        .chain(sparse.open)
        .collect();
    let (at_closures, in_between) = (summary(&closures), summary(&between));
    println!("at closures: {at_closures}\nbetween: {in_between}");
    assert!(at_closures.p95 <= 1.2, "at closures: {at_closures}");
    assert!(in_between.p95 <= 3.0, "between: {in_between}");
    for summary in [at_closures, in_between] {
        assert!((93.0..=99.0).contains(&summary.held_percent), "{summary}");
    }
}
