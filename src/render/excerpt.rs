//! A finding with the line that it is about, and a mark under the place.
//!
//! ```text
//! trees.csv:12:5: error: ...
//!    12 | 3,4,Fd,2455,L,,,
//!       |     ^^
//! ```

use std::ops::Range;

use unicode_width::UnicodeWidthChar as _;

use crate::diagnostic::{Diagnostic, Severity, is_hidden};
use crate::read::excerpts::{Excerpts, Kind, Line};

/// Columns of a line that are shown beside the number.
const WIDTH: usize = 72;

/// Stands where a line is cut.
const CUT: &str = "...";

/// One finding as it is printed: its line and, where there is one, the line of the file.
pub fn finding(diagnostic: &Diagnostic, excerpts: &Excerpts, coloured: bool) -> String {
    let mut text = diagnostic.to_string();
    let colour = match diagnostic.severity {
        Severity::Error => "31",
        Severity::Warning => "33",
        Severity::Note => "34",
    };
    let painted = |words: &str| {
        if coloured {
            format!("\u{1b}[1;{colour}m{words}\u{1b}[0m")
        } else {
            words.to_owned()
        }
    };
    let before = diagnostic
        .site
        .as_ref()
        .map_or(0, |site| site.to_string().len() + 2);
    let word = diagnostic.severity.to_string();
    text.replace_range(before..before + word.len(), &painted(&word));
    text.push('\n');
    if let (Some(line), Some(site)) = (excerpts.at(diagnostic), &diagnostic.site) {
        let drawn = draw(line, site.column);
        let number = format!("{:>5}", site.line);
        text += format!("{number} | {}", drawn.text).trim_end();
        text.push('\n');
        if drawn.mark > 0 {
            let (gap, indent) = (" ".repeat(number.len()), " ".repeat(drawn.indent));
            text += &format!("{gap} | {indent}{}\n", painted(&"^".repeat(drawn.mark)));
        }
    }
    text
}

/// A line fit to be shown, and where the mark stands under it, in columns of a terminal.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Drawn {
    text: String,
    indent: usize,
    /// 0 for no mark.
    mark: usize,
}

/// Draws a line with a mark under what begins at a column (characters from 1; 0 for the whole line,
/// which has no mark), cut around the mark where it is too long.
fn draw(line: &Line, column: usize) -> Drawn {
    let chars: Vec<char> = line.text.chars().collect();
    let marked = match column.checked_sub(1) {
        None => 0..0,
        Some(start) => {
            let start = start.min(chars.len());
            start..end(&chars, start, line.kind)
        }
    };
    let cells = cells(&chars);
    let shown = window(&cells, &marked);
    let width = |range: Range<usize>| cells[range].iter().map(|cell| cell.width).sum::<usize>();
    let cut = |is_cut: bool| if is_cut { CUT } else { "" };
    let (before, after) = (cut(shown.start > 0), cut(shown.end < cells.len()));
    let text: String = cells[shown.clone()]
        .iter()
        .map(|cell| cell.text.as_str())
        .collect();
    let start = marked.start.clamp(shown.start, shown.end);
    let marked_to = marked.end.clamp(start, shown.end);
    Drawn {
        text: format!("{before}{text}{after}"),
        indent: before.len() + width(shown.start..start),
        mark: match column {
            0 => 0,
            _ => width(start..marked_to).max(1),
        },
    }
}

/// What is printed for a character.
struct Cell {
    text: String,
    width: usize,
}

/// Tabs become blanks, and what would move the cursor or turn the text round its escape.
fn cells(chars: &[char]) -> Vec<Cell> {
    const TAB: usize = 4;
    let mut at = 0;
    let cell = |c: &char| {
        let text = match c {
            '\t' => " ".repeat(TAB - at % TAB),
            c if is_hidden(*c) => c.escape_default().to_string(),
            c => c.to_string(),
        };
        let width = text.chars().map(|c| c.width().unwrap_or(0)).sum();
        at += width;
        Cell { text, width }
    };
    chars.iter().map(cell).collect()
}

