//! Whole lines of record files.

use super::subject::{Dice, Due, Mutation, Subject};
use super::table::{self, written};

/// A file of records by lines; the index of a line that holds a row.
fn any_line<'s>(subject: &'s Subject, dice: &mut Dice) -> Option<(&'s str, Vec<&'s str>, usize)> {
    let (file, text) = subject.any_records(dice);
    let lines: Vec<&str> = text.lines().collect();
    let index = 1 + dice.below(lines.len().checked_sub(1).filter(|rows| *rows > 0)?);
    Some((file, lines, index))
}

fn joined(lines: &[&str]) -> String {
    lines.join("\n") + "\n"
}

/// Fields of a line, by which findings may call it.
fn words(line: &str) -> Vec<String> {
    let fields = table::rows(line, table::delimiter_of(line))
        .swap_remove(0)
        .1;
    fields.into_iter().take(3).collect()
}

pub(super) fn dropped(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, mut lines, index) = any_line(subject, dice)?;
    let line = lines.remove(index);
    let mutation = Mutation::text(
        file,
        joined(&lines),
        Due::Right,
        &format!("without `{line}`"),
    );
    Some(mutation.at([index, index + 1]).called(words(line)))
}

pub(super) fn doubled(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, mut lines, index) = any_line(subject, dice)?;
    let line = lines[index];
    let again = index + dice.below(2) * dice.below(lines.len() - index);
    lines.insert(again + 1, line);
    let mutation = Mutation::text(file, joined(&lines), Due::Told, &format!("twice `{line}`"));
    Some(mutation.at([index + 1, again + 2]).called(words(line)))
}

pub(super) fn swapped(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, mut lines, _) = any_line(subject, dice)?;
    let (one, other) = dice.two_below(lines.len() - 1)?;
    lines.swap(one + 1, other + 1);
    let what = format!("swapped `{}`", lines[one + 1]);
    Some(Mutation::text(file, joined(&lines), Due::Same, &what).at([one + 2, other + 2]))
}

pub(super) fn shuffled(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, lines, _) = any_line(subject, dice)?;
    let order = dice.shuffled(lines.len() - 1);
    let mut new = vec![lines[0]];
    new.extend(order.iter().map(|index| lines[index + 1]));
    Some(Mutation::text(
        file,
        joined(&new),
        Due::Same,
        "rows in another order",
    ))
}

pub(super) fn blank(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, mut lines, index) = any_line(subject, dice)?;
    for _ in 0..=dice.below(3) {
        lines.insert(index, dice.word(&["", "  ", "\t"]));
    }
    if dice.below(2) == 0 {
        lines.insert(0, "");
    }
    Some(Mutation::text(file, joined(&lines), Due::Same, "blank lines").at([index + 1]))
}

pub(super) fn only_delimiters(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, mut lines, index) = any_line(subject, dice)?;
    let line = ",".repeat(lines[0].matches(',').count());
    lines.insert(index, &line);
    Some(Mutation::text(file, joined(&lines), Due::Same, "a row of blank fields").at([index + 1]))
}

/// As where two files were put together.
pub(super) fn head_again(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, mut lines, index) = any_line(subject, dice)?;
    let head = lines[0];
    lines.insert(index + 1, head);
    let fields = written(&[words(head)], ',');
    Some(Mutation::text(file, joined(&lines), Due::Told, &fields).at([index + 2]))
}

pub(super) fn head_dropped(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, mut lines, _) = any_line(subject, dice)?;
    lines.remove(0);
    Some(Mutation::text(file, joined(&lines), Due::Told, "without heads").at([1]))
}
