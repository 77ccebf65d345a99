//! Planning: printed numbers of plots, allocations, plot radius factors; and what must hold for
//! any strata.

use proptest::prelude::*;
use spinney::estimates::plots_needed;
use spinney::math::t;
use spinney::planning::allocation::{
    Allocation, Rule, Stratum, allocate, plots_for_variance, shares,
};
use spinney::planning::counting::{Expected as Counts, measuring, trees_per_point};
use spinney::planning::gauge::{
    MeasuredTo, angle_deg, limiting_distance_m, radius_factor_m_per_cm, slope_distance_m,
    trees_per_ha,
};
use spinney::planning::size::{Class, Expected, radius_m};
use spinney::planning::{Goal, Unmet};
use spinney::units::{CM_PER_IN, HA_PER_AC, M_PER_FT, M2_PER_HA_PER_FT2_PER_AC};

fn stratum(size: f64, std_dev: f64, units: Option<f64>, cost: Option<f64>) -> Stratum {
    Stratum {
        name: String::new(),
        size,
        std_dev,
        units,
        cost,
    }
}

/// Plots for a coefficient of variation, everything in percent.
fn needed(cv_pct: f64, error_pct: f64, confidence: f64, units: Option<f64>) -> usize {
    let forest = [stratum(1.0, cv_pct, units, None)];
    let goal = Goal::HalfWidth(error_pct);
    let found = allocate(&forest, Rule::Neyman, goal, confidence).unwrap();
    found.total()
}

/// Compares ours, written with the digits of the printed value, or within a tolerance where that
/// carries a slip or a rounded factor of its own.
fn check(source: &str, what: &str, printed: &str, tolerance: Option<f64>, ours: f64) {
    let value: f64 = printed.parse().unwrap();
    let decimals = printed.split_once('.').map_or(0, |(_, d)| d.len());
    let agrees = match tolerance {
        Some(tolerance) => (ours - value).abs() <= tolerance,
        None => format!("{ours:.decimals$}") == printed,
    };
    println!("{what:<48} {printed:>10} {ours:>14.6}   {source}");
    assert!(agrees, "{source}: {what} is {ours}, printed {printed}");
}

const FREESE: &str = "Freese 1962, USDA Agric. Handb. 232";
const CORRIN: &str = "Corrin, about 1998, Big BAF";
const OURS: &str = "computed apart from this program";

#[test]
fn plots_for_a_coefficient_of_variation() {
    // The units of Freese's simple random sample: CV 34.3185543 %.
    let rows = [
        (FREESE, 34.318_554_3, 10.0, 0.95, None, "48"),
        (FREESE, 34.318_554_3, 10.0, 0.95, Some(100.0), "33"),
        (CORRIN, 40.0, 15.0, 0.95, None, "30"),
        (OURS, 40.0, 10.0, 0.95, None, "64"),
        (OURS, 40.0, 10.0, 0.9, None, "46"),
        (OURS, 30.0, 10.0, 0.95, None, "38"),
        (OURS, 50.0, 20.0, 0.9, None, "19"),
        (OURS, 60.0, 10.0, 0.95, None, "141"),
        (OURS, 25.0, 5.0, 0.95, None, "99"),
        (OURS, 40.0, 10.0, 0.95, Some(200.0), "49"),
    ];
    for (source, cv, error, confidence, units, printed) in rows {
        let what = format!("CV {cv} %, error {error} %, {confidence}, N {units:?}");
        let ours = needed(cv, error, confidence, units) as f64;
        check(source, &what, printed, None, ours);
        let iterated = plots_needed(cv, error, confidence, units).unwrap() as f64;
        check(source, &what, printed, None, iterated);
    }
}

/// The fewest plots, where iterating t might swing between 2 and many.
#[test]
fn few_plots_do_where_the_spread_is_small() {
    assert_eq!(needed(10.0, 20.0, 0.95, None), 4);
    let half_width = |n: f64| t::quantile(0.975, n - 1.0).unwrap() * 10.0 / n.sqrt();
    assert!(half_width(3.0) > 20.0 && half_width(4.0) <= 20.0);
}

/// Timber types of Freese's stratified sample: units and variances as printed.
fn timber_types() -> Vec<Stratum> {
    [
        (1350.0, 8_111.111_111),
        (700.0, 15_556.666_67),
        (450.0, 12_204.444_44),
    ]
    .map(|(units, s2): (f64, f64)| stratum(units, s2.sqrt(), Some(units), None))
    .into()
}

