//! Files read and compiled in memory; the results as the table of estimates has them, and as every
//! format draws them.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::LazyLock;

use spinney::compile::{Compilation, Knowledge, compile};
use spinney::design::Design;
use spinney::diagnostic::Problems;
use spinney::heights::curve::Form;
use spinney::heights::regional::RegionalSet;
use spinney::read::design::{Known, read_design};
use spinney::read::height_curves::regional_set;
use spinney::read::records::read_records;
use spinney::read::source::Source;
use spinney::read::tables::Tables;
use spinney::read::{RecordFiles, xlsx};
use spinney::records::Records;
use spinney::render::{csv, html, json, markdown, parquet, terminal};
use spinney::species::SpeciesTable;
use spinney::species::biomass::BiomassSet;
use spinney::species::set::VolumeSet;
use spinney::tables::tidy::{Tidy, Value, estimates};
use spinney::tables::{report, trees, whole_error, workbook};

use super::paper::{Cruise, Files};
use crate::reading::lines;

static SPECIES: LazyLock<SpeciesTable> = LazyLock::new(|| sound(Tables::builtin().species()));
static VOLUME: LazyLock<VolumeSet> =
    LazyLock::new(|| sound(Tables::builtin().volume_set("ca-bc-volume-2016", &SPECIES)));
static BIOMASS: LazyLock<BiomassSet> =
    LazyLock::new(|| sound(Tables::builtin().biomass_set("ca-national-2005-height", &SPECIES)));
static REGIONAL: LazyLock<RegionalSet> = LazyLock::new(|| {
    let file = |part: &str| {
        Tables::builtin().source(&format!("height-curves/us-coastal-northwest-1999/{part}"))
    };
    let (head, rows) = (file("set.yaml").unwrap(), file("coefficients.csv").unwrap());
    sound(regional_set(&head, &rows, &SPECIES))
});

fn sound<T>(read: Result<T, Problems>) -> T {
    read.unwrap_or_else(|problems| panic!("{:#?}", lines(&problems)))
}

/// What was read: all that a compilation rests on.
pub(crate) struct Read {
    pub(crate) design: Design,
    pub(crate) records: Records,
    pub(crate) knowledge: Knowledge,
}

/// A place, a domain and an attribute: the words of the table of estimates, up to the unit.
pub(crate) type Key = Vec<String>;

/// The figures of a row.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Row {
    pub(crate) mean: f64,
    pub(crate) std_error: Option<f64>,
    pub(crate) lower: Option<f64>,
    pub(crate) upper: Option<f64>,
    pub(crate) error_pct: Option<f64>,
    pub(crate) df: Option<f64>,
    pub(crate) n_plots: usize,
    pub(crate) total: Option<f64>,
    pub(crate) total_std_error: Option<f64>,
}

pub(crate) type Rows = BTreeMap<Key, Row>;

/// Columns of a key.
pub(crate) const STAND: usize = 0;
pub(crate) const STRATUM: usize = 1;
pub(crate) const SELECTION: usize = 2;
pub(crate) const STATUS: usize = 3;
pub(crate) const KIND: usize = 4;
pub(crate) const CLASS: usize = 5;
pub(crate) const ATTRIBUTE: usize = 7;

/// Is the attribute of a row a sum over trees?
pub(crate) fn is_additive(key: &Key) -> bool {
    let sums = [
        "trees",
        "basal_area",
        "stand_density_index_summed",
        "carbon",
        "co2_equivalent",
    ];
    let of = &key[ATTRIBUTE];
    sums.contains(&of.as_str()) || of.starts_with("volume") || of.starts_with("biomass")
}

/// Does the attribute rest on nothing but dbh?
pub(crate) fn rests_on_dbh(key: &Key) -> bool {
    let of = [
        "trees",
        "basal_area",
        "stand_density_index_summed",
        "stand_density_index",
        "quadratic_mean_dbh",
        "relative_density",
    ];
    of.contains(&key[ATTRIBUTE].as_str())
}

/// Reads texts; they must be sound.
pub(crate) fn read_texts(design: &str, files: RecordFiles) -> Read {
    let (read, problems) = try_texts(design, files);
    read.unwrap_or_else(|| panic!("{design}\n{:#?}", lines(&problems)))
}

/// Reads texts; what was found comes with them.
pub(crate) fn try_texts(design: &str, files: RecordFiles) -> (Option<Read>, Problems) {
    let source = Source::new("design.yaml", design.to_owned());
    let volume_sets = ["ca-bc-volume-2016".to_owned()];
    let biomass_sets = ["ca-national-2005-height".to_owned()];
    let known = Known {
        curve_forms: &Form::NAMES,
        volume_sets: &volume_sets,
        biomass_sets: &biomass_sets,
        bark_sets: &[],
        height_sets: &["us-coastal-northwest-1999".to_owned()],
        log_rules: &[],
    };
    let (read, mut problems) = read_design(&source, Path::new(""), &known);
    let Some(design) = read else {
        return (None, problems);
    };
    let files = RecordFiles {
        design: Some(source),
        ..files
    };
    let (records, found) = read_records(&design, &files, &SPECIES, None, &mut |_| Ok(()));
    problems.append(found);
    let knowledge = Knowledge {
        species: SPECIES.clone(),
        volume: design.volume.is_some().then(|| VOLUME.clone()),
        biomass: design.biomass.iter().map(|_| BIOMASS.clone()).collect(),
        regional: (design.heights.regional.is_some()).then(|| REGIONAL.clone()),
        logs: None,
    };
    let read = records.map(|records| Read {
        design,
        records,
        knowledge,
    });
    (read, problems)
}

