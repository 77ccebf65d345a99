//! Does the `sampling` of the design fit the stands, strata and plots that were recorded?

use std::collections::{BTreeMap, BTreeSet};

use super::RecordFiles;
use super::design::place_of;
use super::plots::{PlotEntry, PlotList, VisitEntry};
use super::source::Source;
use super::stands::{AreaList, AreaRow, place_name};
use super::strata::StrataByStand;
use crate::design::{Design, StrataWeights, Variance};
use crate::diagnostic::{Diagnostic, Problems, Site, counted, seen};
use crate::records::{Rule, Stratum};

/// Areas may differ by so much, in proportion, for rounding.
const ROUNDING: f64 = 1e-9;

/// Checks the design against the records, each finding at the row or key that is to be changed.
pub(super) fn check(
    design: &Design,
    files: &RecordFiles,
    areas: &AreaList,
    plots: &PlotList,
    strata: &StrataByStand,
    problems: &mut Problems,
) {
    listed_stands(design, files, strata.len(), problems);
    let mut checks = Checks {
        design,
        files,
        areas,
        problems,
    };
    checks.points_without_use();
    let mut plots_of: BTreeMap<&str, Vec<&PlotEntry>> = BTreeMap::new();
    for run in plots.runs_of_stands() {
        plots_of.entry(&run[0].stand).or_default().extend(run);
    }
    for (stand, strata) in strata {
        let of_stand = plots_of.remove(stand.as_str()).unwrap_or_default();
        checks.listed_units(stand, strata, &of_stand);
        checks.covered(stand, strata, &of_stand);
        if design.sampling.strata == StrataWeights::Estimated && strata.len() > 1 {
            checks.first_sample(stand, strata, &of_stand);
        }
        if let Some(source) = &files.plots {
            checks.clusters(source, stand, &of_stand);
            if design.sampling.variance != Variance::Simple {
                checks.positions(source, stand, strata, &of_stand);
            }
        }
    }
}

/// The list of stands cannot be shorter than the sample drawn from it.
pub(super) fn listed_stands(
    design: &Design,
    files: &RecordFiles,
    with_plots: usize,
    problems: &mut Problems,
) {
    let Some(listed) = design.sampling.listed else {
        return;
    };
    if listed.stands < count(with_plots) {
        let message = format!(
            "the list has fewer stands (`{}`) than have plots here ({with_plots})",
            listed.stands
        );
        let mut finding = Diagnostic::error("list-too-short", message)
            .hint("`listed_stands` counts every stand of the list, sampled or not");
        if let Some(source) = &files.design {
            finding = finding.at(place_of(source, &["sampling", "listed_stands"]));
        }
        problems.push(finding);
    }
}

struct Checks<'a> {
    design: &'a Design,
    files: &'a RecordFiles,
    areas: &'a AreaList,
    problems: &'a mut Problems,
}

impl<'a> Checks<'a> {
    fn key(&self, key: &str) -> Option<Site> {
        let source = self.files.design.as_ref()?;
        Some(place_of(source, &["sampling", key]))
    }

    fn push(&mut self, finding: Diagnostic, site: Option<Site>) {
        self.problems.push(match site {
            Some(site) => finding.at(site),
            None => finding,
        });
    }

    fn row_site(&self, row: &AreaRow) -> Option<Site> {
        let source = self.files.stands.as_ref()?;
        Some(source.site_of(row.byte))
    }

