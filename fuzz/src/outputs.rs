//! Everything that is made of a compilation, and what must hold of it.

use spinney::compile::{Compilation, compile};
use spinney::diagnostic::Problems;
use spinney::explain::{estimate, tree};
use spinney::render::{csv, html, json, markdown, parquet, terminal, xlsx};
use spinney::tables::height_report::{Asked, Gathered, curve_rows, data};
use spinney::tables::tidy::{self, Tidy, Value};
use spinney::tables::{log_list, paired, report, trees, whole_error, workbook};

use crate::cruise::Made;
use spinney::commands::load::Cruise;

/// Compiles a cruise, prints it in every form, and looks at what was printed.
pub fn check(made: &Made, cruise: &Cruise, problems: &Problems) {
    let compiled = || compile(&cruise.design, &cruise.records, &cruise.knowledge);
    // Readers ask for an equation of every species.
    let Ok(one) = compiled() else {
        panic!("a species that the reader let pass has no equation");
    };
    let texts = texts(&one, problems);
    for (form, text) in &texts {
        finite(form, text);
    }
    conserved(made, &one);
    explained(&one);
    if made.thorough {
        tables(&one, problems);
        let other = compiled().ok();
        let again = other.map(|other| self::texts(&other, problems));
        assert!(
            again.is_some_and(|again| again == texts),
            "twice, and not the same"
        );
    }
}

/// Every form that is text.
fn texts(compilation: &Compilation<'_>, problems: &Problems) -> Vec<(&'static str, String)> {
    let design = compilation.design;
    let words = report::report(compilation, None);
    let estimates = tidy::estimates(design, compilation.records, &compilation.estimates.rows);
    let sources = whole_error::tidy(compilation);
    let list = trees::tree_list(compilation);
    let heights = Gathered::new(
        compilation,
        Asked {
            stand: None,
            species: None,
        },
    );
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("CSV is UTF-8");
    let mut texts = vec![
        ("csv", text(csv::render(&estimates))),
        ("csv", text(csv::render(&sources))),
        ("csv", text(csv::render(&list))),
        ("csv", text(csv::render(&curve_rows(&heights)))),
        ("csv", text(csv::render(&data(&heights)))),
        ("words", terminal::render(&words, 80)),
        ("words", terminal::render(&words, 40)),
        ("words", markdown::render(&words)),
        ("words", terminal::render(&heights.report(80), 80)),
        (
            "html",
            html::render(&report::illustrated(compilation, None, problems)),
        ),
    ];
    if compilation.knowledge.logs.is_some() {
        texts.push(("csv", text(csv::render(&log_list::log_list(compilation)))));
    }
    let head = json::Head {
        title: &design.title,
        units: design.units.name(),
        confidence: design.confidence,
    };
    let mut tables = vec![("estimates", estimates), ("sources_of_error", sources)];
    if design.sampling.combine.is_some() {
        tables.push(("combined", paired::tidy(compilation)));
    }
    texts.push((
        "json",
        json::render(&head, &tables).expect("a result is JSON"),
    ));
    texts
}

/// Forms of rows that are no text.
fn tables(compilation: &Compilation<'_>, problems: &Problems) {
    xlsx::render(&workbook::workbook(compilation, problems)).expect("a result is a workbook");
    let list = csv::render(&trees::tree_list(compilation));
    parquet::from_csv(&list[..], std::io::sink()).expect("a list is Parquet");
}

/// No number is printed that is none.
fn finite(form: &str, text: &str) {
    // Most texts have nothing like it.
    if !["NaN", "nan", "inf"].iter().any(|word| text.contains(word)) {
        return;
    }
    let is_none = |word: &&str| matches!(*word, "NaN" | "nan" | "inf" | "-inf" | "infinity");
    let found = match form {
        "csv" => text.split([',', '\n']).find(is_none),
        _ => text
            .split(|c: char| !c.is_alphanumeric() && c != '-')
            .find(is_none),
    };
    assert!(found.is_none(), "{found:?} in {form}:\n{text}");
}

/// No tree is lost: every row of the file is in the list, and the list adds up to the estimates.
fn conserved(made: &Made, compilation: &Compilation<'_>) {
    let list = trees::tree_list(compilation);
    assert_eq!(list.rows.len(), made.tree_rows, "rows of the tree list");
    let records = compilation.records;
    let recorded: usize = records
        .stands
        .iter()
        .map(|stand| stand.trees().count())
        .sum();
    assert_eq!(recorded, made.tree_rows, "trees of the records");
    let values: usize = compilation
        .stands
        .iter()
        .map(|stand| stand.values.len())
        .sum();
    assert_eq!(values, made.tree_rows, "values of trees");
    let column = |name: &str| column(&list, name);
    let (flags, stands_for) = (column("flags"), 14);
    for row in &list.rows {
        let Value::Number(stands_for) = row[stands_for] else {
            continue;
        };
        assert!(stands_for >= 0.0);
        // What stands for nothing says why.
        if stands_for == 0.0 {
            assert!(!matches!(&row[flags], Value::Empty), "{row:?}");
        }
    }
}

fn column<Name: AsRef<str>>(table: &Tidy<Name>, name: &str) -> usize {
    let mut columns = table.columns.iter();
    columns
        .position(|column| column.as_ref() == name)
        .expect("a column of the list")
}

/// The derivation of the first tree of each stand, and of its trees per hectare.
fn explained(compilation: &Compilation<'_>) {
    for stand in &compilation.records.stands {
        if let Some((plot, visit, of)) = stand.trees().next() {
            let selection = &compilation.design.selections[visit.selection].name;
            let asked = tree::Asked {
                stand: Some(&stand.name),
                plot: &plot.name,
                selection: Some(selection),
                tree: &of.number,
            };
            if let Ok(derivation) = tree::explain(compilation, &asked) {
                finite("words", &terminal::render(&derivation, 80));
            }
        }
        for attribute in [
            "trees",
            "volume_total",
            "quadratic_mean_dbh",
            "lorey_height",
        ] {
            let asked = estimate::Asked {
                attribute,
                stand: Some(&stand.name),
                stratum: None,
                selection: None,
                status: None,
                species: None,
                dbh_from: None,
            };
            if let Ok(derivation) = estimate::explain(compilation, &asked) {
                finite("words", &terminal::render(&derivation, 80));
            }
        }
    }
}
