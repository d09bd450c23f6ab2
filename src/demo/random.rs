//! Random numbers that depend on a seed and a purpose only, so that one part's draws don't shift another's.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

pub(super) struct Random(ChaCha8Rng);

impl Random {
    pub(super) fn new(seed: u64, purpose: u64) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(purpose);
        Self(generator)
    }

    /// Equally likely anywhere between the two.
    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.random::<f64>()
    }

    /// Normally distributed (Box and Muller).
    pub(super) fn normal(&mut self, mean: f64, deviation: f64) -> f64 {
        let radius = (-2.0 * (1.0 - self.0.random::<f64>()).ln()).sqrt();
        let angle = std::f64::consts::TAU * self.0.random::<f64>();
        mean + deviation * radius * angle.cos()
    }

    /// True with a probability.
    pub(super) fn chance(&mut self, probability: f64) -> bool {
        self.0.random::<f64>() < probability
    }
}
