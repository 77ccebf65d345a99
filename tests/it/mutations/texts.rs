//! Bytes of any file: encodings, line ends, quotes, files cut off.

use super::subject::{DESIGN, Dice, Due, Mutation, Subject};
use super::table;

/// The same text in other bytes.
pub(super) fn encoded(
    subject: &Subject,
    dice: &mut Dice,
    what: &str,
    encode: impl Fn(&str) -> Vec<u8>,
) -> Option<Mutation> {
    let (file, text) = subject.any_file(dice);
    Some(Mutation::text(file, encode(text), Due::Same, what))
}

pub(super) fn utf_8_mark(text: &str) -> Vec<u8> {
    format!("\u{feff}{text}").into_bytes()
}

pub(super) fn utf_16_le(text: &str) -> Vec<u8> {
    let units = std::iter::once(0xfeff).chain(text.encode_utf16());
    units.flat_map(u16::to_le_bytes).collect()
}

pub(super) fn utf_16_be(text: &str) -> Vec<u8> {
    let units = std::iter::once(0xfeff).chain(text.encode_utf16());
    units.flat_map(u16::to_be_bytes).collect()
}

pub(super) fn no_last_line_end(text: &str) -> Vec<u8> {
    text.trim_end().into()
}

pub(super) fn utf_16_unmarked(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, text) = subject.any_file(dice);
    let bytes = if dice.below(2) == 0 {
        utf_16_le(text)
    } else {
        utf_16_be(text)
    };
    Some(Mutation::text(
        file,
        &bytes[2..],
        Due::Told,
        "UTF-16 without mark",
    ))
}

/// Bytes put in somewhere.
fn with_bytes(subject: &Subject, dice: &mut Dice, bytes: &[u8], due: Due) -> Mutation {
    let (file, text) = subject.any_file(dice);
    let at = dice.below(text.len() + 1);
    let mut mutated = text.as_bytes()[..at].to_vec();
    mutated.extend(bytes);
    mutated.extend(&text.as_bytes()[at..]);
    let line = 1 + text[..at].matches('\n').count();
    Mutation::text(file, mutated, due, &format!("bytes {bytes:?} at {at}")).at([line])
}

pub(super) fn latin_1(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let bytes: &[u8] = dice.bytes(&[b"\xe9", b"F\xf6hre", b"ch\xeane", b"\xb0", b"\x93x\x94"]);
    Some(with_bytes(subject, dice, bytes, Due::Told))
}

pub(super) fn invalid_bytes(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let bytes: &[u8] = dice.bytes(&[
        b"\xff",
        b"\xc3",
        b"\xc0\x80",
        b"\xed\xa0\x80",
        b"\xf4\x90\x80\x80",
    ]);
    Some(with_bytes(subject, dice, bytes, Due::Told))
}

pub(super) fn nul_byte(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let bytes: &[u8] = dice.bytes(&[b"\0", b"\0\0\0\0", b"\0\n"]);
    Some(with_bytes(subject, dice, bytes, Due::Told))
}

pub(super) fn control_byte(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    // The last one ends a file of old systems.
    let bytes: &[u8] = dice.bytes(&[b"\x1b[31m", b"\x07", b"\x08", b"\x7f", b"\x1a"]);
    Some(with_bytes(subject, dice, bytes, Due::Told))
}

pub(super) fn mixed_line_ends(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, text) = subject.any_file(dice);
    let lines = text
        .lines()
        .map(|line| line.to_owned() + dice.word(&["\n", "\r\n", "\r"]));
    let text: String = lines.collect();
    Some(Mutation::text(file, text, Due::Same, "mixed line ends"))
}

pub(super) fn empty(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, _) = subject.any_file(dice);
    let text = dice.word(&["", "\n", "  \n\n", "\u{feff}", "\0"]);
    Some(Mutation::text(
        file,
        text,
        Due::Told,
        &format!("only {text:?}"),
    ))
}

pub(super) fn other_format(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, _) = subject.any_file(dice);
    let starts: &[&[u8]] = &[
        b"PK\x03\x04\x14\0\x06\0\x08\0",
        b"\x89PNG\r\n\x1a\n",
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
        b"%PDF-1.7\n",
        b"{\"plots\": [1, 2]}\n",
        b"<html><body><table><tr><td>plot</td></tr></table></body></html>\n",
    ];
    let bytes = dice.bytes(starts);
    Some(Mutation::text(
        file,
        bytes,
        Due::Told,
        &String::from_utf8_lossy(bytes),
    ))
}

