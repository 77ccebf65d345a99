//! Beyond what a number can be: refused, with the value seen and what would be right.

use super::{Edge, VOLUME, fixed, sweep};

const TREE: (usize, &str, f64, Option<f64>) = (1, "Fd", 30.0, Some(20.0));

/// One tree on one plot.
fn one(edge: Edge) -> Edge {
    edge.plots(1).trees(&[TREE])
}

/// What is divided by has a least size: by a dbh of 1e-200 cm a tree stood for more trees than
/// numbers can say, and every format showed it.
#[test]
fn sizes_of_next_to_nothing() {
    let dbh = |dbh_cm: &str| {
        let row = format!("plot,tree,species,dbh_cm,status\n1,1,Fd,{dbh_cm},live\n");
        sweep("4", false).plots(1).tree_file(&row)
    };
    let part = |share: &str| {
        fixed("area_ha: 0.02")
            .plot_file(&format!("plot,plot_fraction\n1,{share}\n"))
            .trees(&[TREE])
    };
    let stand = |area: &str| one(fixed("area_ha: 0.02")).stand_file(&format!("area_ha\n{area}\n"));
    let class = |width: &str| {
        one(fixed("area_ha: 0.02").and(&format!("tables: {{dbh_class_cm: {width}}}\n")))
    };
    for tiny in ["1e-9", "1e-200", "1e-320"] {
        let seen: f64 = tiny.parse().unwrap();
        for (edge, error) in [
            (
                dbh(tiny),
                format!(
                    "trees.csv:2:8: error: `dbh_cm` is not possible (`{tiny}`); it must be from 0.01 to 1500 cm [out-of-range]"
                ),
            ),
            (
                part(tiny),
                format!(
                    "plots.csv:2:3: error: `plot_fraction` is not possible (`{tiny}`); it must be from 0.001 to 1 [out-of-range]"
                ),
            ),
            (
                stand(tiny),
                format!(
                    "stands.csv:2:1: error: `area_ha` is not possible (`{tiny}`); it must be from 0.0001 to 10000000 ha [out-of-range]"
                ),
            ),
            (
                one(fixed(&format!("area_ha: {tiny}"))),
                format!(
                    "design.yaml:4:39: error: `area_ha` is not possible (`{seen}`); it must be from 0.000001 to 100 ha [out-of-range]"
                ),
            ),
            (
                one(fixed(&format!("radius_m: {tiny}"))),
                format!(
                    "design.yaml:4:40: error: `radius_m` is not possible (`{seen}`); it must be from 0.1 to 200 m [out-of-range]"
                ),
            ),
            (
                one(sweep(tiny, false)),
                format!(
                    "design.yaml:4:46: error: `baf_m2_per_ha` is not possible (`{seen}`); it must be from 0.001 to 100 m2/ha [out-of-range]"
                ),
            ),
            (
                class(tiny),
                format!(
                    "design.yaml:5:24: error: `dbh_class_cm` is not possible (`{seen}`); it must be from 0.1 to 100 cm [out-of-range]"
                ),
            ),
        ] {
            edge.is_refused(&error);
        }
    }
}

#[test]
fn sizes_beyond_all_forests() {
    let tree = |dbh_cm: f64, height_m: f64| {
        fixed("area_ha: 0.02")
            .plots(1)
            .trees(&[(1, "Fd", dbh_cm, Some(height_m))])
    };
    let stand = one(fixed("area_ha: 0.02")).stand_file("area_ha\n1e9\n");
    let slope = |pct: &str| {
        let edge = fixed("radius_m: 10, slope_correction: program");
        edge.plot_file(&format!("plot,slope_pct\n1,{pct}\n"))
            .trees(&[TREE])
    };
    for (edge, error) in [
        (
            tree(1501.0, 20.0),
            "trees.csv:2:8: error: `dbh_cm` is not possible (`1501`); it must be from 0.01 to 1500 cm [out-of-range]",
        ),
        (
            tree(30.0, 131.0),
            "trees.csv:2:11: error: `height_m` is not possible (`131`); it must be from 0 to 130 m [out-of-range]",
        ),
        (
            stand,
            "stands.csv:2:1: error: `area_ha` is not possible (`1e9`); it must be from 0.0001 to 10000000 ha [out-of-range]",
        ),
        // An impossible slope is no missing one.
        (
            slope("501"),
            "plots.csv:2:3: error: `slope_pct` is not possible (`501`); it must be from -500 to 500 % [out-of-range]",
        ),
        (
            one(fixed("radius_m: 200.1")),
            "design.yaml:4:40: error: `radius_m` is not possible (`200.1`); it must be from 0.1 to 200 m [out-of-range]",
        ),
        (
            one(sweep("1000", false)),
            "design.yaml:4:46: error: `baf_m2_per_ha` is not possible (`1000`); it must be from 0.001 to 100 m2/ha [out-of-range]",
        ),
    ] {
        edge.is_refused(error);
    }
    let (_, problems) = slope("501").read();
    assert!(problems.iter().all(|found| found.code != "no-slope"));
}

