//! Forests with every tree known.
//!
//! Maps: the Mount Rainier stands of the Pacific Northwest Permanent Sample Plot Network (8 stands
//! of 1 ha) and the longleaf pines of Platt, Evans & Rathbun 1988, Am. Nat. 131:491-525 (4 ha);
//! trees of 10 cm and thicker. Edges are wrapped, so that every tree keeps the inclusion
//! probability of its rule; a tree whose zone is wider than the map is tallied once for each of its
//! images in reach. The maps have no heights. Heights are made up: an invented curve of dbh, an
//! effect of the place (waves over the map) and a residual of the tree; volume is 0.45 g h.

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use spinney::estimates::Attribute;
use spinney::expansion::limiting_distance_m;
use spinney::records::{Rule, Tree};
use spinney::units::basal_area_m2;

use crate::answers::{rows, shared_file};
use crate::random::Random;
use crate::sample::{tall, tree};

/// Trees thinner than this are left out.
pub(crate) const MIN_DBH_CM: f64 = 10.0;
/// Of the effect of the place on heights, and of the residual of the tree, m.
const HEIGHT_SD_M: f64 = 1.5;
/// Waves of the effect of the place: how many cross the map, east and north.
const WAVES: [(f64, f64); 4] = [(1.0, 2.0), (3.0, 1.0), (2.0, 3.0), (4.0, 2.0)];
/// Cells of the map on a side; each is of one of two kinds.
const CELLS: usize = 10;
/// Share of the cells that are of the dense kind.
const DENSE: f64 = 0.4;
/// Form factor of the invented volumes, the one of `sample::conelike`.
const FORM_FACTOR: f64 = 0.45;

/// A tree on its place.
pub(crate) struct Mapped {
    pub(crate) x_m: f64,
    pub(crate) y_m: f64,
    pub(crate) dbh_cm: f64,
    pub(crate) height_m: f64,
}

/// A square forest.
pub(crate) struct Forest {
    pub(crate) name: String,
    pub(crate) side_m: f64,
    pub(crate) trees: Vec<Mapped>,
    /// Which cells, row by row, are of the dense kind.
    dense: Vec<bool>,
}

impl Mapped {
    /// The tree as a record, with its height.
    pub(crate) fn record(&self, count: f64) -> Tree {
        Tree {
            count,
            ..tall(tree(0, self.dbh_cm), self.height_m)
        }
    }

    fn volume_m3(&self) -> f64 {
        FORM_FACTOR * basal_area_m2(self.dbh_cm) * self.height_m
    }
}

/// Normal with mean 0 and standard deviation 1.
pub(crate) fn normal(random: &mut Random) -> f64 {
    let radius = (-2.0 * (1.0 - random.unit()).ln()).sqrt();
    radius * (TAU * random.unit()).cos()
}

/// All forests in a fixed order; `None` where the maps are absent.
pub(crate) fn forests() -> Option<Vec<Forest>> {
    let mut forests = read("data/stem-maps/mount-rainier-8-stands.csv", 100.0)?;
    forests.extend(read("data/stem-maps/longleaf-4ha.csv", 200.0)?);
    Some(forests)
}

/// Three of different structure: open pines of two storeys, many thin trees, few giants.
pub(crate) fn three() -> Option<Vec<Forest>> {
    let mut forests = forests()?;
    forests.retain(|forest| ["longleaf", "AV06", "AO03"].contains(&forest.name.as_str()));
    Some(forests)
}

fn read(path: &str, side_m: f64) -> Option<Vec<Forest>> {
    let mut forests: BTreeMap<String, Vec<Mapped>> = BTreeMap::new();
    for row in rows(&shared_file(path)?) {
        let name = row.get("stand").map_or("longleaf", String::as_str);
        let number = |column: &str| -> f64 { row[column].parse().unwrap() };
        let tree = Mapped {
            x_m: number("x_m"),
            y_m: number("y_m"),
            dbh_cm: number("dbh_cm"),
            height_m: 0.0,
        };
        if tree.dbh_cm >= MIN_DBH_CM {
            forests.entry(name.to_owned()).or_default().push(tree);
        }
    }
    let forest = |(name, trees): (String, Vec<Mapped>)| {
        let mut forest = Forest {
            name,
            side_m,
            trees,
            dense: Vec::new(),
        };
        forest.grow_heights();
        forest.find_dense_cells();
        forest
    };
    Some(forests.into_iter().map(forest).collect())
}

/// The invented mean height of a dbh, m: Naslund's form.
pub(crate) fn mean_height_m(dbh_cm: f64) -> f64 {
    1.3 + (dbh_cm / (1.9 + 0.16 * dbh_cm)).powi(2)
}

impl Forest {
    fn grow_heights(&mut self) {
        let mut random = Random(7);
        let phases = WAVES.map(|_| TAU * random.unit());
        // Each wave has half the square of its height as variance.
        let wave_m = HEIGHT_SD_M * (2.0 / WAVES.len() as f64).sqrt();
        for tree in &mut self.trees {
            let (east, north) = (tree.x_m / self.side_m, tree.y_m / self.side_m);
            let waves = WAVES.iter().zip(phases);
            let place: f64 = waves
                .map(|((i, j), phase)| (TAU * (i * east + j * north) + phase).cos())
                .sum();
            let off_m = wave_m * place + HEIGHT_SD_M * normal(&mut random);
            tree.height_m = (mean_height_m(tree.dbh_cm) + off_m).max(2.0);
        }
    }

