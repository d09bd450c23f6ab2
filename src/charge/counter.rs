//! An instrument's own charge counter: which of its steps are charge, and which are not.
//!
//! Counters wrap around, are reset, jump when a board corrects itself, and some only ever grow. What the current
//! said meanwhile tells a step that is charge from one that isn't.

use super::{count::Counted, time::as_f64};

/// What a counter that steps otherwise than by charge has done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Went over the end of its range and began again.
    Wrap,
    /// Was set to nothing.
    Reset,
    /// Was set to something else.
    Jump,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 3] = [Self::Wrap, Self::Reset, Self::Jump];

    /// The word in the store and in answers.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Wrap => "wrap",
            Self::Reset => "reset",
            Self::Jump => "jump",
        }
    }

    /// The kind of that word.
    #[must_use]
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// A step of a counter that is not, or not only, charge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Step {
    /// When the new value was first seen, ms since 1970.
    pub at_ms: i64,
    /// What happened.
    pub kind: Kind,
    /// The value before, mAh.
    pub before_mah: i64,
    /// The value after, mAh.
    pub after_mah: i64,
    /// What was counted meanwhile, mAh; `None` where nothing says.
    pub counted_mah: Option<i64>,
}

impl Step {
    /// What must be added to later values to go on from the earlier ones, mAh.
    #[must_use]
    pub fn correction_mah(&self) -> Option<i64> {
        Some(self.counted_mah? - (self.after_mah - self.before_mah))
    }
}

/// How far a step may be from what a witness says: a fraction of the capacity, and a fraction of the step itself.
#[derive(Clone, Copy)]
struct Slack {
    of_capacity: f64,
    of_step: f64,
}

/// Beside a current heard within seconds or minutes.
const BESIDE_CURRENT: Slack = Slack {
    of_capacity: 0.005,
    of_step: 0.5,
};
/// Beside a display across a pause, which goes by what the board believes of its capacity.
const BESIDE_DISPLAY: Slack = Slack {
    of_capacity: 0.05,
    of_step: 0.1,
};
/// Ranges of common counters, in mAh: 16 bits of 1 mAh, 10 mAh, 0.1 Ah and 1 Ah, and 32 bits of 1 mAh.
const RANGES_MAH: [i64; 5] = [65_536, 655_360, 6_553_600, 65_536_000, 1 << 32];

/// Watches a counter from report to report.
#[derive(Debug, Clone)]
pub struct Counter {
    capacity_ah: f64,
    longest_pause_ms: i64,
    previous: Option<(i64, i64)>,
    since: Counted,
}

impl Counter {
    /// Watches the counter of an instrument of this capacity in Ah, across pauses of at most `longest_pause_ms`.
    #[must_use]
    pub fn new(capacity_ah: f64, longest_pause_ms: i64) -> Self {
        Self {
            capacity_ah,
            longest_pause_ms,
            previous: None,
            since: Counted::default(),
        }
    }

    /// Takes what the current came to since the last call.
    pub fn counted(&mut self, counted: Counted) {
        self.since += counted;
    }

    /// Takes the counter's next value in mAh; gives the step, if it is one that is not charge.
    pub fn take(&mut self, at_ms: i64, mah: i64) -> Option<Step> {
        let since = std::mem::take(&mut self.since);
        let (before_ms, before_mah) = self.previous.replace((at_ms, mah))?;
        if at_ms - before_ms > self.longest_pause_ms {
            return None;
        }
        judged(
            at_ms,
            (before_mah, mah),
            Some(1000.0 * since.net_ah()),
            BESIDE_CURRENT,
            self.capacity_ah,
        )
    }
}

/// The step of a counter across a pause in which no current was heard, if it is one that is not charge.
///
/// `display_permille` is the display before and after; at its end stops it says nothing.
#[must_use]
pub fn across_pause(
    end_ms: i64,
    charge_mah: (i64, i64),
    display_permille: Option<(i64, i64)>,
    capacity_ah: f64,
) -> Option<Step> {
    let tells = |soc: i64| soc > 0 && soc < 1000;
    let expected_mah = display_permille
        .filter(|(before, after)| tells(*before) && tells(*after))
        .map(|(before, after)| as_f64(after - before) * capacity_ah);
    judged(end_ms, charge_mah, expected_mah, BESIDE_DISPLAY, capacity_ah)
}

fn judged(
    at_ms: i64,
    (before_mah, after_mah): (i64, i64),
    expected_mah: Option<f64>,
    slack: Slack,
    capacity_ah: f64,
) -> Option<Step> {
    let step = after_mah - before_mah;
    // With no witness, no more than a whole capacity goes in or out.
    let (expected, allowed_mah) = match expected_mah {
        Some(mah) => (
            mah,
            1000.0 * slack.of_capacity * capacity_ah + slack.of_step * mah.abs(),
        ),
        None => (0.0, 1000.0 * capacity_ah),
    };
    // A counter that only ever grows steps by as much with another sign, or not at all.
    if as_f64(step).abs() <= expected.abs() + allowed_mah {
        return None;
    }
    let is_charge = |step: i64| {
        let step = as_f64(step);
        (step - expected).abs() <= allowed_mah || (step - expected.abs()).abs() <= allowed_mah
    };
    let wrapped = RANGES_MAH
        .into_iter()
        .flat_map(|range| [step + range, step - range])
        .find(|step| is_charge(*step));
    #[expect(clippy::cast_possible_truncation, reason = "a charge in mAh")]
    let counted_mah = wrapped.or(expected_mah.map(|mah| mah.round() as i64));
    let kind = match wrapped {
        Some(_) => Kind::Wrap,
        None if as_f64(after_mah).abs() <= allowed_mah => Kind::Reset,
        None => Kind::Jump,
    };
    Some(Step {
        at_ms,
        kind,
        before_mah,
        after_mah,
        counted_mah,
    })
}

