//! Double sampling with a gauge: counts at all points, volume per basal area from measured trees.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;

use spinney::design::{Design, Measured, RatioBy, RatioError, Selection};
use spinney::estimates::{
    Attribute, CruiseEstimates, Domain, DoubleSampling, Estimate, StatusDomain, double_sampling,
};
use spinney::records::{Plot, Records, Status, Tree};

use crate::answers::{rows, shared_file};
use crate::cruise::Cruise;
use crate::sample::{
    conelike, count, design, estimate, find, gauge, plot, records, tall, tree, values, visit,
};

/// A point: the species of its counted trees, and its measured trees.
type Point = (Vec<usize>, Vec<Tree>);

/// Counts with a factor of 10, measured trees with a factor of 40.
fn two_gauges(by: RatioBy, error: RatioError) -> Design {
    let counted = Selection {
        volume_ratio_by: by,
        volume_ratio_error: error,
        ..gauge(10.0, Measured::None, Some(1))
    };
    let measured = Selection {
        name: "measured".to_owned(),
        ..gauge(40.0, Measured::All, None)
    };
    design(vec![counted, measured])
}

fn plots(design: &Design, points: &[Point]) -> Vec<Plot> {
    let one = |(counted, measured): &Point| {
        let counts = counted.iter().map(|s| count(*s, Status::Live, 1.0));
        let visits = vec![
            visit(design, 0, Vec::new(), counts.collect()),
            visit(design, 1, measured.clone(), Vec::new()),
        ];
        plot(0, visits)
    };
    points.iter().map(one).collect()
}

fn stand(design: &Design, points: &[Point]) -> Records {
    records(2, vec![("S", vec![("", None)], plots(design, points))])
}

fn volume(estimates: &CruiseEstimates, species: Option<usize>) -> Estimate {
    let domain = Domain {
        species,
        ..Domain::all(StatusDomain::Live)
    };
    let place = (Some("S"), None, 0);
    find(estimates, place, domain, Attribute::VolumeTotal).unwrap()
}

fn sampled(design: &Design, records: &Records) -> DoubleSampling {
    let values = values(records, conelike);
    let mut all = double_sampling(design, (&records.stands[0], None), &values[0]);
    assert_eq!(all.len(), 1);
    all.remove(0)
}

fn close(ours: f64, wanted: f64, relative: f64) {
    let apart = (ours - wanted).abs();
    assert!(apart <= relative * wanted.abs(), "{ours}, wanted {wanted}");
}

/// Invented: two species, points with and without measured trees.
fn two_species() -> Vec<Point> {
    let measured = |species, height_m| tall(tree(species, 30.0 + height_m), height_m);
    vec![
        (vec![0, 0, 1], vec![measured(0, 20.0), measured(1, 15.0)]),
        (vec![0, 0, 0, 1, 1], vec![measured(0, 24.0)]),
        (vec![1, 1], vec![measured(1, 18.0)]),
        (
            vec![0, 0, 0, 0, 1, 1],
            vec![measured(0, 28.0), measured(1, 13.0)],
        ),
        (Vec::new(), Vec::new()),
    ]
}

/// Volume per basal area of the measured trees of a species (`None`: all), 0.45 h.
fn ratios(points: &[Point], species: Option<usize>) -> Vec<f64> {
    let trees = points.iter().flat_map(|(_, trees)| trees);
    let of = trees.filter(|tree| species.is_none_or(|s| s == tree.species));
    let ratio = |tree: &Tree| {
        let values = conelike(tree);
        0.45 * values.height_m.unwrap()
    };
    of.map(ratio).collect()
}

/// Mean, and variance of the mean.
fn mean_variance(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|x| (x - mean).powi(2)).sum();
    (mean, squares / (n - 1.0) / n)
}

fn basal_areas(points: &[Point], weight: impl Fn(usize) -> f64) -> Vec<f64> {
    let of = |(counted, _): &Point| counted.iter().map(|s| 10.0 * weight(*s)).sum();
    points.iter().map(of).collect()
}

