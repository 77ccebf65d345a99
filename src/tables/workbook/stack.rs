//! Tables one below the other as one, with columns in front that tell them apart.

use crate::tables::{Cell, Column, Table};

/// A table, and what stands in the leading columns of its rows.
pub(super) type Part = (Vec<Cell>, Table);

/// All rows of all parts. Columns of one name and unit are one; a part without a column has nothing
/// there. `rank` puts columns in order: those of one rank stand in the order of coming.
pub(super) fn stacked(keys: &[&str], parts: Vec<Part>, rank: impl Fn(&Column) -> usize) -> Table {
    let key_columns = keys.len() + parts.first().map_or(0, |(_, table)| table.key_columns);
    let mut columns: Vec<Column> = Vec::new();
    for (_, table) in &parts {
        for column in &table.columns {
            if !columns.contains(column) {
                columns.push(column.clone());
            }
        }
    }
    columns.sort_by_key(|column| rank(column));
    let heads = keys.iter().map(|key| Column::words(*key));
    let mut all = Table::new("", key_columns, heads.chain(columns.clone()).collect());
    for (key, table) in parts {
        let of = |column: &Column| columns.iter().position(|known| known == column);
        let places: Vec<Option<usize>> = table.columns.iter().map(of).collect();
        for cells in table.rows {
            let mut row = vec![Cell::Empty; columns.len()];
            for (cell, place) in cells.into_iter().zip(&places) {
                if let Some(place) = place {
                    row[*place] = cell;
                }
            }
            all.rows.push(key.iter().cloned().chain(row).collect());
        }
    }
    all
}

/// The same table where a column of half widths says of what they are.
pub(super) fn with_named_halves(mut table: Table) -> Table {
    for at in 1..table.columns.len() {
        if table.columns[at].head == "+-" {
            let of = table.columns[at - 1].clone();
            table.columns[at] = Column::number(format!("{} +-", of.head), of.unit);
        }
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_of_one_name_are_one() {
        let table = |heads: &[&str], numbers: &[f64]| {
            let columns = heads.iter().map(|head| Column::number(*head, "cm"));
            let mut table = Table::new("", 1, columns.collect());
            let cells = numbers.iter().map(|number| Cell::Number(*number, 0));
            table.rows.push(cells.collect());
            table
        };
        let parts = vec![
            (vec![Cell::text("x")], table(&["all", "a"], &[1.0, 2.0])),
            (vec![Cell::text("y")], table(&["b", "all"], &[3.0, 4.0])),
        ];
        let all = stacked(&["key"], parts, |column| usize::from(column.head == "all"));
        let heads: Vec<&str> = all.columns.iter().map(|column| &*column.head).collect();
        assert_eq!(heads, ["key", "a", "b", "all"]);
        let number = |number: f64| Cell::Number(number, 0);
        assert_eq!(
            all.rows,
            [
                [Cell::text("x"), number(2.0), Cell::Empty, number(1.0)],
                [Cell::text("y"), Cell::Empty, number(3.0), number(4.0)],
            ]
        );
        assert_eq!(all.key_columns, 2);
    }
}
