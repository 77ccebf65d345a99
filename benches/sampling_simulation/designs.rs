//! The designs that are tried: how points are placed, what is tallied there, and by which
//! estimators the one sample is compiled.

use std::f64::consts::PI;

use spinney::design::{
    Average, Design, Measured, Method, RatioError, RatioLimits, Ring, Sampling, Selection,
    StrataWeights, Variance,
};
use spinney::estimates::{Attribute, Domain};
use spinney::records::{Plot, Records, Status, Visit};

use super::forest::Forest;
use super::table::{Found, Line, Values};
use crate::random::Random;
use crate::sample::{
    by, conelike, count, design, estimate, find, fixed, gauge, plot, records, rule, visit,
};

const AREA_HA: f64 = 0.02;
const BAF: f64 = 4.0;
const BIG_BAF: f64 = 20.0;
/// Plots of a cluster and how far they lie east and north of its place, m.
const CLUSTER: [(f64, f64); 3] = [(0.0, 0.0), (20.0, 0.0), (10.0, 17.3)];
/// Points of the first sample that weighs strata.
const FIRST_SAMPLE: usize = 100;
/// The strip of the part plots, as shares of the side of the map.
const STRIP: (f64, f64) = (0.2, 0.6);
/// Samples whose plot values tell the skewness.
const SAMPLES_OF_VALUES: usize = 200;
const SEED: u64 = 20_261_125;

/// How points are placed.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Placing {
    Random,
    /// Three plots about each place.
    Clusters,
    /// A square grid with one random start.
    Grid,
    /// As many in each of two strata.
    ByStrata,
    /// At random over all, then sorted.
    Sorted,
    /// Of a first sample, as many in each of two strata.
    TwoPhase,
    /// Every circle that reaches into a strip.
    Strip,
}

/// What is done at the points.
#[derive(Clone, Copy)]
enum Tally {
    /// The first selection, all trees.
    Measure,
    /// Trees of the first are counted at every point; the second is measured at every so many.
    CountAndMeasure(usize),
}

