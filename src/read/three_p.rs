//! What the records of a 3P sample must say: a prediction for every tree.

use std::collections::BTreeMap;

use super::csv::{Column, Row, Table};
use super::limits;
use crate::design::{Method, Selection};
use crate::diagnostic::{Diagnostic, Problems};
use crate::records::{Plot, Rule, ThreeP};

/// The prediction of a row, wanted in a 3P sample and nowhere else. `at` is where a missing one is
/// reported.
pub(super) fn prediction(
    selection: &Selection,
    table: &Table,
    (column, at): (Option<Column>, Column),
    row: &Row,
    problems: &mut Problems,
) -> Option<f64> {
    let is_given = row.text(column).is_some();
    if !matches!(selection.method, Method::ThreeP { .. }) {
        if let (Some(column), true) = (column, is_given) {
            let message = format!(
                "the selection `{}` is no 3P sample: the prediction is not used",
                selection.name
            );
            let warning = Diagnostic::warning("prediction-ignored", message);
            problems.push(warning.at(table.site(row, column)));
        }
        return None;
    }
    if !is_given {
        let message = format!(
            "no prediction in this row of the 3P sample `{}`",
            selection.name
        );
        problems.push(
            Diagnostic::error("no-prediction", message)
                .at(table.site(row, at))
                .hint("give what was predicted before the random number was seen: `prediction`"),
        );
        return None;
    }
    table.number_within(row, column, &limits::PREDICTION, problems)
}

/// Can these trees have gone unmeasured? One of several is at least as large as their mean.
pub(super) fn check_unmeasured(
    selection: &Selection,
    table: &Table,
    (row, column): (&Row, Column),
    (count, prediction): (f64, f64),
    problems: &mut Problems,
) {
    let Method::ThreeP { largest_number } = selection.method else {
        return;
    };
    let (message, hint) = if count <= 0.0 {
        (
            format!("a prediction of {prediction} for no tree"),
            "give the number of trees that were predicted and not measured".to_owned(),
        )
    } else if prediction / count > largest_number {
        (
            format!(
                "{count} trees predicted at {prediction} were not measured, but on average they \
                 are above the largest number {largest_number}: such a tree is always measured"
            ),
            "correct the count, the sum of the predictions or `largest_number`".to_owned(),
        )
    } else {
        return;
    };
    problems.push(
        Diagnostic::error("impossible-prediction", message)
            .at(table.site(row, column))
            .hint(hint),
    );
}

/// Adds up each 3P sample over the sheets of its stratum, and tells them.
pub(super) fn add_up(plots: &mut [Plot]) {
    let mut found: BTreeMap<(usize, usize), ThreeP> = BTreeMap::new();
    for plot in plots.iter() {
        for visit in &plot.visits {
            let Rule::ThreeP(rule) = visit.rule else {
                continue;
            };
            let key = (plot.stratum, visit.selection);
            let sample = found.entry(key).or_insert(rule);
            let measured = visit.trees.iter().filter_map(|tree| tree.prediction);
            for prediction in measured.filter(|of| !rule.is_certain(*of)) {
                sample.predicted += prediction;
                sample.sample_trees += 1;
            }
            let unmeasured = visit.counts.iter().filter_map(|count| count.prediction);
            sample.predicted += unmeasured.sum::<f64>();
        }
    }
    for plot in plots {
        for visit in &mut plot.visits {
            if let (Rule::ThreeP(rule), Some(sample)) =
                (&mut visit.rule, found.get(&(plot.stratum, visit.selection)))
            {
                *rule = *sample;
            }
        }
    }
}
