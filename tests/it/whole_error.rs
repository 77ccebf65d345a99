//! The whole error of an estimate: the constructed example, covariances of curves, curves that
//! stands share, weights that give back the estimate, and the output.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use spinney::compile::{Compilation, Knowledge, compile};
use spinney::design::{CurveChoice, Design, Fallback, FitBy, FitWeights, Measured, Method, Volume};
use spinney::estimates::simple::simple;
use spinney::estimates::{Attribute, Domain};
use spinney::heights::curve::Form;
use spinney::heights::fit::{FittedCurve, Points, fit_form};
use spinney::math::nonlinear::Solver;
use spinney::records::{CruiseSpecies, Plot, Records, Status};
use spinney::whole_error::propagate::{
    add_weighted, combined_std_error, independent_variance, parameter_variance,
};
use spinney::whole_error::weights::{parts_of, tree_weights};
use spinney::whole_error::{COLUMNS, SourcesOfError, whole_error};

use crate::answers::{case_file, check, numbers, rows, shared_file};
use crate::cruise::Cruise;
use crate::random::Random;
use crate::sample::{by, count, design, fixed, gauge, plot, records, tall, tree, visit};
use crate::volumes::{SPECIES, id, set};

#[test]
fn the_constructed_example_of_model_error() {
    let case = "constructed-model-error";
    let (b0, b1, residual_m3) = (0.01, 3.2e-5, 0.04);
    let covariance = [4e-5, -2.2e-9, -2.2e-9, 2.5e-13];
    let mut plots: BTreeMap<String, f64> = BTreeMap::new();
    let lines = rows(&case_file(case, "trees.csv"));
    for line in &lines {
        plots.entry(line["plot"].clone()).or_default();
    }
    let n = plots.len() as f64;
    let mut gradient = [0.0; 2];
    let mut residual = 0.0;
    for line in lines.iter().filter(|line| !line["dbh_cm"].is_empty()) {
        let value = |column: &str| line[column].parse::<f64>().unwrap();
        let (trees, d, h) = (
            value("trees_per_ha_factor"),
            value("dbh_cm"),
            value("height_m"),
        );
        let weight = trees / n;
        let by_parameters = [1.0, d * d * h];
        add_weighted(&mut gradient, weight, &by_parameters);
        residual += independent_variance(weight, residual_m3);
        let volume = b0 * by_parameters[0] + b1 * by_parameters[1];
        *plots.get_mut(&line["plot"]).unwrap() += trees * volume;
    }
    let values: Vec<f64> = plots.into_values().collect();
    let estimate = simple(&values);
    let sampling = estimate.std_error.unwrap().powi(2);
    let parameters = parameter_variance(&gradient, &covariance);
    check(
        case,
        &[
            ("mean", estimate.mean),
            ("sampling_variance", sampling),
            ("gradient_b0", gradient[0]),
            ("gradient_b1", gradient[1]),
            ("parameter_variance", parameters),
            ("residual_variance", residual),
            (
                "std_error",
                combined_std_error([sampling, parameters, residual]),
            ),
        ],
    );
}

/// Curves of the program fitted to sets of the NIST reference data: the diagonal of the covariance
/// against the certified standard deviations of the parameters.
#[test]
fn covariances_of_curves_against_nist() {
    let folder = "sources/height-diameter/nist";
    let Some(certified) = shared_file(&format!("{folder}/certified-nonlinear.csv")) else {
        return;
    };
    let certified = rows(&certified);
    for (name, form) in [("Misra1a", Form::Meyer), ("DanWood", Form::Power)] {
        let data = shared_file(&format!("{folder}/nonlinear/{name}.csv")).unwrap();
        let data = rows(&data);
        let pairs = numbers(&data, "x").into_iter().zip(numbers(&data, "y"));
        let points = Points::new(pairs.collect());
        let fit = fit_form(form, &points, FitWeights::Equal, 0.0, &mut Solver::new()).unwrap();
        let p = form.n_parameters();
        let of_set = certified.iter().filter(|row| row["dataset"] == name);
        for (j, row) in of_set.enumerate() {
            let wanted: f64 = row["certified_sd"].parse().unwrap();
            let ours = fit.covariance[j * p + j].sqrt();
            assert!((ours / wanted - 1.0).abs() < 1e-6, "{name} {j}: {ours}");
        }
    }
}

