//! How the sample was taken for the estimates, in words.

use crate::design::{Average, Design, Layout, RatioLimits, StrataWeights, Variance};
use crate::diagnostic::counted;
use crate::records::{Records, Stand};
use crate::tables::plain;

/// What holds for every estimate, one sentence each.
pub fn sampling_assumptions(design: &Design, records: &Records) -> Vec<String> {
    let mut lines = vec![variance(design)];
    lines.extend(clusters(records));
    lines.push(list(design, records));
    if design.sampling.average == Average::RatioOfMeans {
        lines.push(
            "Plots are averaged by their area inside the stand: sums over plots divided by the sum \
             of their areas (ratio of means)."
                .to_owned(),
        );
    } else if has_part_plots(records) {
        lines.push(
            "Some plots lie only in part in the stand, and each weighs as a whole one: slivers with \
             many or few trees then count for much, and means can be several percent off; \
             `sampling: { average: ratio-of-means }` weighs plots by their area."
                .to_owned(),
        );
    }
    lines.push(strata(design));
    if let Some(list) = design.sampling.listed {
        lines.push(format!(
            "The stands were drawn from a list of {}: the variance between stands is counted, and \
             the whole stands for {}.",
            plain(list.stands),
            if list.area_ha.is_some() {
                "the area of the list"
            } else {
                "all stands of the list, at the mean area of those drawn"
            }
        ));
    }
    lines.extend(limits_of_ratios(design, records));
    lines.push("Plots without trees count as zeros.".to_owned());
    lines.push(
        "Species and classes add up to their totals; their standard errors do not.".to_owned(),
    );
    lines
}

fn has_part_plots(records: &Records) -> bool {
    let plots = records.stands.iter().flat_map(|stand| &stand.plots);
    let mut visits = plots.flat_map(|plot| &plot.visits);
    visits.any(|visit| visit.plot_fraction < 1.0)
}

fn variance(design: &Design) -> String {
    let sampling = &design.sampling;
    let from = match sampling.variance {
        Variance::Simple => {
            let random = "Standard errors are those of simple random sampling within each stratum";
            return match sampling.layout {
                Layout::Random => format!("{random}."),
                Layout::Unstated => {
                    format!("{random}; a systematic layout is treated as a random one.")
                }
                Layout::Systematic => format!(
                    "{random}: the layout is systematic, for which this is as a rule too large \
                     where plots near each other are alike."
                ),
            };
        }
        Variance::SuccessiveDifferences => "that follow each other along the lines of the grid",
        Variance::Neighbours => "that lie beside each other on the grid",
    };
    format!(
        "Standard errors come from the differences of units {from}: the layout is systematic, and \
         what changes slowly over the stand is not counted as error. No formula is exact for one \
         systematic sample."
    )
}

fn clusters(records: &Records) -> Option<String> {
    let plots = || records.stands.iter().flat_map(|stand| &stand.plots);
    let clustered = plots().filter(|plot| plot.cluster.is_some()).count();
    let of_stand = |stand: &Stand| {
        let mut names: Vec<&str> = stand
            .plots
            .iter()
            .filter_map(|p| p.cluster.as_deref())
            .collect();
        names.sort_unstable();
        names.dedup();
        names.len()
    };
    let clusters: usize = records.stands.iter().map(of_stand).sum();
    (clustered > 0).then(|| {
        format!(
            "Plots of a cluster are not independent: the sampling units are the {} of {}.",
            counted(clusters, "cluster"),
            counted(clustered, "plot")
        )
    })
}

/// Where limits of ratios do not come from resampling although the design wants it.
fn limits_of_ratios(design: &Design, records: &Records) -> Option<String> {
    let wanted = matches!(
        design.intervals.ratios,
        RatioLimits::Bca | RatioLimits::Percentile
    );
    let why = if is_listed(design, records) {
        "a list"
    } else if design.sampling.variance != Variance::Simple {
        "a variance from differences"
    } else if design.sampling.strata != StrataWeights::Areas {
        "strata made after sampling or of estimated weight"
    } else {
        return None;
    };
    wanted.then(|| {
        format!(
            "Limits of ratios (mean diameters, mean heights, densities) come from their standard \
             errors and t: resampling does not imitate {why}."
        )
    })
}

fn is_listed(design: &Design, records: &Records) -> bool {
    let mut strata = records.stands.iter().flat_map(|stand| &stand.strata);
    design.sampling.listed_units.is_some() || strata.any(|stratum| stratum.listed_units.is_some())
}

fn list(design: &Design, records: &Records) -> String {
    if is_listed(design, records) {
        "The units were drawn from a list: the finite population correction is applied.".to_owned()
    } else {
        "No finite population correction is applied.".to_owned()
    }
}

fn strata(design: &Design) -> String {
    match design.sampling.strata {
        StrataWeights::Areas => {
            "Strata, and stands in the whole, are weighted by their areas; degrees of freedom by \
             Satterthwaite's rule."
        }
        StrataWeights::AfterSampling => {
            "Plots were sorted into strata after sampling: strata are weighted by their areas, and \
             the chance number of plots in each adds to the error."
        }
        StrataWeights::Estimated => {
            "Strata are weighted by the points of a larger first sample: the error of these weights \
             is counted."
        }
    }
    .to_owned()
}
