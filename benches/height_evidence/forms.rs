//! How many heights a curve of three parameters needs: error at the trees that were left out.

use spinney::design::FitWeights;
use spinney::heights::curve::Form;
use spinney::heights::fit::{
    FAVOURITE, FittedCurve, LEAD, LEAST_FOR_THREE, NOT_IN_BEST, Points, acceptable, fit_form,
};
use spinney::math::nonlinear::Solver;

use crate::data::{Stock, split};
use crate::random::Random;

const SIZES: [usize; 8] = [6, 8, 10, 15, 20, 30, 40, 60];
const SEED: u64 = 20_261_127;

/// A way to choose among forms.
struct Rule {
    name: &'static str,
    tried: fn(Form, usize) -> bool,
    /// What Naslund's curve is ahead by.
    lead: f64,
}

const RULES: [Rule; 4] = [
    Rule {
        name: "naslund",
        tried: |form, _| form == Form::Naslund,
        lead: 0.0,
    },
    Rule {
        name: "least of two",
        tried: |form, _| form.n_parameters() == 2,
        lead: 0.0,
    },
    Rule {
        name: "least of all",
        tried: |_, _| true,
        lead: 0.0,
    },
    Rule {
        name: "default",
        tried: |form, n| form.n_parameters() == 2 || n >= LEAST_FOR_THREE,
        lead: LEAD,
    },
];

pub(crate) fn run(stocks: &[Stock], draws: usize) {
    println!(
        "Root mean square error (m) at the trees left out, by heights behind the curve; {draws} draws"
    );
    println!("(in brackets: draws without an acceptable curve, which are left out of all columns)");
    let heads: Vec<String> = RULES
        .iter()
        .map(|rule| format!("{:>12}", rule.name))
        .collect();
    println!("{:14} {:>4} {}  none", "species", "n", heads.join(" "));
    for stock in stocks {
        for n in SIZES.into_iter().filter(|n| n + 10 <= stock.trees.len()) {
            one(stock, n, draws);
        }
    }
}

fn one(stock: &Stock, n: usize, draws: usize) {
    let mut random = Random(SEED + n as u64);
    let mut solver = Solver::new();
    let mut squares = [0.0; RULES.len()];
    let (mut count, mut none) = (0_usize, 0_usize);
    let all = Points::new(stock.trees.iter().map(|t| (t.dbh_cm, t.height_m)).collect());
    let range_cm = all.dbh_range_cm().unwrap_or_default();
    for _ in 0..draws {
        let (taken, left) = split(&stock.trees, n, &mut random);
        let points = Points::new(taken.iter().map(|t| (t.dbh_cm, t.height_m)).collect());
        let fits: Vec<FittedCurve> = Form::ALL
            .into_iter()
            .filter(|form| !NOT_IN_BEST.contains(form))
            .filter_map(|form| {
                fit_form(
                    form,
                    &points,
                    FitWeights::Equal,
                    stock.breast_height_m,
                    &mut solver,
                )
                .ok()
            })
            .filter(|fit| acceptable(fit, range_cm, points.tallest_m()).is_ok())
            .collect();
        let chosen = RULES.map(|rule| {
            let among = fits.iter().filter(|fit| (rule.tried)(fit.curve.form, n));
            let criterion = |fit: &FittedCurve| {
                let ahead = fit.curve.form == FAVOURITE;
                fit.aicc - if ahead { rule.lead } else { 0.0 }
            };
            among.min_by(|a, b| criterion(a).total_cmp(&criterion(b)))
        });
        if chosen.iter().any(Option::is_none) {
            none += 1;
            continue;
        }
        count += left.len();
        for (sum, fit) in squares.iter_mut().zip(chosen.into_iter().flatten()) {
            let off = left
                .iter()
                .map(|t| t.height_m - fit.curve.height_m(t.dbh_cm));
            *sum += off.map(|off| off * off).sum::<f64>();
        }
    }
    let errors = squares.map(|sum| format!("{:12.3}", (sum / count as f64).sqrt()));
    println!("{:14} {n:4} {}  ({none})", stock.name, errors.join(" "));
}