/// The part of a line that is shown: all of it, or what fits around what is marked.
fn window(cells: &[Cell], marked: &Range<usize>) -> Range<usize> {
    if cells.iter().map(|cell| cell.width).sum::<usize>() <= WIDTH {
        return 0..cells.len();
    }
    let mut left = WIDTH - 2 * CUT.len();
    let mut takes = |at: usize| {
        let fits = cells[at].width <= left;
        left = if fits { left - cells[at].width } else { 0 };
        fits
    };
    let mut shown = marked.start..marked.start;
    while shown.end < marked.end && takes(shown.end) {
        shown.end += 1;
    }
    // Both sides in turn, as far as there is room.
    loop {
        let before = shown.clone();
        if shown.end < cells.len() && takes(shown.end) {
            shown.end += 1;
        }
        if shown.start > 0 && takes(shown.start - 1) {
            shown.start -= 1;
        }
        if shown == before {
            return shown;
        }
    }
}

/// Where the thing ends that begins at a character.
fn end(chars: &[char], start: usize, kind: Kind) -> usize {
    let rest = &chars[start..];
    let length = match kind {
        Kind::Fields(delimiter) => field(rest, delimiter),
        Kind::Yaml => yaml(rest, is_in_flow(&chars[..start])),
    };
    start + length
}

/// Length of a field, its quotes with it.
fn field(rest: &[char], delimiter: char) -> usize {
    let mut quoted = false;
    let ends = |c: &char| {
        quoted ^= *c == '"';
        *c == delimiter && !quoted
    };
    rest.iter().position(ends).unwrap_or(rest.len())
}

/// Length of a key, a value, or a list or map in brackets, as far as it is on this line.
fn yaml(rest: &[char], in_flow: bool) -> usize {
    match rest.first() {
        Some('"' | '\'') => quoted(rest),
        Some('[' | '{') => bracketed(rest),
        Some('-') if rest.get(1).is_none_or(|c| c.is_whitespace()) => 1,
        _ => plain(rest, in_flow),
    }
}

fn quoted(rest: &[char]) -> usize {
    let quote = rest[0];
    let mut at = 1;
    while at < rest.len() {
        match rest[at] {
            '\\' if quote == '"' => at += 1,
            c if c == quote && quote == '\'' && rest.get(at + 1) == Some(&quote) => at += 1,
            c if c == quote => return at + 1,
            _ => {}
        }
        at += 1;
    }
    rest.len()
}

fn bracketed(rest: &[char]) -> usize {
    let (mut depth, mut at) = (0_usize, 0);
    while at < rest.len() {
        match rest[at] {
            '"' | '\'' if opens(rest, at) => {
                at += quoted(&rest[at..]);
                continue;
            }
            '[' | '{' => depth += 1,
            ']' | '}' => depth = depth.saturating_sub(1),
            '#' if at > 0 && rest[at - 1].is_whitespace() => return trimmed(&rest[..at]),
            _ => {}
        }
        at += 1;
        if depth == 0 {
            return at;
        }
    }
    trimmed(rest)
}

/// Text without quotes: to a colon, a comment, or in brackets a comma or the end of these. The
/// bracket may have been opened on a line before: a value never holds a colon and a blank.
fn plain(rest: &[char], in_flow: bool) -> usize {
    let is_blank = |at: usize| rest.get(at).is_none_or(|c| c.is_whitespace());
    let mut comma = None;
    for (at, c) in rest.iter().enumerate() {
        match c {
            ',' | ']' | '}' if in_flow => return trimmed(&rest[..at]),
            ',' | ']' | '}' => comma = comma.or(Some(at)),
            ':' if is_blank(at + 1) => return trimmed(&rest[..comma.unwrap_or(at)]),
            '#' if at > 0 && is_blank(at - 1) => return trimmed(&rest[..at]),
            _ => {}
        }
    }
    match rest.last() {
        Some(',' | ']' | '}') => trimmed(&rest[..comma.unwrap_or(rest.len())]),
        _ => trimmed(rest),
    }
}

