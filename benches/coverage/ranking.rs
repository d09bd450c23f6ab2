//! How often is a revision called better that isn't, and one that is? Rates of two revisions with two units each are
//! drawn around their revisions and measured with the uncertainty of a winter: what is tried is the verdict, not the
//! measurement, which the full winters try.

use packdrift::charge::{
    estimate::{Estimate, Source, Whose},
    revision::{CLAIMED, Scatter, Units, Verdict},
};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::tally::as_f64;

/// mA to Ah a day.
const AH_PER_DAY: f64 = 0.024;
/// Standard uncertainty of a rate over a winter, own and common, Ah a day.
const OWN: f64 = 0.03;
const COMMON: f64 = 0.02;

/// Draws so many winters for each scatter between units.
pub fn run(winters: u64, seed: u64) {
    println!("{winters} winters of two revisions with two units each, seeds from {seed}; claimed at 95 %:");
    println!(
        "unit sd mA   equal, both about 0   equal, both about 50   150 mA apart (50, 200)   (-75, 75): differ"
    );
    for scatter_ma in [10.0, 20.0, 30.0, 45.0, 60.0, 100.0] {
        let claimed = |means_ma: [f64; 2], claims: fn(&Verdict) -> f64| {
            let hits = (seed..seed + winters).filter(|seed| {
                let verdict = drawn(*seed, means_ma, scatter_ma);
                verdict.is_some_and(|verdict| claims(&verdict) >= CLAIMED)
            });
            100.0 * as_f64(hits.count()) / as_f64(usize::try_from(winters).unwrap_or(1))
        };
        let better = |verdict: &Verdict| verdict.one_is_better;
        let differ = |verdict: &Verdict| verdict.differ;
        println!(
            "{scatter_ma:10}   {:17.1} %   {:18.1} %   {:20.1} %   {:15.1} %",
            claimed([0.0, 0.0], better),
            claimed([50.0, 50.0], better),
            claimed([50.0, 200.0], better),
            claimed([-75.0, 75.0], differ),
        );
    }
}

fn drawn(seed: u64, means_ma: [f64; 2], scatter_ma: f64) -> Option<Verdict> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    // Box and Muller.
    let mut normal = || {
        let (one, other): (f64, f64) = (random.random_range(f64::EPSILON..1.0), random.random());
        (-2.0 * one.ln()).sqrt() * (std::f64::consts::TAU * other).cos()
    };
    let common = COMMON * normal();
    let mut unit = 0;
    let revisions = means_ma.map(|mean_ma| Units {
        rates: [(); 2]
            .map(|()| {
                unit += 1;
                let is = AH_PER_DAY * (mean_ma + scatter_ma * normal());
                Estimate::exact(is + common + OWN * normal())
                    .moved(Source::FullCharge, Whose::Pack(unit), 0, OWN)
                    .moved(Source::ReferenceOffset, Whose::Common, 0, COMMON)
            })
            .to_vec(),
        days: 68.0,
    });
    let scatter = Scatter::within(&revisions)?;
    Verdict::between(&revisions[0], &revisions[1], &scatter)
}
