//! What is known when records are written another way, added, merged or taken away.

use proptest::prelude::*;

use super::compiled::{
    ATTRIBUTE, KIND, Key, Row, Rows, SELECTION, STAND, STATUS, is_additive, rests_on_dbh,
};
use super::paper::{Cruise, Tree, any_cruise, cruise};
use super::{CASES, cases, close, close_errors};

fn assert_close(key: &Key, row: &Row, other: &Row) {
    assert!(close(row.mean, other.mean), "{key:?} {row:?} {other:?}");
    assert_eq!(
        row.std_error.is_some(),
        other.std_error.is_some(),
        "{key:?}"
    );
    if let (Some(a), Some(b)) = (row.std_error, other.std_error) {
        assert!(close_errors(a, b, row.mean), "{key:?} {row:?} {other:?}");
    }
    assert_eq!(row.df.is_some(), other.df.is_some(), "{key:?}");
    // Of no variance there is no weight of strata.
    if let (Some(a), Some(b), true) = (row.df, other.df, row.std_error > Some(1e-6 * row.mean)) {
        assert!(close(a, b), "{key:?} {row:?} {other:?}");
    }
    assert_eq!(row.n_plots, other.n_plots, "{key:?}");
}

/// All rows are the same up to rounding.
fn assert_all_close(rows: &Rows, others: &Rows) {
    assert_eq!(
        rows.keys().collect::<Vec<_>>(),
        others.keys().collect::<Vec<_>>()
    );
    for (key, row) in rows {
        assert_close(key, row, &others[key]);
    }
}

/// A cruise in which `Hw` takes the equations of `Fd`.
fn with_one_equation(cruise: Cruise) -> Cruise {
    cruise.with(|cruise| cruise.rules.volume_keys = vec!["substitute: {Hw: Fd}".to_owned()])
}

/// The same with all `Hw` recorded as `Fd`.
fn merged(cruise: &Cruise) -> Cruise {
    let rename = |species: &mut String| {
        if species == "Hw" {
            "Fd".clone_into(species);
        }
    };
    cruise.clone().with(|cruise| {
        cruise
            .trees_mut()
            .for_each(|tree| rename(&mut tree.species));
        cruise
            .plots
            .iter_mut()
            .flat_map(|plot| &mut plot.counts)
            .for_each(|count| rename(&mut count.species));
    })
}

/// Sums over `Fd` and `Hw` against those of `Fd` after merging; margins against margins.
fn assert_merged(apart: &Rows, merged: &Rows, of: impl Fn(&Key) -> bool) {
    for (key, row) in merged.iter().filter(|(key, _)| of(key)) {
        if key[KIND] == "all" {
            assert_close(key, row, &apart[key]);
        } else if key[KIND] == "Fd" && is_additive(key) {
            let mut other = key.clone();
            "Hw".clone_into(&mut other[KIND]);
            let mean = |key: &Key| apart.get(key).map_or(0.0, |row| row.mean);
            assert!(close(row.mean, mean(key) + mean(&other)), "{key:?} {row:?}");
        }
    }
}

fn is_live(key: &Key) -> bool {
    key[STATUS] == "live"
}

