//! Missing heights drawn about their curves: the errors that they carry, that nothing but seed and
//! names decides what is drawn, and Rubin's rules.

use std::fmt::Write as _;

use spinney::compile::draws::DrawnTree;
use spinney::compile::{Compilation, compile};
use spinney::design::{Design, Fill, FitBy};
use spinney::estimates::Attribute;
use spinney::math::sum::{mean, variance};
use spinney::records::{HeightRecord, Plot, Records};
use spinney::whole_error::imputation::barnard_rubin_df;
use spinney::whole_error::{SourcesOfError, whole_error};

use crate::answers::rows;
use crate::cruise::Cruise;
use crate::sample::{fixed, gauge, plot, records, tall, tree, visit};
use crate::whole_error::{Normal, knowledge, mean_height_m, named, of, with_volume};

fn drawn(number: usize, seed: u64) -> Fill {
    Fill::Draws { number, seed }
}

/// Plots of six trees, of which two have heights.
fn plots(design: &Design, seed: u64, number: usize) -> Vec<Plot> {
    let mut random = Normal::new(seed);
    (0..number)
        .map(|_| {
            let trees = (0..6).map(|k| {
                let d = 12.0 + 40.0 * random.0.unit();
                let height_m = mean_height_m(d) + 2.0 * random.next();
                if k < 2 {
                    tall(tree(0, d), height_m)
                } else {
                    tree(0, d)
                }
            });
            plot(0, vec![visit(design, 0, trees.collect(), Vec::new())])
        })
        .collect()
}

fn one_stand(plots: Vec<Plot>) -> Records {
    named(records(2, vec![("S", vec![("", None)], plots)]))
}

fn total_volume(compilation: &Compilation<'_>) -> SourcesOfError {
    let all = whole_error(compilation);
    of(&all, Some("S"), 0, Attribute::VolumeTotal).clone()
}

/// Many draws: their spread is that of parameters and residuals by the first derivatives, their
/// mean the mean over the scatter by quadrature.
#[test]
fn many_draws_come_to_what_the_formulas_say() {
    const NUMBER: usize = 1000;
    let mut design = with_volume(vec![fixed(0.05)]);
    let records = one_stand(plots(&design, 4, 8));
    let knowledge = knowledge();
    let by_means = total_volume(&compile(&design, &records, &knowledge).unwrap());
    design.heights.fill = drawn(NUMBER, 1);
    let compilation = compile(&design, &records, &knowledge).unwrap();
    let by_draws = total_volume(&compilation);
    let imputation = by_draws.imputation.unwrap();
    let stated = by_means.curve_parameters.variance + by_means.curve_residuals.variance;
    println!("between {}, stated {stated}", imputation.between);
    let n = NUMBER as f64;
    // Standard error of a variance from so many draws: sqrt(2/n) of it.
    let band = 4.0 * (2.0 / n).sqrt();
    assert!((imputation.between / stated - 1.0).abs() < band);
    assert_eq!((imputation.number, imputation.unknown), (NUMBER, 0));
    assert_eq!(imputation.known, by_means.curve_residuals.known);
    let expected = by_means.estimate.mean + by_means.curvature_bias;
    let off = by_draws.estimate.mean - expected;
    assert!(off.abs() < 4.0 * (imputation.between / n).sqrt(), "{off}");
    // The parts of the curves give way to that of the draws.
    assert_eq!(
        by_draws.curve_residuals.known + by_draws.curve_parameters.known,
        0
    );
    assert!(by_draws.curvature_bias.abs() + by_draws.curvature_at_most < 1e-300);
    assert_eq!(by_means.imputation, None);
}

