//! Counted charge: the time integral of a reported current, exact.
//!
//! Currents are whole mA and times whole ms, so a trapezoid is a whole number of half mA·ms; sums in `i64` are
//! exact and need no order. A piece cut in two is cut by a function of the instant alone, so that any partition of
//! time sums to the whole.

use std::ops::{Add, AddAssign, Sub};

use super::time::as_f64;

/// Half mA·ms in one Ah.
pub const PER_AH: f64 = 7.2e9;

/// A current at an instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sample {
    /// ms since 1970.
    pub at_ms: i64,
    /// mA, charging positive.
    pub current_ma: i64,
}

/// What a current does between two reports.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Between {
    /// A straight line from one to the other.
    Line,
    /// The earlier one holds until the later one.
    Hold,
}

/// How an instrument's reports are joined.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Joining {
    /// What the current does between two reports.
    pub between: Between,
    /// The longest pause that is bridged; a longer one is a gap.
    pub longest_pause_ms: i64,
}

impl Joining {
    /// Whether a value said at `since_ms` still holds at a later message that says nothing of it: that of a reporter
    /// on change, for as long as it speaks at all.
    #[must_use]
    pub fn holds(self, since_ms: i64, at_ms: i64) -> bool {
        self.between == Between::Hold && at_ms - since_ms <= self.longest_pause_ms
    }
}

/// What was counted over some stretch of time, as heard.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Counted {
    /// Charge put in, half mA·ms.
    pub charged: i64,
    /// Charge taken out, half mA·ms, positive.
    pub discharged: i64,
    /// Time that reports cover, ms.
    pub heard_ms: i64,
    /// Variance of the net charge from what may have happened between reports, Ah².
    ///
    /// A step of ΔI somewhere within Δt, equally likely anywhere, leaves (ΔI·Δt)²/12 a piece: the variance of a
    /// rectangular distribution (JCGM 100:2008, 4.3.7).
    pub sampling_ah2: f64,
    /// Sum of the squared pauses between reports, ms²: what rounding of the reports is multiplied with.
    pub pauses_ms2: i64,
}

impl Counted {
    /// Net charge, Ah.
    #[must_use]
    #[expect(
        clippy::cast_precision_loss,
        reason = "an answer in Ah is given to fewer than 53 bits"
    )]
    pub fn net_ah(&self) -> f64 {
        (self.charged - self.discharged) as f64 / PER_AH
    }

    /// Charge put in, Ah.
    #[must_use]
    #[expect(
        clippy::cast_precision_loss,
        reason = "an answer in Ah is given to fewer than 53 bits"
    )]
    pub fn charged_ah(&self) -> f64 {
        self.charged as f64 / PER_AH
    }

    /// Charge taken out, Ah, positive.
    #[must_use]
    #[expect(
        clippy::cast_precision_loss,
        reason = "an answer in Ah is given to fewer than 53 bits"
    )]
    pub fn discharged_ah(&self) -> f64 {
        self.discharged as f64 / PER_AH
    }

    /// Charge in and out, Ah.
    #[must_use]
    pub fn throughput_ah(&self) -> f64 {
        self.charged_ah() + self.discharged_ah()
    }
}

impl Add for Counted {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        Self {
            charged: self.charged + other.charged,
            discharged: self.discharged + other.discharged,
            heard_ms: self.heard_ms + other.heard_ms,
            sampling_ah2: self.sampling_ah2 + other.sampling_ah2,
            pauses_ms2: self.pauses_ms2 + other.pauses_ms2,
        }
    }
}

impl AddAssign for Counted {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl Sub for Counted {
    type Output = Self;

    fn sub(self, other: Self) -> Self {
        Self {
            charged: self.charged - other.charged,
            discharged: self.discharged - other.discharged,
            heard_ms: self.heard_ms - other.heard_ms,
            sampling_ah2: self.sampling_ah2 - other.sampling_ah2,
            pauses_ms2: self.pauses_ms2 - other.pauses_ms2,
        }
    }
}

/// The stretch between two successive reports.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Piece {
    begin: Sample,
    end: Sample,
    between: Between,
}

impl Piece {
    /// The piece from one report to the next; `None` where the pause is a gap or the two are not in order.
    #[must_use]
    pub fn joining(begin: Sample, end: Sample, joining: Joining) -> Option<Self> {
        let pause_ms = end.at_ms - begin.at_ms;
        (pause_ms > 0 && pause_ms <= joining.longest_pause_ms).then_some(Self {
            begin,
            end,
            between: joining.between,
        })
    }

    /// What is counted from the piece's beginning to an instant in it (to its ends, where outside).
    #[must_use]
    pub fn until(&self, at_ms: i64) -> Counted {
        let whole_ms = self.end.at_ms - self.begin.at_ms;
        let part_ms = at_ms.clamp(self.begin.at_ms, self.end.at_ms) - self.begin.at_ms;
        let (charged, discharged) = match self.between {
            Between::Line => self.line_until(part_ms, whole_ms),
            Between::Hold => {
                let net = 2 * self.begin.current_ma * part_ms;
                (net.max(0), (-net).max(0))
            }
        };
        Counted {
            charged,
            discharged,
            heard_ms: part_ms,
            sampling_ah2: self.sampling_ah2() * as_f64(part_ms) / as_f64(whole_ms),
            pauses_ms2: part_ms * whole_ms,
        }
    }

    /// What is counted between two instants.
    #[must_use]
    pub fn between(&self, from_ms: i64, until_ms: i64) -> Counted {
        self.until(until_ms) - self.until(from_ms)
    }