#[test]
fn one_ratio_for_all_species() {
    let points = two_species();
    let design = two_gauges(RatioBy::Pooled, RatioError::Product);
    let records = stand(&design, &points);
    let estimates = estimate(&design, &records, conelike);
    let (r, var_r) = mean_variance(&ratios(&points, None));
    let (g, var_g) = mean_variance(&basal_areas(&points, |_| 1.0));
    let all = volume(&estimates, None);
    close(all.mean, g * r, 1e-14);
    let by_count = r * r * var_g;
    let by_ratio = g * g * var_r;
    close(all.std_error.unwrap(), (by_count + by_ratio).sqrt(), 1e-12);
    let df = (by_count + by_ratio).powi(2) / (by_count.powi(2) / 4.0 + by_ratio.powi(2) / 5.0);
    close(all.df.unwrap(), df, 1e-12);
    for species in [0, 1] {
        let own = |s| if s == species { 1.0 } else { 0.0 };
        let (g, var_g) = mean_variance(&basal_areas(&points, own));
        let of = volume(&estimates, Some(species));
        close(of.mean, g * r, 1e-14);
        let variance = r * r * var_g + g * g * var_r;
        close(of.std_error.unwrap(), variance.sqrt(), 1e-12);
    }
    let sampling = sampled(&design, &records);
    assert_eq!((sampling.shared_plots, sampling.donor_plots), (5, 5));
    assert_eq!(sampling.rows.len(), 3);
    let row = sampling.rows.last().unwrap();
    assert_eq!(row.product.n_trees, 6);
    close(
        row.product.std_error_goodman().unwrap().powi(2),
        by_count + by_ratio - var_g * var_r,
        1e-12,
    );
}

#[test]
fn a_ratio_by_species_adds_up() {
    let points = two_species();
    let design = two_gauges(RatioBy::Species, RatioError::Product);
    let estimates = estimate(&design, &stand(&design, &points), conelike);
    let r = [0, 1].map(|species| mean_variance(&ratios(&points, Some(species))));
    let (mean, by_count) = mean_variance(&basal_areas(&points, |species| r[species].0));
    let mut by_ratio = 0.0;
    for (species, (ratio, var_ratio)) in r.into_iter().enumerate() {
        let own = |s| if s == species { 1.0 } else { 0.0 };
        let (g, var_g) = mean_variance(&basal_areas(&points, own));
        let of = volume(&estimates, Some(species));
        close(of.mean, g * ratio, 1e-14);
        let variance = ratio * ratio * var_g + g * g * var_ratio;
        close(of.std_error.unwrap(), variance.sqrt(), 1e-12);
        by_ratio += g * g * var_ratio;
    }
    let all = volume(&estimates, None);
    close(all.mean, mean, 1e-14);
    let sum: f64 = [0, 1]
        .map(|s| volume(&estimates, Some(s)).mean)
        .iter()
        .sum();
    close(all.mean, sum, 1e-14);
    close(all.std_error.unwrap(), (by_count + by_ratio).sqrt(), 1e-12);
    let pooled = two_gauges(RatioBy::Pooled, RatioError::Product);
    let pooled = estimate(&pooled, &stand(&pooled, &points), conelike);
    assert!((volume(&pooled, None).mean / all.mean - 1.0).abs() > 1e-3);
}

/// The error over plots stays what it was, with the same means.
#[test]
fn only_the_error_follows_the_choice() {
    let points = two_species();
    let [plots, product] = [RatioError::Plots, RatioError::Product].map(|error| {
        let design = two_gauges(RatioBy::Species, error);
        let records = stand(&design, &points);
        let sampling = sampled(&design, &records);
        (estimate(&design, &records, conelike), sampling)
    });
    for (at, species) in [Some(0), Some(1), None].into_iter().enumerate() {
        let (by_plots, by_product) = (volume(&plots.0, species), volume(&product.0, species));
        assert_eq!(by_plots.mean.to_bits(), by_product.mean.to_bits());
        assert_ne!(by_plots.std_error, by_product.std_error);
        for sampling in [&plots.1, &product.1] {
            let row = &sampling.rows[at];
            assert_eq!(row.species, species);
            assert_eq!(row.over_plots.std_error, by_plots.std_error);
            assert_eq!(row.product.std_error_bruce(), by_product.std_error);
        }
    }
}

