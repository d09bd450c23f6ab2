//! Values with their intervals, a row each, on one scale.

use maud::{Markup, html};

use super::{
    mark::{colour, mark},
    scale::{Scale, Ticks, ticks},
    sheet::{Drawing, Sheet, count, place},
};

/// A row: a heading over those that follow, or a value.
pub(super) enum Row {
    /// Words over the rows that follow.
    Heading(String),
    /// A value with its expanded uncertainty, and whose it is.
    Value {
        /// The pack, by its position in the bank; `None`: the reference.
        pack: Option<usize>,
        /// Whose.
        label: String,
        /// The value; `None`: there is no answer.
        value: Option<(f64, f64)>,
        /// As text.
        text: String,
    },
}

pub(super) fn draw(sheet: &Sheet, rows: &[Row], unit: &str, top: f64) -> Drawing {
    let high = 2.0 * sheet.font;
    let (mut low, mut far) = (0.0_f64, 0.0_f64);
    let (mut labels, mut texts) = (0.0_f64, 0.0_f64);
    for row in rows {
        if let Row::Value {
            label, value, text, ..
        } = row
        {
            labels = labels.max(sheet.text_width(label));
            texts = texts.max(sheet.text_width(text));
            if let Some((value, reach)) = value {
                low = low.min(value - reach);
                far = far.max(value + reach);
            }
        }
    }
    let (left, right) = (labels + 42.0, sheet.width - texts - 16.0);
    let ticks = fitting(sheet, (low, far.max(low + 0.1)), right - left);
    let x = Scale {
        values: ticks.range,
        places: (left, right),
    };
    let bottom = top + high * count(rows.len());
    let body = html! {
        @for (value, label) in &ticks.marks {
            @let class = if *value == 0.0 { "zero" } else { "grid" };
            path class=(class) d={ "M" (place(x.at(*value))) " " (place(top)) "V" (place(bottom)) } {}
            text class="small middle" x=(place(x.at(*value))) y=(place(bottom + 1.3 * sheet.font)) { (label) }
        }
        text class="small middle" x=(place(f64::midpoint(left, right))) y=(place(bottom + 2.8 * sheet.font)) { (unit) }
        @for (index, row) in rows.iter().enumerate() {
            @let y = top + high * (count(index) + 0.5);
            (drawn(sheet, row, x, y))
        }
    };
    Drawing {
        body,
        bottom: bottom + 3.6 * sheet.font,
    }
}

/// As many ticks as have room for their labels side by side.
fn fitting(sheet: &Sheet, (low, far): (f64, f64), room: f64) -> Ticks {
    let mut steps = 7.0;
    loop {
        let ticks = ticks(low, far, steps, true);
        let widest = ticks.marks.iter().map(|(_, label)| sheet.text_width(label));
        let needed = (widest.fold(0.0, f64::max) + sheet.font) * count(ticks.marks.len() - 1);
        if needed <= room || steps <= 2.0 {
            return ticks;
        }
        steps -= 1.0;
    }
}

fn drawn(sheet: &Sheet, row: &Row, x: Scale, y: f64) -> Markup {
    let base = y + 0.35 * sheet.font;
    match row {
        Row::Heading(words) => html! {
            // No line of the scale goes through the words.
            rect class="paper" x="4" y=(place(y - 0.8 * sheet.font)) width=(place(sheet.text_width(words) + 8.0)) height=(place(1.5 * sheet.font)) {}
            text class="small" x="8" y=(place(base)) { (words) }
        },
        Row::Value {
            pack,
            label,
            value,
            text,
        } => {
            let class = pack.map_or_else(|| "reference".to_owned(), colour);
            html! {
                g class=(class) {
                    @if let Some(pack) = pack { (mark(*pack, 18.0, y, 5.0)) }
                    text x="28" y=(place(base)) { (label) }
                    @if let Some((value, reach)) = value {
                        @let (from, to) = (x.at(value - reach), x.at(value + reach));
                        path class="reach" d={ "M" (place(from)) " " (place(y - 5.0)) "v10M" (place(from)) " " (place(y)) "H" (place(to)) "M" (place(to)) " " (place(y - 5.0)) "v10" } {}
                        @match pack {
                            Some(pack) => { (mark(*pack, x.at(*value), y, 4.5)) },
                            None => { circle class="mark" cx=(place(x.at(*value))) cy=(place(y)) r="4.5" {} },
                        }
                    }
                    text class="end" x=(place(sheet.width - 8.0)) y=(place(base)) { (text) }
                }
            }
        }
    }
}
