//! Where the parameters of a height curve come from: a fit, a publication, another species.

use crate::compile::Compilation;
use crate::heights::HeightCurve;
use crate::heights::ratio::Factor;
use crate::heights::regional::RegionalCurve;
use crate::heights::scale::PublishedUse;
use crate::species::SpeciesId;

/// A species as the cruise calls it, else by its name.
pub(super) fn name_of(compilation: &Compilation<'_>, id: SpeciesId) -> String {
    let mut recorded = compilation.records.species.iter();
    let recorded = recorded.find(|species| species.id == id);
    recorded.map_or_else(
        || compilation.knowledge.species.get(id).label(),
        |species| species.label.clone(),
    )
}

/// Its parameters, or coefficients, with the factor that they are taken times.
pub(super) fn parameters(compilation: &Compilation<'_>, curve: &HeightCurve) -> String {
    match curve {
        HeightCurve::Fitted(fitted) => {
            format!(
                "{} (standard errors in brackets)",
                fitted.parameters_shown()
            )
        }
        HeightCurve::Published(published) => {
            let coefficients = published.curve.coefficients_shown();
            match published.scale {
                None => coefficients,
                Some(scale) => format!(
                    "{coefficients}; above breast height times {} (standard error in brackets)",
                    scale.shown()
                ),
            }
        }
        HeightCurve::Ratio(ratio) => {
            let factor = match ratio.factor {
                Factor::Heights(scale) => scale.shown(),
                Factor::Given(_) | Factor::One => format!("k = {}", ratio.factor.value()),
            };
            format!(
                "{}; this is the curve of {}, above breast height times {factor}",
                parameters(compilation, &ratio.curve),
                name_of(compilation, ratio.other)
            )
        }
    }
}

/// How far a published curve may be trusted here.
pub(super) fn on_published(
    compilation: &Compilation<'_>,
    whose: &str,
    published: &PublishedUse,
    passed: &str,
) -> Vec<String> {
    let curve = &published.curve;
    let fitted = match published.scale {
        None => "not fitted to this cruise, so it may miss the stand".to_owned(),
        Some(scale) => format!(
            "its part above breast height taken times {}, from {}; variances between plots and of \
             one height from Upper Flat Creek, taken to hold here (a judgement)",
            scale.shown(),
            scale.words()
        ),
    };
    let mut remarks = vec![format!(
        "{whose}: published curve of {} ({}), {fitted} ({passed})",
        curve.name, curve.head.title,
    )];
    let doubts = [&curve.mark, &curve.note].into_iter().flatten();
    remarks.extend(doubts.map(|doubt| format!("{whose}: {doubt}")));
    remarks.extend(bounds_unknown(compilation, whose, curve));
    remarks
}

/// What a published curve without a published range of dbh cannot tell.
fn bounds_unknown(
    compilation: &Compilation<'_>,
    whose: &str,
    curve: &RegionalCurve,
) -> Option<String> {
    let range = &curve.head.range;
    if range.dbh_cm.is_some() {
        return None;
    }
    let length = compilation.design.units.length();
    let tends = curve.impossible_asymptote_m().map(|height_m| {
        format!(
            ". The curve tends to {:.0} {}, taller than any tree: it means nothing beyond the trees \
             that it was fitted to",
            height_m * length.from_metric,
            length.label
        )
    });
    Some(format!(
        "{whose}: range of dbh of the trees behind the curve: {}; so no height counts as \
         extrapolated{}",
        range.source,
        tends.unwrap_or_default()
    ))
}

/// The publication of a published curve, and how it was obtained.
pub(super) fn publication(curve: &HeightCurve) -> Option<String> {
    match curve {
        HeightCurve::Fitted(_) => None,
        HeightCurve::Ratio(ratio) => publication(&ratio.curve),
        HeightCurve::Published(published) => {
            let words = published.curve.head.obtained.words();
            Some(format!("{} ({words})", published.curve.citation()))
        }
    }
}

/// The same of the set of a published curve, in the table of many stands.
pub(super) fn bounds_of_set(curve: &HeightCurve) -> Option<String> {
    let head = match curve {
        HeightCurve::Fitted(_) => return None,
        HeightCurve::Ratio(ratio) => return bounds_of_set(&ratio.curve),
        HeightCurve::Published(published) => &published.curve.head,
    };
    head.range.dbh_cm.is_none().then(|| {
        format!(
            "{}: range of dbh of the trees behind the curves: {}; so no height counts as \
             extrapolated",
            head.title, head.range.source
        )
    })
}
