//! Measured heights in a whole cruise: the report, the tree list, what `explain` says, mistakes in
//! the design; and curves that are weighted by the precision of their heights.

use spinney::design::FitWeights;
use spinney::heights::Place;
use spinney::heights::curve::Form;
use spinney::heights::fit::{FittedCurve, HeightPoint, Points, fit_form};
use spinney::heights::precision::variance_about_m2;
use spinney::math::nonlinear::Solver;
use spinney::math::random::Random;

use crate::cruise::Cruise;
use crate::reading::{design_of, lines};

const DESIGN: &str = "title: Larkspur Bench
inputs: { plots: plots.csv, trees: trees.csv }
selections: { fixed: { method: fixed-area, radius_m: 7.98 } }
heights: { curve: naslund, instrument: { angle_sd_deg: 0.25, height_sd_m: 1 } }
volume: { set: ca-bc-volume-2016, region: CWH }
";

/// Every way to read a height, invented; heights between 18 and 34 m.
const TREES: &str = "\
plot,tree,species,dbh_cm,height_m,top_pct,base_per_66,distance_m,slope_distance_m,tape_deg,top_distance_m,top_slant_m,base_slant_m,pole_m,pole_top_pct,hidden_top_m,top_offset_m
1,1,Fd,30.0,,72,-6.6,30,,,,,,,,,
1,2,Fd,42.0,,88,0,,35,-14,,,,,,,
1,3,Fd,36.0,,100,-6.6,27,,,24,,,,,,
1,4,Fd,48.0,,125,-3.3,,,,,40,25.1,,,,
2,1,Fd,39.0,,90,-6.6,,,,,,,6,12,,
2,2,Fd,33.0,,80,-6.6,28,,,,,,,,2,
2,3,Fd,27.0,,70,-6.6,27,,,,,,,,,3
2,4,Fd,45.0,,150,-6.6,19,,,,,,,,,
3,1,Fd,24.0,18.5,,,,,,,,,,,,
3,2,Fd,35.0,,,,,,,,,,,,,
3,3,Fd,41.0,,,,,,,,,,,,,
";

fn cruise(design: &str) -> Cruise {
    Cruise::new()
        .file("design.yaml", design)
        .file("plots.csv", "plot\n1\n2\n3\n")
        .file("trees.csv", TREES)
}

/// A section of a report on the terminal, up to another heading.
fn section<'r>(report: &'r str, heading: &str, next: &str) -> &'r str {
    let from = report.find(&format!("\n{heading}\n---")).unwrap();
    let to = report.find(&format!("\n{next}\n---")).unwrap();
    report[from..to].trim()
}

