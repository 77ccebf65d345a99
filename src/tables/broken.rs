//! Broken stems: how many, where their total heights come from, what the breaks take off.

use crate::compile::{Compilation, stem_input};
use crate::diagnostic::counted;
use crate::records::Tree;
use crate::stems::volume::StemInput;
use crate::tables::stands_of;

/// What there is to say of trees with a broken height, within the dbh limits of their selections.
#[derive(Default)]
struct Broken {
    trees: usize,
    /// Total height recorded or read.
    measured: usize,
    /// Total height from a curve, or the height of the break in its place.
    raised: usize,
    filled: usize,
    up_to_break_m3: f64,
    whole_m3: f64,
}

/// One sentence; none without broken trees.
pub(super) fn facts(compilation: &Compilation<'_>, one: Option<usize>) -> Option<String> {
    let mut found = Broken::default();
    for (stand, compiled) in stands_of(compilation, one) {
        let trees = stand
            .trees()
            .zip(&compiled.heights.trees)
            .zip(&compiled.values);
        for (((_, _, tree), height), values) in trees {
            let Some(height_m) = height.height_m.filter(|_| is_broken(tree)) else {
                continue;
            };
            found.measured += usize::from(height.source.curve().is_none());
            found.raised += usize::from(height.raised_to_break);
            found.filled += usize::from(height.source.curve().is_some() && !height.raised_to_break);
            let volume_m3 = values.volume_total_m3.or(values.volume_merch_m3);
            if let (Some(up_to_break_m3), Some(whole_m3)) =
                (volume_m3, whole_m3(compilation, tree, height_m))
            {
                found.up_to_break_m3 += up_to_break_m3;
                found.whole_m3 += whole_m3;
            }
        }
    }
    let all = stands_of(compilation, one).flat_map(|(stand, _)| stand.trees());
    found.trees = all.filter(|(_, _, tree)| is_broken(tree)).count();
    (found.trees > 0).then(|| words(compilation, &found))
}

fn is_broken(tree: &Tree) -> bool {
    !tree.excluded && tree.broken_height_m.is_some()
}

/// Volume of the stem if nothing were broken off, total or else merchantable.
fn whole_m3(compilation: &Compilation<'_>, tree: &Tree, height_m: f64) -> Option<f64> {
    let set = compilation.knowledge.volume.as_ref()?;
    let equation = compilation.equations.get(tree.species)?;
    let input = StemInput {
        broken_height_m: None,
        ..stem_input(tree, height_m)
    };
    let stem = set.stem(&equation.chosen, &input);
    stem.total_m3.or(stem.merchantable_m3)
}

fn words(compilation: &Compilation<'_>, found: &Broken) -> String {
    let volume = compilation.design.units.volume();
    let mut words = format!(
        "{} with a height of the break and one of the whole stem: the latter recorded or read for \
         {}, from a curve for {}, and for {} the break itself, as the curve stays below it",
        counted(found.trees, "broken tree"),
        found.measured,
        found.filled,
        found.raised
    );
    let none = found.trees - found.measured - found.filled - found.raised;
    if none > 0 {
        words += &format!("; none for {none}");
    }
    if found.whole_m3 > 0.0 {
        words += &format!(
            "; up to the breaks these records hold {} {}, as whole stems they would hold {}",
            format_args!("{:.2}", found.up_to_break_m3 * volume.from_metric),
            volume.label,
            format_args!("{:.2}", found.whole_m3 * volume.from_metric)
        );
    }
    words
}
