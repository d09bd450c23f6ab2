//! The sheet that every plot is drawn on: its size, its title, its style and its text alternative.

use std::fmt::Write;

use maud::{Markup, PreEscaped, html};

/// The style of plots, for the document they stand in or for themselves.
pub const STYLE: &str = include_str!("plots.css");

/// For what width a plot is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, clap::ValueEnum, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Size {
    /// A desk's screen or a sheet of paper.
    #[default]
    Wide,
    /// A phone.
    Narrow,
}

/// A sheet to draw on. Places are in its own units, which are pixels where it is shown in full size.
#[derive(Debug, Clone)]
pub struct Sheet {
    /// Distinguishes what has an id from the same in other plots of a document.
    pub name: String,
    /// Width.
    pub width: f64,
    /// Height of letters.
    pub font: f64,
    /// For a phone.
    pub narrow: bool,
}

/// What was drawn, and how high it is.
pub struct Drawing {
    /// Below the title.
    pub body: Markup,
    /// Where it ends.
    pub bottom: f64,
}

impl Sheet {
    /// An empty sheet.
    #[must_use]
    pub fn new(name: &str, size: Size) -> Self {
        match size {
            Size::Wide => Self {
                name: name.to_owned(),
                width: 960.0,
                font: 13.0,
                narrow: false,
            },
            Size::Narrow => Self {
                // A document may hold both.
                name: format!("{name}-narrow"),
                width: 420.0,
                font: 15.0,
                narrow: true,
            },
        }
    }

    /// About how wide a text is: a little more than the usual letter, since nobody measures fonts here.
    #[must_use]
    pub fn text_width(&self, text: &str) -> f64 {
        0.57 * self.font * count(text.chars().count())
    }

    /// Breaks a text into lines that fit between `left` and the right edge, letters `larger` times the usual.
    #[must_use]
    pub fn lines(&self, text: &str, left: f64, larger: f64) -> Vec<String> {
        let room = (self.width - left - 8.0) / larger;
        let mut lines: Vec<String> = Vec::new();
        for word in text.split_whitespace() {
            match lines.last_mut() {
                Some(line) if self.text_width(line) + self.text_width(word) + self.font < room => {
                    line.push(' ');
                    line.push_str(word);
                }
                _ => lines.push(word.to_owned()),
            }
        }
        lines
    }

    /// The title's and the second line's lines, each with its class and its base line.
    fn head(&self, title: &str, beneath: &str) -> Vec<(&'static str, f64, String)> {
        let titles = self.lines(title, 8.0, 1.25).into_iter();
        let titles = titles.map(|line| ("title", 1.55 * self.font, line));
        let others = self.lines(beneath, 8.0, 1.0).into_iter();
        let others = others.map(|line| ("beneath", 1.35 * self.font, line));
        titles
            .chain(others)
            .scan(9.0, |y, (class, high, line)| {
                *y += high;
                Some((class, *y, line))
            })
            .collect()
    }

    /// Where the drawing may begin below the title and its second line.
    #[must_use]
    pub fn top(&self, title: &str, beneath: &str) -> f64 {
        let last = self.head(title, beneath).pop();
        last.map_or(12.0, |(_, y, _)| y) + 13.0
    }

    /// The whole document. `alone`: it carries its own style, as a file does; else the document around it does.
    #[must_use]
    pub fn finish(&self, title: &str, beneath: &str, told: &str, drawing: &Drawing, alone: bool) -> Markup {
        let height = drawing.bottom.ceil();
        let class = if self.narrow { "plot narrow" } else { "plot" };
        let head = format!("{}-title {}-told", self.name, self.name);
        html! {
            svg xmlns="http://www.w3.org/2000/svg" class=(class) role="img" aria-labelledby=(head)
                viewBox={ "0 0 " (self.width) " " (height) } width=(self.width) height=(height) {
                title id={ (self.name) "-title" } { (title) }
                desc id={ (self.name) "-told" } { (told) }
                @if alone { style { (PreEscaped(STYLE)) } }
                defs { (patterns(&self.name)) }
                rect class="paper" width=(self.width) height=(height) {}
                @for (class, y, line) in self.head(title, beneath) {
                    text class=(class) x="8" y=(place(y)) { (line) }
                }
                (drawing.body)
            }
        }
    }

    /// What refers to a pattern of this sheet.
    #[must_use]
    pub fn pattern(&self, kind: &str) -> String {
        format!("url(#{}-{kind})", self.name)
    }
}

/// Hatchings for the kinds of phases: told apart without colour.
fn patterns(name: &str) -> Markup {
    html! {
        pattern id={ (name) "-partial_cycling" } width="6" height="6" patternUnits="userSpaceOnUse" {
            path class="hatch" d="M-1 7L7 -1" {}
        }
        pattern id={ (name) "-outage" } width="6" height="6" patternUnits="userSpaceOnUse" {
            path class="hatch" d="M0 0L6 6M6 0L0 6" {}
        }
        pattern id={ (name) "-calibration" } width="5" height="5" patternUnits="userSpaceOnUse" {
            path class="hatch" d="M1 2.5h2" {}
        }
        pattern id={ (name) "-rest" } width="6" height="6" patternUnits="userSpaceOnUse" {
            path class="hatch faint" d="M0 3h6" {}
        }
        pattern id={ (name) "-full_charge" } width="6" height="6" patternUnits="userSpaceOnUse" {
            rect class="solid" width="6" height="6" {}
        }
    }
}

/// A small count as a number to measure with.
#[must_use]
#[expect(clippy::cast_precision_loss, reason = "a few rows, packs or letters")]
pub fn count(count: usize) -> f64 {
    count as f64
}

/// A place with as many digits as anyone can see.
#[must_use]
pub fn place(value: f64) -> String {
    let text = format!("{value:.1}");
    match text.strip_suffix(".0") {
        Some(whole) => whole.to_owned(),
        None => text,
    }
}

/// A line through points; a missing point interrupts it. From point to point by differences, which are short.
#[must_use]
pub fn path(points: impl IntoIterator<Item = Option<(f64, f64)>>) -> String {
    let mut path = String::new();
    let mut last: Option<(i64, i64)> = None;
    for point in points {
        let Some((x, y)) = point.map(|(x, y)| (tenths(x), tenths(y))) else {
            last = None;
            continue;
        };
        let (command, dx, dy) = match last {
            None => ('M', x, y),
            Some((last_x, last_y)) => ('l', x - last_x, y - last_y),
        };
        path.push(command);
        push_tenths(&mut path, dx);
        // A minus parts two numbers as well as a space does.
        if dy >= 0 {
            path.push(' ');
        }
        push_tenths(&mut path, dy);
        last = Some((x, y));
    }
    path
}

/// Differences of whole tenths add up without error.
#[expect(clippy::cast_possible_truncation, reason = "places are near the sheet")]
fn tenths(value: f64) -> i64 {
    (10.0 * value).round() as i64
}

fn push_tenths(path: &mut String, tenths: i64) {
    if tenths < 0 {
        path.push('-');
    }
    let (whole, rest) = (tenths.unsigned_abs() / 10, tenths.unsigned_abs() % 10);
    // Writing to a String does not fail.
    let _ = write!(path, "{whole}");
    if rest > 0 {
        let _ = write!(path, ".{rest}");
    }
}
