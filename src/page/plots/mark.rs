//! The mark of each pack: a shape and a colour by its position in the bank, so that it is known without colour.

use maud::{Markup, html};

use super::sheet::place;

/// Colours before they come round again; coprime to the shapes, so that the pair repeats late.
const COLOURS: usize = 7;
const SHAPES: usize = 8;

/// The class that gives a pack its colour.
#[must_use]
pub fn colour(pack: usize) -> String {
    format!("p{}", pack % COLOURS)
}

/// The mark of a pack around a place, about `2 · radius` wide.
#[must_use]
pub fn mark(pack: usize, x: f64, y: f64, radius: f64) -> Markup {
    html! { path class={ "mark " (colour(pack)) } d=(shape(pack, x, y, radius)) {} }
}

/// The mark of a pack by itself, to stand in a text; the name stands beside it.
#[must_use]
pub fn icon(pack: usize) -> Markup {
    html! {
        svg class="plot icon" viewBox="0 0 14 14" width="14" height="14" aria-hidden="true" {
            (mark(pack, 7.0, 7.0, 5.0))
        }
    }
}

fn shape(pack: usize, x: f64, y: f64, radius: f64) -> String {
    let r = radius;
    let polygon = |corners: &[(f64, f64)]| {
        let mut path = super::sheet::path(corners.iter().map(|(dx, dy)| Some((x + dx * r, y + dy * r))));
        path.push('z');
        path
    };
    match pack % SHAPES {
        0 => format!(
            "M{} {}a{r} {r} 0 1 0 {d} 0a{r} {r} 0 1 0 -{d} 0z",
            place(x - r),
            place(y),
            d = 2.0 * r
        ),
        1 => polygon(&[(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)]),
        2 => polygon(&[(0.0, -1.1), (1.1, 0.9), (-1.1, 0.9)]),
        3 => polygon(&[(0.0, -1.25), (1.25, 0.0), (0.0, 1.25), (-1.25, 0.0)]),
        4 => polygon(&[(-1.1, -0.9), (1.1, -0.9), (0.0, 1.1)]),
        5 => polygon(&[
            (-0.4, -1.1),
            (0.4, -1.1),
            (0.4, -0.4),
            (1.1, -0.4),
            (1.1, 0.4),
            (0.4, 0.4),
            (0.4, 1.1),
            (-0.4, 1.1),
            (-0.4, 0.4),
            (-1.1, 0.4),
            (-1.1, -0.4),
            (-0.4, -0.4),
        ]),
        6 => polygon(&[
            (-1.2, -0.5),
            (0.0, -1.1),
            (1.2, -0.5),
            (1.2, 0.5),
            (0.0, 1.1),
            (-1.2, 0.5),
        ]),
        _ => polygon(&[
            (-1.2, -0.8),
            (0.0, 0.0),
            (1.2, -0.8),
            (1.2, 0.8),
            (0.0, 0.0),
            (-1.2, 0.8),
        ]),
    }
}
