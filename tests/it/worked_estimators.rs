//! Worked examples of textbooks through the samples and the ways of putting them together:
//! lists, clusters, two stages, ratios of means, double sampling, classes after sampling.
//! Sources stand in `tests/check-values/*/case.yaml`.

use std::collections::BTreeMap;

use spinney::design::ListedStands;
use spinney::estimates::Estimate;
use spinney::estimates::sample::Sample;
use spinney::estimates::simple::simple;
use spinney::estimates::stratified::{Part, Together, stratified, together};

use crate::answers::{case_file, check, numbers, rows, shared_file};
use crate::estimators::se;

type Row = BTreeMap<String, String>;

fn texts(rows: &[Row], column: &str) -> Vec<String> {
    rows.iter().map(|row| row[column].clone()).collect()
}

fn number(row: &Row, column: &str) -> f64 {
    row[column].parse().unwrap()
}

/// Rows with the same text in a column, gathered in the order of its first appearance.
fn gathered(rows: Vec<Row>, column: &str) -> Vec<(String, Vec<Row>)> {
    let mut groups: Vec<(String, Vec<Row>)> = Vec::new();
    for row in rows {
        match groups.iter_mut().find(|(name, _)| *name == row[column]) {
            Some((_, group)) => group.push(row),
            None => groups.push((row[column].clone(), vec![row])),
        }
    }
    groups
}

/// A ratio of means as a sample of ratios weighted by their denominators.
fn ratio(numerators: &[f64], denominators: &[f64], listed_units: Option<f64>) -> Estimate {
    let ratios: Vec<f64> = (numerators.iter().zip(denominators))
        .map(|(y, x)| if *x > 0.0 { y / x } else { 0.0 })
        .collect();
    Sample::of_plots(ratios.len())
        .with_sizes(denominators.to_vec())
        .from_list(listed_units)
        .estimate(&ratios)
}

#[test]
fn clusters_of_lohr() {
    let case = "lohr-1999-one-stage-clusters";
    let rows = rows(&case_file(case, "elements.csv"));
    let (clusters, values) = (texts(&rows, "cluster"), numbers(&rows, "value"));
    let plain = Sample::of_plots(values.len()).in_clusters(&clusters);
    let of_list = plain.clone().from_list(Some(100.0));
    let (plain, of_list) = (plain.estimate(&values), of_list.estimate(&values));
    assert_eq!((plain.n_plots, plain.n_units), (20, 5));
    check(
        case,
        &[
            ("total", 400.0 * plain.mean),
            ("se_total", 400.0 * se(plain)),
            ("s2_totals", 5.0 * (4.0 * se(plain)).powi(2)),
            ("se_total_listed", 400.0 * se(of_list)),
            ("mean", of_list.mean),
            ("se_mean_listed", se(of_list)),
        ],
    );
}

#[test]
fn two_stages_of_sarndal() {
    let case = "sarndal-1992-two-stages";
    let units = gathered(rows(&case_file(case, "elements.csv")), "unit");
    let part = |(_, rows): &(String, Vec<Row>)| {
        let elements: f64 = rows[0]["elements_in_unit"].parse().unwrap();
        let values = numbers(rows, "value");
        let sample = Sample::of_plots(values.len()).from_list(Some(elements));
        Part {
            area_ha: elements,
            estimate: sample.estimate(&values),
        }
    };
    let parts: Vec<Part> = units.iter().map(part).collect();
    let exact: Vec<Part> = (parts.iter())
        .map(|part| Part {
            estimate: Estimate {
                std_error: Some(0.0),
                ..part.estimate
            },
            ..*part
        })
        .collect();
    // With an area of 1 the mean over the list is its total.
    let list = Together::Listed(ListedStands {
        stands: 50.0,
        area_ha: Some(1.0),
    });
    let whole = together(list, &parts);
    let between = se(together(list, &exact)).powi(2);
    check(
        case,
        &[
            ("total", whole.mean),
            ("variance_total", se(whole).powi(2)),
            ("se_total", se(whole)),
            ("variance_between", between),
            ("variance_within", se(whole).powi(2) - between),
        ],
    );
    assert_eq!(whole.df, Some(4.0));
}

#[test]
fn proportion_of_freese() {
    let values: Vec<f64> = (0..1000).map(|i| f64::from(u8::from(i < 480))).collect();
    let p = simple(&values);
    check("freese-1962-proportion", &[("p", p.mean), ("se", se(p))]);
}

