//! Do counted charge and least squares agree with what others have found? Sources stand in `tests/published/README.md`.

use nalgebra::{DMatrix, DVector};
use packdrift::charge::{
    count::{Between, Counted, Joining, Sample, counted},
    least_squares::{Fit, Triangle, newey_west},
};
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
    let rows = rows("simulated_cccv_60s.csv");
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
    let rows = rows("measured_cell_discharge.csv");
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

fn numbers(value: &Value) -> Vec<f64> {
    let numbers = value.as_array().unwrap().iter();
    numbers.map(|number| number.as_f64().unwrap()).collect()
}

/// Within `tolerance` of what is published, relative.
fn agrees(what: &str, ours: f64, published: f64, tolerance: f64) {
    let off = (ours - published).abs() / published.abs();
    assert!(
        off <= tolerance,
        "{what}: {ours} against {published}, off by {off:e}"
    );
}

/// The line through points.
fn line(x: &[f64], y: &[f64]) -> Fit {
    let mut triangle = Triangle::new(2);
    for (x, y) in x.iter().zip(y) {
        triangle.add(&[1.0, *x], *y);
    }
    triangle.fit().unwrap()
}

/// Covariance of the unknowns, judged by the residuals: their variance times (XᵀX)⁻¹.
fn covariance(fit: &Fit) -> DMatrix<f64> {
    let spread = fit.residual_spread().unwrap();
    &fit.unscaled * (spread * spread)
}

/// What `row` comes to, and its standard uncertainty by a covariance: JCGM 100:2008, 5.2.2.
fn predicted(fit: &Fit, row: &[f64], covariance: &DMatrix<f64>) -> (f64, f64) {
    let row = DVector::from_row_slice(row);
    let variance = (row.transpose() * covariance * &row)[(0, 0)];
    (fit.coefficients.dot(&row), variance.sqrt())
}

// Certified values are given to 15 digits; a decomposition without normal equations keeps at least nine of them.
const CERTIFIED: f64 = 1e-9;

#[test]
fn a_line_is_the_certified_one() {
    let norris: Value = serde_json::from_str(&published("nist_norris.json")).unwrap();
    let fit = line(&numbers(&norris["x"]), &numbers(&norris["y"]));
    let certified = |field: &str| norris["certified"][field].as_f64().unwrap();
    let covariance = covariance(&fit);
    agrees("intercept", fit.coefficients[0], certified("B0"), CERTIFIED);
    agrees("slope", fit.coefficients[1], certified("B1"), CERTIFIED);
    agrees(
        "its error",
        covariance[(0, 0)].sqrt(),
        certified("sdB0"),
        CERTIFIED,
    );
    agrees(
        "its error",
        covariance[(1, 1)].sqrt(),
        certified("sdB1"),
        CERTIFIED,
    );
    let spread = fit.residual_spread().unwrap();
    agrees("spread", spread, certified("resid_sd"), CERTIFIED);
}

#[test]
fn ill_conditioned_unknowns_are_the_certified_ones() {
    let longley: Value = serde_json::from_str(&published("nist_longley.json")).unwrap();
    let mut triangle = Triangle::new(7);
    for row in longley["rows"].as_array().unwrap() {
        let row = numbers(row);
        let unknowns: Vec<f64> = std::iter::once(1.0).chain(row[1..].iter().copied()).collect();
        triangle.add(&unknowns, row[0]);
    }
    let fit = triangle.fit().unwrap();
    let covariance = covariance(&fit);
    let certified = numbers(&longley["certified_B"]);
    for (unknown, (certified, error)) in certified
        .iter()
        .zip(numbers(&longley["certified_sd"]))
        .enumerate()
    {
        agrees("unknown", fit.coefficients[unknown], *certified, CERTIFIED);
        let ours = covariance[(unknown, unknown)].sqrt();
        agrees("its error", ours, error, CERTIFIED);
    }
    let spread = fit.residual_spread().unwrap();
    agrees("spread", spread, longley["resid_sd"].as_f64().unwrap(), CERTIFIED);
}

#[test]
fn a_calibration_line_predicts_with_its_covariance() {
    let gum: Value = serde_json::from_str(&published("gum_h3.json")).unwrap();
    let field = |name: &str| gum[name].as_f64().unwrap();
    let t0 = field("t0");
    let x: Vec<f64> = numbers(&gum["t"]).iter().map(|t| t - t0).collect();
    let fit = line(&x, &numbers(&gum["b"]));
    let covariance = covariance(&fit);
    let (u1, u2) = (covariance[(0, 0)].sqrt(), covariance[(1, 1)].sqrt());
    agrees("y1", fit.coefficients[0], field("y1"), CERTIFIED);
    agrees("y2", fit.coefficients[1], field("y2"), CERTIFIED);
    agrees("u(y1)", u1, field("u1"), CERTIFIED);
    agrees("u(y2)", u2, field("u2"), CERTIFIED);
    agrees("r", covariance[(0, 1)] / (u1 * u2), field("r"), CERTIFIED);
    agrees("s", fit.residual_spread().unwrap(), field("s"), CERTIFIED);
    assert_eq!(fit.degrees_of_freedom.to_string(), gum["nu"].to_string());
    let at_30 = [1.0, 30.0 - t0];
    let (b30, u_b30) = predicted(&fit, &at_30, &covariance);
    agrees("b(30)", b30, field("b30"), CERTIFIED);
    agrees("u(b(30))", u_b30, field("u_b30"), CERTIFIED);
    // What it would be if the two were taken for independent: H.3.5 states the 0.0041, this is not it.
    let independent = DMatrix::from_diagonal(&covariance.diagonal());
    let (_, u_wrong) = predicted(&fit, &at_30, &independent);
    assert!((u_wrong - 0.0073).abs() < 5e-5, "{u_wrong}");
}

#[test]
fn errors_that_survive_autocorrelation_are_those_of_others() {
    let observations: Vec<(Vec<f64>, f64)> = rows("macro_newey_west.csv")
        .iter()
        .map(|row| (vec![row[1], row[2], 1.0], row[0]))
        .collect();
    let mut triangle = Triangle::new(3);
    for (row, value) in &observations {
        triangle.add(row, *value);
    }
    let fit = triangle.fit().unwrap();
    let covariance = newey_west(&fit, &observations, 4).unwrap();
    let expect = [
        (4.374_221_664_7, 0.331_256_448_84),
        (-0.613_996_969_5, 0.295_823_475_93),
        (-9.481_672_774_7, 1.185_933_808_77),
    ];
    // The figures are given to ten or eleven digits.
    for (unknown, (value, error)) in expect.into_iter().enumerate() {
        agrees("unknown", fit.coefficients[unknown], value, 1e-9);
        agrees("its error", covariance[(unknown, unknown)].sqrt(), error, 1e-9);
    }
}