/// Korf's curve in two sets of parameters is one curve, so the variance of its heights must be the
/// same; that holds only if the covariances off the diagonal are right.
#[test]
fn the_error_of_a_height_does_not_depend_on_the_parameters_of_its_curve() {
    let mut random = Normal::new(7);
    let pairs = (0..40).map(|k| {
        let d = 8.0 + f64::from(k);
        (d, Form::Korf.value(d, &[70.0, 6.0, 0.55]) + random.next())
    });
    let points = Points::new(pairs.collect());
    let fit = |form| fit_form(form, &points, FitWeights::Equal, 0.0, &mut Solver::new()).unwrap();
    let variance = |fit: &FittedCurve, d: f64| {
        let mut gradient = [0.0; 3];
        fit.curve
            .form
            .value_and_gradient(d, fit.curve.parameters(), &mut gradient);
        parameter_variance(&gradient, &fit.covariance)
    };
    let (korf, exp_power) = (fit(Form::Korf), fit(Form::ExpPower));
    for d in [8.0, 15.0, 30.0, 47.0] {
        let (a, b) = (variance(&korf, d), variance(&exp_power, d));
        assert!((a / b - 1.0).abs() < 1e-4, "{d}: {a} {b}");
    }
}

/// Standard normal numbers by the polar rule of Box & Muller 1958 (from memory).
pub(crate) struct Normal(pub(crate) Random);

impl Normal {
    pub(crate) fn new(seed: u64) -> Self {
        Normal(Random(seed))
    }

    pub(crate) fn next(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.0.unit()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.0.unit()).cos()
    }
}

pub(crate) const SET: &str = "ca-bc-volume-2016";

pub(crate) fn knowledge() -> Knowledge {
    Knowledge {
        species: SPECIES.clone(),
        volume: Some(set(SET).clone()),
        biomass: Vec::new(),
        regional: None,
        logs: None,
    }
}

/// A design with total volume by a published set.
pub(crate) fn with_volume(selections: Vec<spinney::design::Selection>) -> Design {
    let mut design = design(selections);
    design.volume = Some(Volume {
        set: SET.to_owned(),
        region: Some("CWH".to_owned()),
        substitute: Vec::new(),
        fallback: Fallback::None,
        merchantable: None,
        planted: false,
        bark: None,
    });
    design.heights.curve = CurveChoice::Named("naslund".to_owned());
    design
}

/// Names the species of records `Fd` and `Hw`.
pub(crate) fn named(mut records: Records) -> Records {
    let codes = ["Fd", "Hw"].into_iter();
    records.species = codes
        .map(|code| CruiseSpecies {
            label: code.to_owned(),
            id: id(code),
        })
        .collect();
    records
}

pub(crate) fn of<'a>(
    all: &'a [SourcesOfError],
    stand: Option<&str>,
    selection: usize,
    attribute: Attribute,
) -> &'a SourcesOfError {
    let mut found = all.iter().filter(|row| {
        row.stand.as_deref() == stand
            && row.stratum.is_none()
            && row.selection == selection
            && row.attribute == attribute
    });
    found.next().unwrap()
}

pub(crate) fn mean_height_m(d: f64) -> f64 {
    1.3 + Form::Naslund.value(d, &[1.9, 0.16])
}

