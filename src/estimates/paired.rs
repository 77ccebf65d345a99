//! Two selections carried out at the same plots: are they apart, and what do both together say?
//!
//! ```text
//! difference   D = y_a - y_b                         v from e_ai - e_bi, the influences of unit i
//! test         t = D / sqrt v                        p = 2 F(-|t|) at the df of v
//! covariance   c = (v_a + v_b - v) / 2
//! weight       w = (v_b - c) / (v_a + v_b - 2 c)     within 0 and 1
//! combined     y = w y_a + (1 - w) y_b               v from w e_ai + (1 - w) e_bi; not clipped:
//!                                                    (v_a v_b - c^2) / (v_a + v_b - 2 c)
//! df           of the combined: the smaller of both
//! ```
//! With plots of one size `v` is `s_d^2 / n` of the differences plot by plot: the paired t test.
//! Influences, units and strata are those of the estimates ([`sample`](super::sample),
//! [`stratified`](super::stratified)). Both selections are cut to the sizes that both cover, as far
//! as trees have a dbh.
//!
//! Source: the paired test of any textbook (Freese 1967, USDA Agric. Handb. 317, from memory); the
//! linear combination of least variance of two correlated estimates (from memory).

use super::layout::{Layout, layout, size_of_stratum};
use super::sample::Sample;
use super::stratified::{Part, together};
use super::{Attribute, Estimate};
use crate::design::{Design, Measured, Method, SelectionIndex};
use crate::expansion;
use crate::math::t;
use crate::plot_sums::Column;
use crate::records::{Plot, Stand, Status, Visit};
use crate::stems::TreeValues;

/// Plots in common that a comparison needs.
pub const FEWEST_PLOTS: usize = 3;

/// Two selections of a stand that were carried out at the same plots.
#[derive(Clone, Debug, PartialEq)]
pub struct Paired {
    /// The selections, in the order of the design.
    pub selections: [SelectionIndex; 2],
    /// Plots where both were carried out.
    pub n_plots: usize,
    /// Is some plot of the stand without one of the two?
    pub plots_left_out: bool,
    /// Are trees of one of them only counted, so that nothing but basal area can be compared?
    pub counted: bool,
    /// Sizes that both cover, where they differ or are not known.
    pub sizes: Sizes,
    /// What both estimate, of the live trees of all species.
    pub attributes: Vec<PairedAttribute>,
}

/// The sizes of a comparison.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sizes {
    /// The trees that were compared, where the two selections cover other sizes: least dbh, and the
    /// dbh that trees stay under.
    pub cut_to_cm: Option<(f64, Option<f64>)>,
    /// Selections with counted trees whose least dbh is not known.
    pub unknown: Vec<SelectionIndex>,
    /// Selections with counted trees, known to cover more than the other, that cannot be cut.
    pub not_cut: Vec<SelectionIndex>,
}

/// One attribute as both selections see it, metric.
#[derive(Clone, Debug, PartialEq)]
pub struct PairedAttribute {
    /// What is estimated.
    pub attribute: Attribute,
    /// What each selection says, over the plots in common.
    pub each: [Estimate; 2],
    /// First less second.
    pub difference: Estimate,
    /// Difference by its standard error; `None` where there is no error, or none but zero.
    pub t: Option<f64>,
    /// Chance of a difference as large where there is none.
    pub p: Option<f64>,
    /// Both together, where they have errors.
    pub combined: Option<Combined>,
}

/// Two estimates made one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Combined {
    /// Weight of the first.
    pub weight: f64,
    /// The weight would have been below 0 or above 1 and was set to it.
    pub clipped: bool,
    /// The estimate.
    pub estimate: Estimate,
}

/// Weight of the first of two estimates with variances and their covariance, and whether it had to
/// be brought within 0 and 1. Where their difference does not vary both count the same.
pub fn least_variance_weight(v_a: f64, v_b: f64, c: f64) -> (f64, bool) {
    let apart = v_a + v_b - 2.0 * c;
    if apart <= 0.0 {
        return (0.5, false);
    }
    let weight = (v_b - c) / apart;
    (weight.clamp(0.0, 1.0), !(0.0..=1.0).contains(&weight))
}

