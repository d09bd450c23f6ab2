//! The axis that plots over time share: dates, full charges, phases and notes.

use maud::{Markup, html};

use super::{
    flow::Flow,
    scale::{Scale, time_ticks},
    sheet::{Sheet, count, place},
};
use crate::page::{
    answers::Note,
    evidence::Evidence,
    words::{beginning, day, plain, visible},
};

/// Height of the strip of phases.
const STRIP: f64 = 10.0;
/// Notes whose words stand below the axis; the others are counted.
const NOTES: usize = 6;

/// Lines of flags at most; where they are full, older notes are not marked.
const FLAG_ROWS: usize = 4;

/// The axis of an answer's stretch.
pub struct TimeAxis<'a> {
    sheet: &'a Sheet,
    evidence: &'a Evidence,
    /// From ms since 1970 to places.
    pub scale: Scale,
    stretch_ms: (i64, i64),
    /// The notes that are marked, oldest first.
    flags: Vec<Flag<'a>>,
    /// How many are not, for want of room.
    without_room: usize,
}

/// A note's number below the axis.
struct Flag<'a> {
    number: usize,
    note: &'a Note,
    x: f64,
    row: usize,
}

impl<'a> TimeAxis<'a> {
    /// An axis between two places.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "times are far below 2^52 ms")]
    pub fn new(sheet: &'a Sheet, evidence: &'a Evidence, stretch_ms: (i64, i64), places: (f64, f64)) -> Self {
        let scale = Scale {
            values: (stretch_ms.0 as f64, stretch_ms.1 as f64),
            places,
        };
        let mut axis = Self {
            sheet,
            evidence,
            scale,
            stretch_ms,
            flags: Vec::new(),
            without_room: 0,
        };
        axis.place_flags();
        axis
    }

    /// Places a flag a note, the newest first, on further lines where they would cover each other.
    fn place_flags(&mut self) {
        let half = self.flag_width() / 2.0;
        let mut begins = [f64::INFINITY; FLAG_ROWS];
        let stretch = self.stretch_ms.0..=self.stretch_ms.1;
        for (number, note) in self.evidence.numbered_notes().rev() {
            if !stretch.contains(&note.at.ms) {
                continue;
            }
            let x = self.scale.at_ms(note.at.ms);
            match begins.iter().position(|begin| x + half < *begin) {
                Some(row) => {
                    begins[row] = x - half;
                    self.flags.push(Flag { number, note, x, row });
                }
                None => self.without_room += 1,
            }
        }
        self.flags.reverse();
    }

    fn flag_width(&self) -> f64 {
        1.5 * self.sheet.font
    }

    /// What lies behind the lines, from `top` to `bottom`: full charges and the instants of notes, with words above.
    #[must_use]
    pub fn behind(&self, top: f64, bottom: f64) -> Markup {
        let ends = self.evidence.full_charges().map(|anchor| anchor.end.ms);
        let mut labels: Vec<f64> = Vec::new();
        for end_ms in ends.filter(|end_ms| (self.stretch_ms.0..=self.stretch_ms.1).contains(end_ms)) {
            let x = self.scale.at_ms(end_ms);
            if labels
                .last()
                .is_none_or(|last| x - last > self.sheet.text_width("full "))
            {
                labels.push(x);
            }
        }
        html! {
            (self.behind_panel(top, bottom))
            @for x in labels { text class="small middle" x=(place(x)) y=(place(top - 4.0)) { "full" } }
        }
    }

    /// What lies behind the lines of one panel of several.
    #[must_use]
    pub fn behind_panel(&self, top: f64, bottom: f64) -> Markup {
        html! {
            @for anchor in self.evidence.full_charges() {
                @let (begin, end) = (self.clamp(anchor.begin.ms), self.clamp(anchor.end.ms));
                @if begin < end {
                    @let (x, mark) = (self.scale.at_ms(begin), self.scale.at_ms(end));
                    rect class="full" x=(place(x)) y=(place(top)) width=(place((mark - x).max(1.0))) height=(place(bottom - top)) {}
                    @if end == anchor.end.ms {
                        path class="fullmark" d={ "M" (place(mark)) " " (place(top)) "V" (place(bottom)) } {}
                    }
                }
            }
            @for flag in &self.flags {
                path class="noteline" d={ "M" (place(flag.x)) " " (place(top)) "V" (place(bottom)) } {}
            }
        }
    }