/// Plots of one stand: two measured trees on each, and some to be filled.
fn filled_plots(design: &Design, seed: u64, stratum: usize) -> Vec<Plot> {
    let mut random = Normal::new(seed);
    (0..6)
        .map(|_| {
            let trees = (0..6).map(|k| {
                let d = 12.0 + 40.0 * random.0.unit();
                let tree = tree(usize::from(k == 5), d);
                let height_m = mean_height_m(d) + random.next();
                if k < 2 || k == 5 {
                    tall(tree, height_m)
                } else {
                    tree
                }
            });
            let mut visits = vec![visit(design, 0, trees.collect(), Vec::new())];
            if design.selections.len() > 1 {
                let counts = vec![
                    count(0, Status::Live, 3.0),
                    count(1, Status::Live, (10.0 * random.0.unit()).floor()),
                ];
                visits.push(visit(design, 1, Vec::new(), counts));
            }
            plot(stratum, visits)
        })
        .collect()
}

#[test]
fn a_curve_that_stands_share_errs_in_both_alike() {
    let mut design = with_volume(vec![fixed(0.05)]);
    let stand = |name| (name, vec![("", Some(5.0))], filled_plots(&design, 3, 0));
    let records = named(records(2, vec![stand("A"), stand("B")]));
    let knowledge = knowledge();
    let errors = |fit_by: FitBy, design: &mut Design| {
        design.heights.fit_by = fit_by;
        let compilation = compile(design, &records, &knowledge).unwrap();
        let all = whole_error(&compilation);
        [Some("A"), Some("B"), None].map(|stand| {
            let row = of(&all, stand, 0, Attribute::VolumeTotal);
            let std_errors = row.std_errors().map(|error| error.unwrap_or(0.0));
            assert!(row.curve_parameters.known > 0 && std_errors[1] > 0.0);
            std_errors
        })
    };
    // The same stand twice: what is independent shrinks by the root of two, what is common stays.
    let root = 0.5_f64.sqrt();
    let close = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-9;
    let [a, b, whole] = errors(FitBy::Cruise, &mut design);
    assert!(
        close(a[1], b[1]) && close(a[1], whole[1]),
        "{a:?} {whole:?}"
    );
    for source in [0, 2, 4] {
        assert!(close(whole[source], root * a[source]), "{source}");
    }
    let [a, _, whole] = errors(FitBy::Stand, &mut design);
    assert!(close(whole[1], root * a[1]), "{a:?} {whole:?}");
}

/// The weighted sum over trees is the estimate: strata, stands, the whole, a full tally, and
/// counted trees that borrow from their own species or from all.
#[test]
fn weights_give_back_the_estimates() {
    let sweep = gauge(7.0, Measured::None, Some(0));
    let design = with_volume(vec![fixed(0.05), sweep, by(Method::FullTally)]);
    let strata = |a: f64, b: f64| vec![("low", Some(a)), ("high", Some(b))];
    let stand = |seed: u64| {
        let mut plots = filled_plots(&design, seed, 0);
        plots.truncate(4);
        plots.extend(filled_plots(&design, seed + 1, 1));
        // In the first stand nobody measured the second species: it borrows from all.
        if seed == 11 {
            let visits = plots.iter_mut().flat_map(|plot| &mut plot.visits);
            visits.for_each(|visit| visit.trees.retain(|tree| tree.species == 0));
        }
        let sheet = vec![tree(0, 30.0), tree(0, 18.0)];
        plots[0]
            .visits
            .push(visit(&design, 2, sheet.clone(), Vec::new()));
        plots[5].visits.push(visit(&design, 2, sheet, Vec::new()));
        plots
    };
    let stands = vec![
        ("A", strata(2.0, 3.0), stand(11)),
        ("B", strata(4.0, 1.0), stand(21)),
    ];
    let records = named(records(2, stands));
    let knowledge = knowledge();
    let compilation = compile(&design, &records, &knowledge).unwrap();
    let mut seen = 0;
    for row in &compilation.estimates.rows {
        let column = COLUMNS[0];
        if row.domain != Domain::LIVE || row.attribute != Attribute::VolumeTotal {
            continue;
        }
        let mut sum = 0.0;
        for part in parts_of(&design, &records, row).unwrap() {
            let weights = tree_weights(&compilation, part, row.selection, column).unwrap();
            let values = &compilation.stands[part.stand].values;
            let products = weights.iter().zip(values).map(|(weight, values)| {
                part.share * weight * column.of_tree(values).unwrap_or(0.0)
            });
            sum += products.sum::<f64>();
        }
        assert!(
            (sum / row.estimate.mean - 1.0).abs() < 1e-12,
            "{row:?} {sum}"
        );
        seen += 1;
    }
    // Three selections; two stands and the whole, each with two strata and all.
    assert_eq!(seen, 27);
    let all = whole_error(&compilation);
    assert_eq!(all.len(), 27);
    // A full tally has no sampling error; what is left is the error of heights and equations.
    let tally = of(&all, None, 2, Attribute::VolumeTotal);
    assert_eq!(tally.std_errors()[0], Some(0.0));
    assert_total(&tally.std_errors(), tally);
    assert!(tally.with_total().std_error.unwrap() > 0.0);
    assert_eq!(tally.with_total().half_width(0.95), None);
}

