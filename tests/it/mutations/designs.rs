//! Designs: keys, values and indentation.

use super::subject::{DESIGN, Dice, Due, Mutation, Subject};

/// A line `key: value` of a design: its index, indentation and key.
struct Line<'s> {
    lines: Vec<&'s str>,
    index: usize,
    indent: usize,
    key: &'s str,
}

fn any_key<'s>(subject: &'s Subject, dice: &mut Dice) -> Option<Line<'s>> {
    let lines: Vec<&str> = subject.text(DESIGN)?.lines().collect();
    let index = dice.below(lines.len());
    let (key, _) = lines[index].split_once(':')?;
    let name = key.trim_start().trim_start_matches("- ");
    let indent = key.len() - name.len();
    let is_key = !name.is_empty() && !name.contains([' ', '{', '#', '"']);
    is_key.then_some(Line {
        index,
        indent,
        key: name,
        lines,
    })
}

impl<'s> Line<'s> {
    /// The lines of the key and of what stands under it.
    fn block(&self) -> std::ops::Range<usize> {
        let is_under = |line: &&str| {
            line.trim().is_empty() || line.len() - line.trim_start().len() > self.indent
        };
        let under = self.lines[self.index + 1..]
            .iter()
            .take_while(|line| is_under(line))
            .count();
        self.index..self.index + 1 + under
    }

    /// The scalar behind the key, without comment.
    fn value(&self) -> Option<&'s str> {
        let (_, value) = self.lines[self.index].split_once(':')?;
        let value = value.split(" #").next()?.trim();
        (!value.is_empty()).then_some(value)
    }

    fn with_line(&self, line: &str, due: Due) -> Mutation {
        let mut lines = self.lines.clone();
        lines[self.index] = line;
        let what = format!("`{}` -> `{line}`", self.lines[self.index]);
        let mutation = Mutation::text(DESIGN, lines.join("\n") + "\n", due, &what);
        mutation.at([self.index + 1]).called([self.key])
    }

    fn with_value(&self, value: &str, due: Due) -> Mutation {
        let before = &self.lines[self.index][..self.indent];
        let line = format!("{before}{}: {value}", self.key);
        let old = self.value().unwrap_or_default();
        // Behind an anchor or a tag stands the value itself.
        let bare = value.rsplit(' ').next().unwrap_or(value);
        self.with_line(&line, due).called([old, value, bare])
    }
}

pub(super) fn key_dropped(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let mut line = any_key(subject, dice)?;
    let block = line.block();
    let what = format!("without `{}`", line.lines[line.index]);
    let words: Vec<String> = line.lines[block.clone()]
        .iter()
        .flat_map(|line| line.split([':', ' ', '{', '}', ',', '[', ']']))
        .map(str::to_owned)
        .collect();
    line.lines.drain(block);
    let mutation = Mutation::text(DESIGN, line.lines.join("\n") + "\n", Due::Right, &what);
    Some(
        mutation
            .at([line.index, line.index + 1])
            .called([line.key])
            .called(words),
    )
}

pub(super) fn key_doubled(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let mut line = any_key(subject, dice)?;
    let block: Vec<&str> = line.lines[line.block()].to_vec();
    let after = line.block().end;
    for (offset, text) in block.iter().enumerate() {
        line.lines.insert(after + offset, text);
    }
    let what = format!("twice `{}`", line.lines[line.index]);
    let mutation = Mutation::text(DESIGN, line.lines.join("\n") + "\n", Due::Told, &what);
    Some(mutation.at([line.index + 1, after + 1]).called([line.key]))
}

pub(super) fn key_misspelt(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let line = any_key(subject, dice)?;
    let mut key = line.key.to_owned();
    key.remove(dice.below(key.chars().count()));
    if key.is_empty() {
        return None;
    }
    let new = line.lines[line.index].replacen(line.key, &key, 1);
    Some(line.with_line(&new, Due::Right).called([key]))
}