/// Residuals alone, tree by tree: with the draws of the parameters taken off, what is left of
/// heights is normal with the standard deviation of the curve. Volume is a power of height here.
#[test]
fn residuals_are_drawn_for_each_tree_and_parameters_for_all() {
    const NUMBER: usize = 1000;
    let mut design = with_volume(vec![fixed(0.05)]);
    design.heights.fill = drawn(NUMBER, 9);
    let records = one_stand(plots(&design, 4, 8));
    let knowledge = knowledge();
    let compilation = compile(&design, &records, &knowledge).unwrap();
    let stand = &compilation.stands[0];
    let equation = compilation.equations[0].chosen.main;
    let b2: f64 = crate::volumes::set(crate::whole_error::SET).equations[equation].printed[2]
        .parse()
        .unwrap();
    let trees: Vec<(f64, f64, Vec<f64>)> = records.stands[0]
        .trees()
        .zip(&stand.heights.trees)
        .zip(&stand.drawn)
        .filter_map(|(((_, _, tree), height), drawn)| {
            let drawn = drawn.as_ref()?;
            let curve = &stand.heights.curves[height.source.curve()?].curve;
            let error = curve.error_at(tree.dbh_cm, height.place)?;
            let height_m = height.height_m?;
            let at_mean = compilation.values_at(tree, height_m).volume_total_m3?;
            let of_draw = |values: &[f64; 5]| height_m * (values[0] / at_mean).powf(1.0 / b2);
            let g = error.gradient;
            let c = curve.covariance();
            let parameters = g[0] * g[0] * c[0] + 2.0 * g[0] * g[1] * c[1] + g[1] * g[1] * c[3];
            let heights_m: Vec<f64> = drawn.by_draw.iter().map(of_draw).collect();
            Some((error.residual_m.powi(2), parameters, heights_m))
        })
        .collect();
    assert_eq!(trees.len(), 32);
    let n = NUMBER as f64;
    for (residual, parameters, heights_m) in &trees {
        let ours = variance(heights_m).unwrap() / (residual + parameters);
        assert!((ours - 1.0).abs() < 4.5 * (2.0 / n).sqrt(), "{ours}");
    }
    // Between two trees only the parameters are shared: the mean covariance over all pairs.
    let (mut shared, mut stated, mut pairs) = (0.0, 0.0, 0.0);
    for (at, (_, a, of_a)) in trees.iter().enumerate() {
        for (_, b, of_b) in &trees[at + 1..] {
            let (mean_a, mean_b) = (mean(of_a), mean(of_b));
            let products = of_a
                .iter()
                .zip(of_b)
                .map(|(x, y)| (x - mean_a) * (y - mean_b));
            shared += products.sum::<f64>() / (n - 1.0);
            stated += (a * b).sqrt();
            pairs += 1.0;
        }
    }
    // Errors of two heights by the same parameters need not go fully together.
    println!(
        "shared {:.4}, at most {:.4}",
        shared / pairs,
        stated / pairs
    );
    assert!(
        shared > 0.3 * stated && shared < 1.1 * stated,
        "{shared} {stated}"
    );
}

/// What each tree holds in each draw, as it is.
fn by_draw(compilation: &Compilation<'_>, stand: usize) -> Vec<Option<DrawnTree>> {
    compilation.stands[stand].drawn.clone()
}

#[test]
fn seed_and_names_decide_what_is_drawn() {
    let mut design = with_volume(vec![fixed(0.05)]);
    let knowledge = knowledge();
    let stand = |name, seed| (name, vec![("", Some(3.0))], plots(&design, seed, 5));
    let alone = named(records(2, vec![stand("B", 8)]));
    let both = named(records(2, vec![stand("A", 7), stand("B", 8)]));
    let draw = |design: &Design, records: &Records, at: usize| {
        by_draw(&compile(design, records, &knowledge).unwrap(), at)
    };
    design.heights.fill = drawn(20, 5);
    let first = draw(&design, &alone, 0);
    assert!(first.iter().flatten().count() == 20);
    assert_eq!(first, draw(&design, &alone, 0));
    // Another stand changes nothing.
    assert_eq!(first, draw(&design, &both, 1));
    // More draws add to those there were.
    design.heights.fill = drawn(30, 5);
    let more = draw(&design, &alone, 0);
    for (few, more) in first.iter().zip(&more) {
        let few = few.as_ref().map(|few| &few.by_draw[..]);
        assert_eq!(few, more.as_ref().map(|more| &more.by_draw[..20]));
    }
    design.heights.fill = drawn(20, 6);
    assert_ne!(first, draw(&design, &alone, 0));
}