/// In two strata basal area has the stratified error, and a ratio is one for the stand.
#[test]
fn strata_give_the_error_of_the_counts() {
    let points = two_species();
    let design = two_gauges(RatioBy::Pooled, RatioError::Product);
    let mut plots = plots(&design, &points);
    for plot in &mut plots[3..] {
        plot.stratum = 1;
    }
    let strata = vec![("A", Some(6.0)), ("B", Some(2.0))];
    let records = records(2, vec![("S", strata, plots)]);
    let estimates = estimate(&design, &records, conelike);
    let g = basal_areas(&points, |_| 1.0);
    let ((g_a, var_a), (g_b, var_b)) = (mean_variance(&g[..3]), mean_variance(&g[3..]));
    let (g, var_g) = (
        0.75 * g_a + 0.25 * g_b,
        0.75_f64.powi(2) * var_a + 0.25_f64.powi(2) * var_b,
    );
    // A tree stands for 0.75 / 3 of its factor in A, for 0.25 / 2 in B.
    let x = [ratios(&points[..3], None), ratios(&points[3..], None)];
    let weights = [0.25, 0.125];
    let each = || {
        x.iter()
            .zip(weights)
            .flat_map(|(x, w)| x.iter().map(move |x| (w, *x)))
    };
    let total: f64 = each().map(|(w, _)| w).sum();
    let r = each().map(|(w, x)| w * x).sum::<f64>() / total;
    let squares: f64 = each().map(|(w, x)| (w * (x - r) / total).powi(2)).sum();
    let var_r = 6.0 / 5.0 * squares;
    let all = volume(&estimates, None);
    close(all.mean, g * r, 1e-13);
    let variance = r * r * var_g + g * g * var_r;
    close(all.std_error.unwrap(), variance.sqrt(), 1e-12);
}

const DESIGN: &str = "\
title: Two gauges
inputs: { plots: plots.csv, trees: trees.csv, counts: counts.csv, species_tables: own }
selections:
  tally: { method: angle-gauge, baf_m2_per_ha: TALLY, measured: none,
           volume_ratio_from: big, volume_ratio_by: pooled, volume_ratio_error: product }
  big: { method: angle-gauge, baf_m2_per_ha: 40 }
volume: { set: constructed }
";

const SET: &str = "\
title: Constructed volume
citation: made for a check of the estimators
obtained: set up by the user
form: formula
formula: \"0.45 * 3.14159265358979323846 / 40000 * dbh_cm * dbh_cm * height_m\"
quantity: total
units: { result: m3 }
bark: inside bark
total_includes: the whole stem
range: not published
error: not published
";

/// A cruise on disk; of each point how many trees were counted, and dbh (cm) and height (m) of the
/// measured ones.
fn on_disk(factor: &str, points: &[(usize, Vec<(f64, f64)>)]) -> Cruise {
    let (mut plots, mut trees, mut counts) = (
        "plot\n".to_owned(),
        "plot,selection,tree,species,dbh_cm,height_m\n".to_owned(),
        "plot,selection,species,count\n".to_owned(),
    );
    for (at, (counted, measured)) in points.iter().enumerate() {
        let point = at + 1;
        writeln!(plots, "{point}").unwrap();
        writeln!(counts, "{point},tally,Fd,{counted}").unwrap();
        for (tree, (dbh_cm, height_m)) in measured.iter().enumerate() {
            writeln!(trees, "{point},big,{},Fd,{dbh_cm},{height_m}", tree + 1).unwrap();
        }
    }
    let cruise = Cruise::new();
    let set = cruise.path("own/volume/constructed");
    fs::create_dir_all(&set).unwrap();
    fs::write(set.join("set.yaml"), SET).unwrap();
    fs::write(set.join("coefficients.csv"), "species\nFd\n").unwrap();
    cruise
        .file("design.yaml", DESIGN.replace("TALLY", factor))
        .file("plots.csv", plots)
        .file("trees.csv", trees)
        .file("counts.csv", counts)
}

