//! Words of a file or a user where something else reads them: a terminal, a spreadsheet program.

use std::borrow::Cow;

/// Does a character move the cursor, turn the text round, or stand there unseen?
///
/// Control characters (C0, DEL, C1), those that direct the order of writing, and spaces without
/// width; but not the joiners that words of some languages need.
pub fn is_hidden(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{ad}' | '\u{61c}' | '\u{200b}' | '\u{200e}' | '\u{200f}'
            | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
}

/// A text on one line with its hidden characters written out: `a\u{1b}[31m`.
pub fn visible(text: &str) -> Cow<'_, str> {
    if !text.chars().any(is_hidden) {
        return Cow::Borrowed(text);
    }
    let mut shown = String::with_capacity(text.len() + 8);
    for c in text.chars() {
        if is_hidden(c) {
            shown.extend(c.escape_default());
        } else {
            shown.push(c);
        }
    }
    Cow::Owned(shown)
}

/// Where a spreadsheet program may begin a new cell, whatever separates ours.
const CELL_ENDS: [char; 2] = [';', '\t'];

/// Would a spreadsheet program run this word of a CSV file as a formula? Numbers with a sign are
/// none.
///
/// Source: OWASP, CSV Injection (the characters with which formulas begin, also behind separators
/// and quotes within a field).
pub fn runs_as_formula(word: &str) -> bool {
    let bytes = word.as_bytes();
    let is_plain = |first: &u8| first.is_ascii_alphanumeric();
    if bytes.first().is_none_or(is_plain) && memchr::memchr2(b';', b'\t', bytes).is_none() {
        return false;
    }
    pieces(word).any(|(at, piece)| is_formula(at, piece))
}

/// A word for a CSV file, with an apostrophe before what would run as a formula.
pub fn guarded(word: &str) -> Cow<'_, str> {
    if !runs_as_formula(word) {
        return Cow::Borrowed(word);
    }
    let mut guarded = String::with_capacity(word.len() + 1);
    for (at, piece) in pieces(word) {
        if is_formula(at, piece) {
            guarded.push('\'');
        }
        guarded += piece;
    }
    Cow::Owned(guarded)
}

/// The word of which [`guarded`] made this one.
pub fn unguarded(word: &str) -> Cow<'_, str> {
    if !word.contains('\'') {
        return Cow::Borrowed(word);
    }
    let bare = |(at, piece): (usize, &'_ str)| match piece.strip_prefix('\'') {
        Some(bare) if is_formula(at, bare) => bare.to_owned(),
        _ => piece.to_owned(),
    };
    Cow::Owned(pieces(word).map(bare).collect())
}

fn pieces(word: &str) -> impl Iterator<Item = (usize, &str)> {
    word.split_inclusive(CELL_ENDS).enumerate()
}

/// Is the nth piece of a word a formula?
fn is_formula(at: usize, piece: &str) -> bool {
    let is_first = at == 0;
    let start = piece.trim_start_matches(|c| matches!(c, '"' | '\'') || is_first && c == ' ');
    let body = start.trim_end_matches(CELL_ENDS);
    match start.chars().next() {
        Some('\t' | '\r' | '\n') => is_first,
        Some('=' | '+' | '-' | '@') => body.len() > 1 && !is_number(body),
        _ => false,
    }
}

fn is_number(text: &str) -> bool {
    let text = text.trim();
    let is_of_number = |c: char| c.is_ascii_digit() || matches!(c, '.' | '+' | '-' | 'e' | 'E');
    text.chars().all(is_of_number) && text.parse::<f64>().is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_runs_as_a_formula_gets_an_apostrophe() {
        for (word, wanted) in [
            ("=1+1", "'=1+1"),
            ("+A1", "'+A1"),
            ("-2+3", "'-2+3"),
            ("@SUM(A1)", "'@SUM(A1)"),
            ("  =1", "'  =1"),
            ("\"=1", "'\"=1"),
            ("'=1", "''=1"),
            ("\t=1", "'\t'=1"),
            ("\rx", "'\rx"),
            ("a;=1;b", "a;'=1;b"),
            ("-", "-"),
            ("-3", "-3"),
            ("+1.5", "+1.5"),
            ("-1e3", "-1e3"),
            ("-inf", "'-inf"),
            ("Fd-1", "Fd-1"),
            ("a=b", "a=b"),
            ("it's", "it's"),
            ("", ""),
        ] {
            assert_eq!(guarded(word), wanted, "{word:?}");
            assert_eq!(unguarded(&guarded(word)), word);
        }
    }

    #[test]
    fn hidden_characters_are_written_out() {
        assert_eq!(visible("杉 é-1"), "杉 é-1");
        assert_eq!(visible("a\u{1b}]0;x\u{7}"), "a\\u{1b}]0;x\\u{7}");
        assert_eq!(
            visible("\u{202e}\u{9b}\u{7f}\n"),
            "\\u{202e}\\u{9b}\\u{7f}\\n"
        );
    }

    proptest! {
        #[test]
        fn guards_can_be_taken_away(word in "[-=+@'\"; \t1ae.]{0,8}") {
            let guarded = guarded(&word);
            prop_assert_eq!(unguarded(&guarded), &word[..]);
            for (at, piece) in pieces(&guarded) {
                prop_assert!(piece.starts_with('\'') || !is_formula(at, piece), "{}", guarded);
            }
        }
    }
}