/// One way to sample, and the estimators that are held against each other.
pub(crate) struct Plan {
    pub(crate) name: &'static str,
    /// Units: plots, or clusters.
    pub(crate) n: usize,
    pub(crate) placing: Placing,
    tally: Tally,
    estimators: Vec<(&'static str, Design)>,
    attributes: Vec<Attribute>,
}

const SUMS: [Attribute; 3] = [
    Attribute::Trees,
    Attribute::BasalArea,
    Attribute::VolumeTotal,
];
const RATIOS: [Attribute; 2] = [Attribute::QuadraticMeanDbh, Attribute::LoreyHeight];

fn nested() -> Selection {
    let ring = |radius_m: f64, min_dbh_cm, max_dbh_cm| Ring {
        area_ha: PI * radius_m * radius_m / 10_000.0,
        radius_m,
        min_dbh_cm,
        max_dbh_cm,
    };
    by(Method::NestedRings(vec![
        ring(3.99, 0.0, Some(20.0)),
        ring(7.98, 20.0, Some(40.0)),
        ring(12.62, 40.0, None),
    ]))
}

/// A design with t limits only.
fn plain(selection: Selection, sampling: Sampling) -> Design {
    Design {
        sampling,
        intervals: spinney::design::Intervals {
            ratios: RatioLimits::T,
            ..Default::default()
        },
        ..design(vec![selection])
    }
}

/// All plans. Limits of ratios by resampling cost the most, so only the plans that watch them have
/// them.
pub(crate) fn plans() -> Vec<Plan> {
    let mut plans = Vec::new();
    let bca = |selection: Selection| design(vec![selection]);
    let simple = Sampling::default;
    for n in [10, 20, 40] {
        let mut add = |name, placing, estimators, attributes: &[Attribute]| {
            plans.push(Plan {
                name,
                n,
                placing,
                tally: Tally::Measure,
                estimators,
                attributes: attributes.to_vec(),
            });
        };
        let all = [&SUMS[..], &RATIOS].concat();
        add(
            "circle",
            Placing::Random,
            vec![("", bca(fixed(AREA_HA)))],
            &all,
        );
        add(
            "nested",
            Placing::Random,
            vec![("", plain(nested(), simple()))],
            &SUMS,
        );
        let sweep = bca(gauge(BAF, Measured::All, None));
        add("sweep", Placing::Random, vec![("", sweep)], &all);
        let averaged = |average| Sampling {
            average,
            ..simple()
        };
        add(
            "part circle",
            Placing::Strip,
            vec![
                (
                    "mean of plots",
                    plain(fixed(AREA_HA), averaged(Average::MeanOfPlots)),
                ),
                (
                    "ratio of means",
                    plain(fixed(AREA_HA), averaged(Average::RatioOfMeans)),
                ),
            ],
            &SUMS,
        );
        let weighted = |strata| Sampling { strata, ..simple() };
        let strata = [
            (Placing::ByStrata, "areas", StrataWeights::Areas),
            (
                Placing::Sorted,
                "after sampling",
                StrataWeights::AfterSampling,
            ),
            (Placing::TwoPhase, "estimated", StrataWeights::Estimated),
        ];
        for (placing, name, weights) in strata.into_iter().filter(|_| n > 10) {
            let estimators = vec![(name, plain(fixed(AREA_HA), weighted(weights)))];
            add("strata", placing, estimators, &SUMS);
        }
        if n < 40 {
            let estimators = vec![("", plain(fixed(AREA_HA), simple()))];
            add("clusters of 3", Placing::Clusters, estimators, &SUMS);
        }
    }
    for n in [16, 36] {
        let varied = |variance| Sampling {
            variance,
            ..simple()
        };
        plans.push(Plan {
            name: "grid",
            n,
            placing: Placing::Grid,
            tally: Tally::Measure,
            estimators: vec![
                ("simple", plain(fixed(AREA_HA), varied(Variance::Simple))),
                (
                    "differences",
                    plain(fixed(AREA_HA), varied(Variance::SuccessiveDifferences)),
                ),
                (
                    "neighbours",
                    plain(fixed(AREA_HA), varied(Variance::Neighbours)),
                ),
            ],
            attributes: SUMS.to_vec(),
        });
    }
    plans.extend([30, 60].map(|n| counted("count, measure 1/3", n, 3, BAF)));
    plans.extend([10, 20, 40].map(|n| counted("count, big gauge", n, 1, BIG_BAF)));
    plans
}

/// A counted sweep that borrows from one with a gauge of its own at every so many points.
fn counted(name: &'static str, n: usize, every: usize, baf_m2_per_ha: f64) -> Plan {
    let with = |volume_ratio_error| {
        design(vec![
            Selection {
                volume_ratio_error,
                ..gauge(BAF, Measured::None, Some(1))
            },
            Selection {
                name: "measured".to_owned(),
                ..gauge(baf_m2_per_ha, Measured::All, None)
            },
        ])
    };
    let t = |mut design: Design| {
        design.intervals.ratios = RatioLimits::T;
        design
    };
    Plan {
        name,
        n,
        placing: Placing::Random,
        tally: Tally::CountAndMeasure(every),
        estimators: vec![
            ("by plots", t(with(RatioError::Plots))),
            ("product", t(with(RatioError::Product))),
        ],
        attributes: vec![Attribute::BasalArea, Attribute::VolumeTotal],
    }
}

/// Where a plot lies.
struct At {
    place: (f64, f64),
    stratum: usize,
    cluster: Option<usize>,
}

/// Points in strata, and how many of the first sample each has.
type Placed = (Vec<At>, [usize; 2]);

impl Plan {
    /// Are limits found by resampling?
    pub(crate) fn resamples(&self) -> bool {
        self.attributes.contains(&RATIOS[0])
    }

