//! The slope of a plot, and who corrects for it.

use super::csv::{AngleColumn, Column, Row, Table};
use super::limits;
use super::plots::yes_or_no;
use crate::design::{Design, Selection, SlopeCorrection};
use crate::diagnostic::{Diagnostic, Problems, seen};

/// Where the columns of the slope are.
pub(super) struct SlopeColumns {
    slope: Option<AngleColumn>,
    slope_corrected: Option<Column>,
}

impl SlopeColumns {
    pub(super) fn of(table: &Table, problems: &mut Problems) -> Self {
        SlopeColumns {
            slope: table.angle("slope", problems),
            slope_corrected: table.column("slope_corrected"),
        }
    }
}

/// What a row says of the ground.
pub(super) struct Slope {
    ratio: Option<f64>,
    /// Is there an entry, be it a possible one or not?
    is_given: bool,
    corrected: Option<bool>,
    /// Where the row begins, and the column to name in findings.
    byte: usize,
    column: Option<Column>,
}

impl Slope {
    pub(super) fn read(
        table: &Table,
        columns: &SlopeColumns,
        row: &Row,
        problems: &mut Problems,
    ) -> Self {
        let ratio = table.ratio(
            row,
            columns.slope,
            &limits::SLOPE_PCT,
            &limits::SLOPE_DEG,
            problems,
        );
        let corrected = columns.slope_corrected.and_then(|column| {
            let text = row.text(Some(column))?;
            let value = yes_or_no(text);
            if value.is_none() {
                problems.push(
                    Diagnostic::error(
                        "not-yes-or-no",
                        format!("`slope_corrected` must be yes or no ({})", seen(text)),
                    )
                    .at(table.site(row, column))
                    .hint("write yes or no, or leave it blank for no"),
                );
            }
            value
        });
        let column = columns.slope.map(|slope| slope.column);
        let column = column.or(columns.slope_corrected);
        Slope {
            ratio: ratio.map(f64::abs),
            is_given: (columns.slope).is_some_and(|slope| row.text(Some(slope.column)).is_some()),
            corrected,
            byte: row.byte(),
            column,
        }
    }

    /// The slope ratio that the program must correct for.
    pub(super) fn to_correct(&self, selection: &Selection) -> f64 {
        let corrected = self
            .corrected
            .unwrap_or(selection.slope_correction == SlopeCorrection::Field);
        if corrected || selection.method.visits_all() {
            0.0
        } else {
            self.ratio.unwrap_or(0.0)
        }
    }

    /// Says what was corrected against the design, and where a slope to correct for is missing.
    pub(super) fn report(
        &self,
        design: &Design,
        table: &Table,
        done: &[usize],
        plot: &dyn Fn() -> String,
        problems: &mut Problems,
    ) {
        let site = || table.site_in_row_at(self.byte, self.column);
        let by_program =
            |selection: &Selection| selection.slope_correction == SlopeCorrection::Program;
        let named = |is_wanted: &dyn Fn(&Selection) -> bool| {
            let selections = done.iter().map(|index| &design.selections[*index]);
            let names: Vec<String> = selections
                .filter(|selection| is_wanted(selection))
                .map(|selection| format!("`{}`", selection.name))
                .collect();
            (!names.is_empty()).then(|| names.join(" and "))
        };
        let unexpected =
            |selection: &Selection| self.to_correct(selection) > 0.0 && !by_program(selection);
        if let (Some(names), Some(slope)) = (named(&unexpected), self.ratio) {
            let plot = plot();
            let cosine = 1.0 / slope.hypot(1.0);
            let message = format!(
                "{plot}, selection {names}: slope {:.0} % was not corrected in the field; corrected \
                 here (cosine {cosine:.4}), else its figures would be {:.1} % too low",
                100.0 * slope,
                100.0 * (1.0 - cosine)
            );
            problems.push(Diagnostic::warning("slope-not-corrected", message).at(site()));
        }
        let is_missing = |selection: &Selection| {
            let is_wanted = match self.corrected {
                Some(corrected) => !corrected,
                None => by_program(selection),
            };
            is_wanted && !selection.method.visits_all()
        };
        if let (Some(names), false) = (named(&is_missing), self.is_given) {
            let plot = plot();
            let message = format!(
                "{plot}, selection {names}: the slope is to be corrected, but none is given: taken \
                 as level"
            );
            problems.push(
                Diagnostic::warning("no-slope", message)
                    .at(site())
                    .hint("give `slope_pct` or `slope_deg`, 0 where it is level"),
            );
        }
    }
}
