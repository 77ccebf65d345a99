//! The national-scale system of the United States against the worked examples of its publication
//! and further trees computed by another implementation; citation in
//! `tests/check-values/national-scale-2024/case.yaml`.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use proptest::prelude::*;
use spinney::design::Fallback;
use spinney::read::tables::Tables;
use spinney::species::choose::{Missing, Wanted};
use spinney::species::national::NationalEquations;
use spinney::species::wood::WoodProperties;
use spinney::stems::biomass::TreeBiomass;
use spinney::stems::national::{NationalFigures, NationalTree, national_biomass, national_figures};

use crate::answers::{case_file, rows};
use crate::volumes::{SPECIES, id, set};

const CASE: &str = "national-scale-2024";
const CM_PER_IN: f64 = 2.54;
const M_PER_FT: f64 = 0.3048;

static WOOD: LazyLock<WoodProperties> =
    LazyLock::new(
        || match Tables::builtin().wood_properties("us-national-2024", &SPECIES) {
            Ok(wood) => wood,
            Err(problems) => panic!("{problems:#?}"),
        },
    );

fn equations(
    species: &str,
    division: Option<&str>,
    planted: bool,
) -> Result<NationalEquations, Missing> {
    let set = set("us-national-2024");
    let wanted = Wanted {
        region: division,
        fallback: Fallback::None,
        merchantable: None,
        planted,
    };
    let chosen = set.choose(id(species), &wanted, &SPECIES)?;
    set.national_equations(&chosen, &wanted, &WOOD, &SPECIES)
}

fn figures(equations: &NationalEquations, tree: &NationalTree) -> Result<NationalFigures, Missing> {
    national_figures(set("us-national-2024"), equations, &WOOD, tree)
}

fn biomass(equations: &NationalEquations, tree: &NationalTree) -> TreeBiomass {
    national_biomass(set("us-national-2024"), equations, &WOOD, tree).unwrap()
}

/// A sound live tree.
fn sound(dbh_in: f64, height_ft: f64) -> NationalTree<'static> {
    NationalTree {
        dbh_cm: dbh_in * CM_PER_IN,
        height_m: height_ft * M_PER_FT,
        broken_height_m: None,
        cull_pct: 0.0,
        decay_class: None,
        crown_ratio_pct: None,
        province: None,
    }
}

fn terms(figures: &NationalFigures) -> BTreeMap<String, f64> {
    let terms = figures.terms();
    let count = terms.len();
    let named: BTreeMap<String, f64> = terms.into_iter().map(|t| (t.name, t.value)).collect();
    assert_eq!(named.len(), count, "two figures share a name");
    named
}

fn number(row: &BTreeMap<String, String>, column: &str) -> Option<f64> {
    Some(row[column].as_str())
        .filter(|text| !text.is_empty())
        .map(|text| text.parse().unwrap())
}

fn text<'r>(row: &'r BTreeMap<String, String>, column: &str) -> Option<&'r str> {
    Some(row[column].as_str()).filter(|text| !text.is_empty())
}

/// Example number and every figure of it.
fn examples() -> Vec<(String, BTreeMap<String, f64>)> {
    let trees = rows(&case_file(CASE, "trees.csv"));
    let figures_of = |row: &BTreeMap<String, String>| {
        let equations = equations(&row["species"], text(row, "division"), false).unwrap();
        let tree = NationalTree {
            broken_height_m: number(row, "broken_height_ft").map(|ft| ft * M_PER_FT),
            cull_pct: number(row, "cull_pct").unwrap(),
            decay_class: text(row, "decay_class").map(|class| class.parse().unwrap()),
            crown_ratio_pct: number(row, "crown_ratio_pct"),
            province: text(row, "province"),
            ..sound(
                number(row, "dbh_in").unwrap(),
                number(row, "height_ft").unwrap(),
            )
        };
        (
            row["example"].clone(),
            terms(&figures(&equations, &tree).unwrap()),
        )
    };
    trees.iter().map(figures_of).collect()
}

