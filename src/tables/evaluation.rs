//! One tree under every set that covers its species, side by side.

use crate::species::SpeciesTable;
use crate::species::set::BarkBasis;
use crate::stems::evaluation::{BiomassEvaluation, Evaluation, Question};
use crate::tables::{Block, Cell, Column, Report, Table, plain};
use crate::units::UnitSystem;

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
    let shown: Vec<&Evaluation<'_>> = if whole_sets {
        evaluations.iter().collect()
    } else {
        extremes(evaluations)
    };
    report.section(
        "Volumes",
        vec![Block::Table(volumes(question, &shown, units))],
    );
    report.section("Biomass", vec![Block::Table(masses(biomass, units))]);
    let mut words = meanings(&shown);
    words.extend(biomass.iter().flat_map(mass_meanings));
    report.section("What they mean", vec![Block::List(words)]);
    report
}

fn rounded(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

fn size(evaluation: &Evaluation<'_>) -> f64 {
    let stem = &evaluation.stem;
    stem.total_m3.or(stem.merchantable_m3).unwrap_or(0.0)
}

/// Of each set the region with the least volume and that with the most.
fn extremes<'e, 's>(evaluations: &'e [Evaluation<'s>]) -> Vec<&'e Evaluation<'s>> {
    let mut shown = Vec::new();
    for of_set in evaluations.chunk_by(|a, b| std::ptr::eq(a.set, b.set)) {
        let by_size = |a: &&Evaluation<'_>, b: &&Evaluation<'_>| size(a).total_cmp(&size(b));
        shown.extend(of_set.iter().min_by(by_size));
        if of_set.len() > 1 {
            shown.extend(of_set.iter().max_by(by_size));
        }
    }
    shown
}

fn volumes(question: &Question<'_>, shown: &[&Evaluation<'_>], units: UnitSystem) -> Table {
    let volume = units.volume();
    let mut columns = vec![
        Column::words("set"),
        Column::words("region"),
        Column::words("bark"),
        Column::number("total", volume.label),
    ];
    if question.merchantable.is_some() {
        columns.push(Column::number("merch.", volume.label));
    }
    columns.push(Column::words("remarks"));
    let mut list = Table::new("", 1, columns);
    let digits = match units {
        UnitSystem::Metric => 4,
        UnitSystem::Imperial => 2,
    };
    for evaluation in shown {
        let number = |m3: Option<f64>| Cell::maybe(m3.map(|v| v * volume.from_metric), digits);
        let mut row = vec![
            Cell::text(&evaluation.set.name),
            Cell::text(evaluation.region.unwrap_or("all")),
            Cell::text(match evaluation.set.head.bark {
                BarkBasis::Inside => "inside",
                BarkBasis::Outside => "outside",
                BarkBasis::Unresolved => "unknown",
            }),
            number(evaluation.stem.total_m3),
        ];
        if question.merchantable.is_some() {
            row.push(number(evaluation.stem.merchantable_m3));
        }
        let mut remarks = Vec::new();
        if evaluation.stem.out_of_range {
            remarks.push("out of range");
        }
        if !evaluation.chosen.marks.is_empty() {
            remarks.push("doubt");
        }
        if evaluation.stem.break_ignored {
            remarks.push("whole stem");
        }
        if evaluation.no_merchantable.is_some() {
            remarks.push("not these limits");
        }
        row.push(Cell::text(remarks.join(", ")));
        list.rows.push(row);
    }
    list
}

fn masses(biomass: &[BiomassEvaluation<'_>], units: UnitSystem) -> Table {
    let mass = units.mass();
    let mut columns = vec![Column::words("set")];
    for head in ["total", "wood", "bark", "branches", "foliage", "carbon"] {
        columns.push(Column::number(head, mass.label));
    }
    columns.push(Column::words("remarks"));
    let mut list = Table::new("live tree, oven-dry, above ground", 1, columns);
    for evaluation in biomass {
        let found = &evaluation.found;
        let masses = &found.biomass;
        let has_carbon = evaluation.set.head.carbon_fraction.is_some();
        let mut row = vec![Cell::text(&evaluation.set.name)];
        for kg in [
            Some(masses.total_kg),
            masses.wood_kg,
            masses.bark_kg,
            masses.branch_kg,
            masses.foliage_kg,
            has_carbon.then_some(masses.carbon_kg),
        ] {
            row.push(Cell::maybe(kg.map(|kg| kg * mass.from_metric), 1));
        }
        let remarks: Vec<&str> = [
            (found.out_of_range, "out of range"),
            (!evaluation.chosen.marks.is_empty(), "doubt"),
            (found.break_ignored, "whole tree"),
        ]
        .into_iter()
        .filter_map(|(when, words)| when.then_some(words))
        .collect();
        row.push(Cell::text(remarks.join(", ")));
        list.rows.push(row);
    }
    list
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
        lines.push(format!(
            "{}: {}; {}. {}",
            set.name,
            head.bark.words(),
            head.total_includes,
            head.citation
        ));
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