/// Every two selections of a stand that share at least three plots and some attribute. `values`
/// holds the trees in the order of `Stand::trees`.
pub fn paired(design: &Design, stand: &Stand, values: &[TreeValues]) -> Vec<Paired> {
    let n = design.selections.len();
    let pairs = (0..n).flat_map(|a| (a + 1..n).map(move |b| [a, b]));
    pairs
        .filter_map(|selections| compare(design, stand, values, selections))
        .collect()
}

/// A selection at one of the common plots.
struct At<'a> {
    plot: &'a Plot,
    visit: &'a Visit,
    values: &'a [TreeValues],
}

/// One of the two selections.
struct Side<'a> {
    layout: Layout,
    /// At the common plots, in their order.
    at: Vec<At<'a>>,
    /// Position of each common plot among all plots of the selection in its stratum, and in all.
    position: Vec<(usize, usize)>,
    counted: bool,
}

impl<'a> Side<'a> {
    fn new(
        design: &Design,
        stand: &'a Stand,
        values: &'a [TreeValues],
        [this, other]: [SelectionIndex; 2],
    ) -> Side<'a> {
        let mut side = Side {
            layout: layout(design, stand, this),
            at: Vec::new(),
            position: Vec::new(),
            counted: design.selections[this].measured != Measured::All,
        };
        let mut in_stratum = vec![0; stand.strata.len()];
        let (mut in_all, mut first) = (0, 0);
        for plot in &stand.plots {
            let both = plot.visits.iter().any(|visit| visit.selection == other);
            for visit in &plot.visits {
                let values = &values[first..first + visit.trees.len()];
                first += visit.trees.len();
                if visit.selection != this {
                    continue;
                }
                side.counted |= !visit.counts.is_empty();
                if both {
                    side.position.push((in_stratum[plot.stratum], in_all));
                    let at = At {
                        plot,
                        visit,
                        values,
                    };
                    side.at.push(at);
                }
                in_stratum[plot.stratum] += 1;
                in_all += 1;
            }
        }
        side
    }

    fn is_tallied(&self) -> bool {
        let mut strata = self.layout.strata.iter().flatten();
        strata.any(Sample::is_tallied)
    }
}

/// Least dbh of a selection, and the dbh that its trees stay under, cm.
fn covered_cm(design: &Design, selection: SelectionIndex) -> (f64, Option<f64>) {
    let rule = &design.selections[selection];
    let least = rule.min_dbh_cm.unwrap_or(0.0);
    let Method::NestedRings(rings) = &rule.method else {
        return (least, None);
    };
    let of_rings = rings.iter().map(|ring| ring.min_dbh_cm);
    let under = rings.iter().map(|ring| ring.max_dbh_cm);
    (
        least.max(of_rings.fold(f64::INFINITY, f64::min)),
        under
            .collect::<Option<Vec<f64>>>()
            .map(|all| all.into_iter().fold(0.0, f64::max)),
    )
}

fn compare(
    design: &Design,
    stand: &Stand,
    values: &[TreeValues],
    [a, b]: [SelectionIndex; 2],
) -> Option<Paired> {
    // Where every tree was visited, plots are sheets and not a sample of the stand.
    if [a, b]
        .iter()
        .any(|of| design.selections[*of].method.visits_all())
    {
        return None;
    }
    let sides = [[a, b], [b, a]].map(|two| Side::new(design, stand, values, two));
    let n_plots = sides[0].at.len();
    if n_plots < FEWEST_PLOTS || sides.iter().any(Side::is_tallied) {
        return None;
    }
    let (cut, sizes) = sizes(design, [a, b], &sides)?;
    let counted = sides.iter().any(|side| side.counted);
    let columns = [
        Column::Trees,
        Column::BasalArea,
        Column::VolumeTotal,
        Column::VolumeMerch,
        Column::VolumeNet,
    ];
    let attributes: Vec<PairedAttribute> = columns
        .into_iter()
        .filter(|column| *column == Column::BasalArea || !counted)
        .filter_map(|column| attribute(design, stand, &sides, cut, column))
        .collect();
    let visits = |plot: &Plot, s| plot.visits.iter().any(|visit| visit.selection == s);
    let mut plots = stand.plots.iter();
    (!attributes.is_empty()).then(|| Paired {
        selections: [a, b],
        n_plots,
        counted,
        plots_left_out: plots.any(|plot| visits(plot, a) != visits(plot, b)),
        sizes,
        attributes,
    })
}

