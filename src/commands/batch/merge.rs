//! `merge`: the results of several batch runs as one.

use std::collections::BTreeMap;
use std::fs;

use anyhow::{Context as _, Result};

use super::assemble::{self, Assembly, OfCruise};
use super::journal::{self, Contents, Placed};
use super::part::CruiseHead;
use crate::cli::{MergeArgs, ReportForm};
use crate::commands::{Outcome, report};
use crate::diagnostic::{Diagnostic, Problems, counted};
use crate::read::excerpts::Named;
use crate::records::natural_order;
use crate::write;

/// Runs the command.
pub(in crate::commands) fn run(arguments: &MergeArgs) -> Result<Outcome> {
    let mut problems = Problems::new();
    let mut runs = Vec::new();
    for folder in &arguments.folders {
        let path = folder.join(journal::NAME);
        let contents = journal::read(&path)?;
        if contents.finished().is_none() {
            let message = format!("{}: this run was not finished", folder.display());
            problems.push(
                Diagnostic::error("run-not-finished", message)
                    .hint("finish it: the same command with --resume"),
            );
        }
        runs.push(contents);
    }
    let together = if problems.has_errors() {
        None
    } else {
        one_of(runs, arguments, &mut problems)
    };
    let Some(assembly) = together.filter(|_| !problems.has_errors()) else {
        report(&problems, &Named::default())?;
        return Ok(Outcome::InputIsWrong);
    };
    fs::create_dir_all(&arguments.out)
        .with_context(|| format!("{}: cannot be made", arguments.out.display()))?;
    let written = match assembly.write(&arguments.out)? {
        Ok(written) => written,
        Err(problems) => {
            report(&problems, &Named::default())?;
            return Ok(Outcome::InputIsWrong);
        }
    };
    if !arguments.quiet {
        assemble::print(&written)?;
    }
    let line = format!(
        "{} of {}, {} failed\n",
        counted(assembly.compiled(), "stand"),
        counted(arguments.folders.len(), "run"),
        assembly.failed()
    );
    write::standard_error(crate::commands::lines(&written.problems, &Named::default()) + &line)?;
    Ok(
        if assembly.failed() == 0 && assembly.errors().next().is_none() {
            Outcome::Done
        } else {
            Outcome::InputIsWrong
        },
    )
}

/// The runs as one, in the order of designs and stands.
fn one_of(runs: Vec<Contents>, arguments: &MergeArgs, problems: &mut Problems) -> Option<Assembly> {
    let mut heads: BTreeMap<u64, CruiseHead> = BTreeMap::new();
    let mut of_cruises: Vec<OfCruise> = Vec::new();
    let mut parts: Vec<Placed> = Vec::new();
    let mut designs: Vec<String> = Vec::new();
    let mut options: Option<(bool, bool, Option<ReportForm>)> = None;
    for (run, folder) in runs.into_iter().zip(&arguments.folders) {
        let finished = run.finished()?;
        let own = (finished.several, finished.tree_list, finished.reports);
        if *options.get_or_insert(own) != own {
            let message = format!(
                "{}: this run has other outputs than {}",
                folder.display(),
                arguments.folders[0].display()
            );
            problems.push(
                Diagnostic::error("outputs-differ", message)
                    .hint("run them alike: with one design or several, with or without --tree-list and --reports"),
            );
        }
        for found in &finished.of_cruises {
            if !of_cruises.contains(found) {
                of_cruises.push(found.clone());
            }
        }
        let order = finished.parts.clone();
        heads.extend(run.heads);
        let mut written: BTreeMap<u64, Placed> =
            run.parts.into_iter().map(|part| (part.at, part)).collect();
        // Designs in the order in which they were named, which the results have.
        for part in order.iter().filter_map(|at| written.remove(at)) {
            if let Some(head) = heads.get(&part.meta.head)
                && !designs.contains(&head.design)
            {
                designs.push(head.design.clone());
            }
            parts.push(part);
        }
    }
    same_labels(&heads, problems);
    let of = |part: &Placed| {
        let design = heads
            .get(&part.meta.head)
            .map_or("", |head| head.design.as_str());
        let place = designs.iter().position(|other| other == design);
        (place, part.meta.stand.clone().unwrap_or_default())
    };
    parts.sort_by(|a, b| {
        let ((design_a, stand_a), (design_b, stand_b)) = (of(a), of(b));
        design_a
            .cmp(&design_b)
            .then_with(|| natural_order(&stand_a, &stand_b))
    });
    for two in parts.windows(2) {
        if of(&two[0]) == of(&two[1]) {
            let (_, stand) = of(&two[0]);
            let message = format!(
                "stand `{stand}` is in {} and in {}",
                two[0].file.display(),
                two[1].file.display()
            );
            problems.push(
                Diagnostic::error("stand-twice", message).hint("each stand may be in one run only"),
            );
        }
    }
    let (several, tree_list, reports) = options?;
    Some(Assembly {
        parts,
        heads,
        of_cruises,
        several,
        tree_list,
        reports,
        format: arguments.format,
    })
}

/// A species must have one label in all runs of a design, as it has when they are one.
fn same_labels(heads: &BTreeMap<u64, CruiseHead>, problems: &mut Problems) {
    let mut labels: BTreeMap<(&str, &str), &str> = BTreeMap::new();
    for head in heads.values() {
        for (label, name) in &head.species {
            let known = labels.entry((&head.design, name)).or_insert(label);
            if *known != label {
                let message = format!(
                    "{name} is called `{known}` in one run of `{}` and `{label}` in another",
                    head.design
                );
                problems.push(Diagnostic::error("labels-differ", message).hint(
                    "name a code system in the design (`species_codes`), or use one spelling",
                ));
            }
        }
    }
}