/// Mean, standard error and degrees of freedom of the tally's volume in the tidy table.
fn compiled(cruise: &Cruise) -> [f64; 3] {
    let run = cruise.run(&["compile", "design.yaml", "--format", "csv"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let mut reader = csv::Reader::from_reader(run.stdout.as_bytes());
    let rows = reader.deserialize::<BTreeMap<String, String>>();
    let mut rows = rows.map(Result::unwrap).filter(|row| {
        let is = |column: &str, text: &str| row[column] == text;
        is("selection", "tally")
            && is("species", "all")
            && is("status", "live")
            && is("attribute", "volume_total")
    });
    let row = rows.next().unwrap();
    ["per_ha", "std_error", "df"].map(|column| row[column].parse().unwrap())
}

/// By hand: G of 30, 50, 20 and 60 has the mean 40 and the variance 250/3; 0.45 h of 9, 10.8, 12.6
/// and 10.8 has the mean 10.8 and the variance 0.54. 10.8^2 x 250/3 = 9720 and 40^2 x 0.54 = 864.
#[test]
fn a_cruise_by_hand() {
    let points = [
        (3, vec![(40.0, 20.0)]),
        (5, vec![(52.0, 24.0), (61.0, 28.0)]),
        (2, vec![]),
        (6, vec![(47.0, 24.0)]),
    ];
    let cruise = on_disk("10", &points);
    let [mean, std_error, df] = compiled(&cruise);
    close(mean, 432.0, 1e-12);
    close(std_error, 10584_f64.sqrt(), 1e-12);
    let wanted = 3.0 * 10584_f64.powi(2) / (9720_f64.powi(2) + 864_f64.powi(2));
    close(df, wanted, 1e-12);
    let report = cruise.run(&["compile", "design.yaml"]).stdout;
    let section = report.split("Double sampling\n").nth(1).unwrap();
    let section = section.split("\n\nPlots\n").next().unwrap();
    insta::assert_snapshot!("double-sampling-by-hand", section);
    let explained = cruise.run(&[
        "explain",
        "design.yaml",
        "--selection",
        "tally",
        "--estimate",
        "volume_total",
    ]);
    insta::assert_snapshot!(
        "double-sampling-explained",
        explained.stdout + &explained.stderr
    );
}

/// Upper Flat Creek (Robinson & Hamann 2010, Forest Analytics with R): 144 points with a factor of
/// 7, a constructed volume of 0.45 g h, the 388 trees with a height as measured trees. Figures
/// recomputed from the data by the formulas of Bruce 1961 and Goodman 1960.
#[test]
fn upper_flat_creek_by_the_product_rule() {
    let Some(file) = shared_file("sources/estimation/ex17_prism_cruise_ufc.csv") else {
        return;
    };
    let mut points: BTreeMap<u32, (usize, Vec<(f64, f64)>)> = BTreeMap::new();
    for row in rows(&file) {
        let point = points.entry(row["point"].parse().unwrap()).or_default();
        let Ok(dbh_mm) = row["dbh_mm"].parse::<f64>() else {
            continue;
        };
        point.0 += 1;
        let height_dm: f64 = row["height_dm"].parse().unwrap_or_default();
        if height_dm > 0.0 {
            point.1.push((dbh_mm / 10.0, height_dm / 10.0));
        }
    }
    let points: Vec<_> = points.into_values().collect();
    let [mean, std_error, _] = compiled(&on_disk("7", &points));
    close(mean, 330.9424774, 1e-9);
    close(std_error, 17.97541466, 1e-9);

    let mut design = two_gauges(RatioBy::Pooled, RatioError::Plots);
    design.selections[0].method = gauge(7.0, Measured::None, None).method;
    let grown = |(dbh_cm, height_m): &(f64, f64)| tall(tree(0, *dbh_cm), *height_m);
    let points: Vec<Point> = points
        .iter()
        .map(|(n, trees)| (vec![0; *n], trees.iter().map(grown).collect()))
        .collect();
    let sampling = sampled(&design, &stand(&design, &points));
    let row = &sampling.rows[0];
    let (g, v, product) = (row.basal_area, row.over_plots.mean, &row.product);
    assert_eq!(product.n_trees, 388);
    close(v / g.mean, 10.85798969, 1e-9);
    close(g.std_error_pct().unwrap(), 5.203197848, 1e-9);
    let ratio_pct = 100.0 * product.ratio_variance.unwrap().sqrt() / v;
    close(ratio_pct, 1.558468409, 1e-9);
    close(product.std_error_bruce().unwrap(), 17.97541466, 1e-9);
    close(product.std_error_goodman().unwrap(), 17.9734113, 1e-9);
    close(product.std_error_population().unwrap(), 17.97741778, 1e-9);
}