fn assert_total(std_errors: &[Option<f64>], row: &SourcesOfError) {
    let squares: f64 = std_errors.iter().flatten().map(|error| error * error).sum();
    let total = row.with_total().std_error.unwrap();
    assert!((total - squares.sqrt()).abs() < 1e-12 * total);
    let shares = std_errors.iter().filter_map(|error| row.share_pct(*error));
    assert!((shares.sum::<f64>() - 100.0).abs() < 1e-9);
}

#[test]
fn one_plot_has_lines_and_no_total() {
    let design = with_volume(vec![fixed(0.05)]);
    let trees = (0..9).map(|k| {
        let d = 12.0 + 4.0 * f64::from(k);
        let tree = tree(0, d);
        if k < 7 {
            tall(tree, mean_height_m(d) + f64::from(k % 3))
        } else {
            tree
        }
    });
    let plots = vec![plot(
        0,
        vec![visit(&design, 0, trees.collect(), Vec::new())],
    )];
    let records = named(records(2, vec![("S", vec![("", None)], plots)]));
    let knowledge = knowledge();
    let compilation: Compilation<'_> = compile(&design, &records, &knowledge).unwrap();
    let all = whole_error(&compilation);
    let row = of(&all, Some("S"), 0, Attribute::VolumeTotal);
    assert_eq!(
        (row.std_errors()[0], row.with_total().std_error),
        (None, None)
    );
    for source in [1, 2, 4] {
        assert!(row.std_errors()[source].unwrap() > 0.0, "{source}");
    }
    assert_eq!(row.share_pct(row.std_errors()[1]), None);
}

#[test]
fn published_errors_of_single_trees() {
    // sigma2 0.005 and delta 2.25 in the row of cottonwood, Coast: 0.7 m3, s^2 = 0.005 x 0.7^2.25.
    let bc = set(SET);
    let row = bc.equations.iter().position(|row| row.line == 2).unwrap();
    let error = bc.std_error(row, 0.7).unwrap();
    assert!((error - (0.005 * 0.7_f64.powf(2.25)).sqrt()).abs() < 1e-15);
    // Table S12 of the national system: 12.470 % of the volume of stem wood, 19.669 % of the mass.
    let national = set("us-national-2024");
    let percent = |quantity: &str| {
        let of = |row: &&spinney::species::equation::Equation| row.quantity.name() == quantity;
        let at = national.equations.iter().position(|row| of(&row)).unwrap();
        national.std_error(at, 200.0).map(|error| error / 2.0)
    };
    assert_eq!(percent("total"), Some(12.47));
    assert!((percent("total mass").unwrap() - 19.669).abs() < 1e-12);
    assert_eq!(percent("branch mass"), None);
    // Errors of diameters are none of volumes.
    assert_eq!(set("ca-bc-taper-1994").std_error(0, 1.0), None);
}