/// The sizes of trees with a dbh that are compared, and what is to be said of it; `None` where the
/// two have no size in common.
fn sizes(
    design: &Design,
    selections: [SelectionIndex; 2],
    sides: &[Side<'_>; 2],
) -> Option<((f64, Option<f64>), Sizes)> {
    let covered = selections.map(|selection| covered_cm(design, selection));
    let unknown =
        |at: &usize| sides[*at].counted && design.selections[selections[*at]].min_dbh_cm.is_none();
    let least = covered[0].0.max(covered[1].0);
    let under = match (covered[0].1, covered[1].1) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    };
    if under.is_some_and(|under| under <= least) {
        return None;
    }
    let cut = (least, under);
    let wider = |at: &usize| covered[*at] != cut;
    let named = |of: &dyn Fn(&usize) -> bool| -> Vec<SelectionIndex> {
        let at = [0, 1].into_iter().filter(|at| of(at));
        at.map(|at| selections[at]).collect()
    };
    let cut_some = [0, 1].iter().any(|at| wider(at) && !sides[*at].counted);
    let sizes = Sizes {
        cut_to_cm: cut_some.then_some(cut),
        unknown: named(&unknown),
        not_cut: named(&|at| wider(at) && sides[*at].counted && !unknown(at)),
    };
    Some((cut, sizes))
}

/// What the live trees of some sizes add up to at a plot, per hectare; `None` where the value of a
/// tree is not known.
fn plot_value(
    stand: &Stand,
    at: &At<'_>,
    (least_cm, under_cm): (f64, Option<f64>),
    column: Column,
) -> Option<f64> {
    let area_ha = stand.strata[at.plot.stratum].area_ha;
    let mut sum = 0.0;
    for (tree, values) in at.visit.trees.iter().zip(at.values) {
        let within =
            tree.dbh_cm >= least_cm && under_cm.is_none_or(|under_cm| tree.dbh_cm < under_cm);
        let expansion = expansion::expand(at.visit, tree, area_ha)?;
        if within && tree.status == Status::Live && !tree.excluded && expansion.trees_per_ha > 0.0 {
            sum += column.of(tree.dbh_cm, expansion, values)?;
        }
    }
    if column == Column::BasalArea {
        let live = |count: &&crate::records::Count| count.status == Status::Live;
        for count in at.visit.counts.iter().filter(live) {
            sum += expansion::counted_basal_area_m2_per_ha(at.visit, count)?;
        }
    }
    Some(sum)
}