#[test]
fn the_report_says_how_heights_were_read_and_what_rests_on_them() {
    let cruise = cruise(DESIGN);
    let run = cruise.run(&["compile", "design.yaml", "--tree-list", "list.csv"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    insta::assert_snapshot!(
        "measured-heights",
        section(&run.stdout, "Measured heights", "Height trees")
    );
    // The shares again, from the tree list: all plots are of one size.
    let list = cruise.read("list.csv");
    let mut rows = list.lines().map(|row| row.split(',').collect::<Vec<_>>());
    let heads = rows.next().unwrap();
    let at = |name: &str| heads.iter().position(|head| *head == name).unwrap();
    let trees: Vec<(f64, bool, bool)> = rows
        .map(|row| {
            let volume_m3 = row[at("volume_total_m3")].parse::<f64>().unwrap();
            let flags = row[at("flags")];
            let doubtful = flags.contains("steep") || flags.contains("baseline");
            (
                volume_m3,
                row[at("height_source")] != "species curve",
                doubtful,
            )
        })
        .collect();
    let share = |part: &dyn Fn(&(f64, bool, bool)) -> bool| {
        let sum = |trees: Vec<f64>| trees.iter().sum::<f64>();
        let part = trees.iter().filter(|tree| part(tree)).map(|tree| tree.0);
        100.0 * sum(part.collect()) / sum(trees.iter().map(|tree| tree.0).collect())
    };
    let row = run
        .stdout
        .lines()
        .find(|line| line.ends_with("1 of 9"))
        .unwrap();
    let shown: Vec<&str> = row.split_whitespace().collect();
    let (measured, doubtful) = (share(&|tree| tree.1), share(&|tree| tree.2));
    assert_eq!(
        shown[2..4],
        [format!("{measured:.1}"), format!("{doubtful:.1}")]
    );
    assert_eq!(shown[5], format!("{:.1}", 100.0 - measured));
    let unwrapped = run.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        unwrapped
            .contains("Measurement of heights, standard errors: 0.25 degrees in a sight, 1 % of a"),
        "{unwrapped}"
    );
    assert!(!unwrapped.contains("0.5 degrees in a sight"));
    insta::assert_snapshot!("measured-heights-findings", run.stderr);
}

#[test]
fn the_tree_list_has_standard_errors_of_measured_heights_alone() {
    let cruise = cruise(DESIGN);
    cruise.run(&["compile", "design.yaml", "--tree-list", "list.csv"]);
    let list = cruise.read("list.csv");
    let mut rows = list.lines().map(|row| row.split(',').collect::<Vec<_>>());
    let heads = rows.next().unwrap();
    let at = |name: &str| heads.iter().position(|head| *head == name).unwrap();
    let shown: Vec<String> = rows
        .map(|row| {
            let figure = |name| {
                row[at(name)]
                    .parse::<f64>()
                    .map_or(String::new(), |x| format!("{x:.3}"))
            };
            format!(
                "{}-{}: {} m, {}, error {} m; {}",
                row[at("plot")],
                row[at("tree")],
                figure("height_m"),
                row[at("height_source")],
                figure("height_se_m"),
                row[at("flags")]
            )
        })
        .collect();
    insta::assert_snapshot!("measured-heights-trees", shown.join("\n"));
    let imperial = cruise.run(&[
        "compile",
        "design.yaml",
        "--units",
        "imperial",
        "--tree-list",
        "feet.csv",
    ]);
    assert_eq!(imperial.status, 0);
    assert!(
        imperial
            .stdout
            .contains("3.2808 ft of a height written down")
    );
    let feet = cruise.read("feet.csv");
    assert!(
        feet.lines()
            .next()
            .unwrap()
            .contains(",height_ft,height_source,height_se_ft,")
    );
}

#[test]
fn explain_gives_the_parts_of_the_error() {
    let cruise = cruise(DESIGN);
    let heights: Vec<String> = [
        ("1", "2"),
        ("1", "3"),
        ("1", "4"),
        ("2", "1"),
        ("2", "2"),
        ("2", "3"),
        ("3", "1"),
    ]
    .into_iter()
    .map(|(plot, tree)| {
        let run = cruise.run(&["explain", "design.yaml", "--plot", plot, "--tree", tree]);
        assert_eq!(run.status, 0, "{}", run.stderr);
        let from = run.stdout.find("source: ").unwrap();
        let to = run.stdout.find("total height: ").unwrap();
        run.stdout[from..to].to_owned()
    })
    .collect();
    insta::assert_snapshot!("measured-heights-explained", heights.join("\n"));
}

#[test]
fn the_error_of_measurement_enters_the_whole_error() {
    let measured = |design: &str| {
        let cruise = cruise(design);
        let run = cruise.run(&[
            "compile",
            "design.yaml",
            "--sources-of-error",
            "sources.csv",
        ]);
        assert_eq!(run.status, 0, "{}", run.stderr);
        let table = cruise.read("sources.csv");
        let mut rows = table.lines().map(|row| row.split(',').collect::<Vec<_>>());
        let heads = rows.next().unwrap();
        let at = heads
            .iter()
            .position(|head| *head == "height_measurement_std_error")
            .unwrap();
        rows.next().unwrap()[at].parse::<f64>().unwrap()
    };
    let fine = measured(DESIGN);
    // The part is linear in the errors: all twice as large make it twice as large.
    let double = DESIGN.replace(
        "angle_sd_deg: 0.25, height_sd_m: 1",
        "angle_sd_deg: 0.5, height_sd_m: 2, distance_sd_pct: 2, hidden_top_sd_pct: 50",
    );
    assert!((measured(&double) / fine - 2.0).abs() < 1e-12);
    let unknown = DESIGN.replace(", height_sd_m: 1", "");
    assert!(measured(&unknown) < fine);
}

#[test]
fn the_errors_of_a_design_are_read_in_their_units() {
    let read = |instrument: &str| {
        let heights = format!("heights: {{ curve: naslund, instrument: {{ {instrument} }} }}");
        let line = DESIGN
            .lines()
            .find(|line| line.starts_with("heights"))
            .unwrap();
        design_of(&DESIGN.replace(line, &heights))
    };
    let (design, _) = read("angle_sd_pct: 2, distance_sd_ft: 1, height_sd_pct: 4");
    let design = design.unwrap();
    assert_eq!(
        design.heights.instrument.words(design.units),
        "2 % in a sight, 0.3048 m of a distance, 25 % of a length out of sight, 4 % of a height \
         written down"
    );
    let told: Vec<&String> = design
        .defaults
        .iter()
        .filter(|d| d.starts_with("instrument"))
        .collect();
    assert_eq!(
        told,
        ["instrument: standard errors are 25 % of a length out of sight"]
    );
    let (none, problems) = read(
        "angle_sd_pct: 2, angle_sd_deg: 1, distance_sd_m: 40, height_sd: 1, \
                                 distance_sd_pct: 1, height_sd_m: 1, height_sd_pct: 1, sights: 3",
    );
    assert!(none.is_none());
    insta::assert_snapshot!("instrument-design-errors", lines(&problems).join("\n"));
}

fn points(heights: &[(f64, f64, Option<f64>)]) -> Points {
    let point = |(dbh_cm, height_m, std_error_m): &(f64, f64, Option<f64>)| HeightPoint {
        dbh_cm: *dbh_cm,
        height_m: *height_m,
        std_error_m: *std_error_m,
        place: Place::default(),
    };
    Points::of(heights.iter().map(point).collect())
}

fn fit(points: &Points, weights: FitWeights) -> FittedCurve {
    fit_form(Form::Naslund, points, weights, 1.3, &mut Solver::new()).unwrap()
}

fn naslund(d: f64) -> f64 {
    1.3 + (d / (1.9 + 0.155 * d)).powi(2)
}

/// A number of mean 0 and variance 1, close to normal: twelve uniform ones added.
fn normal(random: &mut Random) -> f64 {
    let uniform = |random: &mut Random| (random.below(1_000_000) as f64 + 0.5) / 1e6;
    (0..12).map(|_| uniform(random)).sum::<f64>() - 6.0
}

/// Heights that scatter by 1 m about a curve, every second one measured with an error of 2 m, the
/// others of 0.2 m.
fn scattered(n: usize, seed: u64) -> Points {
    let mut random = Random::stream(seed, "measured heights");
    let heights: Vec<(f64, f64, Option<f64>)> = (0..n)
        .map(|k| {
            let d = 12.0 + 40.0 * k as f64 / n as f64;
            let error_m = if k % 2 == 0 { 2.0 } else { 0.2 };
            let height_m = naslund(d) + normal(&mut random) + error_m * normal(&mut random);
            (d, height_m, Some(error_m))
        })
        .collect();
    points(&heights)
}

#[test]
fn the_variance_about_a_mean_is_what_errors_leave() {
    // Equal errors: s_c^2 = sum r^2 / df - s^2.
    let variance = variance_about_m2(&[4.0, 1.0, 4.0, 1.0], &[0.5; 4], 2.0);
    assert!((variance - 4.5).abs() < 1e-9, "{variance}");
    // Two heights, one exact, one with an error of variance 3, squares 2 and 8, df 1:
    // 2 / v + 8 / (v + 3) = 1 has the positive root v = (7 + sqrt(73)) / 2.
    let variance = variance_about_m2(&[2.0, 8.0], &[0.0, 3.0], 1.0);
    assert!(
        (variance - f64::midpoint(7.0, 73.0_f64.sqrt())).abs() < 1e-8,
        "{variance}"
    );
    // Errors that say more than the residuals leave nothing.
    assert!(variance_about_m2(&[0.1, 0.1, 0.1], &[1.0; 3], 1.0) < 1e-11);
}

#[test]
fn weights_by_precision_meet_their_condition() {
    let points = scattered(60, 4);
    let fitted = fit(&points, FitWeights::Precision);
    let variance = fitted.scatter.unwrap().std_dev_m.powi(2);
    let residuals = points.dbh_cm().iter().zip(points.height_m());
    let squares = residuals.map(|(d, h)| (h - fitted.curve.height_m(*d)).powi(2));
    let weights = points
        .std_error_m()
        .iter()
        .map(|s| 1.0 / (variance + s.unwrap().powi(2)));
    let sum: f64 = squares
        .zip(weights)
        .map(|(square, weight)| square * weight)
        .sum();
    assert!((sum - 58.0).abs() < 1e-6, "{sum}");
    assert!((fitted.residual_ss - 58.0).abs() < 1e-6);
    assert!((fitted.residual_m(20.0) - variance.sqrt()).abs() < 1e-12);
}

#[test]
fn without_errors_weights_by_precision_are_equal_weights() {
    let pairs: Vec<(f64, f64, Option<f64>)> = scattered(20, 9)
        .dbh_cm()
        .iter()
        .zip(scattered(20, 9).height_m())
        .map(|(d, h)| (*d, *h, None))
        .collect();
    let points = points(&pairs);
    let (equal, precise) = (
        fit(&points, FitWeights::Equal),
        fit(&points, FitWeights::Precision),
    );
    for (one, other) in equal
        .curve
        .parameters()
        .iter()
        .zip(precise.curve.parameters())
    {
        assert!((one / other - 1.0).abs() < 1e-7);
    }
    assert!((equal.residual_m(30.0) / precise.residual_m(30.0) - 1.0).abs() < 1e-7);
    assert!((equal.aicc - precise.aicc).abs() < 1e-6);
    assert_eq!(precise.scatter.unwrap().without_error, 20);
}

#[test]
fn precise_heights_weigh_more_and_the_scatter_is_found_again() {
    let off = |fitted: &FittedCurve| {
        let at = [15.0, 25.0, 35.0, 45.0];
        let squares = at.map(|d| (fitted.curve.height_m(d) - naslund(d)).powi(2));
        squares.iter().sum::<f64>()
    };
    let (mut equal, mut precise, mut scatter) = (0.0, 0.0, 0.0);
    let samples = 200_u32;
    for seed in 0..samples {
        let points = scattered(40, u64::from(seed));
        equal += off(&fit(&points, FitWeights::Equal));
        let fitted = fit(&points, FitWeights::Precision);
        precise += off(&fitted);
        scatter += fitted.scatter.unwrap().std_dev_m.powi(2) / f64::from(samples);
    }
    // Variances 5 and 1.04 in turn: equal weights leave the mean of both, 3.02, weights by
    // precision the harmonic mean, 1.72; the ratio is 0.57.
    assert!(
        (0.45..0.70).contains(&(precise / equal)),
        "{}",
        precise / equal
    );
    assert!((scatter - 1.0).abs() < 0.1, "{scatter}");
}

#[test]
fn a_design_may_weigh_heights_by_precision() {
    let design = DESIGN.replace("curve: naslund", "curve: naslund, weights: precision");
    let run = cruise(&design).run(&["compile", "design.yaml"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let text = run.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in [
        "weights 1/(variance about the curve + variance of the measurement)",
        "Fd: without the errors of measurement heights scatter about the curve by",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    let unknown = design.replace(", height_sd_m: 1", "");
    let run = cruise(&unknown).run(&["compile", "design.yaml"]);
    let text = run.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        text.contains("1 height whose error is not known counted as exact"),
        "{text}"
    );
}