/// Two stands that share their curves, volume and biomass by a system that publishes errors, in
/// imperial units.
#[test]
fn two_stands_with_biomass_fit_the_page() {
    let mut random = Normal::new(99);
    let mut trees = "stand,plot,tree,species,status,dbh_cm,height_m\n".to_owned();
    for stand in ["Fell", "Gill"] {
        for tree in 0..24 {
            let d = 12.0 + 38.0 * random.0.unit();
            let height = format!("{:.1}", mean_height_m(d) + random.next());
            let height = if tree % 3 == 0 { height } else { String::new() };
            let _ = writeln!(
                trees,
                "{stand},{},{tree},PSME,live,{d:.1},{height}",
                tree / 6
            );
        }
    }
    let cruise = Cruise::new()
        .file("trees.csv", trees)
        .file("stands.csv", "stand,area_ha\nFell,5\nGill,12\n")
        .file(
            "plots.csv",
            "stand,plot\nFell,0\nFell,1\nFell,2\nFell,3\nGill,0\nGill,1\nGill,2\nGill,3\n",
        )
        .file(
            "design.yaml",
            "title: Fell and gill\nunits: imperial\n\
             inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv}\n\
             selections:\n  fixed: {method: fixed-area, area_ha: 0.04}\n\
             heights: {breast_height_m: 1.3, curve: best, min_trees: 5, fit_by: cruise}\n\
             volume:\n  set: us-national-2024\n  region: M240\n  \
             merchantable: {stump_m: 0.3048, top_dob_cm: 10.16, min_dbh_cm: 12.7}\n\
             biomass: {set: us-national-2024, region: M240}\n",
        );
    let run = cruise.run(&["compile", "design.yaml"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let section = run.stdout.split("Sources of error\n").nth(1).unwrap();
    let section = section.split("\nHeight curves\n").next().unwrap();
    assert!(section.lines().all(|line| line.chars().count() <= 80));
    insta::assert_snapshot!("two-stands-with-biomass", section);
}

#[test]
fn the_table_of_the_example() {
    let cruise = Cruise::copy_of("examples/marrow-creek");
    let arguments = ["compile", "design.yaml", "--format", "json"];
    let run = cruise.run(&[&arguments[..], &["--sources-of-error", "sources.csv"]].concat());
    assert_eq!(run.status, 0, "{}", run.stderr);
    let table = cruise.read("sources.csv");
    insta::assert_snapshot!("marrow-creek-sources-of-error", table);
    let json: serde_json::Value = serde_json::from_str(&run.stdout).unwrap();
    let listed = json["sources_of_error"].as_array().unwrap();
    let lines = rows(&cruise.path("sources.csv"));
    assert_eq!(listed.len(), lines.len());
    let estimates = json["estimates"].as_array().unwrap();
    for (row, line) in listed.iter().zip(&lines) {
        let same = estimates.iter().find(|estimate| {
            ["stand", "stratum", "selection", "attribute"]
                .iter()
                .all(|key| estimate[key] == row[key])
                && estimate["status"] == "live"
                && estimate["species"] == "all"
                && estimate["dbh_from_cm"] == "all"
        });
        let same = same.unwrap();
        assert_eq!(same["per_ha"], row["per_ha"]);
        assert_eq!(same["std_error"], row["sampling_std_error"]);
        assert_eq!(same["df"], row["df"]);
        let number = |column: &str| line[column].parse::<f64>().unwrap_or(0.0);
        let squares: f64 = [
            "sampling_std_error",
            "curve_parameters_std_error",
            "curve_residuals_std_error",
            "height_measurement_std_error",
            "equations_std_error",
        ]
        .map(|column| number(column).powi(2))
        .iter()
        .sum();
        assert!((number("total_std_error") / squares.sqrt() - 1.0).abs() < 1e-12);
        assert!(number("total_std_error") > number("sampling_std_error"));
    }
}
