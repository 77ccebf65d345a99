//! Measured heights of real forests.

use std::path::Path;

use crate::random::Random;

/// A tree with its height.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Measured {
    pub(crate) dbh_cm: f64,
    pub(crate) height_m: f64,
}

/// The heights of one species.
pub(crate) struct Stock {
    pub(crate) name: &'static str,
    pub(crate) breast_height_m: f64,
    pub(crate) trees: Vec<Measured>,
}

const M_PER_FT: f64 = 0.3048;
const CM_PER_IN: f64 = 2.54;

/// Upper Flat Creek by species (Robinson & Hamann 2011), black cherry (Ryan, Joiner & Ryan 1976),
/// Finnish pines of 3 cm and more (Penttinen, Stoyan & Henttonen 1992), sweetgum (with Robinson &
/// Hamann 2011).
pub(crate) fn stocks(folder: &Path) -> Vec<Stock> {
    let ufc = |name, code| {
        let file = "data-upper-flat-creek.csv";
        let rows = rows(
            folder,
            file,
            ["dbh.cm", "height.m"],
            Some(("species", code)),
        );
        stock(name, 1.37, rows, (1.0, 1.0))
    };
    let of =
        |name, bh, file, columns, units| stock(name, bh, rows(folder, file, columns, None), units);
    let feet = (CM_PER_IN, M_PER_FT);
    let mut pines = of(
        "Finnish pines",
        1.3,
        "data-finpines.csv",
        ["diameter_cm", "height_m"],
        (1.0, 1.0),
    );
    pines
        .trees
        .retain(|tree| tree.dbh_cm >= 3.0 && tree.height_m > 1.3);
    vec![
        ufc("grand fir", "GF"),
        ufc("redcedar", "WC"),
        ufc("Douglas-fir", "DF"),
        ufc("larch", "WL"),
        of(
            "black cherry",
            1.3716,
            "data-black-cherry.csv",
            ["diameter_in", "height_ft"],
            feet,
        ),
        of(
            "sweetgum",
            1.3716,
            "data-sweetgum.csv",
            ["dbh_in", "height_ft"],
            feet,
        ),
        pines,
    ]
}

fn stock(
    name: &'static str,
    breast_height_m: f64,
    rows: Vec<(f64, f64)>,
    (cm, m): (f64, f64),
) -> Stock {
    let tree = |(dbh, height)| Measured {
        dbh_cm: dbh * cm,
        height_m: height * m,
    };
    Stock {
        name,
        breast_height_m,
        trees: rows.into_iter().map(tree).collect(),
    }
}

fn rows(
    folder: &Path,
    file: &str,
    [dbh, height]: [&str; 2],
    only: Option<(&str, &str)>,
) -> Vec<(f64, f64)> {
    let mut reader = csv::Reader::from_path(folder.join(file)).unwrap_or_else(|e| panic!("{e}"));
    let heads = reader.headers().cloned().unwrap_or_default();
    let column = |name: &str| heads.iter().position(|head| head == name);
    let (dbh, height) = (column(dbh), column(height));
    let only = only.and_then(|(name, value)| Some((column(name)?, value)));
    let row = |record: csv::StringRecord| {
        let number = |at: Option<usize>| record.get(at?)?.parse::<f64>().ok();
        if only.is_some_and(|(at, value)| record.get(at) != Some(value)) {
            return None;
        }
        Some((number(dbh)?, number(height)?))
    };
    reader.records().flatten().filter_map(row).collect()
}

/// Splits trees at random: the first `n` drawn, and the others.
pub(crate) fn split<T: Copy>(trees: &[T], n: usize, random: &mut Random) -> (Vec<T>, Vec<T>) {
    let mut trees = trees.to_vec();
    for at in 0..n.min(trees.len()) {
        let rest = trees.len() - at;
        trees.swap(at, at + (random.unit() * rest as f64) as usize);
    }
    let rest = trees.split_off(n.min(trees.len()));
    (trees, rest)
}