#[test]
fn allocation_of_freese() {
    let strata = timber_types();
    let plots = |rule| {
        allocate(&strata, rule, Goal::Plots(78), 0.95)
            .unwrap()
            .plots
    };
    let proportional = plots(Rule::Proportional);
    let exact = shares(&strata, Rule::Neyman);
    for (h, (printed, neyman)) in [("42", "36.6718"), ("22", "26.3338"), ("14", "14.9944")]
        .into_iter()
        .enumerate()
    {
        let what = format!("78 units, stratum {h}, proportional");
        check(FREESE, &what, printed, None, proportional[h] as f64);
        let what = format!("78 units, stratum {h}, Neyman");
        check(OURS, &what, neyman, None, 78.0 * exact[h]);
    }
    assert_eq!(plots(Rule::Neyman), [37, 26, 15]);
}

/// Households, standard deviations and costs of three strata.
fn counties() -> Vec<Stratum> {
    [(155.0, 5.0, 9.0), (62.0, 15.0, 9.0), (93.0, 10.0, 16.0)]
        .map(|(units, std_dev, cost)| stratum(units, std_dev, Some(units), Some(cost)))
        .into()
}

#[test]
fn allocation_with_costs() {
    let source = "Scheaffer, Mendenhall & Ott, Elementary Survey Sampling (from memory)";
    let strata = counties();
    let fractions = shares(&strata, Rule::CostOptimum);
    for (h, printed) in ["0.32", "0.39", "0.29"].into_iter().enumerate() {
        check(
            source,
            &format!("fraction of stratum {h}"),
            printed,
            None,
            fractions[h],
        );
    }
    let rows = [
        (source, Rule::CostOptimum, "57.42", 58),
        // Printed 56.34; the exact value is 56.3459.
        (source, Rule::Neyman, "56.34", 57),
        // Rounded to 34, 14 and 20 the plots happen to suit: a variance of 0.9944, by hand.
        (OURS, Rule::Proportional, "68.24", 68),
    ];
    for (source, rule, printed, whole) in rows {
        let n = plots_for_variance(&strata, rule, 1.0);
        let slip = (printed == "56.34").then_some(0.006);
        check(
            source,
            &format!("n for a variance of 1, {rule:?}"),
            printed,
            slip,
            n,
        );
        // The half-width that a variance of 1 has with that many.
        let wanted = t::quantile(0.975, whole as f64 - 3.0).unwrap();
        let found = allocate(&strata, rule, Goal::HalfWidth(wanted), 0.95).unwrap();
        assert_eq!(found.total(), whole, "{rule:?}");
    }
    let found = allocate(&strata, Rule::CostOptimum, Goal::Budget(500.0), 0.95).unwrap();
    check(
        source,
        "n for a budget of 500",
        "45",
        None,
        found.total() as f64,
    );
    assert!(found.cost.unwrap() <= 500.0);
}

#[test]
fn what_cannot_be_met() {
    let strata = counties();
    let of = |goal| allocate(&strata, Rule::CostOptimum, goal, 0.95).unwrap_err();
    assert_eq!(of(Goal::Plots(5)), Unmet::FewerThanTwoEach { plots: 6 });
    assert_eq!(of(Goal::Plots(311)), Unmet::NotEnoughUnits { units: 310 });
    assert_eq!(of(Goal::Budget(67.0)), Unmet::BudgetTooSmall { cost: 68.0 });
    let endless = [stratum(1.0, 50.0, None, None)];
    let of = |goal| allocate(&endless, Rule::Neyman, goal, 0.95).unwrap_err();
    assert_eq!(of(Goal::HalfWidth(0.001)), Unmet::TooManyPlots);
    assert_eq!(of(Goal::Budget(10.0)), Unmet::NoCosts);
    // Every unit in the sample leaves no error, so a finite population meets any.
    let all = allocate(&strata, Rule::Neyman, Goal::HalfWidth(1e-9), 0.95).unwrap();
    assert_eq!((all.total(), all.half_width.to_bits()), (310, 0));
}

const WENRICH: &str = "Wenrich, about 1999, Point sampling - crunching the numbers";
const SLIDES: &str = "university lecture slides, Point sampling, pages 10-12";
const TABLES: &str = "widely tabulated face-of-tree factors";
const ILES: &str = "Iles, Bell & Associates newsletter";

