//! From finished parts to the files of results: parts one after the other, then all stands together.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::io::{Read as _, Seek as _, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context as _, Result};
use serde::{Deserialize, Serialize};

use super::journal::Placed;
use super::part::{CruiseHead, Finding};
use super::together::Together;
use super::unit::{lines, with_first};
use crate::cli::{BatchFormat, ReportForm};
use crate::diagnostic::{Diagnostic, Problems, Severity, counted};
use crate::estimates::{EstimateRow, StandGroups, Whole};
use crate::render::{csv, parquet};
use crate::tables::frame::Frame;
use crate::tables::tidy::{ALL, Tidy, Value};
use crate::tables::{Report, all_stands, stands_summary};
use crate::write::{self, Beside};

/// What was found of a cruise as a whole: the design as it was named, and the finding.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct OfCruise {
    pub(super) design: String,
    pub(super) finding: Finding,
}

/// Everything that goes into the results.
pub(super) struct Assembly {
    pub(super) parts: Vec<Placed>,
    pub(super) heads: BTreeMap<u64, CruiseHead>,
    pub(super) of_cruises: Vec<OfCruise>,
    /// Are there several designs?
    pub(super) several: bool,
    pub(super) tree_list: bool,
    pub(super) reports: Option<ReportForm>,
    pub(super) format: BatchFormat,
}

/// What was written, for people.
pub(super) struct Written {
    pub(super) report: Report,
    /// Notes on all stands together.
    pub(super) problems: Problems,
}

impl Assembly {
    /// Stands and cruises read as one that could not be compiled.
    pub(super) fn failed(&self) -> usize {
        self.parts.iter().filter(|part| part.meta.failed).count()
    }

    /// Stands that were compiled.
    pub(super) fn compiled(&self) -> usize {
        self.parts.iter().map(|part| part.meta.stands.len()).sum()
    }

    /// Writes all files of results into a folder; problems where the parts do not fit together.
    pub(super) fn write(&self, folder: &Path) -> Result<Result<Written, Problems>> {
        let together = match self.together() {
            Ok(together) => together,
            Err(problems) => return Ok(Err(problems)),
        };
        let (rows, problems) = self.whole(&together)?;
        self.write_estimates(folder, &together.frame, &rows)?;
        self.write_trees(folder, &together)?;
        self.write_summary(folder, &together.frame, &rows)?;
        self.write_reports(folder)?;
        self.write_findings(folder, &problems)?;
        Ok(Ok(Written {
            report: all_stands::report(&self.title(), &together.frame, &rows),
            problems,
        }))
    }

    fn title(&self) -> String {
        let mut titles: Vec<&str> = self
            .heads
            .values()
            .map(|head| head.title.as_str())
            .collect();
        titles.dedup();
        match titles[..] {
            [only] => only.to_owned(),
            _ => "Batch run".to_owned(),
        }
    }

    /// The cruises of the parts as one.
    fn together(&self) -> Result<Together, Problems> {
        let mut heads: Vec<&CruiseHead> = Vec::new();
        for part in self.parts.iter().filter(|part| !part.meta.failed) {
            if let Some(head) = self.heads.get(&part.meta.head)
                && !heads.contains(&head)
            {
                heads.push(head);
            }
        }
        Together::of(&heads)
    }

    /// Estimates of all stands together.
    fn whole(&self, together: &Together) -> Result<(Vec<EstimateRow>, Problems)> {
        let mut problems = Problems::new();
        together
            .notes
            .iter()
            .for_each(|note| problems.push(note.clone()));
        let mut whole = Whole::new(together.frame.selections.clone(), together.listed);
        let mut files = Files::default();
        for part in self.parts.iter().filter(|part| !part.meta.failed) {
            let [estimates, trees, length] = part.meta.lengths;
            let bytes = files.bytes(part, estimates + trees, length)?;
            let mut rest = &bytes[..];
            let renumbering = together.renumbering(part.meta.head);
            for _ in &part.meta.stands {
                let groups = StandGroups::restore(&mut rest).zip(renumbering);
                let groups = groups.and_then(|(groups, renumbering)| {
                    groups.renumbered(renumbering, together.frame.selections.len())
                });
                let groups =
                    groups.with_context(|| format!("{}: cannot be read", part.file.display()))?;
                if together.one_whole {
                    whole.add(&groups);
                }
            }
        }
        let failed = self.failed();
        if failed > 0 {
            let message = format!(
                "{failed} of {} could not be compiled and {} not among all stands together",
                counted(self.parts.len(), "stand"),
                if failed == 1 { "is" } else { "are" }
            );
            problems.push(Diagnostic::warning("stands-failed", message));
        }
        let unread: BTreeSet<&str> = (self.of_cruises.iter())
            .filter(|of| of.finding.is_error())
            .map(|of| of.design.as_str())
            .filter(|design| self.heads.values().all(|head| head.design != *design))
            .collect();
        if !unread.is_empty() {
            let message = format!(
                "{} could not be read, and nothing of {} is among all stands together",
                counted(unread.len(), "design"),
                if unread.len() == 1 { "it" } else { "them" }
            );
            problems.push(Diagnostic::warning("designs-failed", message));
        }
        if whole.stands() < 2 && together.listed.is_none() {
            return Ok((Vec::new(), problems));
        }
        let (rows, notes) = whole.finish();
        for note in notes {
            problems.push(note);
        }
        Ok((rows, problems))
    }