/// Two stands that are alike and share their curves: parameters are off alike in both, residuals
/// are not.
#[test]
fn a_curve_that_stands_share_is_drawn_once() {
    let mut design = with_volume(vec![fixed(0.05)]);
    let knowledge = knowledge();
    let stand = |name| (name, vec![("", Some(3.0))], plots(&design, 8, 5));
    let records = named(records(2, vec![stand("A"), stand("B")]));
    design.heights.fill = drawn(1000, 1);
    let mut between = |fit_by| {
        design.heights.fit_by = fit_by;
        let compilation = compile(&design, &records, &knowledge).unwrap();
        let all = whole_error(&compilation);
        [Some("A"), Some("B"), None].map(|stand| {
            let row = of(&all, stand, 0, Attribute::VolumeTotal);
            row.imputation.unwrap().between
        })
    };
    let band = 4.5 * (2.0_f64 / 1000.0).sqrt();
    let close =
        |ours: f64, wanted: f64| assert!((ours / wanted - 1.0).abs() < band, "{ours} {wanted}");
    let [a, b, whole] = between(FitBy::Stand);
    close(a, b);
    close(whole, (a + b) / 4.0);
    let stated = |design: &Design| {
        let design = Design {
            heights: spinney::design::Heights {
                fill: Fill::Mean,
                fit_by: FitBy::Cruise,
                ..design.heights.clone()
            },
            ..design.clone()
        };
        let compilation = compile(&design, &records, &knowledge).unwrap();
        let all = whole_error(&compilation);
        let row = of(&all, None, 0, Attribute::VolumeTotal);
        row.curve_parameters.variance + row.curve_residuals.variance
    };
    let [a, _, whole] = between(FitBy::Cruise);
    close(whole, stated(&design));
    assert!(whole > 0.5 * a * (1.0 + band), "{whole} {a}");
}

#[test]
fn a_tree_of_two_selections_is_drawn_alike_in_both() {
    let mut design = with_volume(vec![
        fixed(0.05),
        gauge(5.0, spinney::design::Measured::All, None),
    ]);
    design.heights.fill = drawn(10, 3);
    let mut plots = plots(&design, 8, 4);
    for plot in &mut plots {
        let numbered = plot.visits[0].trees.iter_mut();
        numbered
            .zip(1..)
            .for_each(|(tree, number)| tree.number = format!("{number}").into());
        let trees = plot.visits[0].trees.clone();
        plot.visits.push(visit(&design, 1, trees, Vec::new()));
    }
    let unnumbered = {
        let mut plots = plots.clone();
        let visits = plots.iter_mut().flat_map(|plot| &mut plot.visits);
        visits
            .flat_map(|visit| &mut visit.trees)
            .for_each(|tree| tree.number = "".into());
        plots
    };
    let knowledge = knowledge();
    for (plots, alike) in [(plots, true), (unnumbered, false)] {
        let records = one_stand(plots);
        let compilation = compile(&design, &records, &knowledge).unwrap();
        let trees = by_draw(&compilation, 0);
        for of_plot in trees.chunks(12) {
            assert_eq!(of_plot[..6] == of_plot[6..], alike);
            assert!(of_plot[2].is_some());
        }
    }
}