/// The sources that a function makes of the sheets.
pub(super) fn sources(
    files: &Files,
    source: impl Fn(&super::paper::Sheet) -> Source,
) -> RecordFiles {
    let of = |name: &str| {
        let sheet = files.sheets.iter().find(|sheet| sheet.name == name);
        sheet.map(&source)
    };
    RecordFiles {
        design: None,
        stands: of("stands"),
        plots: of("plots"),
        trees: of("trees"),
        counts: of("counts"),
    }
}

impl Files {
    /// Reads the files as CSV.
    pub(crate) fn read(&self) -> Read {
        let csv =
            |sheet: &super::paper::Sheet| Source::new(&format!("{}.csv", sheet.name), sheet.csv());
        read_texts(&self.design, sources(self, csv))
    }
}

impl Cruise {
    pub(crate) fn read(&self) -> Read {
        self.files().read()
    }

    pub(crate) fn rows(&self) -> Rows {
        self.read().rows()
    }
}

impl Read {
    pub(crate) fn compile(&self) -> Compilation<'_> {
        compile(&self.design, &self.records, &self.knowledge)
            .unwrap_or_else(|missing| panic!("{}", missing.message))
    }

    /// The table of estimates.
    pub(crate) fn rows(&self) -> Rows {
        rows(&self.compile())
    }

    /// The list of trees, without the numbers of lines.
    pub(crate) fn trees(&self) -> Vec<Vec<Value>> {
        without_lines(trees::tree_list(&self.compile())).rows
    }

    /// The trees of the list with named columns.
    pub(crate) fn tree_rows(&self) -> Vec<BTreeMap<&'static str, Value>> {
        let Tidy { columns, rows } = trees::tree_list(&self.compile());
        let named = |row: Vec<Value>| columns.iter().copied().zip(row).collect();
        rows.into_iter().map(named).collect()
    }

    /// The slow formats: estimates as Parquet, and those of the workbook.
    pub(super) fn slow_formats(&self) -> (Vec<u8>, String) {
        let compilation = self.compile();
        let rows = estimates(&self.design, &self.records, &compilation.estimates.rows);
        let mut in_columns = Vec::new();
        parquet::from_csv(&csv::render(&rows)[..], &mut in_columns).unwrap();
        let sheets = workbook::workbook(&compilation, &Problems::new());
        let book = spinney::render::xlsx::render(&sheets).unwrap();
        (in_columns, sheet(&book, "Estimates"))
    }

    /// What every other format draws, each under its name; without numbers of lines.
    pub(crate) fn formats(&self) -> Vec<(&'static str, String)> {
        let compilation = self.compile();
        let design = &self.design;
        let none = Problems::new();
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        let head = json::Head {
            title: &design.title,
            units: design.units.name(),
            confidence: design.confidence,
        };
        let rows = estimates(design, &self.records, &compilation.estimates.rows);
        let of_rows = csv::render(&rows);
        let sources = whole_error::tidy(&compilation);
        let of_sources = text(csv::render(&sources));
        let plain = report::report(&compilation, None);
        let drawn = report::illustrated(&compilation, None, &none);
        vec![
            ("csv", text(of_rows)),
            (
                "json",
                json::render(&head, &[("estimates", rows), ("sources", sources)]).unwrap(),
            ),
            ("sources of error", of_sources),
            (
                "trees",
                text(csv::render(&without_lines(trees::tree_list(&compilation)))),
            ),
            ("terminal", terminal::render(&plain, 80)),
            ("markdown", markdown::render(&plain)),
            ("html", html::render(&drawn)),
        ]
    }
}

/// A sheet of a workbook as CSV.
fn sheet(book: &[u8], name: &str) -> String {
    use std::io::Write as _;
    let mut file = tempfile::tempfile().unwrap();
    file.write_all(book).unwrap();
    let mut text = Vec::new();
    let wanted = xlsx::Wanted {
        sheet: Some(name),
        ..xlsx::Wanted::default()
    };
    let read = xlsx::to_csv(file, "t.xlsx", wanted, &mut text);
    assert!(read.is_ok(), "sheet {name}");
    String::from_utf8(text).unwrap()
}

fn without_lines(mut list: Tidy) -> Tidy {
    let line = list
        .columns
        .iter()
        .position(|column| *column == "line")
        .unwrap();
    list.columns.remove(line);
    for row in &mut list.rows {
        row.remove(line);
    }
    list
}

/// The table of estimates of a compilation.
pub(crate) fn rows(compilation: &Compilation<'_>) -> Rows {
    let all = estimates(
        compilation.design,
        compilation.records,
        &compilation.estimates.rows,
    )
    .rows;
    let of = |row: Vec<Value>| {
        let (key, figures) = row.split_at(9);
        let word = |value: &Value| match value {
            Value::Word(word) => word.clone(),
            Value::Number(number) => format!("{number:.4}"),
            other => panic!("{other:?} in a key"),
        };
        let figure = |at: usize| match figures[at] {
            Value::Number(number) => Some(number),
            _ => None,
        };
        let row = Row {
            mean: figure(0).unwrap(),
            std_error: figure(1),
            lower: figure(2),
            upper: figure(3),
            error_pct: figure(4),
            df: figure(5),
            n_plots: match figures[6] {
                Value::Count(count) => count,
                _ => panic!("no number of plots"),
            },
            total: figure(7),
            total_std_error: figure(8),
        };
        (key.iter().map(word).collect::<Key>(), row)
    };
    all.into_iter().map(of).collect()
}
