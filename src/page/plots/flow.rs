//! Places short texts side by side and begins a new line where there is no more room.

use super::sheet::Sheet;

/// Where the next text goes.
pub struct Flow<'a> {
    sheet: &'a Sheet,
    left: f64,
    x: f64,
    /// Base line of the current line of text.
    pub y: f64,
}

impl<'a> Flow<'a> {
    /// Begins at a place.
    #[must_use]
    pub fn new(sheet: &'a Sheet, left: f64, y: f64) -> Self {
        Self {
            sheet,
            left,
            x: left,
            y,
        }
    }

    /// A place for a text with `before` room ahead of it: where that room begins.
    pub fn place(&mut self, text: &str, before: f64) -> (f64, f64) {
        let width = before + self.sheet.text_width(text) + 1.2 * self.sheet.font;
        if self.x > self.left && self.x + width > self.sheet.width {
            self.x = self.left;
            self.y += 1.5 * self.sheet.font;
        }
        let place = (self.x, self.y);
        self.x += width;
        place
    }
}
