//! The columns of each record file: which heads are known, which need a unit, and what is said
//! about the others.

use crate::design::{Input, Method, Selection};
use crate::diagnostic::{Diagnostic, Problems, seen};
use crate::read::csv::{ANGLE_UNITS, Table};
use crate::read::nearest::nearest;
use crate::read::source::Source;
use crate::units::Dimension;

/// The columns of one kind of record file.
pub(crate) struct Columns {
    /// Heads without a unit.
    names: &'static [&'static str],
    /// Quantities: the head is stem and unit, `dbh_cm`.
    quantities: &'static [(&'static str, Dimension)],
    /// Sights and slopes: the head is stem and one of [`ANGLE_UNITS`].
    angles: &'static [&'static str],
    /// What a plot may override for one selection: the head may begin with its name and a point.
    overrides: bool,
}

/// A column that only a 3P sample has.
pub(crate) const PREDICTION: &str = "prediction";

impl Columns {
    /// `stands.csv`.
    pub(crate) const STANDS: Columns = Columns {
        names: &[
            "stand",
            "stratum",
            "listed_units",
            "phase_one_points",
            "note",
        ],
        quantities: &[("area", Dimension::Area)],
        angles: &[],
        overrides: false,
    };
    /// `plots.csv`.
    pub(crate) const PLOTS: Columns = Columns {
        names: &[
            "plot",
            "stand",
            "stratum",
            "cluster",
            "selection",
            "slope_corrected",
            "plot_fraction",
            "easting",
            "northing",
            "note",
        ],
        quantities: &[
            ("radius", Dimension::Length),
            ("area", Dimension::Area),
            ("length", Dimension::Length),
            ("width", Dimension::Length),
            ("baf", Dimension::BasalAreaFactor),
        ],
        angles: &["slope"],
        overrides: true,
    };
    /// `trees.csv`.
    pub(crate) const TREES: Columns = Columns {
        names: &[
            "plot",
            "tree",
            "species",
            "stand",
            "selection",
            "status",
            "decay_class",
            "walkthrough",
            "defect_pct",
            "crown_ratio_pct",
            "count",
            PREDICTION,
            "note",
        ],
        quantities: &[
            ("dbh", Dimension::Diameter),
            ("height", Dimension::Length),
            ("distance", Dimension::Length),
            ("slope_distance", Dimension::Length),
            ("top_distance", Dimension::Length),
            ("top_slant", Dimension::Length),
            ("base_slant", Dimension::Length),
            ("pole", Dimension::Length),
            ("hidden_top", Dimension::Length),
            ("top_offset", Dimension::Length),
            ("broken_height", Dimension::Length),
            ("distance_to_centre", Dimension::Length),
            ("baf", Dimension::BasalAreaFactor),
        ],
        angles: &["top", "base", "tape", "pole_top"],
        overrides: false,
    };
    /// `counts.csv`.
    pub(crate) const COUNTS: Columns = Columns {
        names: &[
            "plot",
            "selection",
            "species",
            "count",
            PREDICTION,
            "stand",
            "status",
            "note",
        ],
        quantities: &[],
        angles: &[],
        overrides: false,
    };

