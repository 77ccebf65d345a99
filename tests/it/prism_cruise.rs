//! A real prism cruise, Upper Flat Creek: empty points, species, classes, stand metrics, and the
//! volume lent by the measured trees; the citation stands in the case.

use std::collections::BTreeMap;

use spinney::design::Measured;
use spinney::estimates::simple::simple;
use spinney::estimates::{Attribute, Domain, StatusDomain};
use spinney::records::{Status, Tree};

use crate::answers::{check, numbers, rows, shared_file};
use crate::estimators::{se, stand, trees_in_classes};
use crate::sample::{
    bare, conelike, count, design, estimate, find, gauge, plot, records, tall, tree, visit,
};

#[test]
fn prism_cruise_of_upper_flat_creek() {
    let Some(file) = shared_file("sources/estimation/ex17_prism_cruise_ufc.csv") else {
        return;
    };
    let design = design(vec![gauge(7.0, Measured::All, None)]);
    let counting = crate::sample::design(vec![gauge(7.0, Measured::Some, None)]);
    let species = ["DF", "GF", "WC", "WL", "WP"];
    let mut points = BTreeMap::new();
    for row in rows(&file) {
        let point: u32 = row["point"].parse().unwrap();
        let trees: &mut Vec<_> = points.entry(point).or_default();
        if row["dbh_mm"].is_empty() {
            continue;
        }
        let kind = species.iter().position(|s| *s == row["species"]);
        let tree = tree(
            kind.unwrap_or(species.len()),
            row["dbh_mm"].parse::<f64>().unwrap() / 10.0,
        );
        let height_dm: f64 = row["height_dm"].parse().unwrap_or_default();
        trees.push(if height_dm > 0.0 {
            tall(tree, height_dm / 10.0)
        } else {
            tree
        });
    }
    let tally: Vec<_> = points.values().flatten().collect();
    let with_height = |tree: &&&Tree| conelike(tree).height_m.is_some();
    let trees_with_height = tally.iter().filter(with_height).count();
    let empty = points.values().filter(|trees| trees.is_empty()).count();
    let all = points
        .values()
        .map(|trees| plot(0, vec![visit(&design, 0, trees.clone(), Vec::new())]));
    let all = records(6, vec![("S", vec![("", None)], all.collect())]);
    let estimates = estimate(&design, &all, bare);
    // The same sweep with only the height trees measured and the others counted, all species as
    // one: the constructed volume is lent by the measured trees.
    let counted = points.values().map(|trees| {
        let (measured, rest): (Vec<_>, Vec<_>) = trees
            .iter()
            .cloned()
            .partition(|tree| conelike(tree).height_m.is_some());
        let measured = measured.into_iter().map(|tree| Tree { species: 0, ..tree });
        let counts = vec![count(0, Status::Live, rest.len() as f64)];
        plot(0, vec![visit(&counting, 0, measured.collect(), counts)])
    });
    let counted = records(1, vec![("S", vec![("", None)], counted.collect())]);
    let borrowed = estimate(&counting, &counted, conelike);

    let mean = |attribute| stand(&estimates, attribute).mean;
    let (trees, basal_area) = (
        stand(&estimates, Attribute::Trees),
        stand(&estimates, Attribute::BasalArea),
    );
    let lent = stand(&borrowed, Attribute::BasalArea);
    assert_eq!(
        (lent.mean, lent.std_error),
        (basal_area.mean, basal_area.std_error)
    );
    let volume = stand(&borrowed, Attribute::VolumeTotal);
    let mut ours: Vec<(String, f64)> = [
        ("points", all.stands[0].plots.len() as f64),
        ("points_without_trees", empty as f64),
        ("tally_trees", tally.len() as f64),
        ("trees_with_height", trees_with_height as f64),
        ("basal_area", basal_area.mean),
        ("se_basal_area", se(basal_area)),
        ("error_pct_basal_area", basal_area.error_pct(0.95).unwrap()),
        ("se_pct_basal_area", basal_area.std_error_pct().unwrap()),
        ("trees", trees.mean),
        ("se_trees", se(trees)),
        ("qmd", mean(Attribute::QuadraticMeanDbh)),
        ("rd", mean(Attribute::RelativeDensity)),
        ("sdi", mean(Attribute::StandDensityIndex)),
        ("sdi_summed", mean(Attribute::StandDensityIndexSummed)),
        ("vbar", volume.mean / lent.mean),
        ("volume", volume.mean),
    ]
    .map(|(quantity, value)| (quantity.to_owned(), value))
    .into();
    for (number, name) in species.iter().enumerate() {
        let domain = Domain {
            species: Some(number),
            ..Domain::all(StatusDomain::Live)
        };
        let place = (Some("S"), None, 0);
        let basal_area = find(&estimates, place, domain, Attribute::BasalArea).unwrap();
        ours.push((format!("basal_area_{name}"), basal_area.mean));
        ours.push((format!("se_basal_area_{name}"), se(basal_area)));
    }
    for from in [5_u32, 15, 25, 35, 45] {
        let trees = trees_in_classes(&estimates, [from / 5, from / 5 + 1]);
        ours.push((format!("trees_{from}_{}", from + 10), trees));
    }
    check("robinson-hamann-2010-upper-flat-creek", &ours);
    // Against the product formula of Bruce 1961, 17.975, which takes trees, not points, as the
    // units of the ratio and no covariance: close, and not the same.
    let bruce = 17.97541466;
    assert!((se(volume) / bruce - 1.0).abs() < 0.1, "{}", se(volume));
}

#[test]
fn published_plot_volumes_of_upper_flat_creek() {
    let exercise = "sources/practice/exercises/e01-upper-flat-creek-baf7/answers_per_plot.csv";
    let Some(file) = shared_file(exercise) else {
        return;
    };
    let volumes = numbers(&rows(&file), "printed_vol_m3_ha");
    let all = simple(&volumes);
    let tallied: Vec<f64> = volumes
        .iter()
        .copied()
        .filter(|volume| *volume > 0.0)
        .collect();
    check(
        "jones-2009-upper-flat-creek-volumes",
        &[
            ("plots", all.n_plots as f64),
            ("mean", all.mean),
            ("se", se(all)),
            ("half_width_95", all.half_width(0.95).unwrap()),
            ("error_pct_95", all.error_pct(0.95).unwrap()),
            ("mean_without_empty_plots", simple(&tallied).mean),
        ],
    );
}