    /// Text of the leading column for all designs.
    fn all(&self) -> Option<&'static str> {
        self.several.then_some(ALL)
    }

    fn write_estimates(&self, folder: &Path, frame: &Frame, rows: &[EstimateRow]) -> Result<()> {
        let mut out = Beside::create(&folder.join("estimates.csv"))?;
        out.text(&csv::estimate_head(frame.units, self.several))?;
        let mut files = Files::default();
        for part in &self.parts {
            out.copy(files.open(part)?, part.at, part.meta.lengths[0])?;
        }
        let mut whole = Vec::new();
        csv::estimate_rows(&mut whole, frame, rows, self.all());
        out.bytes(&whole)?;
        self.finish(out)
    }

    fn write_trees(&self, folder: &Path, together: &Together) -> Result<()> {
        let Some(head) = together.tree_head.as_ref().filter(|_| self.tree_list) else {
            return Ok(());
        };
        let mut out = Beside::create(&folder.join("trees.csv"))?;
        out.text(&format!("{head}\n"))?;
        let mut files = Files::default();
        for part in &self.parts {
            let [estimates, trees, _] = part.meta.lengths;
            out.copy(files.open(part)?, part.at + estimates, trees)?;
        }
        self.finish(out)
    }

    /// Puts a table in place, in the form that is wanted.
    fn finish(&self, out: Beside) -> Result<()> {
        match self.format {
            BatchFormat::Csv => out.finish(),
            BatchFormat::Parquet => {
                out.finish_as("parquet", |from, to| parquet::from_csv(from, to))
            }
        }
    }

    fn write_summary(&self, folder: &Path, frame: &Frame, rows: &[EstimateRow]) -> Result<()> {
        let columns = stands_summary::columns(frame.units);
        let head = Tidy {
            columns: columns.iter().map(String::as_str).collect(),
            rows: Vec::new(),
        };
        let mut out = Beside::create(&folder.join("summary.csv"))?;
        out.text(&with_first(head, self.several.then_some("")))?;
        for part in &self.parts {
            out.text(&part.meta.summary)?;
        }
        let of_all: Vec<&EstimateRow> = rows.iter().filter(|row| row.stand.is_none()).collect();
        let whole = stands_summary::rows(frame, ALL, &of_all, |_| None, None);
        out.text(&lines(whole, self.all()))?;
        out.finish()
    }

    fn write_reports(&self, folder: &Path) -> Result<()> {
        let Some(form) = self.reports else {
            return Ok(());
        };
        let folder = folder.join("reports");
        write::no_link(&folder)?;
        fs::create_dir_all(&folder)
            .with_context(|| format!("{}: cannot be made", folder.display()))?;
        let mut names: BTreeMap<String, usize> = BTreeMap::new();
        let stands = self.parts.iter().flat_map(|part| &part.meta.reports);
        for (stand, _) in stands {
            *names.entry(stand.to_lowercase()).or_default() += 1;
        }
        let mut files = Files::default();
        for part in &self.parts {
            let mut from: u64 = part.meta.lengths.iter().sum();
            for (stand, length) in &part.meta.reports {
                let head = self.heads.get(&part.meta.head);
                let design = head.map_or("", |head| head.design.as_str());
                let is_only = names.get(&stand.to_lowercase()) == Some(&1);
                let design = (self.several || !is_only).then_some(design);
                let name = report_name(stand, design, form);
                let mut out = Beside::create(&folder.join(name))?;
                out.copy(files.open(part)?, part.at + from, *length)?;
                out.finish()?;
                from += length;
            }
        }
        Ok(())
    }

    fn write_findings(&self, folder: &Path, of_all: &Problems) -> Result<()> {
        let mut rows = Vec::new();
        for of_cruise in &self.of_cruises {
            rows.push(finding_row(
                &of_cruise.design,
                "",
                &of_cruise.finding,
                self.several,
            ));
        }
        for part in &self.parts {
            let head = self.heads.get(&part.meta.head);
            let design = head.map_or("", |head| head.design.as_str());
            let stand = part.meta.stand.as_deref().unwrap_or_default();
            for finding in &part.meta.findings {
                rows.push(finding_row(design, stand, finding, self.several));
            }
        }
        for diagnostic in of_all {
            rows.push(finding_row(
                ALL,
                ALL,
                &Finding::of(diagnostic),
                self.several,
            ));
        }
        let mut columns = vec![
            "stand", "severity", "code", "file", "line", "column", "message", "hint",
        ];
        if self.several {
            columns.insert(0, "design");
        }
        let mut out = Beside::create(&folder.join("findings.csv"))?;
        out.bytes(&csv::render(&Tidy { columns, rows }))?;
        out.finish()
    }

    /// The errors, as on a terminal, in the order of the parts.
    pub(super) fn errors(&self) -> impl Iterator<Item = String> {
        let of_cruises = self.of_cruises.iter().map(|of| &of.finding);
        let of_parts = self.parts.iter().flat_map(|part| &part.meta.findings);
        let errors = of_cruises.chain(of_parts).filter(|of| of.is_error());
        errors.map(Finding::line)
    }

    /// How many findings there are of a severity.
    pub(super) fn count(&self, severity: Severity) -> usize {
        let of_cruises = self.of_cruises.iter().map(|of| &of.finding);
        let of_parts = self.parts.iter().flat_map(|part| &part.meta.findings);
        let all = of_cruises.chain(of_parts);
        all.filter(|of| of.severity_word() == severity.to_string())
            .count()
    }
}

