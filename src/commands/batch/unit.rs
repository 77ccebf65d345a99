//! One unit of work: from the texts of a stand to its part of the results.

use super::cruise::{OpenCruise, add};
use super::part::{CruiseHead, Finding, Part, PartMeta, Runs};
use crate::cli::ReportForm;
use crate::commands::compile::warn_of_missing_heights;
use crate::compile::{Compilation, compile_apart};
use crate::diagnostic::{Diagnostic, Problems, Severity};
use crate::estimates::{EstimateRow, StandGroups};
use crate::read::RecordFiles;
use crate::records::Records;
use crate::render::{csv, html, markdown, terminal};
use crate::tables::frame::Frame;
use crate::tables::tidy::{Tidy, Value};
use crate::tables::{report, stands_summary, trees};

/// What is wanted of each unit, besides estimates.
#[derive(Clone, Copy, Debug)]
pub(super) struct Wanted {
    pub(super) tree_list: bool,
    pub(super) reports: Option<ReportForm>,
    /// Are there several designs, so that rows say of which they are?
    pub(super) several: bool,
}

/// Width of the reports of stands.
const REPORT_WIDTH: usize = 80;

/// A unit whose texts were read.
pub(super) struct Read {
    files: Result<RecordFiles, Problems>,
    /// Content hash.
    pub(super) key: [u8; 32],
    /// Where the lines of its texts come from.
    pub(super) lines: Vec<(String, Runs)>,
}

/// Reads the texts of a unit.
pub(super) fn read(cruise: &OpenCruise, unit: Option<usize>) -> Read {
    let files = cruise.texts(unit);
    let mut hash = cruise.hash.clone();
    add(&mut hash, cruise.stand(unit).unwrap_or_default().as_bytes());
    let mut lines = Vec::new();
    match &files {
        Ok(files) => {
            for file in [&files.stands, &files.plots, &files.trees, &files.counts] {
                add(&mut hash, &[u8::from(file.is_some())]);
                if let Some(source) = file {
                    let name = source.whole().file_and_sheet();
                    add(&mut hash, name.as_bytes());
                    add(&mut hash, source.text().as_bytes());
                    lines.push((name, source.runs()));
                }
            }
        }
        Err(problems) => add(&mut hash, format!("{problems:?}").as_bytes()),
    }
    Read {
        files,
        key: *hash.finalize().as_bytes(),
        lines,
    }
}

/// Compiles a unit.
pub(super) fn compile(
    cruise: &OpenCruise,
    unit: Option<usize>,
    read: Read,
    wanted: Wanted,
) -> (CruiseHead, Part) {
    let stand = cruise.stand(unit).map(str::to_owned);
    let mut part = Part {
        meta: PartMeta {
            key: read.key,
            stand,
            lines: read.lines,
            holds_lines: wanted.tree_list,
            ..PartMeta::default()
        },
        bytes: Vec::new(),
    };
    let mut problems = Problems::new();
    let records = match read.files {
        Ok(files) => {
            let (records, found) = cruise.prepared.records(&files, cruise.common.as_ref());
            problems.append(found.folded());
            records
        }
        Err(found) => {
            problems.append(found);
            None
        }
    };
    let mut head = None;
    if let Some(records) = &records {
        match compile_apart(
            cruise.prepared.design(),
            records,
            &cruise.prepared.variants[0].knowledge,
        ) {
            Ok((compilation, groups)) => {
                warn_of_missing_heights(&compilation, &mut problems);
                for note in &compilation.estimates.notes {
                    problems.push(note.clone());
                }
                head = Some(fill(
                    &mut part,
                    cruise,
                    &compilation,
                    &groups,
                    wanted,
                    &problems,
                ));
            }
            Err(missing) => {
                problems.push(Diagnostic::error("no-equation", missing.message).hint(missing.hint));
            }
        }
    }
    part.meta.failed = head.is_none();
    if part.meta.failed {
        let names = part.meta.stand.clone();
        let name = names.unwrap_or_else(|| cruise.prepared.design().title.clone());
        let row = stands_summary::failed(&name);
        part.meta.summary = lines(vec![row], first(cruise, wanted));
    }
    // What was said of the files as a whole is not said again of each stand.
    let of_files = &cruise.problems;
    let own = problems.iter().filter(|own| {
        !of_files
            .iter()
            .any(|said| said.code == own.code && said.site == own.site && said == *own)
    });
    part.meta.findings = own.map(Finding::of).collect();
    let species = records.as_ref().map_or(&[][..], |records| &records.species);
    let head = cruise.head(species, head.flatten());
    part.meta.head = head.id();
    (head, part)
}

