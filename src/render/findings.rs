//! What a check found, as JSON: keys in a fixed order, `null` where there is none.

use serde::Serialize;

use crate::diagnostic::{Diagnostic, Problems, Severity, Site};

/// What was read of a stand.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StandCount {
    /// Its name.
    pub stand: String,
    /// Plots.
    pub n_plots: usize,
    /// Those on which nothing stands.
    pub n_plots_without_trees: usize,
    /// Rows of trees.
    pub n_tree_records: usize,
    /// Trees that were only counted.
    pub n_trees_counted: f64,
}

#[derive(Serialize)]
struct Document<'a> {
    title: Option<&'a str>,
    stands: &'a [StandCount],
    findings: Vec<Finding<'a>>,
    errors: usize,
    warnings: usize,
    notes: usize,
}

#[derive(Serialize)]
struct Finding<'a> {
    severity: String,
    code: &'a str,
    file: Option<&'a str>,
    line: Option<usize>,
    column: Option<usize>,
    sheet: Option<&'a str>,
    row: Option<usize>,
    field: Option<&'a str>,
    message: &'a str,
    hint: Option<&'a str>,
}

impl<'a> Finding<'a> {
    fn of(diagnostic: &'a Diagnostic) -> Self {
        let site = diagnostic.site.as_ref();
        let positive = |number: usize| (number > 0).then_some(number);
        let text = site.filter(|site| site.heads.is_none());
        let rows = site.filter(|site| site.heads.is_some());
        Finding {
            severity: diagnostic.severity.to_string(),
            code: diagnostic.code,
            file: site.map(|site| &*site.file),
            line: text.and_then(|site| positive(site.line)),
            column: text.and_then(|site| positive(site.column)),
            sheet: rows.and_then(Site::sheet),
            row: rows.and_then(|site| positive(site.line_or_row())),
            field: rows
                .and_then(|site| site.head())
                .filter(|head| !head.is_empty()),
            message: &diagnostic.message,
            hint: diagnostic.hint.as_deref(),
        }
    }
}

/// Draws the document. Without a title the cruise could not be read.
pub fn json(
    title: Option<&str>,
    stands: &[StandCount],
    problems: &Problems,
) -> anyhow::Result<String> {
    let document = Document {
        title,
        stands,
        findings: problems.iter().map(Finding::of).collect(),
        errors: problems.count(Severity::Error),
        warnings: problems.count(Severity::Warning),
        notes: problems.count(Severity::Note),
    };
    Ok(serde_json::to_string_pretty(&document)? + "\n")
}
