//! A cruise given as texts, read as a test story: design and record files in, findings out.

use std::path::Path;

use spinney::design::Design;
use spinney::diagnostic::Problems;
use spinney::read::RecordFiles;
use spinney::read::design::{Known, read_design};
use spinney::read::records::read_records;
use spinney::read::source::Source;
use spinney::records::Records;
use spinney::species::{Kind, Species, SpeciesTable};

/// Some species with codes of several systems. Codes and plausible sizes: from memory.
pub(crate) fn species_table() -> SpeciesTable {
    let species =
        |scientific: &str, common: &str, fia, plants: &str, bc: &str, max_dbh, max_height| {
            Species {
                scientific_name: scientific.to_owned(),
                common_name: common.to_owned(),
                fia: Some(fia),
                plants: Some(plants.to_owned()),
                national_inventory: None,
                bc_inventory: (!bc.is_empty()).then(|| bc.to_owned()),
                also: Vec::new(),
                kind: Kind::Softwood,
                jenkins_group: None,
                plausible_max_dbh_cm: max_dbh,
                plausible_max_height_m: max_height,
            }
        };
    SpeciesTable::new(vec![
        species(
            "Pseudotsuga menziesii",
            "Douglas-fir",
            202,
            "PSME",
            "Fd",
            450.0,
            100.0,
        ),
        species(
            "Tsuga heterophylla",
            "western hemlock",
            263,
            "TSHE",
            "Hw",
            290.0,
            83.0,
        ),
        species(
            "Tsuga mertensiana",
            "mountain hemlock",
            264,
            "TSME",
            "Hm",
            190.0,
            60.0,
        ),
        species(
            "Thuja plicata",
            "western redcedar",
            242,
            "THPL",
            "Cw",
            600.0,
            71.0,
        ),
        species(
            "Pinus contorta",
            "lodgepole pine",
            108,
            "PICO",
            "Pl",
            160.0,
            50.0,
        ),
        species("Abies grandis", "grand fir", 17, "ABGR", "Bg", 230.0, 81.0),
        species(
            "Abies lasiocarpa",
            "subalpine fir",
            19,
            "ABLA",
            "Bl",
            210.0,
            52.0,
        ),
        species(
            "Pinus monticola",
            "western white pine",
            119,
            "PIMO3",
            "Pw",
            250.0,
            72.0,
        ),
        species(
            "Larix occidentalis",
            "western larch",
            73,
            "LAOC",
            "Lw",
            235.0,
            63.0,
        ),
        species(
            "Pinus ponderosa",
            "ponderosa pine",
            122,
            "PIPO",
            "Py",
            275.0,
            82.0,
        ),
        species(
            "Picea engelmannii",
            "Engelmann spruce",
            93,
            "PIEN",
            "Se",
            235.0,
            64.0,
        ),
    ])
}

/// Reads a design text as the file `design.yaml`.
pub(crate) fn design_of(text: &str) -> (Option<Design>, Problems) {
    let source = Source::new("design.yaml", text.to_owned());
    let known = Known {
        curve_forms: &["wykoff", "chapman-richards", "naslund"],
        volume_sets: &["ca-bc-volume-2016".to_owned()],
        height_sets: &["us-western".to_owned()],
    };
    read_design(&source, Path::new("cruise"), &known)
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
            stands: source("stands.csv", self.stands),
            plots: source("plots.csv", self.plots),
            trees: source("trees.csv", self.trees),
            counts: source("counts.csv", self.counts),
        };
        read_records(&design, &files, &species_table(), &mut |_| Ok(()))
    }

    /// The findings, as printed.
    pub(crate) fn findings(&self) -> Vec<String> {
        lines(&self.read().1)
    }

    /// The records; panics with the findings if there are none.
    pub(crate) fn records(&self) -> Records {
        let (records, problems) = self.read();
        records.unwrap_or_else(|| panic!("{:#?}", lines(&problems)))
    }
}

/// Findings as printed.
pub(crate) fn lines(problems: &Problems) -> Vec<String> {
    problems.iter().map(ToString::to_string).collect()
}
