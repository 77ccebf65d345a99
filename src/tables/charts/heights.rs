//! Height against dbh, species by species, with the curves that fill missing heights.

use std::collections::BTreeMap;

use super::{MOST_PANELS, note_left};
use crate::compile::Compilation;
use crate::design::FitBy;
use crate::heights::fill::height_trees;
use crate::heights::{CurveUse, Place};
use crate::records::{CruiseSpeciesIndex, Stand};
use crate::tables::Block;
use crate::tables::chart::{Axis, Chart, Drawn, Key, Line, Mark, Panel, Plane, Point, Sign};
use crate::tables::curves::at_hand;

/// Points at which a curve is worked out.
const ALONG: usize = 64;
/// A plot or a stand that no curve knows, so that it gives the height without their effects.
const ELSEWHERE: usize = usize::MAX / 4;

/// The heights of one species.
#[derive(Default)]
struct OfSpecies {
    /// Measured: dbh in cm, height in m.
    measured: Vec<(f64, f64)>,
    /// Dbh of the trees whose heights are filled, cm.
    filled_cm: Vec<f64>,
}

/// The chart of a stand, or of all where they share their curves; words where they do not.
pub fn blocks(compilation: &Compilation<'_>, one: Option<usize>) -> Vec<Block> {
    let together = compilation.design.heights.fit_by == FitBy::Cruise;
    let all = compilation.records.stands.len();
    let stands: Vec<usize> = match one {
        Some(at) => vec![at],
        None if together || all == 1 => (0..all).collect(),
        None => {
            let words =
                "Each stand has curves of its own; they are drawn in the report of one stand.";
            return vec![Block::Paragraph(words.to_owned())];
        }
    };
    let chart = chart(compilation, &stands);
    chart
        .map(|chart| Block::Chart(Box::new(chart)))
        .into_iter()
        .collect()
}

fn chart(compilation: &Compilation<'_>, stands: &[usize]) -> Option<Chart> {
    let by_species = gather(compilation, stands);
    let curves = at_hand(compilation, stands);
    let units = compilation.design.units;
    let mut chart = Chart {
        title: "Height against dbh by species".to_owned(),
        shared_axes: true,
        ..Chart::default()
    };
    let mut by_size: Vec<_> = by_species.iter().collect();
    by_size.sort_by_key(|(at, of)| {
        (
            std::cmp::Reverse(of.measured.len() + of.filled_cm.len()),
            **at,
        )
    });
    let (drawn, left) = by_size.split_at(by_size.len().min(MOST_PANELS));
    let mut drawn = drawn.to_vec();
    drawn.sort_by_key(|(at, _)| **at);
    let mut told = Vec::new();
    for (at, of) in drawn {
        let name = &compilation.records.species[*at].label;
        let curve = curves.iter().find(|used| {
            let mut served = used.species.iter();
            served.any(|served| served.species == *at && served.filled > 0)
        });
        let mut plane = Plane::new(Axis::from_zero(format!("height, {}", units.length().label)));
        let (cm, m) = (units.diameter().from_metric, units.length().from_metric);
        plane.points = of
            .measured
            .iter()
            .map(|(dbh_cm, height_m)| Point {
                x: dbh_cm * cm,
                y: height_m * m,
                area: None,
                mark: Mark::of(*at),
                label: String::new(),
            })
            .collect();
        plane.rug = of.filled_cm.iter().map(|dbh_cm| dbh_cm * cm).collect();
        if let Some(used) = curve {
            plane.lines = lines(used, *at, of);
            for point in plane.lines.iter_mut().flat_map(|line| &mut line.points) {
                *point = (point.0 * cm, point.1 * m);
            }
        }
        let words = format!(
            "{}, {} measured, {} filled",
            name,
            of.measured.len(),
            of.filled_cm.len()
        );
        told.push(words.clone());
        chart.panels.push(Panel {
            title: words,
            x: Axis::from_zero(format!("dbh, {}", units.diameter().label)),
            drawn: Drawn::Plane(plane),
        });
    }
    chart.description = format!("Heights by species: {}.", told.join("; "));
    chart.key = key(&chart);
    let left: Vec<usize> = left.iter().map(|(at, _)| **at).collect();
    note_left(&mut chart, &left, compilation.records, "fewer trees");
    (!chart.panels.is_empty()).then_some(chart)
}

