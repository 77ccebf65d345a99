//! Single fields of record files.

use super::subject::{Dice, Due, Mutation, Subject};
use super::table::{self, is_number, written};

/// What is no number.
pub(super) const WILD: &[&str] = &[
    "NaN",
    "nan",
    "inf",
    "-inf",
    "Infinity",
    "1e999",
    "-1e999",
    "0x1F",
    "1,5",
    "1.234,5",
    "1 234",
    "2026-11-26",
    "26.11.",
    "26:07",
    "--3",
    "3-",
    "1.2.3",
    "1e",
    "e5",
    ".",
    "-",
    "NA",
    "n/a",
    "?",
    "½",
    "٣٤",
    "２６",
    "#REF!",
    "=B2",
    "26.7 28.1",
    "26.7/28.1",
    "~26",
    ">26",
    "+-1",
    "1_000",
    "true",
];
/// Beyond the limits of every column.
pub(super) const HUGE: &[&str] = &[
    "1e9",
    "123456789012",
    "1e300",
    "-1e10",
    "1.7976931348623157e308",
];

/// A field of a record file.
struct Field<'s> {
    file: &'s str,
    /// The heads first.
    rows: Vec<Vec<String>>,
    row: usize,
    column: usize,
}

impl Field<'_> {
    fn head(&self) -> &str {
        &self.rows[0][self.column]
    }

    fn text(&self) -> &str {
        &self.rows[self.row][self.column]
    }

    /// The file with something else in the field.
    fn replaced(mut self, new: &str, due: Due) -> Mutation {
        let old = std::mem::replace(&mut self.rows[self.row][self.column], new.to_owned());
        let what = format!(
            "{} `{old}` -> `{}`",
            self.head(),
            new.get(..60).unwrap_or(new)
        );
        Mutation::text(self.file, written(&self.rows, ','), due, &what)
            .at([self.row + 1])
            .called([old.as_str(), new])
    }
}

/// A field in a column of a file that is wanted.
fn field<'s>(
    subject: &'s Subject,
    dice: &mut Dice,
    is_wanted: impl Fn(&str, &[Vec<String>], usize) -> bool,
) -> Option<Field<'s>> {
    let (file, text) = subject.any_records(dice);
    let rows: Vec<Vec<String>> = table::rows(text, ',')
        .into_iter()
        .map(|(_, fields)| fields)
        .collect();
    let columns: Vec<usize> = (0..rows[0].len())
        .filter(|column| is_wanted(&rows[0][*column], &rows, *column))
        .collect();
    if columns.is_empty() || rows.len() < 2 {
        return None;
    }
    let column = *dice.of_all(&columns);
    let row = 1 + dice.below(rows.len() - 1);
    Some(Field {
        file,
        rows,
        row,
        column,
    })
}

fn any(subject: &Subject, dice: &mut Dice) -> Option<Field<'static>> {
    let field = field(subject, dice, |_, _, _| true)?;
    let file = match field.file {
        "trees.csv" => "trees.csv",
        "plots.csv" => "plots.csv",
        "counts.csv" => "counts.csv",
        _ => "stands.csv",
    };
    Some(Field { file, ..field })
}

/// A number, where it stands in a column of measurements.
fn number_field<'s>(subject: &'s Subject, dice: &mut Dice) -> Option<Field<'s>> {
    let names = [
        "plot",
        "tree",
        "stand",
        "stratum",
        "cluster",
        "decay_class",
        "note",
    ];
    let is_measured = |head: &str, rows: &[Vec<String>], column: usize| {
        let mut texts = rows[1..].iter().map(|row| row[column].as_str());
        !names.contains(&head) && texts.all(|text| text.is_empty() || is_number(text))
    };
    field(subject, dice, is_measured).filter(|field| is_number(field.text()))
}

pub(super) fn number(
    subject: &Subject,
    dice: &mut Dice,
    texts: &[&str],
    due: Due,
) -> Option<Mutation> {
    Some(number_field(subject, dice)?.replaced(dice.word(texts), due))
}

/// A number made of the one that was there.
pub(super) fn number_by(
    subject: &Subject,
    dice: &mut Dice,
    make: impl Fn(&str, &mut Dice) -> String,
) -> Option<Mutation> {
    let field = number_field(subject, dice)?;
    let new = make(field.text(), dice);
    (new != field.text()).then(|| field.replaced(&new, Due::Right))
}

pub(super) fn suffixed(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let field = number_field(subject, dice)?;
    let suffix = dice.word(&["cm", " m", "%", "'", "\"", " ft", "*", "?", "m2", "e"]);
    let new = format!("{}{suffix}", field.text());
    Some(field.replaced(&new, Due::Told))
}

pub(super) fn letter_for_digit(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let field = number_field(subject, dice)?;
    let (digit, letter) =
        *dice.of_all(&[('0', 'O'), ('1', 'l'), ('1', 'I'), ('5', 'S'), ('0', 'o')]);
    let new = field.text().replacen(digit, &letter.to_string(), 1);
    (new != field.text()).then(|| field.replaced(&new, Due::Told))
}

