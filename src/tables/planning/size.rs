//! Plot areas and factors for a wanted number of trees.

use super::named;
use crate::planning::gauge::{MeasuredTo, limiting_distance_m};
use crate::planning::size::{Expected, radius_m};
use crate::tables::tidy::{Tidy, Value};
use crate::tables::{Block, Cell, Column, Report, Table, plain};
use crate::units::{HA_PER_AC, M2_PER_HA_PER_FT2_PER_AC, UnitSystem, basal_area_m2};

/// Where the expected stand comes from.
#[derive(Clone, Debug, PartialEq)]
pub enum From {
    /// A stand table in a file.
    StandTable(String),
    /// Number of trees and mean dbh.
    MeanTree,
}

/// What is asked.
#[derive(Clone, Debug, PartialEq)]
pub struct Asked<'a> {
    /// The stand that is expected.
    pub expected: &'a Expected,
    /// Where it comes from.
    pub from: From,
    /// Trees wanted on a plot.
    pub trees: f64,
    /// Units of the result.
    pub units: UnitSystem,
}

/// Customary plot areas, ha; common practice, no source.
const AREAS_HA: [f64; 10] = [
    0.0025, 0.005, 0.01, 0.02, 0.025, 0.03, 0.04, 0.05, 0.08, 0.1,
];
/// Customary plot areas as parts of an acre; common practice, no source.
const PARTS_OF_ACRE: [f64; 9] = [300.0, 100.0, 50.0, 40.0, 30.0, 20.0, 10.0, 5.0, 4.0];
/// Customary factors, m2/ha; common practice, no source.
const FACTORS_M2_PER_HA: [f64; 12] = [
    1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 16.0,
];
/// Customary factors, ft2/ac; common practice, no source.
const FACTORS_FT2_PER_AC: [f64; 9] = [5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 60.0, 80.0];

/// A customary plot: name, area, trees on it.
struct Plot {
    name: String,
    area_ha: f64,
    trees: f64,
}

/// A customary factor and the trees in its sweep.
struct Gauge {
    baf_m2_per_ha: f64,
    trees: f64,
}

impl Asked<'_> {
    fn plots(&self) -> Vec<Plot> {
        let plot = |name, area_ha| Plot {
            name,
            area_ha,
            trees: self.expected.trees_on_plot(area_ha),
        };
        match self.units {
            UnitSystem::Metric => AREAS_HA.map(|area| plot(plain(area), area)).into(),
            UnitSystem::Imperial => PARTS_OF_ACRE
                .map(|part| plot(format!("1/{part}"), HA_PER_AC / part))
                .into(),
        }
    }

    fn gauges(&self) -> Vec<Gauge> {
        let gauge = |baf_m2_per_ha| Gauge {
            baf_m2_per_ha,
            trees: self.expected.trees_in_sweep(baf_m2_per_ha),
        };
        match self.units {
            UnitSystem::Metric => FACTORS_M2_PER_HA.map(gauge).into(),
            UnitSystem::Imperial => FACTORS_FT2_PER_AC
                .map(|factor| gauge(factor * M2_PER_HA_PER_FT2_PER_AC))
                .into(),
        }
    }

    /// Limiting distance of the largest tree in the unit of the result.
    fn farthest(&self, baf_m2_per_ha: f64) -> f64 {
        let dbh_cm = self.expected.largest_dbh_cm();
        limiting_distance_m(baf_m2_per_ha, dbh_cm, MeasuredTo::Centre)
            * self.units.length().from_metric
    }

    fn shown_radius(&self, area_ha: f64) -> f64 {
        radius_m(area_ha) * self.units.length().from_metric
    }
}

/// Place of the one nearest to the wanted number, by ratio.
fn nearest(trees: &[f64], wanted: f64) -> Option<usize> {
    let off = |trees: f64| (trees / wanted).ln().abs();
    let places = (0..trees.len()).min_by(|a, b| off(trees[*a]).total_cmp(&off(trees[*b])));
    places.filter(|place| trees[*place] > 0.0)
}

fn mark(place: usize, nearest: Option<usize>) -> Cell {
    if nearest == Some(place) {
        Cell::text("nearest")
    } else {
        Cell::Empty
    }
}

