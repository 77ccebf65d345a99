//! What is kept of each unit of work (a stand, or a cruise that is read as one): what identifies it,
//! what was found, and its share of every output.

use serde::{Deserialize, Serialize};

use crate::diagnostic::{Diagnostic, Severity, Site, place_in_rows, row, visible};

/// What the tables of a cruise need of its design and species.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct CruiseHead {
    /// The design as it was named.
    pub(super) design: String,
    /// Its title.
    pub(super) title: String,
    pub(super) imperial: bool,
    pub(super) confidence: f64,
    pub(super) dbh_class_cm: f64,
    /// Stands of a list, and its area, where stands were drawn from one.
    pub(super) listed: Option<(f64, Option<f64>)>,
    pub(super) selections: Vec<String>,
    pub(super) decay_classes: Vec<String>,
    /// Label and scientific name.
    pub(super) species: Vec<(String, String)>,
    /// Head of the tree list, where one is made.
    pub(super) tree_head: Option<String>,
}

impl CruiseHead {
    /// Can tables be made with it? A journal may come from anywhere.
    pub(super) fn is_sound(&self) -> bool {
        let listed = |(stands, area_ha): (f64, Option<f64>)| {
            stands >= 1.0 && stands.is_finite() && area_ha.is_none_or(f64::is_finite)
        };
        self.confidence > 0.0
            && self.confidence < 1.0
            && self.dbh_class_cm > 0.0
            && self.dbh_class_cm.is_finite()
            && self.listed.is_none_or(listed)
    }

    /// A number that tells heads apart.
    pub(super) fn id(&self) -> u64 {
        let bytes = postcard::to_stdvec(self).unwrap_or_default();
        let hash = blake3::hash(&bytes);
        let (first, _) = hash
            .as_bytes()
            .split_first_chunk()
            .unwrap_or((&[0; 8], &[]));
        u64::from_le_bytes(*first)
    }
}

/// A finding, with the file named as the user named it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Finding {
    /// 0 error, 1 warning, 2 note.
    pub(super) severity: u8,
    pub(super) code: String,
    pub(super) file: String,
    /// 0 where there is none.
    pub(super) line: usize,
    pub(super) column: usize,
    /// Where the file has rows: the name of the column, empty for a whole row.
    pub(super) head: Option<String>,
    /// The sheet, in a workbook.
    pub(super) sheet: Option<String>,
    pub(super) message: String,
    pub(super) hint: String,
}

impl Finding {
    pub(super) fn of(diagnostic: &Diagnostic) -> Finding {
        let site = diagnostic.site.as_ref();
        Finding {
            severity: match diagnostic.severity {
                Severity::Error => 0,
                Severity::Warning => 1,
                Severity::Note => 2,
            },
            code: diagnostic.code.to_owned(),
            file: site.map_or_else(String::new, |site: &Site| site.file.to_string()),
            line: site.map_or(0, |site| site.line),
            column: site.map_or(0, |site| site.column),
            head: site.and_then(Site::head).map(str::to_owned),
            sheet: site.and_then(Site::sheet).map(str::to_owned),
            message: diagnostic.message.clone(),
            hint: diagnostic.hint.clone().unwrap_or_default(),
        }
    }

    pub(super) fn severity_word(&self) -> &'static str {
        ["error", "warning", "note"][usize::from(self.severity.min(2))]
    }

    pub(super) fn is_error(&self) -> bool {
        self.severity == 0
    }

    /// The line of a text, the row of a file of rows; 0 where there is none.
    pub(super) fn line_or_row(&self) -> usize {
        match self.head {
            Some(_) => row(self.line, self.sheet.as_deref()),
            None => self.line,
        }
    }

    /// The file, and the sheet in a workbook.
    pub(super) fn file_and_sheet(&self) -> String {
        self.file.clone() + &place_in_rows(0, 0, "", self.sheet.as_deref())
    }

    /// As on a terminal.
    pub(super) fn line(&self) -> String {
        let mut line = self.file.clone();
        if let Some(head) = &self.head {
            line += &place_in_rows(self.line, self.column, head, self.sheet.as_deref());
        } else {
            for number in [self.line, self.column] {
                if number > 0 {
                    line += &format!(":{number}");
                }
            }
        }
        if !line.is_empty() {
            line += ": ";
        }
        line += &format!("{}: {}", self.severity_word(), self.message);
        if !self.hint.is_empty() {
            line += &format!("; {}", self.hint);
        }
        visible(&line).into_owned() + &format!(" [{}]\n", self.code)
    }

    /// Does its text speak of lines, so that it does not hold when these move?
    fn names_lines(&self) -> bool {
        let words: &[&str] = match self.head {
            None => &["line ", "lines "],
            Some(_) => &["row ", "rows "],
        };
        let texts = [&self.message, &self.hint];
        texts
            .iter()
            .any(|text| words.iter().any(|word| text.contains(word)))
    }
}

