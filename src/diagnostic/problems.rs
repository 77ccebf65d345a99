//! Findings gathered: counted to the last, told as far as anybody reads.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::{Diagnostic, Heads, Severity, in_lines};

/// Findings that are held before those of one kind are counted rather than held.
const HELD: usize = 10_000;
/// From there on so many of a kind are held.
const HELD_OF_A_KIND: usize = 1_000;

/// Findings of one kind: severity, code, file, and whether they have a line.
type Kind = (
    Severity,
    &'static str,
    Option<(Arc<str>, Option<Heads>)>,
    bool,
);

fn kind(of: &Diagnostic) -> Kind {
    let place = of.site.as_ref();
    let file = place.map(|site| (Arc::clone(&site.file), site.heads.clone()));
    (of.severity, of.code, file, line(of) > 0)
}

fn line(of: &Diagnostic) -> usize {
    of.site.as_ref().map_or(0, |site| site.line)
}

/// How many findings it is.
fn times(of: &Diagnostic) -> usize {
    of.more.max(1)
}

/// All findings so far; nothing stops at the first.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Problems {
    list: Vec<Diagnostic>,
    /// Once many are held: how many of each kind there are in the list, and which of them stands for
    /// those that are not told apart.
    kinds: BTreeMap<Kind, (usize, Option<usize>)>,
}

impl Problems {
    /// No findings.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds one finding. Of a great many of one kind the first are held, and the rest counted.
    pub fn push(&mut self, diagnostic: Diagnostic) {
        if self.list.len() < HELD {
            self.list.push(diagnostic);
            return;
        }
        if self.kinds.is_empty() {
            for (at, of) in self.list.iter().enumerate() {
                let (held, rest) = self.kinds.entry(kind(of)).or_default();
                *held += 1;
                *rest = rest.or((of.more > 0).then_some(at));
            }
        }
        let (held, rest) = self.kinds.entry(kind(&diagnostic)).or_default();
        if *held < HELD_OF_A_KIND {
            *held += 1;
            self.list.push(diagnostic);
        } else if let Some(rest) = *rest {
            self.list[rest].stand_for(times(&diagnostic));
        } else {
            *rest = Some(self.list.len());
            self.push_first_of_more(diagnostic);
        }
    }

    /// Adds one finding to those of its kind that are not told apart, at the place of the first of
    /// these, which `place` finds.
    pub fn push_untold(&mut self, diagnostic: Diagnostic, place: impl FnOnce() -> super::Site) {
        let is_alike = |of: &&mut Diagnostic| {
            of.more > 0 && of.code == diagnostic.code && of.severity == diagnostic.severity
        };
        match self.list.iter_mut().rev().find(is_alike) {
            Some(rest) => rest.stand_for(times(&diagnostic)),
            None => self.push_first_of_more(diagnostic.at(place())),
        }
    }

    fn push_first_of_more(&mut self, mut diagnostic: Diagnostic) {
        let times = times(&diagnostic);
        diagnostic.more = 0;
        diagnostic.stand_for(times);
        self.list.push(diagnostic);
    }

    /// Adds all of another collection.
    pub fn append(&mut self, mut other: Problems) {
        if self.list.len() + other.list.len() <= HELD {
            self.list.append(&mut other.list);
        } else {
            other.list.into_iter().for_each(|one| self.push(one));
        }
    }

    /// Is there an error among them?
    pub fn has_errors(&self) -> bool {
        self.list.iter().any(|d| d.severity == Severity::Error)
    }

    /// How many of one severity, told apart or not.
    pub fn count(&self, severity: Severity) -> usize {
        let of = self.list.iter().filter(|d| d.severity == severity);
        of.map(times).sum()
    }

    /// How many findings are told.
    pub fn len(&self) -> usize {
        self.list.len()
    }

    /// Nothing found.
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// The findings in the order of their places: file, line, column; those without a place last.
    #[must_use]
    pub fn sorted(mut self) -> Self {
        self.list.sort_by(|a, b| match (&a.site, &b.site) {
            (Some(x), Some(y)) => x.cmp(y),
            (Some(_), None) => std::cmp::Ordering::Less,
            (None, Some(_)) => std::cmp::Ordering::Greater,
            (None, None) => std::cmp::Ordering::Equal,
        });
        self.kinds.clear();
        self
    }

