//! What is mutated: cruises as files in memory, with what the program makes of them unmutated.

use std::fmt;
use std::fs;

use super::findings::Finding;
use super::judge::{self, Run};
use crate::cruise::{repository, shared};
use crate::random::Random;
use crate::upper_flat_creek;

/// The examples with a design.
const EXAMPLES: [&str; 9] = [
    "corvane-hill",
    "dunnock-bench",
    "larrow-grid",
    "marrow-creek",
    "one-centre",
    "pindle-fork",
    "tarn-ridge-logs",
    "tessik-clusters",
    "wrenlow-rings",
];

pub(super) const DESIGN: &str = "design.yaml";

/// A cruise.
pub(super) struct Subject {
    pub(super) name: &'static str,
    /// Name and text, the design among them.
    pub(super) files: Vec<(String, String)>,
    /// Arguments that every command needs.
    pub(super) arguments: Vec<String>,
    /// Table of estimates and findings of the unmutated cruise.
    pub(super) estimates: String,
    pub(super) findings: Vec<Finding>,
}

impl Subject {
    /// All of them; the reference must agree with the program before anything is mutated.
    pub(super) fn all() -> Vec<Subject> {
        let mut subjects: Vec<Subject> = EXAMPLES.into_iter().map(Subject::example).collect();
        if let Some(trees) = shared("data/upper-flat-creek/trees-as-recorded.csv") {
            let tables = repository().join("tests/tables");
            subjects.push(Subject {
                name: "upper-flat-creek",
                files: vec![
                    (
                        DESIGN.to_owned(),
                        upper_flat_creek::DESIGN.trim_start().to_owned(),
                    ),
                    ("trees.csv".to_owned(), fs::read_to_string(trees).unwrap()),
                ],
                arguments: vec!["--tables".to_owned(), tables.to_str().unwrap().to_owned()],
                estimates: String::new(),
                findings: Vec::new(),
            });
        }
        for subject in &mut subjects {
            let run: Run = judge::unmutated(subject);
            subject.estimates = run.stdout;
            subject.findings = run.findings;
        }
        subjects
    }

    fn example(name: &'static str) -> Subject {
        let folder = repository().join("examples").join(name);
        let mut files: Vec<(String, String)> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| {
                let path = entry.unwrap().path();
                let name = path.file_name().unwrap().to_str().unwrap().to_owned();
                (name, fs::read_to_string(path).unwrap())
            })
            .collect();
        files.sort();
        Subject {
            name,
            files,
            arguments: Vec::new(),
            estimates: String::new(),
            findings: Vec::new(),
        }
    }

    /// A file of records, that of the trees most often.
    pub(super) fn any_records(&self, dice: &mut Dice) -> (&str, &str) {
        let records: Vec<&(String, String)> = self
            .files
            .iter()
            .filter(|(name, _)| name != DESIGN)
            .collect();
        let trees = records.iter().position(|(name, _)| name == "trees.csv");
        let index = match trees {
            Some(trees) if dice.below(2) == 0 => trees,
            _ => dice.below(records.len()),
        };
        (&records[index].0, &records[index].1)
    }

    /// Any file, the design too.
    pub(super) fn any_file(&self, dice: &mut Dice) -> (&str, &str) {
        let (name, text) = dice.of_all(&self.files);
        (name, text)
    }

    pub(super) fn text(&self, name: &str) -> Option<&str> {
        let file = self.files.iter().find(|(of, _)| of == name);
        file.map(|(_, text)| text.as_str())
    }
}

/// What stands at the place of a file.
#[derive(Clone, Debug)]
pub(super) enum Content {
    Bytes(Vec<u8>),
    /// A link to a file of these bytes.
    Link(Vec<u8>),
    /// A pipe with these bytes.
    Pipe(Vec<u8>),
    /// A link to this path: nothing there, itself, a file that cannot be read.
    LinkTo(&'static str),
    /// These bytes, and nobody may read them.
    Locked(Vec<u8>),
    Folder,
    Nothing,
}

/// Where results go.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Output {
    /// Standard output, read to the end.
    Read,
    /// Standard output on a full disk.
    Full,
    /// Standard output that nobody reads.
    Closed,
    /// `--out` to this path, which cannot be written.
    File(&'static str),
    /// `--tree-list` to this path, which cannot be written.
    TreeList(&'static str),
}

/// What has to come of a mutation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Due {
    /// Figures of the unmutated cruise, to the byte.
    Same,
    /// An error, warning or note at the place, unless no figure changes and none should.
    Told,
    /// The files still make sense: figures by the reference will do without a word.
    Right,
    /// Results cannot be written, and that is said.
    Unwritten,
}

/// A mutation of one file, or of where results go.
#[derive(Clone, Debug)]
pub(super) struct Mutation {
    pub(super) file: String,
    pub(super) content: Content,
    pub(super) output: Output,
    pub(super) due: Due,
    /// Lines of the mutated file that differ; none: the file as a whole.
    pub(super) lines: Vec<usize>,
    /// What else findings may call it by.
    pub(super) words: Vec<String>,
    /// What was done, for people.
    pub(super) what: String,
}

impl Mutation {
    /// Of a text.
    pub(super) fn text(file: &str, text: impl Into<Vec<u8>>, due: Due, what: &str) -> Self {
        Mutation {
            file: file.to_owned(),
            content: Content::Bytes(text.into()),
            output: Output::Read,
            due,
            lines: Vec::new(),
            words: Vec::new(),
            what: what.chars().take(200).collect(),
        }
    }

    pub(super) fn at(mut self, lines: impl IntoIterator<Item = usize>) -> Self {
        self.lines.extend(lines);
        self
    }

    pub(super) fn called<S: AsRef<str>>(mut self, words: impl IntoIterator<Item = S>) -> Self {
        let words = words
            .into_iter()
            .map(|word| word.as_ref().trim().to_owned());
        self.words.extend(words.filter(|word| !word.is_empty()));
        self
    }
}

impl fmt::Display for Mutation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Mutation {
            file, lines, what, ..
        } = self;
        write!(f, "{file} {lines:?}: {what}")
    }
}

/// Random choices with a stated seed.
pub(super) struct Dice(Random);

impl Dice {
    pub(super) fn of(seed: u64, number: u64) -> Self {
        Dice(Random(
            seed.wrapping_mul(0x1_0000_0001).wrapping_add(number),
        ))
    }

    /// A whole number below `most`.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "it is small"
    )]
    pub(super) fn below(&mut self, most: usize) -> usize {
        (self.0.unit() * most as f64) as usize
    }

    pub(super) fn of_all<'a, T>(&mut self, list: &'a [T]) -> &'a T {
        &list[self.below(list.len())]
    }

    pub(super) fn word<'a>(&mut self, list: &[&'a str]) -> &'a str {
        list[self.below(list.len())]
    }

    pub(super) fn bytes<'a>(&mut self, list: &[&'a [u8]]) -> &'a [u8] {
        list[self.below(list.len())]
    }

    /// Two different numbers below `most`.
    pub(super) fn two_below(&mut self, most: usize) -> Option<(usize, usize)> {
        let first = (most >= 2).then(|| self.below(most))?;
        let second = (first + 1 + self.below(most - 1)) % most;
        Some((first, second))
    }

    pub(super) fn shuffled(&mut self, count: usize) -> Vec<usize> {
        let mut order: Vec<usize> = (0..count).collect();
        for last in (1..count).rev() {
            order.swap(last, self.below(last + 1));
        }
        order
    }
}
