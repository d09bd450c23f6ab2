//! The plots, as SVG made here: each is titled by the question it answers and can be read by itself.
//!
//! They draw what the API answered and compute nothing of their own but places on the sheet. What they look like
//! is written down in DEVELOPERS.md.

mod balance;
mod budget;
mod charge_error;
mod flow;
mod intervals;
mod mark;
mod rates;
mod reference;
mod scale;
mod sheet;
mod state_of_charge;
mod time_axis;

use maud::{Markup, html};

pub use mark::icon;
pub use sheet::{STYLE, Size};

use super::answers::Series;
use super::evidence::Evidence;
use sheet::{Drawing, Sheet, place};

/// A plot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Plot {
    /// Charge error over time with its uncertainty.
    ChargeError,
    /// Displayed against actual state of charge.
    StateOfCharge,
    /// Rates of drift by revision.
    Rates,
    /// Where the uncertainty comes from.
    Budget,
    /// The packs' counts together against the reference's.
    Balance,
    /// What the reference counts from full charge to full charge.
    Reference,
}

impl Plot {
    /// Every plot, in the order of the page.
    pub const ALL: [Self; 6] = [
        Self::ChargeError,
        Self::StateOfCharge,
        Self::Rates,
        Self::Budget,
        Self::Balance,
        Self::Reference,
    ];

    /// Its name in addresses and on the command line.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::ChargeError => "charge-error",
            Self::StateOfCharge => "state-of-charge",
            Self::Rates => "rates",
            Self::Budget => "budget",
            Self::Balance => "balance",
            Self::Reference => "reference",
        }
    }

    /// The plot of that name.
    #[must_use]
    pub fn of(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|plot| plot.name() == name)
    }

    /// Whether it is drawn over time, and so needs a [`Series`].
    #[must_use]
    pub fn needs_series(self) -> bool {
        matches!(self, Self::ChargeError | Self::StateOfCharge)
    }

    /// The question it answers.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Self::ChargeError => charge_error::TITLE,
            Self::StateOfCharge => state_of_charge::TITLE,
            Self::Rates => rates::TITLE,
            Self::Budget => budget::TITLE,
            Self::Balance => balance::TITLE,
            Self::Reference => reference::TITLE,
        }
    }

    fn beneath(self) -> &'static str {
        match self {
            Self::ChargeError => charge_error::BENEATH,
            Self::StateOfCharge => state_of_charge::BENEATH,
            Self::Rates => rates::BENEATH,
            Self::Budget => budget::BENEATH,
            Self::Balance => balance::BENEATH,
            Self::Reference => reference::BENEATH,
        }
    }

    /// The figures it shows, in words: for who can't see it.
    #[must_use]
    pub fn told(self, evidence: &Evidence) -> String {
        match self {
            Self::ChargeError => charge_error::told(evidence),
            Self::StateOfCharge => state_of_charge::told(evidence),
            Self::Rates => rates::told(evidence),
            Self::Budget => budget::told(evidence),
            Self::Balance => balance::told(evidence),
            Self::Reference => reference::told(evidence),
        }
    }

    /// Draws it. `alone`: as a document that carries its own style; else [`STYLE`] must stand in the document
    /// around it. Where there is nothing to draw yet it says so.
    #[must_use]
    pub fn draw(self, evidence: &Evidence, series: Option<&Series>, size: Size, alone: bool) -> Markup {
        let sheet = Sheet::new(self.name(), size);
        let top = sheet.top(self.title(), self.beneath());
        let drawing = match self {
            Self::ChargeError => series.and_then(|series| charge_error::draw(&sheet, evidence, series, top)),
            Self::StateOfCharge => {
                series.and_then(|series| state_of_charge::draw(&sheet, evidence, series, top))
            }
            Self::Rates => Some(rates::draw(&sheet, evidence, top)),
            Self::Budget => budget::draw(&sheet, evidence, top),
            Self::Balance => balance::draw(&sheet, evidence, top),
            Self::Reference => reference::draw(&sheet, evidence, top),
        };
        let drawing = drawing.unwrap_or_else(|| Drawing {
            body: html! { text x="8" y=(place(top + 2.0 * sheet.font)) { "Nothing to draw yet." } },
            bottom: top + 4.0 * sheet.font,
        });
        sheet.finish(
            self.title(),
            self.beneath(),
            &self.told(evidence),
            &drawing,
            alone,
        )
    }
}

#[cfg(test)]
mod tests;
