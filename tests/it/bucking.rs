//! Cutting stems of known shape into logs: what must hold whatever the rules.

use proptest::prelude::*;
use spinney::design::{CubicRule, ScaleDiameter, ScaleLength};
use spinney::logs::bucking::{BoardFootRule, Bucked, Log, LogPlan, OfTree, ProductRule, Stem, net};
use spinney::read::tables::Tables;
use spinney::species::SpeciesId;
use spinney::units::{CM_PER_IN, M_PER_FT, basal_area_m2};

use crate::answers::rows;
use crate::cruise::repository;

const LIVE_FIRST_SPECIES: OfTree = OfTree {
    species: SpeciesId(1),
    live: true,
};

fn product(lengths_m: &[f64], trim_m: f64, min_top_dib_cm: f64) -> ProductRule {
    ProductRule {
        name: "log".to_owned(),
        lengths_m: lengths_m.to_vec(),
        trim_m,
        min_top_dib_cm,
        min_dbh_cm: None,
        species: Vec::new(),
        live_only: false,
    }
}

fn plan(stump_m: f64, products: Vec<ProductRule>) -> LogPlan {
    LogPlan {
        stump_m,
        cubic_rule: CubicRule::Newton,
        board_feet: Vec::new(),
        scale_diameter: ScaleDiameter::NearestInch,
        scale_length: ScaleLength::AsIs,
        products,
    }
}

/// A stem `d = base (1 - h/H)^power`: a cone for 1, a paraboloid for 1/2, a neiloid for 3/2.
#[derive(Clone, Copy, Debug)]
struct Solid {
    base_cm: f64,
    tip_m: f64,
    power: f64,
    break_m: Option<f64>,
}

impl Solid {
    fn dib_cm(&self, height_m: f64) -> f64 {
        self.base_cm * (1.0 - height_m / self.tip_m).max(0.0).powf(self.power)
    }

    /// Integral of the cross-section in closed form.
    fn volume_m3(&self, from_m: f64, to_m: f64) -> f64 {
        let exponent = 2.0 * self.power + 1.0;
        let above = |h: f64| (1.0 - h / self.tip_m).max(0.0).powf(exponent);
        basal_area_m2(self.base_cm) * self.tip_m / exponent * (above(from_m) - above(to_m))
    }

    fn top_m(&self) -> f64 {
        self.break_m.unwrap_or(self.tip_m).min(self.tip_m)
    }

    fn buck(&self, plan: &LogPlan, tree: OfTree) -> Bucked {
        let stem = Stem {
            dib_cm_at: &|h| self.dib_cm(h),
            volume_m3_between: &|from, to| self.volume_m3(from, to),
            tip_m: self.tip_m,
            break_m: self.break_m,
        };
        plan.buck(&stem, self.base_cm, tree)
    }
}

fn solids() -> impl Strategy<Value = Solid> {
    let power = prop_oneof![Just(0.5), Just(1.0), Just(1.5)];
    (8.0_f64..120.0, 4.0_f64..60.0, power, 0.0_f64..1.6).prop_map(
        |(base_cm, tip_m, power, broken)| Solid {
            base_cm,
            tip_m,
            power,
            break_m: (broken < 1.2).then_some(broken * tip_m),
        },
    )
}

fn plans() -> impl Strategy<Value = LogPlan> {
    let product_of = || {
        (
            prop::collection::vec(1.0_f64..8.0, 1..4),
            0.0_f64..0.3,
            3.0_f64..30.0,
        )
            .prop_map(|(mut lengths_m, trim_m, min_top)| {
                lengths_m.sort_by(|a, b| b.total_cmp(a));
                product(&lengths_m, trim_m, min_top)
            })
    };
    (0.0_f64..1.0, prop::collection::vec(product_of(), 1..4))
        .prop_map(|(stump_m, products)| plan(stump_m, products))
}