fn finding_row(design: &str, stand: &str, finding: &Finding, several: bool) -> Vec<Value> {
    let word = |text: &str| match text {
        "" => Value::Empty,
        text => Value::word(text),
    };
    let number = |number: usize| match number {
        0 => Value::Empty,
        number => Value::Count(number),
    };
    let mut row = vec![
        word(stand),
        Value::word(finding.severity_word()),
        Value::word(&finding.code),
        word(&finding.file_and_sheet()),
        number(finding.line_or_row()),
        number(finding.column),
        Value::word(&finding.message),
        word(&finding.hint),
    ];
    if several {
        row.insert(0, word(design));
    }
    row
}

/// A file name that a stand's report can have anywhere; names that had to be changed, or that may be
/// there in several designs or with other capitals, get a few signs of a hash.
fn report_name(stand: &str, design: Option<&str>, form: ReportForm) -> String {
    const LONGEST: usize = 80;
    const MOST_BYTES: usize = 160;
    // Devices, whatever ending they have.
    const DEVICES: [&str; 6] = ["con", "prn", "aux", "nul", "com", "lpt"];
    let ending = match form {
        ReportForm::Terminal => "txt",
        ReportForm::Markdown => "md",
        ReportForm::Html => "html",
    };
    let fits = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | '.' | ' ');
    let mut safe = String::new();
    for c in stand.chars().take(LONGEST) {
        let c = if fits(c) { c } else { '_' };
        if safe.len() + c.len_utf8() <= MOST_BYTES {
            safe.push(c);
        }
    }
    let safe = safe.trim_matches(['.', ' ']).to_owned();
    let stem = safe.split('.').next().unwrap_or_default().to_lowercase();
    let stem = stem.trim_end_matches(|c: char| c.is_numeric() || c == ' ');
    let is_device = DEVICES.contains(&stem);
    if design.is_none() && safe == stand && !safe.is_empty() && !is_device {
        return format!("{safe}.{ending}");
    }
    let hash = blake3::hash(format!("{}\n{stand}", design.unwrap_or_default()).as_bytes());
    let before = if is_device { "_" } else { "" };
    format!("{before}{safe}-{}.{ending}", &hash.to_hex()[..8])
}

/// The journals that parts lie in, opened once each.
#[derive(Default)]
struct Files {
    open: BTreeMap<Arc<PathBuf>, File>,
}

impl Files {
    fn open(&mut self, part: &Placed) -> Result<&mut File> {
        if !self.open.contains_key(&part.file) {
            let file = File::open(&*part.file)
                .with_context(|| format!("{}: cannot be read", part.file.display()))?;
            self.open.insert(Arc::clone(&part.file), file);
        }
        self.open
            .get_mut(&part.file)
            .with_context(|| format!("{}: cannot be read", part.file.display()))
    }

    /// Some bytes of a part.
    fn bytes(&mut self, part: &Placed, from: u64, length: u64) -> Result<Vec<u8>> {
        let shown = || format!("{}: cannot be read", part.file.display());
        let file = self.open(part)?;
        let mut bytes = vec![0; usize::try_from(length).with_context(shown)?];
        file.seek(SeekFrom::Start(part.at + from))
            .and_then(|_| file.read_exact(&mut bytes))
            .with_context(shown)?;
        Ok(bytes)
    }
}

/// Prints all stands together, as far as anything can be said of them.
pub(super) fn print(written: &Written) -> Result<()> {
    if written.report.sections.is_empty() {
        return Ok(());
    }
    write::standard_output(crate::render::terminal::render(&written.report, 80))
}
