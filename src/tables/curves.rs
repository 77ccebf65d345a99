//! The height curves: which curve fills the heights of which species, why that one, and how far it
//! may be trusted.

use crate::compile::Compilation;
use crate::design::FitBy;
use crate::diagnostic::counted;
use crate::heights::curve::Form;
use crate::heights::effects::Grouping;
use crate::heights::fit::{FAVOURITE, LEAD, Refusal, Tried};
use crate::heights::{
    CurveUse, FittedUse, HeightCurve, Level, MANY_HEIGHTS, Passed, Served, Why, WithoutCurve,
};
use crate::tables::assumptions::one_value;
use crate::tables::curve_sources::{bounds_of_set, name_of, on_published, parameters, publication};
use crate::tables::{Block, Cell, Column, Table, curve_effects};

/// Rows of the table of many stands that are shown.
const MOST_ROWS: usize = 40;

/// The curves of one stand, or of the cruise, with all there is to say about them. Of several
/// stands with curves of their own: one table, the formulas and the publications.
pub fn blocks(compilation: &Compilation<'_>, one: Option<usize>) -> Vec<Block> {
    let fitted_together = compilation.design.heights.fit_by == FitBy::Cruise;
    match one {
        Some(at) => in_full(compilation, &[at]),
        None if fitted_together || compilation.stands.len() == 1 => {
            let all: Vec<usize> = (0..compilation.stands.len()).collect();
            in_full(compilation, &all)
        }
        None => by_stand(compilation),
    }
}

/// The curves at hand of these stands, which share them; counts summed over the stands.
pub(super) fn at_hand(compilation: &Compilation<'_>, stands: &[usize]) -> Vec<CurveUse> {
    let mut stands = stands.iter().map(|at| &compilation.stands[*at].heights);
    let Some(first) = stands.next() else {
        return Vec::new();
    };
    let mut uses = first.curves.clone();
    for heights in stands {
        for (sum, used) in uses.iter_mut().zip(&heights.curves) {
            for (sum, served) in sum.species.iter_mut().zip(&used.species) {
                sum.filled += served.filled;
                sum.extrapolated += served.extrapolated;
            }
        }
    }
    uses
}

/// Those of them that fill trees.
pub(super) fn used(compilation: &Compilation<'_>, stands: &[usize]) -> Vec<CurveUse> {
    let mut uses = at_hand(compilation, stands);
    for used in &mut uses {
        used.species.retain(|served| served.filled > 0);
    }
    uses.retain(|used| !used.species.is_empty());
    uses
}

fn in_full(compilation: &Compilation<'_>, stands: &[usize]) -> Vec<Block> {
    let uses = used(compilation, stands);
    let mut without: Vec<&WithoutCurve> = stands
        .iter()
        .flat_map(|at| &compilation.stands[*at].heights.without_curve)
        .collect();
    without.sort_by_key(|without| without.species);
    without.dedup_by_key(|without| without.species);
    let mut remarks = Vec::new();
    for used in &uses {
        remarks.extend(remarks_on(compilation, used));
    }
    for without in without {
        remarks.push(format!(
            "{}: no curve ({})",
            label(compilation, without.species),
            passed_words(compilation, &without.passed)
        ));
    }
    let one_heights = stands.iter().flat_map(|at| {
        let found = &compilation.stands[*at].heights.one_height;
        found
            .iter()
            .map(move |one| one_value(compilation, *at, *one))
    });
    for words in one_heights {
        if !remarks.contains(&words) {
            remarks.push(words);
        }
    }
    for publication in uses.iter().filter_map(|used| publication(&used.curve)) {
        if !remarks.contains(&publication) {
            remarks.push(publication);
        }
    }
    let formulas = uses.iter().map(|used| formula(compilation, used));
    let mut blocks = vec![Block::Table(table_of(compilation, &uses))];
    let effects = curve_effects::table(compilation, &uses, |used| whose(compilation, used));
    blocks.extend(effects.map(Block::Table));
    blocks.extend([Block::List(formulas.collect()), Block::List(remarks)]);
    blocks
}

pub(super) fn label<'a>(compilation: &Compilation<'a>, species: usize) -> &'a str {
    &compilation.records.species[species].label
}

pub(super) fn labels(compilation: &Compilation<'_>, species: &[Served]) -> String {
    let labels: Vec<&str> = species
        .iter()
        .map(|served| label(compilation, served.species))
        .collect();
    labels.join(", ")
}