    /// The row of a stratum; of the whole stand if `stratum` is `None`.
    fn row(&self, stand: &str, stratum: Option<&str>) -> Option<&'a AreaRow> {
        let mut rows = self.areas.of_stand(stand);
        rows.find(|row| row.stratum.as_deref() == stratum)
    }

    /// The row that a stratum was read from.
    fn row_of(&self, stand: &str, name: &str, is_sole: bool) -> Option<&'a AreaRow> {
        let named = Some(name).filter(|name| !name.is_empty());
        let own = self.row(stand, named);
        own.or_else(|| self.row(stand, None).filter(|_| is_sole))
    }

    fn points_without_use(&mut self) {
        if self.design.sampling.strata == StrataWeights::Estimated {
            return;
        }
        let areas = self.areas;
        if let Some(row) = (areas.rows.iter()).find(|row| row.phase_one_points.is_some()) {
            let message = "the points of a first sample are given, but strata are weighted by \
                           their areas: the points are not used";
            let finding = Diagnostic::warning("points-not-used", message)
                .hint("say `sampling: {strata: estimated}` in the design, or remove the column");
            let site = self.row_site(row);
            self.push(finding, site);
        }
    }

    /// Plots cannot cover more ground than there is.
    fn covered(&mut self, stand: &str, strata: &[Stratum], of_stand: &[&PlotEntry]) {
        let is_sole = strata.len() == 1;
        for stratum in strata {
            let Some(area_ha) = stratum.area_ha else {
                continue;
            };
            let members = in_stratum(of_stand, stratum, is_sole);
            for (at, selection) in self.design.selections.iter().enumerate() {
                let visits = members
                    .iter()
                    .filter_map(|plot| plot.visits.get(at)?.as_ref());
                let covered_ha: f64 = visits.map(on_map_ha).sum();
                if covered_ha <= area_ha * (1.0 + ROUNDING) {
                    continue;
                }
                let unit = self.design.units.area();
                let message = format!(
                    "the plots of selection `{}` cover {}, more than {} has ({})",
                    selection.name,
                    unit.words(covered_ha, 4),
                    stratum_name(stand, stratum),
                    unit.words(area_ha, 4)
                );
                let finding = Diagnostic::warning("plots-exceed-area", message)
                    .hint("correct the area or the size of the plots; is one in another unit?");
                let row = self.row_of(stand, &stratum.name, is_sole);
                let site = row.and_then(|row| self.row_site(row));
                self.push(finding, site);
            }
        }
    }

    /// A list cannot be shorter than the sample drawn from it. Where strata came after sampling,
    /// one list is that of the whole stand.
    fn listed_units(&mut self, stand: &str, strata: &[Stratum], of_stand: &[&PlotEntry]) {
        let is_sole = strata.len() == 1;
        let after = self.design.sampling.strata == StrataWeights::AfterSampling;
        let mut lists: Vec<(&Stratum, String, Option<&AreaRow>)> = Vec::new();
        for stratum in strata {
            let row = self.row_of(stand, &stratum.name, is_sole);
            if after && !is_sole {
                self.list_without_use(
                    row,
                    "plots were drawn before there were strata",
                    "the stand",
                );
            } else {
                lists.push((stratum, stratum_name(stand, stratum), row));
            }
        }
        let whole = self.row(stand, None);
        if after && !is_sole {
            lists.extend((strata.first()).map(|first| (first, place_name(stand, None), whole)));
        } else if !is_sole {
            self.list_without_use(whole, "plots were drawn stratum by stratum", "each stratum");
        }
        for (stratum, place, row) in lists {
            let units = self.units(&in_stratum(of_stand, stratum, is_sole || after));
            let own = stratum.listed_units;
            let Some(listed) = own.or(self.design.sampling.listed_units) else {
                continue;
            };
            if listed >= count(units) {
                continue;
            }
            let message = format!(
                "the list of {place} is shorter (`{listed}`) than its sample ({})",
                counted(units, "unit")
            );
            let hint = "`listed_units` counts every plot, or every cluster of plots, that could \
                        have been drawn";
            let site = match row.filter(|_| own.is_some()) {
                Some(row) => self.row_site(row),
                None => self.key("listed_units"),
            };
            self.push(
                Diagnostic::error("list-too-short", message).hint(hint),
                site,
            );
        }
    }

    fn list_without_use(&mut self, row: Option<&AreaRow>, why: &str, whose: &str) {
        if let Some(row) = row.filter(|row| row.listed_units.is_some()) {
            let place = place_name(&row.stand, row.stratum.as_deref());
            let message = format!("`listed_units` of {place} is not used: {why}");
            let finding = Diagnostic::warning("list-not-used", message)
                .hint(format!("give it in the row of {whose}"));
            let site = self.row_site(row);
            self.push(finding, site);
        }
    }

    /// Every stratum needs its points, of which its plots are a part.
    fn first_sample(&mut self, stand: &str, strata: &[Stratum], of_stand: &[&PlotEntry]) {
        for stratum in strata {
            let members = in_stratum(of_stand, stratum, false);
            let row = self.row_of(stand, &stratum.name, false);
            let place = stratum_name(stand, stratum);
            let mut site = row.and_then(|row| self.row_site(row));
            let Some(points) = stratum.phase_one_points else {
                if let (None, Some(source), [plot, ..]) = (&site, &self.files.plots, &members[..]) {
                    site = Some(source.site_of(plot.byte));
                }
                let message = format!("{place} has no `phase_one_points`");
                let hint = "with `strata: estimated`, the stands file gives for every stratum the \
                            points of the first sample that fell into it";
                self.push(Diagnostic::error("no-points", message).hint(hint), site);
                continue;
            };
            let units = self.units(&members);
            if points < count(units) {
                let message = format!(
                    "{place} has fewer points of the first sample (`{points}`) than {} measured",
                    counted(units, "unit")
                );
                let hint = "the plots are among the points: count them too";
                let finding = Diagnostic::error("too-few-points", message).hint(hint);
                self.push(finding, site);
            }
        }
        if self
            .row(stand, None)
            .is_some_and(|row| row.area_ha.is_some())
        {
            self.own_areas(stand, strata);
        }
    }

    /// The stand's area is shared out by points: areas of its strata would contradict it.
    fn own_areas(&mut self, stand: &str, strata: &[Stratum]) {
        for stratum in strata {
            let row = self.row(stand, Some(&stratum.name));
            if let Some(row) = row.filter(|row| row.area_ha.is_some()) {
                let message = format!(
                    "the area of {} is not used: its share of the points gives it",
                    stratum_name(stand, stratum)
                );
                let finding = Diagnostic::warning("area-not-used", message)
                    .hint("leave it blank, or remove the row of the whole stand");
                let site = self.row_site(row);
                self.push(finding, site);
            }
        }
    }

    /// The greatest number of plots or clusters that any selection was carried out at.
    fn units(&self, plots: &[&PlotEntry]) -> usize {
        let of_selection = |selection: usize| {
            let done = plots.iter().filter(|plot| plot.visits[selection].is_some());
            let units: BTreeSet<(bool, &str)> = done.map(|plot| unit(plot)).collect();
            units.len()
        };
        let selections = 0..self.design.selections.len();
        selections.map(of_selection).max().unwrap_or_default()
    }

    fn clusters(&mut self, source: &Source, stand: &str, of_stand: &[&PlotEntry]) {
        let mut first_of: BTreeMap<&str, &PlotEntry> = BTreeMap::new();
        let any = of_stand.iter().any(|plot| plot.cluster.is_some());
        for plot in of_stand {
            let Some(cluster) = plot.cluster.as_deref() else {
                if any {
                    let message = format!(
                        "plot {} of {} has no cluster, but other plots have",
                        seen(&plot.name),
                        place_name(stand, None)
                    );
                    self.problems.push(
                        Diagnostic::error("missing-value", message)
                            .at(source.site_of(plot.byte))
                            .hint("name its cluster; a plot on its own is a cluster of one"),
                    );
                }
                continue;
            };
            let first = *first_of.entry(cluster).or_insert(plot);
            if first.stratum != plot.stratum
                && self.design.sampling.strata != StrataWeights::AfterSampling
            {
                let message = format!(
                    "the plots {} and {} of cluster {} of {} lie in different strata",
                    seen(&first.name),
                    seen(&plot.name),
                    seen(cluster),
                    place_name(stand, None)
                );
                self.problems.push(
                    Diagnostic::error("cluster-in-two-strata", message)
                        .at(source.site_of(plot.byte))
                        .hint(
                            "a cluster is drawn within one stratum, unless the design says \
                             `sampling: {strata: after-sampling}`",
                        ),
                );
            }
        }
    }

    /// Differences of neighbours need to know who lies where.
    fn positions(
        &mut self,
        source: &Source,
        stand: &str,
        strata: &[Stratum],
        of_stand: &[&PlotEntry],
    ) {
        for stratum in strata {
            let members = in_stratum(of_stand, stratum, strata.len() == 1);
            let without: Vec<&&PlotEntry> = (members.iter())
                .filter(|plot| plot.easting.is_none() && plot.northing.is_none())
                .collect();
            if let [first, ..] = without[..] {
                let message = format!(
                    "no position is known of {} of {}: the variance there is found as for a random \
                     sample",
                    counted(without.len(), "plot"),
                    stratum_name(stand, stratum)
                );
                self.problems.push(
                    Diagnostic::warning("no-position", message)
                        .at(source.site_of(first.byte))
                        .hint("give `easting` and `northing` of every plot"),
                );
            }
        }
        let mut at: BTreeMap<[u64; 2], &PlotEntry> = BTreeMap::new();
        for plot in of_stand {
            let (Some(east), Some(north)) = (plot.easting, plot.northing) else {
                continue;
            };
            // Adding zero makes one of the two zeros.
            let place = [(east + 0.0).to_bits(), (north + 0.0).to_bits()];
            let first = *at.entry(place).or_insert(plot);
            if unit(first) != unit(plot) {
                let message = format!(
                    "the plots {} and {} of {} have the same coordinates",
                    seen(&first.name),
                    seen(&plot.name),
                    place_name(stand, None)
                );
                self.problems.push(
                    Diagnostic::warning("same-position", message)
                        .at(source.site_of(plot.byte))
                        .hint("correct one of them: neighbours are found by their coordinates"),
                );
            }
        }
    }
}

