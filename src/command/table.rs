//! How tables look on a terminal: one rule under the head, figures aligned at their point.
//!
//! A table wider than the terminal goes on below, its first column again: no figure is broken, none left out. A file
//! or a pipe has all the room it needs.

use comfy_table::{CellAlignment, ContentArrangement, LineStyle, Table, TableStyle};
use console::{Term, measure_text_width, style};

const RULE: char = '─';
const STYLE: TableStyle = TableStyle::new().header_separator(LineStyle::none().fill(RULE).junction(RULE));
/// What parts a value from its uncertainty.
const GIVE_OR_TAKE: &str = " ± ";
/// Room around what stands in a column.
const AROUND: usize = 3;

/// A table with this head; `words` are the columns of words, all others are figures.
pub(super) fn table<const COLUMNS: usize>(
    head: [&str; COLUMNS],
    words: &[usize],
    rows: impl IntoIterator<Item = [String; COLUMNS]>,
) -> String {
    let room = Term::stdout().size_checked().map(|(_, columns)| columns.into());
    fitted(head, words, rows.into_iter().collect(), room)
}

fn fitted<const COLUMNS: usize>(
    head: [&str; COLUMNS],
    words: &[usize],
    mut rows: Vec<[String; COLUMNS]>,
    room: Option<usize>,
) -> String {
    for column in (0..COLUMNS).filter(|column| !words.contains(column)) {
        align_uncertainties(&mut rows, column);
    }
    let wide = |column: usize| {
        let cells = rows.iter().map(|row| row[column].as_str());
        let lines = cells.chain([head[column]]).flat_map(str::lines);
        lines.map(measure_text_width).max().unwrap_or(0) + AROUND
    };
    let parts = parts((0..COLUMNS).map(wide).collect(), room.unwrap_or(usize::MAX));
    let parts = parts.iter().map(|part| {
        let mut table = Table::new();
        table
            .load_style(STYLE)
            .set_header(part.iter().map(|column| head[*column]));
        for row in &rows {
            table.add_row(part.iter().map(|column| &row[*column]));
        }
        for (place, column) in table.column_iter_mut().enumerate() {
            if !words.contains(&part[place]) {
                column.set_cell_alignment(CellAlignment::Right);
            }
        }
        if let Some(room) = room.and_then(|room| u16::try_from(room).ok()) {
            // Only a single column can still be too wide: its words are broken into lines.
            table
                .set_content_arrangement(ContentArrangement::Dynamic)
                .set_width(room);
        }
        head_in_the_background(&table.to_string())
    });
    parts.collect::<Vec<_>>().join("\n\n")
}

/// Fills the columns of several tables, none wider than there is room; the first column stands in each.
fn parts(wide: Vec<usize>, room: usize) -> Vec<Vec<usize>> {
    let first = wide.first().copied().unwrap_or(0);
    let mut parts = vec![vec![0]];
    let mut taken = first;
    for (column, wide) in wide.into_iter().enumerate().skip(1) {
        if taken + wide > room && taken > first {
            parts.push(vec![0]);
            taken = first;
        }
        taken += wide;
        if let Some(part) = parts.last_mut() {
            part.push(column);
        }
    }
    parts
}

/// Brings the uncertainties of a column to one width, so that the values before them align too.
fn align_uncertainties<const COLUMNS: usize>(rows: &mut [[String; COLUMNS]], column: usize) {
    let reach = |row: &[String; COLUMNS]| Some(row[column].split_once(GIVE_OR_TAKE)?.1.chars().count());
    let widest = rows.iter().filter_map(reach).max().unwrap_or(0);
    for row in rows {
        if let Some((value, reach)) = row[column].split_once(GIVE_OR_TAKE) {
            row[column] = format!("{value}{GIVE_OR_TAKE}{reach:>widest$}");
        }
    }
}

/// On a terminal that shows colours the head steps back behind the figures.
fn head_in_the_background(table: &str) -> String {
    let mut above = true;
    let lines = table.lines().map(str::trim_end).map(|line| {
        let shown = if above {
            style(line).dim().to_string()
        } else {
            line.to_owned()
        };
        above &= !line.starts_with(RULE);
        shown
    });
    lines.collect::<Vec<_>>().join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(room: Option<usize>) -> String {
        let row = |[pack, error, rate]: [&str; 3]| [pack, error, rate].map(str::to_owned);
        let rows = vec![
            row(["tern", "+124.2 ± 3.9", "+1.80"]),
            row(["skua", "~+9.3 ± 12.0", "–"]),
        ];
        fitted(["pack", "error\nAh", "rate\nAh/day"], &[0], rows, room)
    }

    #[test]
    fn values_align_before_their_uncertainties() {
        assert_eq!(
            shown(None),
            " pack           error     rate\n                   Ah   Ah/day\n───────────────────────────────\n \
             tern   +124.2 ±  3.9    +1.80\n skua    ~+9.3 ± 12.0        –"
        );
    }

    #[test]
    fn what_has_no_room_goes_below_with_its_first_column() {
        let text = shown(Some(24));
        assert!(text.lines().all(|line| measure_text_width(line) <= 24), "{text}");
        assert_eq!(text.matches("tern").count(), 2, "{text}");
        assert_eq!(text.matches("Ah/day").count(), 1, "{text}");
    }
}