/// No height at or below breast height, nor below the break of a stem.
#[test]
fn no_height_is_drawn_below_what_a_tree_can_have() {
    let mut design = with_volume(vec![fixed(0.05)]);
    design.heights.fill = drawn(400, 3);
    let mut random = Normal::new(12);
    // Small trees with a scatter as large as they are tall, and a broken one a little below the
    // curve.
    let trees = (0..40).map(|k| {
        let d = 3.0 + f64::from(k) / 4.0;
        let height_m = (mean_height_m(d) + 2.5 * random.next()).max(1.5);
        if k % 2 == 0 {
            tall(tree(0, d), height_m)
        } else {
            tree(0, d)
        }
    });
    let mut trees: Vec<_> = trees.collect();
    trees[39].broken_height_m = Some(5.0);
    let records = one_stand(vec![plot(0, vec![visit(&design, 0, trees, Vec::new())])]);
    let knowledge = knowledge();
    let compilation = compile(&design, &records, &knowledge).unwrap();
    let stand = &compilation.stands[0];
    let mut cut = 0;
    for (((_, _, tree), height), drawn) in records.stands[0]
        .trees()
        .zip(&stand.heights.trees)
        .zip(&stand.drawn)
    {
        let Some(drawn) = drawn else { continue };
        let least_m = tree.broken_height_m.unwrap_or(1.3).max(1.4);
        let held = |height_m| {
            compilation
                .values_at(tree, height_m)
                .volume_total_m3
                .unwrap()
        };
        let least = held(least_m);
        assert!(
            drawn
                .by_draw
                .iter()
                .all(|values| values[0] >= least && values[0] > 0.0)
        );
        let curve = &stand.heights.curves[height.source.curve().unwrap()].curve;
        let error = curve.error_at(tree.dbh_cm, height.place).unwrap();
        let two_down = height.height_m.unwrap() - 2.0 * error.residual_m;
        cut += usize::from(two_down < least_m);
        // The list keeps the mean height.
        assert_eq!(drawn.mean.height_m, height.height_m);
    }
    assert!(cut > 5, "{cut}: no tree is near its least height");
    assert!(stand.drawn.last().unwrap().is_some() && records.stands[0].trees().count() == 40);
}

/// Five estimates and their sampling variances, by hand. Formulas of Rubin 1987 and of Barnard &
/// Rubin 1999 (both from memory).
#[test]
fn rubins_rules_by_hand() {
    let estimates = [10.0, 12.0, 11.0, 13.0, 14.0];
    let (within, between) = (4.0, variance(&estimates).unwrap());
    assert!((between - 2.5_f64).abs() < 1e-14);
    // T = 4 + 1.2 x 2.5 = 7; l = 3/7.
    let total = within + 1.2 * between;
    let share = 1.2 * between / total;
    // 4 (1 + 4/3)^2 = 196/9 for a large sample.
    let large = barnard_rubin_df(5, share, 1e12);
    assert!((large - 196.0 / 9.0).abs() < 1e-9, "{large}");
    // 10 x 11/13 x 4/7 = 4.8352 of a sample with 10: 1 / (9/196 + 1/4.8352) = 3.9567.
    let small = barnard_rubin_df(5, share, 10.0);
    assert!((small - 3.956_689_3).abs() < 1e-6, "{small}");
}

/// The whole error of a stand, written out from what its trees hold in each draw.
#[test]
fn the_parts_are_those_of_rubins_rules() {
    const NUMBER: usize = 20;
    let mut design = with_volume(vec![fixed(0.05)]);
    design.heights.fill = drawn(NUMBER, 2);
    let records = one_stand(plots(&design, 4, 8));
    let knowledge = knowledge();
    let compilation = compile(&design, &records, &knowledge).unwrap();
    let row = total_volume(&compilation);
    let stand = &compilation.stands[0];
    let volume = |tree: usize, draw: usize| match &stand.drawn[tree] {
        Some(drawn) => drawn.by_draw[draw][0],
        None => stand.values[tree].volume_total_m3.unwrap(),
    };
    let of_plots = |draw: usize| -> Vec<f64> {
        let of_plot = |plot: usize| 20.0 * (0..6).map(|k| volume(6 * plot + k, draw)).sum::<f64>();
        (0..8).map(of_plot).collect()
    };
    let means: Vec<f64> = (0..NUMBER).map(|draw| mean(&of_plots(draw))).collect();
    let within = (0..NUMBER).map(|draw| variance(&of_plots(draw)).unwrap() / 8.0);
    let within = within.sum::<f64>() / NUMBER as f64;
    let between = variance(&means).unwrap();
    let close =
        |ours: f64, by_hand: f64| assert!((ours / by_hand - 1.0).abs() < 1e-10, "{ours} {by_hand}");
    close(row.estimate.mean, mean(&means));
    let imputation = row.imputation.unwrap();
    close(imputation.between, between);
    let sampling = row.estimate.std_error.unwrap().powi(2);
    close(imputation.within, within - sampling);
    let equations = row.equations.variance;
    let total = within + 1.05 * between + equations;
    close(row.with_total().std_error.unwrap().powi(2), total);
    let share = 1.05 * between / total;
    close(
        row.with_total().df.unwrap(),
        barnard_rubin_df(NUMBER, share, 7.0),
    );
}

