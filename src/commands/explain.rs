//! `explain`: the derivation of one tree, or of one estimate.

use anyhow::Result;

use super::load::Cruise;
use super::{Outcome, load, report, single};
use crate::cli::ExplainArgs;
use crate::compile::compile;
use crate::diagnostic::{Diagnostic, Problems};
use crate::explain::{estimate, tree};
use crate::render::terminal;
use crate::tables::Report;
use crate::units::CM_PER_IN;
use crate::write;

/// Runs the command.
pub(super) fn run(arguments: &ExplainArgs) -> Result<Outcome> {
    let loaded = load::load(&arguments.design);
    let derivation = match &loaded.cruise {
        Some(cruise) => derive(cruise, arguments),
        None => Err(loaded.problems),
    };
    match derivation {
        Ok(derivation) => {
            write::standard_output(terminal::render(
                &derivation,
                write::report_width(None, false),
            ))?;
            Ok(Outcome::Done)
        }
        Err(problems) => {
            report(&problems, &loaded.named)?;
            Ok(Outcome::InputIsWrong)
        }
    }
}

fn derive(cruise: &Cruise, arguments: &ExplainArgs) -> Result<Report, Problems> {
    let compilation =
        compile(&cruise.design, &cruise.records, &cruise.knowledge).map_err(|missing| {
            single(Diagnostic::error("no-equation", missing.message).hint(missing.hint))
        })?;
    let derivation = match (&arguments.estimate, &arguments.plot, &arguments.tree) {
        (Some(attribute), ..) => {
            let units = cruise.design.units;
            let shown = |cm: f64| cm * units.diameter().from_metric;
            let from_cm = arguments
                .dbh_from_cm
                .or(arguments.dbh_from_in.map(|inches| inches * CM_PER_IN));
            let asked = estimate::Asked {
                attribute,
                stand: arguments.stand.as_deref(),
                stratum: arguments.stratum.as_deref(),
                selection: arguments.selection.as_deref(),
                status: arguments.status.as_deref(),
                species: arguments.species.as_deref(),
                dbh_from: from_cm.map(shown),
            };
            estimate::explain(&compilation, &asked)
        }
        (None, plot, number) => {
            let asked = tree::Asked {
                stand: arguments.stand.as_deref(),
                plot: plot.as_deref().unwrap_or_default(),
                selection: arguments.selection.as_deref(),
                tree: number.as_deref().unwrap_or_default(),
            };
            tree::explain(&compilation, &asked)
        }
    };
    derivation.map_err(single)
}
