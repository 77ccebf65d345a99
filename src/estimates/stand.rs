//! One stand: plot sums, then its strata, then the stand over its strata.

use super::counted::{Borrowing, Lender};
use super::double_sampling::DoubleSample;
use super::group::{Given, Group, cells_of, combine};
use super::layout::{Layout, layout, of_stratum, size_of_stratum, strata_weights};
use super::plots::{self, PlotValue};
use super::ratios::{self, Resampling};
use super::top_height::{self, TopHeight};
use super::warnings::OfStand;
use super::{EstimateRow, note};
use crate::design::{Design, Measured, SelectionIndex};
use crate::diagnostic::Diagnostic;
use crate::plot_sums::{Column, PlotSum, SelectionSums, StatusDomain, sum_selection};
use crate::records::{Plot, Records, Stand, Visit};
use crate::stems::TreeValues;

/// Which volumes, masses and heights are estimated; a tree that lacks one of them leaves its groups
/// without it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Summed([bool; Column::COUNT]);

impl Summed {
    /// What a cruise asks for, whatever its trees have: so that a stand gives the same rows alone as
    /// among others.
    pub fn only(asked: impl Fn(Column) -> bool) -> Self {
        Summed(Column::ALL.map(asked))
    }

    /// What some tree of all stands has.
    pub fn of(values: &[Vec<TreeValues>]) -> Self {
        let any = |has: fn(&TreeValues) -> bool| values.iter().flatten().any(has);
        let height = any(|v| v.height_m.is_some());
        let biomass = any(|v| v.biomass_kg.is_some());
        Summed(Column::ALL.map(|column| match column {
            Column::Trees
            | Column::BasalArea
            | Column::MeasuredBasalArea
            | Column::StandDensityIndexSummed => true,
            Column::VolumeTotal => any(|v| v.volume_total_m3.is_some()),
            Column::VolumeMerch => any(|v| v.volume_merch_m3.is_some()),
            Column::VolumeNet => any(|v| v.volume_net_m3.is_some()),
            Column::VolumeBark => any(|v| v.volume_bark_m3.is_some()),
            Column::Biomass | Column::Carbon => biomass,
            Column::BiomassWood => biomass && any(|v| v.biomass_wood_kg.is_some()),
            Column::BiomassBark => biomass && any(|v| v.biomass_bark_kg.is_some()),
            Column::BiomassBranches => biomass && any(|v| v.biomass_branch_kg.is_some()),
            Column::BiomassFoliage => biomass && any(|v| v.biomass_foliage_kg.is_some()),
            Column::Height | Column::BasalAreaHeight => height,
        }))
    }

    pub(super) fn has(&self, column: Column) -> bool {
        self.0[column as usize]
    }
}

/// The estimates of one stand.
#[derive(Clone, Debug)]
pub struct StandEstimates {
    /// By selection: its strata, and the stand over them.
    pub groups: StandGroups,
    /// What was assumed or left out.
    pub notes: Vec<Diagnostic>,
    /// The plots' own figures.
    pub plots: Vec<PlotValue>,
}

/// What a stand adds to all stands together, and its rows.
#[derive(Clone, Debug, PartialEq)]
pub struct StandGroups {
    /// Name of the stand.
    pub(super) name: String,
    /// Names of its strata; empty where it is not stratified.
    pub(super) strata: Vec<String>,
    /// Is the area of a stratum not known?
    pub(super) without_area: bool,
    /// By selection: its strata in their order, and the stand over them.
    pub(super) selections: Vec<SelectionGroups>,
}

/// A visit with its plot and the values of its trees.
#[derive(Clone, Copy)]
pub(super) struct ValuedVisit<'a> {
    pub(super) plot: &'a Plot,
    pub(super) visit: &'a Visit,
    pub(super) values: &'a [TreeValues],
}

/// The groups of one selection in one stand.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct SelectionGroups {
    /// One per stratum; `None` where the selection was not carried out there.
    pub(super) strata: Vec<Option<Group>>,
    /// The stand over its strata.
    pub(super) stand: Option<Group>,
}

