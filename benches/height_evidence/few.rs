//! Few heights of each species: error at all the other trees of Upper Flat Creek.

use spinney::design::{CurveChoice, FitWeights};
use spinney::heights::fit::{FittedCurve, Points, choose};
use spinney::math::nonlinear::Solver;

use crate::cruise::{BREAST_HEIGHT_M, Cruise, Measured, rules};
use crate::data::split;
use crate::random::Random;
use crate::tally::Tally;

const NUMBERS: [usize; 7] = [1, 2, 3, 5, 8, 12, 20];
const SEED: u64 = 20_261_128;
const WAYS: [&str; 7] = [
    "own, pooled",
    "pooled",
    "published",
    "scaled",
    "default",
    "with set",
    "shared",
];
/// The program's own ways, and those that each is held against.
const DEFAULT: usize = 4;
const WITHOUT_SET: [usize; 3] = [0, 1, 6];
const WITH_SET: usize = 5;
const BY_SET: [usize; 2] = [2, 3];

pub(crate) fn run(cruise: &Cruise, draws: usize) {
    println!(
        "Upper Flat Creek: root mean square error (m) at the trees left out, by heights of each species; {draws} draws"
    );
    println!(
        "own, pooled: own curve where there is one, else one curve of all; pooled: one curve of all;"
    );
    println!(
        "published: us-inland-empire-1982 as it stands; scaled: the same scaled to the heights;"
    );
    println!("default: as the program does; with set: the default with the published set named");
    let heads: Vec<String> = WAYS.iter().map(|way| format!("{way:>12}")).collect();
    println!(
        "{:>3} {}  default behind the best without a set (its error); with set",
        "n",
        heads.join(" ")
    );
    for n in NUMBERS {
        one(cruise, n, draws);
    }
}

fn one(cruise: &Cruise, n: usize, draws: usize) {
    let mut random = Random(SEED + n as u64);
    let mut tallies: [Tally; WAYS.len()] = Default::default();
    for _ in 0..draws {
        let mut trees: Vec<(Measured, bool)> = Vec::new();
        for species in 0..cruise.n_species() {
            let of_species = cruise.trees.iter().filter(|tree| tree.species == species);
            let of_species: Vec<Measured> = of_species.copied().collect();
            let (taken, left) = split(&of_species, n, &mut random);
            trees.extend(taken.into_iter().map(|tree| (tree, true)));
            trees.extend(left.into_iter().map(|tree| (tree, false)));
        }
        let ways = heights(cruise, n, &trees);
        let is_left = |at: &usize| !trees[*at].1;
        let all: Vec<usize> = (0..trees.len()).filter(is_left).collect();
        for (tally, way) in tallies.iter_mut().zip(&ways) {
            // A way that gives some tree no height is shown without a figure.
            let off = all
                .iter()
                .map(|at| way[*at].map_or(f64::NAN, |m| m - trees[*at].0.height_m));
            tally.add(off);
        }
    }
    let shown: Vec<String> = tallies
        .iter()
        .map(|tally| format!("{:12.3}", tally.rmse()))
        .collect();
    let behind = |way: usize, others: &[usize]| {
        let finite = others
            .iter()
            .filter(|other| tallies[**other].rmse().is_finite());
        let best = finite.min_by(|a, b| tallies[**a].rmse().total_cmp(&tallies[**b].rmse()));
        best.filter(|_| tallies[way].rmse().is_finite())
            .map_or_else(String::new, |best| {
                let behind = tallies[way].rmse() - tallies[*best].rmse();
                let error = tallies[way].error_of_difference(&tallies[*best]);
                format!("{behind:+.3} ({error:.3}) to {}", WAYS[*best])
            })
    };
    println!(
        "{n:3} {}  {:30} {}",
        shown.join(" "),
        behind(DEFAULT, &WITHOUT_SET),
        behind(WITH_SET, &BY_SET)
    );
}

fn heights(
    cruise: &Cruise,
    n: usize,
    trees: &[(Measured, bool)],
) -> [Vec<Option<f64>>; WAYS.len()] {
    let mut solver = Solver::new();
    let mut fit = |species: Option<usize>| -> Option<FittedCurve> {
        let serves = |tree: &&(Measured, bool)| species.is_none_or(|one| tree.0.species == one);
        let served = || trees.iter().filter(serves);
        let of = |(tree, _): &(Measured, bool)| (tree.dbh_cm, tree.height_m);
        let range = Points::new(served().map(of).collect()).dbh_range_cm()?;
        let points = Points::new(served().filter(|tree| tree.1).map(of).collect());
        let best = CurveChoice::Best;
        choose(
            &points,
            &best,
            FitWeights::Equal,
            BREAST_HEIGHT_M,
            range,
            &mut solver,
        )
        .chosen
    };
    let pooled = fit(None);
    let own: Vec<Option<FittedCurve>> = (0..cruise.n_species()).map(|one| fit(Some(one))).collect();
    let by = |fit: &Option<FittedCurve>, tree: &Measured| {
        fit.as_ref().map(|fit| fit.curve.height_m(tree.dbh_cm))
    };
    let each =
        |of: &dyn Fn(&Measured) -> Option<f64>| trees.iter().map(|(tree, _)| of(tree)).collect();
    let mut published_only = rules();
    published_only.min_trees = usize::MAX;
    let mut shared_only = rules();
    shared_only.min_trees = n + 1;
    [
        each(&|tree| by(&own[tree.species], tree).or(by(&pooled, tree))),
        each(&|tree| by(&pooled, tree)),
        each(&|tree| cruise.published_m(tree)),
        cruise.fill(&published_only, true, trees),
        cruise.fill(&rules(), false, trees),
        cruise.fill(&rules(), true, trees),
        cruise.fill(&shared_only, false, trees),
    ]
}
