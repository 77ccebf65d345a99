//! Columns of record files, and how fields are set apart.

use super::subject::{Dice, Due, Mutation, Subject};
use super::table::{self, is_number, written};

/// A file of records as rows, the heads first.
fn grid<'s>(subject: &'s Subject, dice: &mut Dice) -> (&'s str, Vec<Vec<String>>) {
    let (file, text) = subject.any_records(dice);
    let rows = table::rows(text, ',').into_iter().map(|(_, fields)| fields);
    (file, rows.collect())
}

fn changed(file: &str, rows: &[Vec<String>], due: Due, what: &str) -> Mutation {
    Mutation::text(file, written(rows, ','), due, what)
}

/// Another head over a column.
fn headed(
    subject: &Subject,
    dice: &mut Dice,
    due: Due,
    make: impl FnOnce(&str, &mut Dice) -> Option<String>,
) -> Option<Mutation> {
    let (file, mut rows) = grid(subject, dice);
    let column = dice.below(rows[0].len());
    let new = make(&rows[0][column], dice)?;
    let old = std::mem::replace(&mut rows[0][column], new.clone());
    let what = format!("column `{old}` -> `{new}`");
    Some(changed(file, &rows, due, &what).at([1]).called([old, new]))
}

pub(super) fn dropped(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, mut rows) = grid(subject, dice);
    let column = dice.below(rows[0].len());
    let head = rows[0][column].clone();
    for row in &mut rows {
        row.remove(column);
    }
    // What is missing may show in any row.
    let what = format!("without column `{head}`");
    Some(changed(file, &rows, Due::Right, &what).called([head]))
}

pub(super) fn renamed(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    headed(subject, dice, Due::Told, |_, dice| {
        Some((dice.word(&["xyz", "Spalte 3", "2", "größe", "--", "a\nb", "\u{1b}[31m"])).to_owned())
    })
}

pub(super) fn misspelt(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    headed(subject, dice, Due::Told, |head, dice| {
        let mut new = head.to_owned();
        new.remove(dice.below(head.len()));
        (!new.is_empty()).then_some(new)
    })
}

pub(super) fn nameless(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    headed(subject, dice, Due::Told, |_, _| Some(String::new()))
}

pub(super) fn named_as_other(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, mut rows) = grid(subject, dice);
    let (one, other) = dice.two_below(rows[0].len())?;
    let (old, new) = (rows[0][one].clone(), rows[0][other].clone());
    let what = format!("column `{old}` -> `{new}`");
    rows[0][one].clone_from(&new);
    Some(
        changed(file, &rows, Due::Told, &what)
            .at([1])
            .called([old, new]),
    )
}

pub(super) fn doubled(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, mut rows) = grid(subject, dice);
    let (column, to) = (dice.below(rows[0].len()), dice.below(rows[0].len() + 1));
    let head = rows[0][column].clone();
    for row in &mut rows {
        row.insert(to, row[column].clone());
    }
    let mutation = changed(file, &rows, Due::Told, &format!("column `{head}` twice"));
    Some(mutation.at([1]).called([head]))
}

pub(super) fn in_other_unit(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    headed(subject, dice, Due::Right, |head, dice| {
        let (stem, unit) = head.rsplit_once('_')?;
        let units: &[&str] = match unit {
            "cm" | "in" => &["cm", "in", "mm"],
            "m" | "ft" => &["m", "ft", "dm"],
            "ha" | "ac" => &["ha", "ac", "m2"],
            _ => return None,
        };
        Some(format!("{stem}_{}", dice.of_all(units))).filter(|new| new != head)
    })
    // Any figure of the column may be impossible in it.
    .map(|mutation| Mutation {
        lines: Vec::new(),
        ..mutation
    })
}

pub(super) fn reordered(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, rows) = grid(subject, dice);
    let order = dice.shuffled(rows[0].len());
    let row = |row: &Vec<String>| order.iter().map(|from| row[*from].clone()).collect();
    let rows: Vec<Vec<String>> = rows.iter().map(row).collect();
    let what = rows[0].join(",");
    Some(changed(file, &rows, Due::Same, &what))
}

