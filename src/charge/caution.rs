//! Readings outside the usual cautions. Common practice, no source: makers' own limits stand above them, and being
//! told of them afterwards protects nothing.

/// What a caution is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// A cell above 3.65 V (LFP).
    CellHigh,
    /// A cell below 2.5 V (LFP).
    CellLow,
    /// Charging below 0 °C.
    ColdCharging,
    /// Packs on one busbar display states of charge far apart.
    SocSpread,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 4] = [Self::CellHigh, Self::CellLow, Self::ColdCharging, Self::SocSpread];

    /// The word in the store and in answers.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::CellHigh => "cell_voltage_high",
            Self::CellLow => "cell_voltage_low",
            Self::ColdCharging => "charging_below_freezing",
            Self::SocSpread => "soc_spread",
        }
    }

    /// The kind of that word.
    #[must_use]
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }

    /// Of two values in the channel's kept unit the one further out.
    #[must_use]
    pub fn worse(self, left: i64, right: i64) -> i64 {
        match self {
            Self::CellHigh | Self::SocSpread => left.max(right),
            Self::CellLow | Self::ColdCharging => left.min(right),
        }
    }
}

/// LFP: a cell above this, mV.
const CELL_HIGH_MV: i64 = 3650;
/// LFP: a cell below this, mV.
const CELL_LOW_MV: i64 = 2500;
/// A current below this is no charging, mA.
const CHARGING_MA: i64 = 500;
/// Displays further apart than this, tenths of a percent.
pub const SPREAD_PERMILLE: i64 = 200;

/// What cautions look at, as last reported.
#[derive(Debug, Clone, Copy, Default)]
pub struct Reported {
    /// Lowest cell, mV.
    pub cell_min_mv: Option<i64>,
    /// Highest cell, mV.
    pub cell_max_mv: Option<i64>,
    /// Temperature, tenths of a degree.
    pub temperature: Option<i64>,
    /// Current, mA.
    pub current_ma: Option<i64>,
}

/// What is outside the usual cautions, with the value that is. `lfp`: whether the cells are of that chemistry,
/// whose voltages these are.
pub fn outside(reported: &Reported, lfp: bool) -> impl Iterator<Item = (Kind, i64)> {
    let high = reported.cell_max_mv.filter(|mv| lfp && *mv > CELL_HIGH_MV);
    let low = reported.cell_min_mv.filter(|mv| lfp && *mv < CELL_LOW_MV);
    let charging = reported.current_ma.is_some_and(|ma| ma > CHARGING_MA);
    let cold = reported.temperature.filter(|tenths| charging && *tenths < 0);
    [
        (Kind::CellHigh, high),
        (Kind::CellLow, low),
        (Kind::ColdCharging, cold),
    ]
    .into_iter()
    .filter_map(|(kind, value)| Some((kind, value?)))
}

/// A stretch of time in which something was outside the usual cautions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Episode {
    /// What.
    pub kind: Kind,
    /// First seen, ms since 1970.
    pub begin_ms: i64,
    /// Last seen, ms since 1970.
    pub end_ms: i64,
    /// The value furthest out: mV, tenths of a degree or tenths of a percent.
    pub worst: i64,
}

/// What comes again within this is the same episode, ms.
const SAME_WITHIN_MS: i64 = 3_600_000;

/// Joins what was seen hour by hour to episodes. `seen` is in order of time.
#[must_use]
pub fn episodes(seen: impl IntoIterator<Item = Episode>) -> Vec<Episode> {
    let mut episodes: Vec<Episode> = Vec::new();
    for next in seen {
        let same = episodes
            .iter_mut()
            .rev()
            .find(|episode| episode.kind == next.kind)
            .filter(|episode| next.begin_ms - episode.end_ms <= SAME_WITHIN_MS);
        match same {
            Some(episode) => {
                episode.end_ms = next.end_ms;
                episode.worst = next.kind.worse(episode.worst, next.worst);
            }
            None => episodes.push(next),
        }
    }
    episodes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_usual_is_no_caution() {
        let usual = Reported {
            cell_min_mv: Some(2500),
            cell_max_mv: Some(3650),
            temperature: Some(-10),
            current_ma: Some(-9000),
        };
        assert_eq!(outside(&usual, true).count(), 0);
    }

    #[test]
    fn each_limit_is_told() {
        let outside_all = Reported {
            cell_min_mv: Some(2499),
            cell_max_mv: Some(3651),
            temperature: Some(-1),
            current_ma: Some(9000),
        };
        let kinds = |lfp| {
            outside(&outside_all, lfp)
                .map(|(kind, _)| kind)
                .collect::<Vec<_>>()
        };
        assert_eq!(kinds(true), [Kind::CellHigh, Kind::CellLow, Kind::ColdCharging]);
        assert_eq!(kinds(false), [Kind::ColdCharging]);
    }

    #[test]
    fn an_episode_is_told_once() {
        let seen = |hour: i64, worst| Episode {
            kind: Kind::CellHigh,
            begin_ms: hour * SAME_WITHIN_MS,
            end_ms: hour * SAME_WITHIN_MS + 60_000,
            worst,
        };
        let told = episodes([seen(0, 3660), seen(1, 3700), seen(5, 3655)]);
        let worst: Vec<i64> = told.iter().map(|episode| episode.worst).collect();
        assert_eq!(worst, [3700, 3655]);
        assert_eq!(told[0].end_ms, SAME_WITHIN_MS + 60_000);
    }
}
