//! The sums of a 3P sample: every tree of a stratum was predicted, and measured with probability in
//! proportion to its prediction.
//!
//! ```text
//! adjusted total   X = P mean(r),  r_j = x_j / p_j      P sum of predictions up to K, n sample trees
//! its error        s_e = P s_r / sqrt n                 n - 1 degrees of freedom, n as found
//! domain D         X_D = P mean(r_j I_D(j))             so that domains add up to the whole
//! predicted > K    measured in any case: added as they are
//! number of trees  counted, without error; within a dbh class estimated like all else
//! ```
//! Each sample tree is one unit whose value is `(P r_j + C) / A`, with `C` what needs no estimate
//! (trees above K; the number of trees) and `A` the area: the mean of these units and its error are
//! those above. Any scale of the predictions gives the same.
//!
//! Source: Grosenbaugh 1965, USDA Forest Service Research Paper PSW-21 (adjusted estimate); domains
//! as zeros outside, Cochran 1977, section 2.13 (both from memory).

use std::collections::BTreeMap;

use super::{Column, Domain, PlotSum, SelectionSums, Sums, dbh_class, domains_of};
use crate::design::{Design, SelectionIndex};
use crate::expansion::Expansion;
use crate::records::{Rule, Stand, ThreeP, Tree};
use crate::stems::TreeValues;
use crate::units::basal_area_m2;

/// A sample tree on its sheet.
type Sampled<'a> = (usize, &'a Tree, &'a TreeValues);

/// What one stratum holds.
#[derive(Default)]
struct StratumTrees<'a> {
    sample: Option<ThreeP>,
    /// A sheet of the stratum.
    sheet: usize,
    trees: Vec<Sampled<'a>>,
    /// Sums that every unit has: what is known without sampling error.
    known: BTreeMap<Domain, Sums>,
}

/// Sums one selection of one stand. `values` holds the trees of the stand in their order.
pub(super) fn sum_selection(
    design: &Design,
    stand: &Stand,
    selection: SelectionIndex,
    values: &[TreeValues],
) -> SelectionSums {
    let mut sums = SelectionSums {
        selection,
        counted: false,
        full_tally: false,
        three_p: true,
        plots: Vec::new(),
        area_missing: false,
    };
    let mut strata: Vec<StratumTrees<'_>> = Vec::new();
    strata.resize_with(stand.strata.len(), StratumTrees::default);
    let mut first_tree = 0;
    for (sheet, plot) in stand.plots.iter().enumerate() {
        for visit in &plot.visits {
            let values = &values[first_tree..first_tree + visit.trees.len()];
            first_tree += visit.trees.len();
            let Rule::ThreeP(sample) = visit.rule else {
                continue;
            };
            if visit.selection != selection {
                continue;
            }
            let Some(area_ha) = stand.strata[plot.stratum].area_ha else {
                sums.area_missing = true;
                // Something was done here, though nothing per hectare can be said.
                sums.plots.push(PlotSum {
                    plot: sheet,
                    stratum: plot.stratum,
                    cells: Vec::new(),
                });
                continue;
            };
            let stratum = &mut strata[plot.stratum];
            stratum.sheet = sheet;
            stratum.sample = Some(sample);
            for (tree, values) in visit.trees.iter().zip(values) {
                let Some(prediction) = tree.prediction else {
                    continue;
                };
                if sample.is_certain(prediction) {
                    stratum.add_known(design, tree, values, area_ha);
                } else {
                    stratum.add_number(tree, area_ha);
                    stratum.trees.push((sheet, tree, values));
                }
            }
            for count in &visit.counts {
                for domain in domains_of(count.status, count.species, None) {
                    let known = stratum.known.entry(domain).or_default();
                    known.values[Column::Trees as usize] += count.count / area_ha;
                }
            }
        }
    }
    for (h, (trees, of)) in strata.iter().zip(&stand.strata).enumerate() {
        if let (Some(sample), Some(area_ha)) = (trees.sample, of.area_ha) {
            sums.plots.extend(trees.units(design, h, sample, area_ha));
        }
    }
    sums
}

/// What a tree adds where it stands for so many trees per hectare.
fn expansion(tree: &Tree, trees_per_ha: f64) -> Expansion {
    Expansion {
        trees_per_ha,
        basal_area_m2_per_ha: basal_area_m2(tree.dbh_cm) * trees_per_ha,
    }
}

impl StratumTrees<'_> {
    /// A tree that was measured in any case.
    fn add_known(&mut self, design: &Design, tree: &Tree, values: &TreeValues, area_ha: f64) {
        let class = dbh_class(tree.dbh_cm, design.dbh_class_cm);
        for domain in domains_of(tree.status, tree.species, Some(class)) {
            let known = self.known.entry(domain).or_default();
            known.add_tree(tree.dbh_cm, expansion(tree, 1.0 / area_ha), values);
        }
    }

    /// A sample tree is one tree, whatever it stands for.
    fn add_number(&mut self, tree: &Tree, area_ha: f64) {
        for domain in domains_of(tree.status, tree.species, None) {
            let known = self.known.entry(domain).or_default();
            known.values[Column::Trees as usize] += 1.0 / area_ha;
        }
    }

    /// One unit for each sample tree. A stratum whose trees were all measured in any case is one
    /// unit; one without any sample tree for its predictions has none.
    fn units(&self, design: &Design, stratum: usize, sample: ThreeP, area_ha: f64) -> Vec<PlotSum> {
        let unit = |plot: usize, cells: BTreeMap<Domain, Sums>| PlotSum {
            plot,
            stratum,
            cells: cells.into_iter().collect(),
        };
        if self.trees.is_empty() && sample.predicted <= 0.0 {
            return vec![unit(self.sheet, self.known.clone())];
        }
        let of_tree = |(sheet, tree, values): &Sampled<'_>| {
            let mut cells = self.known.clone();
            let prediction = tree.prediction.unwrap_or(f64::INFINITY);
            let stands_for = expansion(tree, sample.predicted / prediction / area_ha);
            let class = dbh_class(tree.dbh_cm, design.dbh_class_cm);
            for domain in domains_of(tree.status, tree.species, Some(class)) {
                let mut own = Sums::default();
                own.add_tree(tree.dbh_cm, stands_for, values);
                if domain.dbh_class.is_none() {
                    own.values[Column::Trees as usize] = 0.0;
                }
                cells.entry(domain).or_default().add(&own);
            }
            unit(*sheet, cells)
        };
        self.trees.iter().map(of_tree).collect()
    }
}
