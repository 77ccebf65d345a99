//! Notes on samples whose intervals hold the truth less often than they say.

use spinney::design::Design;
use spinney::estimates::CruiseEstimates;
use spinney::records::Plot;

use crate::sample::{bare, design, estimate, fixed, plot, records, tree, visit};

/// Plots with so many trees of one size, in these strata.
fn plots(design: &Design, trees: &[(usize, usize)]) -> Vec<Plot> {
    let plot = |(k, (stratum, trees)): (usize, &(usize, usize))| Plot {
        name: k.to_string(),
        ..plot(
            *stratum,
            vec![visit(design, 0, vec![tree(0, 20.0); *trees], Vec::new())],
        )
    };
    trees.iter().enumerate().map(plot).collect()
}

fn notes(estimates: &CruiseEstimates, code: &str) -> Vec<String> {
    let notes = estimates.notes.iter().filter(|note| note.code == code);
    notes.map(|note| note.message.clone()).collect()
}

#[test]
fn skewed_plot_values_are_told() {
    let design = design(vec![fixed(0.02)]);
    // 0, 0, 0, 4: G1 = sqrt(4/3), 25 G1^2 = 33.3.
    let skewed = plots(&design, &[(0, 0), (0, 0), (0, 0), (0, 4)]);
    let records = records(1, vec![("S", vec![("", Some(1.0))], skewed)]);
    let estimates = estimate(&design, &records, bare);
    assert_eq!(
        notes(&estimates, "skewed-values"),
        [
            "stand `S`, selection `fixed`: the plot values are skewed (skewness 1.2 of trees, 1.2 of basal area): with 4 plots a 95 % interval holds the truth less often than it says; about 34 plots are needed for that"
        ]
    );
}

#[test]
fn even_values_are_not_told() {
    let design = design(vec![fixed(0.02)]);
    let even: Vec<(usize, usize)> = (0..20).map(|k| (0, k)).collect();
    let records = records(1, vec![("S", vec![("", Some(1.0))], plots(&design, &even))]);
    let estimates = estimate(&design, &records, bare);
    assert!(notes(&estimates, "skewed-values").is_empty());
    assert!(notes(&estimates, "few-plots-for-ratios").is_empty());
}

/// As a rule the plot values of a forest are skewed to the right; the other way round it is chance.
#[test]
fn values_skewed_to_the_left_are_not_told() {
    let design = design(vec![fixed(0.02)]);
    let left = plots(&design, &[(0, 4), (0, 4), (0, 4), (0, 0)]);
    let records = records(1, vec![("S", vec![("", Some(1.0))], left)]);
    let estimates = estimate(&design, &records, bare);
    assert!(notes(&estimates, "skewed-values").is_empty());
}

#[test]
fn strata_are_looked_at_within() {
    let design = design(vec![fixed(0.02)]);
    // Skewed all together, even within each.
    let trees = [(0, 1), (0, 2), (0, 3), (0, 2), (1, 11), (1, 13)];
    let of = |strata| {
        let trees = trees.map(|(h, n)| (if strata == 1 { 0 } else { h }, n));
        let all = [("a", Some(2.0)), ("b", Some(1.0))];
        let records = records(
            1,
            vec![("S", all[..strata].to_vec(), plots(&design, &trees))],
        );
        notes(&estimate(&design, &records, bare), "skewed-values")
    };
    assert_eq!(of(1).len(), 1);
    assert!(of(2).is_empty());
}

#[test]
fn clusters_count_as_one() {
    let design = design(vec![fixed(0.02)]);
    let mut plots = plots(
        &design,
        &[
            (0, 0),
            (0, 0),
            (0, 0),
            (0, 0),
            (0, 0),
            (0, 0),
            (0, 4),
            (0, 4),
        ],
    );
    for (k, plot) in plots.iter_mut().enumerate() {
        plot.cluster = Some((k / 2).to_string());
    }
    let records = records(1, vec![("S", vec![("", Some(1.0))], plots)]);
    let notes = notes(&estimate(&design, &records, bare), "skewed-values");
    assert!(notes[0].contains("with 4 clusters"), "{notes:?}");
    assert!(notes[0].contains("about 34 clusters"), "{notes:?}");
}

#[test]
fn few_plots_for_ratios_are_told() {
    let design = design(vec![fixed(0.02)]);
    let trees: Vec<(usize, usize)> = (0..12).map(|k| (0, k)).collect();
    let records = records(
        1,
        vec![("S", vec![("", Some(1.0))], plots(&design, &trees))],
    );
    let notes = notes(&estimate(&design, &records, bare), "few-plots-for-ratios");
    assert_eq!(notes.len(), 1);
    assert!(notes[0].contains("with 12 plots"), "{notes:?}");
}