    /// The same findings, where many of one code in one file are folded: the first are shown, and
    /// one line counts the rest. Warnings and notes fold beyond 20, errors beyond 100; those without
    /// a line only beyond 100.
    ///
    /// Findings must be sorted by place.
    #[must_use]
    pub fn folded(self) -> Self {
        let mut lines: BTreeMap<Kind, (Vec<usize>, usize)> = BTreeMap::new();
        for diagnostic in &self.list {
            let (lines, all) = lines.entry(kind(diagnostic)).or_default();
            lines.push(line(diagnostic));
            *all += times(diagnostic);
        }
        let mut so_far: BTreeMap<Kind, (usize, usize)> = BTreeMap::new();
        let mut list: Vec<Diagnostic> = Vec::with_capacity(self.list.len());
        for diagnostic in self.list {
            let kind = kind(&diagnostic);
            let Some((lines, all)) = lines.get(&kind) else {
                continue;
            };
            let has_line = line(&diagnostic) > 0;
            let (most, shown) = match diagnostic.severity {
                Severity::Warning | Severity::Note if has_line => (20, 5),
                _ => (100, 50),
            };
            let (told, counted) = so_far.entry(kind).or_default();
            if *all <= most || (*told < shown && diagnostic.more == 0) {
                *told += 1;
                *counted += times(&diagnostic);
                list.push(diagnostic);
            } else if *counted < *all {
                let rest = all - *counted;
                let mut folded = diagnostic;
                folded.more = 0;
                folded.stand_for(rest);
                let left = lines.len() - *told;
                // Not the lines of those that were only counted.
                if has_line && (left == rest || left > 5) {
                    let heads = folded.site.as_ref().and_then(|site| site.heads.as_deref());
                    let in_lines = in_lines(&lines[*told..], heads);
                    folded.message = format!("{rest} more of this kind, {in_lines}");
                }
                *counted = *all;
                list.push(folded);
            }
        }
        Problems {
            list,
            kinds: BTreeMap::new(),
        }
    }

    /// The findings.
    pub fn iter(&self) -> std::slice::Iter<'_, Diagnostic> {
        self.list.iter()
    }
}

impl Diagnostic {
    /// Counts so many more of its kind.
    fn stand_for(&mut self, times: usize) {
        self.more += times;
        self.hint = None;
        self.message = format!("{} more of this kind", self.more);
        if line(self) > 0 {
            self.message += ", from here on";
        }
    }
}

impl From<Diagnostic> for Problems {
    fn from(diagnostic: Diagnostic) -> Self {
        let mut problems = Problems::new();
        problems.push(diagnostic);
        problems
    }
}

impl<'a> IntoIterator for &'a Problems {
    type Item = &'a Diagnostic;
    type IntoIter = std::slice::Iter<'a, Diagnostic>;
    fn into_iter(self) -> Self::IntoIter {
        self.list.iter()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnostic::Site;

    #[test]
    fn many_warnings_of_one_kind_are_folded_and_errors_are_not() {
        let mut problems = Problems::new();
        for line in 1..=30 {
            let site = Site {
                file: Arc::from("t.csv"),
                line,
                column: 1,
                heads: None,
            };
            problems.push(Diagnostic::warning("w", "odd").at(site.clone()));
            problems.push(Diagnostic::error("e", "wrong").at(site));
        }
        let folded = problems.sorted().folded();
        assert_eq!(folded.count(Severity::Error), 30);
        assert_eq!(folded.count(Severity::Warning), 30);
        assert_eq!(folded.iter().count(), 36);
        let last = folded
            .iter()
            .rfind(|d| d.severity == Severity::Warning)
            .map(ToString::to_string);
        assert_eq!(
            last.as_deref(),
            Some("t.csv:6:1: warning: 25 more of this kind, in lines 6, 7, 8, 9, 10 ... [w]")
        );
    }
    #[test]
    fn a_great_many_are_counted_and_not_held() {
        let at = |line| Site {
            line,
            column: 1,
            ..Site::whole("t.csv")
        };
        let mut problems = Problems::new();
        for line in 1..=50_000 {
            problems.push(Diagnostic::error("e", "wrong").at(at(line)));
        }
        problems.push(Diagnostic::error("other", "wrong").at(at(3)));
        assert_eq!(problems.len(), 10_002);
        assert_eq!(problems.count(Severity::Error), 50_001);
        let mut twice = problems.clone().sorted();
        twice.append(problems);
        assert_eq!(twice.count(Severity::Error), 100_002);
        assert_eq!(twice.len(), 10_003);
        let folded = twice.sorted().folded();
        assert_eq!(folded.count(Severity::Error), 100_002);
        let told: Vec<String> = folded.iter().map(ToString::to_string).collect();
        assert_eq!(told.len(), 53);
        let last =
            "t.csv:51:1: error: 99950 more of this kind, in lines 51, 52, 53, 54, 55 ... [e]";
        assert_eq!(told[52], last);
    }
}