impl StandGroups {
    /// The rows of the stand: each stratum, then the stand; by selection within these.
    pub fn rows(&self) -> Vec<EstimateRow> {
        let strata = self.selections.iter().map(|s| s.strata.len()).max();
        let named = |group: &&Group| group.stratum.is_some();
        let mut rows = Vec::new();
        for stratum in 0..strata.unwrap_or_default() {
            let groups = self
                .selections
                .iter()
                .filter_map(|s| s.strata[stratum].as_ref());
            rows.extend(groups.filter(named).flat_map(Group::rows));
        }
        let stands = self.selections.iter().filter_map(|s| s.stand.as_ref());
        rows.extend(stands.flat_map(Group::rows));
        rows
    }
}

/// Estimates one stand. `values` holds its trees in the order of `Stand::trees`; `summed` is what
/// is estimated.
pub fn estimate_stand(
    design: &Design,
    records: &Records,
    stand: usize,
    values: &[TreeValues],
    summed: &Summed,
) -> StandEstimates {
    let stand = &records.stands[stand];
    let sums: Vec<SelectionSums> = (0..design.selections.len())
        .map(|selection| sum_selection(design, stand, selection, values))
        .collect();
    let context = Context {
        design,
        records,
        stand,
        values,
        summed,
        sums: &sums,
    };
    let mut strata = stand.strata.iter();
    let mut estimates = StandEstimates {
        groups: StandGroups {
            name: stand.name.clone(),
            without_area: strata.any(|stratum| stratum.area_ha.is_none()),
            strata: stand.strata.iter().map(|h| h.name.clone()).collect(),
            selections: Vec::new(),
        },
        notes: Vec::new(),
        plots: Vec::new(),
    };
    for sums in &sums {
        let groups = context.selection(sums, &mut estimates.notes);
        estimates.groups.selections.push(groups);
        let visits = context.visits(sums.selection);
        let plots = plots::plot_values(context.stand, sums, &visits, summed);
        estimates.plots.extend(plots);
    }
    estimates
}

/// The selection whose trees lend a counted sweep their volume per basal area, if there is one.
pub(super) fn donor_of<'a>(
    design: &Design,
    sums: &'a [SelectionSums],
    selection: SelectionIndex,
) -> Option<&'a SelectionSums> {
    let rule = &design.selections[selection];
    let itself = (rule.measured == Measured::Some).then_some(selection);
    let donor = &sums[rule.volume_ratio_from.or(itself)?];
    (!donor.plots.is_empty() && !donor.area_missing).then_some(donor)
}

/// Everything that the estimates of a stand are made from.
struct Context<'a> {
    design: &'a Design,
    records: &'a Records,
    stand: &'a Stand,
    values: &'a [TreeValues],
    summed: &'a Summed,
    sums: &'a [SelectionSums],
}