fn baf(ft2_per_ac: f64) -> f64 {
    ft2_per_ac * M2_PER_HA_PER_FT2_PER_AC
}

#[test]
fn tree_factors_of_a_gauge() {
    // The entry of 8 in, 28.66, is a slip of the source: 28.648.
    let rows = [
        (4.0, "114.59"),
        (6.0, "50.93"),
        (8.0, "28.66"),
        (10.0, "18.33"),
        (12.0, "12.73"),
        (14.0, "9.35"),
        (16.0, "7.16"),
        (18.0, "5.66"),
        (20.0, "4.58"),
        (22.0, "3.79"),
        (24.0, "3.18"),
        (26.0, "2.71"),
    ];
    for (dbh_in, printed) in rows {
        let ours = trees_per_ha(baf(10.0), dbh_in * CM_PER_IN) * HA_PER_AC;
        let slip = (printed == "28.66").then_some(0.0125);
        check(
            WENRICH,
            &format!("trees/acre, BAF 10, {dbh_in} in"),
            printed,
            slip,
            ours,
        );
    }
    let ours = trees_per_ha(baf(20.0), 12.0 * CM_PER_IN) * HA_PER_AC;
    // Printed from the plot radius factor rounded to 1.944; exact 25.4648.
    check(
        SLIDES,
        "trees/acre, BAF 20, 12 in",
        "25.479",
        Some(0.015),
        ours,
    );
}

#[test]
fn plot_radius_factors_and_limiting_distances() {
    let per_in = CM_PER_IN / M_PER_FT;
    let factors = [
        (SLIDES, 10.0, MeasuredTo::Centre, "2.75", None),
        // Printed cut off: 1.94454.
        (SLIDES, 20.0, MeasuredTo::Centre, "1.944", Some(0.0006)),
        (ILES, 40.0, MeasuredTo::Centre, "1.375", None),
        (ILES, 40.0, MeasuredTo::Face, "1.3333", None),
        (TABLES, 10.0, MeasuredTo::Face, "2.708", None),
        // The next three printed cut off: 2.2037, 1.9029, 1.6976.
        (TABLES, 15.0, MeasuredTo::Face, "2.203", Some(0.001)),
        (TABLES, 20.0, MeasuredTo::Face, "1.902", Some(0.001)),
        (TABLES, 25.0, MeasuredTo::Face, "1.697", Some(0.001)),
    ];
    for (source, factor, to, printed, slip) in factors {
        let ours = radius_factor_m_per_cm(baf(factor), to) * per_in;
        // Printed factors use sqrt(43560 / 576) = 8.69626; to the exact foot they are the same.
        check(
            source,
            &format!("plot radius factor, BAF {factor}, {to:?}"),
            printed,
            slip,
            ours,
        );
    }
    let powell = "Powell 2014, Umatilla NF, F14-SO-WP-SILV-44";
    let distances = [
        (SLIDES, 10.0, 12.0, "33", None),
        (SLIDES, 20.0, 12.0, "23.3", None),
        (powell, 20.0, 20.3, "39.5", None),
    ];
    for (source, factor, dbh_in, printed, slip) in distances {
        let metres = limiting_distance_m(baf(factor), dbh_in * CM_PER_IN, MeasuredTo::Centre);
        let what = format!("limiting distance ft, BAF {factor}, {dbh_in} in");
        check(source, &what, printed, slip, metres / M_PER_FT);
    }
    // Area of the circle of a 12 in tree, from the rounded factor; exact 0.039270.
    let metres = limiting_distance_m(baf(20.0), 12.0 * CM_PER_IN, MeasuredTo::Centre);
    let acres = std::f64::consts::PI * metres * metres / 10_000.0 / HA_PER_AC;
    check(
        SLIDES,
        "acres of a 12 in tree, BAF 20",
        "0.039248",
        Some(2.3e-5),
        acres,
    );
    let radius = radius_m(HA_PER_AC / 5.0) / M_PER_FT;
    check(
        "University of Kentucky slides",
        "radius ft, 1/5 acre",
        "52.7",
        None,
        radius,
    );
}