    /// The axis itself below `bottom`, and where it ends.
    #[must_use]
    pub fn below(&self, bottom: f64) -> (Markup, f64) {
        let (left, right) = self.scale.places;
        let strip = bottom + 4.0;
        let labels = strip + STRIP + 1.25 * self.sheet.font;
        let (flags, after_flags) = self.flags(labels + 0.6 * self.sheet.font);
        let (legend, after_legend) = self.legend(after_flags + 1.5 * self.sheet.font);
        let (words, end) = self.words(after_legend);
        #[expect(clippy::cast_possible_truncation, reason = "a few ticks")]
        let most = ((right - left) / self.sheet.text_width("30 Nov ")) as i64;
        let ticks = time_ticks(
            self.stretch_ms.0,
            self.stretch_ms.1,
            most.max(2),
            self.evidence.zone,
        );
        let markup = html! {
            path class="axis" d={ "M" (place(left)) " " (place(bottom)) "H" (place(right)) } {}
            @for phase in &self.evidence.phases {
                @let (begin, end) = (self.clamp(phase.begin.ms), self.clamp(phase.end.ms));
                @if begin < end {
                    @let (from, to) = (self.scale.at_ms(begin), self.scale.at_ms(end));
                    rect class="phase" fill=(self.sheet.pattern(&phase.kind)) x=(place(from)) y=(place(strip))
                        width=(place((to - from).max(0.5))) height=(place(STRIP)) {}
                }
            }
            @for (at_ms, label) in ticks {
                @let x = self.scale.at_ms(at_ms);
                path class="axis" d={ "M" (place(x)) " " (place(bottom)) "v4" } {}
                @let half = self.sheet.text_width(&label) / 2.0;
                @if x + half < self.sheet.width {
                    text class="small middle" x=(place(x)) y=(place(labels)) { (label) }
                }
            }
            (flags) (legend) (words)
        };
        (markup, end)
    }

    /// Numbers of the notes below the axis.
    fn flags(&self, top: f64) -> (Markup, f64) {
        let (width, height) = (self.flag_width(), 1.25 * self.sheet.font);
        let rows = self.flags.iter().map(|flag| flag.row + 1).max().unwrap_or(0);
        let markup = html! {
            @for flag in &self.flags {
                @let y = top + height * count(flag.row);
                g {
                    title { (plain(&flag.note.kind)) ", " (visible(flag.note.whom())) }
                    rect class="flag" x=(place(flag.x - width / 2.0 + 1.0)) y=(place(y)) width=(place(width - 2.0)) height=(place(height - 2.0)) rx="3" {}
                    text class="small middle" x=(place(flag.x)) y=(place(y + 0.95 * self.sheet.font)) { (flag.number) }
                }
            }
        };
        (markup, top + height * count(rows))
    }

    /// What the hatchings mean.
    fn legend(&self, y: f64) -> (Markup, f64) {
        let mut kinds: Vec<&str> = Vec::new();
        for phase in &self.evidence.phases {
            if phase.begin.ms < self.stretch_ms.1
                && phase.end.ms > self.stretch_ms.0
                && !kinds.contains(&phase.kind.as_str())
            {
                kinds.push(&phase.kind);
            }
        }
        let mut flow = Flow::new(self.sheet, self.scale.places.0, y);
        let markup = html! {
            @for kind in kinds {
                @let label = plain(kind);
                @let (x, y) = flow.place(&label, 26.0);
                rect class="phase" fill=(self.sheet.pattern(kind)) x=(place(x)) y=(place(y - STRIP)) width="20" height=(place(STRIP)) {}
                text class="small" x=(place(x + 26.0)) y=(place(y)) { (label) }
            }
        };
        (markup, flow.y)
    }

    /// The words of the first notes, and which are left out.
    fn words(&self, above: f64) -> (Markup, f64) {
        let left = if self.sheet.narrow {
            8.0
        } else {
            self.scale.places.0
        };
        let mut told: Vec<String> = self
            .flags
            .iter()
            .take(NOTES)
            .map(|flag| self.note_line(flag))
            .collect();
        if self.flags.len() > NOTES {
            told.push(format!("and {} more notes", self.flags.len() - NOTES));
        }
        if self.without_room > 0 {
            told.push(format!(
                "{} older notes are not marked, for want of room",
                self.without_room
            ));
        }
        let earliest_ms = self.evidence.notes.first().map(|note| note.at.ms);
        if let Some(earliest_ms) =
            earliest_ms.filter(|at_ms| self.evidence.earlier_notes > 0 && *at_ms > self.stretch_ms.0)
        {
            told.push(format!(
                "no note before {} is marked; there are {}",
                day(earliest_ms, self.evidence.zone),
                self.evidence.earlier_notes
            ));
        }
        let lines: Vec<_> = told
            .iter()
            .flat_map(|line| self.sheet.lines(line, left, 1.0))
            .collect();
        let y = |line: usize| above + 1.4 * self.sheet.font * count(line + 1);
        let markup = html! {
            @for (index, line) in lines.iter().enumerate() {
                text class="small" x=(place(left)) y=(place(y(index))) { (line) }
            }
        };
        let last = lines.len().checked_sub(1).map_or(above, y);
        (markup, last + 0.8 * self.sheet.font)
    }

    fn note_line(&self, flag: &Flag<'_>) -> String {
        format!(
            "{}: {}, {}, {}: {}",
            flag.number,
            day(flag.note.at.ms, self.evidence.zone),
            visible(flag.note.whom()),
            plain(&flag.note.kind),
            beginning(&visible(&flag.note.text), if self.sheet.narrow { 50 } else { 70 })
        )
    }

    fn clamp(&self, at_ms: i64) -> i64 {
        at_ms.clamp(self.stretch_ms.0, self.stretch_ms.1)
    }
}
