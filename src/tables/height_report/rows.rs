//! The same for machines: one row per form, per class, per height.

use super::{Gathered, Group, is_from_instrument, out};
use crate::design::FitBy;
use crate::heights::evidence::{CurveEvidence, FormTried, HeightAgainst};
use crate::tables::curves::why_words;
use crate::tables::tidy::{ALL, Tidy, Value};
use crate::units::UnitSystem;

/// Names of parameters, as in the formulas.
const PARAMETERS: usize = 3;

impl Gathered<'_> {
    /// Name of the stand, or `all` where the curves are those of the cruise.
    fn stand_word(&self, group: &Group) -> Value {
        let stands = &self.compilation.records.stands;
        Value::word(match group.stands.as_slice() {
            [one]
                if self.compilation.design.heights.fit_by == FitBy::Stand || stands.len() == 1 =>
            {
                stands[*one].name.as_str()
            }
            _ => ALL,
        })
    }

    /// Species that the curve serves.
    fn served_word(&self, curve: &CurveEvidence) -> Value {
        let served = curve.used.species.iter();
        let labels: Vec<&str> = served.map(|served| self.label(served.species)).collect();
        Value::word(labels.join("; "))
    }

    fn length(&self, m: Option<f64>) -> Value {
        let from_metric = self.compilation.design.units.length().from_metric;
        Value::maybe(m.map(|m| m * from_metric))
    }

    fn curves(&self) -> impl Iterator<Item = (&Group, &CurveEvidence)> {
        self.groups.iter().flat_map(|group| {
            group
                .evidence
                .curves
                .iter()
                .map(move |curve| (group, curve))
        })
    }
}

/// One row per curve and form tried; a curve that was not fitted here has one.
pub fn curve_rows(gathered: &Gathered<'_>) -> Tidy {
    let [rmse, left_out, plots_out] = match gathered.compilation.design.units {
        UnitSystem::Metric => ["rmse_m", "left_out_rmse_m", "plots_out_rmse_m"],
        UnitSystem::Imperial => ["rmse_ft", "left_out_rmse_ft", "plots_out_rmse_ft"],
    };
    let columns = vec![
        "stand",
        "level",
        "species",
        "filled",
        "form",
        "chosen",
        "refused",
        "heights",
        "a",
        "a_std_error",
        "b",
        "b_std_error",
        "c",
        "c_std_error",
        rmse,
        "aicc",
        left_out,
        plots_out,
        "plots_left_out",
        "plots_without_curve",
        "formula",
    ];
    let mut rows = Vec::new();
    for (group, curve) in gathered.curves() {
        let used = &curve.used;
        let filled = used.species.iter().map(|served| served.filled).sum();
        let head = || {
            vec![
                gathered.stand_word(group),
                Value::word(used.level.name()),
                gathered.served_word(curve),
                Value::Count(filled),
            ]
        };
        if curve.forms.is_empty() {
            let mut row = head();
            row.extend([Value::word(used.curve.form_name()), Value::word("yes")]);
            row.resize(columns.len() - 1, Value::Empty);
            row.push(Value::word(used.curve.expression()));
            rows.push(row);
        }
        for form in &curve.forms {
            let mut row = head();
            row.extend(form_cells(gathered, curve, form));
            rows.push(row);
        }
    }
    Tidy { columns, rows }
}

fn form_cells(gathered: &Gathered<'_>, curve: &CurveEvidence, form: &FormTried) -> Vec<Value> {
    let fit = form.fit.as_ref();
    let mut cells = vec![
        Value::word(form.name),
        Value::word(if form.chosen { "yes" } else { "no" }),
        form.refused
            .map_or(Value::Empty, |why| Value::word(why.words())),
        fit.map_or(Value::Empty, |fit| Value::Count(fit.n)),
    ];
    for at in 0..PARAMETERS {
        let value =
            fit.and_then(|fit| Some((*fit.curve.parameters().get(at)?, fit.std_errors[at])));
        cells.push(Value::maybe(value.map(|(value, _)| value)));
        cells.push(Value::maybe(value.map(|(_, error)| error)));
    }
    let plots = form.left_out;
    let count = |n: Option<usize>| n.map_or(Value::Empty, Value::Count);
    cells.extend([
        gathered.length(fit.map(|fit| fit.rmse_m)),
        // A curve that meets every height has none.
        Value::maybe(fit.map(|fit| fit.aicc).filter(|aicc| aicc.is_finite())),
        gathered.length(curve.left_out_m.filter(|_| form.chosen)),
        gathered.length(plots.map(|plots| plots.rms_m)),
        count(plots.map(|plots| plots.plots)),
        count(plots.map(|plots| plots.failed)),
        if form.chosen {
            Value::word(curve.used.curve.expression())
        } else {
            Value::Empty
        },
    ]);
    cells
}

