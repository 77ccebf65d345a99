//! The effects of species and places on the height curves: how many, how large, and why there are
//! none.

use crate::compile::Compilation;
use crate::design::Calibrate;
use crate::diagnostic::counted;
use crate::heights::effects::{Effects, Grouping, WithoutEffects};
use crate::heights::{CurveUse, FittedUse, HeightCurve, Level, Place};
use crate::math::digits::six_digits;
use crate::tables::{Cell, Column, Table};

/// One row per curve with effects; `None` without any. `whose` names the trees behind a curve.
pub(super) fn table(
    compilation: &Compilation<'_>,
    uses: &[CurveUse],
    whose: impl Fn(&CurveUse) -> String,
) -> Option<Table> {
    let length = compilation.design.units.length();
    let columns = vec![
        Column::words("curve of"),
        Column::words("effects of"),
        Column::number("groups", "heights"),
        Column::number("std dev.", "of a"),
        Column::number("std dev.", length.label),
        Column::number("AICc", "with"),
        Column::number("AICc", "without"),
    ];
    let mut table = Table::new("", 2, columns);
    for used in uses {
        let HeightCurve::Fitted(fitted) = &used.curve else {
            continue;
        };
        let Ok(effects) = &fitted.effects else {
            continue;
        };
        let (own, outer) = effects.std_deviations();
        let mut row = |of: &str, groups: usize, std_deviation: f64| {
            let metres = std_deviation * by_effect_m(effects, fitted).abs();
            table.rows.push(vec![
                Cell::text(whose(used)),
                Cell::text(of),
                Cell::Number(groups as f64, 0),
                Cell::Number(std_deviation, 4),
                Cell::Number(metres * length.from_metric, 2),
                Cell::Number(effects.aicc.0, 1),
                Cell::Number(effects.aicc.1, 1),
            ]);
        };
        if let Some(outer) = outer {
            row("stands", effects.stands_with_heights(), outer);
            row("plots within", effects.groups_with_heights(), own);
        } else {
            row(effects.by().words(), effects.groups_with_heights(), own);
        }
    }
    table.remarks.push(
        "Effects are added to the first parameter a; groups are those with heights. Std dev.: \
         standard deviation of the effects, in the unit of a and as a height at the middle of the \
         fitted dbh. AICc: corrected AIC by maximum likelihood with and without effects."
            .to_owned(),
    );
    (!table.rows.is_empty()).then_some(table)
}

/// Height in m per unit of the effect at the middle of the fitted dbh.
fn by_effect_m(effects: &Effects, fitted: &FittedUse) -> f64 {
    let (least_cm, most_cm) = fitted.fit.dbh_range_cm;
    let curve = &effects.curve.curve;
    let mut gradient = [0.0; 3];
    let p = curve.parameters().len();
    let middle_cm = 0.5 * (least_cm + most_cm);
    let form = curve.form;
    form.value_and_gradient(middle_cm, curve.parameters(), &mut gradient[..p]);
    gradient[0]
}

/// What there is to say of the effects on a fitted curve, or of their absence.
pub(super) fn remark(
    compilation: &Compilation<'_>,
    used: &CurveUse,
    whose: &str,
    fitted: &FittedUse,
) -> Option<String> {
    let asked = compilation.design.heights.calibrate;
    match &fitted.effects {
        Ok(effects) => Some(format!(
            "{whose}: {} (mixed model by restricted maximum likelihood){}",
            match effects.by() {
                Grouping::Species =>
                    "one shape, the first parameter with an effect of each species; species \
                     without heights take the fixed part",
                Grouping::Plots =>
                    "the first parameter has an effect of each plot; plots without heights take \
                     the fixed part",
                Grouping::Stands =>
                    "the first parameter has an effect of each stand; stands without heights take \
                     the fixed part",
                Grouping::StandsAndPlots =>
                    "the first parameter has an effect of each stand and of each plot in it; plots \
                     without heights take that of their stand, stands without heights the fixed \
                     part",
            },
            of_species(compilation, used, effects)
        )),
        Err(why) => {
            let named = !matches!(asked, Calibrate::Best | Calibrate::None);
            let words = why_none(used.level, *why, named)?;
            Some(format!("{whose}: {words}"))
        }
    }
}

/// The effects of the species served, where species have effects.
fn of_species(compilation: &Compilation<'_>, used: &CurveUse, effects: &Effects) -> String {
    if effects.by() != Grouping::Species {
        return String::new();
    }
    let served = used.species.iter().map(|served| {
        let place = Place {
            species: served.species,
            ..Place::default()
        };
        let (effect, heights) = effects.at(place);
        let label = &compilation.records.species[served.species].label;
        let heights = counted(heights, "height");
        format!("{label} {} ({heights})", six_digits(effect))
    });
    let served: Vec<String> = served.collect();
    format!("; effects: {}", served.join(", "))
}

fn why_none(level: Level, why: WithoutEffects, named: bool) -> Option<String> {
    let none = |by: Grouping| match level {
        Level::Pooled(_) => "one curve for all, without effects of species".to_owned(),
        _ => format!("no effects of {}", by.words()),
    };
    Some(match why {
        WithoutEffects::NotAsked => return None,
        WithoutEffects::TooFew {
            by: Grouping::Species,
            groups,
            ..
        } => format!("{}: heights of {groups} only", none(Grouping::Species)),
        // What the design does not ask for by name is not missed where it cannot be.
        WithoutEffects::TooFew { .. } if !named => return None,
        WithoutEffects::TooFew {
            by,
            groups,
            several,
        } => format!(
            "{}: {groups} with heights, {several} of them with more than one; at least 3 and 2 are \
             needed",
            none(by)
        ),
        WithoutEffects::ByPrecision(by) => format!(
            "{}: they are not fitted with weights by precision",
            none(by)
        ),
        WithoutEffects::OneStand(by) => {
            format!("{}: each stand is fitted apart (heights: fit_by)", none(by))
        }
        WithoutEffects::NoFit(by, refusal) => format!("{}: {}", none(by), refusal.words()),
        WithoutEffects::NoVariance(by) => format!(
            "{}: they differ no more than single trees do (variance 0)",
            none(by)
        ),
        WithoutEffects::NotAcceptable(by, refusal) => {
            format!("{}: the curve of one of them {}", none(by), refusal.words())
        }
        WithoutEffects::NotBetter { by, with, without } => format!(
            "{}: the corrected AIC is {with:.2} with and {without:.2} without (maximum likelihood)",
            none(by)
        ),
    })
}
