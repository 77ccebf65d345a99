//! Cruises made of choices: most can be compiled, and all of a design's keys, methods and odd numbers
//! come up.

use arbitrary::{Result, Unstructured};

/// A cruise as texts.
pub struct Made {
    pub design: String,
    /// Name and content of each record file.
    pub files: Vec<(&'static str, String)>,
    /// Rows of the trees file.
    pub tree_rows: usize,
    /// Is it to be compiled twice, and printed in every form?
    pub thorough: bool,
}

/// Volume set, region, further sets that fit, and species that it covers.
type Ground = (&'static str, &'static str, &'static [&'static str]);

const GROUNDS: [Ground; 10] = [
    ("", "", &["Fd", "Hw", "Cw"]),
    ("ca-bc-volume-2016", "CWH", &["Fd", "Hw", "Cw", "Dr"]),
    ("ca-bc-taper-1994", "CWH", &["Fd", "Cw", "Hw"]),
    ("ca-taper-2013", "", &["PICE.MAR", "PINU.BAN", "ABIE.BAL"]),
    (
        "us-south-taper-1991-inside",
        "piedmont",
        &["loblolly pine", "shortleaf pine", "sweetgum"],
    ),
    (
        "us-south-taper-1991-outside",
        "piedmont",
        &["loblolly pine", "shortleaf pine"],
    ),
    ("us-west-volume-2019", "", &["PSME", "TSHE", "THPL"]),
    ("us-national-2024", "M240", &["PSME", "TSHE", "THPL"]),
    ("ca-east-volume-2021-inside", "", &["PICE.MAR", "PINU.BAN"]),
    ("ca-bc-taper-1988", "", &["Fd", "Cw"]),
];

const BIOMASS: [&str; 5] = [
    "ca-national-2005-dbh",
    "ca-national-2008-height",
    "us-species-groups-2003",
    "us-taxa-2014",
    "us-national-2024",
];
const CURVES: [&str; 10] = [
    "best",
    "naslund",
    "naslund3",
    "curtis",
    "michailow",
    "wykoff",
    "meyer",
    "parabola",
    "chapman-richards",
    "log-line",
];
const BOARD_FEET: [&str; 5] = [
    "doyle",
    "scribner",
    "scribner-decimal-c",
    "international-quarter-inch",
    "scribner-formula",
];

/// How trees were chosen. Those that count borrow a ratio from the first that measures.
#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Circle,
    Rings,
    Strip,
    Sweep,
    SomeMeasured,
    Counted,
    Tally,
    ThreeP,
}

impl Kind {
    fn name(self) -> &'static str {
        match self {
            Kind::Circle => "circle",
            Kind::Rings => "rings",
            Kind::Strip => "strip",
            Kind::Sweep => "sweep",
            Kind::SomeMeasured => "some",
            Kind::Counted => "counted",
            Kind::Tally => "tally",
            Kind::ThreeP => "drawn",
        }
    }

    fn has_trees(self) -> bool {
        self != Kind::Counted
    }

    fn has_counts(self) -> bool {
        matches!(self, Kind::SomeMeasured | Kind::Counted | Kind::ThreeP)
    }
}

const TOGETHER: [&[Kind]; 12] = [
    &[Kind::Circle],
    &[Kind::Rings],
    &[Kind::Strip],
    &[Kind::Sweep],
    &[Kind::SomeMeasured],
    &[Kind::Circle, Kind::Counted],
    &[Kind::Sweep, Kind::Counted],
    &[Kind::Circle, Kind::Sweep],
    &[Kind::Rings, Kind::SomeMeasured, Kind::Strip],
    &[Kind::Tally],
    &[Kind::ThreeP],
    &[Kind::Circle, Kind::Tally],
];

/// The choices of one cruise.
struct Choices<'u, 'd> {
    u: &'u mut Unstructured<'d>,
    kinds: &'static [Kind],
    species: &'static [&'static str],
    has_strata: bool,
    has_areas: bool,
    has_clusters: bool,
    /// One number in so many is odd.
    odd: u16,
}

