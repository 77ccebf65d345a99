//! Facts of the trade: tree factors, radius factors, small worked cruises; the citations stand in
//! `tests/check-values/*/case.yaml`.

use std::f64::consts::PI;

use spinney::design::{Measured, Method, Ring, Selection};
use spinney::estimates::{Attribute, CruiseEstimates, Domain, StatusDomain};
use spinney::expansion::{expand, limiting_distance_m};
use spinney::records::{Plot, Rule, Tree};
use spinney::stems::TreeValues;
use spinney::units::{CM_PER_IN, HA_PER_AC, M_PER_FT, M2_PER_HA_PER_FT2_PER_AC};

use crate::answers::{case_file, check, rows};
use crate::sample::{bare, by, design, estimate, find, fixed, gauge, plot, records, tree, visit};

/// Square feet in a square metre.
const FT2_PER_M2: f64 = 1.0 / (M_PER_FT * M_PER_FT);

fn baf_ft2_per_ac(factor: f64) -> f64 {
    factor * M2_PER_HA_PER_FT2_PER_AC
}

/// Trees per acre of one tree tallied with a gauge, through the expansion of a record.
fn trees_per_ac(factor_ft2_per_ac: f64, dbh_in: f64) -> f64 {
    let factor = baf_ft2_per_ac(factor_ft2_per_ac);
    let design = design(vec![gauge(factor, Measured::All, None)]);
    let visit = visit(&design, 0, Vec::new(), Vec::new());
    let expansion = expand(&visit, &tree(0, dbh_in * CM_PER_IN), None).unwrap();
    expansion.trees_per_ha * HA_PER_AC
}

/// Limiting distance in feet.
fn limit_ft(factor_ft2_per_ac: f64, dbh_in: f64) -> f64 {
    let rule = Rule::AngleGauge {
        baf_m2_per_ha: baf_ft2_per_ac(factor_ft2_per_ac),
    };
    limiting_distance_m(&rule, dbh_in * CM_PER_IN).unwrap() / M_PER_FT
}

/// Limiting distance in metres.
fn limit_m(baf_m2_per_ha: f64, dbh_cm: f64) -> f64 {
    limiting_distance_m(&Rule::AngleGauge { baf_m2_per_ha }, dbh_cm).unwrap()
}

/// Basal area in square feet: that of a tree which stands for one tree per hectare.
fn basal_area_ft2(dbh_in: f64) -> f64 {
    let design = design(vec![fixed(1.0)]);
    let visit = visit(&design, 0, Vec::new(), Vec::new());
    let expansion = expand(&visit, &tree(0, dbh_in * CM_PER_IN), None).unwrap();
    expansion.basal_area_m2_per_ha * FT2_PER_M2
}

/// Estimates of plots of one selection with these trees.
fn cruise(selection: Selection, plots: Vec<Vec<Tree>>) -> CruiseEstimates {
    let design = design(vec![selection]);
    let plots: Vec<Plot> = plots
        .into_iter()
        .map(|trees| plot(0, vec![visit(&design, 0, trees, Vec::new())]))
        .collect();
    let records = records(9, vec![("S", vec![("", None)], plots)]);
    estimate(&design, &records, bare)
}

fn mean(estimates: &CruiseEstimates, attribute: Attribute) -> f64 {
    find(estimates, (Some("S"), None, 0), Domain::LIVE, attribute)
        .unwrap()
        .mean
}

/// Trees per acre when `trees` were found on all of `plots` plots together.
fn pooled_trees_per_ac(area_ac: f64, plots: usize, trees: usize) -> f64 {
    let mut found = vec![Vec::new(); plots];
    found[0] = vec![tree(0, 30.0); trees];
    let estimates = cruise(fixed(area_ac * HA_PER_AC), found);
    mean(&estimates, Attribute::Trees) * HA_PER_AC
}

