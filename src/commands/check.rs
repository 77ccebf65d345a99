//! `check`: every error and every suspicious value, by line.

use std::fmt::Write as _;

use anyhow::Result;

use super::load::Cruise;
use super::{Outcome, counts, lines, load};
use crate::cli::CheckArgs;
use crate::diagnostic::{Diagnostic, Problems, Site};
use crate::heights::audit::audit;
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
    write::standard_error(lines(&loaded.problems))?;
    let mut text = String::new();
    if let Some(cruise) = &loaded.cruise {
        let records = &cruise.records;
        let _ = writeln!(text, "{}", cruise.design.title);
        for stand in &records.stands {
            let empty = stand.plots.iter().filter(|plot| {
                plot.visits
                    .iter()
                    .all(|visit| visit.trees.is_empty() && visit.counts.is_empty())
            });
            let counts = stand
                .plots
                .iter()
                .flat_map(|plot| &plot.visits)
                .flat_map(|visit| &visit.counts)
                .map(|count| count.count);
            // An empty sum of floats would be -0.
            let counted = counts.fold(0.0, |sum, count| sum + count);
            let _ = writeln!(
                text,
                "stand {}: {} plots ({} without trees), {} tree records, {counted} trees counted",
                stand.name,
                stand.plots.len(),
                empty.count(),
                stand.trees().count(),
            );
        }
    }
    let _ = writeln!(text, "{}", counts(&loaded.problems));
    write::standard_output(&text)?;
    Ok(if loaded.cruise.is_some() {
        Outcome::Done
    } else {
        Outcome::InputIsWrong
    })
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
    problems.sorted().folded()
}