/// Plots are drawn anew over and over, with their heights. The estimates scatter by the total of
/// Rubin's rules, within four standard errors of a variance from so many; the sampling error of the
/// means over the draws alone is far too small.
#[test]
fn drawn_samples_scatter_by_rubins_total() {
    const SAMPLES: usize = 1500;
    let mut design = with_volume(vec![fixed(0.05)]);
    let knowledge = knowledge();
    let mut random = Normal::new(6);
    let (mut means, mut stated, mut sampling) = (Vec::new(), 0.0, 0.0);
    for sample in 0..SAMPLES {
        design.heights.fill = drawn(10, sample as u64);
        let plots: Vec<Plot> = (0..6)
            .map(|_| {
                let trees = (0..8).map(|k| {
                    // Nearly the same diameters everywhere, so that heights matter.
                    let d = 16.0 + 4.0 * f64::from(k) + 2.0 * (random.0.unit() - 0.5);
                    let height_m = mean_height_m(d) + 2.5 * random.next();
                    if k % 4 == 1 {
                        tall(tree(0, d), height_m)
                    } else {
                        tree(0, d)
                    }
                });
                plot(0, vec![visit(&design, 0, trees.collect(), Vec::new())])
            })
            .collect();
        let records = one_stand(plots);
        let compilation = compile(&design, &records, &knowledge).unwrap();
        let row = total_volume(&compilation);
        means.push(row.estimate.mean);
        let of_sample = row.estimate.std_error.unwrap().powi(2);
        sampling += of_sample;
        stated += of_sample + row.imputation.unwrap().part().variance;
    }
    let n = SAMPLES as f64;
    let scatter = variance(&means).unwrap();
    println!(
        "scatter {scatter:.3}, Rubin {:.3}, sampling {:.3}",
        stated / n,
        sampling / n
    );
    let band = 4.0 * (2.0 / n).sqrt();
    assert!((scatter / (stated / n) - 1.0).abs() < band);
    assert!(scatter > 2.0 * sampling / n);
}

fn cruise(order: impl Fn(usize) -> usize, fill: &str) -> Cruise {
    let mut random = Normal::new(21);
    let mut lines: Vec<String> = Vec::new();
    for plot in 1..=6 {
        for number in 1..=7 {
            let d = 12.0 + 38.0 * random.0.unit();
            let species = if number == 7 { "Dr" } else { "Hw" };
            let height = format!("{:.1}", mean_height_m(d) + 1.5 * random.next());
            let height = if number <= 2 { height } else { String::new() };
            // Trees of the last plot have no number.
            let number = if plot == 6 {
                String::new()
            } else {
                number.to_string()
            };
            lines.push(format!("{plot},{number},{species},live,{d:.1},{height}"));
        }
    }
    let mut trees = "plot,tree,species,status,dbh_cm,height_m\n".to_owned();
    for at in 0..lines.len() {
        let _ = writeln!(trees, "{}", lines[order(at)]);
    }
    Cruise::new()
        .file("trees.csv", trees)
        .file("plots.csv", "plot\n1\n2\n3\n4\n5\n6\n")
        .file(
            "design.yaml",
            format!(
                "title: Fell\ninputs: {{plots: plots.csv, trees: trees.csv}}\n\
                 selections:\n  fixed: {{method: fixed-area, area_ha: 0.04}}\n\
                 heights: {{{fill}regional: us-coastal-northwest-1999}}\n\
                 volume:\n  set: ca-bc-volume-2016\n  region: CWH\n  \
                 merchantable: {{stump_m: 0.3, top_dib_cm: 10, min_dbh_cm: 12.5}}\n"
            ),
        )
}