/// Text of the leading column, where rows say of which design they are.
fn first(cruise: &OpenCruise, wanted: Wanted) -> Option<&str> {
    wanted.several.then_some(cruise.shown.as_str())
}

/// Fills a part from what was compiled; gives the head of its tree list.
fn fill(
    part: &mut Part,
    cruise: &OpenCruise,
    compilation: &Compilation<'_>,
    groups: &[StandGroups],
    wanted: Wanted,
    problems: &Problems,
) -> Option<String> {
    let warnings = problems.count(Severity::Warning);
    let (records, rows) = (compilation.records, &compilation.estimates.rows);
    let frame = Frame::of(compilation.design, records);
    let first = first(cruise, wanted);
    part.meta.stands = records
        .stands
        .iter()
        .map(|stand| stand.name.clone())
        .collect();
    csv::estimate_rows(&mut part.bytes, &frame, rows, first);
    part.meta.lengths[0] = part.bytes.len() as u64;
    let mut tree_head = None;
    if wanted.tree_list {
        let list = trees::tree_list(compilation);
        let text = with_first(list, first);
        let (head, body) = text.split_once('\n').unwrap_or((&text, ""));
        tree_head = Some(head.to_owned());
        part.bytes.extend(body.as_bytes());
    }
    part.meta.lengths[1] = part.bytes.len() as u64 - part.meta.lengths[0];
    for groups in groups {
        groups.store(&mut part.bytes);
    }
    let before: u64 = part.meta.lengths.iter().sum();
    part.meta.lengths[2] = part.bytes.len() as u64 - before;
    let mut summary = Vec::new();
    // Rows come stand by stand.
    let mut rest = &rows[..];
    for (at, stand) in records.stands.iter().enumerate() {
        let is_here = |row: &&EstimateRow| row.stand.as_deref() == Some(&stand.name);
        let (here, others) = rest.split_at(rest.iter().take_while(is_here).count());
        rest = others;
        let of_stand: Vec<&EstimateRow> = here.iter().collect();
        let n_trees = |selection| Some(trees_of(records, at, selection));
        // Warnings of a cruise that is read as one are not told apart by stand.
        let warnings = (records.stands.len() == 1).then_some(warnings);
        summary.extend(stands_summary::rows(
            &frame,
            &stand.name,
            &of_stand,
            n_trees,
            warnings,
        ));
        if let Some(form) = wanted.reports {
            let text = report_of(compilation, &stand.name, problems, form);
            part.meta
                .reports
                .push((stand.name.clone(), text.len() as u64));
            part.bytes.extend(text.as_bytes());
        }
    }
    part.meta.summary = lines(summary, first);
    tree_head
}

/// The report of one stand.
fn report_of(
    compilation: &Compilation<'_>,
    stand: &str,
    problems: &Problems,
    form: ReportForm,
) -> String {
    let words = || report::report(compilation, Some(stand));
    match form {
        ReportForm::Terminal => terminal::render(&words(), REPORT_WIDTH),
        ReportForm::Markdown => markdown::render(&words()),
        ReportForm::Html => html::render(&report::illustrated(compilation, Some(stand), problems)),
    }
}

/// Trees with records of their own.
fn trees_of(records: &Records, stand: usize, selection: usize) -> usize {
    let plots = &records.stands[stand].plots;
    let visits = plots.iter().flat_map(|plot| &plot.visits);
    let visits = visits.filter(|visit| visit.selection == selection);
    visits.map(|visit| visit.trees.len()).sum()
}

/// Rows as CSV lines, after a leading field.
pub(super) fn lines(rows: Vec<Vec<Value>>, first: Option<&str>) -> String {
    let n_columns = rows.first().map_or(0, Vec::len);
    let table = Tidy {
        columns: vec![""; n_columns],
        rows,
    };
    let text = with_first(table, first);
    let body = text.split_once('\n').map(|(_, body)| body.to_owned());
    body.unwrap_or_default()
}

/// A table as CSV, with a leading column `design` where rows say of which they are.
pub(super) fn with_first(table: Tidy<&str>, first: Option<&str>) -> String {
    let mut table = table;
    if let Some(first) = first {
        table.columns.insert(0, "design");
        for row in &mut table.rows {
            row.insert(0, Value::word(first));
        }
    }
    String::from_utf8_lossy(&csv::render(&table)).into_owned()
}
