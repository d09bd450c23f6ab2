//! Where does the uncertainty come from? Each source's standard uncertainty, a column a pack.

use maud::{Markup, html};

use super::{
    mark::{colour, mark},
    sheet::{Drawing, Sheet, count, place},
};
use crate::page::{
    answers::PackAnswer,
    evidence::Evidence,
    words::{plain, visible},
};

pub(super) const TITLE: &str = "Where does the uncertainty come from?";
pub(super) const BENEATH: &str =
    "standard uncertainty of each source in Ah; twice their root sum of squares is the ± of the answer";

/// The figures that the plot shows, in words.
pub(super) fn told(evidence: &Evidence) -> String {
    let packs = evidence.drift.packs.iter().map(|pack| {
        let lines = pack.charge_error.budget.iter().take(3);
        let lines =
            lines.map(|line| format!("{} {:.2} Ah", plain(&line.source), line.standard_uncertainty_ah));
        format!(
            "{}: {}",
            visible(&pack.pack),
            lines.collect::<Vec<_>>().join(", ")
        )
    });
    format!("The largest sources. {}.", packs.collect::<Vec<_>>().join("; "))
}

pub(super) fn draw(sheet: &Sheet, evidence: &Evidence, top: f64) -> Option<Drawing> {
    let sources = evidence.sources();
    let grid = Grid::new(sheet, &sources, evidence)?;
    let packs: Vec<_> = evidence.drift.packs.iter().enumerate().collect();
    let grids = packs.chunks(grid.columns);
    let bottom = top + grid.height() * count(grids.len());
    let body = html! {
        @for (index, packs) in grids.enumerate() { (grid.drawn(packs, top + grid.height() * count(index))) }
    };
    Some(Drawing { body, bottom })
}

/// Sources down, packs across.
struct Grid<'a> {
    sheet: &'a Sheet,
    sources: &'a [(&'a str, f64)],
    largest: f64,
    left: f64,
    /// Packs side by side; more go below.
    columns: usize,
    column: f64,
    /// On a phone a source stands on a line of its own over its bars.
    label_high: f64,
    bar_high: f64,
}

impl<'a> Grid<'a> {
    /// `None` where there is no source.
    fn new(sheet: &'a Sheet, sources: &'a [(&'a str, f64)], evidence: &Evidence) -> Option<Self> {
        let widest = |texts: &mut dyn Iterator<Item = &str>| {
            texts.map(|text| sheet.text_width(text)).fold(0.0, f64::max)
        };
        let packs = &evidence.drift.packs;
        let name = 22.0 + widest(&mut packs.iter().map(|pack| pack.pack.as_str()));
        let label = widest(&mut sources.iter().map(|(source, _)| *source));
        let left = if sheet.narrow { 8.0 } else { label + 16.0 };
        let room = sheet.width - left - 8.0;
        let fits = |columns: &usize| room / count(*columns) >= name.max(60.0);
        let columns = (1..=packs.len()).rev().find(fits).unwrap_or(1);
        let (label_high, bar_high) = if sheet.narrow { (1.5, 1.4) } else { (0.0, 1.7) };
        Some(Self {
            sheet,
            sources,
            largest: sources.first()?.1.max(1e-6),
            left,
            columns,
            column: room / count(columns),
            label_high: label_high * sheet.font,
            bar_high: bar_high * sheet.font,
        })
    }

    fn height(&self) -> f64 {
        1.6 * self.sheet.font + (self.label_high + self.bar_high) * count(self.sources.len()) + 14.0
    }

    fn drawn(&self, packs: &[(usize, &PackAnswer)], top: f64) -> Markup {
        let font = self.sheet.font;
        let x = |column: usize| self.left + self.column * count(column);
        let y = |row: usize| top + 1.6 * font + (self.label_high + self.bar_high) * count(row);
        html! {
            @for (column, (p, pack)) in packs.iter().enumerate() {
                (mark(*p, x(column) + 6.0, top + 0.6 * font, 5.0))
                text class="small" x=(place(x(column) + 16.0)) y=(place(top + font)) { (visible(&pack.pack)) }
            }
            @for (row, (source, _)) in self.sources.iter().enumerate() {
                text class="small" x="8" y=(place(y(row) + 1.15 * font)) { (plain(source)) }
                @for (column, (p, pack)) in packs.iter().enumerate() {
                    @let line = pack.charge_error.budget.iter().find(|line| line.source == *source);
                    @if let Some(line) = line {
                        (self.bar(*p, line.standard_uncertainty_ah, x(column), y(row) + self.label_high))
                    }
                }
            }
        }
    }

    fn bar(&self, p: usize, ah: f64, x: f64, y: f64) -> Markup {
        let figure = format!("{ah:.2}");
        let room = self.column - self.sheet.text_width(&figure) - 12.0;
        let width = (room * ah / self.largest).max(1.0);
        let base = y + self.bar_high / 2.0 + 0.35 * self.sheet.font;
        html! {
            g class=(colour(p)) {
                rect class="bar" x=(place(x)) y=(place(y + 3.0)) width=(place(width)) height=(place(self.bar_high - 6.0)) {}
                text class="small" x=(place(x + width + 4.0)) y=(place(base)) { (figure) }
            }
        }
    }
}
