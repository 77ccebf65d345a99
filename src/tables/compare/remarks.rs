//! What two ways to compile a cruise do not define alike.

use super::{Compared, limit_words};
use crate::compare::columns;
use crate::compile::Compilation;
use crate::diagnostic::counted;
use crate::species::set::VolumeSet;
use crate::tables::tidy::{Tidy, Value};

/// What the two do not define alike, and on how much either is stretched.
pub(super) fn remarks_of(base: &Compilation<'_>, alternative: &Compilation<'_>) -> Vec<String> {
    let mut remarks = Vec::new();
    if let (Some(ours), Some(theirs)) = (&base.knowledge.volume, &alternative.knowledge.volume) {
        remarks.extend(definitions(ours, theirs));
    }
    let region = |c: &Compilation<'_>| c.design.volume.as_ref().and_then(|v| v.region.clone());
    if let (Some(region), None) = (region(base), region(alternative)) {
        remarks.push(format!(
            "region {region} is none of this set's, which is used without a region"
        ));
    }
    let limits = |c: &Compilation<'_>| c.design.volume.as_ref().and_then(|v| v.merchantable);
    if limits(base) != limits(alternative) {
        remarks.push(format!(
            "NOT THE SAME WOOD: merchantable volume rests on other limits; as designed {}, here {}",
            limit_words(limits(base)),
            limit_words(limits(alternative))
        ));
    }
    for (column, attribute) in columns() {
        let has = |c: &Compilation<'_>| {
            let mut trees = c.stands.iter().flat_map(|stand| &stand.values);
            trees.any(|values| column.of_tree(values).is_some())
        };
        match (has(base), has(alternative)) {
            (true, false) => remarks.push(format!(
                "{}: given as designed, not here, so there is no difference to show",
                attribute.words()
            )),
            (false, true) => remarks.push(format!(
                "{}: given here, not as designed, so there is no difference to show",
                attribute.words()
            )),
            _ => {}
        }
    }
    let outside = |c: &Compilation<'_>| {
        let stems = c
            .stands
            .iter()
            .flat_map(|stand| stand.stems.iter().flatten());
        stems.filter(|stem| stem.out_of_range).count()
    };
    let (ours, theirs) = (outside(base), outside(alternative));
    if ours + theirs > 0 {
        remarks.push(format!(
            "trees outside the valid range of their equation: {ours} as designed, {theirs} here"
        ));
    }
    let others = other_heights(base, alternative);
    if others > 0 {
        remarks.push(format!(
            "{} have another height here",
            counted(others, "tree")
        ));
    }
    remarks.extend(marks(base, alternative));
    remarks
}

fn definitions(ours: &VolumeSet, theirs: &VolumeSet) -> Vec<String> {
    let mut remarks = Vec::new();
    if ours.head.bark != theirs.head.bark {
        remarks.push(format!(
            "NOT THE SAME WOOD: volumes as designed are {}, here {}",
            ours.head.bark.words(),
            theirs.head.bark.words()
        ));
    }
    if ours.head.total_includes != theirs.head.total_includes {
        remarks.push(format!(
            "total volume as designed includes {}; here {}",
            ours.head.total_includes, theirs.head.total_includes
        ));
    }
    remarks
}

fn other_heights(base: &Compilation<'_>, alternative: &Compilation<'_>) -> usize {
    let stands = base.stands.iter().zip(&alternative.stands);
    let trees =
        stands.flat_map(|(ours, theirs)| ours.heights.trees.iter().zip(&theirs.heights.trees));
    trees
        .filter(|(ours, theirs)| ours.height_m != theirs.height_m)
        .count()
}

/// Doubts of the alternative's equations that the base's do not share.
fn marks(base: &Compilation<'_>, alternative: &Compilation<'_>) -> Vec<String> {
    let species = base.records.species.iter();
    let equations = base.equations.iter().zip(&alternative.equations);
    species
        .zip(equations)
        .flat_map(|(species, (ours, theirs))| {
            let new = theirs.chosen.marks.iter();
            new.filter(|mark| !ours.chosen.marks.contains(mark))
                .map(|mark| format!("{}: {mark}", species.label))
        })
        .collect()
}

/// What an alternative and the design do not define alike, a row each.
pub fn remarks(compared: &Compared<'_>) -> Tidy {
    let mut rows = Vec::new();
    for alternative in &compared.alternatives {
        for remark in remarks_of(compared.base, alternative.compilation) {
            rows.push(vec![Value::word(&alternative.name), Value::word(remark)]);
        }
    }
    Tidy {
        columns: vec!["alternative", "remark"],
        rows,
    }
}