fn gather(
    compilation: &Compilation<'_>,
    stands: &[usize],
) -> BTreeMap<CruiseSpeciesIndex, OfSpecies> {
    let mut by_species: BTreeMap<CruiseSpeciesIndex, OfSpecies> = BTreeMap::new();
    let records: Vec<&Stand> = stands
        .iter()
        .map(|at| &compilation.records.stands[*at])
        .collect();
    for tree in height_trees(&records, &compilation.design.heights) {
        let of = by_species.entry(tree.species()).or_default();
        of.measured.push((tree.point.dbh_cm, tree.point.height_m));
    }
    for at in stands {
        let trees = compilation.records.stands[*at].trees();
        for ((_, _, tree), height) in trees.zip(&compilation.stands[*at].heights.trees) {
            if height.source.curve().is_some() && !tree.excluded {
                by_species
                    .entry(tree.species)
                    .or_default()
                    .filled_cm
                    .push(tree.dbh_cm);
            }
        }
    }
    by_species
}

/// The curve over the trees of a species, broken beyond the trees behind it; metric.
fn lines(used: &CurveUse, species: CruiseSpeciesIndex, of: &OfSpecies) -> Vec<Line> {
    let dbh_cm = || {
        of.measured
            .iter()
            .map(|point| point.0)
            .chain(of.filled_cm.iter().copied())
    };
    let from = dbh_cm().fold(f64::INFINITY, f64::min);
    let to = dbh_cm().fold(f64::NEG_INFINITY, f64::max);
    let place = Place {
        stand: ELSEWHERE,
        plot: ELSEWHERE,
        species,
    };
    let mut lines: Vec<Line> = Vec::new();
    let mut last = None;
    for step in 0..=ALONG {
        let dbh_cm = from + (to - from) * step as f64 / ALONG as f64;
        let point = (dbh_cm, used.curve.height_m(dbh_cm, place));
        let dashed = used.curve.is_extrapolated(dbh_cm);
        match lines.last_mut().filter(|line| line.dashed == dashed) {
            Some(line) => line.points.push(point),
            // A new line begins where the last one ends.
            None => lines.push(Line {
                points: last.into_iter().chain([point]).collect(),
                dashed,
            }),
        }
        last = Some(point);
    }
    lines
}

fn key(chart: &Chart) -> Vec<Key> {
    let planes = || {
        chart.panels.iter().filter_map(|panel| match &panel.drawn {
            Drawn::Plane(plane) => Some(plane),
            Drawn::Rows(_) => None,
        })
    };
    let any_line = |dashed: bool| {
        let mut lines = planes().flat_map(|plane| &plane.lines);
        lines.any(|line| line.dashed == dashed)
    };
    let parts = [
        (
            any_line(false),
            Sign::Line,
            "curve that fills missing heights, effects of plots and stands left aside",
        ),
        (
            any_line(true),
            Sign::Dashed,
            "the same beyond the dbh of the trees behind it",
        ),
        (
            planes().any(|plane| !plane.rug.is_empty()),
            Sign::Tick,
            "dbh of trees whose height is filled",
        ),
    ];
    let mut key = vec![Key {
        sign: Sign::Point(Mark::PLAIN),
        words: "measured height, live and unbroken (marks differ by species)".to_owned(),
    }];
    key.extend(
        parts
            .into_iter()
            .filter(|part| part.0)
            .map(|(_, sign, words)| Key {
                sign,
                words: words.to_owned(),
            }),
    );
    key
}