    /// Heads without a unit that have a use in the design.
    fn names(&self, selections: &[Selection]) -> impl Iterator<Item = &'static str> {
        let mut selections = selections.iter();
        let three_p = selections.any(|of| matches!(of.method, Method::ThreeP { .. }));
        let names = self.names.iter().copied();
        names.filter(move |name| three_p || *name != PREDICTION)
    }

    /// Is this a head of ours?
    pub(crate) fn know(&self, head: &str, selections: &[Selection]) -> bool {
        if self.names(selections).any(|name| name == head) {
            return true;
        }
        let (head, prefixed) = match head.split_once('.') {
            Some((prefix, rest)) => {
                let is_selection = selections
                    .iter()
                    .any(|selection| selection.name.eq_ignore_ascii_case(prefix));
                if !self.overrides || !is_selection {
                    return false;
                }
                (rest, true)
            }
            None => (head, false),
        };
        let unit_of = |stem: &str| {
            head.strip_prefix(stem)
                .and_then(|rest| rest.strip_prefix('_'))
        };
        let quantity = self
            .quantities
            .iter()
            .any(|(stem, dimension)| unit_of(stem).is_some_and(|u| dimension.unit(u).is_some()));
        if prefixed {
            return quantity || head == "plot_fraction";
        }
        let is_angle = |suffix: &str| ANGLE_UNITS.iter().any(|unit| unit.suffix == suffix);
        let angle = |stem: &&str| unit_of(stem).is_some_and(is_angle);
        quantity || self.angles.iter().any(angle)
    }

    /// The usual heads, for hints.
    fn usual(&self, selections: &[Selection]) -> Vec<String> {
        let mut heads: Vec<String> = self.names(selections).map(str::to_owned).collect();
        let mut overrides = Vec::new();
        for (stem, dimension) in self.quantities {
            for unit in dimension.units() {
                overrides.push(format!("{stem}_{}", unit.suffix));
            }
        }
        if self.overrides {
            for selection in selections {
                for tail in overrides
                    .iter()
                    .map(String::as_str)
                    .chain(["plot_fraction"])
                {
                    heads.push(format!("{}.{tail}", selection.name));
                }
            }
        }
        heads.append(&mut overrides);
        for stem in self.angles {
            heads.extend(ANGLE_UNITS.map(|unit| format!("{stem}_{}", unit.suffix)));
        }
        heads
    }

    /// The heads of a quantity or sight that is written without a unit, if that is what it is.
    fn with_units(&self, head: &str) -> Option<String> {
        if let Some((stem, dimension)) = self.quantities.iter().find(|(stem, _)| *stem == head) {
            let heads: Vec<String> = dimension
                .units()
                .iter()
                .map(|unit| format!("`{stem}_{}`", unit.suffix))
                .collect();
            return Some(heads.join(", "));
        }
        let stem = self.angles.iter().find(|stem| **stem == head)?;
        Some(
            ANGLE_UNITS
                .map(|unit| format!("`{stem}_{}`", unit.suffix))
                .join(", "),
        )
    }

    /// "did you mean `dbh_cm`?", "say the unit ...", or a list.
    pub(crate) fn hint(&self, head: &str, selections: &[Selection]) -> String {
        if let Some(heads) = self.with_units(head) {
            return format!("say the unit: one of {heads}");
        }
        let usual = self.usual(selections);
        match nearest(head, usual.iter().map(String::as_str)) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("columns are {}", self.summary(selections)),
        }
    }

    fn summary(&self, selections: &[Selection]) -> String {
        let mut heads: Vec<String> = self.names(selections).map(str::to_owned).collect();
        for (stem, dimension) in self.quantities {
            heads.push(format!("{stem}_{}", dimension.units()[0].suffix));
        }
        heads.extend(self.angles.iter().map(|stem| format!("{stem}_pct")));
        heads.join(", ")
    }

    /// Opens a file and says what is to be said about its heads: quantities without a unit
    /// (error), heads that look like a slip of ours (warning), others that are ignored (one
    /// note), renames that rename nothing (warning).
    pub(crate) fn open<'s>(
        &self,
        source: &'s Source,
        input: Option<&Input>,
        selections: &[Selection],
        problems: &mut Problems,
    ) -> Option<Table<'s>> {
        let renames = input.map_or(&[][..], |input| &input.columns);
        let table = Table::open(source, renames, problems)?;
        let mut ignored = Vec::new();
        for (index, head) in table.heads().iter().enumerate() {
            if head.is_empty() || self.know(head, selections) {
                continue;
            }
            let at = || table.head_site(index);
            if let Some(heads) = self.with_units(head) {
                let message = format!("the column `{head}` does not say its unit");
                let hint = format!(
                    "name it one of {heads}, or say in the design `columns: {{{head}: ...}}`"
                );
                problems.push(
                    Diagnostic::error("column-without-unit", message)
                        .at(at())
                        .hint(hint),
                );
            } else if let Some(near) = nearest_head(head, &self.usual(selections)) {
                let message = format!("the column {} is not known and ignored", seen(head));
                let hint = format!("did you mean `{near}`?");
                problems.push(
                    Diagnostic::warning("column-ignored", message)
                        .at(at())
                        .hint(hint),
                );
            } else {
                ignored.push(seen(head));
            }
        }
        if !ignored.is_empty() {
            let message = format!("columns kept but not used: {}", ignored.join(", "));
            problems.push(Diagnostic::note("columns-ignored", message).at(source.site(1, 0)));
        }
        for (from, to) in renames {
            if !table.heads().contains(to) {
                let message = format!(
                    "the design calls a column {} `{to}`, but this file has none of that name",
                    seen(from)
                );
                problems.push(
                    Diagnostic::warning("column-not-found", message)
                        .at(source.site(1, 0))
                        .hint("correct the head in `columns` of the design, or remove it"),
                );
            }
        }
        Some(table)
    }
}

/// A head of ours that an unknown head may be a slip of; stricter than for words that must be
/// known, because files have columns of their own.
fn nearest_head<'h>(head: &str, usual: &'h [String]) -> Option<&'h str> {
    let near = nearest(head, usual.iter().map(String::as_str))?;
    let distance = strsim::osa_distance(head, near);
    (head.chars().count() >= 4 && distance <= 2).then_some(near)
}

/// Does the selection's size come from this quantity?
pub(crate) fn has_size(method: &Method, stem: &str) -> bool {
    match method {
        Method::FixedArea { .. } => matches!(stem, "radius" | "area"),
        Method::Strip { .. } => matches!(stem, "length" | "width"),
        Method::AngleGauge { .. } => stem == "baf",
        Method::NestedRings(_) | Method::FullTally | Method::ThreeP { .. } => false,
    }
}
