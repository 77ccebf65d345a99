//! What each stage takes, on one thread: all stands go through one function of the library after
//! the other, as `batch` takes each stand through them.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::time::Instant;

use spinney::compile::{Knowledge, compile_apart, equation_for, stem_input};
use spinney::design::Design;
use spinney::heights::StandHeights;
use spinney::heights::curve::Form;
use spinney::heights::fill::CurveSet;
use spinney::read::by_stand::{self, Divided, Opened};
use spinney::read::design::{Known, read_design};
use spinney::read::height_curves::regional_set;
use spinney::read::records::read_records;
use spinney::read::source::Source;
use spinney::read::tables::Tables;
use spinney::records::Records;
use spinney::render::csv;
use spinney::tables::frame::Frame;

const STAGES: [&str; 7] = [
    "divide files by stand",
    "read and check",
    "fit curves, fill heights",
    "volume",
    "expand and estimate",
    "tables and text",
    "write",
];

/// Seconds of each stage, the best of several runs.
pub(crate) fn run(folder: &Path, runs: usize) -> Vec<(&'static str, f64)> {
    rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build_global()
        .unwrap();
    let (design, source, knowledge) = prepare(folder);
    let one = |_| seconds(folder, &design, &source, &knowledge);
    let all: Vec<[f64; 7]> = (0..runs).map(one).collect();
    let least = |stage: usize| {
        all.iter()
            .map(|run| run[stage])
            .fold(f64::INFINITY, f64::min)
    };
    let named = STAGES.iter().enumerate();
    named.map(|(stage, name)| (*name, least(stage))).collect()
}

/// The design and the tables that it names.
fn prepare(folder: &Path) -> (Design, Source, Knowledge) {
    let tables = Tables::builtin();
    let (sets, height_sets) = (tables.volume_sets(), tables.folders("height-curves"));
    let known = Known {
        curve_forms: &Form::NAMES,
        volume_sets: &sets,
        biomass_sets: &[],
        bark_sets: &[],
        height_sets: &height_sets,
        log_rules: &[],
    };
    let source = Source::open(&folder.join("design.yaml"), "design.yaml").unwrap();
    let (design, _) = read_design(&source, folder, &known);
    let design = design.unwrap();
    let species = tables.species().unwrap();
    let set = &design.volume.as_ref().unwrap().set;
    let curves = design.heights.regional.as_ref().unwrap();
    let file = |part: &str| tables.source(&format!("height-curves/{curves}/{part}"));
    let (head, coefficients) = (file("set.yaml").unwrap(), file("coefficients.csv").unwrap());
    let knowledge = Knowledge {
        volume: Some(tables.volume_set(set, &species).unwrap()),
        biomass: Vec::new(),
        regional: Some(regional_set(&head, &coefficients, &species).unwrap()),
        logs: None,
        species,
    };
    (design, source, knowledge)
}

fn seconds(folder: &Path, design: &Design, source: &Source, knowledge: &Knowledge) -> [f64; 7] {
    let (dividing, divided) =
        timed(
            || match by_stand::open(design, Some(source), &knowledge.species).0 {
                Some(Opened::ByStand(divided)) => divided,
                _ => panic!("the inventory is divided by stand"),
            },
        );
    let numbers = 0..divided.stands().len();
    let (reading, stands) = timed(|| {
        let read = |stand| read(&divided, stand, design, knowledge);
        numbers.map(read).collect::<Vec<Records>>()
    });
    let (filling, heights) = timed(|| {
        let fill = |records| fill(records, design, knowledge);
        stands.iter().map(fill).collect::<Vec<StandHeights>>()
    });
    let (volumes, _) = timed(|| {
        let of_stand = |(records, heights)| volume_m3(records, heights, design, knowledge);
        stands.iter().zip(&heights).map(of_stand).sum::<f64>()
    });
    let (compiling, compiled) = timed(|| {
        let compile = |records| compile_apart(design, records, knowledge).unwrap();
        stands.iter().map(compile).collect::<Vec<_>>()
    });
    let (drawing, text) = timed(|| {
        let mut text = Vec::new();
        for (compilation, _) in &compiled {
            let frame = Frame::of(design, compilation.records);
            csv::estimate_rows(&mut text, &frame, &compilation.estimates.rows, None);
        }
        text
    });
    let (writing, ()) = timed(|| fs::write(folder.join("stages.csv"), text).unwrap());
    let estimating = compiling - filling - volumes;
    [
        dividing, reading, filling, volumes, estimating, drawing, writing,
    ]
}

fn timed<T>(stage: impl FnOnce() -> T) -> (f64, T) {
    let started = Instant::now();
    let made = stage();
    (started.elapsed().as_secs_f64(), made)
}

fn read(divided: &Divided, stand: usize, design: &Design, knowledge: &Knowledge) -> Records {
    let files = divided.files(stand).unwrap();
    let mut cover = |_| Ok(());
    let common = Some(divided.common());
    let (records, _) = read_records(design, &files, &knowledge.species, common, &mut cover);
    records.unwrap()
}

fn fill(records: &Records, design: &Design, knowledge: &Knowledge) -> StandHeights {
    let stand = &records.stands[0];
    let (species, regional) = (&records.species, knowledge.regional.as_ref());
    CurveSet::fit(
        &[stand],
        species,
        &knowledge.species,
        &design.heights,
        regional,
    )
    .fill(0, stand)
}

/// Volume of all trees, with the equations chosen anew for each stand, as `compile_apart` does.
fn volume_m3(
    records: &Records,
    heights: &StandHeights,
    design: &Design,
    knowledge: &Knowledge,
) -> f64 {
    let (set, wanted) = (
        knowledge.volume.as_ref().unwrap(),
        design.volume.as_ref().unwrap(),
    );
    let aliases = &design.species_aliases;
    let equation = |id| equation_for(set, wanted, &knowledge.species, aliases, id).unwrap();
    let species = records.species.iter().enumerate();
    let equations: BTreeMap<usize, _> = species.map(|(k, one)| (k, equation(one.id))).collect();
    let trees = records.stands[0].trees().zip(&heights.trees);
    trees
        .filter_map(|((_, _, tree), height)| {
            let input = stem_input(tree, height.height_m?);
            set.stem(&equations[&tree.species].chosen, &input).total_m3
        })
        .sum()
}
