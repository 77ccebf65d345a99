//! How much of the volume rests on extrapolation: trees outside the valid range of their equation,
//! and heights from a curve beyond the trees it was fitted to.
//!
//! An estimate is linear in the tree values, so the part of a volume per hectare that rests on some
//! trees is the same estimate with the values of all other trees set to zero: expansion, weights of
//! strata and stands, and borrowed ratios are those of the estimate itself.

use std::collections::BTreeSet;

use crate::compile::{Compilation, CompiledStand};
use crate::diagnostic::counted;
use crate::estimates::{Attribute, StatusDomain, estimate_cruise};
use crate::records::{Stand, Tree};
use crate::stems::TreeValues;
use crate::tables::figures::{everything, species_label};
use crate::tables::lookup::{Lookup, Scope};
use crate::tables::{Block, Cell, Column, Table};

/// How trees are stretched: by their equation, by their curve.
const WAYS: usize = 2;

fn is_outside(compiled: &CompiledStand, at: usize, tree: &Tree, way: usize) -> bool {
    if way == 0 {
        return compiled.stems[at].is_some_and(|stem| stem.out_of_range || stem.bark_out_of_range);
    }
    let source = compiled.heights.trees[at].source;
    compiled.heights.is_extrapolated(source, tree.dbh_cm)
}

/// The share of the volume per hectare that rests on extrapolation, by selection and species, for
/// one stand or all; nothing where no tree is stretched.
pub fn blocks(compilation: &Compilation<'_>, one: Option<usize>) -> Vec<Block> {
    let counts = [0, 1].map(|way| count(compilation, one, way));
    if counts == [0; WAYS] {
        return Vec::new();
    }
    let mut facts = Vec::new();
    if counts[0] > 0 {
        facts.push(format!(
            "{} {} outside the valid range of the equation: volume extrapolated",
            counted(counts[0], "tree"),
            if counts[0] == 1 { "is" } else { "are" }
        ));
    }
    if counts[1] > 0 {
        facts.push(format!(
            "{} {} a height from a curve beyond the trees behind it: height extrapolated",
            counted(counts[1], "tree"),
            if counts[1] == 1 { "has" } else { "have" }
        ));
    }
    vec![Block::List(facts), Block::Table(shares(compilation, one))]
}

fn count(compilation: &Compilation<'_>, one: Option<usize>, way: usize) -> usize {
    let stands = compilation.records.stands.iter().zip(&compilation.stands);
    let asked = stands
        .enumerate()
        .filter(|(at, _)| one.is_none_or(|one| one == *at));
    asked
        .map(|(_, (stand, compiled))| {
            let trees = stand.trees().enumerate();
            let outside = trees.filter(|(at, (_, _, tree))| {
                !tree.excluded && is_outside(compiled, *at, tree, way)
            });
            outside.count()
        })
        .sum()
}

/// The trees' values, those of the others at zero.
fn values_outside(stand: &Stand, compiled: &CompiledStand, way: usize) -> Vec<TreeValues> {
    let trees = stand.trees().zip(&compiled.values).enumerate();
    trees
        .map(|(at, ((_, _, tree), values))| {
            if is_outside(compiled, at, tree, way) {
                *values
            } else {
                values.less(values)
            }
        })
        .collect()
}

fn shares(compilation: &Compilation<'_>, one: Option<usize>) -> Table {
    let (design, records) = (compilation.design, compilation.records);
    let has_total = compilation
        .stands
        .iter()
        .flat_map(|stand| &stand.values)
        .any(|values| values.volume_total_m3.is_some());
    let attribute = if has_total {
        Attribute::VolumeTotal
    } else {
        Attribute::VolumeMerch
    };
    let parts = [0, 1].map(|way| {
        let stands = records.stands.iter().zip(&compilation.stands);
        let values: Vec<Vec<TreeValues>> = stands
            .map(|(stand, compiled)| values_outside(stand, compiled, way))
            .collect();
        estimate_cruise(design, records, &values, &compilation.summed).rows
    });
    let wanted = |row: &crate::estimates::EstimateRow| {
        row.attribute == attribute && row.domain.dbh_class.is_none()
    };
    let of_all = Lookup::new(&compilation.estimates.rows, wanted);
    let of_parts = [0, 1].map(|way: usize| Lookup::new(&parts[way], wanted));
    let mut table = Table::new(
        format!(
            "share of the {} per {}, %",
            attribute.words(),
            design.units.area().label
        ),
        3,
        vec![
            Column::words("selection"),
            Column::words("trees"),
            Column::words("species"),
            Column::number("outside the", "valid range"),
            Column::number("height", "extrapolated"),
        ],
    );
    for scope in scopes(compilation, one) {
        for (selection, rule) in design.selections.iter().enumerate() {
            for (status, word) in [(StatusDomain::Live, "live"), (StatusDomain::Dead, "dead")] {
                let species = of_all.species(scope, selection, status);
                for species in species.into_iter().map(Some).chain([None]) {
                    let domain = crate::estimates::Domain {
                        species,
                        ..everything(status)
                    };
                    let share = |way: usize| {
                        let all = of_all.estimate(scope, selection, domain, attribute)?;
                        let part = of_parts[way].estimate(scope, selection, domain, attribute)?;
                        let share = (all.mean > 0.0).then(|| 100.0 * part.mean / all.mean);
                        share.filter(|share| *share > 0.0)
                    };
                    let shares = [share(0), share(1)];
                    if shares != [None; WAYS] {
                        table.rows.push(vec![
                            Cell::text(format!("{}{}", rule.name, place(compilation, scope))),
                            Cell::text(word),
                            Cell::text(species_label(species, records)),
                            Cell::maybe(shares[0], 1),
                            Cell::maybe(shares[1], 1),
                        ]);
                    }
                }
            }
        }
    }
    table.without_empty_columns()
}

/// The stand or the whole; where parts cannot be weighted, each by itself.
fn scopes<'a>(compilation: &'a Compilation<'_>, one: Option<usize>) -> Vec<Scope<'a>> {
    let stands = &compilation.records.stands;
    let sole = one.or((stands.len() == 1).then_some(0));
    let whole: Scope<'a> = (sole.map(|at| stands[at].name.as_str()), None);
    let mut there: BTreeSet<Scope<'a>> = BTreeSet::new();
    for row in &compilation.estimates.rows {
        there.insert((row.stand.as_deref(), row.stratum.as_deref()));
    }
    if there.contains(&whole) {
        return vec![whole];
    }
    let within = there
        .into_iter()
        .filter(|scope| scope.0.is_some() && (sole.is_none() || scope.0 == whole.0));
    within.collect()
}

/// The place of a scope where it is not the whole.
fn place(compilation: &Compilation<'_>, scope: Scope<'_>) -> String {
    let several = compilation.records.stands.len() > 1;
    let stand = scope
        .0
        .filter(|_| several)
        .map(|name| format!(", stand {name}"));
    let stratum = scope.1.map(|name| format!(", stratum {name}"));
    stand.unwrap_or_default() + &stratum.unwrap_or_default()
}
