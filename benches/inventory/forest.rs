//! An inventory of many stands, written stand by stand: circular plots laid at random places of
//! stem maps whose edges are wrapped.
//!
//! Maps: the 8 stands of 1 ha at Mount Rainier of the Pacific Northwest Permanent Sample Plot
//! Network (trees, species, dbh, places). Invented: which map a stand lies on, its area, how much
//! thicker or thinner its trees are, heights (an invented curve and scatter), which trees are dead.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::Path;

use crate::random::Random;

/// Radius of a circle of 0.02 ha, m.
const RADIUS_M: f64 = 7.978_845_608;
/// Thinner trees are not measured.
const MIN_DBH_CM: f64 = 11.0;
/// Side of a map, m.
const SIDE_M: f64 = 100.0;
/// Share of the trees with a measured height, and of the dead among all.
const MEASURED: f64 = 0.2;
const DEAD: f64 = 0.05;

/// The cruise design of the inventory. Two codes of the maps mean other species in the species
/// table, and two are not in it.
pub(crate) const DESIGN: &str = "\
title: An inventory of many stands
inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv}
selections:
  circle: {method: fixed-area, area_ha: 0.02, min_dbh_cm: 11}
species_aliases: {CANO: CANO9, PIMO: PIMO3, TABR: TABR2}
heights: {curve: best, regional: us-coastal-northwest-1999}
volume: {set: us-national-2024, region: M240}
tables: {dbh_class_cm: 5}
";

/// A tree of a map.
struct Mapped {
    species: String,
    dbh_cm: f64,
    x_m: f64,
    y_m: f64,
}

/// Maps to lay plots on.
pub(crate) struct Forest {
    maps: Vec<Vec<Mapped>>,
}

/// How large an inventory is, and the seed that it is drawn with.
#[derive(Clone, Copy)]
pub(crate) struct Size {
    pub(crate) stands: usize,
    /// Plots of each stand.
    pub(crate) plots: usize,
    pub(crate) seed: u64,
}

impl Forest {
    /// The stem maps beside the checkout; `None` where they are absent.
    pub(crate) fn mapped() -> Option<Forest> {
        let path = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("../shared/data/stem-maps/mount-rainier-8-stands.csv");
        let mut reader = csv::Reader::from_path(path).ok()?;
        let mut maps: BTreeMap<String, Vec<Mapped>> = BTreeMap::new();
        for row in reader.records() {
            let row = row.ok()?;
            maps.entry(row[0].to_owned()).or_default().push(Mapped {
                species: row[2].to_owned(),
                dbh_cm: row[3].parse().ok()?,
                x_m: row[4].parse().ok()?,
                y_m: row[5].parse().ok()?,
            });
        }
        Some(Forest {
            maps: maps.into_values().collect(),
        })
    }

    /// Eight invented maps of the same make: species in other shares on each, trees anywhere.
    pub(crate) fn invented() -> Forest {
        let mut random = Random(1);
        let species = ["ABAM", "PSME", "THPL", "TSHE", "TSME"];
        let maps = (0..8_u32).map(|map| {
            let trees = (0..400 + 50 * map).map(|_| Mapped {
                species: species[below(5, random.unit().powf(0.5 + 0.3 * f64::from(map)))]
                    .to_owned(),
                dbh_cm: 5.0 + 80.0 * random.unit() * random.unit(),
                x_m: SIDE_M * random.unit(),
                y_m: SIDE_M * random.unit(),
            });
            trees.collect()
        });
        Forest {
            maps: maps.collect(),
        }
    }

    /// Writes design and record files into a folder. Gives the number of trees.
    pub(crate) fn write(&self, folder: &Path, size: Size) -> io::Result<usize> {
        let file = |name| File::create(folder.join(name)).map(BufWriter::new);
        let (mut stands, mut plots, mut trees) =
            (file("stands.csv")?, file("plots.csv")?, file("trees.csv")?);
        fs::write(folder.join("design.yaml"), DESIGN)?;
        writeln!(stands, "stand,area_ha")?;
        writeln!(plots, "stand,plot")?;
        writeln!(trees, "stand,plot,tree,species,dbh_cm,status,height_m")?;
        let mut random = Random(size.seed);
        let mut n_trees = 0;
        for stand in 1..=size.stands {
            let map = &self.maps[below(self.maps.len(), random.unit())];
            let thicker = 0.9 + 0.2 * random.unit();
            writeln!(stands, "S{stand:05},{:.1}", 5.0 + 30.0 * random.unit())?;
            for plot in 1..=size.plots {
                writeln!(plots, "S{stand:05},{plot}")?;
                let at = (SIDE_M * random.unit(), SIDE_M * random.unit());
                let mut tree = 0;
                for mapped in map.iter().filter(|mapped| mapped.is_within(at)) {
                    let dbh_cm = mapped.dbh_cm * thicker * (0.98 + 0.04 * random.unit());
                    let dead = random.unit() < DEAD;
                    let height = height(dbh_cm, &mut random);
                    if dbh_cm < MIN_DBH_CM {
                        continue;
                    }
                    tree += 1;
                    let species = &mapped.species;
                    let status = if dead { "dead" } else { "live" };
                    writeln!(
                        trees,
                        "S{stand:05},{plot},{tree},{species},{dbh_cm:.1},{status},{height}"
                    )?;
                }
                n_trees += tree;
            }
        }
        for mut file in [stands, plots, trees] {
            file.flush()?;
        }
        Ok(n_trees)
    }
}

impl Mapped {
    /// Is the tree, or its image beyond an edge, on the circle about a point?
    fn is_within(&self, (x_m, y_m): (f64, f64)) -> bool {
        let nearest = |d: f64| d - SIDE_M * (d / SIDE_M).round();
        let (dx, dy) = (nearest(self.x_m - x_m), nearest(self.y_m - y_m));
        dx * dx + dy * dy <= RADIUS_M * RADIUS_M
    }
}

/// A measured height, m, about an invented curve of Naslund's form; blank for most trees.
fn height(dbh_cm: f64, random: &mut Random) -> String {
    let (measured, scatter) = (random.unit() < MEASURED, random.unit() - random.unit());
    if !measured {
        return String::new();
    }
    let curve_m = 1.3 + (dbh_cm / (1.9 + 0.155 * dbh_cm)).powi(2);
    format!("{:.1}", curve_m * (1.0 + 0.2 * scatter))
}

/// A whole number below `n` for a place in [0, 1).
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "small and not negative"
)]
pub(crate) fn below(n: usize, place: f64) -> usize {
    ((n as f64 * place) as usize).min(n - 1)
}