proptest! {
    #[test]
    fn logs_stand_on_each_other_below_the_top(stem in solids(), plan in plans()) {
        let bucked = stem.buck(&plan, LIVE_FIRST_SPECIES);
        let mut at_m = plan.stump_m;
        for log in &bucked.logs {
            let product = &plan.products[log.product];
            prop_assert!((log.bottom_m - at_m).abs() < 1e-9);
            prop_assert!(log.end_m() <= stem.top_m() + 1e-9);
            prop_assert!(log.d_small_cm >= product.min_top_dib_cm);
            prop_assert!(log.d_small_cm <= log.d_mid_cm && log.d_mid_cm <= log.d_large_cm);
            prop_assert!(product.lengths_m.contains(&log.length_m));
            at_m = log.end_m();
        }
    }

    #[test]
    fn nothing_better_would_have_fitted(stem in solids(), plan in plans()) {
        let bucked = stem.buck(&plan, LIVE_FIRST_SPECIES);
        let fits = |at_m: f64, product: &ProductRule, length_m: f64| {
            at_m + length_m + product.trim_m < stem.top_m() - 1e-6
                && stem.dib_cm(at_m + length_m) > product.min_top_dib_cm + 1e-6
        };
        for log in &bucked.logs {
            for earlier in &plan.products[..log.product] {
                prop_assert!(!earlier.lengths_m.iter().any(|l| fits(log.bottom_m, earlier, *l)));
            }
            let product = &plan.products[log.product];
            let longer = product.lengths_m.iter().filter(|l| **l > log.length_m);
            prop_assert!(!longer.into_iter().any(|l| fits(log.bottom_m, product, *l)));
        }
        let end_m = bucked.logs.last().map_or(plan.stump_m, Log::end_m);
        for product in &plan.products {
            prop_assert!(!product.lengths_m.iter().any(|l| fits(end_m, product, *l)));
        }
    }

    #[test]
    fn the_parts_add_up_to_the_stem_and_newton_is_the_integral(stem in solids(), plan in plans()) {
        let bucked = stem.buck(&plan, LIVE_FIRST_SPECIES);
        let whole = stem.volume_m3(0.0, stem.top_m());
        let parts = bucked.stump_m3 + bucked.logs_m3 + bucked.trim_m3 + bucked.top_m3;
        prop_assert!((parts - whole).abs() <= 1e-9 * whole.max(1e-6));
        // Newton's rule is exact for cones, paraboloids and neiloids.
        let by_rule: f64 = bucked.logs.iter().map(|log| log.volume_m3).sum();
        prop_assert!((by_rule - bucked.logs_m3).abs() <= 1e-9 * whole.max(1e-6));
        for part in [bucked.stump_m3, bucked.logs_m3, bucked.trim_m3, bucked.top_m3] {
            prop_assert!(part >= -1e-12);
        }
    }

    #[test]
    fn a_stricter_top_never_gives_more(
        stem in solids(), length_m in 1.0_f64..6.0, trim_m in 0.0_f64..0.3,
        top_cm in 3.0_f64..30.0, stricter in 0.0_f64..10.0,
    ) {
        let of = |top_cm| {
            let plan = plan(0.3, vec![product(&[length_m], trim_m, top_cm)]);
            stem.buck(&plan, LIVE_FIRST_SPECIES)
        };
        let (loose, strict) = (of(top_cm), of(top_cm + stricter));
        prop_assert!(strict.logs.len() <= loose.logs.len());
        prop_assert!(strict.logs_m3 <= loose.logs_m3 + 1e-12);
        // With one length the logs of the stricter rule are the lowest of the others.
        prop_assert_eq!(&loose.logs[..strict.logs.len()], &strict.logs[..]);
    }

    #[test]
    fn a_break_only_takes_logs_away(stem in solids(), length_m in 1.0_f64..6.0) {
        let plan = plan(0.3, vec![product(&[length_m], 0.1, 8.0)]);
        let whole = Solid { break_m: None, ..stem }.buck(&plan, LIVE_FIRST_SPECIES);
        let broken = stem.buck(&plan, LIVE_FIRST_SPECIES);
        prop_assert!(broken.logs.len() <= whole.logs.len());
        prop_assert_eq!(&whole.logs[..broken.logs.len()], &broken.logs[..]);
    }
}

