//! What the report says of one curve.

use std::collections::BTreeSet;

use super::blocks::level_words;
use super::{Gathered, Group, species_behind};
use crate::design::{CurveChoice, Design};
use crate::diagnostic::counted;
use crate::heights::diagnose::{Bias, MOST_PLOTS_LEFT_OUT, bias};
use crate::heights::evidence::{CurveEvidence, HeightAgainst};
use crate::heights::fill::parameters_shown;
use crate::heights::fit::{LEAST_FOR_THREE, Refusal};
use crate::heights::{HeightCurve, Level, Place};
use crate::plot_sums::dbh_class;
use crate::records::CruiseSpeciesIndex;
use crate::tables::curve_effects;
use crate::tables::curve_sources::publication;
use crate::tables::curves::{formula, passed_words, remarks_on, why_chosen};
use crate::tables::scatter::Scatter;
use crate::tables::tidy::{ALL, class_limits};
use crate::tables::{Block, Cell, Column, Table, plain};

/// Widest picture.
const WIDEST: usize = 78;

/// These forms get no row of their own.
const TOO_FEW: Option<Refusal> = Some(Refusal::TooFew);

/// What a mean residual is over.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Over {
    /// A class of dbh.
    Class(u32),
    /// All heights behind the curve.
    All,
    /// A species among several.
    Species(CruiseSpeciesIndex),
}

impl Over {
    /// Limits of dbh, in the unit that is shown.
    pub(super) fn limits(self, design: &Design) -> Option<(f64, f64)> {
        match self {
            Over::Class(class) => Some(class_limits(class, design)),
            Over::All | Over::Species(_) => None,
        }
    }

    /// The species, where it is over one.
    pub(super) fn species(self) -> Option<CruiseSpeciesIndex> {
        match self {
            Over::Species(species) => Some(species),
            Over::All | Over::Class(_) => None,
        }
    }
}

/// Mean residuals of a curve: by class of dbh, over all, and by species where there are several.
pub(super) fn biases(
    gathered: &Gathered<'_>,
    group: &Group,
    curve: &CurveEvidence,
) -> Vec<Bias<Over>> {
    let heights: Vec<&HeightAgainst> = gathered.shown(group, curve).collect();
    let class_cm = gathered.compilation.design.dbh_class_cm;
    let mut over = Vec::new();
    for height in &heights {
        let class = dbh_class(height.tree.point.dbh_cm, class_cm);
        over.push((Over::Class(class), height.residual_m));
        over.push((Over::All, height.residual_m));
        if species_behind(&heights).len() > 1 {
            over.push((Over::Species(height.tree.species()), height.residual_m));
        }
    }
    bias(over.into_iter())
}

/// Heading of the section on a curve.
pub(super) fn heading(gathered: &Gathered<'_>, curve: &CurveEvidence) -> String {
    let whose = gathered.whose(curve);
    let level = curve.used.level;
    if matches!(level, Level::Species | Level::Pooled(_)) {
        format!("Curve of {whose}")
    } else {
        format!("Curve of {whose} ({})", level_words(level))
    }
}

/// All there is to say of one curve.
pub(super) fn one_curve(
    gathered: &Gathered<'_>,
    group: &Group,
    curve: &CurveEvidence,
    width: usize,
) -> Vec<Block> {
    let compilation = gathered.compilation;
    let mut points = vec![formula(compilation, &curve.used)];
    let filled: usize = curve.used.species.iter().map(|served| served.filled).sum();
    points.push(match filled {
        0 => "fills no height".to_owned(),
        _ => format!("fills {}", counted(filled, "height")),
    });
    if let HeightCurve::Fitted(fitted) = &curve.used.curve {
        for served in &curve.used.species {
            if !served.passed.is_empty() {
                points.push(format!(
                    "{} has no nearer curve ({})",
                    gathered.label(served.species),
                    passed_words(compilation, &served.passed)
                ));
            }
        }
        if let Some((form, why)) = fitted.replaced {
            points.push(format!(
                "the design asks for {}, which cannot be used here: {}",
                form.name(),
                why.words()
            ));
        }
        let whose = gathered.whose(curve);
        points.extend(curve_effects::remark(
            compilation,
            &curve.used,
            &whose,
            fitted,
        ));
        let length = compilation.design.units.length();
        if let Some(left_out_m) = curve.left_out_m {
            let without = match fitted.effects {
                Ok(_) => "without effects ",
                Err(_) => "",
            };
            points.push(format!(
                "{without}each height left out in turn is missed by {:.2} {} (root mean square, one \
                 step), the heights behind the curve by {:.2} {} (RMSE)",
                left_out_m * length.from_metric,
                length.label,
                fitted.fit.rmse_m * length.from_metric,
                length.label
            ));
        }
        if fitted.steep > 0 {
            points.push(format!(
                "{} of the {} heights behind the curve were read with a sight steeper than 100 %, \
                 which are the least precise",
                fitted.steep, fitted.fit.n
            ));
        }
    } else {
        points.extend(remarks_on(compilation, &curve.used));
        points.extend(publication(&curve.used.curve));
    }
    let used = std::slice::from_ref(&curve.used);
    let effects = curve_effects::table(compilation, used, |_| gathered.whose(curve));
    let mut blocks = vec![Block::List(points)];
    blocks.extend(effects.map(Block::Table));
    blocks.extend([
        Block::Table(forms_table(gathered, curve)),
        Block::Table(bias_table(gathered, group, curve)),
        Block::Picture(picture(gathered, group, curve, width)),
    ]);
    blocks
}

