//! Where the error of a count of charge has a closed form, does the count make just that error?
//!
//! White noise, offset, gain and the clock's rate, over n samples: Movassagh, Raihan, Balasingam and Pattipati, "A
//! critical look at coulomb counting approach for state of charge estimation in batteries", Energies 2021, 14(14),
//! 4074. Rounding is the white noise that the budget's line of resolution takes it for (JCGM 100:2008, 4.3.7).

use packdrift::charge::{
    count::{Between, Counted, Joining, Sample, counted},
    estimate::Source,
    facts::{Bank, Cut, Era, Facts, Pack},
    fill::Filled,
};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const PAUSE_MS: i64 = 10_000;
/// Of a count, n.
const SAMPLES: i64 = 360;
const HOURS: f64 = 1.0;
const LINE: Joining = Joining {
    between: Between::Line,
    longest_pause_ms: 600_000,
};

/// What is counted of a current, as reported in mA at each of the samples.
fn count(mut reported_ma: impl FnMut(i64) -> f64) -> Counted {
    let samples: Vec<Sample> = (0..=SAMPLES)
        .map(|k| {
            #[expect(clippy::cast_possible_truncation, reason = "a current in mA")]
            let current_ma = reported_ma(k).round() as i64;
            Sample {
                at_ms: k * PAUSE_MS,
                current_ma,
            }
        })
        .collect();
    counted(&samples, LINE)
}

/// A current that charges and discharges, mA.
#[expect(clippy::cast_precision_loss, reason = "a few hundred samples")]
fn true_ma(k: i64) -> f64 {
    12_000.0 + 30_000.0 * (k as f64 / 40.0).sin()
}

/// Two per cent, as far as a closed form and a count may be apart.
fn check(seen: f64, form: f64) {
    assert!((seen / form - 1.0).abs() < 0.02, "{seen} beside {form}");
}

#[test]
fn an_offset_grows_with_time_and_a_gain_with_charge() {
    let true_ah = count(true_ma).net_ah();
    let offset = count(|k| true_ma(k) + 47.0).net_ah() - true_ah;
    check(offset, 0.047 * HOURS);
    let gain = count(|k| 1.013 * true_ma(k)).net_ah() - true_ah;
    check(gain, 0.013 * true_ah);
    // A clock that runs 0.2 % fast makes every pause longer than it was.
    let samples = (0..=SAMPLES).map(|k| Sample {
        at_ms: k * PAUSE_MS * 1002 / 1000,
        #[expect(clippy::cast_possible_truncation, reason = "a current in mA")]
        current_ma: true_ma(k).round() as i64,
    });
    let fast = counted(&samples.collect::<Vec<_>>(), LINE).net_ah() - true_ah;
    check(fast, 0.002 * true_ah);
}

/// Standard deviation of the error that a disturbance of every sample leaves.
fn spread_ah(mut disturbed_ma: impl FnMut(&mut ChaCha8Rng, i64) -> f64) -> f64 {
    // A standard deviation of so many counts is known to 0.6 %.
    const COUNTS: u32 = 15_000;
    let mut random = ChaCha8Rng::seed_from_u64(4074);
    let true_ah = count(true_ma).net_ah();
    let squares: f64 = (0..COUNTS)
        .map(|_| (count(|k| disturbed_ma(&mut random, k)).net_ah() - true_ah).powi(2))
        .sum();
    (squares / f64::from(COUNTS)).sqrt()
}

#[test]
#[expect(clippy::cast_precision_loss, reason = "a few hundred samples")]
fn white_noise_grows_with_the_root_of_the_number_of_samples() {
    let deviation_ma = 250.0;
    let half_width = deviation_ma * 3.0_f64.sqrt();
    let seen = spread_ah(|random, k| true_ma(k) + random.random_range(-half_width..half_width));
    let form = deviation_ma / 1000.0 * (PAUSE_MS as f64 / 3.6e6) * (SAMPLES as f64).sqrt();
    check(seen, form);
}

#[test]
fn the_budget_states_of_rounding_what_rounding_leaves() {
    let step_ma = 100;
    // A current that is nowhere near a whole step for long: what rounding leaves is then as good as random.
    let mut phase = 0.0;
    let seen = spread_ah(|random, k| {
        if k == 0 {
            phase = random.random_range(0.0..100.0);
        }
        let current_ma = true_ma(k) + phase;
        (current_ma / 100.0).round() * 100.0 - phase
    });
    let whole = count(true_ma);
    let facts = facts(whole, step_ma);
    let filled = Filled::new(&facts);
    let budget = filled.between(1, 0, 1).budget();
    let stated = budget.iter().find(|(source, _)| *source == Source::Resolution);
    check(stated.unwrap().1, seen);
}

/// One pack that counted so much in an hour, and a reference that did.
fn facts(whole: Counted, step_ma: i64) -> Facts {
    let pack = Pack {
        capacity_ah: 200.0,
        capacity_uncertainty: 0.02,
        displayed_capacity_ah: 200.0,
        standing_draw_ma: (15.0, 15.0),
        draw_is_assumed: false,
        in_bank: true,
        cells_changed: 0,
    };
    let cut = |at_ms, totals| Cut {
        at_ms,
        totals: vec![totals; 2],
    };
    Facts {
        bank: Bank {
            reference_offset_ma: 10.0,
            reference_gain: 0.002,
            self_discharge_month: (0.005, 0.005),
            coulombic_efficiency: (0.998, 0.001),
            full_repeatability: 0.003,
            eras: vec![Era {
                begin_ms: i64::MIN,
                packs: vec![pack],
                learned: None,
            }],
        },
        cuts: vec![cut(0, Counted::default()), cut(3_600_000, whole)],
        grid: Vec::new(),
        gaps: Vec::new(),
        marks: Vec::new(),
        away: Vec::new(),
        recalibrated_ms: vec![Vec::new(); 2],
        resolution_ma: vec![None, Some(step_ma)],
        reversed: vec![false],
    }
}