/// With a comma, between quotes or not.
pub(super) fn decimal_comma(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let field = number_field(subject, dice)?;
    let new = field.text().replacen('.', ",", 1);
    let is_bare = dice.below(2) == 0;
    (new != field.text()).then(|| {
        let mut mutation = field.replaced(&new, Due::Told);
        if is_bare && let super::subject::Content::Bytes(bytes) = &mut mutation.content {
            let quoted = format!("\"{new}\"");
            *bytes = String::from_utf8_lossy(bytes)
                .replacen(&quoted, &new, 1)
                .into_bytes();
        }
        mutation
    })
}

pub(super) fn digit_dropped(text: &str, dice: &mut Dice) -> String {
    let mut text = text.to_owned();
    text.remove(dice.below(text.len()));
    text
}

pub(super) fn digit_doubled(text: &str, dice: &mut Dice) -> String {
    let mut text = text.to_owned();
    let at = dice.below(text.len());
    text.insert(at, text.as_bytes()[at].into());
    text
}

pub(super) fn digits_swapped(text: &str, dice: &mut Dice) -> String {
    let mut bytes = text.as_bytes().to_vec();
    if let Some((one, other)) = dice.two_below(bytes.len()) {
        bytes.swap(one, other);
    }
    String::from_utf8(bytes).unwrap()
}

pub(super) fn point_moved(text: &str, dice: &mut Dice) -> String {
    let value: f64 = text.parse().unwrap();
    (value * dice.of_all(&[0.01, 0.1, 10.0, 100.0])).to_string()
}

/// A word in a column that knows none such.
pub(super) fn word(
    subject: &Subject,
    dice: &mut Dice,
    head: &str,
    words: &[&str],
) -> Option<Mutation> {
    let field = field(subject, dice, |of, _, _| of == head)?;
    (!field.text().is_empty()).then(|| field.replaced(dice.word(words), Due::Told))
}

/// A word of another row of the column.
pub(super) fn other_word(subject: &Subject, dice: &mut Dice, head: &str) -> Option<Mutation> {
    let field = field(subject, dice, |of, _, _| of == head)?;
    let other = dice.of_all(&field.rows[1..])[field.column].clone();
    (other != field.text()).then(|| field.replaced(&other, Due::Right))
}

pub(super) fn plot_unknown(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let field = field(subject, dice, |of, _, _| of == "plot")?;
    let is_listed = subject.text("plots.csv").is_some() && field.file != "plots.csv";
    let due = if is_listed { Due::Told } else { Due::Right };
    Some(field.replaced(dice.word(&["99", "1.0", "01", "A-1", "nine"]), due))
}

pub(super) fn species_case(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let field = field(subject, dice, |of, _, _| of == "species")?;
    // The commonest spelling names the species: that of one row of many is none.
    let same = field
        .rows
        .iter()
        .filter(|row| row[field.column] == field.text());
    if same.count() < 3 {
        return None;
    }
    let new = if dice.below(2) == 0 {
        field.text().to_lowercase()
    } else {
        field.text().to_uppercase()
    };
    (new != field.text()).then(|| field.replaced(&new, Due::Same))
}

pub(super) fn blank(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let field = any(subject, dice)?;
    (!field.text().is_empty()).then(|| field.replaced("", Due::Right))
}

/// A megabyte in one field.
pub(super) fn long(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let field = any(subject, dice)?;
    let due = match field.head() {
        "note" => Due::Same,
        // Trees are added up in the order of their numbers.
        "tree" => Due::Right,
        // A plot of its own, where no list says otherwise.
        "plot" if subject.text("plots.csv").is_none() => Due::Right,
        _ => Due::Told,
    };
    let new = dice.word(&["x", "9", "é", "a\u{301}"]).repeat(1_000_000);
    Some(field.replaced(&new, due))
}

/// A row with other fields.
fn row_changed(mut field: Field, due: Due, change: impl FnOnce(&mut Vec<String>)) -> Mutation {
    let old = field.rows[field.row].clone();
    change(&mut field.rows[field.row]);
    let new = field.rows[field.row].clone();
    let what = format!("row `{}` -> `{}`", old.join(","), new.join(","));
    let differ: Vec<&String> = old
        .iter()
        .chain(&new)
        .filter(|text| old.contains(text) != new.contains(text))
        .collect();
    Mutation::text(field.file, written(&field.rows, ','), due, &what)
        .at([field.row + 1])
        .called(differ)
}

pub(super) fn dropped(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let field = any(subject, dice)?;
    let column = field.column;
    Some(row_changed(field, Due::Told, |row| {
        row.remove(column);
    }))
}

pub(super) fn doubled(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let field = any(subject, dice)?;
    let column = field.column;
    Some(row_changed(field, Due::Told, |row| {
        row.insert(column, row[column].clone());
    }))
}

pub(super) fn swapped(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let field = any(subject, dice)?;
    let (one, other) = dice.two_below(field.rows[0].len())?;
    Some(row_changed(field, Due::Right, |row| row.swap(one, other)))
}

/// Two rows of a column.
pub(super) fn swapped_down(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let mut field = any(subject, dice)?;
    let other = 1 + dice.below(field.rows.len() - 1);
    let text = field.rows[other][field.column].clone();
    if text == field.text() {
        return None;
    }
    let own = field.text().to_owned();
    field.rows[other][field.column].clone_from(&own);
    Some(field.replaced(&text, Due::Right).at([other + 1]))
}
