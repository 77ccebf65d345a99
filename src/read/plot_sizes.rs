//! The sizes and factors that a plot may have of its own, instead of the design's.

use std::f64::consts::PI;

use super::columns::has_size;
use super::csv::{Column, Row, Table};
use super::limits::{self, Limits};
use crate::design::{Design, Method, Selection};
use crate::diagnostic::{Diagnostic, Problems};
use crate::records::{Rule, ThreeP};
use crate::units::{Dimension, M2_PER_HA};

/// The quantities that give a size, what they are and what they may be.
const SIZES: [(&str, Dimension, &Limits); 5] = [
    ("radius", Dimension::Length, &limits::RADIUS),
    ("area", Dimension::Area, &limits::PLOT_AREA),
    ("length", Dimension::Length, &limits::STRIP),
    ("width", Dimension::Length, &limits::STRIP),
    ("baf", Dimension::BasalAreaFactor, &limits::FACTOR),
];

/// The columns that override sizes: by size, for whichever selection has it and for each by name.
pub(super) struct SizeColumns {
    plain: [Option<Column>; SIZES.len()],
    /// By selection: sizes, and the share of the plot.
    named: Vec<([Option<Column>; SIZES.len()], Option<Column>)>,
}

/// What one row says of one selection.
pub(super) struct Own {
    pub(super) rule: Rule,
    pub(super) plot_fraction: Option<f64>,
}

/// The rule of the design, where a plot has none of its own.
pub(super) fn rule_of(method: &Method) -> Rule {
    match method {
        Method::FixedArea { area_ha, radius_m } => Rule::FixedArea {
            area_ha: *area_ha,
            radius_m: Some(*radius_m),
        },
        Method::NestedRings(rings) => Rule::NestedRings(rings.clone()),
        Method::Strip { length_m, width_m } => Rule::FixedArea {
            area_ha: length_m * width_m / M2_PER_HA,
            radius_m: None,
        },
        Method::FullTally => Rule::FullTally,
        // The sums follow when all records are read.
        Method::ThreeP { largest_number } => Rule::ThreeP(ThreeP {
            largest_number: *largest_number,
            predicted: 0.0,
            sample_trees: 0,
        }),
        Method::AngleGauge { baf_m2_per_ha } => Rule::AngleGauge {
            baf_m2_per_ha: *baf_m2_per_ha,
        },
    }
}

impl SizeColumns {
    /// Finds the columns.
    pub(super) fn of(table: &Table, selections: &[Selection], problems: &mut Problems) -> Self {
        let mut find = |prefix: &str| {
            SIZES.map(|(stem, dimension, _)| {
                table.quantity(&format!("{prefix}{stem}"), dimension, problems)
            })
        };
        let plain = find("");
        let named = selections
            .iter()
            .map(|selection| {
                let prefix = format!("{}.", selection.name.to_lowercase());
                let fraction = table.column(&format!("{prefix}plot_fraction"));
                (find(&prefix), fraction)
            })
            .collect();
        SizeColumns { plain, named }
    }

    /// Is it clear of each column which selection it means?
    pub(super) fn check(
        &self,
        table: &Table,
        selections: &[Selection],
        rows_name_selections: bool,
        problems: &mut Problems,
    ) {
        for ((stem, ..), column) in SIZES.iter().zip(self.plain) {
            let Some(column) = column else { continue };
            let head = &table.heads()[column.index];
            let holders: Vec<&str> = selections
                .iter()
                .filter(|selection| has_size(&selection.method, stem))
                .map(|selection| selection.name.as_str())
                .collect();
            if holders.is_empty() {
                let message =
                    format!("no selection of the design has a {stem}: `{head}` is not used");
                problems.push(
                    Diagnostic::warning("override-ignored", message)
                        .at(table.head_site(column.index)),
                );
            } else if holders.len() > 1 && !rows_name_selections {
                let message = format!(
                    "`{head}` could belong to the selections {}",
                    holders.join(" and ")
                );
                let hint = format!("name the column `{}.{head}`, for example", holders[0]);
                problems.push(
                    Diagnostic::error("override-unclear", message)
                        .at(table.head_site(column.index))
                        .hint(hint),
                );
            }
        }
        for (selection, (columns, _)) in selections.iter().zip(&self.named) {
            for ((stem, ..), column) in SIZES.iter().zip(columns) {
                let Some(column) = column else { continue };
                if !has_size(&selection.method, stem) {
                    let message = format!("the selection `{}` has no {stem}", selection.name);
                    problems.push(
                        Diagnostic::error("override-unclear", message)
                            .at(table.head_site(column.index))
                            .hint("remove the column or correct its name"),
                    );
                }
            }
        }
    }