pub(super) fn keys_reordered(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let lines: Vec<&str> = subject.text(DESIGN)?.lines().collect();
    let is_start = |line: &str| !line.starts_with([' ', '#']) && line.contains(':');
    let mut blocks: Vec<String> = vec![String::new()];
    for line in lines {
        if is_start(line) {
            blocks.push(String::new());
        }
        if let Some(block) = blocks.last_mut() {
            *block += &format!("{line}\n");
        }
    }
    let order = dice.shuffled(blocks.len());
    let text: String = order.iter().map(|index| blocks[*index].as_str()).collect();
    Some(Mutation::text(
        DESIGN,
        text,
        Due::Same,
        "sections in another order",
    ))
}

pub(super) fn value_of_other_type(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let line = any_key(subject, dice)?;
    line.value()?;
    let value = dice.word(&[
        "[1, 2]",
        "{a: b}",
        "~",
        "",
        "true",
        "no",
        "word",
        "[]",
        "{}",
        "[[[]]]",
        "!tag x",
        "*a",
        "&a 3",
        "|",
        "'",
        "\"",
        "[",
        "{",
        "@x",
        "%",
        "? x",
        "- x",
        "2026-11-26",
        "12:30",
        "\"\\0\"",
    ]);
    Some(line.with_value(value, Due::Right))
}

pub(super) fn value_wild(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let line = any_key(subject, dice)?;
    line.value()?.parse::<f64>().ok()?;
    let value = dice.word(&[
        ".nan",
        ".inf",
        "-.inf",
        "1e999",
        "1e300",
        "-1",
        "-0.0",
        "0",
        "0x10",
        "0o17",
        "1_000",
        "7,98",
        "7.98 m",
        "1e-300",
        "99999999999999999999",
        "+5",
        "\"7.98\"",
        "5.",
        ".5",
    ]);
    Some(line.with_value(value, Due::Right))
}

pub(super) fn value_point_moved(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let line = any_key(subject, dice)?;
    let value: f64 = line.value()?.parse().ok()?;
    let new = (value * dice.of_all(&[0.1, 10.0, 100.0])).to_string();
    Some(line.with_value(&new, Due::Right))
}

pub(super) fn indented(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let line = any_key(subject, dice)?;
    let old = line.lines[line.index];
    let new = if old.starts_with(' ') && dice.below(2) == 0 {
        old[1..].to_owned()
    } else {
        format!("{}{old}", " ".repeat(1 + dice.below(4)))
    };
    Some(line.with_line(&new, Due::Right))
}

pub(super) fn indented_by_tab(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let line = any_key(subject, dice)?;
    let old = line.lines[line.index];
    let new = format!("\t{}", old.trim_start());
    (old.starts_with(' ')).then(|| line.with_line(&new, Due::Told))
}

pub(super) fn comments_dropped(subject: &Subject, _: &mut Dice) -> Option<Mutation> {
    let lines = subject.text(DESIGN)?.lines();
    let text: String = lines
        .map(|line| line.split('#').next().unwrap_or_default().trim_end())
        .filter(|line| !line.is_empty())
        .flat_map(|line| [line, "\n"])
        .collect();
    Some(Mutation::text(DESIGN, text, Due::Same, "without comments"))
}

/// One of the files named in the place of another.
pub(super) fn file_twice(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let text = subject.text(DESIGN)?;
    let files: Vec<&str> = subject
        .files
        .iter()
        .map(|(name, _)| name.as_str())
        .collect();
    let (one, other) = dice.two_below(files.len())?;
    let (old, new) = (files[one], files[other]);
    let line = text.lines().position(|line| line.contains(old))?;
    let what = format!("{new} in the place of {old}");
    let mutation = Mutation::text(DESIGN, text.replacen(old, new, 1), Due::Told, &what);
    Some(
        mutation
            .at([line + 1])
            .called([new, old, &format!("{new}:")]),
    )
}

pub(super) fn file_unknown(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let text = subject.text(DESIGN)?;
    let (old, _) = subject.any_file(dice);
    let line = text.lines().position(|line| line.contains(old))?;
    let new = dice.word(&[
        "nowhere.csv",
        "folder/x.csv",
        "../../x.csv",
        "\"\"",
        "\"a\\0b.csv\"",
        "'*'",
    ]);
    let mutation = Mutation::text(DESIGN, text.replacen(old, new, 1), Due::Told, new);
    Some(
        mutation
            .at([line + 1])
            .called([new, new.trim_matches(['"', '\'']), old]),
    )
}
