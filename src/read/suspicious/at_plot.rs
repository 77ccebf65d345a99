//! What does not fit its plot: distances, least diameters, empty plots, sizes far from the
//! design's, basal areas that no forest has.

use std::collections::BTreeMap;

use super::{Cruise, plausible};
use crate::design::Method;
use crate::diagnostic::{Diagnostic, Problems, Site, counted};
use crate::expansion::limiting_distance_m;
use crate::read::plots::VisitEntry;
use crate::read::trees::{TreeRow, TreeSheet};
use crate::records::Rule;
use crate::units::{M_PER_FT, M2_PER_HA_PER_FT2_PER_AC, basal_area_m2};

/// What was found at one visit.
#[derive(Clone, Copy, Default)]
struct Found {
    trees: usize,
    counts: usize,
    basal_area_m2_per_ha: f64,
}

impl Found {
    fn is_nothing(&self) -> bool {
        self.trees + self.counts == 0
    }
}

/// What was found at all visits, by plot and selection.
struct Finds {
    selections: usize,
    list: Vec<Found>,
}

impl Finds {
    /// At one plot, by selection.
    fn at(&self, plot: usize) -> &[Found] {
        &self.list[plot * self.selections..][..self.selections]
    }

    fn at_mut(&mut self, plot: usize, selection: usize) -> &mut Found {
        &mut self.list[plot * self.selections + selection]
    }
}

/// Looks at each tree against the rule in force at its plot, and at each plot as a whole.
pub(super) fn check(cruise: &Cruise, problems: &mut Problems) {
    let found = find(cruise);
    if let Some(sheet) = cruise.trees {
        for row in &sheet.rows {
            check_distance(cruise, sheet, row, problems);
            check_least_dbh(cruise, sheet, row, problems);
            check_own_factor(cruise, sheet, row, problems);
        }
        for (plot, byte) in &sheet.no_tree_rows {
            let site = sheet.table.site_in_row_at(*byte, None);
            let records = |found: &Found| found.trees;
            report_marked(cruise, *plot, found.at(*plot), records, site, problems);
        }
    }
    if let Some(counts) = cruise.counts {
        for (plot, byte) in &counts.no_tree_rows {
            let site = counts.table.site_in_row_at(*byte, None);
            let records = |found: &Found| found.counts;
            report_marked(cruise, *plot, found.at(*plot), records, site, problems);
        }
    }
    for (index, plot) in cruise.plots.plots.iter().enumerate() {
        check_empty(cruise, index, found.at(index), problems);
        for (selection, visit) in plot.visits.iter().enumerate() {
            if let Some(visit) = visit {
                check_own_size(cruise, index, selection, visit, problems);
            }
        }
    }
    check_basal_areas(cruise, &found, problems);
    report_empty_selections(cruise, &found, problems);
}

fn find(cruise: &Cruise) -> Finds {
    let selections = cruise.design.selections.len();
    let mut found = Finds {
        selections,
        list: vec![Found::default(); selections * cruise.plots.plots.len()],
    };
    for row in cruise.trees.iter().flat_map(|sheet| &sheet.rows) {
        if let (Some(plot), Some(selection)) = (row.plot, row.selection) {
            let found = found.at_mut(plot, selection);
            found.trees += 1;
            if let (Some(dbh), Some(rule), false) =
                (row.dbh_cm, row.rule(cruise.plots), row.excluded)
            {
                found.basal_area_m2_per_ha += row.count * basal_area_per_ha(&rule, dbh);
            }
        }
    }
    for row in cruise.counts.iter().flat_map(|sheet| &sheet.rows) {
        if let (Some(plot), Some(selection)) = (row.plot, row.selection) {
            let found = found.at_mut(plot, selection);
            found.counts += 1;
            let visit = cruise.plots.plots[plot].visits[selection].as_ref();
            if let Some(Rule::AngleGauge { baf_m2_per_ha }) = visit.map(|visit| &visit.rule) {
                found.basal_area_m2_per_ha += row.count * baf_m2_per_ha;
            }
        }
    }
    found
}