    /// Places the points; `None` where the draw gives a stratum too few.
    fn place(&self, forest: &Forest, random: &mut Random) -> Option<Placed> {
        let at = |place| At {
            place,
            stratum: 0,
            cluster: None,
        };
        let sorted = |place| At {
            stratum: forest.kind(place),
            ..at(place)
        };
        let side_m = forest.side_m;
        let mut first = [0; 2];
        let placed: Vec<At> = match self.placing {
            Placing::Random => (0..self.n).map(|_| at(forest.point(random))).collect(),
            Placing::Clusters => {
                let mut plots = Vec::new();
                for cluster in 0..self.n {
                    let (x, y) = forest.point(random);
                    plots.extend(CLUSTER.map(|(east, north)| At {
                        cluster: Some(cluster),
                        ..at(((x + east) % side_m, (y + north) % side_m))
                    }));
                }
                plots
            }
            Placing::Grid => {
                let lines = (1..self.n).find(|k| k * k >= self.n).unwrap_or(1);
                let step_m = side_m / lines as f64;
                let (x, y) = (random.unit() * step_m, random.unit() * step_m);
                let place = |k: usize| {
                    let (row, column) = ((k / lines) as f64, (k % lines) as f64);
                    (x + column * step_m, y + row * step_m)
                };
                (0..self.n).map(|k| at(place(k))).collect()
            }
            Placing::ByStrata => {
                let half = self.n / 2;
                let mut plots: Vec<At> = Vec::new();
                while plots.len() < self.n {
                    let new = sorted(forest.point(random));
                    if plots
                        .iter()
                        .filter(|old| old.stratum == new.stratum)
                        .count()
                        < half
                    {
                        plots.push(new);
                    }
                }
                plots
            }
            Placing::Sorted => (0..self.n).map(|_| sorted(forest.point(random))).collect(),
            Placing::TwoPhase => {
                let mut plots = Vec::new();
                for _ in 0..FIRST_SAMPLE {
                    let new = sorted(forest.point(random));
                    first[new.stratum] += 1;
                    if first[new.stratum] <= self.n / 2 {
                        plots.push(new);
                    }
                }
                plots
            }
            Placing::Strip => {
                let radius_m = (AREA_HA * 10_000.0 / PI).sqrt();
                let (west, east) = (STRIP.0 * side_m - radius_m, STRIP.1 * side_m + radius_m);
                let mut place = || {
                    let (x, y) = (random.unit(), random.unit() * side_m);
                    (west + x * (east - west), y)
                };
                (0..self.n).map(|_| at(place())).collect()
            }
        };
        let in_stratum = |h| placed.iter().filter(|at| at.stratum == h).count();
        let enough = match self.placing {
            Placing::Sorted => in_stratum(0) >= 2 && in_stratum(1) >= 2,
            Placing::TwoPhase => placed.len() == self.n,
            _ => true,
        };
        enough.then_some((placed, first))
    }

    /// One sample as the records of a stand `S`.
    fn records(&self, forest: &Forest, random: &mut Random) -> Records {
        let (placed, first) = loop {
            if let Some(placed) = self.place(forest, random) {
                break placed;
            }
        };
        let plots = placed.iter().enumerate().map(|(k, at)| Plot {
            cluster: at.cluster.map(|cluster| cluster.to_string()),
            easting: Some(at.place.0),
            northing: Some(at.place.1),
            name: k.to_string(),
            ..plot(at.stratum, self.visits(forest, k, at.place))
        });
        let plots = plots.collect();
        let stratified = matches!(
            self.placing,
            Placing::ByStrata | Placing::Sorted | Placing::TwoPhase
        );
        let strata = if stratified {
            vec![
                ("dense", Some(forest.area_of_kind_ha(0))),
                ("open", Some(forest.area_of_kind_ha(1))),
            ]
        } else {
            vec![("", Some(1.0))]
        };
        let mut records = records(1, vec![("S", strata, plots)]);
        if self.placing == Placing::TwoPhase {
            for (stratum, points) in records.stands[0].strata.iter_mut().zip(first) {
                stratum.phase_one_points = Some(points as f64);
            }
        }
        records
    }

