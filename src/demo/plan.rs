//! Which winter to simulate: its kind, its length, its seed.

use std::{fmt, str::FromStr};

use super::random::Random;

/// What kind of winter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Full charges on about days 0, 23, 51 and 68.
    Usual,
    /// The dark one: full only at its start and end.
    Sparse,
    /// A usual one in which a pack's board disconnects it for two days.
    Cutoff,
    /// A usual one that the arithmetic doesn't assume: cells with hysteresis and curves of their own, resistances
    /// that drift, heaters and draws unknown to the setup, zeros that wander with the temperature.
    Rough,
}

/// A word that names no kind of winter.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("“{0}” is no kind of winter; there are: usual, sparse, cutoff, rough")]
pub struct UnknownKind(String);

impl FromStr for Kind {
    type Err = UnknownKind;

    fn from_str(word: &str) -> Result<Self, UnknownKind> {
        match word {
            "usual" => Ok(Self::Usual),
            "sparse" => Ok(Self::Sparse),
            "cutoff" => Ok(Self::Cutoff),
            "rough" => Ok(Self::Rough),
            _ => Err(UnknownKind(word.to_owned())),
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(match self {
            Self::Usual => "usual",
            Self::Sparse => "sparse",
            Self::Cutoff => "cutoff",
            Self::Rough => "rough",
        })
    }
}

/// Which winter to simulate.
#[derive(Debug, Clone, Copy)]
pub struct Plan {
    /// Its kind.
    pub kind: Kind,
    /// Its length.
    pub days: u32,
    /// Everything random in it.
    pub seed: u64,
    /// How often each instrument reports, s; a multiple of 10.
    pub report_s: u32,
    /// When it begins, ms since 1970.
    pub begin_ms: i64,
}

impl Plan {
    /// 70 days from 1 November 2025, reported every minute.
    #[must_use]
    pub fn new(kind: Kind, seed: u64) -> Self {
        Self {
            kind,
            days: 70,
            seed,
            report_s: 60,
            begin_ms: 1_761_955_200_000,
        }
    }

    /// Days on which the bank is charged full: the first, the last but one, and in between as the kind has it.
    pub(super) fn full_days(&self, random: &mut Random) -> Vec<u32> {
        let last = self.days.saturating_sub(2);
        let between: &[f64] = match self.kind {
            Kind::Usual | Kind::Cutoff | Kind::Rough => &[23.0 / 68.0, 51.0 / 68.0],
            Kind::Sparse => &[],
        };
        let mut days = vec![0];
        for part in between {
            let day = part * f64::from(last) + random.between(-1.0, 1.0);
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a day of the winter"
            )]
            days.push(day.round().max(0.0) as u32);
        }
        days.push(last);
        days.dedup();
        days
    }
}
