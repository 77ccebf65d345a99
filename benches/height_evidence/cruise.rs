//! Upper Flat Creek (Robinson & Hamann 2011): 336 heights of four species at 132 points, as records.

use std::path::Path;

use spinney::design::Heights;
use spinney::heights::fill::CurveSet;
use spinney::heights::regional::RegionalSet;
use spinney::read::height_curves::regional_set;
use spinney::read::tables::Tables;
use spinney::records::{CruiseSpecies, Stand, Tree};
use spinney::species::SpeciesTable;

use crate::sample::{design, fixed, plot, records, tall, tree, visit};

pub(crate) const BREAST_HEIGHT_M: f64 = 1.37;
const CODES: [(&str, &str); 4] = [
    ("GF", "grand fir"),
    ("WC", "western redcedar"),
    ("DF", "Douglas-fir"),
    ("WL", "western larch"),
];

/// A tree with its height.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Measured {
    /// Index of its plot.
    pub(crate) plot: usize,
    pub(crate) species: usize,
    pub(crate) dbh_cm: f64,
    pub(crate) height_m: f64,
}

pub(crate) struct Cruise {
    pub(crate) trees: Vec<Measured>,
    pub(crate) n_plots: usize,
    pub(crate) species: Vec<CruiseSpecies>,
    table: SpeciesTable,
    pub(crate) regional: RegionalSet,
}

impl Cruise {
    pub(crate) fn read(folder: &Path) -> Cruise {
        let tables = Tables::builtin();
        let Ok(table) = tables.species() else {
            panic!("no species table")
        };
        let file = |part: &str| {
            let source = tables.source(&format!("height-curves/us-inland-empire-1982/{part}"));
            source.unwrap_or_else(|| panic!("no {part}"))
        };
        let set = regional_set(&file("set.yaml"), &file("coefficients.csv"), &table);
        let Ok(regional) = set else {
            panic!("no regional set")
        };
        let species = CODES.map(|(code, name)| CruiseSpecies {
            label: code.to_owned(),
            id: table.lookup(name).unwrap_or_else(|| panic!("no {name}")),
        });
        let path = folder.join("data-upper-flat-creek.csv");
        let mut reader = csv::Reader::from_path(path).unwrap_or_else(|e| panic!("{e}"));
        let mut plots: Vec<String> = Vec::new();
        let trees = reader.records().flatten().map(|row| {
            let number = |at: usize| row[at].parse::<f64>().unwrap_or(f64::NAN);
            let plot = plots.iter().position(|name| *name == row[0]);
            let plot = plot.unwrap_or_else(|| {
                plots.push(row[0].to_owned());
                plots.len() - 1
            });
            let species = CODES.iter().position(|(code, _)| *code == &row[2]);
            Measured {
                plot,
                species: species.unwrap_or_else(|| panic!("species {}", &row[2])),
                dbh_cm: number(3),
                height_m: number(4),
            }
        });
        let trees: Vec<Measured> = trees.collect();
        Cruise {
            n_plots: plots.len(),
            trees,
            species: species.to_vec(),
            table,
            regional,
        }
    }

    pub(crate) fn n_species(&self) -> usize {
        self.species.len()
    }

    /// Height by the published curve as it stands.
    pub(crate) fn published_m(&self, tree: &Measured) -> Option<f64> {
        let curve = self
            .regional
            .curve_for(self.species[tree.species].id, &self.table);
        Some(curve?.height_m(tree.dbh_cm))
    }

    /// Heights for all trees, by those that are measured, in the order given.
    pub(crate) fn fill(
        &self,
        heights: &Heights,
        with_regional: bool,
        trees: &[(Measured, bool)],
    ) -> Vec<Option<f64>> {
        let design = design(vec![fixed(0.02)]);
        let mut of_plot: Vec<Vec<(usize, Tree)>> = vec![Vec::new(); self.n_plots];
        for (at, (one, is_measured)) in trees.iter().enumerate() {
            let bare = tree(one.species, one.dbh_cm);
            let record = if *is_measured {
                tall(bare, one.height_m)
            } else {
                bare
            };
            of_plot[one.plot].push((at, record));
        }
        let order: Vec<usize> = of_plot.iter().flatten().map(|(at, _)| *at).collect();
        let plots = of_plot.into_iter().map(|trees| {
            let trees = trees.into_iter().map(|(_, tree)| tree).collect();
            plot(0, vec![visit(&design, 0, trees, Vec::new())])
        });
        let records = records(1, vec![("S", vec![("", None)], plots.collect())]);
        let stand: &Stand = &records.stands[0];
        let regional = with_regional.then_some(&self.regional);
        let curves = CurveSet::fit(&[stand], &self.species, &self.table, heights, regional);
        let filled = curves.fill(0, stand);
        let mut found = vec![None; trees.len()];
        for (at, height) in order.into_iter().zip(&filled.trees) {
            found[at] = height.height_m;
        }
        found
    }
}

/// Rules of the program for this cruise.
pub(crate) fn rules() -> Heights {
    let mut heights = design(vec![fixed(0.02)]).heights;
    heights.breast_height_m = BREAST_HEIGHT_M;
    heights
}
