//! The lines that findings speak of, read once more when these are printed.
//!
//! In: findings, and which file each name in them means. Out: the lines of text at their places.
//! A file that is gone or can be read only once has none.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;
use std::sync::Arc;

use super::bytes::{Bytes, CHUNK};
use super::csv::detect_delimiter;
use crate::design::{Design, Input};
use crate::diagnostic::{Diagnostic, Problems, Severity, Site};

/// Bytes of a line that are kept; nobody looks at more.
const LONGEST: u64 = 1 << 16;

/// Which files the names in findings mean. A name that is not here is the path itself.
#[derive(Clone, Debug, Default)]
pub struct Named {
    design: Option<String>,
    /// Name and path.
    records: Vec<(String, String)>,
}

impl Named {
    /// A design, by the path that is also its name.
    pub fn of_design(path: &Path) -> Self {
        Named {
            design: Some(path.to_string_lossy().into_owned()),
            records: Vec::new(),
        }
    }

    /// Adds the record files of the design.
    pub fn add_records(&mut self, design: &Design) {
        let inputs = &design.inputs;
        let files = [&inputs.stands, &inputs.plots, &inputs.trees, &inputs.counts];
        let named = |input: &Input| (input.shown.clone(), input.path.clone());
        self.records = files.into_iter().flatten().map(named).collect();
    }

    /// The paths of all of them.
    pub fn paths(&self) -> impl Iterator<Item = &Path> {
        let records = self.records.iter().map(|(_, path)| path);
        self.design.iter().chain(records).map(Path::new)
    }

    fn open(&self, name: &str) -> Option<Bytes> {
        let record = self.records.iter().find(|(shown, _)| shown == name);
        let path = Path::new(record.map_or(name, |(_, path)| path));
        // What is no file, a pipe for example, was used up by the first reading.
        let bytes = path.is_file().then(|| Bytes::open(path).ok()).flatten()?;
        bytes.in_utf8().ok().flatten()
    }

    fn is_yaml(&self, name: &str) -> bool {
        let ending = Path::new(name).extension();
        self.design.as_deref() == Some(name) || ending.is_some_and(|e| e == "yaml" || e == "yml")
    }
}

/// What a line is a line of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Fields with this between them.
    Fields(char),
    /// A design or the head of a table.
    Yaml,
}

/// A line of an input.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// Its text, without line end.
    pub text: String,
    /// What it is a line of.
    pub kind: Kind,
}

/// The lines that findings speak of.
#[derive(Clone, Debug, Default)]
pub struct Excerpts {
    lines: BTreeMap<(Arc<str>, usize), Line>,
}

impl Excerpts {
    /// Reads the lines of errors and warnings, each file once at most.
    pub fn read(problems: &Problems, named: &Named) -> Self {
        Self::of(problems, |name| {
            let bytes = named.open(name)?;
            let text = BufReader::with_capacity(CHUNK, Cursor { bytes, at: 0 });
            Some((text, named.is_yaml(name)))
        })
    }

    /// The same from texts: `open` gives that of a name, and whether it is YAML.
    pub fn of<R: BufRead>(
        problems: &Problems,
        mut open: impl FnMut(&str) -> Option<(R, bool)>,
    ) -> Self {
        let mut wanted: BTreeMap<&Arc<str>, BTreeSet<usize>> = BTreeMap::new();
        for site in problems.iter().filter_map(place) {
            wanted.entry(&site.file).or_default().insert(site.line);
        }
        let mut excerpts = Excerpts::default();
        for (file, numbers) in wanted {
            if let Some((text, is_yaml)) = open(file) {
                // What was read before a failure is there.
                let _ = excerpts.add(file, text, is_yaml, &numbers);
            }
        }
        excerpts
    }

    fn add(
        &mut self,
        file: &Arc<str>,
        mut text: impl BufRead,
        is_yaml: bool,
        numbers: &BTreeSet<usize>,
    ) -> io::Result<()> {
        let mut kind = is_yaml.then_some(Kind::Yaml);
        let mut number = 0;
        let mut left = numbers.iter().copied().peekable();
        while let Some(next) = left.peek() {
            number += 1;
            let is_wanted = *next == number;
            // The first line that is not blank says what separates fields.
            if !is_wanted && kind.is_some() {
                if text.skip_until(b'\n')? == 0 {
                    break;
                }
                continue;
            }
            let Some(line) = line(&mut text, number == 1)? else {
                break;
            };
            if kind.is_none() && !line.trim().is_empty() {
                kind = Some(Kind::Fields(char::from(detect_delimiter(&line))));
            }
            if is_wanted {
                left.next();
                let kind = kind.unwrap_or(Kind::Fields(','));
                let line = Line { text: line, kind };
                self.lines.insert((Arc::clone(file), number), line);
            }
        }
        Ok(())
    }

