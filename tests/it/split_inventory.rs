//! Small invented inventories whose stands can be put into files in any selection.

use std::path::Path;

use crate::random::Random;

const DESIGN: &str = "\
title: Split
inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv}
selections:
  circle: {method: fixed-area, area_ha: 0.02, min_dbh_cm: 5}
heights: {curve: best}
volume: {set: ca-bc-volume-2016, region: CWH}
tables: {dbh_class_cm: 10}
";

/// The rows of one stand.
struct OfStand {
    stands: String,
    plots: String,
    trees: String,
}

/// An inventory, stand by stand.
pub(crate) struct SplitInventory {
    stands: Vec<OfStand>,
}

/// What an inventory is drawn with.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Wanted {
    pub(crate) stands: usize,
    pub(crate) seed: u64,
    /// Share of the stands without an area.
    pub(crate) without_area: f64,
    /// Share of the stands that have two strata.
    pub(crate) stratified: f64,
}

impl SplitInventory {
    pub(crate) fn new(wanted: Wanted) -> Self {
        let mut random = Random(wanted.seed);
        let stands =
            (1..=wanted.stands).map(|k| OfStand::new(&format!("Q{k}"), wanted, &mut random));
        SplitInventory {
            stands: stands.collect(),
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.stands.len()
    }

    /// Writes design and record files with some of the stands, in the order given.
    pub(crate) fn write(&self, folder: &Path, stands: &[usize]) {
        let file = |name: &str, head: &str, rows: fn(&OfStand) -> &str| {
            let rows = stands.iter().map(|stand| rows(&self.stands[*stand]));
            let text = std::iter::once(head).chain(rows).collect::<String>();
            std::fs::write(folder.join(name), text).unwrap();
        };
        std::fs::create_dir_all(folder).unwrap();
        std::fs::write(folder.join("design.yaml"), DESIGN).unwrap();
        file("stands.csv", "stand,stratum,area_ha\n", |of| &of.stands);
        file("plots.csv", "stand,stratum,plot\n", |of| &of.plots);
        let head = "stand,plot,tree,species,dbh_cm,status,height_m,defect_pct\n";
        file("trees.csv", head, |of| &of.trees);
    }

    /// Adds a tree to a stand, on a plot of any name.
    pub(crate) fn add_tree(&mut self, stand: usize, plot: &str) {
        let row = format!("Q{},{plot},901,Fd,33.3,live,,\n", stand + 1);
        self.stands[stand].trees.push_str(&row);
    }

    /// Gives every tree of a stand a defect.
    pub(crate) fn add_defects(&mut self, stand: usize) {
        self.stands[stand].trees = self.stands[stand].trees.replace(",\n", ",10\n");
    }
}

impl OfStand {
    fn new(name: &str, wanted: Wanted, random: &mut Random) -> Self {
        let strata: &[&str] = if random.unit() < wanted.stratified {
            &["lower", "upper"]
        } else {
            &[""]
        };
        let has_area = random.unit() >= wanted.without_area;
        let (mut stands, mut plots, mut trees) = (String::new(), String::new(), String::new());
        for stratum in strata {
            let area = 3.0 + 40.0 * random.unit();
            let area = has_area.then(|| format!("{area:.2}"));
            let area = area.unwrap_or_default();
            stands += &format!("{name},{stratum},{area}\n");
        }
        let species: &[&str] = match random.unit() {
            place if place < 0.4 => &["Fd", "Hw", "Cw"],
            place if place < 0.7 => &["Hw", "Ba"],
            _ => &["Dr", "Fd"],
        };
        let n_plots = if random.unit() < 0.1 { 1 } else { 6 };
        for plot in 1..=n_plots {
            plots += &format!("{name},{},{plot}\n", strata[plot % strata.len()]);
            for tree in 0.. {
                if random.unit() < 0.12 {
                    break;
                }
                let dbh_cm = 6.0 + 55.0 * random.unit() * random.unit();
                let of = if random.unit() < 0.6 {
                    0
                } else {
                    species.len() - 1
                };
                let status = if random.unit() < 0.08 { "dead" } else { "live" };
                let curve_m = 1.3 + (dbh_cm / (1.8 + 0.16 * dbh_cm)).powi(2);
                let height = curve_m * (0.9 + 0.2 * random.unit());
                let height = (random.unit() < 0.4).then(|| format!("{height:.1}"));
                let height = height.unwrap_or_default();
                let species = species[of];
                trees +=
                    &format!("{name},{plot},{tree},{species},{dbh_cm:.1},{status},{height},\n");
            }
        }
        OfStand {
            stands,
            plots,
            trees,
        }
    }
}
