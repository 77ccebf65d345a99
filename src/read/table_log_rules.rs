//! A folder `log-rules/<rule>/` to a log rule: `set.yaml`, `checks.csv`, and for the forms that need
//! one a table of figures, `factors.csv` or `coefficients.csv`.
//!
//! In: the texts. Out: the rule, or every problem with its place.

use std::path::Path;

use crate::design::CubicRule;
use crate::diagnostic::{Diagnostic, Problems};
use crate::logs::form_class::FormClassTable;
use crate::logs::rules::{BoardFootForm, FactorTable, LogRule, LogUnit, RuleKind};
use crate::read::csv::{Column, Table};
use crate::read::source::Source;
use crate::read::table_head::{Keys, known_hint};
use crate::read::table_log_checks;
use crate::read::yaml::{self, Node};
use crate::species::set::Obtained;

const HEAD_KEYS: &[&str] = &[
    "title",
    "citation",
    "obtained",
    "obtained_note",
    "form",
    "coefficients",
    "length_bands_ft",
    "factors_from",
    "units",
    "rounding_bf",
    "error",
    "notes",
];

/// The forms, by their names in the data, with the coefficients of their heads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum FormName {
    SlabSquare,
    Quadratic,
    Sections,
    Factors,
    FormClass,
    Cubic(CubicRule),
}

const FORMS: &[(&str, FormName)] = &[
    ("slab-square", FormName::SlabSquare),
    ("quadratic", FormName::Quadratic),
    ("sections", FormName::Sections),
    ("factors", FormName::Factors),
    ("form-class", FormName::FormClass),
    ("smalian", FormName::Cubic(CubicRule::Smalian)),
    ("huber", FormName::Cubic(CubicRule::Huber)),
    ("newton", FormName::Cubic(CubicRule::Newton)),
];

impl FormName {
    fn coefficients(self) -> &'static [&'static str] {
        match self {
            FormName::SlabSquare => &["slab", "divisor"],
            FormName::Quadratic => &["a", "b", "c", "per_length_ft"],
            FormName::Sections => &["a", "b", "kerf", "section_ft", "taper_in"],
            FormName::FormClass => &["base", "per_class"],
            FormName::Factors | FormName::Cubic(_) => &[],
        }
    }

    /// Units of diameter, length and result in which the form works.
    fn units(self) -> [&'static str; 3] {
        match self {
            FormName::Cubic(_) => ["cm", "m", "m3"],
            _ => ["in", "ft", "board feet"],
        }
    }
}

/// Reads a rule; its name is that of the folder in which the head lies. `part` gives a file by its
/// path below `log-rules/`.
pub(super) fn read(
    head: &Source,
    part: &dyn Fn(&str) -> Option<Source>,
) -> Result<LogRule, Problems> {
    let mut problems = Problems::new();
    let node = yaml::parse(head)?;
    let rule = read_head(head, &node, part, &mut problems);
    match rule {
        Some(rule) if !problems.has_errors() => Ok(rule),
        _ => Err(problems.sorted()),
    }
}

fn read_head(
    source: &Source,
    node: &Node,
    part: &dyn Fn(&str) -> Option<Source>,
    problems: &mut Problems,
) -> Option<LogRule> {
    let what = "the head of a log rule";
    let keys = Keys::open(source, what, node, Vec::new(), HEAD_KEYS, problems)?;
    for key in ["obtained", "form", "units"] {
        keys.need(key, problems);
    }
    let name = folder_of(source);
    let title = keys.need_text("title", problems);
    let citation = keys.need_text("citation", problems);
    let obtained = keys.choice("obtained", Obtained::NAMES, problems);
    let obtained_note = keys.text("obtained_note", problems);
    let form = keys.choice("form", FORMS, problems);
    let round_to_bf = keys
        .get("rounding_bf")
        .and_then(|_| positive("rounding_bf", source, &keys, problems));
    let error = keys.text("error", problems);
    let notes = keys.texts("notes", problems);
    let form = form?;
    check_units(&keys, form, problems);
    let kind = read_kind(source, &keys, form, &name, part, problems);
    let checks = match part(&format!("{name}/checks.csv")) {
        Some(checks) => table_log_checks::read(&checks, problems),
        None => Vec::new(),
    };
    let kind = kind?;
    let unit_of_result = match kind {
        RuleKind::Cubic(_) => [LogUnit::CubicMetres, LogUnit::CubicFeet],
        _ => [LogUnit::BoardFeet; 2],
    };
    for check in checks.iter().filter(|c| !unit_of_result.contains(&c.unit)) {
        problems.push(
            Diagnostic::error(
                "unknown-unit",
                format!(
                    "line {} of the checks: the rule does not give {}",
                    check.line,
                    check.unit.words()
                ),
            )
            .at(source.whole())
            .hint(format!("write {}", unit_of_result[0].words())),
        );
    }
    Some(LogRule {
        name,
        title,
        citation,
        obtained: obtained?,
        obtained_note,
        kind,
        round_to_bf,
        error,
        notes: notes.into_iter().map(|(note, _)| note).collect(),
        checks,
    })
}

