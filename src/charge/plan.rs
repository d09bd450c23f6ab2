//! How long a test must run before a winter is spent on it: when a given difference between boards would be seen in
//! four of five tests, at 95 % confidence, with a full charge at both ends.

use super::{
    chance,
    facts::Bank,
    revision::{CLAIMED, SCATTER_AH_PER_DAY, SCATTER_DEGREES},
};

/// Nobody plans a longer test, weeks.
pub const LONGEST_WEEKS: u32 = 104;
/// What a test that sees the difference in four of five cases needs beyond the limit of its claim: the normal
/// deviate of 80 %.
const POWER_AT: f64 = 0.8416;
const DAYS_PER_WEEK: f64 = 7.0;
/// What happens between readings leaves 0.4 % of capacity over ten weeks of 1.5 cycles each at a reading a minute
/// (seen on simulated winters under a broken sky); it goes with the root of what is cycled and with the pause.
const SAMPLING: f64 = 0.004;
const SAMPLING_CYCLES: f64 = 15.0;
const SAMPLING_PAUSE_S: f64 = 60.0;

/// What boards may differ by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Difference {
    /// A steady current, mA: zero, draw.
    Steady(f64),
    /// Charging against discharging, % of what is cycled.
    OfThroughput(f64),
}

/// How a test is run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Test {
    /// What is to be seen.
    pub difference: Difference,
    /// Equivalent full cycles a week.
    pub cycles_per_week: f64,
    /// From reading to reading, s.
    pub report_s: f64,
}

impl Test {
    /// The difference between packs of this mean capacity in Ah, Ah a day.
    fn ah_per_day(&self, capacity_ah: f64) -> f64 {
        match self.difference {
            Difference::Steady(ma) => ma / 1000.0 * 24.0,
            // In and out once each cycle, and half of the difference each way.
            Difference::OfThroughput(percent) => {
                percent / 100.0 * capacity_ah * self.cycles_per_week / DAYS_PER_WEEK
            }
        }
        .abs()
    }

    /// Variance of a pack's rate after so many weeks, (Ah a day)².
    fn variance(&self, bank: &Bank, capacity_ah: f64, weeks: f64) -> f64 {
        let full_ah = bank.full_repeatability * capacity_ah;
        let cycled = self.cycles_per_week * weeks / SAMPLING_CYCLES;
        let sampling_ah = SAMPLING * capacity_ah * cycled.sqrt() * self.report_s / SAMPLING_PAUSE_S;
        (2.0 * full_ah * full_ah + sampling_ah * sampling_ah) / (weeks * DAYS_PER_WEEK).powi(2)
    }

    /// Weeks until the difference between two packs of these capacities in Ah is seen; `None` where two years
    /// wouldn't do.
    #[must_use]
    pub fn weeks_for_packs(&self, bank: &Bank, capacities_ah: [f64; 2]) -> Option<u32> {
        let [one_ah, other_ah] = capacities_ah;
        let difference = self.ah_per_day(f64::midpoint(one_ah, other_ah));
        let needed = chance::t_for(CLAIMED, f64::INFINITY) + POWER_AT;
        (1..=LONGEST_WEEKS).find(|weeks| {
            let weeks = f64::from(*weeks);
            let variance = self.variance(bank, one_ah, weeks) + self.variance(bank, other_ah, weeks);
            difference >= needed * variance.sqrt()
        })
    }

    /// Weeks until it is seen between two revisions with packs of these capacities in Ah, whose units scatter as
    /// boards usually do; `None` where either has one unit only, or two years wouldn't do.
    #[must_use]
    pub fn weeks_for_revisions(&self, bank: &Bank, revisions_ah: [&[f64]; 2]) -> Option<u32> {
        let units = revisions_ah.map(|packs_ah| as_f64(packs_ah.len()));
        if units.iter().any(|units| *units < 2.0) {
            return None;
        }
        let mean_ah = |packs_ah: &[f64]| packs_ah.iter().sum::<f64>() / as_f64(packs_ah.len());
        let difference = self.ah_per_day(f64::midpoint(mean_ah(revisions_ah[0]), mean_ah(revisions_ah[1])));
        let degrees_of_freedom = units[0] + units[1] - 2.0 + SCATTER_DEGREES;
        let needed = chance::t_for(CLAIMED, degrees_of_freedom) + POWER_AT;
        let between = SCATTER_AH_PER_DAY.powi(2) * (units[0].recip() + units[1].recip());
        (1..=LONGEST_WEEKS).find(|weeks| {
            let measured: f64 = revisions_ah
                .iter()
                .zip(units)
                .flat_map(|(packs_ah, units)| packs_ah.iter().map(move |ah| (ah, units)))
                .map(|(ah, units)| self.variance(bank, *ah, f64::from(*weeks)) / (units * units))
                .sum();
            difference >= needed * (between + measured).sqrt()
        })
    }
}

#[expect(clippy::cast_precision_loss, reason = "a handful of packs")]
fn as_f64(count: usize) -> f64 {
    count as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bank() -> Bank {
        Bank {
            reference_offset_ma: 0.0,
            reference_gain: 0.0,
            self_discharge_month: (0.0, 0.0),
            coulombic_efficiency: (1.0, 0.0),
            full_repeatability: 0.003,
            eras: Vec::new(),
        }
    }

    fn test(difference: Difference) -> Test {
        Test {
            difference,
            cycles_per_week: 1.5,
            report_s: 60.0,
        }
    }

    #[test]
    fn a_smaller_difference_takes_longer() {
        let weeks = |ma| test(Difference::Steady(ma)).weeks_for_packs(&bank(), [200.0, 200.0]);
        assert!(weeks(100.0) < weeks(20.0));
        assert_eq!(weeks(0.01), None);
        // Two marks of 0.6 Ah a pack are 1.2 Ah together; 2.80 of them are 3.4 Ah, which 20 mA need a week for.
        let still = Test {
            cycles_per_week: 0.0,
            ..test(Difference::Steady(20.1))
        };
        assert_eq!(still.weeks_for_packs(&bank(), [200.0, 200.0]), Some(1));
        let still = Test {
            difference: Difference::Steady(19.9),
            ..still
        };
        assert_eq!(still.weeks_for_packs(&bank(), [200.0, 200.0]), Some(2));
    }

    #[test]
    fn what_goes_with_throughput_shows_only_where_something_is_cycled() {
        let cycled = test(Difference::OfThroughput(0.5));
        let still = Test {
            cycles_per_week: 0.0,
            ..cycled
        };
        assert!(cycled.weeks_for_packs(&bank(), [200.0, 200.0]).is_some());
        assert_eq!(still.weeks_for_packs(&bank(), [200.0, 200.0]), None);
    }

    #[test]
    fn one_unit_never_tells_of_a_revision() {
        let test = test(Difference::Steady(500.0));
        assert_eq!(
            test.weeks_for_revisions(&bank(), [&[200.0], &[200.0, 200.0]]),
            None
        );
        let weeks = test.weeks_for_revisions(&bank(), [&[200.0, 200.0], &[200.0, 200.0]]);
        assert!(weeks.is_some());
    }
}