#[test]
fn stratified_population_figures_of_kleinn() {
    let case = "kleinn-2007-stratified";
    let rows = rows(&case_file(case, "strata.csv"));
    let parts: Vec<Part> = (rows.iter())
        .map(|row| {
            let number = |column: &str| row[column].parse::<f64>().unwrap();
            let (units, n) = (number("units"), number("sampled"));
            // The variance has the divisor N.
            let variance = number("variance") * units / (units - 1.0);
            Part {
                area_ha: units,
                estimate: Estimate {
                    std_error: Some((variance / n * (1.0 - n / units)).sqrt()),
                    df: Some(n - 1.0),
                    ..Estimate::of(number("mean"))
                },
            }
        })
        .collect();
    // The part of one stratum: the whole when the others are free of error.
    let only = |h: usize| {
        let alone = parts.iter().enumerate().map(|(at, part)| Part {
            estimate: Estimate {
                std_error: part.estimate.std_error.filter(|_| at == h).or(Some(0.0)),
                ..part.estimate
            },
            ..*part
        });
        se(stratified(&alone.collect::<Vec<_>>())).powi(2)
    };
    let whole = stratified(&parts);
    check(
        case,
        &[
            ("mean", whole.mean),
            ("part_1", only(0)),
            ("part_2", only(1)),
            ("part_3", only(2)),
            ("variance", se(whole).powi(2)),
        ],
    );
}

#[test]
fn dead_trees_of_lohr_by_ratio() {
    let case = "lohr-1999-dead-trees";
    let rows = rows(&case_file(case, "plots.csv"));
    let of_list = ratio(
        &numbers(&rows, "field"),
        &numbers(&rows, "photo"),
        Some(100.0),
    );
    check(
        case,
        &[
            ("ratio", of_list.mean),
            ("mean", 11.3 * of_list.mean),
            ("se_mean", 11.3 * se(of_list)),
        ],
    );
}

#[test]
fn leaf_area_by_ratio_and_by_expansion() {
    let case = "leaf-area-ratio";
    let rows = rows(&case_file(case, "leaves.csv"));
    let areas = numbers(&rows, "area_cm2");
    let sizes = numbers(&rows, "length_width_cm2");
    let of_means = ratio(&areas, &sizes, Some(744.0));
    let leaves = Sample::of_plots(areas.len()).from_list(Some(744.0));
    let expanded = leaves.estimate(&areas);
    let ratios: Vec<f64> = areas.iter().zip(&sizes).map(|(y, x)| y / x).collect();
    let of_ratios = leaves.estimate(&ratios);
    check(
        case,
        &[
            ("ratio", of_means.mean),
            ("total", 57_266.6 * of_means.mean),
            ("se_total", 57_266.6 * se(of_means)),
            ("total_expanded", 744.0 * expanded.mean),
            ("se_total_expanded", 744.0 * se(expanded)),
            ("mean_of_ratios", of_ratios.mean),
            ("se_mean_of_ratios", se(of_ratios)),
        ],
    );
}

#[test]
fn seedlings_of_lohr() {
    let case = "lohr-1999-seedlings";
    let rows = rows(&case_file(case, "trees.csv"));
    let survival = ratio(&numbers(&rows, "survived"), &numbers(&rows, "alive"), None);
    check(case, &[("ratio", survival.mean), ("se", se(survival))]);
}

#[test]
fn part_plots_by_ratio_of_means() {
    let case = "constructed-part-plots";
    let rows = rows(&case_file(case, "plots.csv"));
    let (shares, trees) = (numbers(&rows, "share"), numbers(&rows, "trees"));
    let areas: Vec<f64> = shares.iter().map(|share| 0.02 * share).collect();
    let of_means = ratio(&trees, &areas, None);
    let share = simple(&shares);
    let inside = trees.iter().zip(&areas).filter(|(_, area)| **area > 0.0);
    let per_ha: Vec<f64> = inside.map(|(trees, area)| trees / area).collect();
    check(
        case,
        &[
            ("trees", of_means.mean),
            ("se", se(of_means)),
            ("share", share.mean),
            ("se_share", se(share)),
            ("mean_of_ratios", simple(&per_ha).mean),
        ],
    );
}

#[test]
fn strata_weighted_by_points_by_areas_and_after_sampling() {
    let case = "constructed-double-stratification";
    let strata = gathered(rows(&case_file(case, "plots.csv")), "stratum");
    let part = |(_, rows): &(String, Vec<Row>)| Part {
        area_ha: rows[0]["points"].parse().unwrap(),
        estimate: simple(&numbers(rows, "value")),
    };
    let parts: Vec<Part> = strata.iter().map(part).collect();
    let variance = |how| se(together(how, &parts)).powi(2);
    check(
        case,
        &[
            ("mean", together(Together::FirstSample, &parts).mean),
            ("variance_estimated", variance(Together::FirstSample)),
            ("variance_known", variance(Together::Strata)),
            ("variance_after_sampling", variance(Together::AfterSampling)),
        ],
    );
}

#[test]
fn ratio_of_acres_of_lohr() {
    let case = "lohr-1999-ratio-acres";
    let Some(file) = shared_file("sources/estimation/ex09_ratio_acres.csv") else {
        return;
    };
    let rows = rows(&file);
    let columns = ACRES.map(|column| numbers(&rows, column));
    let known = 964_470_625.0;
    let plain = ratio(&columns[1], &columns[0], None);
    let of_list = ratio(&columns[1], &columns[0], Some(3078.0));
    let counties = Sample::of_plots(300).from_list(Some(3078.0));
    let mean = counties.estimate(&columns[1]);
    check(
        case,
        &[
            ("ratio", plain.mean),
            ("se_ratio", se(plain)),
            ("total", known * of_list.mean),
            ("se_total_listed", known * se(of_list)),
            ("mean", mean.mean),
            ("se_mean_listed", se(mean)),
        ],
    );
}