fn folder_of(source: &Source) -> String {
    let folder = Path::new(source.name()).parent().and_then(Path::file_name);
    folder.map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}

fn positive(key: &str, source: &Source, keys: &Keys, problems: &mut Problems) -> Option<f64> {
    let number = keys.number(key, problems)?;
    if number > 0.0 {
        return Some(number);
    }
    problems.push(
        Diagnostic::error(
            "out-of-range",
            format!("`{key}` must be positive (`{number}`)"),
        )
        .at(keys.get(key)?.site(source))
        .hint("correct it by the publication"),
    );
    None
}

fn check_units(keys: &Keys, form: FormName, problems: &mut Problems) {
    const KEYS: &[&str] = &["diameter", "length", "result"];
    let Some(units) = keys.map("units", "`units`", KEYS, problems) else {
        return;
    };
    for (key, unit) in KEYS.iter().zip(form.units()) {
        units.need(key, problems);
        units.choice(key, &[(unit, ())], problems);
    }
}

fn read_kind(
    source: &Source,
    keys: &Keys,
    form: FormName,
    name: &str,
    part: &dyn Fn(&str) -> Option<Source>,
    problems: &mut Problems,
) -> Option<RuleKind> {
    let wanted = form.coefficients();
    if let (true, Some(value)) = (wanted.is_empty(), keys.get("coefficients")) {
        problems.push(
            Diagnostic::error("unknown-key", "this form has no coefficients")
                .at(value.site(source))
                .hint("remove the key"),
        );
    }
    let mut figures = Vec::new();
    if !wanted.is_empty() {
        keys.need("coefficients", problems);
        let map = keys.map("coefficients", "`coefficients`", wanted, problems)?;
        for key in wanted {
            map.need(key, problems);
            figures.push(map.number(key, problems));
        }
        // A form divides by these.
        for key in ["divisor", "per_length_ft", "section_ft"] {
            if map.get(key).is_some() {
                positive(key, source, &map, problems)?;
            }
        }
    }
    let figures: Vec<f64> = figures.into_iter().collect::<Option<_>>()?;
    let missing = |file: &str, problems: &mut Problems| {
        let message = format!("`{file}` of this log rule is missing");
        problems.push(
            Diagnostic::error("species-tables", message)
                .at(source.whole())
                .hint("add the file to the folder of the rule"),
        );
    };
    let form = match (form, &figures[..]) {
        (FormName::Cubic(rule), _) => return Some(RuleKind::Cubic(rule)),
        (FormName::SlabSquare, &[slab, divisor]) => BoardFootForm::SlabSquare { slab, divisor },
        (FormName::Quadratic, &[a, b, c, per_length_ft]) => BoardFootForm::Quadratic {
            a,
            b,
            c,
            per_length_ft,
        },
        (FormName::Sections, &[a, b, kerf, section_ft, taper_in]) => BoardFootForm::Sections {
            a,
            b,
            kerf,
            section_ft,
            taper_in,
        },
        (FormName::Factors, _) => {
            let bands_ft = read_bands(source, keys, problems)?;
            let lender = keys.text("factors_from", problems);
            let file = format!("{}/factors.csv", lender.as_deref().unwrap_or(name));
            let Some(factors) = part(&file) else {
                missing(&file, problems);
                return None;
            };
            BoardFootForm::Factors(read_factors(&factors, bands_ft, problems)?)
        }
        (FormName::FormClass, &[base, per_class]) => {
            let file = format!("{name}/coefficients.csv");
            let Some(rules) = part(&file) else {
                missing(&file, problems);
                return None;
            };
            return Some(RuleKind::FormClass(FormClassTable {
                base,
                per_class,
                rules: read_form_class(&rules, problems),
            }));
        }
        _ => return None,
    };
    Some(RuleKind::BoardFeet(form))
}

/// `[[1, 15], [16, 31]]`: rising, without overlap.
fn read_bands(source: &Source, keys: &Keys, problems: &mut Problems) -> Option<Vec<[f64; 2]>> {
    let value = keys.need("length_bands_ft", problems)?;
    let band = |node: &Node| match node {
        Node::List(ends) => match ends[..] {
            [Node::Number(from), Node::Number(to)] if 0.0 < from && from < to => Some([from, to]),
            _ => None,
        },
        _ => None,
    };
    let bands: Option<Vec<[f64; 2]>> = match value.node {
        Node::List(items) => items.iter().map(band).collect(),
        _ => None,
    };
    let bands = bands
        .filter(|bands| !bands.is_empty() && bands.windows(2).all(|pair| pair[0][1] < pair[1][0]));
    if bands.is_none() {
        problems.push(
            Diagnostic::error(
                "wrong-kind",
                "`length_bands_ft` must be bands of length that rise",
            )
            .at(value.site(source))
            .hint("write them as [[1, 15], [16, 31]], first and last whole foot of each"),
        );
    }
    bands
}

/// The column of a band of lengths: `factor_1_to_15_ft`.
fn band_head([from, to]: [f64; 2]) -> String {
    format!("factor_{from}_to_{to}_ft")
}

