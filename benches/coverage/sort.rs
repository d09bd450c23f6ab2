//! Sorts of winters: the simulation's own kinds, and departures from what the budget assumes that are put upon the
//! readings of a usual winter.

use std::{fmt, str::FromStr};

use packdrift::{
    config::Setup,
    demo::{Kind, UnknownKind, Winter},
    reading::Channel,
};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::heard::Reading;

const DAY_MS: i64 = 86_400_000;
const HOUR_MS: i64 = 3_600_000;

/// What sort of winter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sort {
    /// As the simulation has it.
    Simulated(Kind),
    /// Usual, but the reference's zero wanders with the room's temperature and by itself, 15 mA or so.
    Wandering,
    /// Rough, and the setup states what the boards draw, but of other boards.
    Misstated,
    /// Usual, but the logger is down a dozen times, for up to ten hours, and single packs fall silent besides.
    Silent,
}

impl Sort {
    /// Every sort.
    pub const ALL: [Self; 7] = [
        Self::Simulated(Kind::Usual),
        Self::Simulated(Kind::Sparse),
        Self::Simulated(Kind::Cutoff),
        Self::Simulated(Kind::Rough),
        Self::Misstated,
        Self::Wandering,
        Self::Silent,
    ];

    /// The simulation's kind that it rests on.
    pub fn kind(self) -> Kind {
        match self {
            Self::Simulated(kind) => kind,
            Self::Misstated => Kind::Rough,
            Self::Wandering | Self::Silent => Kind::Usual,
        }
    }

    /// The demo's setup as the owner of such a bank would have it: in a rough winter nobody has measured what the
    /// boards draw, and what is assumed of such boards stands there.
    pub fn setup(self, demo: &Setup) -> Setup {
        let mut setup = demo.clone();
        if self == Self::Simulated(Kind::Rough) {
            for held in setup.banks[0].packs.iter_mut().flat_map(|pack| &mut pack.held) {
                held.standing_draw_ma = (15.0, 15.0);
                held.draw_is_assumed = true;
            }
        }
        setup
    }

    /// What is heard of a winter.
    pub fn readings(self, winter: &Winter, seed: u64) -> Vec<Reading> {
        let mut readings: Vec<Reading> = winter.readings().collect();
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        random.set_stream(77);
        match self {
            Self::Simulated(_) | Self::Misstated => {}
            Self::Wandering => wander(&mut readings, &mut random),
            Self::Silent => silence(&mut readings, &mut random),
        }
        readings
    }
}

/// Adds to the reference's current a zero that swings by up to 10 mA with the day and walks 3 mA a day.
fn wander(readings: &mut [Reading], random: &mut ChaCha8Rng) {
    let begin_ms = readings[0].0;
    let swing_ma = random.random_range(-10.0..10.0);
    let mut walk_ma = vec![0.0];
    for _ in 0..400 {
        let last = walk_ma[walk_ma.len() - 1];
        walk_ma.push(last + random.random_range(-5.2..5.2));
    }
    for (at_ms, _, channels) in readings.iter_mut().filter(|reading| reading.1 == 0) {
        let since_ms = *at_ms - begin_ms;
        let day = usize::try_from(since_ms / DAY_MS)
            .unwrap_or(0)
            .min(walk_ma.len() - 1);
        #[expect(clippy::cast_precision_loss, reason = "a time of day in ms")]
        let turn = (since_ms % DAY_MS) as f64 / DAY_MS as f64 * std::f64::consts::TAU;
        #[expect(clippy::cast_possible_truncation, reason = "a current in mA")]
        let by_ma = (swing_ma * turn.cos() + walk_ma[day]).round() as i64;
        let seen = channels.get(Channel::Current);
        channels.set(Channel::Current, seen.map(|ma| ma + by_ma));
    }
}

/// Takes readings out: a dozen stretches of all, and four of each pack's own.
fn silence(readings: &mut Vec<Reading>, random: &mut ChaCha8Rng) {
    let (begin_ms, end_ms) = (readings[0].0, readings[readings.len() - 1].0);
    let mut silent: Vec<(i64, i64, Option<u16>)> = Vec::new();
    let mut stretch = |of: Option<u16>| {
        // Not at the very ends: there the record simply begins later or ends earlier.
        let from_ms = random.random_range(begin_ms + 2 * DAY_MS..end_ms - 3 * DAY_MS);
        let lasts_ms = random.random_range(HOUR_MS / 3..10 * HOUR_MS);
        silent.push((from_ms, from_ms + lasts_ms, of));
    };
    for _ in 0..12 {
        stretch(None);
    }
    for pack in 1..=5 {
        for _ in 0..4 {
            stretch(Some(pack));
        }
    }
    readings.retain(|(at_ms, of, _)| {
        !silent.iter().any(|(from_ms, until_ms, whose)| {
            (from_ms..until_ms).contains(&at_ms) && whose.is_none_or(|whose| whose == *of)
        })
    });
}

impl FromStr for Sort {
    type Err = UnknownKind;

    fn from_str(word: &str) -> Result<Self, UnknownKind> {
        match word {
            "misstated" => Ok(Self::Misstated),
            "wandering" => Ok(Self::Wandering),
            "silent" => Ok(Self::Silent),
            _ => word.parse().map(Self::Simulated),
        }
    }
}

impl fmt::Display for Sort {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Simulated(kind) => kind.fmt(formatter),
            Self::Misstated => formatter.write_str("misstated"),
            Self::Wandering => formatter.write_str("wandering"),
            Self::Silent => formatter.write_str("silent"),
        }
    }
}
