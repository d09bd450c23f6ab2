//! Phases: what was going on, hour by hour.
//!
//! Full charges and outages come to the millisecond from anchors and gaps; the hours between are rest or partial
//! cycling. What a person stated stands over what was derived.

/// What was going on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Instruments are compared: a pack alone on the busbar with the reference, or as a person says.
    Calibration,
    /// Charging and discharging without a full charge.
    PartialCycling,
    /// The bank was full: boards correct their counts.
    FullCharge,
    /// No current beyond noise for hours.
    Rest,
    /// Nothing was heard.
    Outage,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 5] = [
        Self::Calibration,
        Self::PartialCycling,
        Self::FullCharge,
        Self::Rest,
        Self::Outage,
    ];

    /// The word in the store and in answers.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Calibration => "calibration",
            Self::PartialCycling => "partial_cycling",
            Self::FullCharge => "full_charge",
            Self::Rest => "rest",
            Self::Outage => "outage",
        }
    }

    /// The kind of that word.
    #[must_use]
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// A tagged interval.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Phase {
    /// What went on.
    pub kind: Kind,
    /// From, ms since 1970.
    pub begin_ms: i64,
    /// Until, ms since 1970.
    pub end_ms: i64,
    /// The stated phase it comes from; `None`: derived.
    pub stated: Option<i64>,
}

/// The largest |current| of the reference in an hour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct QuietHour {
    /// The hour's beginning, ms since 1970.
    pub begin_ms: i64,
    /// Largest |current|, mA; `None`: not heard.
    pub largest_ma: Option<i64>,
}

const HOUR_MS: i64 = 3_600_000;
/// Quiet hours in a row that make a rest.
const REST_HOURS: usize = 3;

/// Lays out the phases of `[begin_ms, end_ms)`: full charges and outages over rest over calibration (a pack alone on
/// the busbar) over partial cycling.
///
/// `hours` are consecutive; an hour is quiet where the current stays at or below `noise_ma`.
#[must_use]
pub fn derived(
    begin_ms: i64,
    end_ms: i64,
    hours: &[QuietHour],
    noise_ma: i64,
    full: &[(i64, i64)],
    outages: &[(i64, i64)],
    alone: &[(i64, i64)],
) -> Vec<Phase> {
    let mut phases = vec![phase(Kind::PartialCycling, begin_ms, end_ms)];
    let within = |from_ms: i64, until_ms: i64| (from_ms.max(begin_ms), until_ms.min(end_ms));
    for (from_ms, until_ms) in alone {
        let (from_ms, until_ms) = within(*from_ms, *until_ms);
        lay_over(&mut phases, phase(Kind::Calibration, from_ms, until_ms));
    }
    let quiet = |hour: &QuietHour| hour.largest_ma.is_some_and(|ma| ma <= noise_ma);
    for run in
        hours.chunk_by(|left, right| quiet(left) == quiet(right) && right.begin_ms - left.begin_ms == HOUR_MS)
    {
        if run.len() >= REST_HOURS && quiet(&run[0]) {
            let rest_begin_ms = run[0].begin_ms.max(begin_ms);
            let rest_end_ms = (run[run.len() - 1].begin_ms + HOUR_MS).min(end_ms);
            lay_over(&mut phases, phase(Kind::Rest, rest_begin_ms, rest_end_ms));
        }
    }
    for (kind, intervals) in [(Kind::Outage, outages), (Kind::FullCharge, full)] {
        for (from_ms, until_ms) in intervals {
            let (from_ms, until_ms) = within(*from_ms, *until_ms);
            lay_over(&mut phases, phase(kind, from_ms, until_ms));
        }
    }
    phases
}

fn phase(kind: Kind, begin_ms: i64, end_ms: i64) -> Phase {
    Phase {
        kind,
        begin_ms,
        end_ms,
        stated: None,
    }
}

/// Lays a phase over what is there; what it covers gives way.
pub fn lay_over(phases: &mut Vec<Phase>, upper: Phase) {
    if upper.begin_ms >= upper.end_ms {
        return;
    }
    let mut laid = Vec::with_capacity(phases.len() + 2);
    for lower in phases.drain(..) {
        let before = Phase {
            end_ms: lower.end_ms.min(upper.begin_ms),
            ..lower.clone()
        };
        let after = Phase {
            begin_ms: lower.begin_ms.max(upper.end_ms),
            ..lower
        };
        laid.extend(
            [before, after]
                .into_iter()
                .filter(|rest| rest.begin_ms < rest.end_ms),
        );
    }
    let place = laid.partition_point(|other| other.begin_ms < upper.begin_ms);
    laid.insert(place, upper);
    *phases = laid;
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn words(phases: &[Phase]) -> Vec<(&'static str, i64, i64)> {
        phases
            .iter()
            .map(|phase| (phase.kind.word(), phase.begin_ms, phase.end_ms))
            .collect()
    }

    #[test]
    fn three_quiet_hours_are_a_rest_and_two_are_not() {
        let hour = |index: i64, ma| QuietHour {
            begin_ms: index * HOUR_MS,
            largest_ma: Some(ma),
        };
        let hours = [
            hour(0, 9),
            hour(1, 0),
            hour(2, 0),
            hour(3, 9),
            hour(4, 0),
            hour(5, 1),
            hour(6, 0),
        ];
        let phases = derived(0, 7 * HOUR_MS, &hours, 1, &[], &[], &[]);
        assert_eq!(
            words(&phases),
            [
                ("partial_cycling", 0, 4 * HOUR_MS),
                ("rest", 4 * HOUR_MS, 7 * HOUR_MS)
            ]
        );
    }

    #[test]
    fn a_full_charge_stands_over_cycling() {
        let phases = derived(0, 100, &[], 1, &[(20, 30)], &[(25, 60)], &[(50, 70)]);
        assert_eq!(
            words(&phases),
            [
                ("partial_cycling", 0, 20),
                ("full_charge", 20, 30),
                ("outage", 30, 60),
                ("calibration", 60, 70),
                ("partial_cycling", 70, 100)
            ]
        );
    }

    proptest! {
        #[test]
        fn phases_neither_overlap_nor_leave_holes(
            uppers in proptest::collection::vec((0..100i64, 0..100i64, 0..Kind::ALL.len()), 0..10),
        ) {
            let mut phases = vec![phase(Kind::PartialCycling, 0, 100)];
            for (from, until, kind) in uppers {
                lay_over(&mut phases, phase(Kind::ALL[kind], from.min(until), from.max(until)));
            }
            prop_assert_eq!(phases[0].begin_ms, 0);
            prop_assert_eq!(phases[phases.len() - 1].end_ms, 100);
            for pair in phases.windows(2) {
                prop_assert_eq!(pair[0].end_ms, pair[1].begin_ms);
            }
        }
    }
}
