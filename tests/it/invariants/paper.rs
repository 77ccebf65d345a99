//! A cruise as values, drawn at random, and written as a design and record files.

use proptest::collection::vec;
use proptest::option;
use proptest::prelude::*;
use proptest::sample::select;
use spinney::units::{CM_PER_IN, HA_PER_AC, M_PER_FT};

pub(super) use super::rules::{Rules, Written, rules};

/// The selections, in the order of the design; the last is only counted.
pub(super) const SELECTIONS: [&str; 4] = ["circle", "rings", "prism", "sweep"];
pub(super) const SPECIES: [&str; 4] = ["Fd", "Hw", "Cw", "Ba"];

/// A tree that was measured. Its dbh lies on no limit of a class, a ring or merchantable wood.
#[derive(Clone, Debug)]
pub(super) struct Tree {
    pub(super) species: String,
    pub(super) dbh_cm: f64,
    pub(super) height_m: Option<f64>,
    /// Dead, of a decay class.
    pub(super) dead: Option<usize>,
    pub(super) count: usize,
    pub(super) walkthrough: usize,
    pub(super) defect_pct: Option<u32>,
}

/// Trees that were counted.
#[derive(Clone, Debug)]
pub(super) struct Count {
    pub(super) species: String,
    pub(super) dead: bool,
    pub(super) trees: u32,
}

#[derive(Clone, Debug)]
pub(super) struct Plot {
    pub(super) name: String,
    pub(super) stand: usize,
    pub(super) stratum: usize,
    /// Empty where it is a unit by itself.
    pub(super) cluster: String,
    pub(super) slope_pct: u32,
    pub(super) fraction: f64,
    /// Trees of `circle`, `rings` and `prism`.
    pub(super) trees: [Vec<Tree>; 3],
    pub(super) counts: Vec<Count>,
}

#[derive(Clone, Debug)]
pub(super) struct Stand {
    pub(super) name: String,
    /// Name and area of each stratum; the name is empty where there is one.
    pub(super) strata: Vec<(String, f64)>,
}

#[derive(Clone, Debug)]
pub(super) struct Cruise {
    pub(super) stands: Vec<Stand>,
    pub(super) plots: Vec<Plot>,
    pub(super) rules: Rules,
}

/// A record file: heads and rows.
#[derive(Clone, Debug)]
pub(super) struct Sheet {
    pub(super) name: &'static str,
    pub(super) heads: Vec<String>,
    pub(super) rows: Vec<Vec<String>>,
}

impl Sheet {
    fn new(name: &'static str, heads: &[&str]) -> Sheet {
        Sheet {
            name,
            heads: heads.iter().map(ToString::to_string).collect(),
            rows: Vec::new(),
        }
    }

    /// The text with a delimiter between fields and an end of line after each row.
    pub(super) fn text(&self, delimiter: &str, end: &str) -> String {
        let rows = std::iter::once(&self.heads).chain(&self.rows);
        rows.map(|row| row.join(delimiter) + end).collect()
    }

    pub(super) fn csv(&self) -> String {
        self.text(",", "\n")
    }
}

/// A design and record files as texts.
#[derive(Clone, Debug)]
pub(super) struct Files {
    pub(super) design: String,
    pub(super) sheets: Vec<Sheet>,
}

impl Cruise {
    /// The files, in metric units.
    pub(super) fn files(&self) -> Files {
        self.written(Written::Metric)
    }