#[test]
fn tree_factors_and_limiting_distances() {
    let mut ours: Vec<(String, f64)> = (4..=26)
        .step_by(2)
        .map(|dbh_in| {
            (
                format!("trees_{dbh_in}in"),
                trees_per_ac(10.0, f64::from(dbh_in)),
            )
        })
        .collect();
    ours.extend(
        [
            ("prf_10", limit_ft(10.0, 1.0)),
            ("prf_20", limit_ft(20.0, 1.0)),
            ("prf_40", limit_ft(40.0, 1.0)),
            ("limit_12in_10", limit_ft(10.0, 12.0)),
            ("limit_12in_20", limit_ft(20.0, 12.0)),
            ("limit_20.3in_20", limit_ft(20.0, 20.3)),
            ("zone_acres_12in_20", 1.0 / trees_per_ac(20.0, 12.0)),
            ("trees_12in_20", trees_per_ac(20.0, 12.0)),
            ("basal_area_12in", basal_area_ft2(12.0)),
            ("board_feet_22in", 174.0 * trees_per_ac(10.0, 22.0)),
        ]
        .map(|(quantity, value)| (quantity.to_owned(), value)),
    );
    check("point-sampling-tree-factors", &ours);
}

#[test]
fn two_published_tables_of_tree_factors() {
    let case = "baf10-tree-factor-tables";
    let ours: Vec<(String, f64)> = rows(&case_file(case, "answers.csv"))
        .into_iter()
        .map(|row| {
            let quantity = row["quantity"].clone();
            let dbh_in = quantity[2..].trim_end_matches("in").parse().unwrap();
            (quantity, trees_per_ac(10.0, dbh_in))
        })
        .collect();
    check(case, &ours);
}

#[test]
fn radius_factors_in_both_units() {
    let per_cm = |factor: f64| limit_m(baf_ft2_per_ac(factor), 1.0);
    let subplot_ac = PI * 24.0 * 24.0 * M_PER_FT * M_PER_FT / 10_000.0 / HA_PER_AC;
    check(
        "limiting-distances-and-factors",
        &[
            ("prf_10", limit_ft(10.0, 1.0)),
            ("prf_20", limit_ft(20.0, 1.0)),
            ("limit_12in_10", limit_ft(10.0, 12.0)),
            ("limit_12in_20", limit_ft(20.0, 12.0)),
            ("zone_acres_12in_20", 1.0 / trees_per_ac(20.0, 12.0)),
            ("trees_12in_20", trees_per_ac(20.0, 12.0)),
            ("basal_area_12in_ft2", basal_area_ft2(12.0)),
            ("prf_5", limit_ft(5.0, 1.0)),
            ("prf_5_m_per_cm", per_cm(5.0)),
            ("prf_10_m_per_cm", per_cm(10.0)),
            ("prf_20_m_per_cm", per_cm(20.0)),
            ("prf_metric_2", limit_m(2.0, 1.0)),
            ("prf_metric_4", limit_m(4.0, 1.0)),
            ("prf_metric_7", limit_m(7.0, 1.0)),
            ("prf_40", limit_ft(40.0, 1.0)),
            (
                "four_subplots_of_24ft",
                pooled_trees_per_ac(subplot_ac, 4, 1),
            ),
        ],
    );
}

#[test]
fn plots_pooled_into_one_expansion() {
    check(
        "extension-plot-expansion",
        &[
            (
                "trees_11_on_two_twentieths",
                pooled_trees_per_ac(0.05, 2, 11),
            ),
            ("factor_five_tenths", pooled_trees_per_ac(0.1, 5, 1)),
            ("factor_eight_tenths", pooled_trees_per_ac(0.1, 8, 1)),
            ("trees_5_on_23_tenths", pooled_trees_per_ac(0.1, 23, 5)),
        ],
    );
}

