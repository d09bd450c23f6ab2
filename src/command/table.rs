//! How tables look on a terminal: one rule under the head, figures aligned at their right.

use comfy_table::{CellAlignment, LineStyle, Table, TableStyle};

const STYLE: TableStyle = TableStyle::new().header_separator(LineStyle::none().fill('─').junction('─'));

/// A table with this head; `words` are the columns of words, all others are figures.
pub(super) fn table<const COLUMNS: usize>(
    head: [&str; COLUMNS],
    words: &[usize],
    rows: impl IntoIterator<Item = [String; COLUMNS]>,
) -> Table {
    let mut table = Table::new();
    table.load_style(STYLE).set_header(head);
    for row in rows {
        table.add_row(row);
    }
    for (index, column) in table.column_iter_mut().enumerate() {
        if !words.contains(&index) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    table
}
