//! Numerical edges: cruises as small, as large, as even or as empty as they come. Of each it is said
//! what must come out: figures from a computation by hand, or which finding; and no format may show
//! a number that is none, or a line too wide.

mod limits;
mod sizes;
mod thin;

use spinney::diagnostic::{Problems, Severity};
use spinney::read::RecordFiles;
use spinney::read::source::Source;

use crate::invariants::compiled::{Read, Row, Rows, try_texts};
use crate::reading::lines;

/// A cruise as texts.
#[derive(Clone, Default)]
struct Edge {
    design: String,
    stands: Option<String>,
    plots: Option<String>,
    trees: Option<String>,
    counts: Option<String>,
}

/// What came of it.
struct Tried {
    rows: Rows,
    /// The report as text.
    report: String,
    problems: Problems,
}

const VOLUME: &str = "volume: {set: ca-bc-volume-2016, region: CWH}\n";
const MASS: &str = "biomass: {set: ca-national-2005-height}\n";

/// Fixed plots of `size`, `area_ha: 0.02` for example.
fn fixed(size: &str) -> Edge {
    let design = format!(
        "title: Edge\ninputs: {{plots: plots.csv, trees: trees.csv}}\n\
         selections:\n  plot: {{method: fixed-area, {size}}}\n"
    );
    Edge {
        design,
        ..Edge::default()
    }
}

/// A sweep with a factor in m2/ha, its trees measured or counted.
fn sweep(factor: &str, counted: bool) -> Edge {
    let (file, measured) = if counted {
        ("counts", "none")
    } else {
        ("trees", "all")
    };
    let design = format!(
        "title: Edge\ninputs: {{plots: plots.csv, {file}: {file}.csv}}\n\
         selections:\n  plot: {{method: angle-gauge, baf_m2_per_ha: {factor}, measured: {measured}}}\n"
    );
    Edge {
        design,
        ..Edge::default()
    }
}

/// Basal area of a stem in m2.
fn basal_area(dbh_cm: f64) -> f64 {
    std::f64::consts::PI * dbh_cm * dbh_cm / 40_000.0
}

fn close(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-12 * a.abs().max(b.abs())
}

impl Edge {
    /// The same with more lines in the design.
    fn and(mut self, lines: &str) -> Edge {
        self.design.push_str(lines);
        self
    }

    /// The same with so many plots, called 1, 2 ...
    fn plots(self, n: usize) -> Edge {
        let rows: String = (1..=n).map(|plot| plot.to_string() + "\n").collect();
        self.plot_file(&format!("plot\n{rows}"))
    }

    fn plot_file(self, text: &str) -> Edge {
        Edge {
            plots: Some(text.to_owned()),
            ..self
        }
    }

    /// The same with trees: rows of plot, species, dbh in cm and height in m, numbered.
    fn trees(self, rows: &[(usize, &str, f64, Option<f64>)]) -> Edge {
        let row = |(number, (plot, species, dbh_cm, height_m)): (
            usize,
            &(usize, &str, f64, Option<f64>),
        )| {
            let height = height_m.map_or_else(String::new, |m| m.to_string());
            format!("{plot},{number},{species},{dbh_cm},{height},live\n")
        };
        let rows: String = rows.iter().enumerate().map(row).collect();
        self.tree_file(&format!("plot,tree,species,dbh_cm,height_m,status\n{rows}"))
    }

    fn tree_file(self, text: &str) -> Edge {
        Edge {
            trees: Some(text.to_owned()),
            ..self
        }
    }

    fn count_file(self, text: &str) -> Edge {
        Edge {
            counts: Some(text.to_owned()),
            ..self
        }
    }

    /// The same with areas of stands or strata.
    fn stand_file(mut self, text: &str) -> Edge {
        self.design = self
            .design
            .replacen("inputs: {", "inputs: {stands: stands.csv, ", 1);
        Edge {
            stands: Some(text.to_owned()),
            ..self
        }
    }

