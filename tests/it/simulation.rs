//! Sampling simulation: real forests with every tree known are sampled again and again, the samples
//! are compiled by the estimators of the program, and the estimates are held against the truth.
//!
//! Populations: the Mount Rainier stands of the Pacific Northwest Permanent Sample Plot Network
//! (8 stands of 1 ha) and the longleaf pines of Platt, Evans & Rathbun 1988, Am. Nat. 131:491-525
//! (4 ha). Edges are wrapped, so that every tree keeps the inclusion probability of its rule; a
//! tree whose zone is wider than the map is tallied once for each of its images in reach.
//! Each sample is 20 random centres; at each the four selections below are carried out. Species
//! as mapped; stem volume is an invented function of dbh. The full tables come from
//! `cargo bench --bench sampling_simulation`.
//!
//! What it shows: every additive estimate is unbiased. Intervals of basal area hold the truth as
//! often as they say. Those of trees/ha fall short where few thin trees stand for very many, as a
//! gauge makes them do: estimates are then skewed to the right, and t intervals, which are
//! symmetric, miss more often than they should. A least dbh, as cruises have one, cures most of it.
//! The borrowed volume carries the bias of a ratio, and that of species whose thick trees the donor
//! seldom meets.

use std::collections::BTreeMap;
use std::f64::consts::PI;
use std::fmt::Write as _;

use spinney::design::{Design, Measured, Method, Ring, Selection};
use spinney::estimates::{Attribute, Domain};
use spinney::expansion::limiting_distance_m;
use spinney::records::{Plot, Status, Tree};
use spinney::stems::TreeValues;
use spinney::units::basal_area_m2;

use crate::answers::{rows, shared_file};
use crate::random::Random;
use crate::sample::{by, count, design, estimate, find, fixed, gauge, plot, records, tree, visit};

/// Plots of a sample.
const PLOTS: usize = 20;
/// Confidence of the intervals.
const CONFIDENCE: f64 = 0.95;
const SEED: u64 = 20_261_125;

/// What is watched: selection and attribute.
const WATCHED: [(usize, Attribute); 8] = [
    (0, Attribute::Trees),
    (0, Attribute::BasalArea),
    (1, Attribute::Trees),
    (1, Attribute::BasalArea),
    (2, Attribute::Trees),
    (2, Attribute::BasalArea),
    (3, Attribute::BasalArea),
    (3, Attribute::VolumeTotal),
];

struct Mapped {
    x_m: f64,
    y_m: f64,
    species: usize,
    dbh_cm: f64,
}

/// A square forest with every tree known.
struct Forest {
    name: String,
    side_m: f64,
    trees: Vec<Mapped>,
    species: usize,
}

/// Invented: m3 of a stem from its dbh.
fn volume_m3(dbh_cm: f64) -> f64 {
    0.000_12 * dbh_cm.powf(2.45)
}

impl Forest {
    /// The forests of a map; `None` where the map is absent.
    fn read(path: &str, side_m: f64) -> Option<Vec<Forest>> {
        let mut forests: BTreeMap<String, (Vec<Mapped>, Vec<String>)> = BTreeMap::new();
        for row in rows(&shared_file(path)?) {
            let name = row.get("stand").map_or("longleaf", String::as_str);
            let code = row.get("species").cloned().unwrap_or_default();
            let (trees, species) = forests.entry(name.to_owned()).or_default();
            let known = species.iter().position(|known| *known == code);
            let species = known.unwrap_or_else(|| {
                species.push(code);
                species.len() - 1
            });
            let number = |column: &str| row[column].parse().unwrap();
            trees.push(Mapped {
                x_m: number("x_m"),
                y_m: number("y_m"),
                species,
                dbh_cm: number("dbh_cm"),
            });
        }
        let forest = |(name, (trees, species)): (String, (Vec<Mapped>, Vec<String>))| Forest {
            name,
            side_m,
            trees,
            species: species.len(),
        };
        Some(forests.into_iter().map(forest).collect())
    }

    /// The true value per ha of the trees that a selection is about.
    fn truth_per_ha(&self, selection: &Selection, attribute: Attribute) -> f64 {
        let value = |tree: &Mapped| match attribute {
            Attribute::Trees => 1.0,
            Attribute::BasalArea => basal_area_m2(tree.dbh_cm),
            _ => volume_m3(tree.dbh_cm),
        };
        let trees = self
            .trees
            .iter()
            .filter(|tree| is_meant(selection, tree.dbh_cm));
        let total: f64 = trees.map(value).sum();
        total * 10_000.0 / (self.side_m * self.side_m)
    }

