//! Heights of a subsample: two on each circle, the product fits the curve and fills the rest. The
//! interval of the sampling error alone and that of the whole error are held against the true
//! volume, by a published equation, of the trees with their true heights.

use spinney::compile::{Knowledge, compile};
use spinney::design::{CurveChoice, Design, Fallback, RatioLimits, Volume};
use spinney::estimates::{Attribute, Domain};
use spinney::read::tables::Tables;
use spinney::records::{CruiseSpecies, HeightRecord, Plot, Records, Tree};
use spinney::whole_error::whole_error;

use super::forest::Forest;
use super::table::{Found, Line, Values};
use crate::random::Random;
use crate::sample::{design, find, fixed, plot, records, rule, visit};

const SET: &str = "ca-bc-volume-2016";
const SPECIES: &str = "Fd";
const AREA_HA: f64 = 0.02;
/// Heights on each plot.
const PER_PLOT: usize = 2;
const SEED: u64 = 20_261_126;

fn knowledge() -> Knowledge {
    let tables = Tables::builtin();
    let Ok(species) = tables.species() else {
        panic!("no species table");
    };
    let Ok(volume) = tables.volume_set(SET, &species) else {
        panic!("no volume set");
    };
    Knowledge {
        species,
        volume: Some(volume),
        biomass: Vec::new(),
        regional: None,
        logs: None,
    }
}

fn with_volume() -> Design {
    let mut design = design(vec![fixed(AREA_HA)]);
    design.volume = Some(Volume {
        set: SET.to_owned(),
        region: Some("CWH".to_owned()),
        substitute: Vec::new(),
        fallback: Fallback::None,
        merchantable: None,
        planted: false,
        bark: None,
    });
    design.heights.curve = CurveChoice::Named("naslund".to_owned());
    design.intervals.ratios = RatioLimits::T;
    design
}

/// Circles with two measured heights each, of trees chosen at random.
fn sample(
    design: &Design,
    knowledge: &Knowledge,
    forest: &Forest,
    n: usize,
    random: &mut Random,
) -> Records {
    let circle = |random: &mut Random| -> Plot {
        let taken = forest.tally(&rule(&design.selections[0]), forest.point(random));
        let mut drawn: Vec<(f64, Tree)> = taken
            .iter()
            .map(|(k, images)| (random.unit(), forest.trees[*k].record(*images)))
            .collect();
        drawn.sort_by(|a, b| a.0.total_cmp(&b.0));
        let trees = drawn.into_iter().enumerate().map(|(k, (_, tree))| Tree {
            height: if k < PER_PLOT {
                tree.height
            } else {
                HeightRecord::Missing
            },
            ..tree
        });
        plot(0, vec![visit(design, 0, trees.collect(), Vec::new())])
    };
    let plots = (0..n).map(|_| circle(random)).collect();
    let mut records = records(1, vec![("S", vec![("", Some(1.0))], plots)]);
    records.species = (knowledge.species.lookup(SPECIES).into_iter())
        .map(|id| CruiseSpecies {
            label: SPECIES.to_owned(),
            id,
        })
        .collect();
    records
}

/// Two lines for each number of plots: by the sampling error, and by the whole error.
pub(crate) fn run(forest: &Forest, seed: u64, numbers: &[usize], samples: usize) -> Vec<Line> {
    let (design, knowledge) = (with_volume(), knowledge());
    let mut lines = Vec::new();
    for n in numbers {
        let mut random = Random(SEED + 1000 * seed + *n as u64);
        let (mut sampling, mut whole) = (Vec::new(), Vec::new());
        let mut values = Values::default();
        let mut truth = f64::NAN;
        for _ in 0..samples {
            let records = sample(&design, &knowledge, forest, *n, &mut random);
            let Ok(compilation) = compile(&design, &records, &knowledge) else {
                panic!("no equation");
            };
            if truth.is_nan() {
                let volume_m3 = |height_m, tree: &Tree| {
                    compilation
                        .values_at(tree, height_m)
                        .volume_total_m3
                        .unwrap()
                };
                let trees = forest.trees.iter();
                let all: f64 = trees.map(|t| volume_m3(t.height_m, &t.record(1.0))).sum();
                truth = all / forest.area_ha();
            }
            values.add(compilation.estimates.plots.iter(), 1);
            let place = (Some("S"), None, 0);
            let of = find(
                &compilation.estimates,
                place,
                Domain::LIVE,
                Attribute::VolumeTotal,
            );
            let total = whole_error(&compilation)
                .into_iter()
                .find(|row| row.stand.is_some() && row.attribute == Attribute::VolumeTotal);
            sampling.push(Found::of(of, false, design.confidence));
            let total = total.map(|row| row.with_total());
            whole.push(Found::of(total, false, design.confidence));
        }
        for (estimator, found) in [("sampling only", sampling), ("whole", whole)] {
            lines.push(Line {
                forest: forest.name.clone(),
                plan: "heights",
                estimator,
                n: *n,
                attribute: Attribute::VolumeTotal,
                skewness: values.skewness(Attribute::VolumeTotal),
                ..Line::of(truth, &found)
            });
        }
    }
    lines
}