/// Where the text of a file came from: index of a line in the text, and its line in the file, for
/// each run of lines.
pub(super) type Runs = Vec<(usize, usize)>;

/// One unit of work, done.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct PartMeta {
    /// Content hash of everything that it was made from, but for the lines at which rows stand.
    pub(super) key: [u8; 32],
    /// The cruise that it is of.
    pub(super) head: u64,
    /// Stand that it is about; none for a cruise that is read as one.
    pub(super) stand: Option<String>,
    /// Names of its stands; those that failed together have none.
    pub(super) stands: Vec<String>,
    /// Could it not be compiled?
    pub(super) failed: bool,
    pub(super) findings: Vec<Finding>,
    /// Lines of the summary, without the head.
    pub(super) summary: String,
    /// By file (and sheet): name, and where its lines come from.
    pub(super) lines: Vec<(String, Runs)>,
    /// Does an output hold lines, so that they must be the same?
    pub(super) holds_lines: bool,
    /// Lengths of what follows: lines of the estimate table, of the tree list, groups of stands.
    pub(super) lengths: [u64; 3],
    /// Names and lengths of reports, which come last.
    pub(super) reports: Vec<(String, u64)>,
}

/// A unit of work with all that it gives.
#[derive(Clone, Debug, Default)]
pub(super) struct Part {
    pub(super) meta: PartMeta,
    /// Lines of the estimate table, of the tree list, groups of stands, reports, one after the other.
    pub(super) bytes: Vec<u8>,
}

impl PartMeta {
    /// Bytes of all that follows.
    pub(super) fn length(&self) -> Option<u64> {
        let of_reports = self.reports.iter().map(|(_, length)| *length);
        let mut lengths = self.lengths.iter().copied().chain(of_reports);
        lengths.try_fold(0_u64, u64::checked_add)
    }

    /// The same part where rows stand at other lines; `None` where something in it cannot be moved.
    pub(super) fn moved_to(&self, lines: &[(String, Runs)]) -> Option<PartMeta> {
        if self.lines == lines {
            return Some(self.clone());
        }
        if self.holds_lines || self.findings.iter().any(Finding::names_lines) {
            return None;
        }
        let mut moved = self.clone();
        moved.lines = lines.to_vec();
        for finding in moved.findings.iter_mut().filter(|f| f.line > 0) {
            let of = |lines: &[(String, Runs)]| -> Option<Runs> {
                let file = finding.file_and_sheet();
                let (_, runs) = lines.iter().find(|(name, _)| *name == file)?;
                Some(runs.clone())
            };
            // A place in another file (the design) stays.
            if let (Some(old), Some(new)) = (of(&self.lines), of(lines)) {
                finding.line = line_at(&new, index_of(&old, finding.line)?)?;
            }
        }
        Some(moved)
    }
}

/// The index in the text of a line of the file.
fn index_of(runs: &Runs, line: usize) -> Option<usize> {
    let lengths = runs.windows(2).map(|two| two[1].0 - two[0].0);
    let lengths = lengths.chain(std::iter::once(usize::MAX));
    let mut of_line = runs.iter().zip(lengths);
    of_line.find_map(|((index, first), length)| {
        let within = line.checked_sub(*first)?;
        (within < length).then_some(index + within)
    })
}

/// The line of the file at an index in the text.
fn line_at(runs: &Runs, index: usize) -> Option<usize> {
    let at = runs.partition_point(|(start, _)| *start <= index);
    let (start, line) = runs.get(at.checked_sub(1)?)?;
    Some(line + index - start)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_move_with_their_rows() {
        // Head in line 1, rows in lines 5, 6 and 9; two rows were added above.
        let (old, new) = (vec![(0, 1), (1, 5), (3, 9)], vec![(0, 1), (1, 7), (3, 11)]);
        let moved = |line| line_at(&new, index_of(&old, line)?);
        assert_eq!([1, 5, 6, 9].map(moved), [1, 7, 8, 11].map(Some));
        assert_eq!(moved(3), None);
    }
}
