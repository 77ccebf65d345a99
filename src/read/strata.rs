//! Stands, strata and their areas: do the stands and the plots file agree?

use std::collections::{BTreeMap, BTreeSet};

use super::RecordFiles;
use super::plots::PlotList;
use super::source::Source;
use super::stands::{AreaList, AreaRow, place_name};
use crate::design::{Design, StrataWeights};
use crate::diagnostic::{Diagnostic, Problems, seen};
use crate::records::{Stratum, natural_order};

/// The strata of each stand that has plots, in natural order of their names.
pub(super) type StrataByStand = BTreeMap<String, Vec<Stratum>>;

/// Brings the areas of `stands.csv` and the strata of the plots together.
pub(super) fn find_strata(
    design: &Design,
    files: &RecordFiles,
    areas: &AreaList,
    plots: &PlotList,
    problems: &mut Problems,
) -> StrataByStand {
    let mut plots_of: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    let mut at = 0;
    for run in plots.runs_of_stands() {
        let indices = plots_of.entry(&run[0].stand).or_default();
        indices.extend(at..at + run.len());
        at += run.len();
    }
    let mut strata = StrataByStand::new();
    for (stand, indices) in &plots_of {
        let rows: Vec<&AreaRow> = areas.of_stand(stand).collect();
        let finder = StandStrata {
            weights: design.sampling.strata,
            files,
            plots,
            stand,
            indices,
            rows,
        };
        strata.insert((*stand).to_owned(), finder.find(problems));
    }
    if let Some(source) = &files.stands {
        for row in &areas.rows {
            let is_known = !areas.has_stands || plots_of.contains_key(row.stand.as_str());
            if !is_known && !plots.plots.is_empty() {
                no_plot_lies_in(row, source, problems);
            }
        }
    }
    if files.stands.is_none()
        && strata.values().any(|strata| strata.len() > 1)
        && let Some(source) = &files.plots
        && let Some(plot) = plots.plots.iter().find(|plot| plot.stratum.is_some())
    {
        let message = "there are strata, but no stands file with their areas: each is compiled \
                       apart, and they cannot be combined";
        problems.push(
            Diagnostic::warning("stratum-without-area", message)
                .at(source.site(source.line_of(plot.byte), 0))
                .hint(
                    "give `stands: stands.csv` with the columns `stand`, `stratum` and `area_ha`",
                ),
        );
    }
    strata
}

/// Tells a row of a stand that has no plots.
pub(super) fn no_plot_lies_in(row: &AreaRow, source: &Source, problems: &mut Problems) {
    let message = format!("no plot lies in {}", place_name(&row.stand, None));
    problems.push(
        Diagnostic::warning("stand-without-plots", message)
            .at(source.site_of(row.byte))
            .hint("it is left out of all results"),
    );
}

struct StandStrata<'a> {
    weights: StrataWeights,
    files: &'a RecordFiles,
    plots: &'a PlotList,
    stand: &'a str,
    indices: &'a [usize],
    rows: Vec<&'a AreaRow>,
}

