//! `explain`: the derivation of one tree.

use anyhow::Result;

use super::{Outcome, load, report, single};
use crate::cli::ExplainArgs;
use crate::compile::compile;
use crate::diagnostic::{Diagnostic, Problems};
use crate::explain::{Asked, explain};
use crate::render::terminal;
use crate::tables::Report;
use crate::write;

const WIDTH: usize = 80;

/// Runs the command.
pub(super) fn run(arguments: &ExplainArgs) -> Result<Outcome> {
    match derive(arguments) {
        Ok(derivation) => {
            write::standard_output(&terminal::render(&derivation, WIDTH))?;
            Ok(Outcome::Done)
        }
        Err(problems) => {
            report(&problems)?;
            Ok(Outcome::InputIsWrong)
        }
    }
}

fn derive(arguments: &ExplainArgs) -> Result<Report, Problems> {
    let loaded = load::load(&arguments.design);
    let Some(cruise) = loaded.cruise else {
        return Err(loaded.problems);
    };
    let compilation =
        compile(&cruise.design, &cruise.records, &cruise.knowledge).map_err(|missing| {
            single(Diagnostic::error("no-equation", missing.message).hint(missing.hint))
        })?;
    let asked = Asked {
        stand: arguments.stand.as_deref(),
        plot: &arguments.plot,
        selection: arguments.selection.as_deref(),
        tree: &arguments.tree,
    };
    explain(&compilation, &asked).map_err(single)
}