fn attribute(
    design: &Design,
    stand: &Stand,
    sides: &[Side<'_>; 2],
    cut: (f64, Option<f64>),
    column: Column,
) -> Option<PairedAttribute> {
    let of_side = |side: &Side<'_>| -> Option<Vec<f64>> {
        // Counted trees cannot be cut, so the measured ones beside them are not either.
        let cut = if side.counted { (0.0, None) } else { cut };
        let plots = side.at.iter();
        plots.map(|at| plot_value(stand, at, cut, column)).collect()
    };
    let values = [of_side(&sides[0])?, of_side(&sides[1])?];
    let known = |tree: &TreeValues| column.of_tree(tree).is_some();
    let mut trees = sides
        .iter()
        .flat_map(|side| &side.at)
        .flat_map(|at| at.values);
    if !matches!(column, Column::Trees | Column::BasalArea) && !trees.any(known) {
        return None;
    }
    let mix = |factors: [f64; 2]| mixed(design, stand, sides, &values, factors);
    let each = [mix([1.0, 0.0])?, mix([0.0, 1.0])?];
    let difference = mix([1.0, -1.0])?;
    let t = (difference.std_error.filter(|se| *se > 0.0)).map(|se| difference.mean / se);
    let combined = || {
        let variance = |estimate: &Estimate| estimate.std_error.map(|se| se * se);
        let (v_a, v_b) = (variance(&each[0])?, variance(&each[1])?);
        let c = (v_a + v_b - variance(&difference)?) / 2.0;
        let (weight, clipped) = least_variance_weight(v_a, v_b, c);
        let estimate = mix([weight, 1.0 - weight])?;
        Some(Combined {
            weight,
            clipped,
            estimate: Estimate {
                df: [each[0].df, each[1].df]
                    .into_iter()
                    .flatten()
                    .reduce(f64::min),
                ..estimate
            },
        })
    };
    Some(PairedAttribute {
        attribute: column.attribute()?,
        each,
        difference,
        t,
        p: t.zip(difference.df)
            .and_then(|(t, df)| t::two_sided_p(t, df)),
        combined: combined(),
    })
}

/// Mean and error of `f_a y_a + f_b y_b` over the strata of the stand.
fn mixed(
    design: &Design,
    stand: &Stand,
    sides: &[Side<'_>; 2],
    values: &[Vec<f64>; 2],
    factors: [f64; 2],
) -> Option<Estimate> {
    if sides[0].layout.stand.is_some() {
        let all: Vec<usize> = (0..sides[0].at.len()).collect();
        return mixed_sample(
            |side| Some(side.layout.stand.as_ref()?.only(&second(&side.position))),
            (sides, &all),
            values,
            factors,
        );
    }
    let strata = stand.strata.len();
    let part = |h: usize| {
        let plots = sides[0].at.iter().enumerate();
        let here: Vec<usize> = plots
            .filter(|(_, at)| at.plot.stratum == h)
            .map(|(i, _)| i)
            .collect();
        if here.is_empty() {
            return None;
        }
        let sample = |side: &Side<'_>| {
            let at: Vec<usize> = here.iter().map(|i| side.position[*i].0).collect();
            Some(side.layout.strata[h].as_ref()?.only(&at))
        };
        Some(Part {
            area_ha: if strata == 1 {
                1.0
            } else {
                size_of_stratum(design, stand, h)?
            },
            estimate: mixed_sample(sample, (sides, &here), values, factors)?,
        })
    };
    let parts: Option<Vec<Part>> = (0..strata).map(part).collect();
    Some(together(sides[0].layout.together, &parts?))
}

fn second(positions: &[(usize, usize)]) -> Vec<usize> {
    positions.iter().map(|(_, all)| *all).collect()
}

/// The mixture in one sample: the plots are the same, their sizes may not be.
fn mixed_sample<'a>(
    sample: impl Fn(&Side<'a>) -> Option<Sample>,
    (sides, plots): (&[Side<'a>; 2], &[usize]),
    values: &[Vec<f64>; 2],
    factors: [f64; 2],
) -> Option<Estimate> {
    let mut mean = 0.0;
    let mut influence: Vec<f64> = Vec::new();
    let first = sample(&sides[0])?;
    for (at, factor) in factors.into_iter().enumerate() {
        let sample = sample(&sides[at])?;
        let here: Vec<f64> = plots.iter().map(|plot| values[at][*plot]).collect();
        mean += factor * sample.mean(&here);
        let of_side = sample.influence(&here);
        influence.resize(of_side.len(), 0.0);
        for (sum, e) in influence.iter_mut().zip(of_side) {
            *sum += factor * e;
        }
    }
    let zeros = vec![0.0; plots.len()];
    Some(Estimate {
        mean,
        std_error: first.covariance(&influence, &influence).map(f64::sqrt),
        ..first.estimate(&zeros)
    })
}