/// Is a tree farther away than it may be, or on the border?
fn check_distance(cruise: &Cruise, sheet: &TreeSheet, row: &TreeRow, problems: &mut Problems) {
    let (Some(distance), Some(dbh)) = (row.distance_to_centre_m, row.dbh_cm) else {
        return;
    };
    let Some(rule) = row.rule(cruise.plots) else {
        return;
    };
    let Some(limit) = limiting_distance_m(&rule, dbh) else {
        return;
    };
    let units = cruise.design.units;
    let why = match *rule {
        Rule::AngleGauge { baf_m2_per_ha } => {
            let factor = units.basal_area_per_area();
            format!(
                "dbh {}, factor {} {}",
                units.diameter().words(dbh, 1),
                short(baf_m2_per_ha * factor.from_metric),
                factor.label
            )
        }
        _ => String::from("the radius of its plot"),
    };
    let at = sheet.site(row, sheet.columns.distance_to_centre);
    let [stands_at, within] = [distance, limit].map(|m| units.length().words(m, 2));
    if distance > limit {
        let message = format!(
            "the tree stands at {stands_at}, beyond its limiting distance of {within} ({why})"
        );
        problems.push(
            Diagnostic::warning("beyond-limiting-distance", message)
                .at(at)
                .hint("it is out: remove it, or correct the distance or the dbh"),
        );
    } else if distance >= (1.0 - plausible::BORDERLINE_SHARE) * limit {
        let message = format!(
            "a borderline tree: at {stands_at}, within its limiting distance of {within} ({why})"
        );
        problems.push(Diagnostic::note("borderline-tree", message).at(at));
    }
}

/// Is a tree too thin for its selection, or in none of its rings?
fn check_least_dbh(cruise: &Cruise, sheet: &TreeSheet, row: &TreeRow, problems: &mut Problems) {
    let (true, Some(dbh), Some(selection)) = (row.excluded, row.dbh_cm, row.selection) else {
        return;
    };
    let selection = &cruise.design.selections[selection];
    let unit = cruise.design.units.diameter();
    let thick = unit.words(dbh, 1);
    let diagnostic = if let Some(min) = selection.min_dbh_cm.filter(|min| dbh < *min) {
        let message = format!(
            "dbh {thick} is below the least dbh of selection `{}` ({} {})",
            selection.name,
            short(min * unit.from_metric),
            unit.label
        );
        Diagnostic::warning("below-least-dbh", message)
    } else {
        let message = format!(
            "dbh {thick} is in no ring of selection `{}`",
            selection.name
        );
        Diagnostic::warning("outside-rings", message)
    };
    problems.push(
        diagnostic
            .at(sheet.site(row, Some(sheet.columns.dbh)))
            .hint("it is kept in the tree list and stands for nothing"),
    );
}

/// Is a tree's own factor far from the design's?
fn check_own_factor(cruise: &Cruise, sheet: &TreeSheet, row: &TreeRow, problems: &mut Problems) {
    if let (Some(own), Some(selection)) = (row.baf_m2_per_ha, row.selection)
        && let Method::AngleGauge { baf_m2_per_ha } = cruise.design.selections[selection].method
        && let Some(diagnostic) = far_factor(own, baf_m2_per_ha)
    {
        problems.push(diagnostic.at(sheet.site(row, sheet.columns.baf)));
    }
}

/// A factor far from the design's; the commonest reason is ft2/ac in a field of m2/ha.
fn far_factor(own: f64, design: f64) -> Option<Diagnostic> {
    let ratio = own / design;
    if is_near(ratio, plausible::OVERRIDE_RATIO) {
        return None;
    }
    let message = format!(
        "the basal area factor {} m2/ha is far from the design's {}",
        short(own),
        short(design)
    );
    // 1 m2/ha is 4.356 ft2/ac: within 2 % of it, the units were mixed.
    let per_metric = 1.0 / M2_PER_HA_PER_FT2_PER_AC;
    let hint = if (ratio / per_metric - 1.0).abs() < 0.02 {
        format!(
            "{} ft2/ac is {} m2/ha: was it given in ft2/ac?",
            short(own),
            short(own * M2_PER_HA_PER_FT2_PER_AC)
        )
    } else {
        String::from("is it a slip, or another unit?")
    };
    Some(Diagnostic::warning("far-from-design", message).hint(hint))
}