#[test]
fn one_circular_plot_worked_in_both_units() {
    let case = "worked-basal-area-of-a-circular-plot";
    let trees = || -> Vec<Tree> {
        let rows = rows(&case_file(case, "trees.csv"));
        let dbh_in = rows.iter().map(|row| row["dbh_in"].parse::<f64>().unwrap());
        dbh_in.map(|dbh_in| tree(0, dbh_in * CM_PER_IN)).collect()
    };
    let radius_m = 37.25 * M_PER_FT;
    let estimates = cruise(fixed(PI * radius_m * radius_m / 10_000.0), vec![trees()]);
    let basal_area = mean(&estimates, Attribute::BasalArea);
    check(
        case,
        &[
            ("basal_area_ft2_ac", basal_area / M2_PER_HA_PER_FT2_PER_AC),
            ("basal_area_m2_ha", basal_area),
            (
                "trees_per_ac",
                mean(&estimates, Attribute::Trees) * HA_PER_AC,
            ),
            (
                "qmd_in",
                mean(&estimates, Attribute::QuadraticMeanDbh) / CM_PER_IN,
            ),
        ],
    );
}

#[test]
fn a_fixed_plot_and_a_sweep_from_one_centre() {
    let case = "fixed-plot-and-angle-count";
    let found = |which: &str, column: Option<&str>| -> Vec<Tree> {
        let rows = rows(&case_file(case, "trees.csv"));
        let chosen = rows
            .iter()
            .filter(|row| row["case"] == which && column.is_none_or(|column| row[column] == "1"));
        chosen
            .map(|row| tree(0, row["dbh_cm"].parse().unwrap()))
            .collect()
    };
    let on = |area_ha: f64, trees: Vec<Tree>| cruise(fixed(area_ha), vec![trees]);
    let sweep = |trees: Vec<Tree>| cruise(gauge(4.0, Measured::All, None), vec![trees]);
    let fixed_a = on(0.0625, found("a", Some("in_fixed")));
    let sweep_a = sweep(found("a", Some("in_gauge")));
    let basal_area = |estimates: &CruiseEstimates| mean(estimates, Attribute::BasalArea);
    check(
        case,
        &[
            ("a_fixed_basal_area", basal_area(&fixed_a)),
            ("a_gauge_basal_area", basal_area(&sweep_a)),
            (
                "b_stand_basal_area",
                basal_area(&on(0.1018, found("b", None))),
            ),
            (
                "b_fixed_basal_area",
                basal_area(&on(0.0625, found("b", Some("in_fixed")))),
            ),
            (
                "b_gauge_basal_area",
                basal_area(&sweep(found("b", Some("in_gauge")))),
            ),
            ("a_fixed_trees", mean(&fixed_a, Attribute::Trees)),
            ("a_gauge_trees", mean(&sweep_a, Attribute::Trees)),
            ("a_limit_m", limit_m(4.0, 56.418958)),
            ("b_limit_m", limit_m(4.0, 80.003595)),
        ],
    );
}