/// What a counter counts, as its steps show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Counts {
    /// Charge in less charge out.
    Net,
    /// Charge in plus charge out: it only ever grows.
    Throughput,
    /// Charge in only.
    Charged,
    /// Charge out only.
    Discharged,
}

impl Counts {
    /// The word in answers.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Net => "net",
            Self::Throughput => "throughput",
            Self::Charged => "charged",
            Self::Discharged => "discharged",
        }
    }

    /// What a counter that went up by `own_ah` counts, given what its instrument's current came to meanwhile: what
    /// it is nearest to. Net, as long as little flowed.
    #[must_use]
    pub fn of(own_ah: f64, heard: &Counted, capacity_ah: f64) -> Self {
        let (charged_ah, discharged_ah) = (heard.charged_ah(), heard.discharged_ah());
        if charged_ah.min(discharged_ah) < 0.2 * capacity_ah {
            return Self::Net;
        }
        let candidates = [
            (Self::Net, charged_ah - discharged_ah),
            (Self::Throughput, charged_ah + discharged_ah),
            (Self::Charged, charged_ah),
            (Self::Discharged, discharged_ah),
        ];
        candidates
            .into_iter()
            .min_by(|(_, left), (_, right)| (left - own_ah).abs().total_cmp(&(right - own_ah).abs()))
            .map_or(Self::Net, |(counts, _)| counts)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MINUTE_MS: i64 = 60_000;

    /// So much counted, Ah.
    fn net(ah: f64) -> Counted {
        #[expect(clippy::cast_possible_truncation, reason = "half mA·ms")]
        let half_ma_ms = (ah * crate::charge::count::PER_AH) as i64;
        Counted {
            charged: half_ma_ms.max(0),
            discharged: (-half_ma_ms).max(0),
            ..Counted::default()
        }
    }

    /// The steps found in values that come each minute, with what was counted before each.
    fn steps(values: &[(f64, i64)]) -> Vec<(Kind, Option<i64>)> {
        let mut counter = Counter::new(200.0, 10 * MINUTE_MS);
        let mut at_ms = 0;
        let mut found = Vec::new();
        for (counted_ah, mah) in values {
            counter.counted(net(*counted_ah));
            found.extend(counter.take(at_ms, *mah));
            at_ms += MINUTE_MS;
        }
        found.iter().map(|step| (step.kind, step.counted_mah)).collect()
    }

    #[test]
    fn charge_is_no_step() {
        assert_eq!(steps(&[(0.0, 500), (0.7, 1190), (-0.7, 510), (0.0, 600)]), []);
    }

    #[test]
    fn a_counter_of_sixteen_bits_wraps_both_ways() {
        assert_eq!(
            steps(&[(0.0, 65_300), (0.5, 270), (-0.5, 65_290)]),
            [(Kind::Wrap, Some(506)), (Kind::Wrap, Some(-516))]
        );
    }

    #[test]
    fn a_reset_and_a_jump_are_what_the_current_says() {
        assert_eq!(
            steps(&[(0.0, 80_000), (0.3, 0), (0.3, 310), (-0.2, 120_000)]),
            [(Kind::Reset, Some(300)), (Kind::Jump, Some(-200))]
        );
    }

    #[test]
    fn a_counter_that_only_grows_steps_by_charge() {
        assert_eq!(steps(&[(0.0, 80_000), (-0.9, 80_900), (0.9, 81_800)]), []);
        let heard = net(300.0) + net(-290.0);
        assert_eq!(Counts::of(588.0, &heard, 200.0), Counts::Throughput);
        assert_eq!(Counts::of(12.0, &heard, 200.0), Counts::Net);
    }

    #[test]
    fn across_a_pause_the_display_is_the_witness() {
        let step = |after_mah, display| across_pause(0, (60_000, after_mah), display, 200.0);
        assert_eq!(step(20_000, Some((500, 300))), None);
        let wrap = step(4_464, Some((500, 550))).map(|step| (step.kind, step.counted_mah));
        assert_eq!(wrap, Some((Kind::Wrap, Some(10_000))));
        let reset = step(0, Some((500, 300))).map(|step| (step.kind, step.counted_mah));
        assert_eq!(reset, Some((Kind::Reset, Some(-40_000))));
        // Nothing contradicts a step within the capacity.
        assert_eq!(step(0, None), None);
    }
}