/// A cone of 40 cm at the ground and 20 m: d = 40 - 2 h. From a stump of 0.5 m, sawlogs of 5 or 4 m
/// with 0.2 m of trim to 20 cm, then pulp of 2 m with no trim to 8 cm; worked by hand.
#[test]
fn a_stem_cut_by_hand() {
    let cone = Solid {
        base_cm: 40.0,
        tip_m: 20.0,
        power: 1.0,
        break_m: None,
    };
    let plan = plan(
        0.5,
        vec![product(&[5.0, 4.0], 0.2, 20.0), product(&[2.0], 0.0, 8.0)],
    );
    let cut: Vec<(usize, String, String, String)> = cone
        .buck(&plan, LIVE_FIRST_SPECIES)
        .logs
        .iter()
        .map(|log| {
            let text = |value: f64| format!("{value:.2}");
            (
                log.product,
                text(log.bottom_m),
                text(log.length_m),
                text(log.d_small_cm),
            )
        })
        .collect();
    // 5 m end at 5.5 m with 29 cm; from 5.7 m 5 m would end at 10.7 m with 18.6 cm, too thin, and 4 m
    // end at 9.7 m with 20.6 cm; from 9.9 m pulp ends at 11.9, 13.9 and 15.9 m with 16.2, 12.2, 8.2 cm.
    let by_hand = [
        (0, "0.50", "5.00", "29.00"),
        (0, "5.70", "4.00", "20.60"),
        (1, "9.90", "2.00", "16.20"),
        (1, "11.90", "2.00", "12.20"),
        (1, "13.90", "2.00", "8.20"),
    ]
    .map(|(at, bottom, length, top)| (at, bottom.to_owned(), length.to_owned(), top.to_owned()));
    assert_eq!(cut, by_hand);
    // Broken at 11 m: the pulp that would end at 11.9 m is gone.
    let broken = Solid {
        break_m: Some(11.0),
        ..cone
    };
    let bucked = broken.buck(&plan, LIVE_FIRST_SPECIES);
    assert_eq!(bucked.logs.len(), 2);
    // Broken below the stump: all is stump.
    let stub = Solid {
        break_m: Some(0.4),
        ..cone
    };
    let bucked = stub.buck(&plan, LIVE_FIRST_SPECIES);
    assert!(bucked.logs.is_empty() && bucked.top_m3.abs() < 1e-15);
    assert!((bucked.stump_m3 / cone.volume_m3(0.0, 0.4) - 1.0).abs() < 1e-12);
}

#[test]
fn products_ask_for_dbh_species_and_life() {
    let cone = Solid {
        base_cm: 40.0,
        tip_m: 20.0,
        power: 1.0,
        break_m: None,
    };
    let mut sawlog = product(&[5.0], 0.0, 10.0);
    sawlog.live_only = true;
    sawlog.species = vec![SpeciesId(1)];
    sawlog.min_dbh_cm = Some(40.0);
    let plan = plan(0.0, vec![sawlog, product(&[3.0], 0.0, 10.0)]);
    let first = |stem: Solid, tree: OfTree| stem.buck(&plan, tree).logs[0].product;
    assert_eq!(first(cone, LIVE_FIRST_SPECIES), 0);
    let dead = OfTree {
        live: false,
        ..LIVE_FIRST_SPECIES
    };
    assert_eq!(first(cone, dead), 1);
    let other = OfTree {
        species: SpeciesId(2),
        ..LIVE_FIRST_SPECIES
    };
    assert_eq!(first(cone, other), 1);
    let thin = Solid {
        base_cm: 39.9,
        ..cone
    };
    assert_eq!(first(thin, LIVE_FIRST_SPECIES), 1);
    assert!((net(2.0, 25.0) - 1.5).abs() < 1e-15);
}

/// Every cell of the printed Doyle table as the one log of a cylinder, cut and scaled as a cruise
/// would be (published Doyle scale table, 105 cells).
#[test]
fn logs_that_are_cut_scale_as_the_table_is_printed() {
    let rule = Tables::builtin().log_rule("doyle").unwrap();
    let cells = rows(&repository().join("species-tables/log-rules/doyle/checks.csv"));
    assert_eq!(cells.len(), 105);
    for cell in cells {
        let number = |column: &str| cell[column].parse::<f64>().unwrap();
        let (dib_in, length_m) = (number("d_small_in"), number("length_ft") * M_PER_FT);
        let mut plan = plan(0.3, vec![product(&[length_m], 0.1, 10.0)]);
        plan.board_feet = vec![BoardFootRule {
            name: rule.name.clone(),
            citation: rule.citation.clone(),
            form: rule.board_foot_form().unwrap().clone(),
            round_to_bf: rule.round_to_bf,
        }];
        // Less than half an inch off the table's diameter, and a fraction over its length.
        plan.scale_length = ScaleLength::WholeFoot;
        for off_in in [-0.4, 0.0, 0.4] {
            let dib_cm = (dib_in + off_in) * CM_PER_IN;
            let stem = Stem {
                dib_cm_at: &|_| dib_cm,
                volume_m3_between: &|from, to| basal_area_m2(dib_cm) * (to - from),
                tip_m: length_m + 1.0,
                break_m: None,
            };
            let logs = plan.buck(&stem, dib_cm, LIVE_FIRST_SPECIES).logs;
            let [log] = &logs[..] else { panic!("{logs:?}") };
            assert_eq!(log.board_feet, [Some(number("value"))], "{cell:?}");
        }
    }
}