#[test]
fn stand_and_stock_table_of_six_records() {
    let case = "stand-and-stock-table";
    let names = ["Abies balsamea", "Betula papyrifera", "Pinus strobus"];
    // Eight trees per acre of each record: plots of an eighth of an acre, 2-inch classes.
    let mut design = design(vec![fixed(HA_PER_AC / 8.0)]);
    design.dbh_class_cm = 2.0 * CM_PER_IN;
    let mut trees = Vec::new();
    let mut values = Vec::new();
    for row in rows(&case_file(case, "trees.csv")) {
        assert_eq!(row["trees_per_ac"], "8");
        let species = names
            .iter()
            .position(|name| *name == row["species"])
            .unwrap();
        let dbh_in: f64 = row["dbh_in"].parse().unwrap();
        trees.push(tree(species, dbh_in * CM_PER_IN));
        let volume_ft3_per_ac: f64 = row["volume_ft3_ac"].parse().unwrap();
        values.push(TreeValues {
            volume_total_m3: Some(volume_ft3_per_ac / 8.0),
            ..TreeValues::default()
        });
    }
    let visits = vec![visit(&design, 0, trees, Vec::new())];
    let records = records(3, vec![("S", vec![("", None)], vec![plot(0, visits)])]);
    let values = [values];
    let summed = spinney::estimates::Summed::of(&values);
    let estimates = spinney::estimates::estimate_cruise(&design, &records, &values, &summed);
    // An absent row is an empty cell.
    let cell = |species: Option<usize>, dbh_class: Option<u32>, attribute| {
        let domain = Domain {
            status: StatusDomain::Live,
            species,
            dbh_class,
        };
        let found = find(&estimates, (Some("S"), None, 0), domain, attribute);
        found.map_or(0.0, |estimate| estimate.mean) * HA_PER_AC
    };
    let mut ours = Vec::new();
    for (kind, attribute) in [
        ("stand", Attribute::Trees),
        ("stock", Attribute::VolumeTotal),
    ] {
        let species = names
            .iter()
            .enumerate()
            .map(|(number, name)| (*name, Some(number)));
        for (name, species) in species.chain([("Totals", None)]) {
            for from in [6_u32, 10, 14] {
                let classes = [from / 2, from / 2 + 1];
                let sum = classes.map(|class| cell(species, Some(class), attribute));
                ours.push((
                    format!("{kind}_{name}_{from}_{}", from + 4),
                    sum[0] + sum[1],
                ));
            }
            ours.push((format!("{kind}_{name}_all"), cell(species, None, attribute)));
        }
    }
    check(case, &ours);
}

#[test]
fn single_facts() {
    let ring = |radius_m: f64, min_dbh_cm, max_dbh_cm| Ring {
        area_ha: PI * radius_m * radius_m / 10_000.0,
        radius_m,
        min_dbh_cm,
        max_dbh_cm,
    };
    let rings = vec![
        ring(5.0, 7.5, Some(12.5)),
        ring(10.0, 12.5, Some(22.5)),
        ring(15.0, 22.5, Some(42.5)),
        ring(25.0, 42.5, None),
    ];
    let nested = |dbh_cm| {
        let selection = by(Method::NestedRings(rings.clone()));
        mean(
            &cruise(selection, vec![vec![tree(0, dbh_cm)]]),
            Attribute::Trees,
        )
    };
    let sweep = |baf, dbh_cm| {
        let selection = gauge(baf, Measured::All, None);
        mean(
            &cruise(selection, vec![vec![tree(0, dbh_cm)]]),
            Attribute::Trees,
        )
    };
    let mut points = vec![Vec::new(); 5];
    points[1] = vec![tree(0, 20.0); 5];
    points[3] = vec![tree(0, 40.0); 7];
    let five_points = cruise(gauge(10.0, Measured::All, None), points);
    let nine = [7.5, 30.0, 30.0, 25.0, 35.0, 35.0, 25.0, 30.0, 35.0].map(|dbh| tree(0, dbh));
    let nine = cruise(fixed(0.01), vec![nine.to_vec()]);
    check(
        "single-facts",
        &[
            ("factor_10in_baf10", trees_per_ac(10.0, 10.0)),
            ("factor_22in_baf10", trees_per_ac(10.0, 22.0)),
            ("board_feet_22in", 174.0 * trees_per_ac(10.0, 22.0)),
            ("stems_14.5cm_baf4", sweep(4.0, 14.5)),
            ("stems_14cm_baf4", sweep(4.0, 14.0)),
            (
                "basal_area_5_points_12_trees_baf10",
                mean(&five_points, Attribute::BasalArea),
            ),
            (
                "trees_11_on_two_twentieths",
                pooled_trees_per_ac(0.05, 2, 11),
            ),
            ("ring_5m", nested(7.5)),
            ("ring_10m", nested(12.5)),
            ("ring_15m", nested(22.5)),
            ("ring_25m", nested(42.5)),
            ("prf_constant", limit_ft(1.0, 1.0)),
            ("basal_area_9_trees", mean(&nine, Attribute::BasalArea)),
        ],
    );
}