    fn read(&self) -> (Option<Read>, Problems) {
        let source =
            |name: &str, text: Option<&String>| text.map(|text| Source::new(name, text.clone()));
        let files = RecordFiles {
            design: None,
            stands: source("stands.csv", self.stands.as_ref()),
            plots: source("plots.csv", self.plots.as_ref()),
            trees: source("trees.csv", self.trees.as_ref()),
            counts: source("counts.csv", self.counts.as_ref()),
        };
        try_texts(&self.design, files)
    }

    /// Compiles it; every format is looked through.
    fn compiled(&self) -> Tried {
        let (read, problems) = self.read();
        let read = read.unwrap_or_else(|| panic!("{}\n{:#?}", self.design, lines(&problems)));
        let formats = read.formats();
        for (format, text) in &formats {
            look_through(format, text);
        }
        look_through("findings", &lines(&problems).join("\n"));
        let report = formats
            .into_iter()
            .find(|(format, _)| *format == "terminal");
        Tried {
            rows: read.rows(),
            report: report.unwrap().1,
            problems,
        }
    }

    /// The errors by which it is refused.
    fn refused(&self) -> Vec<String> {
        let (read, problems) = self.read();
        assert!(read.is_none(), "{} is compiled", self.design);
        let errors = problems
            .iter()
            .filter(|found| found.severity == Severity::Error);
        errors.map(ToString::to_string).collect()
    }

    /// It is refused by one error, which reads so.
    fn is_refused(&self, error: &str) {
        let errors = self.refused();
        assert_eq!(errors, [error], "{}", self.design);
    }
}

impl Tried {
    /// The row of all live trees of the one stand.
    fn live(&self, attribute: &str) -> Row {
        self.row("live", attribute)
    }

    fn row(&self, status: &str, attribute: &str) -> Row {
        self.maybe(status, attribute)
            .unwrap_or_else(|| panic!("no {attribute} of {status}"))
    }

    fn maybe(&self, status: &str, attribute: &str) -> Option<Row> {
        let mut found = self.rows.iter().filter(|(key, _)| {
            key[0] == "Edge"
                && key[1] == "all"
                && key[3] == status
                && key[4] == "all"
                && key[5] == "all"
                && key[7] == attribute
        });
        found.next().map(|(_, row)| *row)
    }

    /// The warnings, by their codes.
    fn warnings(&self) -> Vec<&'static str> {
        let warnings = self
            .problems
            .iter()
            .filter(|found| found.severity == Severity::Warning);
        warnings.map(|found| found.code).collect()
    }

    /// The report in one line, since words are wrapped.
    fn says(&self, words: &str) -> bool {
        let report: Vec<&str> = self.report.split_whitespace().collect();
        report.join(" ").contains(words)
    }
}

/// No number that is none, no zero below zero, and on a terminal no line too wide.
fn look_through(format: &str, text: &str) {
    let is_part_of_number =
        |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '+' | '_');
    for line in text.lines() {
        if format == "terminal" {
            assert!(line.chars().count() <= 80, "{line}");
        }
        for word in line.split(|c| !is_part_of_number(c)) {
            let bare = word
                .trim_matches(|c| matches!(c, '.' | '-' | '+'))
                .to_lowercase();
            let is_none = ["nan", "inf", "infinity"].contains(&bare.as_str());
            let rest = word.strip_prefix('-').unwrap_or("1");
            let below_zero = rest.contains('0') && rest.chars().all(|c| matches!(c, '0' | '.'));
            assert!(!is_none && !below_zero, "{format}: {line}");
        }
    }
}

#[test]
fn what_is_no_number_is_found() {
    for bad in [
        "a,NaN,1",
        "-inf",
        "x: -0.00;",
        "inf m2/ha",
        "-0",
        "[-0.0]",
        "(-0.0 %)",
    ] {
        let found = std::panic::catch_unwind(|| look_through("csv", bad));
        assert!(found.is_err(), "{bad}");
    }
    look_through("csv", "0-5,-0.01,info,-1.0,nanny,10-0,-,2026-01-00,0.0");
}
