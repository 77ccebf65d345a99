//! A cruise given as texts, read as a test story: design and record files in, findings out.

use std::path::Path;

use spinney::design::Design;
use spinney::diagnostic::Problems;
use spinney::read::RecordFiles;
use spinney::read::design::{Known, read_design};
use spinney::read::excerpts::Excerpts;
use spinney::read::records::read_records;
use spinney::read::source::Source;
use spinney::read::tables::Tables;
use spinney::records::Records;
use spinney::render::excerpt::finding;
use spinney::species::SpeciesTable;

/// The species table of the program.
pub(crate) fn species_table() -> SpeciesTable {
    Tables::builtin()
        .species()
        .expect("the built-in table is sound")
}

/// Reads a design text as the file `design.yaml`.
pub(crate) fn design_of(text: &str) -> (Option<Design>, Problems) {
    let source = Source::new("design.yaml", text.to_owned());
    let known = Known {
        curve_forms: &["wykoff", "chapman-richards", "naslund"],
        volume_sets: &["ca-bc-volume-2016".to_owned()],
        biomass_sets: &[],
        bark_sets: &["us-stump-1982".to_owned(), "us-south-1991".to_owned()],
        height_sets: &["us-western".to_owned()],
        log_rules: &["doyle".to_owned(), "scribner-decimal-c".to_owned()],
    };
    let (design, problems) = read_design(&source, Path::new("cruise"), &known);
    if design.is_some() {
        let objections = crate::schema::objections(text);
        assert!(objections.is_empty(), "{text}\n{objections:#?}");
    }
    (design, problems)
}

/// A cruise as texts.
#[derive(Clone, Default)]
pub(crate) struct Cruise<'t> {
    pub(crate) design: &'t str,
    pub(crate) stands: Option<&'t str>,
    pub(crate) plots: Option<&'t str>,
    pub(crate) trees: Option<&'t str>,
    pub(crate) counts: Option<&'t str>,
}

impl Cruise<'_> {
    /// Reads the records; every species is covered.
    pub(crate) fn read(&self) -> (Option<Records>, Problems) {
        let (design, problems) = design_of(self.design);
        let Some(design) = design else {
            panic!("the design is wrong: {:#?}", lines(&problems));
        };
        let source = |name, text: Option<&str>| text.map(|text| Source::new(name, text.to_owned()));
        let files = RecordFiles {
            design: source("design.yaml", Some(self.design)),
            stands: source("stands.csv", self.stands),
            plots: source("plots.csv", self.plots),
            trees: source("trees.csv", self.trees),
            counts: source("counts.csv", self.counts),
        };
        read_records(&design, &files, &species_table(), None, &mut |_| Ok(()))
    }

    /// The first lines of the findings, as printed.
    pub(crate) fn findings(&self) -> Vec<String> {
        lines(&self.read().1.folded())
    }

    /// The findings as printed, with the lines that they are about.
    pub(crate) fn drawn(&self) -> String {
        drawn(&self.read().1, |name| match name {
            "design.yaml" => Some(self.design),
            "stands.csv" => self.stands,
            "plots.csv" => self.plots,
            "trees.csv" => self.trees,
            "counts.csv" => self.counts,
            _ => None,
        })
    }

    /// The records; panics with the findings if there are none.
    pub(crate) fn records(&self) -> Records {
        let (records, problems) = self.read();
        records.unwrap_or_else(|| panic!("{:#?}", lines(&problems)))
    }
}

/// Findings as printed, with the lines of these texts.
pub(crate) fn drawn<'t>(problems: &Problems, text_of: impl Fn(&str) -> Option<&'t str>) -> String {
    let problems = problems.clone().folded();
    let excerpts = Excerpts::of(&problems, |name| {
        Some((text_of(name)?.as_bytes(), name == "design.yaml"))
    });
    let findings = problems.iter();
    findings.map(|one| finding(one, &excerpts, false)).collect()
}

/// First lines of findings, as printed.
pub(crate) fn lines(problems: &Problems) -> Vec<String> {
    problems.iter().map(ToString::to_string).collect()
}