#[test]
fn every_figure_of_the_worked_examples_is_met() {
    let ours: BTreeMap<String, BTreeMap<String, f64>> = examples().into_iter().collect();
    let printed = rows(&case_file(CASE, "worked-examples.csv"));
    let (mut exact, mut worst) = (0, BTreeMap::new());
    for row in &printed {
        let quantity = row["quantity"].as_str();
        let value = number(row, "value").unwrap();
        let tolerance = number(row, "tolerance").unwrap();
        let ours = ours[&row["example"]][quantity];
        let difference = if value.abs() > 0.0 {
            (ours / value - 1.0).abs()
        } else {
            ours.abs()
        };
        assert!(
            difference <= tolerance,
            "example {}, {quantity}: printed {value}, ours {ours}, relative {difference:.1e}",
            row["example"]
        );
        exact += usize::from(tolerance < 1e-8);
        let most: &mut f64 = worst.entry(row["tolerance"].clone()).or_default();
        *most = most.max(difference);
    }
    println!(
        "national-scale worked examples: {} values, worst by tolerance {worst:?}",
        printed.len()
    );
    assert_eq!((printed.len(), exact), (207, 141));
}

#[test]
fn further_trees_are_met_to_the_printed_digits() {
    let trees = rows(&case_file(CASE, "extra.csv"));
    let mut compared = 0;
    for row in &trees {
        let planted = row["origin"] == "planted";
        let equations = equations(&row["species"], text(row, "division"), planted).unwrap();
        let tree = sound(
            number(row, "dbh_in").unwrap(),
            number(row, "height_ft").unwrap(),
        );
        let ours = terms(&figures(&equations, &tree).unwrap());
        let columns = row.keys().filter(|column| {
            let inputs = ["species", "dbh_in", "height_ft", "division", "origin"];
            !inputs.contains(&column.as_str())
        });
        for quantity in columns {
            let Some(printed) = text(row, quantity) else {
                assert!(!ours.contains_key(quantity), "{row:?}: {quantity}");
                continue;
            };
            let digits = printed
                .split_once('.')
                .map_or(0, |(_, decimals)| decimals.len());
            assert_eq!(
                format!("{:.digits$}", ours[quantity]),
                *printed,
                "{row:?}: {quantity}"
            );
            compared += 1;
        }
    }
    assert_eq!((trees.len(), compared), (34, 420));
}

#[test]
fn what_is_missing_is_told() {
    let fir = equations("202", Some("240"), false).unwrap();
    let broken = NationalTree {
        broken_height_m: Some(20.0),
        ..sound(20.0, 110.0)
    };
    let told = |tree: &NationalTree| figures(&fir, tree).unwrap_err();
    let missing = told(&broken);
    assert!(
        missing
            .message
            .contains("live broken tree needs its crown ratio"),
        "{missing:?}"
    );
    assert!(missing.hint.contains("crown_ratio_pct"), "{missing:?}");
    let dead = NationalTree {
        decay_class: Some(2),
        ..broken
    };
    assert!(told(&dead).hint.contains("province: M242"));
    let elsewhere = NationalTree {
        province: Some("M999"),
        ..dead
    };
    let missing = told(&elsewhere);
    assert!(
        missing
            .message
            .contains("no crown ratio of softwoods in province `M999`"),
        "{missing:?}"
    );
    assert!(missing.hint.contains("M242"), "{missing:?}");
    let sixth = NationalTree {
        decay_class: Some(6),
        ..sound(20.0, 110.0)
    };
    assert!(told(&sixth).message.contains("decay class 6 for softwoods"));
    // Trees of the woodlands, measured at the root collar, have no equations; of a few cultivated
    // species the wood was never weighed.
    assert!(equations("66", Some("M310"), false).is_err());
    let missing = equations("5164", None, false).unwrap_err();
    assert!(
        missing
            .message
            .contains("give no specific gravity of wood for bottlebrush buckeye"),
        "{missing:?}"
    );
    // A break at or above the tip is none.
    let whole = NationalTree {
        broken_height_m: Some(110.0 * M_PER_FT),
        ..sound(20.0, 110.0)
    };
    assert_eq!(
        figures(&fir, &whole).unwrap(),
        figures(&fir, &sound(20.0, 110.0)).unwrap()
    );
}