fn forms_table(gathered: &Gathered<'_>, curve: &CurveEvidence) -> Table {
    let length = gathered.compilation.design.units.length();
    let mut table = Table::new(
        "Forms tried",
        1,
        vec![
            Column::words("form"),
            Column::number("RMSE", length.label),
            Column::number("AICc", ""),
            Column::number("plots out", length.label),
            Column::words("parameters (standard errors)"),
        ],
    );
    let shown = |m: Option<f64>| Cell::maybe(m.map(|m| m * length.from_metric), 2);
    for form in curve.forms.iter().filter(|form| form.refused != TOO_FEW) {
        let fit = form.fit.as_ref();
        let mark = if form.chosen { " *" } else { "" };
        let refused = form.refused.map(|why| format!("refused: {}", why.words()));
        let words: Vec<String> = refused
            .into_iter()
            .chain(fit.map(parameters_shown))
            .collect();
        table.rows.push(vec![
            Cell::text(format!("{}{mark}", form.name)),
            shown(fit.map(|fit| fit.rmse_m)),
            Cell::maybe(fit.map(|fit| fit.aicc).filter(|aicc| aicc.is_finite()), 2),
            shown(form.left_out.map(|plots| plots.rms_m)),
            Cell::text(words.join("; ")),
        ]);
    }
    table.remarks.extend(forms_remarks(gathered, curve));
    table.without_empty_columns()
}

fn forms_remarks(gathered: &Gathered<'_>, curve: &CurveEvidence) -> Vec<String> {
    let named = matches!(
        gathered.compilation.design.heights.curve,
        CurveChoice::Named(_)
    );
    let HeightCurve::Fitted(fitted) = &curve.used.curve else {
        return Vec::new();
    };
    let mut remarks = vec![if named && curve.forms.len() == 1 {
        "*: the form that is asked for.".to_owned()
    } else {
        let why = why_chosen(fitted.fit.curve.form);
        format!("*: the form of the curve, of those not refused; {why}.")
    }];
    let few = curve.forms.iter().filter(|form| form.refused == TOO_FEW);
    let few: Vec<&str> = few.map(|form| form.name).collect();
    if !few.is_empty() {
        remarks.push(format!(
            "Refused for too few heights (three parameters are tried from {LEAST_FOR_THREE} heights \
             on): {}.",
            few.join(", ")
        ));
    }
    let plots: BTreeSet<Place> = curve
        .heights
        .iter()
        .map(|height| Place {
            species: 0,
            ..height.tree.point.place
        })
        .collect();
    match plots.len() {
        0 | 1 => {}
        n if n > MOST_PLOTS_LEFT_OUT => remarks.push(format!(
            "With {n} plots, more than {MOST_PLOTS_LEFT_OUT}, none was left out in turn."
        )),
        n => {
            let mut words = format!(
                "Plots out: error (root mean square) of the heights of each of the {n} plots by the \
                 curve fitted without it."
            );
            let failed = curve.forms.iter().filter_map(|form| {
                let failed = form.left_out.map_or(0, |plots| plots.failed);
                (failed > 0).then(|| format!("{} {failed}", form.name))
            });
            let failed: Vec<String> = failed.collect();
            if !failed.is_empty() {
                words += &format!(
                    " Forms that have no curve without some plots, whose heights are then not in \
                     the error: {}.",
                    failed.join(", ")
                );
            }
            remarks.push(words);
        }
    }
    remarks
}

fn bias_table(gathered: &Gathered<'_>, group: &Group, curve: &CurveEvidence) -> Table {
    let design = gathered.compilation.design;
    let length = design.units.length();
    let mut table = Table::new(
        "Heights less those of the curve",
        1,
        vec![
            Column::words(format!("dbh {}", design.units.diameter().label)),
            Column::number("heights", ""),
            Column::number("mean residual", length.label),
            Column::number("std error", length.label),
        ],
    );
    for bias in biases(gathered, group, curve) {
        let name = match bias.class {
            Over::All => ALL.to_owned(),
            Over::Species(species) => format!("of {}", gathered.label(species)),
            Over::Class(class) => {
                let (from, to) = class_limits(class, design);
                format!("{}-{}", plain(from), plain(to))
            }
        };
        table.rows.push(vec![
            Cell::text(name),
            Cell::Number(bias.n as f64, 0),
            Cell::Number(bias.mean_m * length.from_metric, 2),
            Cell::maybe(bias.std_error_m.map(|m| m * length.from_metric), 2),
        ]);
    }
    let words = "Above 0 the curve is too low. A mean within two standard errors may be chance.";
    table.remarks.push(words.to_owned());
    table
}

fn picture(
    gathered: &Gathered<'_>,
    group: &Group,
    curve: &CurveEvidence,
    width: usize,
) -> Vec<String> {
    let units = gathered.compilation.design.units;
    let (diameter, length) = (units.diameter(), units.length());
    let points: Vec<(f64, f64)> = gathered
        .shown(group, curve)
        .map(|height| {
            let point = &height.tree.point;
            (
                point.dbh_cm * diameter.from_metric,
                point.height_m * length.from_metric,
            )
        })
        .collect();
    if points.len() < 2 {
        return Vec::new();
    }
    // Where plots have effects of their own, the curve without them.
    let of_species = curve.used.species.first();
    let place = Place {
        species: of_species.map_or(0, |served| served.species),
        ..Place::default()
    };
    let height_m = |dbh_cm: f64| {
        if let HeightCurve::Fitted(fitted) = &curve.used.curve {
            fitted.fit.curve.height_m(dbh_cm)
        } else {
            curve.used.curve.height_m(dbh_cm, place)
        }
    };
    let scatter = Scatter {
        points: &points,
        curve: &|dbh| height_m(dbh / diameter.from_metric) * length.from_metric,
        x_label: &format!("dbh, {}", diameter.label),
        y_label: &format!("height, {}", length.label),
    };
    scatter.draw(width.min(WIDEST))
}
