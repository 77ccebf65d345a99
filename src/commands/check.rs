//! `check`: every error and every suspicious value, by line.

use std::fmt::Write as _;

use anyhow::Result;

use super::{Outcome, counts, lines, load};
use crate::cli::CheckArgs;
use crate::write;

/// Runs the command.
pub(super) fn run(arguments: &CheckArgs) -> Result<Outcome> {
    let loaded = load::load(&arguments.design);
    write::standard_error(&lines(&loaded.problems))?;
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