/// Mean residuals of every curve by dbh class and, where several species are behind it, by species.
pub fn bias_rows(gathered: &Gathered<'_>) -> Tidy {
    let [from, to, mean, error] = match gathered.compilation.design.units {
        UnitSystem::Metric => ["dbh_from_cm", "dbh_to_cm", "mean_residual_m", "std_error_m"],
        UnitSystem::Imperial => [
            "dbh_from_in",
            "dbh_to_in",
            "mean_residual_ft",
            "std_error_ft",
        ],
    };
    let columns = vec![
        "stand",
        "level",
        "species",
        "of_species",
        from,
        to,
        "heights",
        mean,
        error,
    ];
    let mut rows = Vec::new();
    for (group, curve) in gathered.curves() {
        for bias in super::one_curve::biases(gathered, group, curve) {
            let limits = bias.class.limits(gathered.compilation.design);
            let limit = |value: Option<f64>| value.map_or(Value::word(ALL), Value::Number);
            rows.push(vec![
                gathered.stand_word(group),
                Value::word(curve.used.level.name()),
                gathered.served_word(curve),
                bias.class.species().map_or(Value::word(ALL), |species| {
                    Value::word(gathered.label(species))
                }),
                limit(limits.map(|(from, _)| from)),
                limit(limits.map(|(_, to)| to)),
                Value::Count(bias.n),
                gathered.length(Some(bias.mean_m)),
                gathered.length(bias.std_error_m),
            ]);
        }
    }
    Tidy { columns, rows }
}

fn height_columns(units: UnitSystem) -> Vec<&'static str> {
    let [dbh, height, error, fitted, residual, effect] = match units {
        UnitSystem::Metric => [
            "dbh_cm",
            "height_m",
            "height_se_m",
            "fitted_m",
            "residual_m",
            "effect_m",
        ],
        UnitSystem::Imperial => [
            "dbh_in",
            "height_ft",
            "height_se_ft",
            "fitted_ft",
            "residual_ft",
            "effect_ft",
        ],
    };
    vec![
        "stand",
        "plot",
        "tree",
        "line",
        "species",
        dbh,
        height,
        error,
        "source",
        fitted,
        residual,
        "leverage",
        "studentised",
        "level",
        "form",
        effect,
    ]
}

fn height_row(
    gathered: &Gathered<'_>,
    group: &Group,
    curve: &CurveEvidence,
    height: &HeightAgainst,
) -> Vec<Value> {
    let point = &height.tree.point;
    let (stand, plot, tree) = gathered.record(group, &height.tree);
    let source = if is_from_instrument(tree) {
        "instrument"
    } else {
        "measured"
    };
    let diameter = gathered.compilation.design.units.diameter().from_metric;
    vec![
        Value::word(&stand.name),
        Value::word(&plot.name),
        Value::word(tree.number.as_str()),
        Value::Count(tree.line),
        Value::word(gathered.label(tree.species)),
        Value::Number(point.dbh_cm * diameter),
        gathered.length(Some(point.height_m)),
        gathered.length(point.std_error_m),
        Value::word(source),
        gathered.length(Some(height.fitted_m)),
        gathered.length(Some(height.residual_m)),
        Value::maybe(height.fixed.and_then(|fixed| fixed.leverage)),
        Value::maybe(height.studentised),
        Value::word(curve.used.level.name()),
        Value::word(curve.used.curve.form_name()),
        gathered.length(height.effect_m),
    ]
}

/// One row per height and curve that it is behind.
pub fn data(gathered: &Gathered<'_>) -> Tidy {
    let mut rows = Vec::new();
    for (group, curve) in gathered.curves() {
        let heights = gathered.shown(group, curve);
        rows.extend(heights.map(|height| height_row(gathered, group, curve, height)));
    }
    Tidy {
        columns: height_columns(gathered.compilation.design.units),
        rows,
    }
}

/// The heights that stand out, the farthest first.
pub fn out_rows(gathered: &Gathered<'_>) -> Tidy {
    let out = out::of_all(gathered);
    let row = |out: &out::Out<'_>| height_row(gathered, out.group, out.curve, out.height);
    Tidy {
        columns: height_columns(gathered.compilation.design.units),
        rows: out.iter().map(row).collect(),
    }
}

/// Species with heights but without a curve of their own.
pub fn without_rows(gathered: &Gathered<'_>) -> Tidy {
    let mut rows = Vec::new();
    for group in &gathered.groups {
        for (species, passed) in &group.evidence.without {
            rows.push(vec![
                gathered.stand_word(group),
                Value::word(gathered.label(*species)),
                Value::word(why_words(gathered.compilation, passed)),
            ]);
        }
    }
    Tidy {
        columns: vec!["stand", "species", "why"],
        rows,
    }
}