impl Context<'_> {
    /// The strata and the stand for one selection.
    fn selection(&self, sums: &SelectionSums, notes: &mut Vec<Diagnostic>) -> SelectionGroups {
        let mut groups = SelectionGroups {
            strata: vec![None; self.stand.strata.len()],
            stand: None,
        };
        let place = self.place(sums.selection);
        if sums.three_p && sums.plots.is_empty() && !self.visits(sums.selection).is_empty() {
            notes.push(note(
                "three-p-without-sample",
                format!(
                    "{place}: trees were predicted, but none was measured, so nothing is given"
                ),
            ));
        }
        if sums.plots.is_empty() {
            return groups;
        }
        if sums.area_missing {
            notes.push(note(
                "full-tally-without-area",
                format!(
                    "{place}: the area of a {} is not known, so nothing per hectare is given",
                    if sums.three_p {
                        "3P sample"
                    } else {
                        "full tally"
                    }
                ),
            ));
            return groups;
        }
        self.note_missing_values(sums, notes);
        let layout = layout(self.design, self.stand, sums.selection);
        if layout.without_places {
            notes.push(note(
                "variance-without-places",
                format!("{place}: not every plot has a place on the map beside others, so the variance is that of a random sample"),
            ));
        }
        for stratum in 0..self.stand.strata.len() {
            groups.strata[stratum] = self.stratum(sums, &layout, stratum);
        }
        groups.stand = self.whole_stand(sums, &layout, &groups.strata, &place, notes);
        self.limits_of_ratios(sums, &layout, &mut groups, notes);
        if groups.stand.is_some() {
            self.warn((sums, &layout), notes);
        }
        if sums.counted {
            self.borrow_volumes(sums, &layout, &mut groups, notes);
        }
        groups
    }

    /// `stand X, selection Y` for notes.
    fn place(&self, selection: SelectionIndex) -> String {
        let selection = &self.design.selections[selection].name;
        format!("stand `{}`, selection `{selection}`", self.stand.name)
    }

    /// Columns that can be estimated for a selection.
    fn given(&self, sums: &SelectionSums) -> Given {
        Column::ALL.map(|column| {
            let counted_too = matches!(column, Column::BasalArea | Column::MeasuredBasalArea);
            // An estimated sum of heights over a counted number of trees is no mean height.
            let no_sense = sums.three_p && column == Column::Height;
            self.summed.has(column) && (counted_too || !sums.counted) && !no_sense
        })
    }

    /// One stratum; `None` without plots.
    fn stratum(&self, sums: &SelectionSums, layout: &Layout, stratum: usize) -> Option<Group> {
        let sample = layout.strata[stratum].as_ref()?;
        let given = self.given(sums);
        let (zero, cells) = cells_of(sample, &of_stratum(sums, stratum), given);
        let of = &self.stand.strata[stratum];
        let named = !of.name.is_empty() || self.stand.strata.len() > 1;
        Some(Group {
            stand: Some(self.stand.name.clone()),
            stratum: named.then(|| of.name.clone()),
            selection: sums.selection,
            area_ha: of.area_ha,
            given,
            zero,
            cells,
            top_height: if given[Column::Height as usize] {
                let visits = self.visits(sums.selection);
                let visits = visits
                    .into_iter()
                    .filter(|visit| visit.plot.stratum == stratum);
                top_height::of_stratum(sample, &visits.collect::<Vec<_>>(), of.area_ha)
            } else {
                TopHeight::NoTrees
            },
        })
    }

    /// The stand over its strata, where they can be weighted.
    fn whole_stand(
        &self,
        sums: &SelectionSums,
        layout: &Layout,
        strata: &[Option<Group>],
        place: &str,
        notes: &mut Vec<Diagnostic>,
    ) -> Option<Group> {
        let names = |missing: &dyn Fn(usize) -> bool| -> Vec<String> {
            let missing = (0..strata.len()).filter(|h| missing(*h));
            missing
                .map(|h| format!("`{}`", self.stand.strata[h].name))
                .collect()
        };
        let unsampled = names(&|h| strata[h].is_none());
        if !unsampled.is_empty() {
            notes.push(note(
                "stratum-not-sampled",
                format!(
                    "{place}: not carried out{} in stratum {}, so nothing is given for the stand as a whole",
                    if sums.three_p { ", or no tree measured," } else { "" },
                    unsampled.join(", ")
                ),
            ));
            return None;
        }
        let no_area = names(&|h| size_of_stratum(self.design, self.stand, h).is_none());
        if strata.len() > 1 && !no_area.is_empty() {
            notes.push(note(
                "strata-without-area",
                format!(
                    "{place}: the area of stratum {} is not known, so nothing is given for the stand as a whole",
                    no_area.join(", ")
                ),
            ));
            return None;
        }
        let groups: Vec<&Group> = strata.iter().flatten().collect();
        let weights = strata_weights(self.design, self.stand, None);
        // Weights in the unit of areas or points: some formulas need these themselves.
        let sizes = (0..strata.len()).map(|h| size_of_stratum(self.design, self.stand, h));
        let sizes = sizes.collect::<Option<Vec<f64>>>().or(weights);
        let name = (Some(self.stand.name.clone()), None);
        let mut whole = combine(name, &groups, sizes, layout.together)?;
        if let Some(sample) = &layout.stand {
            let plots: Vec<&PlotSum> = sums.plots.iter().collect();
            (whole.zero, whole.cells) = cells_of(sample, &plots, whole.given);
        }
        Some(whole)
    }

    /// Looks for the limits of the ratios as the design says.
    fn limits_of_ratios(
        &self,
        sums: &SelectionSums,
        layout: &Layout,
        groups: &mut SelectionGroups,
        notes: &mut Vec<Diagnostic>,
    ) {
        let how = Resampling {
            intervals: self.design.intervals,
            confidence: self.design.confidence,
            stand: &self.stand.name,
            strata: self.stand.strata.iter().map(|h| h.name.as_str()).collect(),
        };
        let weights = strata_weights(self.design, self.stand, None).unwrap_or_default();
        let stand = groups.stand.as_mut().map(|stand| (stand, &weights[..]));
        let at_extreme = ratios::fill(&how, (sums, layout), &mut groups.strata, stand);
        if at_extreme > 0 {
            notes.push(note(
                "ratio-limits-at-extreme",
                format!(
                    "{}: of the ratios {at_extreme} have a limit at the outermost of {} resamples, so it may lie farther out",
                    self.place(sums.selection),
                    self.design.intervals.resamples
                ),
            ));
        }
    }

    /// Says where intervals of the stand hold the truth less often than they should.
    fn warn(&self, (sums, layout): (&SelectionSums, &Layout), notes: &mut Vec<Diagnostic>) {
        OfStand {
            place: &self.place(sums.selection),
            sums,
            layout,
            weights: &strata_weights(self.design, self.stand, None).unwrap_or_default(),
            design: self.design,
        }
        .warn(&self.given(sums), notes);
    }

    /// What counted trees borrow, in words.
    fn borrowed_words(&self) -> &'static str {
        match (
            self.summed.has(Column::VolumeTotal),
            self.summed.has(Column::Biomass),
        ) {
            (true, true) => "volume and biomass",
            (false, true) => "biomass",
            _ => "volume",
        }
    }

    /// Replaces the volumes and masses of a counted sweep's groups by borrowed ones.
    fn borrow_volumes(
        &self,
        sums: &SelectionSums,
        layout: &Layout,
        groups: &mut SelectionGroups,
        notes: &mut Vec<Diagnostic>,
    ) {
        let borrowed = || Column::BORROWED.into_iter().filter(|c| self.summed.has(*c));
        if borrowed().next().is_none() {
            return;
        }
        let what = self.borrowed_words();
        let place = self.place(sums.selection);
        let Some(donor) = donor_of(self.design, self.sums, sums.selection) else {
            notes.push(note(
                "no-volume-donor",
                format!("{place}: no measured trees lend their {what} per basal area, so counted trees have no {what}"),
            ));
            return;
        };
        let borrowing = Borrowing::new(self.design, self.stand, (sums, layout), donor);
        self.note_lenders(&borrowing, donor.selection, &place, notes);
        let of = (self.design, self.stand);
        let double = DoubleSample::new(of.0, of.1, (sums, layout), donor, self.values);
        let fill = |group: &mut Group, stratum: Option<usize>, weights: &[f64]| {
            for (domain, cell) in &mut group.cells {
                for column in borrowed() {
                    let derived = borrowing.derive(*domain, column, weights);
                    cell.columns[column as usize] = derived.map(|borrowed| {
                        let product = double.asked((*domain, column), stratum, &borrowed);
                        product.map_or(borrowed.estimate, |p| p.estimate(borrowed.estimate))
                    });
                }
            }
            for column in borrowed() {
                group.given[column as usize] = true;
            }
        };
        for (h, group) in groups.strata.iter_mut().enumerate() {
            if let Some(group) = group {
                let weights = strata_weights(self.design, self.stand, Some(h));
                fill(group, Some(h), &weights.unwrap_or_default());
            }
        }
        if let Some(group) = &mut groups.stand
            && let Some(weights) = strata_weights(self.design, self.stand, None)
        {
            fill(group, None, &weights);
        }
    }

    /// Says which species borrow from others, or from nobody.
    fn note_lenders(
        &self,
        borrowing: &Borrowing,
        donor: SelectionIndex,
        place: &str,
        notes: &mut Vec<Diagnostic>,
    ) {
        let donor = &self.design.selections[donor].name;
        let what = self.borrowed_words();
        for status in [StatusDomain::Live, StatusDomain::Dead] {
            let word = if status == StatusDomain::Live {
                "live"
            } else {
                "dead"
            };
            let with = |lender: Lender| -> Vec<&str> {
                let lenders = borrowing.lenders().iter();
                lenders
                    .filter(|((of, _), is)| *of == status && **is == lender)
                    .map(|((_, species), _)| self.records.species[*species].label.as_str())
                    .collect()
            };
            let (pooled, nobody) = (with(Lender::Pooled), with(Lender::Nobody));
            if !pooled.is_empty() {
                notes.push(note(
                    "volume-ratio-pooled",
                    format!(
                        "{place}: `{donor}` has no {word} tree of {}; the {what} per basal area of its {word} trees of all species is used",
                        pooled.join(", ")
                    ),
                ));
            }
            if !nobody.is_empty() {
                notes.push(note(
                    "no-volume-donor",
                    format!(
                        "{place}: `{donor}` has no {word} tree, so counted {word} trees ({}) have no {what}",
                        nobody.join(", ")
                    ),
                ));
            }
        }
    }

    /// Says how many trees lack a volume, mass or height that others have.
    fn note_missing_values(&self, sums: &SelectionSums, notes: &mut Vec<Diagnostic>) {
        let trees = || {
            let trees = self.stand.trees().zip(self.values);
            trees
                .filter(|((_, visit, tree), _)| visit.selection == sums.selection && !tree.excluded)
        };
        let missing = |column: Column, has: fn(&TreeValues) -> Option<f64>, what: &str| {
            let count = trees().filter(|(_, values)| has(values).is_none()).count();
            (self.summed.has(column) && count > 0).then(|| format!("{count} without {what}"))
        };
        let found: Vec<String> = [
            missing(Column::Height, |v| v.height_m, "height"),
            missing(Column::VolumeTotal, |v| v.volume_total_m3, "total volume"),
            missing(
                Column::VolumeMerch,
                |v| v.volume_merch_m3,
                "merchantable volume",
            ),
            missing(Column::VolumeNet, |v| v.volume_net_m3, "net volume"),
            missing(Column::VolumeBark, |v| v.volume_bark_m3, "bark volume"),
            missing(Column::Biomass, |v| v.biomass_kg, "biomass"),
            missing(
                Column::BiomassWood,
                |v| v.biomass_wood_kg,
                "the components of biomass",
            ),
        ]
        .into_iter()
        .flatten()
        .collect();
        if !found.is_empty() {
            notes.push(note(
                "tree-values-missing",
                format!(
                    "{}: of {} trees {}; these figures are not given for the groups that hold such a tree",
                    self.place(sums.selection),
                    trees().count(),
                    found.join(", ")
                ),
            ));
        }
    }

    /// Visits of a selection with the values of their trees, in the order of the plots.
    fn visits(&self, selection: SelectionIndex) -> Vec<ValuedVisit<'_>> {
        let mut visits = Vec::new();
        let mut first = 0;
        for plot in &self.stand.plots {
            for visit in &plot.visits {
                let values = &self.values[first..first + visit.trees.len()];
                first += visit.trees.len();
                if visit.selection == selection {
                    visits.push(ValuedVisit {
                        plot,
                        visit,
                        values,
                    });
                }
            }
        }
        visits
    }
}