pub fn make(u: &mut Unstructured<'_>) -> Result<Made> {
    let kinds = *u.choose(&TOGETHER)?;
    let ground = *u.choose(&GROUNDS)?;
    let mut choices = Choices {
        kinds,
        species: ground.2,
        has_strata: u.ratio(1, 3)?,
        has_areas: u.ratio(2, 3)?,
        has_clusters: u.ratio(1, 6)?,
        odd: *u.choose(&[1000, 200, 30])?,
        u,
    };
    let thorough = choices.yes(4)?;
    let design = choices.design(ground)?;
    let made = choices.records(design)?;
    Ok(Made { thorough, ..made })
}

impl Choices<'_, '_> {
    fn yes(&mut self, of: u8) -> Result<bool> {
        self.u.ratio(1, of)
    }

    /// One of these words.
    fn word(&mut self, words: &[&'static str]) -> Result<&'static str> {
        self.u.choose(words).copied()
    }

    /// A number from a range by tenths; now and then one at the end of what is possible, or beyond.
    fn number(&mut self, low: f64, high: f64) -> Result<String> {
        const ODD: [&str; 16] = [
            "0.1", "0.5", "1", "1.3", "1.31", "4", "7", "9.1", "12.5", "20", "100", "130", "0",
            "1e-9", "1500", "-3",
        ];
        if self.u.ratio(1, self.odd)? {
            return Ok(self.word(&ODD)?.to_owned());
        }
        let steps = ((high - low) * 10.0) as u32;
        let tenths = self.u.int_in_range(0..=steps)?;
        Ok(format!("{:.1}", low + f64::from(tenths) / 10.0))
    }

    /// A line of the design, or nothing.
    fn line(&mut self, of: u8, text: impl FnOnce(&mut Self) -> Result<String>) -> Result<String> {
        Ok(if self.yes(of)? {
            text(self)? + "\n"
        } else {
            String::new()
        })
    }

    fn design(&mut self, (volume, region, _): Ground) -> Result<String> {
        let mut text = String::from("title: fuzz\n");
        text += &self.line(3, |_| Ok("units: imperial".to_owned()))?;
        text += &self.line(4, |c| {
            Ok(format!("confidence: {}", c.word(&["0.5", "0.8", "0.999"])?))
        })?;
        text += &self.line(3, |c| {
            Ok(format!("allowable_error_pct: {}", c.number(1.0, 30.0)?))
        })?;
        text += "selections:\n";
        for kind in self.kinds {
            text += &format!("  {}: {{ {} }}\n", kind.name(), self.method(*kind)?);
        }
        text += &self.sampling()?;
        text += &self.heights()?;
        text += "intervals: { ";
        text += &format!(
            "ratios: {}, ",
            self.word(&["bca", "percentile", "t", "none"])?
        );
        text += &format!("resamples: {} }}\n", self.word(&["100", "200"])?);
        if !volume.is_empty() {
            text += &self.wood(volume, region)?;
        }
        text += &self.line(3, |c| {
            let limit = c.word(&["", ", carbon_fraction: 0.5"])?;
            Ok(format!(
                "biomass: {{ set: [{}], fallback: group{limit} }}",
                c.word(&BIOMASS)?
            ))
        })?;
        text += &self.line(2, |c| {
            Ok(format!(
                "tables: {{ dbh_class_cm: {} }}",
                c.number(1.0, 20.0)?
            ))
        })?;
        text += &self.line(6, |c| {
            let codes = ["bc", "plants", "fia", "scientific", "common"];
            Ok(format!("species_codes: {}", c.word(&codes)?))
        })?;
        Ok(text)
    }

    fn method(&mut self, kind: Kind) -> Result<String> {
        let mut text = match kind {
            Kind::Circle => format!("method: fixed-area, radius_m: {}", self.number(2.0, 20.0)?),
            Kind::Rings => {
                let (limit, radius) = (self.number(8.0, 30.0)?, self.number(5.0, 15.0)?);
                format!(
                    "method: fixed-area, rings: [{{ radius_m: 3, max_dbh_cm: {limit} }}, \
                     {{ radius_m: {radius}, min_dbh_cm: {limit} }}]"
                )
            }
            Kind::Strip => format!(
                "method: strip, length_m: 40, width_m: {}",
                self.number(1.0, 20.0)?
            ),
            Kind::Sweep => {
                format!(
                    "method: angle-gauge, baf_m2_per_ha: {}",
                    self.number(1.0, 12.0)?
                )
            }
            Kind::SomeMeasured => {
                let by = self.word(&[
                    "",
                    ", volume_ratio_by: species",
                    ", volume_ratio_by: pooled",
                ])?;
                let error = self.word(&["", ", volume_ratio_error: product"])?;
                format!("method: angle-gauge, baf_ft2_per_ac: 20, measured: some{by}{error}")
            }
            Kind::Counted => {
                let from = self.kinds[0].name();
                let error = self.word(&["", ", volume_ratio_error: product"])?;
                format!(
                    "method: angle-gauge, baf_m2_per_ha: {}, measured: none, \
                     volume_ratio_from: {from}{error}",
                    self.number(1.0, 8.0)?
                )
            }
            Kind::Tally => "method: full-tally".to_owned(),
            Kind::ThreeP => format!(
                "method: three-p, largest_number: {}",
                self.number(1.0, 60.0)?
            ),
        };
        if kind != Kind::ThreeP && kind != Kind::Rings && self.yes(3)? {
            text += &format!(", min_dbh_cm: {}", self.number(4.0, 20.0)?);
        }
        if self.yes(4)? {
            text += ", slope_correction: program";
        }
        Ok(text)
    }

    fn sampling(&mut self) -> Result<String> {
        let mut keys = Vec::new();
        if self.yes(4)? {
            keys.push("layout: random".to_owned());
        } else if self.yes(4)? {
            let variances = ["simple", "successive-differences", "neighbours"];
            keys.push(format!(
                "layout: systematic, variance: {}",
                self.word(&variances)?
            ));
        }
        if self.yes(4)? {
            keys.push("average: ratio-of-means".to_owned());
        }
        if self.has_strata && self.yes(4)? {
            keys.push("strata: after-sampling".to_owned());
        }
        if self.yes(8)? {
            keys.push(format!(
                "listed_units: {}",
                self.word(&["8", "40", "1000"])?
            ));
        } else if self.yes(10)? {
            keys.push("listed_stands: 9".to_owned());
        }
        if self.kinds.len() > 1 && self.yes(4)? {
            let names: Vec<&str> = self.kinds[..2].iter().map(|kind| kind.name()).collect();
            keys.push(format!("combine: [{}]", names.join(", ")));
        }
        Ok(if keys.is_empty() {
            String::new()
        } else {
            format!("sampling: {{ {} }}\n", keys.join(", "))
        })
    }

    fn heights(&mut self) -> Result<String> {
        let mut text = format!("heights:\n  curve: {}\n", self.word(&CURVES)?);
        text += &self.line(3, |c| {
            Ok(format!("  min_trees: {}", c.word(&["2", "3", "5"])?))
        })?;
        text += &self.line(3, |c| {
            let weights = ["equal", "inverse-dbh", "precision"];
            Ok(format!("  weights: {}", c.word(&weights)?))
        })?;
        text += &self.line(3, |_| Ok("  fit_by: cruise".to_owned()))?;
        text += &self.line(3, |c| {
            let effects = ["none", "plots", "stands", "stands-and-plots"];
            Ok(format!("  calibrate: {}", c.word(&effects)?))
        })?;
        text += &self.line(3, |c| {
            let sets = [
                "us-coastal-northwest-1999",
                "us-south-2008",
                "tropics-2012",
                "norway-2015",
            ];
            Ok(format!("  regional: {}", c.word(&sets)?))
        })?;
        text += &self.line(5, |c| {
            Ok(format!(
                "  fill: {{ draws: {}, seed: 3 }}",
                c.word(&["2", "10"])?
            ))
        })?;
        text += &self.line(4, |c| {
            let rules = [
                "rule: first-per-species, per_plot: 2",
                "rule: every-nth, every: 3, count_over: cruise",
                "rule: per-dbh-class, class_cm: 10, per_class: 1, over: stand",
            ];
            Ok(format!("  subsample: {{ {} }}", c.word(&rules)?))
        })?;
        text += &self.line(4, |c| {
            Ok(format!(
                "  instrument: {{ angle_sd_deg: {}, distance_sd_pct: 1 }}",
                c.number(0.0, 5.0)?
            ))
        })?;
        text += &self.line(6, |c| {
            let (one, other) = (c.species[0], c.species[1]);
            Ok(format!("  ratio_to: {{ {one}: {other} }}"))
        })?;
        Ok(text)
    }

    fn wood(&mut self, volume: &str, region: &str) -> Result<String> {
        let mut text = format!("volume:\n  set: {volume}\n  fallback: group\n");
        if !region.is_empty() {
            text += &format!("  region: {region}\n");
        }
        text += &self.line(2, |c| {
            let top = c.word(&[
                "top_dib_cm: 10",
                "top_dob_in: 4",
                "top_dib_cm: 0.1",
                "top_dib_cm: 60",
            ])?;
            Ok(format!(
                "  merchantable: {{ stump_m: {}, {top}, min_dbh_cm: 12.5 }}",
                c.number(0.0, 2.0)?
            ))
        })?;
        let bark = ["us-stump-1982", "us-south-1991"];
        text += &self.line(6, |c| Ok(format!("  bark: {}", c.word(&bark)?)))?;
        text += &self.line(3, |c| {
            let cubic = c.word(&["smalian", "huber", "newton"])?;
            let (board, other) = (c.word(&BOARD_FEET)?, c.word(&BOARD_FEET)?);
            let diameter = c.word(&["nearest-inch", "inch-below", "as-is"])?;
            let length = c.word(&["as-is", "whole-foot"])?;
            let (log, top) = (c.number(1.0, 8.0)?, c.number(1.0, 30.0)?);
            let boards = if board == other {
                board.to_owned()
            } else {
                format!("{board}, {other}")
            };
            Ok(format!(
                "logs:\n  stump_m: 0.3\n  cubic_rule: {cubic}\n  board_feet: [{boards}]\n  \
                 scale_diameter: {diameter}\n  scale_length: {length}\n  products:\n  \
                 - {{ name: saw, lengths_m: [{log}, 4], trim_m: 0.1, min_top_dib_cm: {top} }}\n  \
                 - {{ name: pulp, lengths_m: [2.5], min_top_dib_cm: 7, live_only: true }}"
            ))
        })?;
        Ok(text)
    }

    fn records(&mut self, design: String) -> Result<Made> {
        let mut stands = Rows::new(&["stand", "stratum", "area_ha"], &[1, 1, 1]);
        let mut plots = Rows::new(
            &[
                "stand",
                "stratum",
                "plot",
                "cluster",
                "slope_pct",
                "plot_fraction",
                "easting",
                "northing",
            ],
            &self.columns(&[1, 1, 1, 1, 2, 3, 3, 3])?,
        );
        const TREE: [&str; 18] = [
            "stand",
            "plot",
            "selection",
            "tree",
            "species",
            "dbh_cm",
            "status",
            "decay_class",
            "height_m",
            "top_pct",
            "base_pct",
            "distance_m",
            "broken_height_m",
            "defect_pct",
            "count",
            "walkthrough",
            "crown_ratio_pct",
            "prediction",
        ];
        let some = [1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 2, 3, 3, 2, 1];
        let mut trees = Rows::new(&TREE, &self.columns(&some)?);
        let mut counts = Rows::new(
            &[
                "stand",
                "plot",
                "selection",
                "species",
                "status",
                "count",
                "prediction",
            ],
            &[1; 7],
        );
        for stand in &["A", "B", "C"][..self.u.int_in_range(1..=3)?] {
            let strata: &[&str] = if self.has_strata { &["u", "v"] } else { &[""] };
            for stratum in strata {
                stands.push(&[stand, stratum, &self.number(0.5, 50.0)?]);
                for _ in 0..self.u.int_in_range(1..=5)? {
                    let plot = plots.lines.to_string();
                    let cluster = match self.has_clusters {
                        true => self.word(&["c1", "c2", "c3"])?,
                        false => "",
                    };
                    let (slope, part) = (
                        self.number(0.0, 90.0)?,
                        self.word(&["1", "0.5", "", "0.01"])?,
                    );
                    let (east, north) = (self.number(0.0, 500.0)?, self.number(0.0, 500.0)?);
                    plots.push(&[stand, stratum, &plot, cluster, &slope, part, &east, &north]);
                    for kind in self.kinds.iter().filter(|kind| kind.has_trees()) {
                        for tree in 0..self.u.int_in_range(0..=6)? {
                            self.tree(&mut trees, [stand, &plot, kind.name(), &tree.to_string()])?;
                        }
                    }
                    for kind in self.kinds.iter().filter(|kind| kind.has_counts()) {
                        let prediction = match kind {
                            Kind::ThreeP => self.number(1.0, 300.0)?,
                            _ => String::new(),
                        };
                        let (species, status) = (
                            self.word(self.species)?,
                            self.word(&["live", "live", "dead"])?,
                        );
                        let count = self.u.int_in_range(0..=20)?.to_string();
                        counts.push(&[
                            stand,
                            &plot,
                            kind.name(),
                            species,
                            status,
                            &count,
                            &prediction,
                        ]);
                    }
                }
            }
        }
        let mut inputs = String::from("inputs: { plots: plots.csv, trees: trees.csv");
        let tree_rows = trees.lines - 1;
        let mut files = vec![("plots.csv", plots.text), ("trees.csv", trees.text)];
        if self.has_areas {
            inputs += ", stands: stands.csv";
            files.push(("stands.csv", stands.text));
        }
        if self.kinds.iter().any(|kind| kind.has_counts()) {
            inputs += ", counts: counts.csv";
            files.push(("counts.csv", counts.text));
        }
        Ok(Made {
            design: design + &inputs + " }\n",
            files,
            tree_rows,
            thorough: false,
        })
    }

    /// Which columns a file has: each with a chance of one in so many, the first always.
    fn columns(&mut self, chances: &[u8]) -> Result<Vec<u8>> {
        let mut chosen = Vec::with_capacity(chances.len());
        for chance in chances {
            chosen.push(u8::from(self.yes(*chance)?));
        }
        Ok(chosen)
    }

    fn tree(&mut self, trees: &mut Rows, [stand, plot, selection, tree]: [&str; 4]) -> Result<()> {
        let species = self.word(self.species)?;
        let dbh = self.number(7.0, 70.0)?;
        let dbh_cm: f64 = dbh.parse().unwrap_or(20.0);
        let status = self.word(&["live", "live", "live", "live", "dead"])?;
        let decay = if status == "dead" {
            self.word(&["", "1", "3", "5"])?
        } else {
            ""
        };
        let mut sizes = [const { String::new() }; 5];
        let [height, top, base, distance, broken] = &mut sizes;
        match self.u.int_in_range(0..=7)? {
            0..=2 => {}
            3..=5 => {
                let about = 1.3 + 3.0 * dbh_cm.clamp(0.0, 200.0).powf(0.55);
                let scatter = 0.8 + 0.4 * f64::from(self.u.arbitrary::<u8>()?) / 255.0;
                *height = format!("{:.1}", (about * scatter).max(1.4));
            }
            6 => {
                *top = self.number(20.0, 140.0)?;
                *base = self.number(-20.0, 10.0)?;
                *distance = self.number(10.0, 40.0)?;
            }
            _ => *broken = self.number(1.5, 15.0)?,
        }
        let defect = self.word(&["", "", "0", "10", "100"])?;
        let count = self.word(&["1", "1", "2", "1000"])?;
        let walkthrough = self.word(&["", "", "yes", "no"])?;
        let crown = self.word(&["", "40", "100"])?;
        let prediction = match selection {
            "drawn" => self.number(1.0, 60.0)?,
            _ => String::new(),
        };
        let [height, top, base, distance, broken] = &sizes;
        trees.push(&[
            stand,
            plot,
            selection,
            tree,
            species,
            &dbh,
            status,
            decay,
            height,
            top,
            base,
            distance,
            broken,
            defect,
            count,
            walkthrough,
            crown,
            &prediction,
        ]);
        Ok(())
    }
}

/// A file of records as it grows.
struct Rows {
    text: String,
    /// With the head.
    lines: usize,
    has: Vec<u8>,
}

impl Rows {
    fn new(heads: &[&str], has: &[u8]) -> Rows {
        let mut rows = Rows {
            text: String::new(),
            lines: 0,
            has: has.to_vec(),
        };
        rows.push(heads);
        rows
    }

    fn push(&mut self, fields: &[&str]) {
        let kept = fields.iter().zip(&self.has).filter(|(_, has)| **has > 0);
        let kept: Vec<&str> = kept.map(|(field, _)| *field).collect();
        self.text += &(kept.join(",") + "\n");
        self.lines += 1;
    }
}
