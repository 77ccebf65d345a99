//! One tree under every set that covers its species, side by side.

use crate::species::SpeciesTable;
use crate::species::set::BarkBasis;
use crate::stems::biomass::TreeBiomass;
use crate::stems::evaluation::{BiomassEvaluation, Evaluation, Question, median_total_m3};
use crate::tables::{Block, Cell, Column, Report, Table, plain};
use crate::units::UnitSystem;

/// The bark bases in the order of the tables, and their captions.
const BASES: [(BarkBasis, &str); 3] = [
    (BarkBasis::Inside, "inside bark: wood"),
    (BarkBasis::Outside, "outside bark: wood and bark"),
    (BarkBasis::Unresolved, "bark basis not known"),
];

/// The report: a table, and under it what the figures mean.
pub fn report(
    question: &Question<'_>,
    evaluations: &[Evaluation<'_>],
    biomass: &[BiomassEvaluation<'_>],
    whole_sets: bool,
    table: &SpeciesTable,
    units: UnitSystem,
) -> Report {
    let tree = &question.tree;
    let mut title = format!(
        "{}: dbh {} {}, height {} {}",
        table.get(question.species).label(),
        plain(rounded(tree.dbh_cm * units.diameter().from_metric)),
        units.diameter().label,
        plain(rounded(tree.height_m * units.length().from_metric)),
        units.length().label,
    );
    if let Some(broken_m) = tree.broken_height_m {
        let broken = rounded(broken_m * units.length().from_metric);
        title += &format!(", broken at {} {}", plain(broken), units.length().label);
    }
    let mut report = Report::new(title);
    let mut volumes = Vec::new();
    let mut shown: Vec<&Evaluation<'_>> = Vec::new();
    for (basis, caption) in BASES {
        let rows = rows_on(basis, evaluations, whole_sets);
        let median_m3 = median_total_m3(evaluations, basis);
        let table = on_one_basis(&rows, basis, median_m3, caption, units);
        volumes.push(Block::Table(table));
        shown.extend(rows.iter().map(|(one, _)| *one));
    }
    if !evaluations.is_empty() {
        volumes.push(Block::Paragraph(
            "Median: of the sets, each by the median of its regions. Low, high: of the regions \
             of the set."
                .to_owned(),
        ));
    }
    report.section("Volumes", volumes);
    report.section("Biomass", vec![Block::Table(masses(biomass, units))]);
    let is_shown = |one: &&Evaluation<'_>| shown.iter().any(|other| std::ptr::eq(*other, *one));
    let shown: Vec<&Evaluation<'_>> = evaluations.iter().filter(is_shown).collect();
    let mut words = meanings(&shown);
    words.extend(biomass.iter().flat_map(mass_meanings));
    report.section("What they mean", vec![Block::List(words)]);
    report
}

fn rounded(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

/// A row of a table: the figures of a set and region, and which end of the set's regions it is.
type Row<'e, 's> = (&'e Evaluation<'s>, &'static str);

/// The rows on one bark basis: only figures on the same basis compare.
fn rows_on<'e, 's>(
    basis: BarkBasis,
    evaluations: &'e [Evaluation<'s>],
    whole_sets: bool,
) -> Vec<Row<'e, 's>> {
    let on_basis: Vec<&Evaluation<'_>> = evaluations
        .iter()
        .filter(|one| one.set.head.bark == basis || one.total_on(basis).is_some())
        .collect();
    if whole_sets {
        on_basis.into_iter().map(|one| (one, "")).collect()
    } else {
        extremes(&on_basis, basis)
    }
}

fn size(one: &Evaluation<'_>, basis: BarkBasis) -> Option<f64> {
    one.total_on(basis).or(one.stem.merchantable_m3)
}

/// Decimals that show the largest figure of a table with four digits.
fn digits(figures: impl Iterator<Item = f64>, from_metric: f64) -> usize {
    let largest = figures.fold(0.0, f64::max) * from_metric;
    let decimals = [(1000.0, 0), (100.0, 1), (10.0, 2), (1.0, 3)];
    let fitting = decimals.into_iter().find(|(from, _)| largest >= *from);
    fitting.map_or(4, |(_, decimals)| decimals)
}

/// Of each set the region with the least volume and that with the most.
fn extremes<'e, 's>(evaluations: &[&'e Evaluation<'s>], basis: BarkBasis) -> Vec<Row<'e, 's>> {
    let size = |one: &Evaluation<'_>| size(one, basis).unwrap_or(0.0);
    let by_size = |a: &&&'e Evaluation<'s>, b: &&&'e Evaluation<'s>| size(a).total_cmp(&size(b));
    let mut rows = Vec::new();
    for of_set in evaluations.chunk_by(|a, b| std::ptr::eq(a.set, b.set)) {
        let ends = of_set
            .iter()
            .min_by(by_size)
            .zip(of_set.iter().max_by(by_size));
        match ends {
            Some((least, most)) if size(least) < size(most) => {
                rows.push((*least, "low"));
                rows.push((*most, "high"));
            }
            _ => rows.extend(of_set.first().map(|one| (*one, ""))),
        }
    }
    rows
}

fn on_one_basis(
    rows: &[Row<'_, '_>],
    basis: BarkBasis,
    median_m3: Option<f64>,
    caption: &str,
    units: UnitSystem,
) -> Table {
    let volume = units.volume();
    let columns = vec![
        Column::words("set, region"),
        Column::number("total", volume.label),
        Column::number("% of", "median"),
        Column::number("merch.", volume.label),
        Column::words("notes"),
    ];
    let mut list = Table::new(caption, 1, columns);
    let digits = digits(
        rows.iter().filter_map(|(one, _)| size(one, basis)),
        volume.from_metric,
    );
    let number = |m3: Option<f64>| Cell::maybe(m3.map(|v| v * volume.from_metric), digits);
    for (one, end) in rows {
        let total_m3 = one.total_on(basis);
        let share = total_m3
            .zip(median_m3)
            .map(|(total, median)| 100.0 * total / median);
        let same_basis = one.set.head.bark == basis;
        list.rows.push(vec![
            Cell::text(match one.region {
                Some(region) => format!("{}, {region}", one.set.name),
                None => one.set.name.clone(),
            }),
            number(total_m3),
            Cell::maybe(share, 0),
            number(one.stem.merchantable_m3.filter(|_| same_basis)),
            Cell::text(remarks(one, end, same_basis)),
        ]);
    }
    list.without_empty_columns()
}

fn remarks(one: &Evaluation<'_>, end: &str, same_basis: bool) -> String {
    let remarks = [
        (!end.is_empty(), end),
        (!same_basis, "wood + bark"),
        (one.stem.out_of_range, "out of range"),
        (!one.chosen.marks.is_empty(), "doubt"),
        (one.stem.break_ignored, "whole stem"),
        (one.own_limits.is_some(), "own limits"),
        (one.no_merchantable.is_some(), "limits"),
    ];
    told(&remarks)
}

fn told(remarks: &[(bool, &str)]) -> String {
    let words: Vec<&str> = remarks
        .iter()
        .filter_map(|(when, words)| when.then_some(*words))
        .collect();
    words.join(", ")
}

fn masses(biomass: &[BiomassEvaluation<'_>], units: UnitSystem) -> Table {
    let mass = units.mass();
    let mut columns = vec![Column::words("set")];
    for head in ["total", "wood", "bark", "branches", "foliage", "carbon"] {
        columns.push(Column::number(head, mass.label));
    }
    columns.push(Column::words("notes"));
    let mut list = Table::new("live tree, oven-dry, above ground", 1, columns);
    let totals = biomass.iter().map(|one| one.found.biomass.total_kg);
    let digits = digits(totals, mass.from_metric);
    for evaluation in biomass {
        let found = &evaluation.found;
        let masses = &found.biomass;
        let mut row = vec![Cell::text(&evaluation.set.name)];
        for kg in [
            Some(masses.total_kg),
            masses.wood_kg,
            masses.bark_kg,
            masses.branch_kg,
            masses.foliage_kg,
            (masses.carbon_kg > 0.0).then_some(masses.carbon_kg),
        ] {
            row.push(Cell::maybe(kg.map(|kg| kg * mass.from_metric), digits));
        }
        row.push(Cell::text(told(&[
            (foliage_apart(masses), "foliage apart"),
            (found.out_of_range, "out of range"),
            (!evaluation.chosen.marks.is_empty(), "doubt"),
            (found.break_ignored, "whole tree"),
        ])));
        list.rows.push(row);
    }
    list
}

/// Is there foliage that the total leaves out?
fn foliage_apart(masses: &TreeBiomass) -> bool {
    let parts = [masses.wood_kg, masses.bark_kg, masses.branch_kg];
    let without_kg: Option<f64> = parts.into_iter().sum();
    let foliage_kg = masses.foliage_kg.unwrap_or(0.0);
    foliage_kg > 0.0 && without_kg.is_some_and(|kg| (masses.total_kg - kg).abs() < 0.5 * foliage_kg)
}

fn mass_meanings(evaluation: &BiomassEvaluation<'_>) -> Vec<String> {
    let head = &evaluation.set.head;
    let name = &evaluation.set.name;
    let mut lines = vec![format!(
        "{name}: {}. {}",
        head.total_includes, head.citation
    )];
    let marks = evaluation.chosen.marks.iter();
    lines.extend(marks.map(|mark| format!("{name}: doubt: {mark}")));
    lines
}

/// What each set's figures include, its publication, its doubts: once per set.
fn meanings(shown: &[&Evaluation<'_>]) -> Vec<String> {
    let mut lines = Vec::new();
    for of_set in shown.chunk_by(|a, b| std::ptr::eq(a.set, b.set)) {
        let set = of_set[0].set;
        let head = &set.head;
        let mut includes = head.total_includes.clone();
        if let Some(limits) = &of_set[0].own_limits {
            includes += &format!("; merchantable with {}", limits.words());
        }
        lines.push(format!("{}: {includes}. {}", set.name, head.citation));
        let mut doubts: Vec<String> = Vec::new();
        for evaluation in of_set {
            let reasons = evaluation
                .chosen
                .marks
                .iter()
                .map(|mark| format!("doubt: {mark}"));
            for words in reasons.chain(evaluation.no_merchantable.clone()) {
                if !doubts.contains(&words) {
                    doubts.push(words);
                }
            }
        }
        lines.extend(doubts.iter().map(|words| format!("{}: {words}", set.name)));
    }
    lines
}
