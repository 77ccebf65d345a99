//! Where results go: never over the files that they are made from, nor two of them into one file.

use std::path::Path;

use crate::diagnostic::{Diagnostic, Problems};
use crate::write;

/// Looks at the outputs that were asked for, each with the option that names it.
pub(super) fn check<'p>(
    outputs: &[(&str, Option<&Path>)],
    inputs: impl IntoIterator<Item = &'p Path>,
) -> Problems {
    let inputs: Vec<&Path> = inputs.into_iter().collect();
    let outputs = outputs
        .iter()
        .filter_map(|(option, path)| Some((*option, (*path)?)));
    let outputs: Vec<(&str, &Path)> = outputs.collect();
    let mut problems = Problems::new();
    for (index, (option, path)) in outputs.iter().enumerate() {
        let shown = path.display();
        if inputs.iter().any(|input| write::is_one_file(path, input)) {
            let message =
                format!("{option} {shown}: this is a file that the results are made from");
            problems
                .push(Diagnostic::error("output-over-input", message).hint("name another place"));
        }
        let mut before = outputs[..index].iter();
        if let Some((first, _)) = before.find(|(_, other)| write::is_one_file(path, other)) {
            let message = format!("{option} {shown}: {first} goes to the same file");
            problems.push(Diagnostic::error("output-twice", message).hint("name another place"));
        }
    }
    problems
}