pub(super) fn table_of(compilation: &Compilation<'_>, uses: &[CurveUse]) -> Table {
    let units = compilation.design.units;
    let (diameter, length) = (units.diameter(), units.length());
    let columns = vec![
        Column::words("species"),
        Column::words("level"),
        Column::words("form"),
        Column::number("heights", "fitted"),
        Column::number("dbh from", diameter.label),
        Column::number("dbh to", diameter.label),
        Column::number("RMSE", length.label),
        Column::number("heights", "filled"),
        Column::number("beyond", "dbh"),
    ];
    let mut table = Table::new("", 1, columns);
    for used in uses {
        let fit = fitted(used).map(|fitted| &fitted.fit);
        let rmse_m = fitted(used).map(FittedUse::rmse_m);
        let range = range_cm(&used.curve);
        let dbh = |end: usize| {
            let dbh_cm = range.map(|range| range[end]);
            Cell::maybe(dbh_cm.map(|cm| cm * diameter.from_metric), 1)
        };
        for served in &used.species {
            table.rows.push(vec![
                Cell::text(label(compilation, served.species)),
                Cell::text(used.level.name()),
                Cell::text(used.curve.form_name()),
                Cell::maybe(fit.map(|fit| fit.n as f64), 0),
                dbh(0),
                dbh(1),
                Cell::maybe(rmse_m.map(|m| m * length.from_metric), 2),
                Cell::Number(served.filled as f64, 0),
                beyond(&used.curve, served),
            ]);
        }
    }
    table.remarks.push(
        "RMSE: residual standard error of the heights about the curve. Beyond dbh: trees of the \
         heights filled that are thinner or thicker than those behind the curve."
            .to_owned(),
    );
    table
}

/// Smallest and largest dbh of the trees behind a curve, where known.
fn range_cm(curve: &HeightCurve) -> Option<[f64; 2]> {
    match curve {
        HeightCurve::Fitted(fitted) => Some(fitted.fit.dbh_range_cm.into()),
        HeightCurve::Published(published) => published.curve.head.range.dbh_cm,
        HeightCurve::Ratio(ratio) => range_cm(&ratio.curve),
    }
}

/// Trees beyond the sizes behind the curve; blank where these are not known.
fn beyond(curve: &HeightCurve, served: &Served) -> Cell {
    Cell::maybe(range_cm(curve).map(|_| served.extrapolated as f64), 0)
}

fn fitted(used: &CurveUse) -> Option<&FittedUse> {
    match &used.curve {
        HeightCurve::Fitted(fitted) => Some(fitted),
        HeightCurve::Published(_) | HeightCurve::Ratio(_) => None,
    }
}

/// `Fd: H = 1.3 + D^2/(a + b D)^2, D in cm, H in m; a = 2.0 (0.1), b = 0.16 (0.01)`.
pub(super) fn formula(compilation: &Compilation<'_>, used: &CurveUse) -> String {
    let whose = whose(compilation, used);
    let parameters = parameters(compilation, &used.curve);
    format!("{whose}: {}; {parameters}", used.curve.expression())
}

/// The species behind a curve.
fn whose(compilation: &Compilation<'_>, used: &CurveUse) -> String {
    match used.level {
        Level::Species | Level::Ratio | Level::Regional => labels(compilation, &used.species),
        Level::Pooled(_) => format!("all {}", used.level.name()),
    }
}