/// The report.
pub fn report(asked: &Asked<'_>) -> Report {
    let mut report = Report::new(format!("Plot size for {} trees", plain(asked.trees)));
    report.section(
        "The stand that is expected",
        vec![Block::Lines(stand(asked))],
    );
    let wanted = format!("For {} trees", plain(asked.trees));
    report.section(
        wanted,
        vec![Block::Lines(fitting(asked)), Block::Table(by_class(asked))],
    );
    report.section(
        "Customary plot areas",
        vec![Block::Table(plot_table(asked))],
    );
    report.section("Customary factors", vec![Block::Table(gauge_table(asked))]);
    report.section(
        "What is taken for granted",
        vec![Block::List(granted(asked))],
    );
    report
}

fn stand(asked: &Asked<'_>) -> Vec<String> {
    let (expected, units) = (asked.expected, asked.units);
    let count = units.count_per_area();
    let basal_area = units.basal_area_per_area();
    let diameter = units.diameter();
    let mut lines = vec![
        format!(
            "trees: {:.1} {}",
            expected.trees_per_ha() * count.from_metric,
            count.label
        ),
        format!(
            "basal area: {:.2} {}",
            expected.basal_area_m2_per_ha() * basal_area.from_metric,
            basal_area.label
        ),
        format!(
            "quadratic mean dbh: {:.1} {}",
            expected.quadratic_mean_dbh_cm() * diameter.from_metric,
            diameter.label
        ),
    ];
    if let From::StandTable(file) = &asked.from {
        lines.insert(
            0,
            format!("from {file}, {} dbh classes", expected.classes.len()),
        );
        lines.push(format!(
            "thickest class: {:.1} {}",
            expected.largest_dbh_cm() * diameter.from_metric,
            diameter.label
        ));
    }
    lines
}

fn fitting(asked: &Asked<'_>) -> Vec<String> {
    let (expected, units) = (asked.expected, asked.units);
    let (area, length) = (units.area(), units.length());
    let factor = units.basal_area_per_area();
    let area_ha = expected.plot_area_ha(asked.trees);
    let baf_m2_per_ha = expected.baf_m2_per_ha(asked.trees);
    vec![
        format!(
            "fixed plot: {:.4} {}, radius {:.2} {}",
            area_ha * area.from_metric,
            area.label,
            asked.shown_radius(area_ha),
            length.label
        ),
        format!(
            "angle gauge: basal area factor {:.2} {}, largest limiting distance {:.2} {}",
            baf_m2_per_ha * factor.from_metric,
            factor.label,
            asked.farthest(baf_m2_per_ha),
            length.label
        ),
    ]
}

/// How plot and sweep pick sizes; nothing where there is only a mean tree.
fn by_class(asked: &Asked<'_>) -> Table {
    let (expected, units) = (asked.expected, asked.units);
    let count = units.count_per_area();
    let mut table = Table::new(
        "trees of each class on such a plot and in such a sweep",
        1,
        vec![
            Column::number("dbh", units.diameter().label),
            Column::number("trees", count.label),
            Column::number("on the plot", ""),
            Column::number("in the sweep", ""),
        ],
    );
    if asked.from == From::MeanTree {
        return table;
    }
    let area_ha = expected.plot_area_ha(asked.trees);
    let baf_m2_per_ha = expected.baf_m2_per_ha(asked.trees);
    for class in &expected.classes {
        let class_m2_per_ha = class.trees_per_ha * basal_area_m2(class.dbh_cm);
        table.rows.push(vec![
            Cell::Number(class.dbh_cm * units.diameter().from_metric, 1),
            Cell::Number(class.trees_per_ha * count.from_metric, 1),
            Cell::Number(class.trees_per_ha * area_ha, 2),
            Cell::Number(class_m2_per_ha / baf_m2_per_ha, 2),
        ]);
    }
    table
}