#[test]
fn confidence_beyond_its_ends() {
    let outside = "it must be between 0.5 and 1, both excluded";
    for (confidence, hint) in [
        ("0.5", outside),
        ("1", outside),
        ("0", outside),
        ("95", "it is a share, not percent: write 0.95"),
    ] {
        let edge = fixed("area_ha: 0.02").and(&format!("confidence: {confidence}\n"));
        one(edge).is_refused(&format!(
            "design.yaml:5:13: error: `confidence` is not possible (`{confidence}`); {hint} [out-of-range]"
        ));
    }
}

#[test]
fn heights_at_and_below_breast_height() {
    for height_m in [1.3, 1.29, 0.01] {
        let edge =
            fixed("area_ha: 0.02")
                .and(VOLUME)
                .plots(1)
                .trees(&[(1, "Fd", 3.0, Some(height_m))]);
        edge.is_refused(&format!(
            "trees.csv:2:10: error: a height of {height_m:.2} m does not reach breast height (1.3 m), but the tree has a \
             dbh; is it a slip, or a stump? [below-breast-height]"
        ));
    }
}

#[test]
fn sights_beyond_a_tree() {
    let head = "plot,tree,species,dbh_cm,status,top_deg,base_deg,distance_m\n";
    let sight = |row: &str| {
        fixed("area_ha: 0.02")
            .plots(1)
            .tree_file(&format!("{head}1,1,Fd,30,live,{row}\n"))
    };
    for (row, error) in [
        (
            "90,-5,10",
            "trees.csv:2:16: error: `top_deg` is not possible (`90`); it must be between -90 and 90 degrees, both excluded [out-of-range]",
        ),
        (
            "45,-5,0.01",
            "trees.csv:2:16: error: a height of 0.01 m does not reach breast height (1.3 m), but the tree has a dbh; is it a slip, or a stump? [below-breast-height]",
        ),
        (
            "89.9,-5,20",
            "trees.csv:2:16: error: the readings give a height of 11460.9 m; the sight to the top must be above the sight to the base; below the horizon readings are negative [bad-reading]",
        ),
    ] {
        let edge = sight(row);
        edge.is_refused(error);
        // What is refused for its height is not spoken of as a height.
        let (_, problems) = edge.read();
        assert!(
            problems
                .iter()
                .all(|found| !["steep-sight", "short-baseline"].contains(&found.code))
        );
    }
}

#[test]
fn decay_classes_beyond_their_ends() {
    for class in ["0", "6", "-1", "1.5"] {
        let edge = fixed("area_ha: 0.02").plots(1);
        let edge = edge.tree_file(&format!(
            "plot,tree,species,dbh_cm,status,decay_class\n1,1,Fd,30,dead,{class}\n"
        ));
        edge.is_refused(&format!(
            "trees.csv:2:16: error: there is no decay class `{class}`; the decay classes are 1, 2, 3, 4, 5; list others \
             in `decay_classes` of the design [unknown-decay-class]"
        ));
    }
}

#[test]
fn an_unknown_code_of_200_letters() {
    let long = "X".repeat(200);
    let edge = fixed("area_ha: 0.02")
        .plots(1)
        .trees(&[(1, long.as_str(), 30.0, None)]);
    let errors = edge.refused();
    assert!(
        errors[0].contains("no species is known as `XXXX"),
        "{errors:?}"
    );
    assert!(errors[0].chars().count() < 250, "{errors:?}");
}