/// Denominator and numerator.
const ACRES: [&str; 2] = ["acres87", "acres92"];

const SCHOOLS: f64 = 6194.0;

/// Means of a variable in the samples of schools, and totals of another.
#[test]
fn schools_of_the_survey_references() {
    let files = ["ex11_strat200", "ex11_cluster15", "ex11_twostage40"]
        .map(|name| shared_file(&format!("sources/estimation/{name}.csv")));
    let [Some(stratified_file), Some(clusters), Some(stages)] = files else {
        return;
    };
    let strata = gathered(rows(&stratified_file), "stratum");
    let by_strata = |column: &str| {
        let parts = strata.iter().map(|(_, rows)| {
            let schools: f64 = rows[0]["N_h"].parse().unwrap();
            let sample = Sample::of_plots(rows.len()).from_list(Some(schools));
            Part {
                area_ha: schools,
                estimate: sample.estimate(&numbers(rows, column)),
            }
        });
        stratified(&parts.collect::<Vec<_>>())
    };
    let (scores, pupils) = (by_strata("api00"), by_strata("enroll"));

    let districts = Some(757.0);
    let schools = rows(&clusters);
    let sample = Sample::of_plots(schools.len())
        .in_clusters(&texts(&schools, "cluster"))
        .from_list(districts);
    let of_clusters = sample.estimate(&numbers(&schools, "api00"));
    let classes = ["E", "H", "M"];
    let class_of = |row: &Row| classes.iter().position(|c| *c == row["poststratum"]);
    let groups = schools.iter().map(|row| class_of(row).unwrap()).collect();
    let shares = [4421.0, 755.0, 1018.0].map(|schools| schools / SCHOOLS);
    let sorted = sample.sorted_into(groups, shares.to_vec());
    let sorted = sorted.estimate(&numbers(&schools, "api00"));
    // The output expands by this weight, not by the 757 / 15 of the list.
    let weight = number(&schools[0], "weight_printed");
    let of_district = |(_, rows): &(String, Vec<Row>)| numbers(rows, "enroll").iter().sum();
    let totals: Vec<f64> = gathered(schools, "cluster")
        .iter()
        .map(of_district)
        .collect();
    let totals = Sample::of_plots(totals.len())
        .from_list(districts)
        .estimate(&totals);

    let schools = rows(&stages);
    let ultimate = Sample::of_plots(schools.len())
        .with_sizes(numbers(&schools, "weight"))
        .in_clusters(&texts(&schools, "cluster"))
        .estimate(&numbers(&schools, "api00"));
    let district = |(_, rows): &(String, Vec<Row>)| {
        let listed: f64 = rows[0]["M_i"].parse().unwrap();
        let sample = if listed > 1.0 {
            Sample::of_plots(rows.len()).from_list(Some(listed))
        } else {
            Sample::tallied(1)
        };
        Part {
            area_ha: listed,
            estimate: sample.estimate(&numbers(rows, "api00")),
        }
    };
    let parts: Vec<Part> = gathered(schools, "cluster").iter().map(district).collect();
    let list = ListedStands {
        stands: 757.0,
        area_ha: None,
    };
    let two_stages = together(Together::Listed(list), &parts);
    check(
        "survey-reference-california-schools",
        &[
            ("strata_mean", scores.mean),
            ("strata_se", se(scores)),
            ("strata_total", SCHOOLS * pupils.mean),
            ("strata_se_total", SCHOOLS * se(pupils)),
            ("clusters_mean", of_clusters.mean),
            ("clusters_se", se(of_clusters)),
            ("clusters_total", 15.0 * weight * totals.mean),
            ("clusters_se_total", 15.0 * weight * se(totals)),
            ("two_stages_mean", two_stages.mean),
            ("two_stages_se", se(two_stages)),
            ("two_stages_se_clusters", se(ultimate)),
            ("sorted_mean", sorted.mean),
            ("sorted_se", se(sorted)),
        ],
    );
}

#[test]
fn systematic_units_of_barrett_and_nutt() {
    let Some(file) = shared_file("sources/estimation/ex16_population_photo_field.csv") else {
        return;
    };
    let every_fourth = numbers(&rows(&file), "field_y").into_iter();
    let values: Vec<f64> = every_fourth.skip(2).step_by(4).collect();
    let sample = Sample::of_plots(values.len());
    let line = sample
        .clone()
        .with_pairs((1..20).map(|i| (i - 1, i)).collect());
    let of_list = sample.clone().from_list(Some(80.0));
    let variance = |sample: &Sample| se(sample.estimate(&values)).powi(2);
    check(
        "barrett-nutt-1979-systematic",
        &[
            ("mean", sample.mean(&values)),
            ("variance_simple", variance(&sample)),
            ("variance_differences", variance(&line)),
            ("variance_listed", variance(&of_list)),
        ],
    );
}