/// Ground that a plot covers on the map, in ha; a sweep has no bounds.
fn on_map_ha(visit: &VisitEntry) -> f64 {
    let full_ha = match &visit.rule {
        Rule::FixedArea { area_ha, .. } => *area_ha,
        Rule::NestedRings(rings) => rings.iter().map(|ring| ring.area_ha).fold(0.0, f64::max),
        Rule::FullTally | Rule::ThreeP(_) | Rule::AngleGauge { .. } => 0.0,
    };
    full_ha * visit.plot_fraction / visit.slope_to_correct.hypot(1.0)
}

/// The sampling unit that a plot belongs to: its cluster, or itself.
fn unit(plot: &PlotEntry) -> (bool, &str) {
    match &plot.cluster {
        Some(cluster) => (true, cluster),
        None => (false, &plot.name),
    }
}

fn in_stratum<'p>(plots: &[&'p PlotEntry], stratum: &Stratum, is_sole: bool) -> Vec<&'p PlotEntry> {
    let lies = |plot: &&&PlotEntry| is_sole || plot.stratum.as_deref() == Some(&stratum.name);
    plots.iter().filter(lies).copied().collect()
}

fn stratum_name(stand: &str, stratum: &Stratum) -> String {
    place_name(
        stand,
        Some(stratum.name.as_str()).filter(|name| !name.is_empty()),
    )
}

/// Plots or stands as a figure to compare with.
fn count(number: usize) -> f64 {
    u32::try_from(number).map_or(f64::INFINITY, f64::from)
}