pub(super) fn in_capitals(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, mut rows) = grid(subject, dice);
    for head in &mut rows[0] {
        *head = format!(" {} ", head.to_uppercase());
    }
    Some(changed(file, &rows, Due::Same, "heads in capitals"))
}

/// Columns of the crew's own, very many.
pub(super) fn many(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, mut rows) = grid(subject, dice);
    let count = 10 + dice.below(3000);
    rows[0].extend((0..count).map(|number| format!("remark {number}")));
    for row in &mut rows[1..] {
        row.extend((0..count).map(|_| String::new()));
    }
    Some(changed(file, &rows, Due::Same, &format!("{count} more columns")).at([1]))
}

pub(super) fn delimiter_other(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, rows) = grid(subject, dice);
    let delimiter = *dice.of_all(&[';', '\t']);
    // A file of one column has no delimiter.
    (rows[0].len() > 1).then(|| {
        Mutation::text(
            file,
            written(&rows, delimiter),
            Due::Same,
            "another delimiter",
        )
    })
}

pub(super) fn delimiter_and_comma(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, mut rows) = grid(subject, dice);
    for text in rows
        .iter_mut()
        .skip(1)
        .flatten()
        .filter(|text| is_number(text))
    {
        *text = text.replace('.', ",");
    }
    let delimiter = *dice.of_all(&[';', '\t']);
    let text = written(&rows, delimiter);
    (rows[0].len() > 1)
        .then(|| Mutation::text(file, text, Due::Same, "another delimiter, decimal commas"))
}

pub(super) fn delimiter_unknown(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, rows) = grid(subject, dice);
    let delimiter = *dice.of_all(&['|', ' ', ':', '\u{1f}']);
    (rows[0].len() > 1).then(|| {
        Mutation::text(
            file,
            written(&rows, delimiter),
            Due::Told,
            "no known delimiter",
        )
    })
}

/// One line set apart by something else.
fn one_line(subject: &Subject, dice: &mut Dice, of_head: bool) -> Option<Mutation> {
    let (file, rows) = grid(subject, dice);
    let line = if of_head {
        0
    } else {
        1 + dice.below(rows.len() - 1)
    };
    let delimiter = *dice.of_all(&[';', '\t', '|', ' ']);
    let lines = rows.iter().enumerate().map(|(index, row)| {
        let with = if index == line { delimiter } else { ',' };
        written(std::slice::from_ref(row), with)
    });
    let text: String = lines.collect();
    let what = format!("{delimiter:?} in `{}`", rows[line].join(","));
    (rows[line].len() > 1).then(|| Mutation::text(file, text, Due::Told, &what).at([line + 1]))
}

pub(super) fn delimiter_of_head(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    one_line(subject, dice, true)
}

pub(super) fn delimiter_of_line(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    one_line(subject, dice, false)
}

pub(super) fn quotes_around(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, rows) = grid(subject, dice);
    let quoted = |text: &String| format!("\"{}\"", text.replace('"', "\"\""));
    let line = |row: &Vec<String>| row.iter().map(quoted).collect::<Vec<_>>().join(",") + "\n";
    let text: String = rows.iter().map(line).collect();
    Some(Mutation::text(file, text, Due::Same, "all quoted"))
}

/// Tabs in the line of the heads set them apart.
pub(super) fn padded(subject: &Subject, dice: &mut Dice, with: &[&str]) -> Option<Mutation> {
    let (file, mut rows) = grid(subject, dice);
    let with = dice.word(with);
    for text in rows
        .iter_mut()
        .skip(usize::from(with.contains('\t')))
        .flatten()
    {
        match dice.below(3) {
            0 => *text = format!("{text}{with}"),
            1 => *text = format!("{with}{text}{with}"),
            _ => {}
        }
    }
    Some(changed(
        file,
        &rows,
        Due::Same,
        &format!("{with:?} around fields"),
    ))
}