impl StandStrata<'_> {
    fn plot_site(&self, source: &Source, index: usize) -> crate::diagnostic::Site {
        source.site_of(self.plots.plots[index].byte)
    }

    fn find(&self, problems: &mut Problems) -> Vec<Stratum> {
        if self.files.stands.is_some() && self.rows.is_empty() {
            let message = format!("{} is not in the stands file", place_name(self.stand, None));
            let diagnostic = Diagnostic::error("unknown-stand", message)
                .hint("add a row for it, or correct its name");
            problems.push(match &self.files.plots {
                Some(source) => diagnostic.at(self.plot_site(source, self.indices[0])),
                None => diagnostic,
            });
        }
        let names: BTreeSet<&str> = self
            .indices
            .iter()
            .filter_map(|index| self.plots.plots[*index].stratum.as_deref())
            .collect();
        if names.is_empty() {
            return vec![self.sole_stratum(problems)];
        }
        for index in self.indices {
            if let (None, Some(source)) = (&self.plots.plots[*index].stratum, &self.files.plots) {
                let message = format!(
                    "{} has no stratum, but other plots have",
                    self.plots.name_of(*index)
                );
                problems.push(
                    Diagnostic::error("missing-value", message)
                        .at(self.plot_site(source, *index))
                        .hint("fill it in"),
                );
            }
        }
        let mut strata: Vec<Stratum> = names
            .iter()
            .map(|name| self.stratum(name, names.len()))
            .collect();
        strata.sort_by(|a, b| natural_order(&a.name, &b.name));
        self.report_areas(&strata, problems);
        strata
    }

    /// The one stratum of a stand whose plots name none.
    fn sole_stratum(&self, problems: &mut Problems) -> Stratum {
        if let [row] = self.rows[..] {
            return Stratum {
                name: row.stratum.clone().unwrap_or_default(),
                area_ha: row.area_ha,
                listed_units: row.listed_units,
                phase_one_points: row.phase_one_points,
            };
        }
        if let (Some(source), true) = (&self.files.stands, self.rows.len() > 1) {
            let message = format!(
                "{} has {} strata here, but its plots name none",
                place_name(self.stand, None),
                self.rows.len()
            );
            problems.push(
                Diagnostic::error("plots-without-stratum", message)
                    .at(source.site_of(self.rows[0].byte))
                    .hint("add a column `stratum` to the plots file"),
            );
        }
        Stratum {
            name: String::new(),
            area_ha: None,
            listed_units: None,
            phase_one_points: None,
        }
    }

    /// A stratum by its own row, or by the stand's where it is the only one. Where points of a
    /// first sample weigh the strata, its share of the stand's area is that of its points; where
    /// strata came after sampling, its list is that of the stand.
    fn stratum(&self, name: &str, strata: usize) -> Stratum {
        let own = self
            .rows
            .iter()
            .find(|row| row.stratum.as_deref() == Some(name));
        let whole = self.rows.iter().find(|row| row.stratum.is_none());
        let row = own.or(whole.filter(|_| strata == 1));
        let list_row = match self.weights {
            StrataWeights::AfterSampling if strata > 1 => whole,
            _ => row,
        };
        let points = row.and_then(|row| row.phase_one_points);
        let mut area_ha = row.and_then(|row| row.area_ha);
        if self.weights == StrataWeights::Estimated
            && strata > 1
            && let Some(whole_ha) = whole.and_then(|whole| whole.area_ha)
        {
            let strata = self.rows.iter().filter(|row| row.stratum.is_some());
            let all: f64 = strata.filter_map(|row| row.phase_one_points).sum();
            area_ha = points.map(|points| whole_ha * points / all);
        }
        Stratum {
            name: name.to_owned(),
            area_ha,
            listed_units: list_row.and_then(|row| row.listed_units),
            phase_one_points: points,
        }
    }

    fn report_areas(&self, strata: &[Stratum], problems: &mut Problems) {
        let Some(source) = &self.files.stands else {
            return;
        };
        let Some(first) = self.rows.first() else {
            return;
        };
        let without: Vec<String> = strata
            .iter()
            .filter(|stratum| stratum.area_ha.is_none())
            .map(|stratum| seen(&stratum.name))
            .collect();
        if !without.is_empty() {
            let message = format!(
                "no area is known of stratum {} of {}: its strata cannot be combined",
                without.join(", "),
                place_name(self.stand, None)
            );
            problems.push(
                Diagnostic::warning("stratum-without-area", message)
                    .at(source.site_of(first.byte))
                    .hint("give a row for each stand and stratum"),
            );
        }
        for row in &self.rows {
            if let Some(name) = &row.stratum
                && !strata.iter().any(|stratum| stratum.name == *name)
            {
                let message = format!("no plot lies in {}", place_name(self.stand, Some(name)));
                problems.push(
                    Diagnostic::warning("stratum-without-plots", message)
                        .at(source.site_of(row.byte))
                        .hint("nothing is known of it: it is left out of all results"),
                );
            }
        }
    }
}