    /// What is tallied at the `k`th point.
    fn visits(&self, forest: &Forest, k: usize, place: (f64, f64)) -> Vec<Visit> {
        let design = &self.estimators[0].1;
        let taken = |selection: usize| {
            let mut taken = forest.tally(&rule(&design.selections[selection]), place);
            if self.placing == Placing::Strip {
                let (west, east) = strip(self.placing, forest);
                taken.retain(|(k, _)| (west..east).contains(&forest.trees[*k].x_m));
            }
            taken
        };
        let measured = |selection: usize| {
            let trees = taken(selection).into_iter();
            let trees = trees.map(|(k, images)| forest.trees[k].record(images));
            visit(design, selection, trees.collect(), Vec::new())
        };
        match self.tally {
            Tally::Measure => vec![Visit {
                plot_fraction: self.share_inside(forest, place.0),
                ..measured(0)
            }],
            Tally::CountAndMeasure(every) => {
                let images = taken(0).iter().map(|(_, images)| images).sum();
                let counts = vec![count(0, Status::Live, images)];
                let mut visits = vec![visit(design, 0, Vec::new(), counts)];
                if k.is_multiple_of(every) {
                    visits.push(measured(1));
                }
                visits
            }
        }
    }

    /// Share of a circle inside the strip.
    fn share_inside(&self, forest: &Forest, x_m: f64) -> f64 {
        if self.placing != Placing::Strip {
            return 1.0;
        }
        let radius_m = (AREA_HA * 10_000.0 / PI).sqrt();
        let (west, east) = strip(self.placing, forest);
        // Share of the unit circle west of t.
        let west_of = |t: f64| {
            let t = t.clamp(-1.0, 1.0);
            0.5 + (t.asin() + t * (1.0 - t * t).sqrt()) / PI
        };
        west_of((east - x_m) / radius_m) - west_of((west - x_m) / radius_m)
    }

    /// Draws so many samples and holds the estimates against the truth.
    pub(crate) fn run(&self, forest: &Forest, seed: u64, samples: usize) -> Vec<Line> {
        let mut random = Random(SEED + seed);
        let tries: Vec<(usize, Attribute, bool)> = (0..self.estimators.len())
            .flat_map(|e| self.attributes.iter().map(move |a| (e, *a)))
            .flat_map(|(e, a)| {
                let ways: &[bool] = if RATIOS.contains(&a) {
                    &[false, true]
                } else {
                    &[false]
                };
                ways.iter().map(move |by_t| (e, a, *by_t))
            })
            .collect();
        let mut found: Vec<Vec<Found>> = tries.iter().map(|_| Vec::new()).collect();
        let mut values = Values::default();
        for sample in 0..samples {
            let records = self.records(forest, &mut random);
            for (e, (_, design)) in self.estimators.iter().enumerate() {
                let estimates = estimate(design, &records, conelike);
                if e == 0 && sample < SAMPLES_OF_VALUES {
                    let plots = estimates.plots.iter().filter(|plot| plot.selection == 0);
                    let size = if self.placing == Placing::Clusters {
                        CLUSTER.len()
                    } else {
                        1
                    };
                    values.add(plots, size);
                }
                for ((of, attribute, by_t), found) in tries.iter().zip(&mut found) {
                    if *of == e {
                        let place = (Some("S"), None, 0);
                        let estimate = find(&estimates, place, Domain::LIVE, *attribute);
                        found.push(Found::of(estimate, *by_t, design.confidence));
                    }
                }
            }
        }
        let line = |((e, attribute, by_t), found): (&(usize, Attribute, bool), &Vec<Found>)| Line {
            forest: forest.name.clone(),
            plan: self.name,
            estimator: self.estimators[*e].0,
            placing: self.placing,
            n: self.n,
            attribute: *attribute,
            limits: match (RATIOS.contains(attribute), by_t) {
                (false, _) => "",
                (true, false) => "bca",
                (true, true) => "t",
            },
            borrowed: matches!(self.tally, Tally::CountAndMeasure(_))
                && *attribute == Attribute::VolumeTotal,
            skewness: values.skewness(*attribute),
            ..Line::of(forest.truth(*attribute, strip(self.placing, forest)), found)
        };
        tries.iter().zip(&found).map(line).collect()
    }
}

/// What the estimates are about: all of the map, or the strip.
fn strip(placing: Placing, forest: &Forest) -> (f64, f64) {
    if placing == Placing::Strip {
        (STRIP.0 * forest.side_m, STRIP.1 * forest.side_m)
    } else {
        (0.0, forest.side_m)
    }
}