    /// Charged and discharged on the straight line, from the beginning to `part_ms` after it.
    fn line_until(&self, part_ms: i64, whole_ms: i64) -> (i64, i64) {
        let (from, to) = (i128::from(self.begin.current_ma), i128::from(self.end.current_ma));
        let (part, whole) = (i128::from(part_ms), i128::from(whole_ms));
        // i(t) = from + (to − from)·t/whole, so twice its integral to `part` is part·(2·from + (to − from)·part/whole).
        let net = 2 * from * part + round_div((to - from) * part * part, whole);
        let charged = if (from >= 0) == (to >= 0) || from == 0 || to == 0 {
            if from + to >= 0 { net } else { 0 }
        } else {
            // The line crosses zero at from/(from − to) of the piece; on one side of it the sign is that of `from`.
            let crossing_twice_area = round_div(from * from * whole, (from - to).abs());
            let crossed = part * (from - to).abs() >= from.abs() * whole;
            match (from > 0, crossed) {
                (true, true) => crossing_twice_area,
                (true, false) => net,
                (false, true) => net + crossing_twice_area,
                (false, false) => 0,
            }
        };
        // A piece is at most half a day and a current at most some kA: far inside i64.
        let narrow = |value: i128| i64::try_from(value).unwrap_or(i64::MAX);
        (narrow(charged), narrow(charged - net))
    }

    fn sampling_ah2(&self) -> f64 {
        let step_ma = as_f64(self.end.current_ma - self.begin.current_ma);
        let pause_ms = as_f64(self.end.at_ms - self.begin.at_ms);
        match self.between {
            // In half mA·ms the step's rectangle is twice as large a number.
            Between::Line => (2.0 * step_ma * pause_ms / PER_AH).powi(2) / 12.0,
            // What is reported on change holds by agreement.
            Between::Hold => 0.0,
        }
    }
}

/// What is counted over samples in order of time, from the first to the last, as heard.
#[must_use]
pub fn counted(samples: &[Sample], joining: Joining) -> Counted {
    samples
        .windows(2)
        .filter_map(|pair| Piece::joining(pair[0], pair[1], joining))
        .map(|piece| piece.until(i64::MAX))
        .fold(Counted::default(), Add::add)
}

/// Quotient rounded to the nearest, halves away from zero. `by` is positive.
fn round_div(value: i128, by: i128) -> i128 {
    let half = by / 2;
    if value >= 0 {
        (value + half) / by
    } else {
        (value - half) / by
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const LINE: Joining = Joining {
        between: Between::Line,
        longest_pause_ms: 3_600_000,
    };

    fn piece(begin_ma: i64, end_ma: i64, pause_ms: i64, between: Between) -> Piece {
        Piece {
            begin: Sample {
                at_ms: 0,
                current_ma: begin_ma,
            },
            end: Sample {
                at_ms: pause_ms,
                current_ma: end_ma,
            },
            between,
        }
    }

    fn some_piece() -> impl Strategy<Value = Piece> {
        (
            -50_000_000..50_000_000i64,
            -50_000_000..50_000_000i64,
            1..3_600_000i64,
            prop_oneof![Just(Between::Line), Just(Between::Hold)],
        )
            .prop_map(|(begin, end, pause, between)| piece(begin, end, pause, between))
    }

    proptest! {
        #[test]
        fn any_partition_sums_to_the_whole(
            piece in some_piece(),
            mut cuts in proptest::collection::vec(0..3_600_000i64, 0..6),
        ) {
            cuts.extend([0, 3_600_000]);
            cuts.sort_unstable();
            let parts = cuts.windows(2).map(|cut| piece.between(cut[0], cut[1]));
            let sum = parts.fold(Counted::default(), Add::add);
            let whole = piece.until(i64::MAX);
            prop_assert_eq!((sum.charged, sum.discharged, sum.heard_ms), (whole.charged, whole.discharged, whole.heard_ms));
        }

        #[test]
        fn what_goes_in_and_out_only_grows(piece in some_piece(), a in 0..3_600_000i64, b in 0..3_600_000i64) {
            let part = piece.between(a.min(b), a.max(b));
            // Rounding at a cut may move one half mA·ms from one side of it to the other.
            prop_assert!(part.charged >= -1 && part.discharged >= -1, "{:?}", part);
        }

        #[test]
        fn a_whole_line_is_the_exact_trapezoid(begin in -10_000_000..10_000_000i64, end in -10_000_000..10_000_000i64, pause in 1..3_600_000i64) {
            let whole = piece(begin, end, pause, Between::Line).until(pause);
            prop_assert_eq!(whole.charged - whole.discharged, (begin + end) * pause);
        }

        #[test]
        fn reversing_the_sign_swaps_in_and_out(begin in -10_000_000..10_000_000i64, end in -10_000_000..10_000_000i64, pause in 1..3_600_000i64, at in 0..3_600_000i64) {
            let forth = piece(begin, end, pause, Between::Line).until(at);
            let back = piece(-begin, -end, pause, Between::Line).until(at);
            prop_assert_eq!((forth.charged, forth.discharged), (back.discharged, back.charged));
        }
    }

    #[test]
    fn a_line_through_zero_is_split_where_it_crosses() {
        let counted = piece(3000, -1000, 4000, Between::Line).until(4000);
        // 3 A down to nothing over 3 s, then nothing down to −1 A over 1 s; twice the area in mA·ms.
        assert_eq!((counted.charged, counted.discharged), (9_000_000, 1_000_000));
    }

    #[test]
    fn a_long_pause_is_not_bridged() {
        let samples = [0, 1000, 3_700_000].map(|at_ms| Sample {
            at_ms,
            current_ma: 1000,
        });
        assert_eq!(counted(&samples, LINE).heard_ms, 1000);
    }
}