#[test]
fn rows_for_planted_stands_serve_planted_stands_only() {
    let natural = equations("131", Some("230"), false).unwrap();
    let planted = equations("131", Some("230"), true).unwrap();
    assert_ne!(natural.wood, planted.wood);
    assert_ne!(natural.branch_mass, planted.branch_mass);
    // Other species have none: the same rows.
    assert_eq!(
        equations("202", Some("240"), true).unwrap(),
        equations("202", Some("240"), false).unwrap()
    );
}

fn any_tree() -> impl Strategy<Value = (NationalEquations, NationalTree<'static>)> {
    let species = prop::sample::select(vec!["202", "316", "631", "802", "131", "12", "746", "64"]);
    let sizes = (1.0_f64..40.0, 0.5_f64..1.6, prop::option::of(0.05_f64..1.0));
    let state = (0.0_f64..100.0, prop::option::of(1_u8..=5), 1.0_f64..100.0);
    (species, sizes, state).prop_map(
        |(species, (dbh_in, slender, broken), (cull_pct, decay_class, crown))| {
            let height_ft = 10.0 + 4.0 * slender * dbh_in;
            let tree = NationalTree {
                broken_height_m: broken.map(|share| share * height_ft * M_PER_FT),
                cull_pct,
                decay_class,
                crown_ratio_pct: Some(crown),
                province: Some("M242"),
                ..sound(dbh_in, height_ft)
            };
            (equations(species, None, false).unwrap(), tree)
        },
    )
}

proptest! {
    #[test]
    fn components_add_to_the_total_and_parts_to_the_whole((equations, tree) in any_tree()) {
        let figures = figures(&equations, &tree).unwrap();
        let total_lb = figures.total_lb;
        prop_assert!(total_lb > 0.0 && total_lb.is_finite());
        prop_assert!((figures.harmonised.sum_lb() / total_lb - 1.0).abs() < 1e-12);
        prop_assert!(figures.carbon_lb > 0.4 * total_lb && figures.carbon_lb < 0.6 * total_lb);
        prop_assert!(figures.reduction <= 1.0 + 1e-12);
        for parts in [figures.stem.gross, figures.stem.standing, figures.stem.sound] {
            let (Some(stump), Some(merchantable), Some(top)) =
                (parts.stump, parts.merchantable, parts.top) else { continue };
            let sum = stump.both() + merchantable.both() + top.both();
            prop_assert!((sum / parts.total.both() - 1.0).abs() < 1e-9);
            prop_assert!(parts.sawlog.is_none_or(|saw| saw.wood <= merchantable.wood * (1.0 + 1e-12)));
        }
        let kg = biomass(&equations, &tree);
        let components = [kg.wood_kg, kg.bark_kg, kg.branch_kg].map(Option::unwrap);
        prop_assert!((components.iter().sum::<f64>() / kg.total_kg - 1.0).abs() < 1e-12);
        prop_assert_eq!(kg.foliage_kg == Some(0.0), tree.decay_class.is_some() || figures.crown_left <= 0.0);
    }

    /// Cull and a break only ever take away.
    #[test]
    fn damage_never_adds((equations, tree) in any_tree()) {
        let whole = NationalTree { broken_height_m: None, cull_pct: 0.0, ..tree };
        let unculled = NationalTree { cull_pct: 0.0, ..tree };
        let (tree, unculled, whole) = (biomass(&equations, &tree), biomass(&equations, &unculled), biomass(&equations, &whole));
        prop_assert!(tree.total_kg <= unculled.total_kg * (1.0 + 1e-12));
        prop_assert!(unculled.total_kg <= whole.total_kg * (1.0 + 1e-12));
    }
}