proptest! {
    #![proptest_config(cases(CASES))]

    /// With all heights measured exactly so, for the sweep too but for what it borrows by species.
    #[test]
    fn two_species_under_one_code(cruise in cruise()) {
        let apart = with_one_equation(cruise.all_measured());
        let merged = merged(&apart);
        let (apart, merged) = (apart.rows(), merged.rows());
        assert_merged(&apart, &merged, |key| key[SELECTION] != "sweep" || rests_on_dbh(key));
    }

    /// With curves what rests on dbh alone; heights and volumes come from other curves.
    #[test]
    fn two_species_under_one_code_with_curves(cruise in any_cruise()) {
        let apart = cruise.with(|cruise| {
            (cruise.rules.volume, cruise.rules.biomass, cruise.rules.ratios) = (false, false, "t");
            // Names are written otherwise in results.
            cruise.rules.further.clear();
        });
        let merged = merged(&apart);
        assert_merged(&apart.rows(), &merged.rows(), rests_on_dbh);
    }

    /// No figure of live trees changes by a bit. The snag has a measured height: one without asks the
    /// curve of its species to serve its dbh, which may refuse a form.
    #[test]
    fn a_snag_more(cruise in any_cruise(), dbh_mm in 60_u32..900, species in 0_usize..4, plot in 0_usize..5, selection in 0_usize..3) {
        let cruise = cruise.with(|cruise| {
            cruise.trees_mut().for_each(|tree| tree.defect_pct = Some(tree.defect_pct.unwrap_or(0)));
        });
        let more = cruise.clone().with(|more| {
            more.plots[plot].trees[selection].push(Tree {
                species: super::paper::SPECIES[species].to_owned(),
                dbh_cm: f64::from(dbh_mm) / 10.0 + 0.05,
                height_m: Some(17.0),
                dead: Some(2),
                count: 1,
                walkthrough: 1,
                defect_pct: Some(0),
            });
        });
        let any_tree = cruise.clone().trees_mut().count() > 0;
        prop_assume!(any_tree);
        let (rows, more) = (cruise.rows(), more.rows());
        for (key, row) in rows.iter().filter(|(key, _)| is_live(key)) {
            prop_assert_eq!(Some(row), more.get(key), "{:?}", key);
        }
    }

    /// What rests on dbh does not change by a bit when heights go.
    #[test]
    fn heights_taken_away(cruise in any_cruise(), species in 0_usize..4) {
        let without = cruise.clone().with(|without| {
            let of = super::paper::SPECIES[species];
            without.trees_mut().filter(|tree| tree.species == of).for_each(|tree| tree.height_m = None);
        });
        let (rows, without) = (cruise.rows(), without.rows());
        for (key, row) in rows.iter().filter(|(key, _)| rests_on_dbh(key)) {
            prop_assert_eq!(Some(row), without.get(key), "{:?}", key);
        }
    }

    /// A record that stands for several trees is as good as so many records, and one that was met
    /// twice by the walkthrough as two.
    #[test]
    fn counts_of_like_trees(cruise in cruise()) {
        let cruise = cruise.all_measured();
        let spelt_out = cruise.clone().with(|spelt_out| {
            for trees in spelt_out.plots.iter_mut().flat_map(|plot| &mut plot.trees) {
                *trees = trees
                    .iter()
                    .flat_map(|tree| {
                        let one = Tree { count: 1, walkthrough: 1, ..tree.clone() };
                        vec![one; tree.count * tree.walkthrough]
                    })
                    .collect();
            }
        });
        assert_all_close(&cruise.rows(), &spelt_out.rows());
    }

    /// Half of a plot inside: what was found there counts twice. Measured trees only: a sweep that
    /// was cut counts its trees, of which there are none by halves. Top height goes by the size of
    /// the plot.
    #[test]
    fn half_plots(cruise in cruise()) {
        let halves = cruise.all_measured().with(|halves| {
            halves.plots.iter_mut().for_each(|plot| plot.fraction = 0.5);
        });
        let whole = halves.clone().with(|whole| {
            for plot in &mut whole.plots {
                plot.fraction = 1.0;
                plot.trees.iter_mut().flatten().for_each(|tree| tree.count *= 2);
                plot.counts.iter_mut().for_each(|count| count.trees *= 2);
            }
        });
        let (halves, whole) = (halves.rows(), whole.rows());
        prop_assert_eq!(halves.len(), whole.len());
        for (key, row) in halves.iter().filter(|(key, _)| key[ATTRIBUTE] != "top_height") {
            assert_close(key, row, &whole[key]);
        }
    }

    /// A selection more, without heights of its own, changes nothing in the others.
    #[test]
    fn a_selection_less(cruise in any_cruise()) {
        prop_assume!(!cruise.rules.sampling.iter().any(|line| line.contains("combine")));
        let fewer = cruise.clone().with(|fewer| {
            for plot in &mut fewer.plots {
                plot.counts.clear();
            }
        });
        let (rows, fewer) = (cruise.rows(), fewer.rows());
        for (key, row) in rows.iter().filter(|(key, _)| key[SELECTION] != "sweep") {
            prop_assert_eq!(Some(row), fewer.get(key), "{:?}", key);
        }
    }

    /// Names of plots and stands are no figures: only draws and resamples go by them.
    #[test]
    fn other_names(cruise in cruise()) {
        let renamed = cruise.clone().with(|renamed| {
            for (at, plot) in renamed.plots.iter_mut().enumerate() {
                plot.name = format!("{}-{at}", (b'z' - u8::try_from(at).unwrap()) as char);
            }
            for (at, stand) in renamed.stands.iter_mut().enumerate() {
                stand.name = format!("{}", 9 - at);
            }
        });
        let rows = cruise.rows();
        let others = renamed.rows();
        prop_assert_eq!(rows.len(), others.len());
        for (key, row) in &rows {
            let mut other = key.clone();
            if let Some(at) = cruise.stands.iter().position(|stand| stand.name == key[STAND]) {
                other[STAND] = format!("{}", 9 - at);
            }
            assert_close(key, row, &others[&other]);
        }
    }
}
