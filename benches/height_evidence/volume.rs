//! Volume of sampled points whose heights are all known, and with heights left on few trees: by how
//! much each way to fill the others misses. Points of Upper Flat Creek are drawn with replacement;
//! true and filled volume are of the same points, so that only the heights differ.

use spinney::compile::{Knowledge, compile};
use spinney::design::{
    Calibrate, CurveChoice, Design, Fallback, Fill, FitWeights, Measured as WhoIsMeasured,
    Merchantable, RatioLimits, Volume,
};
use spinney::estimates::{Attribute, Domain};
use spinney::read::tables::Tables;
use spinney::records::{HeightRecord, Plot, Records};

use crate::cruise::{BREAST_HEIGHT_M, Cruise};
use crate::random::Random;
use crate::sample::{design, find, gauge, plot, records, tall, tree, visit};

/// Points of a cruise.
const POINTS: usize = 60;
/// Trees of a point that keep their height.
const KEPT: [usize; 2] = [1, 2];
/// Basal area factor of Upper Flat Creek, as given with the data.
const BAF_M2_PER_HA: f64 = 6.43;
const SET: &str = "ca-bc-volume-2016";
const SEED: u64 = 20_261_129;
const ATTRIBUTES: [Attribute; 2] = [Attribute::VolumeTotal, Attribute::VolumeMerch];

type Way = (&'static str, bool, fn(&mut Design));

const WAYS: [Way; 8] = [
    ("default", false, |_| {}),
    ("naslund, plain", false, |design| {
        design.heights.curve = CurveChoice::Named("naslund".to_owned());
        design.heights.calibrate = Calibrate::None;
    }),
    ("best, plain", false, |design| {
        design.heights.calibrate = Calibrate::None;
    }),
    ("effects of points", false, |design| {
        design.heights.calibrate = Calibrate::Plots;
    }),
    ("weights 1/dbh", false, |design| {
        design.heights.weights = FitWeights::InverseDbh;
    }),
    ("shared by kind", false, |design| {
        design.heights.min_trees = 60;
    }),
    ("drawn, 20 times", false, |design| {
        design.heights.fill = Fill::Draws {
            number: 20,
            seed: 1,
        };
    }),
    ("published, scaled", true, |design| {
        design.heights.min_trees = usize::MAX;
    }),
];

pub(crate) fn run(cruise: &Cruise, draws: usize) {
    println!(
        "Upper Flat Creek, {POINTS} points drawn {draws} times, heights kept on some trees of each point:"
    );
    println!(
        "volume with filled heights against volume with all heights, percent (Monte Carlo error)"
    );
    println!(
        "{:20} {:>5} {:>18} {:>18} {:>10}",
        "way", "kept", "total volume", "merchantable", "scatter"
    );
    let plain = knowledge(cruise, false);
    let published = knowledge(cruise, true);
    for kept in KEPT {
        for (name, with_regional, change) in WAYS {
            let knowledge = if with_regional { &published } else { &plain };
            let mut random = Random(SEED);
            let mut off: [Vec<f64>; 2] = Default::default();
            for _ in 0..draws {
                let mut design = rules();
                let (known, some) = sample(&design, cruise, kept, &mut random);
                let truth = volumes(&design, &known, &plain);
                change(&mut design);
                let filled = volumes(&design, &some, knowledge);
                for (off, (filled, truth)) in off.iter_mut().zip(filled.iter().zip(truth)) {
                    off.push(100.0 * (filled / truth - 1.0));
                }
            }
            let shown = off.each_ref().map(|off| shown(off));
            let (_, scatter) = mean_and_sd(&off[0]);
            println!(
                "{name:20} {kept:5} {:>18} {:>18} {scatter:10.2}",
                shown[0], shown[1]
            );
        }
    }
}

fn shown(off: &[f64]) -> String {
    let (mean, sd) = mean_and_sd(off);
    format!("{mean:+.2} ({:.2})", sd / (off.len() as f64).sqrt())
}

fn mean_and_sd(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    (mean, (squares / (n - 1.0)).sqrt())
}

fn knowledge(cruise: &Cruise, with_regional: bool) -> Knowledge {
    let tables = Tables::builtin();
    let Ok(species) = tables.species() else {
        panic!("no species table")
    };
    let Ok(volume) = tables.volume_set(SET, &species) else {
        panic!("no volume set")
    };
    Knowledge {
        species,
        volume: Some(volume),
        biomass: Vec::new(),
        regional: with_regional.then(|| cruise.regional.clone()),
        logs: None,
    }
}

fn rules() -> Design {
    let mut design = design(vec![gauge(BAF_M2_PER_HA, WhoIsMeasured::All, None)]);
    design.heights.breast_height_m = BREAST_HEIGHT_M;
    design.volume = Some(Volume {
        set: SET.to_owned(),
        region: Some("ICH".to_owned()),
        substitute: Vec::new(),
        fallback: Fallback::Group,
        merchantable: Some(Merchantable {
            stump_m: 0.3,
            top_diameter_cm: 10.0,
            top_inside_bark: true,
            min_dbh_cm: Some(12.5),
        }),
        planted: false,
        bark: None,
    });
    design.intervals.ratios = RatioLimits::T;
    design
}

/// The same points with all heights and with some.
fn sample(
    design: &Design,
    cruise: &Cruise,
    kept: usize,
    random: &mut Random,
) -> (Records, Records) {
    let mut known: Vec<Plot> = Vec::new();
    let mut some: Vec<Plot> = Vec::new();
    for _ in 0..POINTS {
        let point = (random.unit() * cruise.n_plots as f64) as usize;
        let trees = cruise.trees.iter().filter(|tree| tree.plot == point);
        let mut trees: Vec<_> = trees
            .map(|one| {
                (
                    random.unit(),
                    tall(tree(one.species, one.dbh_cm), one.height_m),
                )
            })
            .collect();
        trees.sort_by(|a, b| a.0.total_cmp(&b.0));
        let trees: Vec<_> = trees.into_iter().map(|(_, tree)| tree).collect();
        let mut fewer = trees.clone();
        for tree in fewer.iter_mut().skip(kept) {
            tree.height = HeightRecord::Missing;
        }
        for (plots, trees) in [(&mut known, trees), (&mut some, fewer)] {
            plots.push(plot(0, vec![visit(design, 0, trees, Vec::new())]));
        }
    }
    let of = |plots: Vec<Plot>| {
        let mut records = records(1, vec![("S", vec![("", Some(1.0))], plots)]);
        records.species.clone_from(&cruise.species);
        records
    };
    (of(known), of(some))
}

fn volumes(design: &Design, records: &Records, knowledge: &Knowledge) -> [f64; 2] {
    let compilation = compile(design, records, knowledge);
    let compilation = compilation.unwrap_or_else(|missing| panic!("{}", missing.message));
    ATTRIBUTES.map(|attribute| {
        let place = (Some("S"), None, 0);
        let found = find(&compilation.estimates, place, Domain::LIVE, attribute);
        found.map_or(f64::NAN, |estimate| estimate.mean)
    })
}
