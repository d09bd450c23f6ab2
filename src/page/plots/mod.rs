//! The plots, as SVG made here: each is titled by the question it answers and can be read by itself.
//!
//! They draw what the API answered and compute nothing of their own but places on the sheet. What they look like
//! is written down in DEVELOPERS.md.

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
    /// What the reference counts from full charge to full charge.
    Reference,
}

impl Plot {
    /// Every plot, in the order of the page.
    pub const ALL: [Self; 5] = [
        Self::ChargeError,
        Self::StateOfCharge,
        Self::Rates,
        Self::Budget,
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
            Self::Reference => reference::TITLE,
        }
    }

    fn beneath(self) -> &'static str {
        match self {
            Self::ChargeError => charge_error::BENEATH,
            Self::StateOfCharge => state_of_charge::BENEATH,
            Self::Rates => rates::BENEATH,
            Self::Budget => budget::BENEATH,
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
mod tests {
    use serde_json::{Value, json};

    use super::*;

    /// A bank of so many packs, as the API would answer, with an hour missing.
    fn bank(packs: usize) -> (Evidence, Series) {
        let at = |hour: usize| format!("2026-01-0{}T{:02}:00:00Z", 1 + hour / 24, hour % 24);
        let counted = json!({"charged_ah": 1.0, "discharged_ah": 1.0, "net_ah": 0.0});
        let coverage = json!({"fraction": 1.0, "longest_gap_s": 0});
        let answer = |p: usize| {
            let budget: Vec<_> = ["unequal_soc", "full_charge_repeatability", "sampling"]
                .map(|source| json!({"source": source, "standard_uncertainty_ah": 0.5 + 100.0 / (p + 1) as f64}))
                .to_vec();
            json!({
                "pack": format!("colony-{p}"), "revision": "A", "firmware": null, "capacity_ah": 200.0,
                "charge_error": {"ah": 9.0 * p as f64 - 40.0, "expanded_uncertainty_ah": 3.0, "percent_of_capacity": 1.0,
                    "basis": "closed", "significant": true, "budget": budget},
                "rate": {"ah_per_day": 1.0, "points_per_month": 3.0 * p as f64, "expanded_uncertainty_ah_per_day": 0.1},
                "epochs": [], "display": null, "resyncs": [], "counted": counted, "coverage": coverage,
                "unexplained_resets": [],
            })
        };
        let closure = json!({"begin": at(0), "end": at(47), "closure_ah": 3.0, "expanded_uncertainty_ah": 1.0, "ah_per_day": 1.5});
        let drift = json!({
            "bank": "skerry", "since": at(0), "until": at(47), "setup": "",
            "packs": (0..packs).map(answer).collect::<Vec<_>>(),
            "reference": {"reference": "shunt", "counted": counted, "coverage": coverage, "closures": [closure]},
        });
        let notes: Vec<_> = (0..9)
            .map(|n| json!({"at": at(20 + n / 3), "bank": "skerry", "kind": "observation", "text": "wind ".repeat(40)}))
            .collect();
        let phases = json!([{"kind": "outage", "begin": at(3), "end": at(9), "stated": null}]);
        let documents = [
            drift,
            json!({"phases": phases}),
            json!({"anchors": []}),
            json!({"notes": notes}),
            json!({"packs": []}),
        ];
        let evidence = Evidence::read(documents, chrono_tz::Europe::Oslo).unwrap();
        let line = |scale: f64| {
            let value = |hour: usize| {
                if hour == 30 {
                    Value::Null
                } else {
                    json!(scale * hour as f64)
                }
            };
            (0..48).map(value).collect::<Vec<_>>()
        };
        let series = json!({
            "at": (0..48).map(at).collect::<Vec<_>>(),
            "packs": (0..packs).map(|p| json!({
                "pack": format!("colony-{p}"), "charge_error_ah": line(0.2 * p as f64 - 1.0),
                "expanded_uncertainty_ah": line(0.1), "actual_percent": line(1.0), "display_percent": line(2.5),
            })).collect::<Vec<_>>(),
        });
        (evidence, serde_json::from_value(series).unwrap())
    }

    #[test]
    fn nothing_leaves_the_sheet_however_many_packs_there_are() {
        for packs in [1, 5, 16] {
            let (evidence, series) = bank(packs);
            for (plot, size) in Plot::ALL
                .into_iter()
                .flat_map(|plot| [(plot, Size::Wide), (plot, Size::Narrow)])
            {
                let svg = plot.draw(&evidence, Some(&series), size, true).into_string();
                let xml = roxmltree::Document::parse(&svg).unwrap();
                let sheet = Sheet::new(plot.name(), size);
                let height: f64 = xml.root_element().attribute("height").unwrap().parse().unwrap();
                for node in xml
                    .descendants()
                    .filter(|node| !node.ancestors().any(|it| it.has_tag_name("defs")))
                {
                    let number =
                        |name: &str| node.attribute(name).and_then(|value| value.parse::<f64>().ok());
                    let (Some(x), Some(y)) = (number("x"), number("y")) else {
                        continue;
                    };
                    let words = node
                        .text()
                        .filter(|_| node.tag_name().name() == "text")
                        .unwrap_or_default();
                    let class = node.attribute("class").unwrap_or_default();
                    let width = number("width").unwrap_or_else(|| sheet.text_width(words));
                    let begin = match class {
                        _ if class.ends_with("end") => x - width,
                        _ if class.ends_with("middle") => x - width / 2.0,
                        _ => x,
                    };
                    let inside =
                        begin >= -1.0 && begin + width <= sheet.width + 1.0 && (0.0..=height).contains(&y);
                    assert!(inside, "{} of {packs} packs, {size:?}: {node:?}", plot.name());
                }
            }
        }
    }
}