pub(super) fn head_alone(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, text) = subject.any_records(dice);
    let head = text.lines().next()?.to_owned() + dice.word(&["", "\n"]);
    Some(Mutation::text(file, head, Due::Told, "heads alone"))
}

/// Ended in the middle of a line. A last field that is cut short cannot be told from a whole one.
pub(super) fn cut_off(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, text) = subject.any_file(dice);
    let at = 1 + dice.below(text.len() - 1);
    let cut = text.get(..at)?;
    let last = cut.lines().last()?;
    let fields = |line: &str| line.matches(',').count();
    let head = text.lines().next()?;
    let is_short = file != DESIGN && !cut.ends_with('\n') && fields(last) < fields(head);
    let due = if is_short { Due::Told } else { Due::Right };
    let line = cut.lines().count();
    let what = format!("ends with `{last}`");
    let lost = text[at..].lines().take(40);
    let lost = lost.flat_map(|line| line.split([',', ':']).take(2));
    Some(
        Mutation::text(file, cut, due, &what)
            .at([line, line + 1])
            .called(lost),
    )
}

pub(super) fn cut_off_at_line(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, text) = subject.any_file(dice);
    let lines: Vec<&str> = text.split_inclusive('\n').collect();
    let count = dice.below(lines.len());
    let cut = lines[..count].concat();
    let what = format!("the first {count} lines");
    let lost = lines[count..]
        .iter()
        .flat_map(|line| line.split([',', ':']).take(2));
    Some(
        Mutation::text(file, cut, Due::Right, &what)
            .at([count, count + 1])
            .called(lost),
    )
}

/// A row of a record file, and where a field of it begins and ends.
fn field_bytes<'s>(
    subject: &'s Subject,
    dice: &mut Dice,
) -> Option<(&'s str, &'s str, usize, usize, usize)> {
    let (file, text) = subject.any_records(dice);
    let lines: Vec<&str> = text.split_inclusive('\n').collect();
    let index = 1 + dice.below(lines.len().checked_sub(1).filter(|rows| *rows > 0)?);
    let before: usize = lines[..index].iter().map(|line| line.len()).sum();
    let line = lines[index].trim_end();
    let starts = std::iter::once(0).chain(line.match_indices(',').map(|(at, _)| at + 1));
    let starts: Vec<usize> = starts.collect();
    let start = starts[dice.below(starts.len())];
    let end = line[start..]
        .find(',')
        .map_or(line.len(), |end| start + end);
    Some((file, text, index + 1, before + start, before + end))
}

/// A quote that nothing closes, or the next one in the file.
pub(super) fn quote_open(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, text, line, start, _) = field_bytes(subject, dice)?;
    let text = format!("{}\"{}", &text[..start], &text[start..]);
    Some(Mutation::text(file, text, Due::Told, "a quote opened").at([line]))
}

pub(super) fn quote_in_field(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, text, line, start, end) = field_bytes(subject, dice)?;
    if end < start + 2 || text[start..end].contains('"') {
        return None;
    }
    let at = start + 1 + dice.below(end - start);
    let what = format!("a quote in `{}`", &text[start..end]);
    let due = if text[start..end].contains(' ') {
        Due::Right
    } else {
        Due::Told
    };
    let text = format!("{}\"{}", &text[..at], &text[at..]);
    Some(Mutation::text(file, text, due, &what).at([line]))
}

/// A quote opened in a row and closed some rows further down: the rows between are lost.
pub(super) fn quotes_over_lines(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, text) = subject.any_records(dice);
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    let (first, last) = (1 + dice.below(lines.len() - 1), 2 + dice.below(6));
    let last = (first + last).min(lines.len() - 1);
    let is_plain = |line: &String| !line.contains('"');
    if last <= first || !lines[first..=last].iter().all(is_plain) {
        return None;
    }
    let start = lines[first].rfind(',').map_or(0, |at| at + 1);
    lines[first].insert(start, '"');
    lines[last].push('"');
    let what = format!("quotes over lines {} to {}", first + 1, last + 1);
    let text = lines.join("\n") + "\n";
    Some(Mutation::text(file, text, Due::Told, &what).at(first + 1..=last + 1))
}

pub(super) fn comment_line(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, text) = subject.any_records(dice);
    let mut lines: Vec<&str> = text.lines().collect();
    let index = dice.below(lines.len() + 1);
    let comment = dice.word(&["# by the new crew", "Total,,,,", "---", "(continued)"]);
    lines.insert(index, comment);
    let words = table::rows(comment, ',').remove(0).1;
    let text = lines.join("\n") + "\n";
    Some(
        Mutation::text(file, text, Due::Told, comment)
            .at([index + 1])
            .called(words),
    )
}
