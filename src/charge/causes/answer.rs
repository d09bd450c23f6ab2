//! What can be told of why a board drifts, and why it can't. How it is told is `told`'s.

use super::Change;

/// A figure with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figure {
    /// The value.
    pub value: f64,
    /// Standard uncertainty.
    pub standard_uncertainty: f64,
}

/// Why something can't be told.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum Untold {
    /// No full charge to start from.
    #[error("there was no full charge yet: nothing says how full the packs were")]
    NeverFull,
    /// Too short.
    #[error("{days:.0} days behind the first full charge are too few; {least:.0} are needed")]
    TooShort {
        /// How many there are.
        days: f64,
        /// How many are needed.
        least: f64,
    },
    /// The curve isn't one.
    #[error(
        "the busbar's voltage departs by {mv:.0} mV from any one curve; up to {most_mv:.0} mV packs can be told apart"
    )]
    NoCurve {
        /// Spread, mV.
        mv: f64,
        /// Most that is believed, mV.
        most_mv: f64,
    },
    /// The pack doesn't follow the model.
    #[error("what the board reports departs by {ma:.0} mA from what the pack should carry")]
    Departs {
        /// Spread, mA.
        ma: f64,
    },
    /// Not enough of one direction.
    #[error("only {hours:.0} h of {direction} at a current that the board sees; {least:.0} h are needed")]
    OneDirection {
        /// How long, h.
        hours: f64,
        /// Charging or discharging.
        direction: &'static str,
        /// How long it takes, h.
        least: f64,
    },
    /// The interval says nothing of use.
    #[error("known to ±{expanded:.1} {unit} only, which is too wide to be of use")]
    TooWide {
        /// Expanded uncertainty.
        expanded: f64,
        /// Its unit.
        unit: &'static str,
    },
}

/// How much of a charge error each cause makes, Ah, by the model.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Explained {
    /// The steady error while the board sees a current, and the draw while it doesn't.
    pub steady_ah: f64,
    /// Charging and discharging counted differently.
    pub asymmetry_ah: f64,
    /// What flowed while the board reported nothing.
    pub blind_ah: f64,
    /// The mean gain, on what went in and has not come out.
    pub gain_ah: f64,
    /// What charging loses, which boards count as stored.
    pub coulombic_ah: f64,
}

impl Explained {
    /// All together, Ah.
    #[must_use]
    pub fn sum_ah(&self) -> f64 {
        self.steady_ah + self.asymmetry_ah + self.blind_ah + self.gain_ah + self.coulombic_ah
    }
}

/// Why one board drifts.
#[derive(Debug, Clone, PartialEq)]
pub struct Causes {
    /// Offset plus the draw that the board doesn't see, A, an epoch each.
    pub steady_a: Vec<Result<Figure, Untold>>,
    /// Gain of charging less gain of discharging.
    pub asymmetry: Result<Figure, Untold>,
    /// What flowed while the board reported nothing, Ah; charging is positive.
    pub blind_ah: Result<Figure, Untold>,
    /// Why none of them can be told.
    pub stands_against: Option<Untold>,
    /// What these make of the charge error.
    pub explained: Explained,
    /// A change of its error that nobody noted.
    pub change: Option<Change>,
    /// How far its reports depart from the model, A, root mean square.
    pub spread_a: f64,
}
