//! Causes of drift beside the faults that boards were given.

use packdrift::{
    charge::{
        causes::{
            Figure, Untold,
            account::{PackExplained, explain},
        },
        facts::Facts,
        learned::learned,
        switched_off::switched_off,
    },
    config::Setup,
    demo::Winter,
};

use super::{
    heard::Heard,
    sort::Sort,
    tally::{Compared, Tally, as_f64},
    winter::simulated,
};

/// The rows of a sort of winters.
#[derive(Debug, Default)]
pub struct Rows {
    /// Offset and draw, mA.
    steady: Row,
    /// Gain of charging less gain of discharging, points.
    asymmetry: Row,
    /// What flowed unseen, Ah.
    blind: Row,
}

/// A cause: what was told of it, and of how many boards.
#[derive(Debug, Default)]
struct Row {
    told: Tally,
    untold: usize,
}

impl Row {
    fn add(&mut self, figures: Vec<Result<Compared, Untold>>) {
        self.untold += figures.iter().filter(|figure| figure.is_err()).count();
        self.told.add(figures.into_iter().flatten().collect());
    }

    fn append(&mut self, other: Self) {
        self.told.append(other.told);
        self.untold += other.untold;
    }
}

impl Rows {
    /// Takes what another thread found.
    pub fn append(&mut self, other: Self) {
        self.steady.append(other.steady);
        self.asymmetry.append(other.asymmetry);
        self.blind.append(other.blind);
    }

    /// Prints them.
    pub fn print(&self) {
        for (name, row) in [
            ("steady error, mA", &self.steady),
            ("asymmetry, points", &self.asymmetry),
            ("blind charge, Ah", &self.blind),
        ] {
            let told = row.told.summary();
            let of = row.untold + told.map_or(0, |summary| summary.answers);
            let part = 100.0 * as_f64(told.map_or(0, |summary| summary.answers)) / as_f64(of.max(1));
            let told = told.map_or(String::new(), |summary| summary.to_string());
            println!("{:44} {told}  told of {part:.0} %", format!("  {name}"));
        }
    }
}

/// Tells the causes in one winter.
pub fn ask(setup: &Setup, sort: Sort, seed: u64, rows: &mut Rows) {
    let (winter, heard) = simulated(setup, sort, seed);
    let recalibrated: Vec<(i64, usize)> = winter.recalibrated.into_iter().collect();
    let marks_ms = heard.marks_ms();
    let (facts, at) = heard.facts(&[marks_ms[0], i64::MAX], &recalibrated);
    let facts = learned(switched_off(facts));
    let (begin_ms, end_ms) = (facts.cuts[at[0]].at_ms, facts.cuts[at[1]].at_ms);
    let steps = heard.steps((begin_ms, end_ms));
    let packs = match explain(&facts, &steps, &marks_ms, begin_ms, end_ms) {
        Ok(explained) => explained.packs,
        Err(untold) => {
            let nothing = || vec![Err(untold); winter.packs.len()];
            rows.steady.add(nothing());
            rows.asymmetry.add(nothing());
            rows.blind.add(nothing());
            return;
        }
    };
    let packs: Vec<(usize, &PackExplained)> = packs
        .iter()
        .enumerate()
        .filter_map(|(p, pack)| Some((p, pack.as_ref()?)))
        .collect();
    let compared = |told: Result<Figure, Untold>, per: f64, truth: f64| {
        told.map(|figure| Compared {
            off: per * (figure.value - truth),
            stated: 2.0 * per * figure.standard_uncertainty,
        })
    };
    // A recalibration changes what is wrong with a board; its faults are those before.
    let steady = packs
        .iter()
        .map(|(p, pack)| compared(pack.causes.steady_a[0], 1000.0, steady_a(&winter, *p)));
    rows.steady.add(steady.collect());
    let asymmetry = packs.iter().map(|(p, pack)| {
        let faults = winter.packs[*p].faults;
        compared(
            pack.causes.asymmetry,
            100.0,
            faults.charge_gain - faults.discharge_gain,
        )
    });
    rows.asymmetry.add(asymmetry.collect());
    let blind = packs.iter().map(|(p, pack)| {
        compared(
            pack.causes.blind_ah,
            1.0,
            blind_ah(&winter, &heard, &facts, *p, begin_ms),
        )
    });
    rows.blind.add(blind.collect());
}

fn steady_a(winter: &Winter, p: usize) -> f64 {
    winter.packs[p].faults.offset_a + winter.packs[p].lost_a
}

/// What flowed into a pack while its board reported nothing, from one report to the next, Ah.
fn blind_ah(winter: &Winter, heard: &Heard<'_>, facts: &Facts, p: usize, begin_ms: i64) -> f64 {
    let pack = &winter.packs[p];
    let stored_ah = |at_ms| winter.true_soc_percent(p, at_ms) / 100.0 * pack.capacity_ah;
    heard
        .reported(p)
        .windows(2)
        .filter(|pair| pair[0].at_ms >= begin_ms && pair[0].current_ma == 0 && pair[1].current_ma == 0)
        .filter(|pair| facts.on_busbar(p, pair[0].at_ms))
        .map(|pair| {
            #[expect(clippy::cast_precision_loss, reason = "a minute in ms")]
            let hours = (pair[1].at_ms - pair[0].at_ms) as f64 / 3_600_000.0;
            stored_ah(pair[1].at_ms) - stored_ah(pair[0].at_ms) + pack.lost_a * hours
        })
        .sum()
}