fn plot_table(asked: &Asked<'_>) -> Table {
    let units = asked.units;
    let mut table = Table::new(
        "",
        1,
        vec![
            Column::number("area", units.area().label),
            Column::number("radius", units.length().label),
            Column::number("trees", "expected"),
            Column::words(""),
        ],
    );
    let plots = asked.plots();
    let trees: Vec<f64> = plots.iter().map(|plot| plot.trees).collect();
    let nearest = nearest(&trees, asked.trees);
    for (place, plot) in plots.into_iter().enumerate() {
        table.rows.push(vec![
            Cell::text(plot.name),
            Cell::Number(asked.shown_radius(plot.area_ha), 2),
            Cell::Number(plot.trees, 1),
            mark(place, nearest),
        ]);
    }
    let source =
        "Source: a tree on a plot of a ha stands for 1/a trees per ha, so N a are expected.";
    table.remarks.push(source.to_owned());
    table
}

fn gauge_table(asked: &Asked<'_>) -> Table {
    let units = asked.units;
    let factor = units.basal_area_per_area();
    let mut table = Table::new(
        "",
        1,
        vec![
            Column::number("factor", factor.label),
            Column::number("trees", "expected"),
            Column::number("largest distance", units.length().label),
            Column::words(""),
        ],
    );
    let gauges = asked.gauges();
    let trees: Vec<f64> = gauges.iter().map(|gauge| gauge.trees).collect();
    let nearest = nearest(&trees, asked.trees);
    for (place, gauge) in gauges.into_iter().enumerate() {
        table.rows.push(vec![
            Cell::Number(gauge.baf_m2_per_ha * factor.from_metric, 0),
            Cell::Number(gauge.trees, 1),
            Cell::Number(asked.farthest(gauge.baf_m2_per_ha), 2),
            mark(place, nearest),
        ]);
    }
    let source = "Source: each tree in adds the factor F to the basal area, so G/F are expected; \
                  limiting distance d / (2 sqrt F), to the centre of the thickest tree.";
    table.remarks.push(source.to_owned());
    table
}

fn granted(asked: &Asked<'_>) -> Vec<String> {
    let mut list = vec![
        "How many trees a plot should hold is a matter of custom, 8 for example (common practice, \
         no source)."
            .to_owned(),
        "Figures are means over many plots; single plots hold fewer or more. Radii and distances \
         are horizontal."
            .to_owned(),
        "Customary areas and factors: common practice, no source.".to_owned(),
    ];
    if asked.from == From::MeanTree {
        list.push(
            "All trees are taken at the quadratic mean dbh, so thicker ones stand in from farther \
             than the largest distance shown."
                .to_owned(),
        );
    }
    list
}

/// The rows: what fits exactly, then what is customary.
pub fn rows(asked: &Asked<'_>) -> Tidy<String> {
    let units = asked.units;
    let expected = asked.expected;
    let plot = |choice: &str, area_ha: f64, trees: f64| {
        vec![
            Value::word("fixed-area"),
            Value::word(choice),
            Value::Number(area_ha * units.area().from_metric),
            Value::Empty,
            Value::Number(trees),
            Value::Number(asked.shown_radius(area_ha)),
        ]
    };
    let gauge = |choice: &str, baf_m2_per_ha: f64, trees: f64| {
        vec![
            Value::word("angle-gauge"),
            Value::word(choice),
            Value::Empty,
            Value::Number(baf_m2_per_ha * units.basal_area_per_area().from_metric),
            Value::Number(trees),
            Value::Number(asked.farthest(baf_m2_per_ha)),
        ]
    };
    let mut rows = vec![
        plot("wanted", expected.plot_area_ha(asked.trees), asked.trees),
        gauge("wanted", expected.baf_m2_per_ha(asked.trees), asked.trees),
    ];
    let plots = asked.plots();
    rows.extend(plots.iter().map(|p| plot("customary", p.area_ha, p.trees)));
    let gauges = asked.gauges();
    rows.extend(
        gauges
            .iter()
            .map(|g| gauge("customary", g.baf_m2_per_ha, g.trees)),
    );
    let columns = match units {
        UnitSystem::Metric => ["area_ha", "baf_m2_per_ha", "largest_distance_m"],
        UnitSystem::Imperial => ["area_ac", "baf_ft2_per_ac", "largest_distance_ft"],
    };
    let [area, factor, distance] = columns;
    Tidy {
        columns: named(&["method", "choice", area, factor, "trees", distance]),
        rows,
    }
}