fn read_factors(
    source: &Source,
    bands_ft: Vec<[f64; 2]>,
    problems: &mut Problems,
) -> Option<FactorTable> {
    let mut table = Table::open(source, &[], problems)?;
    let heads: Vec<String> = bands_ft.iter().copied().map(band_head).collect();
    let mut known = vec!["dib_in"];
    known.extend(heads.iter().map(String::as_str));
    check_columns(&table, &known, problems);
    let needed = |name: &str, problems: &mut Problems| {
        let column = table.column(name);
        if column.is_none() {
            let message = format!("there is no column `{name}`");
            problems.push(
                Diagnostic::error("column-missing", message)
                    .at(source.whole())
                    .hint("add the column"),
            );
        }
        column
    };
    let dib = needed("dib_in", problems);
    let columns: Vec<Option<Column>> = heads.iter().map(|name| needed(name, problems)).collect();
    let (dib, columns) = (dib?, columns.into_iter().collect::<Option<Vec<Column>>>()?);
    let mut first_dib_in = None;
    let mut factors: Vec<Vec<f64>> = Vec::new();
    while let Some(row) = table.next_row(problems) {
        let number = |column: Column, problems: &mut Problems| {
            let value = table.number(&row, Some(column), problems);
            if row.text(Some(column)).is_none() {
                let message = format!("`{}` is blank", table.heads()[column.index]);
                problems.push(
                    Diagnostic::error("no-value", message)
                        .at(table.site(&row, column))
                        .hint("fill it in"),
                );
            }
            value
        };
        let inches = number(dib, problems);
        let figures: Vec<Option<f64>> = columns.iter().map(|c| number(*c, problems)).collect();
        let (Some(inches), Some(figures)) =
            (inches, figures.into_iter().collect::<Option<Vec<f64>>>())
        else {
            continue;
        };
        let first = *first_dib_in.get_or_insert(inches);
        let expected = first + factors.len() as f64;
        if inches.fract() != 0.0 || inches < 0.0 || (inches - expected).abs() > 0.5 {
            problems.push(
                Diagnostic::error(
                    "factor-rows",
                    format!("the rows must go up inch by inch (`{inches}`)"),
                )
                .at(table.site(&row, dib))
                .hint(format!("this row would be {expected}")),
            );
        }
        if figures.iter().any(|factor| *factor < 0.0) {
            problems.push(
                Diagnostic::error("out-of-range", "a factor cannot be negative")
                    .at(table.row_site(&row))
                    .hint("correct it by the publication"),
            );
        }
        factors.push(figures);
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "whole and not negative, checked above; the cast saturates"
    )]
    let first_dib_in = first_dib_in? as usize;
    Some(FactorTable {
        bands_ft,
        first_dib_in,
        factors,
    })
}

fn read_form_class(source: &Source, problems: &mut Problems) -> Vec<(String, [[f64; 3]; 3])> {
    const TERMS: [&str; 3] = ["a", "b", "c"];
    let Some(mut table) = Table::open(source, &[], problems) else {
        return Vec::new();
    };
    check_columns(&table, &["rule", "term", "k0", "k1", "k2"], problems);
    let mut rules: Vec<(String, [Option<[f64; 3]>; 3])> = Vec::new();
    while let Some(row) = table.next_row(problems) {
        let term = row
            .text(table.column("term"))
            .and_then(|term| TERMS.iter().position(|known| *known == term));
        let figures = ["k0", "k1", "k2"].map(|k| table.number(&row, table.column(k), problems));
        let (Some(rule), Some(term), [Some(k0), Some(k1), Some(k2)]) =
            (row.text(table.column("rule")), term, figures)
        else {
            problems.push(
                Diagnostic::error("row-incomplete", "this row is not complete")
                    .at(table.row_site(&row))
                    .hint("it needs `rule`, `term` (a, b or c), `k0`, `k1`, `k2`"),
            );
            continue;
        };
        let at = rules.iter().position(|(name, _)| name == rule);
        let at = at.unwrap_or_else(|| {
            rules.push((rule.to_owned(), [None; 3]));
            rules.len() - 1
        });
        rules[at].1[term] = Some([k0, k1, k2]);
    }
    let mut complete = Vec::with_capacity(rules.len());
    for (name, terms) in rules {
        if let [Some(a), Some(b), Some(c)] = terms {
            complete.push((name, [a, b, c]));
        } else {
            let message = format!("rule `{name}` lacks one of the terms a, b, c");
            problems.push(
                Diagnostic::error("row-missing", message)
                    .at(source.whole())
                    .hint("add its row"),
            );
        }
    }
    complete
}

/// Reports columns that are not known.
pub(super) fn check_columns(table: &Table, known: &[&str], problems: &mut Problems) {
    for (index, head) in table.heads().iter().enumerate() {
        if !known.contains(&head.as_str()) {
            problems.push(
                Diagnostic::error("unknown-column", format!("there is no column `{head}`"))
                    .at(table.head_site(index))
                    .hint(known_hint(head, known)),
            );
        }
    }
}