    /// Images of a tree of the wrapped map within a distance of a point.
    fn images_within(&self, tree: &Mapped, x_m: f64, y_m: f64, limit_m: f64) -> u32 {
        // Offsets to the nearest image, then as many maps further as the limit reaches.
        let nearest = |d: f64| d - self.side_m * (d / self.side_m).round();
        let (dx, dy) = (nearest(tree.x_m - x_m), nearest(tree.y_m - y_m));
        if limit_m <= self.side_m / 2.0 {
            return u32::from(dx * dx + dy * dy <= limit_m * limit_m);
        }
        let reach = (limit_m / self.side_m + 0.5).floor();
        let mut images = 0;
        let mut east = -reach;
        while east <= reach {
            let mut north = -reach;
            while north <= reach {
                let distance = (dx + east * self.side_m).hypot(dy + north * self.side_m);
                images += u32::from(distance <= limit_m);
                north += 1.0;
            }
            east += 1.0;
        }
        images
    }

    /// Trees that a selection takes at a point.
    fn tally(&self, design: &Design, selection: usize, x_m: f64, y_m: f64) -> Vec<Tree> {
        let rule = crate::sample::rule(&design.selections[selection]);
        let mut taken = Vec::new();
        for mapped in &self.trees {
            let Some(limit_m) = limiting_distance_m(&rule, mapped.dbh_cm) else {
                continue;
            };
            let images = self.images_within(mapped, x_m, y_m, limit_m);
            if images > 0 {
                taken.push(Tree {
                    count: f64::from(images),
                    excluded: !is_meant(&design.selections[selection], mapped.dbh_cm),
                    ..tree(mapped.species, mapped.dbh_cm)
                });
            }
        }
        taken
    }

    fn plot(&self, design: &Design, random: &mut Random) -> Plot {
        let (x_m, y_m) = (random.unit() * self.side_m, random.unit() * self.side_m);
        let taken = |selection| self.tally(design, selection, x_m, y_m);
        let swept = taken(2);
        let counts = swept
            .iter()
            .filter(|tree| !tree.excluded)
            .map(|tree| count(tree.species, Status::Live, tree.count));
        let counts = counts.collect();
        let visits = vec![
            visit(design, 0, taken(0), Vec::new()),
            visit(design, 1, taken(1), Vec::new()),
            visit(design, 2, swept, Vec::new()),
            visit(design, 3, Vec::new(), counts),
        ];
        plot(0, visits)
    }
}

fn is_meant(selection: &Selection, dbh_cm: f64) -> bool {
    selection.min_dbh_cm.is_none_or(|least| dbh_cm >= least)
}

/// A fixed circle, a nested plot, a measured sweep, and a counted sweep that borrows from the
/// circle; the least dbh holds for all but the nested plot, which has a small ring for thin trees.
fn selections(min_dbh_cm: Option<f64>) -> Design {
    let ring = |radius_m: f64, min_dbh_cm, max_dbh_cm| Ring {
        area_ha: PI * radius_m * radius_m / 10_000.0,
        radius_m,
        min_dbh_cm,
        max_dbh_cm,
    };
    let named = |name: &str, selection: Selection| Selection {
        name: name.to_owned(),
        min_dbh_cm: min_dbh_cm.filter(|_| name != "nested"),
        ..selection
    };
    let rings = vec![
        ring(3.99, 0.0, Some(10.0)),
        ring(7.98, 10.0, Some(30.0)),
        ring(12.62, 30.0, None),
    ];
    design(vec![
        named("circle", fixed(PI * 7.98 * 7.98 / 10_000.0)),
        named("nested", by(Method::NestedRings(rings))),
        named("measured", gauge(4.0, Measured::All, None)),
        named("counted", gauge(4.0, Measured::None, Some(0))),
    ])
}

/// What became of one attribute of one selection in one forest.
pub(crate) struct Line {
    /// Forest.
    pub(crate) forest: String,
    /// Selection.
    pub(crate) selection: String,
    /// Attribute.
    pub(crate) attribute: Attribute,
    /// The true value per ha.
    pub(crate) truth: f64,
    /// Mean of the estimates less the truth, percent.
    pub(crate) bias_pct: f64,
    /// Standard error of that mean, percent of the truth.
    pub(crate) monte_carlo_pct: f64,
    /// Mean half-width of the intervals, percent of the truth.
    pub(crate) half_width_pct: f64,
    /// Intervals that hold the truth, percent.
    pub(crate) coverage_pct: f64,
    /// Skewness of the estimates over the samples.
    pub(crate) skewness: f64,
}