#[test]
fn angles_and_slopes() {
    // Computed apart: 2 asin(sqrt(F / 10000)).
    check(
        OURS,
        "angle, 1 m2/ha",
        "1.145935",
        None,
        angle_deg(1.0).unwrap(),
    );
    check(
        OURS,
        "angle, BAF 20",
        "2.455596",
        None,
        angle_deg(baf(20.0)).unwrap(),
    );
    assert_eq!(angle_deg(10_000.0), None);
    // 3-4-5: along a slope of 75 % ten metres on the map are 12.5.
    check(
        "geometry",
        "slope distance",
        "12.5000",
        None,
        slope_distance_m(10.0, 75.0),
    );
}

#[test]
fn size_for_a_wanted_number_of_trees() {
    let expected = Expected {
        classes: vec![
            Class {
                dbh_cm: 20.0,
                trees_per_ha: 300.0,
            },
            Class {
                dbh_cm: 40.0,
                trees_per_ha: 100.0,
            },
            Class {
                dbh_cm: 60.0,
                trees_per_ha: 0.0,
            },
        ],
    };
    // By hand: G = pi/4 (300 x 0.04 + 100 x 0.16) = 7 pi; Q = sqrt(40000 x 7 / 400).
    let basal_area = 7.0 * std::f64::consts::PI;
    assert!((expected.basal_area_m2_per_ha() - basal_area).abs() < 1e-12);
    assert!((expected.quadratic_mean_dbh_cm() - 700.0_f64.sqrt()).abs() < 1e-12);
    assert!((expected.plot_area_ha(8.0) - 0.02).abs() < 1e-15);
    assert!((expected.baf_m2_per_ha(7.0) - std::f64::consts::PI).abs() < 1e-12);
    assert!((expected.largest_dbh_cm() - 40.0).abs() < 1e-12);
}

#[test]
fn counting_and_measuring() {
    // By hand: 0.36 x sqrt 4 trees per point; 25 points and 18 trees.
    let ratio = trees_per_point(50.0, 18.0, 12.0, 3.0);
    assert!((ratio - 0.72).abs() < 1e-12);
    let expected = Counts {
        count_cv_pct: 50.0,
        vbar_cv_pct: 18.0,
        trees_per_point: ratio,
        point_cost: Some(12.0),
        tree_cost: Some(3.0),
    };
    let found = measuring(&expected, Goal::Plots(25), 0.95).unwrap();
    assert_eq!(
        (found.points, found.trees, found.cost),
        (25, 18, Some(354.0))
    );
    assert!((found.volume_error_pct - (100.0_f64 + 18.0).sqrt()).abs() < 1e-12);
    assert!((found.half_width_pct - 2.063_898_562 * found.volume_error_pct).abs() < 1e-7);
    // Standard errors of the counted sweep of Upper Flat Creek (Robinson & Hamann 2010):
    // 5.203197848 % and 1.558468409 % make 17.97541466 of 330.9424774 m3/ha, by Bruce.
    let bruce = Counts {
        count_cv_pct: 5.203_197_848 * 12.0,
        vbar_cv_pct: 1.558_468_409 * 388.0_f64.sqrt(),
        trees_per_point: 388.0 / 144.0,
        point_cost: None,
        tree_cost: None,
    };
    let found = measuring(&bruce, Goal::Plots(144), 0.95).unwrap();
    assert_eq!(found.trees, 388);
    let std_error = found.volume_error_pct / 100.0 * 330.942_477_4;
    check(
        "Robinson & Hamann 2010, recomputed",
        "SE, Bruce",
        "17.97541",
        None,
        std_error,
    );
    // The fewest points, and as many as the money pays for.
    let wanted = measuring(&expected, Goal::HalfWidth(10.0), 0.95).unwrap();
    let fewer = measuring(&expected, Goal::Plots(wanted.points - 1), 0.95).unwrap();
    assert!(wanted.half_width_pct <= 10.0 && fewer.half_width_pct > 10.0);
    let paid = measuring(&expected, Goal::Budget(1000.0), 0.95).unwrap();
    let more = measuring(&expected, Goal::Plots(paid.points + 1), 0.95).unwrap();
    assert!(paid.cost.unwrap() <= 1000.0 && more.cost.unwrap() > 1000.0);
}

/// No other number of trees per point has the same error for less money.
#[test]
fn the_trees_per_point_are_those_of_least_cost() {
    let cost_at = |trees_per_point: f64| {
        // Cost times variance does not depend on the number of points.
        (12.0 + 3.0 * trees_per_point) * (50.0_f64.powi(2) + 18.0_f64.powi(2) / trees_per_point)
    };
    let best = trees_per_point(50.0, 18.0, 12.0, 3.0);
    for other in [0.1, 0.5, 0.7, 0.74, 1.0, 3.0] {
        assert!(cost_at(best) <= cost_at(other), "{other}");
    }
}