    pub(super) fn written(&self, written: Written) -> Files {
        let imperial = written == Written::Imperial;
        let of = |value: f64, unit: f64| if imperial { value / unit } else { value }.to_string();
        let head =
            |metric: &'static str, other: &'static str| if imperial { other } else { metric };
        let mut stands = Sheet::new("stands", &["stand", "stratum", head("area_ha", "area_ac")]);
        let mut plots = Sheet::new(
            "plots",
            &[
                "stand",
                "stratum",
                "plot",
                "cluster",
                "slope_pct",
                "plot_fraction",
            ],
        );
        let mut trees = Sheet::new(
            "trees",
            &[
                "stand",
                "plot",
                "selection",
                "tree",
                "species",
                head("dbh_cm", "dbh_in"),
                head("height_m", "height_ft"),
                "status",
                "decay_class",
                "count",
                "walkthrough",
                "defect_pct",
            ],
        );
        let mut counts = Sheet::new(
            "counts",
            &["stand", "plot", "selection", "species", "status", "count"],
        );
        for stand in &self.stands {
            for (stratum, area_ha) in &stand.strata {
                stands.rows.push(vec![
                    stand.name.clone(),
                    stratum.clone(),
                    of(*area_ha, HA_PER_AC),
                ]);
            }
        }
        for plot in &self.plots {
            let stand = &self.stands[plot.stand];
            let place = || vec![stand.name.clone(), plot.name.clone()];
            plots.rows.push(vec![
                stand.name.clone(),
                stand.strata[plot.stratum].0.clone(),
                plot.name.clone(),
                plot.cluster.clone(),
                plot.slope_pct.to_string(),
                plot.fraction.to_string(),
            ]);
            for (selection, of_selection) in SELECTIONS.iter().zip(&plot.trees) {
                for (number, tree) in of_selection.iter().enumerate() {
                    let mut row = place();
                    row.extend([
                        (*selection).to_owned(),
                        (number + 1).to_string(),
                        tree.species.clone(),
                        of(tree.dbh_cm, CM_PER_IN),
                        tree.height_m
                            .map_or_else(String::new, |height_m| of(height_m, M_PER_FT)),
                        if tree.dead.is_some() { "dead" } else { "live" }.to_owned(),
                        tree.dead
                            .map_or_else(String::new, |class| class.to_string()),
                        tree.count.to_string(),
                        tree.walkthrough.to_string(),
                        tree.defect_pct
                            .map_or_else(String::new, |pct| pct.to_string()),
                    ]);
                    trees.rows.push(row);
                }
            }
            for count in &plot.counts {
                let mut row = place();
                row.extend([
                    "sweep".to_owned(),
                    count.species.clone(),
                    if count.dead { "dead" } else { "live" }.to_owned(),
                    count.trees.to_string(),
                ]);
                counts.rows.push(row);
            }
        }
        Files {
            design: self.rules.text(written),
            sheets: vec![stands, plots, trees, counts],
        }
    }

    /// Every measured tree.
    pub(super) fn trees_mut(&mut self) -> impl Iterator<Item = &mut Tree> {
        self.plots
            .iter_mut()
            .flat_map(|plot| &mut plot.trees)
            .flatten()
    }

    /// The same with a height for every tree.
    pub(super) fn all_measured(mut self) -> Cruise {
        for tree in self.trees_mut() {
            tree.height_m = Some(tree.height_m.unwrap_or_else(|| usual_height_m(tree.dbh_cm)));
        }
        self
    }

    /// The same with one stand of one stratum.
    pub(super) fn of_one_stratum(mut self) -> Cruise {
        self.stands.truncate(1);
        let area_ha = self.stands[0]
            .strata
            .iter()
            .map(|(_, area_ha)| area_ha)
            .sum();
        self.stands[0].strata = vec![(String::new(), area_ha)];
        for (at, plot) in self.plots.iter_mut().enumerate() {
            (plot.stand, plot.stratum) = (0, 0);
            plot.name = format!("P{at}");
        }
        self
    }

    pub(super) fn with(mut self, change: impl FnOnce(&mut Cruise)) -> Cruise {
        change(&mut self);
        self
    }
}

/// Height of a tree in the middle of its kind, in m, written to the decimetre.
fn usual_height_m(dbh_cm: f64) -> f64 {
    let height_m = 1.3 + (dbh_cm / (1.8 + 0.16 * dbh_cm)).powi(2);
    (height_m * 10.0).round() / 10.0
}

