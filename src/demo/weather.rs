//! Sun and load, minute by minute: short winter days, a sky that breaks on some of them, a household.

use super::random::Random;

const DAY_S: f64 = 86_400.0;

/// What one day is like.
#[derive(Debug, Clone, Copy)]
struct Day {
    /// Brightest hour, A into the bank.
    peak_a: f64,
    /// How broken the sky is, 0 to 1.
    broken: f64,
}

/// Sun and load over a winter.
pub(super) struct Weather {
    days: Vec<Day>,
    random: Random,
    /// Part of the sun that comes through just now.
    cloud: f64,
    appliance_a: f64,
    appliance_s: f64,
}

impl Weather {
    /// `sunny` scales how much sun there is.
    pub(super) fn new(days: usize, sunny: f64, seed: u64) -> Self {
        let mut random = Random::new(seed, 2);
        let mut clear = 0.5;
        let days = (0..days)
            .map(|_| {
                clear = (0.7_f64 * clear + 0.3 * random.between(0.0, 1.0)).clamp(0.0, 1.0);
                let today = (clear + random.normal(0.0, 0.2)).clamp(0.05, 1.0);
                let broken = if random.chance(0.4) {
                    random.between(0.3, 0.9)
                } else {
                    0.0
                };
                Day {
                    peak_a: 95.0 * sunny * today,
                    broken,
                }
            })
            .collect();
        Self {
            days,
            random,
            cloud: 1.0,
            appliance_a: 0.0,
            appliance_s: 0.0,
        }
    }

    /// Current that the sun gives, A, `seconds` after the last look.
    pub(super) fn sun_a(&mut self, at_s: f64, seconds: f64) -> f64 {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a day of the winter"
        )]
        let day = self.days[((at_s / DAY_S) as usize).min(self.days.len() - 1)];
        let hour = at_s % DAY_S / 3600.0;
        let height = (std::f64::consts::PI * (hour - 8.3) / 7.4).sin();
        if !(8.3..15.7).contains(&hour) {
            return 0.0;
        }
        // Clouds come and go within minutes.
        let pull = (seconds / 150.0).min(1.0);
        self.cloud += pull * (1.0 - 0.6 * day.broken - self.cloud)
            + day.broken * self.random.normal(0.0, 0.3) * pull.sqrt();
        self.cloud = self.cloud.clamp(0.1, 1.0);
        day.peak_a * height.powf(1.3) * self.cloud
    }

    /// Current that the household takes, A.
    pub(super) fn load_a(&mut self, at_s: f64, seconds: f64) -> f64 {
        let hour = at_s % DAY_S / 3600.0;
        let evening = (-(hour - 19.0).powi(2) / 8.0).exp();
        let morning = (-(hour - 7.5).powi(2) / 3.0).exp();
        self.appliance_s -= seconds;
        if self.appliance_s <= 0.0 {
            let on = self.appliance_a == 0.0 && self.random.chance(0.3 + 0.3 * evening + 0.2 * morning);
            (self.appliance_a, self.appliance_s) = if on {
                (self.random.between(4.0, 20.0), self.random.between(180.0, 1800.0))
            } else {
                (0.0, self.random.between(1800.0, 5400.0))
            };
        }
        5.5 + 4.0 * evening + 2.5 * morning + self.appliance_a
    }
}