#[test]
fn the_order_of_rows_changes_no_draw() {
    let run = |order: &dyn Fn(usize) -> usize| {
        let cruise = cruise(order, "fill: {draws: 20, seed: 4}, ");
        let arguments = ["compile", "design.yaml", "--format", "json"];
        let run = cruise.run(&[&arguments[..], &["--tree-list", "list.csv"]].concat());
        assert_eq!(run.status, 0, "{}", run.stderr);
        // All but the lines in the file of trees.
        let list = rows(&cruise.path("list.csv")).into_iter();
        let list: Vec<_> = list
            .map(|mut row| {
                assert!(row.remove("line").is_some());
                row
            })
            .collect();
        (run.stdout, list)
    };
    let first = run(&|at| at);
    assert_eq!(first, run(&|at| 41 - at));
    assert_eq!(first, run(&|at| (at * 11) % 42));
}

/// The section on the sources of error, and what `explain` says, with heights from a published
/// curve left at their mean.
#[test]
fn the_report_says_what_was_drawn() {
    let cruise = cruise(|at| at, "fill: {draws: 20}, ");
    let run = cruise.run(&["compile", "design.yaml"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    assert!(run.stdout.lines().all(|line| line.chars().count() <= 80));
    let text = run.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in [
        "fill: seed 1 for drawn heights",
        "missing heights drawn 20 times about their curves (seed 1)",
        "Missing heights were drawn 20 times (seed 1): 24 tree records.",
        "left at its mean",
        "6 heights from published curves not drawn",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    let explained = cruise.run(&["explain", "design.yaml", "--plot", "1", "--tree", "4"]);
    assert_eq!(explained.status, 0, "{}", explained.stderr);
    assert!(
        explained
            .stdout
            .contains("drawn 20 times about the curve (seed 1)")
    );
    let measured = cruise.run(&["explain", "design.yaml", "--plot", "1", "--tree", "1"]);
    assert!(!measured.stdout.contains("drawn 20 times"));
}

#[test]
fn the_example_with_drawn_heights() {
    let cruise = Cruise::copy_of("examples/marrow-creek").edit(
        "design.yaml",
        "  curve: best\n",
        "  curve: best\n  fill: { draws: 20, seed: 7 }\n",
    );
    let arguments = [
        "compile",
        "design.yaml",
        "--sources-of-error",
        "sources.csv",
    ];
    let run = cruise.run(&arguments);
    assert_eq!(run.status, 0, "{}", run.stderr);
    insta::assert_snapshot!("marrow-creek-drawn", run.stdout);
    insta::assert_snapshot!("marrow-creek-drawn-sources", cruise.read("sources.csv"));
}

/// Records with nothing to fill: draws change nothing.
#[test]
fn without_missing_heights_nothing_is_drawn() {
    let mut design = with_volume(vec![fixed(0.05)]);
    let mut plots = plots(&design, 4, 8);
    for tree in plots.iter_mut().flat_map(|p| &mut p.visits[0].trees) {
        let height_m = mean_height_m(tree.dbh_cm);
        tree.height = HeightRecord::Measured { height_m };
    }
    let records = one_stand(plots);
    let knowledge = knowledge();
    let by_means = total_volume(&compile(&design, &records, &knowledge).unwrap());
    design.heights.fill = drawn(20, 1);
    let by_draws = total_volume(&compile(&design, &records, &knowledge).unwrap());
    assert_eq!(by_means.estimate, by_draws.estimate);
    assert_eq!(by_means.with_total(), by_draws.with_total());
    let imputation = by_draws.imputation.unwrap();
    assert!(imputation.part().variance.abs() < 1e-300 && imputation.known == 0);
}
