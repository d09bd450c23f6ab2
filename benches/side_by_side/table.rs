//! The table that comes out: a row a figure, with its yardstick beside it.

/// Prints each row as soon as it is known.
#[derive(Default)]
pub struct Table {
    begun: bool,
}

impl Table {
    /// One figure: what, how much, the yardstick's, the bar, and the ratio where there is one.
    pub fn row(&mut self, what: &str, figure: &str, yardstick: &str, bar: &str, ratio: &str) {
        if !self.begun {
            println!("| what | figure | yardstick | bar | ratio |\n| --- | --- | --- | --- | --- |");
            self.begun = true;
        }
        println!("| {what} | {figure} | {yardstick} | {bar} | {ratio} |");
    }
}