    /// Dense are the cells with the most basal area within 12.62 m of their middle.
    fn find_dense_cells(&mut self) {
        let cell_m = self.side_m / CELLS as f64;
        let middle = |k: usize| (k as f64 + 0.5) * cell_m;
        let rule = Rule::FixedArea {
            area_ha: 0.05,
            radius_m: Some(12.62),
        };
        let of_cell = |cell: usize| -> f64 {
            let at = (middle(cell % CELLS), middle(cell / CELLS));
            let taken = self.tally(&rule, at);
            taken
                .iter()
                .map(|(k, _)| basal_area_m2(self.trees[*k].dbh_cm))
                .sum()
        };
        let sums: Vec<f64> = (0..CELLS * CELLS).map(of_cell).collect();
        let mut sorted = sums.clone();
        sorted.sort_by(|a, b| b.total_cmp(a));
        let limit = sorted[whole(DENSE * sums.len() as f64)];
        self.dense = sums.iter().map(|sum| *sum > limit).collect();
    }

    /// Kind of the cell of a point: 0 dense, 1 not.
    pub(crate) fn kind(&self, (x_m, y_m): (f64, f64)) -> usize {
        let cell = |at: f64| whole(at / self.side_m * CELLS as f64).min(CELLS - 1);
        usize::from(!self.dense[cell(y_m) * CELLS + cell(x_m)])
    }

    /// Area of the cells of a kind, ha.
    pub(crate) fn area_of_kind_ha(&self, kind: usize) -> f64 {
        let cells = self
            .dense
            .iter()
            .filter(|dense| usize::from(!**dense) == kind);
        cells.count() as f64 / (CELLS * CELLS) as f64 * self.area_ha()
    }

    pub(crate) fn area_ha(&self) -> f64 {
        self.side_m * self.side_m / 10_000.0
    }

    /// A point anywhere.
    pub(crate) fn point(&self, random: &mut Random) -> (f64, f64) {
        (random.unit() * self.side_m, random.unit() * self.side_m)
    }

    /// The true value, per ha of the strip between two eastings (the whole map from 0 to its side).
    pub(crate) fn truth(&self, attribute: Attribute, (west_m, east_m): (f64, f64)) -> f64 {
        let trees = || {
            let here = |tree: &&Mapped| (west_m..east_m.next_up()).contains(&tree.x_m);
            self.trees.iter().filter(here)
        };
        let area_ha = self.area_ha() * (east_m - west_m) / self.side_m;
        let number = trees().count() as f64;
        let basal_area = trees().map(|t| basal_area_m2(t.dbh_cm)).sum::<f64>();
        let by_height = || {
            trees()
                .map(|t| basal_area_m2(t.dbh_cm) * t.height_m)
                .sum::<f64>()
        };
        match attribute {
            Attribute::Trees => number / area_ha,
            Attribute::BasalArea => basal_area / area_ha,
            Attribute::VolumeTotal => trees().map(Mapped::volume_m3).sum::<f64>() / area_ha,
            Attribute::QuadraticMeanDbh => {
                (trees().map(|t| t.dbh_cm.powi(2)).sum::<f64>() / number).sqrt()
            }
            Attribute::LoreyHeight => by_height() / basal_area,
            other => panic!("no truth of {other:?}"),
        }
    }

    /// Trees that a rule takes at a point, and how many of their images.
    pub(crate) fn tally(&self, rule: &Rule, at: (f64, f64)) -> Vec<(usize, f64)> {
        let taken = self.trees.iter().enumerate().filter_map(|(k, mapped)| {
            let limit_m = limiting_distance_m(rule, mapped.dbh_cm)?;
            let images = self.images_within(mapped, at, limit_m);
            (images > 0).then(|| (k, f64::from(images)))
        });
        taken.collect()
    }

    /// Images of a tree of the wrapped map within a distance of a point.
    fn images_within(&self, tree: &Mapped, (x_m, y_m): (f64, f64), limit_m: f64) -> u32 {
        // Offsets to the nearest image, then as many maps further as the limit reaches.
        let nearest = |d: f64| d - self.side_m * (d / self.side_m).round();
        let (dx, dy) = (nearest(tree.x_m - x_m), nearest(tree.y_m - y_m));
        if limit_m <= self.side_m / 2.0 {
            return u32::from(dx * dx + dy * dy <= limit_m * limit_m);
        }
        let reach = (limit_m / self.side_m + 0.5).floor();
        let mut images = 0;
        let mut east = -reach;
        while east <= reach {
            let mut north = -reach;
            while north <= reach {
                let distance = (dx + east * self.side_m).hypot(dy + north * self.side_m);
                images += u32::from(distance <= limit_m);
                north += 1.0;
            }
            east += 1.0;
        }
        images
    }
}

/// A small number without its fraction.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "small and not negative"
)]
fn whole(number: f64) -> usize {
    number as usize
}