/// Why this curve, and how far it may be trusted.
pub(super) fn remarks_on(compilation: &Compilation<'_>, used: &CurveUse) -> Vec<String> {
    let mut remarks = Vec::new();
    let whose = whose(compilation, used);
    let passed = used.species.iter().flat_map(|served| &served.passed);
    let passed: Vec<Passed> = passed.cloned().collect();
    let passed = passed_words(compilation, &passed);
    match &used.curve {
        HeightCurve::Fitted(fitted) => {
            for served in &used.species {
                if !served.passed.is_empty() {
                    remarks.push(format!(
                        "{}: the curve of all {} ({})",
                        label(compilation, served.species),
                        used.level.name(),
                        passed_words(compilation, &served.passed)
                    ));
                }
            }
            if let Some((form, why)) = fitted.replaced {
                remarks.push(format!(
                    "{whose}: the design asks for {}, which cannot be used here: {}",
                    form.name(),
                    why.words()
                ));
            }
            if let Some((own_m, shared_m)) = fitted.closer_than_shared {
                let length = compilation.design.units.length();
                let verdict = if fitted.fit.n < MANY_HEIGHTS {
                    "clearly better"
                } else {
                    "not clearly worse, so it comes first with so many heights"
                };
                remarks.push(format!(
                    "{whose}: its own curve foretells heights left out one at a time to {:.2} {}, \
                     the curve of its kind to {:.2} (root mean square): {verdict}",
                    own_m * length.from_metric,
                    length.label,
                    shared_m * length.from_metric
                ));
            }
            remarks.extend(curve_effects::remark(compilation, used, &whose, fitted));
            remarks.extend(tried(&whose, fitted));
            if let Some(scatter) = fitted.fit.scatter {
                let length = compilation.design.units.length();
                let mut words = format!(
                    "{whose}: without the errors of measurement heights scatter about the curve by \
                     {:.2} {}",
                    scatter.std_dev_m * length.from_metric,
                    length.label
                );
                if scatter.without_error > 0 {
                    words += &format!(
                        "; {} whose error is not known counted as exact",
                        counted(scatter.without_error, "height")
                    );
                }
                remarks.push(words);
            }
            if fitted.steep > 0 {
                remarks.push(format!(
                    "{whose}: {} of the {} heights behind the curve were read with a sight steeper \
                     than 100 %, which are the least precise",
                    fitted.steep, fitted.fit.n
                ));
            }
        }
        HeightCurve::Published(published) => {
            remarks.extend(on_published(compilation, &whose, published, &passed));
        }
        HeightCurve::Ratio(ratio) => {
            remarks.push(format!(
                "{whose}: the height above breast height is k times that of {}, as the design asks \
                 ({passed}); {}",
                name_of(compilation, ratio.other),
                ratio.factor.words()
            ));
            if let HeightCurve::Published(published) = &ratio.curve {
                remarks.extend(on_published(
                    compilation,
                    &whose,
                    published,
                    "of the other species",
                ));
            }
        }
    }
    let beyond: usize = used.species.iter().map(|served| served.extrapolated).sum();
    let filled: usize = used.species.iter().map(|served| served.filled).sum();
    if beyond > 0 {
        remarks.push(format!(
            "{whose}: {beyond} of {filled} filled heights are extrapolated beyond the dbh of the \
             trees behind the curve; measure heights there too"
        ));
    }
    remarks
}

/// How the form was chosen, and which forms were refused.
fn tried(whose: &str, fitted: &FittedUse) -> Option<String> {
    if fitted.tried.len() < 2 {
        return None;
    }
    let accepted = fitted
        .tried
        .iter()
        .filter(|tried| tried.outcome.is_ok())
        .count();
    let chosen = fitted.fit.curve.form;
    let mut words = match &fitted.effects {
        Ok(effects) if effects.by() == Grouping::Species => format!(
            "{whose}: {} (AICc {:.2} with effects, maximum likelihood) of the best of {accepted} \
             acceptable forms",
            chosen.name(),
            effects.aicc.0
        ),
        _ => format!(
            "{whose}: {} (AICc {:.2}) of {accepted} acceptable forms: {}",
            chosen.name(),
            fitted.fit.aicc,
            why_chosen(chosen)
        ),
    };
    for refused in refused(&fitted.tried) {
        words += "; ";
        words += &refused;
    }
    Some(words)
}

/// Why this form of all that are acceptable.
pub(super) fn why_chosen(form: Form) -> String {
    if form == FAVOURITE {
        format!("no other form has an AICc lower by more than {LEAD}")
    } else {
        "the least AICc".to_owned()
    }
}

/// The forms that were refused, by reason: `refused (no finite optimum): korf, weibull`.
fn refused(tried: &[Tried]) -> Vec<String> {
    [
        Refusal::TooFew,
        Refusal::NoMinimum,
        Refusal::NotRising,
        Refusal::TooHigh,
    ]
    .into_iter()
    .filter_map(|refusal| {
        let of = tried.iter().filter(|one| one.outcome == Err(refusal));
        let names: Vec<&str> = of.map(|one| one.form.name()).collect();
        let words = refusal.words();
        (!names.is_empty()).then(|| format!("refused ({words}): {}", names.join(", ")))
    })
    .collect()
}

/// Why the levels that were passed over do not serve.
pub(super) fn passed_words(compilation: &Compilation<'_>, passed: &[Passed]) -> String {
    let words: Vec<String> = passed
        .iter()
        .map(|passed| why_words(compilation, passed))
        .collect();
    words.join("; ")
}

