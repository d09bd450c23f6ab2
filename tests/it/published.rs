//! Does counted charge agree with what others have counted? Sources stand in `tests/published/README.md`.

use packdrift::charge::count::{Between, Counted, Joining, Sample, counted};
use serde_json::Value;

const LINE: Joining = Joining {
    between: Between::Line,
    longest_pause_ms: 600_000,
};

fn published(name: &str) -> String {
    let path = format!("{}/tests/published/{name}", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(path).unwrap()
}

/// Rows of a CSV file of numbers with a head line.
fn rows(name: &str) -> Vec<Vec<f64>> {
    published(name)
        .lines()
        .skip(1)
        .map(|line| line.split(',').map(|field| field.parse().unwrap()).collect())
        .collect()
}

/// A sample at `seconds` with `amperes`, in whole mA and ms.
fn sample(seconds: f64, amperes: f64) -> Sample {
    #[expect(clippy::cast_possible_truncation, reason = "small numbers")]
    let whole = |value: f64| (value * 1000.0).round() as i64;
    Sample {
        at_ms: whole(seconds),
        current_ma: whole(amperes),
    }
}

#[test]
fn trapezoid_on_irregular_samples_is_the_analytic_one() {
    let cases: Value = serde_json::from_str(&published("trapezoid_cases.json")).unwrap();
    let numbers = |field: &str| -> Vec<f64> {
        cases[field]
            .as_array()
            .unwrap()
            .iter()
            .map(|number| number.as_f64().unwrap())
            .collect()
    };
    // x in minutes rather than seconds and y in kA rather than A keep every figure whole.
    let samples: Vec<Sample> = numbers("x")
        .iter()
        .zip(numbers("y_sq"))
        .map(|(x, y)| sample(60.0 * x, 1000.0 * y))
        .collect();
    let ampere_seconds = counted(&samples, LINE).net_ah() * 3600.0;
    let expect = cases["T_x2"].as_f64().unwrap() * 60.0 * 1000.0;
    assert!(
        (ampere_seconds - expect).abs() < 1e-9 * expect,
        "{ampere_seconds} against {expect}"
    );
    let excess = ampere_seconds / 60_000.0 - cases["exact"].as_f64().unwrap();
    assert!((excess - cases["err_sum_h3_6"].as_f64().unwrap()).abs() < 1e-9);
}

#[test]
fn a_simulated_cell_is_counted_as_its_model_counts() {
    let rows = rows("pybamm_prada2013_spm_cccv_60s.csv");
    // The file's current is positive on discharge; ours is positive on charge.
    let samples: Vec<Sample> = rows.iter().map(|row| sample(row[0], -row[1])).collect();
    for until in 2..=samples.len() {
        let net_ah = counted(&samples[..until], LINE).net_ah();
        let model_ah = -(rows[until - 1][2] - rows[0][2]);
        assert!(
            (net_ah - model_ah).abs() <= 3e-3,
            "at {} s: {net_ah} against {model_ah}",
            rows[until - 1][0]
        );
    }
}

#[test]
fn a_real_cell_is_counted_as_its_cycler_counts() {
    let rows = rows("calce_k2_016_2013-07-11.csv");
    // The cycler reports tenths of a mA: taken tenfold, so that nothing is rounded away.
    let samples: Vec<Sample> = rows.iter().map(|row| sample(row[0], 10.0 * row[1])).collect();
    let counted: Counted = counted(&samples, LINE);
    let (charged_ah, discharged_ah) = (counted.charged_ah() / 10.0, counted.discharged_ah() / 10.0);
    // The figures of an independent trapezoid over the same file, to their last digit.
    assert!((charged_ah - 38.257).abs() < 1e-3, "{charged_ah}");
    assert!((discharged_ah - 37.900).abs() < 1e-3, "{discharged_ah}");
    let last = rows.last().unwrap();
    let cycler_net_ah = last[3] - last[4];
    let throughput_ah = last[3] + last[4];
    assert!((charged_ah - discharged_ah - cycler_net_ah).abs() < 2e-4 * throughput_ah);
}
