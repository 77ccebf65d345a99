//! `check`: every error and every suspicious value, by line.

use std::fmt::Write as _;

use anyhow::Result;

use super::load::Cruise;
use super::{Outcome, counts, lines, load};
use crate::cli::{CheckArgs, CheckFormat};
use crate::diagnostic::{Diagnostic, Problems, Site, visible};
use crate::heights::audit::audit;
use crate::records::Stand;
use crate::render::findings::{self, StandCount};
use crate::tables::heights_audit::rule_words;
use crate::write;

/// Runs the command.
pub(super) fn run(arguments: &CheckArgs) -> Result<Outcome> {
    let mut loaded = load::load(&arguments.design);
    if let Some(cruise) = &loaded.cruise {
        let missing = missing_heights(cruise);
        loaded.problems.append(missing);
        loaded.problems = loaded.problems.sorted();
    }
    let records = loaded.cruise.as_ref().map(|cruise| &cruise.records);
    let stands: Vec<StandCount> = records.map_or_else(Vec::new, |records| {
        records.stands.iter().map(count).collect()
    });
    let title = loaded.cruise.as_ref().map(|cruise| &*cruise.design.title);
    match arguments.format {
        CheckFormat::Terminal => {
            write::standard_error(lines(&loaded.problems, &loaded.named))?;
            let text = words(title, &stands) + &counts(&loaded.problems) + "\n";
            write::standard_output(text)?;
        }
        CheckFormat::Json => {
            write::standard_output(findings::json(title, &stands, &loaded.problems)?)?;
        }
    }
    Ok(if loaded.cruise.is_some() {
        Outcome::Done
    } else {
        Outcome::InputIsWrong
    })
}

/// What was read of a stand.
fn count(stand: &Stand) -> StandCount {
    let empty = stand.plots.iter().filter(|plot| {
        let mut visits = plot.visits.iter();
        visits.all(|visit| visit.trees.is_empty() && visit.counts.is_empty())
    });
    let visits = stand.plots.iter().flat_map(|plot| &plot.visits);
    let counts = visits.flat_map(|visit| &visit.counts);
    StandCount {
        stand: stand.name.clone(),
        n_plots: stand.plots.len(),
        n_plots_without_trees: empty.count(),
        n_tree_records: stand.trees().count(),
        // An empty sum of floats would be -0.
        n_trees_counted: counts.fold(0.0, |sum, count| sum + count.count),
    }
}

/// What was read, in words.
fn words(title: Option<&str>, stands: &[StandCount]) -> String {
    let mut text = String::new();
    if let Some(title) = title {
        let _ = writeln!(text, "{}", visible(title));
    }
    for of in stands {
        let _ = writeln!(
            text,
            "stand {}: {} plots ({} without trees), {} tree records, {} trees counted",
            visible(&of.stand),
            of.n_plots,
            of.n_plots_without_trees,
            of.n_tree_records,
            of.n_trees_counted,
        );
    }
    text
}

/// The trees that should have a height by the rule of the design and have none, by line.
fn missing_heights(cruise: &Cruise) -> Problems {
    let (design, records) = (&cruise.design, &cruise.records);
    let mut problems = Problems::new();
    let (Some(subsample), Some(trees)) = (&design.heights.subsample, &design.inputs.trees) else {
        return problems;
    };
    let rule = rule_words(design, subsample);
    for stand in audit(subsample, &records.stands) {
        for tree in stand.missing {
            let message = format!(
                "plot {}: {} has no height ({})",
                tree.plot,
                tree.name(&records.species),
                tree.wanted.words()
            );
            let site = Site {
                line: tree.line,
                heads: cruise.tree_rows.clone(),
                ..Site::whole(&trees.shown)
            };
            let hint = format!("measure it: the rule is {rule}");
            let warning = Diagnostic::warning("height-not-measured", message);
            problems.push(warning.at(site).hint(hint));
        }
    }
    problems.sorted()
}