pub(super) fn why_words(compilation: &Compilation<'_>, passed: &Passed) -> String {
    let units = compilation.design.units;
    let whose = match passed.level {
        Level::Species => "its own heights".to_owned(),
        Level::Ratio => "the species whose curve it should take".to_owned(),
        level => format!("heights of all {}", level.name()),
    };
    let shown = |m: f64| {
        let length = units.length();
        format!("{:.2} {}", m * length.from_metric, length.label)
    };
    match &passed.why {
        Why::TooFew { n, wanted } => format!("{whose}: {n}, at least {wanted} are asked for"),
        Why::OneHeight { n, height_m } => format!(
            "{whose}: all {n} are the same ({:.2} {}), so there is nothing to fit",
            height_m * units.length().from_metric,
            units.length().label
        ),
        Why::OneDbh { n, dbh_cm } => format!(
            "{whose}: all {n} are of trees of one dbh ({:.1} {}), so there is nothing to fit",
            dbh_cm * units.diameter().from_metric,
            units.diameter().label
        ),
        Why::NoForm { n, tried } => format!(
            "{whose}: {n}, but no form gives an acceptable curve; {}",
            refused(tried).join("; ")
        ),
        Why::PublishedIsCloser {
            n,
            shared_m,
            published_m,
        } => format!(
            "{whose}: {n}, left out one at a time foretold by the shared curve to {}, by published ones, \
             scaled, to {} (root mean square): not clearly better",
            shown(*shared_m),
            shown(*published_m)
        ),
        Why::SharedIsCloser { n, own_m, shared_m } => {
            let own = own_m.map_or_else(
                || "hangs on one of them".to_owned(),
                |own_m| format!("foretells those left out one at a time to {}", shown(own_m)),
            );
            let verdict = if *n < MANY_HEIGHTS {
                "not clearly better"
            } else {
                "clearly worse"
            };
            format!(
                "{whose}: {n}, but their own curve {own}, the shared one to {} (root mean square): \
                 {verdict}",
                shown(*shared_m)
            )
        }
        Why::OtherHasNone { other } => {
            format!("{whose}, {}, has no curve", name_of(compilation, *other))
        }
        Why::KindUnknown => {
            "the species table does not say whether it is a softwood or a hardwood".to_owned()
        }
        Why::NoSet => "the design names no set of published curves (heights: regional)".to_owned(),
        Why::NotInSet { set } => format!("the set {set} has no curve for it or its genus"),
    }
}

/// One row per stand, species and curve; every formula and every publication once.
fn by_stand(compilation: &Compilation<'_>) -> Vec<Block> {
    let length = compilation.design.units.length();
    let columns = vec![
        Column::words("stand"),
        Column::words("species"),
        Column::words("level"),
        Column::words("form"),
        Column::number("heights", "fitted"),
        Column::number("RMSE", length.label),
        Column::number("heights", "filled"),
        Column::number("beyond", "dbh"),
    ];
    let mut table = Table::new("", 2, columns);
    let mut formulas: Vec<String> = Vec::new();
    let mut publications: Vec<String> = Vec::new();
    let mut left_out = 0;
    for (at, stand) in compilation.records.stands.iter().enumerate() {
        for used in used(compilation, &[at]) {
            match publication(&used.curve) {
                None => {
                    let name = used.curve.form_name();
                    formulas.push(format!("{name}: {}", used.curve.expression()));
                }
                publication => {
                    publications.extend(publication);
                    publications.extend(bounds_of_set(&used.curve));
                }
            }
            let fit = fitted(&used).map(|fitted| &fitted.fit);
            let rmse_m = fitted(&used).map(FittedUse::rmse_m);
            for served in &used.species {
                if table.rows.len() == MOST_ROWS {
                    left_out += 1;
                    continue;
                }
                table.rows.push(vec![
                    Cell::text(&stand.name),
                    Cell::text(label(compilation, served.species)),
                    Cell::text(used.level.name()),
                    Cell::text(used.curve.form_name()),
                    Cell::maybe(fit.map(|fit| fit.n as f64), 0),
                    Cell::maybe(rmse_m.map(|m| m * length.from_metric), 2),
                    Cell::Number(served.filled as f64, 0),
                    beyond(&used.curve, served),
                ]);
            }
        }
    }
    if left_out > 0 {
        table.remarks.push(format!(
            "{left_out} more rows are not shown; a stand asked for by name shows its own in full."
        ));
    }
    for list in [&mut formulas, &mut publications] {
        list.sort();
        list.dedup();
    }
    formulas.extend(publications);
    vec![Block::Table(table), Block::List(formulas)]
}
