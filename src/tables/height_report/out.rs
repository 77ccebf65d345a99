//! Heights that stand out from their curve.

use super::{Gathered, Group};
use crate::heights::HeightCurve;
use crate::heights::evidence::{CurveEvidence, HeightAgainst};
use crate::math::{normal, t};

/// Standard deviations beyond which a height stands out. Common practice, no source: of 370 good
/// heights one lies so far off.
pub(super) const FAR: f64 = 3.0;
/// Beyond this the farthest are shown too, while few stand out. Common practice, no source: of 80
/// good heights one.
pub(super) const DOUBTFUL: f64 = 2.5;
/// Heights of a curve up to which doubtful ones are shown.
const FEW: usize = 5;

/// A height that stands out.
pub(super) struct Out<'g> {
    pub(super) group: &'g Group,
    pub(super) curve: &'g CurveEvidence,
    pub(super) height: &'g HeightAgainst,
    /// Its studentised residual.
    pub(super) studentised: f64,
}

/// Value of Student's t as unlikely as so many standard deviations of a normal distribution: an
/// externally studentised residual of n - p - 1 degrees of freedom follows t (Cook & Weisberg 1982;
/// from memory), which spreads more with few heights.
fn as_unlikely_as(deviations: f64, df: f64) -> Option<f64> {
    t::quantile(normal::cdf(deviations), df)
}

/// Heights of one curve that stand out, the farthest first.
pub(super) fn of_curve<'g>(
    gathered: &'g Gathered<'_>,
    group: &'g Group,
    curve: &'g CurveEvidence,
) -> Vec<Out<'g>> {
    let limits = match &curve.used.curve {
        HeightCurve::Fitted(fitted) => {
            let fit = &fitted.fit;
            let df = fit.n as f64 - fit.curve.form.n_parameters() as f64 - 1.0;
            as_unlikely_as(DOUBTFUL, df).zip(as_unlikely_as(FAR, df))
        }
        // The spread about a curve from elsewhere does not come from these heights.
        HeightCurve::Published(_) | HeightCurve::Ratio(_) => Some((DOUBTFUL, FAR)),
    };
    let Some((doubtful, far)) = limits else {
        return Vec::new();
    };
    let one = |height: &'g HeightAgainst| {
        let studentised = height.studentised?;
        (studentised.abs() > doubtful).then_some(Out {
            group,
            curve,
            height,
            studentised,
        })
    };
    let mut out: Vec<Out<'_>> = gathered.shown(group, curve).filter_map(one).collect();
    farthest_first(&mut out);
    let standing_out = out.iter().filter(|out| out.studentised.abs() > far).count();
    out.truncate(standing_out.max(FEW));
    out
}

/// Heights that stand out from any curve, each with the one that it is farthest from; the farthest
/// first.
pub(super) fn of_all<'g>(gathered: &'g Gathered<'_>) -> Vec<Out<'g>> {
    let mut out: Vec<Out<'_>> = Vec::new();
    for (group_at, group) in gathered.groups.iter().enumerate() {
        let mut of_group: Vec<Out<'_>> = Vec::new();
        for curve in &group.evidence.curves {
            of_group.extend(of_curve(gathered, group, curve));
        }
        farthest_first(&mut of_group);
        let mut seen = std::collections::BTreeSet::new();
        of_group.retain(|out| {
            let tree = &out.height.tree;
            seen.insert((group_at, tree.point.place, tree.record))
        });
        out.extend(of_group);
    }
    farthest_first(&mut out);
    out
}

fn farthest_first(out: &mut [Out<'_>]) {
    out.sort_by(|a, b| b.studentised.abs().total_cmp(&a.studentised.abs()));
}