fn any_strata() -> impl Strategy<Value = Vec<Stratum>> {
    let one = (
        0.1..500.0_f64,
        prop_oneof![1 => Just(0.0), 9 => 0.5..300.0_f64],
        proptest::option::of(2.0..400.0_f64),
        0.5..50.0_f64,
    );
    proptest::collection::vec(one, 1..6).prop_map(|strata| {
        strata
            .into_iter()
            .map(|(size, std_dev, units, cost)| stratum(size, std_dev, units, Some(cost)))
            .collect()
    })
}

fn plots(strata: &[Stratum], rule: Rule, plots: usize) -> Option<Allocation> {
    allocate(strata, rule, Goal::Plots(plots), 0.95).ok()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 128, ..ProptestConfig::default() })]

    #[test]
    fn more_plots_never_have_a_larger_error(strata in any_strata(), extra in 0usize..60) {
        for rule in Rule::ALL {
            let few = plots(&strata, rule, 2 * strata.len() + extra);
            let more = plots(&strata, rule, 2 * strata.len() + extra + 1);
            let (Some(few), Some(more)) = (few, more) else { continue };
            prop_assert!(more.half_width <= few.half_width, "{rule:?}");
            prop_assert!(few.plots.iter().zip(&more.plots).all(|(few, more)| few <= more));
            prop_assert!(few.plots.iter().all(|plots| *plots >= 2));
            for (stratum, plots) in strata.iter().zip(&more.plots) {
                prop_assert!(stratum.units.is_none_or(|units| *plots as f64 <= units));
            }
        }
    }

    #[test]
    fn neyman_never_has_more_than_proportional(
        strata in any_strata(),
        extra in 0usize..60,
        wanted in 1.0..100.0_f64,
    ) {
        let n = 2 * strata.len() + extra;
        let both = plots(&strata, Rule::Neyman, n).zip(plots(&strata, Rule::Proportional, n));
        if let Some((neyman, proportional)) = both {
            prop_assert!(neyman.half_width <= proportional.half_width * (1.0 + 1e-12));
        }
        let goal = Goal::HalfWidth(wanted);
        let neyman = allocate(&strata, Rule::Neyman, goal, 0.95).unwrap();
        let proportional = allocate(&strata, Rule::Proportional, goal, 0.95).unwrap();
        prop_assert!(neyman.total() <= proportional.total());
        prop_assert!(neyman.half_width_satterthwaite >= neyman.half_width * (1.0 - 1e-12));
    }

    #[test]
    fn the_fewest_plots_are_the_fewest(strata in any_strata(), wanted in 1.0..100.0_f64) {
        for rule in Rule::ALL {
            let found = allocate(&strata, rule, Goal::HalfWidth(wanted), 0.95).unwrap();
            let units: Option<f64> = strata.iter().map(|s| s.units.map(f64::floor)).sum();
            let is_census = units.is_some_and(|units| found.total() as f64 >= units);
            prop_assert!(found.half_width <= wanted || is_census);
            if found.total() > 2 * strata.len() {
                let fewer = plots(&strata, rule, found.total() - 1).unwrap();
                prop_assert!(fewer.half_width > wanted);
            }
        }
    }

    #[test]
    fn a_budget_is_kept_and_used_up(strata in any_strata(), budget in 10.0..3000.0_f64) {
        for rule in Rule::ALL {
            let Ok(found) = allocate(&strata, rule, Goal::Budget(budget), 0.95) else { continue };
            prop_assert!(found.cost.unwrap() <= budget);
            if let Some(more) = plots(&strata, rule, found.total() + 1) {
                prop_assert!(more.cost.unwrap() > budget);
            }
        }
    }

    /// Both ways to a number of plots agree where the error wanted is no larger than the spread.
    #[test]
    fn the_fewest_plots_are_those_of_the_iteration(cv in 10.0..150.0_f64, share in 0.05..1.0_f64) {
        let error = cv * share;
        let ours = needed(cv, error, 0.95, None);
        prop_assert_eq!(Some(ours), plots_needed(cv, error, 0.95, None));
    }
}