/// Within this ratio of 1, upwards or downwards.
fn is_near(ratio: f64, most: f64) -> bool {
    ratio <= most && ratio >= 1.0 / most
}

/// A number without idle digits.
fn short(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A row that marks a plot without trees: well, unless the plot has trees after all.
fn report_marked(
    cruise: &Cruise,
    plot: usize,
    found: &[Found],
    records: impl Fn(&Found) -> usize,
    site: Site,
    problems: &mut Problems,
) {
    let name = cruise.plots.name_of(plot);
    let visits = &cruise.plots.plots[plot].visits;
    let is_marked = |s: &usize| visits[*s].as_ref().is_some_and(|visit| visit.marked_empty);
    let marked: Vec<usize> = (0..visits.len()).filter(is_marked).collect();
    let records: usize = marked.iter().map(|s| records(&found[*s])).sum();
    if records > 0 {
        let message = format!(
            "a row says that {name} has no trees, but it has {}",
            counted(records, "record")
        );
        problems.push(
            Diagnostic::warning("empty-plot-with-trees", message)
                .at(site)
                .hint("remove that row or the trees"),
        );
        return;
    }
    let names: Vec<String> = marked
        .iter()
        .map(|s| format!("`{}`", cruise.design.selections[*s].name))
        .collect();
    let message = format!(
        "{name}, selection {}: no trees, and marked so; it counts with zeros",
        names.join(" and ")
    );
    problems.push(Diagnostic::note("empty-plot", message).at(site));
}

fn basal_area_per_ha(rule: &Rule, dbh_cm: f64) -> f64 {
    let area_ha = match rule {
        Rule::AngleGauge { baf_m2_per_ha } => return *baf_m2_per_ha,
        Rule::FixedArea { area_ha, .. } => *area_ha,
        Rule::NestedRings(rings) => {
            let mut rings = rings.iter();
            match rings.find(|ring| {
                ring.min_dbh_cm <= dbh_cm && ring.max_dbh_cm.is_none_or(|max| dbh_cm < max)
            }) {
                Some(ring) => ring.area_ha,
                None => return 0.0,
            }
        }
        Rule::FullTally | Rule::ThreeP(_) => return 0.0,
    };
    basal_area_m2(dbh_cm) / area_ha
}

/// Place of a visit in the plots file, if there is one.
fn visit_site(cruise: &Cruise, byte: usize) -> Option<Site> {
    let source = cruise.files.plots.as_ref()?;
    Some(source.site(source.line_of(byte), 0))
}

fn push_at(problems: &mut Problems, diagnostic: Diagnostic, site: Option<Site>) {
    problems.push(match site {
        Some(site) => diagnostic.at(site),
        None => diagnostic,
    });
}

/// Nothing was recorded at the plot and nothing says that there was nothing.
fn check_empty(cruise: &Cruise, index: usize, found: &[Found], problems: &mut Problems) {
    let plot = &cruise.plots.plots[index];
    let visits = || plot.visits.iter().flatten();
    let is_marked = visits().any(|visit| visit.marked_empty);
    if is_marked || found.iter().any(|found| !found.is_nothing()) || visits().next().is_none() {
        return;
    }
    let message = format!(
        "{} has no trees, and no row says so: it counts with zeros",
        cruise.plots.name_of(index)
    );
    let hint = "was it empty, or is a sheet missing? a tree row with only the plot says that it \
                was empty";
    push_at(
        problems,
        Diagnostic::warning("plot-without-trees", message).hint(hint),
        visit_site(cruise, plot.byte),
    );
}

/// Plots where one selection found trees and another did not: zeros, said once per selection.
fn report_empty_selections(cruise: &Cruise, found: &Finds, problems: &mut Problems) {
    for (selection, rule) in cruise.design.selections.iter().enumerate() {
        let mut empty = Vec::new();
        for (index, plot) in cruise.plots.plots.iter().enumerate() {
            let here = found.at(index);
            let is_done = plot.visits[selection]
                .as_ref()
                .is_some_and(|visit| !visit.marked_empty);
            if is_done
                && here[selection].is_nothing()
                && here.iter().any(|found| !found.is_nothing())
            {
                empty.push(plot);
            }
        }
        if let Some(first) = empty.first() {
            let message = format!(
                "selection `{}` has no trees at {} where another has: zeros",
                rule.name,
                counted(empty.len(), "plot")
            );
            let site = visit_site(cruise, first.byte);
            push_at(
                problems,
                Diagnostic::note("selection-without-trees", message),
                site,
            );
        }
    }
}

/// A factor or radius of the plot's own, far from the design's.
fn check_own_size(
    cruise: &Cruise,
    index: usize,
    selection: usize,
    visit: &VisitEntry,
    problems: &mut Problems,
) {
    let name = cruise.plots.name_of(index);
    let method = &cruise.design.selections[selection].method;
    let diagnostic = match (&visit.rule, method) {
        (
            Rule::AngleGauge { baf_m2_per_ha: own },
            Method::AngleGauge {
                baf_m2_per_ha: design,
            },
        ) => far_factor(*own, *design),
        (
            Rule::FixedArea {
                radius_m: Some(own),
                ..
            },
            Method::FixedArea { radius_m, .. },
        ) => far_radius(*own, *radius_m),
        _ => None,
    };
    if let Some(mut diagnostic) = diagnostic {
        diagnostic.message = format!("{name}: {}", diagnostic.message);
        push_at(problems, diagnostic, visit_site(cruise, visit.byte));
    }
}

fn far_radius(own: f64, design: f64) -> Option<Diagnostic> {
    let ratio = own / design;
    if is_near(ratio, plausible::OVERRIDE_RATIO) {
        return None;
    }
    let message = format!(
        "the radius {} m is far from the design's {} m",
        short(own),
        short(design)
    );
    let hint = if (ratio * M_PER_FT - 1.0).abs() < 0.02 {
        format!(
            "{} ft is {} m: was it given in feet?",
            short(own),
            short(own * M_PER_FT)
        )
    } else {
        String::from("is it a slip, or another unit?")
    };
    Some(Diagnostic::warning("far-from-design", message).hint(hint))
}

/// Basal areas of the plots of a stand, m2/ha.
#[derive(Default)]
struct BasalAreas {
    sum: f64,
    plots: usize,
    largest: f64,
    largest_at: usize,
}

/// More basal area than a forest has, as the mean over the plots of a stand: a single small plot
/// under a few giants may well have more.
fn check_basal_areas(cruise: &Cruise, found: &Finds, problems: &mut Problems) {
    let most = plausible::GREATEST_BASAL_AREA_M2_PER_HA;
    let mut by_stand: BTreeMap<(&str, usize), BasalAreas> = BTreeMap::new();
    let mut first = 0;
    for run in cruise.plots.runs_of_stands() {
        for selection in 0..found.selections {
            let areas = by_stand.entry((&run[0].stand, selection)).or_default();
            for (index, plot) in (first..).zip(run) {
                let Some(visit) = &plot.visits[selection] else {
                    continue;
                };
                let here = &found.at(index)[selection];
                let basal_area = here.basal_area_m2_per_ha / visit.plot_fraction;
                areas.sum += basal_area;
                areas.plots += 1;
                if basal_area > areas.largest {
                    areas.largest = basal_area;
                    areas.largest_at = index;
                }
            }
        }
        first += run.len();
    }
    by_stand.retain(|_, areas| areas.plots > 0);
    for ((_, selection), areas) in by_stand {
        let mean = areas.sum / areas.plots as f64;
        let Some(visit) = &cruise.plots.plots[areas.largest_at].visits[selection] else {
            continue;
        };
        if mean <= most {
            continue;
        }
        let message = format!(
            "selection `{}`: {mean:.0} m2/ha of basal area in the mean of {} is more than a forest \
             has (most on {}: {:.0})",
            cruise.design.selections[selection].name,
            counted(areas.plots, "plot"),
            cruise.plots.name_of(areas.largest_at),
            areas.largest,
        );
        push_at(
            problems,
            Diagnostic::warning("basal-area-too-high", message).hint(format!(
                "up to {most} is known: look at the plot size, the factor and the diameters"
            )),
            visit_site(cruise, visit.byte),
        );
    }
}
