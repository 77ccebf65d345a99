//! One tree under every set that covers its species, side by side.

use crate::species::SpeciesTable;
use crate::species::set::BarkBasis;
use crate::stems::evaluation::{Evaluation, Question};
use crate::tables::{Block, Cell, Column, Report, Table, plain};
use crate::units::UnitSystem;

/// The report: a table, and under it what the figures mean.
pub fn report(
    question: &Question<'_>,
    evaluations: &[Evaluation<'_>],
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
    report.section("What they mean", vec![Block::List(meanings(&shown))]);
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