fn trimmed(chars: &[char]) -> usize {
    let last = chars.iter().rposition(|c| !c.is_whitespace());
    last.map_or(0, |last| last + 1)
}

/// Is a bracket open at the end of this?
fn is_in_flow(before: &[char]) -> bool {
    let (mut depth, mut at) = (0_usize, 0);
    while at < before.len() {
        match before[at] {
            '"' | '\'' if opens(before, at) => {
                at += quoted(&before[at..]);
                continue;
            }
            '[' | '{' => depth += 1,
            ']' | '}' => depth = depth.saturating_sub(1),
            _ => {}
        }
        at += 1;
    }
    depth > 0
}

/// Does a quote begin quoted text, rather than stand within a word?
fn opens(chars: &[char], at: usize) -> bool {
    let before = at.checked_sub(1).map(|before| chars[before]);
    before.is_none_or(|c| c.is_whitespace() || "[{,:".contains(c))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnostic::{Problems, Site};
    use proptest::prelude::*;

    fn line(text: &str, kind: Kind) -> Line {
        Line {
            text: text.to_owned(),
            kind,
        }
    }

    /// What stands over the mark.
    fn marked(text: &str, column: usize, kind: Kind) -> String {
        let drawn = draw(&line(text, kind), column);
        let chars = drawn.text.chars().skip(drawn.indent);
        chars.take(drawn.mark).collect()
    }

    const COMMAS: Kind = Kind::Fields(',');

    #[test]
    fn the_mark_covers_the_whole_field() {
        for (text, column, wanted) in [
            ("3,4,Fd,2455,L,,,", 8, "2455"),
            ("3,4,Fd,2455,L,,,", 1, "3"),
            ("3,4, Fd ,2455", 5, " Fd "),
            ("3,\"a, b\",2", 3, "\"a, b\""),
            ("3,\"a \"\"x, b\"\"\",2", 3, "\"a \"\"x, b\"\"\""),
            ("3,\"not closed, 4", 3, "\"not closed, 4"),
            // A field with nothing in it is marked at its delimiter.
            ("3,,2", 3, ","),
        ] {
            assert_eq!(marked(text, column, COMMAS), wanted, "{text}");
        }
        assert_eq!(marked("3;4,5;6", 3, Kind::Fields(';')), "4,5");
        let last = draw(&line("3,4,", COMMAS), 5);
        assert_eq!((last.indent, last.mark), (4, 1));
        assert_eq!(draw(&line("3,4,", COMMAS), 0).mark, 0);
    }

    #[test]
    fn the_mark_covers_a_key_or_a_value_of_yaml() {
        for (text, column, wanted) in [
            ("title: Upper block, north  # here", 8, "Upper block, north"),
            ("title: Upper block", 1, "title"),
            ("  rings: {a: 1, b: [2, x], c: 'it''s, so'}", 3, "rings"),
            (
                "  rings: {a: 1, b: [2, x], c: 3}  # no",
                10,
                "{a: 1, b: [2, x], c: 3}",
            ),
            ("  rings: {a: 1, b: [2, x]}", 14, "1"),
            ("  rings: {a: 1, b: [2, x]}", 24, "x"),
            ("  rings: {a: 1, b: 'it''s, so', c: 1}", 20, "'it''s, so'"),
            ("a: \"say \\\"so\\\", do\", b", 4, "\"say \\\"so\\\", do\""),
            // Brackets that were opened on a line before.
            ("   a: 1, b: 2,", 7, "1"),
            ("   b: 2}", 7, "2"),
            ("time: 12:30", 7, "12:30"),
            ("- a: 3", 1, "-"),
            ("- a: 3", 3, "a"),
            ("key: [1, 2", 6, "[1, 2"),
        ] {
            assert_eq!(marked(text, column, Kind::Yaml), wanted, "{text}");
        }
    }

    #[test]
    fn marks_stand_under_wide_and_hidden_characters() {
        // Each of the two takes two columns.
        let wide = draw(&line("杉木,x1", COMMAS), 4);
        assert_eq!((wide.indent, wide.mark), (5, 2));
        let wide = draw(&line("杉木,x1", COMMAS), 1);
        assert_eq!((wide.indent, wide.mark), (0, 4));
        // A letter and its accent.
        let accent = draw(&line("e\u{301},x", COMMAS), 4);
        assert_eq!(accent.indent, 2);
        let tabs = draw(&line("1\t22\tx", Kind::Fields('\t')), 6);
        assert_eq!((tabs.text.as_str(), tabs.indent), ("1   22  x", 8));
        let escaped = draw(&line("a\u{1b}[31m\u{202e}b,x", COMMAS), 10);
        assert_eq!(escaped.text, "a\\u{1b}[31m\\u{202e}b,x");
        assert_eq!(escaped.indent, escaped.text.len() - 1);
    }

    #[test]
    fn long_lines_are_cut_around_the_mark() {
        let fields: Vec<String> = (100..200).map(|number| number.to_string()).collect();
        let text = fields.join(",");
        for (index, dots) in [(0, (false, true)), (50, (true, true)), (99, (true, false))] {
            let column = 4 * index + 1;
            let drawn = draw(&line(&text, COMMAS), column);
            assert!(drawn.text.len() <= WIDTH, "{}", drawn.text);
            assert_eq!(marked(&text, column, COMMAS), fields[index]);
            let has = (drawn.text.starts_with(CUT), drawn.text.ends_with(CUT));
            assert_eq!(has, dots, "{}", drawn.text);
        }
        let one = draw(&line(&"x".repeat(500), COMMAS), 1);
        assert_eq!((one.indent, one.mark), (0, WIDTH - 2 * CUT.len()));
    }

    #[test]
    fn a_finding_has_its_line_and_a_note_has_none() {
        let site = Site {
            line: 2,
            column: 3,
            ..Site::whole("t.csv")
        };
        let mut problems = Problems::new();
        problems.push(Diagnostic::warning("odd", "odd (`x`)").at(site.clone()));
        problems.push(Diagnostic::note("said", "so it is").at(site));
        let excerpts = Excerpts::of(&problems, |_| Some((&b"a,b\n1,x\n"[..], false)));
        let drawn = |coloured| {
            let findings = problems.iter();
            let findings = findings.map(|one| finding(one, &excerpts, coloured));
            findings.collect::<String>()
        };
        assert_eq!(
            drawn(false),
            "t.csv:2:3: warning: odd (`x`) [odd]\n    2 | 1,x\n      |   ^\n\
             t.csv:2:3: note: so it is [said]\n"
        );
        assert_eq!(
            drawn(true),
            "t.csv:2:3: \u{1b}[1;33mwarning\u{1b}[0m: odd (`x`) [odd]\n    2 | 1,x\n      |   \
             \u{1b}[1;33m^\u{1b}[0m\nt.csv:2:3: \u{1b}[1;34mnote\u{1b}[0m: so it is [said]\n"
        );
    }

    proptest! {
        #[test]
        fn any_text_is_drawn_with_a_mark_within_it(
            text in "([a1é杉,;:#'\"{}\\[\\]\t\u{1b}\u{301}\u{200d} -]|\\PC){0,200}",
            column in 0_usize..300,
            kind in prop_oneof![
                Just(Kind::Yaml), Just(COMMAS), Just(Kind::Fields(';')), Just(Kind::Fields('\t'))
            ],
        ) {
            let drawn = draw(&line(&text, kind), column);
            let width: usize = drawn.text.chars().map(|c| c.width().unwrap_or(0)).sum();
            prop_assert!(width <= WIDTH);
            prop_assert!(drawn.text.chars().all(|c| !c.is_control()));
            prop_assert_eq!(drawn.mark == 0, column == 0);
            // One beyond the end, where something is missing there.
            prop_assert!(drawn.indent + drawn.mark <= width + 1);
        }
    }
}