/// Samples every forest with a least dbh; `None` where the maps are absent.
pub(crate) fn run(samples: usize, min_dbh_cm: Option<f64>) -> Option<Vec<Line>> {
    let mut forests = Forest::read("data/stem-maps/mount-rainier-8-stands.csv", 100.0)?;
    forests.extend(Forest::read("data/stem-maps/longleaf-4ha.csv", 200.0)?);
    let design = selections(min_dbh_cm);
    let mut lines = Vec::new();
    for (number, forest) in forests.iter().enumerate() {
        let mut random = Random(SEED + number as u64);
        let mut found: Vec<Vec<(f64, f64)>> = vec![Vec::new(); WATCHED.len()];
        for _ in 0..samples {
            let plots = (0..PLOTS)
                .map(|_| forest.plot(&design, &mut random))
                .collect();
            let records = records(forest.species, vec![("S", vec![("", Some(1.0))], plots)]);
            let estimates = estimate(&design, &records, |tree| TreeValues {
                volume_total_m3: Some(volume_m3(tree.dbh_cm)),
                ..TreeValues::default()
            });
            for (found, (selection, attribute)) in found.iter_mut().zip(WATCHED) {
                let place = (Some("S"), None, selection);
                let estimate = find(&estimates, place, Domain::LIVE, attribute).unwrap();
                found.push((estimate.mean, estimate.half_width(CONFIDENCE).unwrap()));
            }
        }
        for (found, (selection, attribute)) in found.iter().zip(WATCHED) {
            let selection = &design.selections[selection];
            let truth = forest.truth_per_ha(selection, attribute);
            let selection = selection.name.clone();
            lines.push(line(&forest.name, selection, attribute, truth, found));
        }
    }
    Some(lines)
}

/// Sums up `(mean, half-width)` of all samples.
fn line(
    forest: &str,
    selection: String,
    attribute: Attribute,
    truth: f64,
    found: &[(f64, f64)],
) -> Line {
    let n = found.len() as f64;
    let average = |of: &dyn Fn(&(f64, f64)) -> f64| found.iter().map(of).sum::<f64>() / n;
    let mean = average(&|(mean, _)| *mean);
    let variance = average(&|(m, _)| (m - mean).powi(2)) * n / (n - 1.0);
    let holds = |(m, half_width): &(f64, f64)| f64::from((m - truth).abs() <= *half_width);
    Line {
        forest: forest.to_owned(),
        selection,
        attribute,
        truth,
        bias_pct: 100.0 * (mean - truth) / truth,
        monte_carlo_pct: 100.0 * (variance / n).sqrt() / truth,
        half_width_pct: 100.0 * average(&|(_, half_width)| *half_width) / truth,
        coverage_pct: 100.0 * average(&holds),
        skewness: average(&|(m, _)| (m - mean).powi(3)) / variance.powf(1.5),
    }
}

/// The lines as text, with the coverage over all of them.
pub(crate) fn table(lines: &[Line]) -> String {
    let mut text = format!(
        "{:<9} {:<9} {:<12} {:>9} {:>7} {:>7} {:>7} {:>8} {:>6}\n",
        "forest", "selection", "attribute", "truth/ha", "bias%", "mc%", "half%", "cover%", "skew"
    );
    for line in lines {
        let written = writeln!(
            text,
            "{:<9} {:<9} {:<12} {:>9.2} {:>7.2} {:>7.2} {:>7.1} {:>8.1} {:>6.2}",
            line.forest,
            line.selection,
            format!("{:?}", line.attribute),
            line.truth,
            line.bias_pct,
            line.monte_carlo_pct,
            line.half_width_pct,
            line.coverage_pct,
            line.skewness
        );
        written.unwrap();
    }
    for (selection, attribute) in [
        ("circle", Attribute::Trees),
        ("circle", Attribute::BasalArea),
        ("nested", Attribute::Trees),
        ("nested", Attribute::BasalArea),
        ("measured", Attribute::Trees),
        ("measured", Attribute::BasalArea),
        ("counted", Attribute::BasalArea),
        ("counted", Attribute::VolumeTotal),
    ] {
        let of = |line: &&Line| line.selection == selection && line.attribute == attribute;
        let coverage = coverage_pct(lines.iter().filter(of));
        writeln!(
            text,
            "all forests, {selection} {attribute:?}: coverage {coverage:.1} %"
        )
        .unwrap();
    }
    text + &format!(
        "all together: coverage {:.1} %\n",
        coverage_pct(lines.iter())
    )
}

/// Mean coverage of some lines, all of as many samples.
pub(crate) fn coverage_pct<'a>(lines: impl Iterator<Item = &'a Line>) -> f64 {
    let coverages: Vec<f64> = lines.map(|line| line.coverage_pct).collect();
    coverages.iter().sum::<f64>() / coverages.len() as f64
}

#[test]
fn estimates_are_unbiased_and_intervals_hold_the_truth() {
    let Some(lines) = run(200, Some(10.0)) else {
        return;
    };
    for line in &lines {
        // Four standard errors: one line of the 72 in some 200 seeds would fail by chance. The
        // borrowed volume has the bias that the head of this file speaks of.
        let ratio_pct = if line.attribute == Attribute::VolumeTotal {
            2.0
        } else {
            0.0
        };
        assert!(
            line.bias_pct.abs() <= 4.0 * line.monte_carlo_pct + ratio_pct,
            "{}",
            table(&lines)
        );
    }
    let coverage = coverage_pct(lines.iter());
    assert!((93.0..=97.0).contains(&coverage), "{}", table(&lines));
}