    /// What a row says of each of the selections that it speaks of.
    pub(super) fn read(
        &self,
        design: &Design,
        table: &Table,
        row: &Row,
        done: &[usize],
        problems: &mut Problems,
    ) -> Vec<Own> {
        let selections = &design.selections;
        for ((stem, ..), column) in SIZES.iter().zip(self.plain) {
            let Some(column) = column else { continue };
            let holders = |of: &mut dyn Iterator<Item = usize>| {
                of.filter(|s| has_size(&selections[*s].method, stem))
                    .count()
            };
            let here = holders(&mut done.iter().copied());
            let anywhere = holders(&mut (0..selections.len()));
            if here == 0 && anywhere > 0 && row.text(Some(column)).is_some() {
                let head = &table.heads()[column.index];
                let message = format!(
                    "the selection `{}` has no {stem}: `{head}` is not used here",
                    selections[done[0]].name
                );
                problems.push(
                    Diagnostic::warning("override-ignored", message).at(table.site(row, column)),
                );
            }
        }
        done.iter()
            .map(|selection| {
                let method = &selections[*selection].method;
                let (named, fraction) = &self.named[*selection];
                let mut size = |index: usize| {
                    let (stem, _, limits) = SIZES[index];
                    if !has_size(method, stem) {
                        return None;
                    }
                    let column = [named[index], self.plain[index]]
                        .into_iter()
                        .flatten()
                        .find(|column| row.text(Some(*column)).is_some())?;
                    let value = table.number_within(row, Some(column), limits, problems)?;
                    Some((value, column))
                };
                let sizes = [size(0), size(1), size(2), size(3), size(4)];
                if let [Some(_), Some((_, area)), ..] = sizes {
                    let message = "both a radius and an area are given for this plot";
                    problems.push(
                        Diagnostic::error("size-twice", message)
                            .at(table.site(row, area))
                            .hint("keep the one that was laid out"),
                    );
                }
                Own {
                    rule: own_rule(method, sizes.map(|size| size.map(|(value, _)| value))),
                    plot_fraction: table.number_within(row, *fraction, &limits::FRACTION, problems),
                }
            })
            .collect()
    }
}

/// The design's rule with the plot's own sizes in the order of [`SIZES`].
fn own_rule(method: &Method, sizes: [Option<f64>; SIZES.len()]) -> Rule {
    let [radius_m, area_ha, length_m, width_m, baf] = sizes;
    match (method, radius_m, area_ha) {
        (Method::FixedArea { .. }, Some(radius), _) => Rule::FixedArea {
            area_ha: PI * radius * radius / M2_PER_HA,
            radius_m: Some(radius),
        },
        (Method::FixedArea { .. }, None, Some(area)) => Rule::FixedArea {
            area_ha: area,
            radius_m: Some((area * M2_PER_HA / PI).sqrt()),
        },
        (
            Method::Strip {
                length_m: length,
                width_m: width,
            },
            ..,
        ) => Rule::FixedArea {
            area_ha: length_m.unwrap_or(*length) * width_m.unwrap_or(*width) / M2_PER_HA,
            radius_m: None,
        },
        (Method::AngleGauge { baf_m2_per_ha }, ..) => Rule::AngleGauge {
            baf_m2_per_ha: baf.unwrap_or(*baf_m2_per_ha),
        },
        _ => rule_of(method),
    }
}