fn tree() -> impl Strategy<Value = Tree> {
    (
        select(&SPECIES[..]),
        0.0..1.0_f64,
        option::weighted(0.5, 0.85..1.15_f64),
        option::weighted(0.12, 1_usize..=5),
        prop_oneof![9 => Just(1_usize), 1 => 2_usize..4],
        prop_oneof![9 => Just(1_usize), 1 => Just(2_usize)],
        option::weighted(0.2, 0_u32..30),
    )
        .prop_map(
            |(species, size, height, dead, count, walkthrough, defect_pct)| {
                // Half-millimetres lie on no limit.
                let dbh_cm = ((6.0 + 60.0 * size * size) * 10.0).floor() / 10.0 + 0.05;
                let height_m = height.map(|of| (usual_height_m(dbh_cm) * of * 10.0).round() / 10.0);
                Tree {
                    species: species.to_owned(),
                    dbh_cm,
                    height_m,
                    dead,
                    count,
                    walkthrough,
                    defect_pct,
                }
            },
        )
}

fn plot() -> impl Strategy<Value = Plot> {
    let count = (select(&SPECIES[..]), prop::bool::weighted(0.15), 1_u32..6);
    let count = count.prop_map(|(species, dead, trees)| Count {
        species: species.to_owned(),
        dead,
        trees,
    });
    let trees = || vec(tree(), 0..4);
    (
        [trees(), trees(), trees()],
        vec(count, 0..4),
        select(&[0, 0, 0, 20, 75][..]),
        select(&[1.0, 1.0, 1.0, 1.0, 0.5][..]),
        0_usize..2,
        0_usize..2,
    )
        .prop_map(
            |(trees, counts, slope_pct, fraction, stand, stratum)| Plot {
                name: String::new(),
                stand,
                stratum,
                cluster: String::new(),
                slope_pct,
                fraction,
                trees,
                counts,
            },
        )
}

/// A cruise of one or two stands, each with one or two strata and at least a plot in each.
pub(super) fn cruise() -> impl Strategy<Value = Cruise> {
    let strata = || vec(1.0..60.0_f64, 1..3);
    let parts = (
        vec(strata(), 1..3),
        vec(plot(), 5..8),
        prop::bool::weighted(0.4),
    );
    parts.prop_map(|(areas, mut plots, biomass)| {
        let stands: Vec<Stand> = areas
            .iter()
            .enumerate()
            .map(|(at, areas)| {
                let name = |h: usize| {
                    if areas.len() == 1 {
                        String::new()
                    } else {
                        format!("h{h}")
                    }
                };
                let strata = areas.iter().enumerate();
                Stand {
                    name: format!("S{at}"),
                    strata: strata
                        .map(|(h, area)| (name(h), (area * 100.0).round() / 100.0))
                        .collect(),
                }
            })
            .collect();
        // The first plots see to it that no stratum is without one.
        let places: Vec<(usize, usize)> = (0..stands.len())
            .flat_map(|at| (0..stands[at].strata.len()).map(move |h| (at, h)))
            .collect();
        for (at, plot) in plots.iter_mut().enumerate() {
            if let Some(place) = places.get(at) {
                (plot.stand, plot.stratum) = *place;
            }
            plot.stand %= stands.len();
            plot.stratum %= stands[plot.stand].strata.len();
            plot.name = format!("P{at}");
        }
        Cruise {
            stands,
            plots,
            rules: Rules {
                biomass,
                ..Rules::usual()
            },
        }
    })
}

/// A cruise of one stand without strata.
pub(super) fn one_stratum() -> impl Strategy<Value = Cruise> {
    cruise().prop_map(Cruise::of_one_stratum)
}

/// A cruise under rules of many kinds.
pub(super) fn any_cruise() -> impl Strategy<Value = Cruise> {
    (cruise(), rules()).prop_map(|(cruise, rules)| Cruise { rules, ..cruise })
}