    /// The line of an error or a warning, if it could be read.
    pub fn at(&self, diagnostic: &Diagnostic) -> Option<&Line> {
        let site = place(diagnostic)?;
        self.lines.get(&(Arc::clone(&site.file), site.line))
    }
}

/// The place of a finding whose line is shown.
fn place(diagnostic: &Diagnostic) -> Option<&Site> {
    let site = diagnostic.site.as_ref()?;
    let is_shown = diagnostic.severity != Severity::Note && site.line > 0 && site.heads.is_none();
    is_shown.then_some(site)
}

/// The next line without its end; a byte-order mark takes no column.
fn line(text: &mut impl BufRead, is_first: bool) -> io::Result<Option<String>> {
    let mut bytes = Vec::new();
    if text.take(LONGEST).read_until(b'\n', &mut bytes)? == 0 {
        return Ok(None);
    }
    if bytes.last() != Some(&b'\n') {
        text.skip_until(b'\n')?;
    }
    let line = String::from_utf8_lossy(&bytes);
    let line = line.trim_end_matches(['\r', '\n']);
    let line = match line.strip_prefix('\u{feff}') {
        Some(rest) if is_first => rest,
        _ => line,
    };
    Ok(Some(line.to_owned()))
}

/// Bytes read from the start on.
struct Cursor {
    bytes: Bytes,
    at: u64,
}

impl Read for Cursor {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.bytes.read_at(buffer, self.at)?;
        self.at += read as u64;
        Ok(read)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(file: &str, line: usize) -> Diagnostic {
        let site = Site {
            line,
            column: 1,
            ..Site::whole(file)
        };
        Diagnostic::error("e", "wrong").at(site)
    }

    fn problems(lines: &[usize]) -> Problems {
        let mut problems = Problems::new();
        for line in lines {
            problems.push(at("t.csv", *line));
        }
        problems
    }

    #[test]
    fn lines_are_found_in_any_order_and_those_beyond_the_end_are_not() {
        let problems = problems(&[4, 2, 2, 9]);
        let text = "\u{feff}\n plot;tree \r\n1;2\r\n3;4";
        let excerpts = Excerpts::of(&problems, |_| Some((text.as_bytes(), false)));
        let found = |line| {
            let line = excerpts.at(&at("t.csv", line))?;
            Some((line.text.as_str(), line.kind))
        };
        assert_eq!(found(2), Some((" plot;tree ", Kind::Fields(';'))));
        assert_eq!(found(4), Some(("3;4", Kind::Fields(';'))));
        assert_eq!(found(3), None);
        assert_eq!(found(9), None);
    }

    #[test]
    fn a_long_line_is_cut_and_the_next_is_still_the_next() {
        let text = format!("a,b\n{}\nlast\n", "x".repeat(200_000));
        let problems = problems(&[2, 3]);
        let excerpts = Excerpts::of(&problems, |_| Some((text.as_bytes(), false)));
        let length = |line| excerpts.at(&at("t.csv", line)).map(|line| line.text.len());
        assert_eq!((length(2), length(3)), (Some(65_536), Some(4)));
    }

    #[test]
    fn files_are_read_by_their_names_and_standard_input_is_not_read_again() {
        let folder = tempfile::TempDir::new().unwrap();
        let path = folder.path().join("trees.csv");
        let wide: Vec<u8> = "\u{feff}a\nné\n"
            .encode_utf16()
            .flat_map(u16::to_le_bytes)
            .collect();
        std::fs::write(&path, wide).unwrap();
        let named = Named {
            design: Some("-".to_owned()),
            records: vec![("t.csv".to_owned(), path.to_string_lossy().into_owned())],
        };
        let mut problems = problems(&[2]);
        problems.push(at("-", 1));
        problems.push(at("gone.csv", 1));
        let excerpts = Excerpts::read(&problems, &named);
        assert_eq!(excerpts.lines.len(), 1);
        let line = excerpts.at(&at("t.csv", 2)).map(|line| line.text.as_str());
        assert_eq!(line, Some("né"));
    }
}
