//! Answers beside the truth, and what many of them come to.

use std::fmt;

use packdrift::charge::estimate::COVERAGE_FACTOR;

/// One answer beside the truth, in the unit of its row.
#[derive(Debug, Clone, Copy)]
pub struct Compared {
    /// Answer less truth; infinite where an answer was possible and none was given.
    pub off: f64,
    /// Stated expanded uncertainty.
    pub stated: f64,
}

impl Compared {
    /// A refusal where an answer was possible: it holds nothing.
    pub const MISSED: Self = Self {
        off: f64::INFINITY,
        stated: 0.0,
    };

    fn holds(self) -> bool {
        self.off.abs() <= self.stated
    }
}

/// All answers of one sort, winter by winter.
#[derive(Debug, Default, Clone)]
pub struct Tally {
    winters: Vec<Vec<Compared>>,
}

impl Tally {
    /// Takes the answers of one winter.
    pub fn add(&mut self, winter: Vec<Compared>) {
        if !winter.is_empty() {
            self.winters.push(winter);
        }
    }

    /// Takes all answers of another tally.
    pub fn append(&mut self, other: Self) {
        self.winters.extend(other.winters);
    }

    /// What they come to; `None` where there are none.
    pub fn summary(&self) -> Option<Summary> {
        let all: Vec<Compared> = self.winters.iter().flatten().copied().collect();
        if all.is_empty() {
            return None;
        }
        let mut parts: Vec<f64> = self.winters.iter().map(|winter| part_held(winter)).collect();
        parts.sort_by(f64::total_cmp);
        let count = as_f64(parts.len());
        let mean = parts.iter().sum::<f64>() / count;
        let spread = parts.iter().map(|part| (part - mean).powi(2)).sum::<f64>() / (count - 1.0).max(1.0);
        let half_width = quantile(all.iter().map(|one| one.stated), 0.5);
        let p95 = quantile(all.iter().map(|one| one.off.abs()), 0.95);
        Some(Summary {
            answers: all.len(),
            missed: all.iter().filter(|one| one.off.is_infinite()).count(),
            held: part_held(&all),
            a_winter: mean,
            unsure: (spread / count).sqrt(),
            worst_twentieth: parts[parts.len() / 20],
            half_width,
            p95,
            rms: root_mean_square(&all),
            mean_off: all.iter().map(|one| one.off).sum::<f64>() / as_f64(all.len()),
        })
    }
}

/// What a tally comes to.
#[derive(Debug, Clone, Copy)]
pub struct Summary {
    pub answers: usize,
    missed: usize,
    held: f64,
    /// Part held, every winter weighing the same, …
    a_winter: f64,
    /// … and its standard uncertainty: answers of one winter go together.
    unsure: f64,
    /// In a twentieth of the winters no larger part is held.
    worst_twentieth: f64,
    half_width: f64,
    p95: f64,
    /// Root mean square of what answers are off by, each in its stated standard uncertainty: 1 where that is true.
    rms: f64,
    mean_off: f64,
}

/// The head that [`Summary`] stands below.
pub const HEAD: &str =
    "answers  missed   held %   a winter %      1 in 20 ≤   p95     ± median   ± / p95    rms    mean";

impl fmt::Display for Summary {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            formatter,
            "{:7}  {:6}   {:6.1}   {:5.1} ± {:3.1}     {:7.0}   {:6.3}   {:6.3}     {:5.2}   {:4.2}   {:+.3}",
            self.answers,
            self.missed,
            100.0 * self.held,
            100.0 * self.a_winter,
            100.0 * self.unsure,
            100.0 * self.worst_twentieth,
            self.p95,
            self.half_width,
            self.half_width / self.p95,
            self.rms,
            self.mean_off,
        )
    }
}

fn root_mean_square(compared: &[Compared]) -> f64 {
    let answered = compared.iter().filter(|one| one.stated > 0.0);
    let (sum, count) = answered.fold((0.0, 0.0), |(sum, count), one| {
        let standard = one.stated / COVERAGE_FACTOR;
        (sum + (one.off / standard).powi(2), count + 1.0)
    });
    f64::sqrt(sum / count)
}

fn part_held(compared: &[Compared]) -> f64 {
    let held = compared.iter().filter(|one| one.holds()).count();
    as_f64(held) / as_f64(compared.len())
}

/// The value that a part of the values lies below.
fn quantile(values: impl Iterator<Item = f64>, part: f64) -> f64 {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a place among the values"
    )]
    let place = (part * as_f64(values.len())) as usize;
    values[place.min(values.len() - 1)]
}

#[expect(clippy::cast_precision_loss, reason = "counts of answers")]
pub fn as_f64(count: usize) -> f64 {
    count as f64
}
