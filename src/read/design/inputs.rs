//! The `inputs` of a design: which files hold the records, and the crew's own column heads.

use std::path::Path;

use super::walk::{Entry, Section, Walk};
use crate::design::{Input, Inputs, Selection};
use crate::diagnostic::seen;
use crate::read::columns::Columns;
use crate::read::xlsx::is_workbook;
use crate::read::yaml::Node;

/// Reads `inputs`.
pub(super) fn read_inputs(
    walk: &mut Walk,
    entry: &Entry,
    base: &Path,
    selections: &[Selection],
) -> Inputs {
    let Some(mut map) = Section::open(walk, entry, "`inputs`") else {
        return Inputs::default();
    };
    let mut before: Vec<(&'static str, Input)> = Vec::new();
    let mut file = |walk: &mut Walk, map: &mut Section, key: &'static str, columns: &Columns| {
        let entry = map.get(walk, key)?;
        let (place, input) = read_input(walk, &entry, base, key, columns, selections)?;
        let same = |(_, other): &&(&str, Input)| {
            // Each record finds its own sheet in a workbook.
            let is_other_sheet = is_workbook(Path::new(&input.path))
                && (input.sheet != other.sheet || input.sheet.is_none());
            input.path == other.path && !is_other_sheet
        };
        if let Some((first, _)) = before.iter().find(same) {
            let (code, message) = if input.path == "-" {
                let message = format!("standard input cannot be both `{first}` and `{key}`");
                ("standard-input-twice", message)
            } else {
                let shown = seen(&input.shown);
                let message = format!("`{first}` and `{key}` name the same file ({shown})");
                ("file-twice", message)
            };
            place.error(walk, code, message, "give one of them a file");
        }
        before.push((key, input.clone()));
        Some(input)
    };
    let inputs = Inputs {
        stands: file(walk, &mut map, "stands", &Columns::STANDS),
        plots: file(walk, &mut map, "plots", &Columns::PLOTS),
        trees: file(walk, &mut map, "trees", &Columns::TREES),
        counts: file(walk, &mut map, "counts", &Columns::COUNTS),
        species_tables: map
            .get(walk, "species_tables")
            .and_then(|entry| entry.text(walk))
            .map(|folder| base.join(folder).to_string_lossy().into_owned()),
    };
    if !map.has("trees") && !map.has("counts") {
        let hint = "name the trees file: `trees: trees.csv`";
        map.missing(walk, "`trees` or `counts`", hint);
    }
    map.finish(walk);
    inputs
}

fn read_input<'n>(
    walk: &mut Walk,
    entry: &Entry<'n>,
    base: &Path,
    record: &'static str,
    columns: &Columns,
    selections: &[Selection],
) -> Option<(Entry<'n>, Input)> {
    let (path_entry, sheet, renames) = if matches!(entry.node, Node::Map(_)) {
        let mut map = Section::open(walk, entry, format!("`{}`", entry.key))?;
        let path = map.required(walk, "path", "write `path: FILE`");
        let renames = map
            .get(walk, "columns")
            .map(|entry| read_renames(walk, &entry, columns, selections))
            .unwrap_or_default();
        let sheet = map.get(walk, "sheet");
        map.finish(walk);
        (path?, sheet, renames)
    } else {
        (entry.clone(), None, Vec::new())
    };
    let shown = path_entry.text(walk)?;
    let path = if shown == "-" {
        shown.clone()
    } else {
        base.join(&shown).to_string_lossy().into_owned()
    };
    if let Some(sheet) = &sheet
        && !is_workbook(Path::new(&path))
    {
        let message = format!("only a workbook (.xlsx) has sheets ({})", seen(&shown));
        sheet.error(walk, "sheet-without-workbook", message, "leave `sheet` out");
    }
    let input = Input {
        record,
        path,
        sheet: sheet.and_then(|sheet| sheet.text(walk)),
        shown,
        columns: renames,
    };
    Some((path_entry, input))
}

/// The crew's heads and what they are called here.
fn read_renames(
    walk: &mut Walk,
    entry: &Entry,
    columns: &Columns,
    selections: &[Selection],
) -> Vec<(String, String)> {
    let mut renames: Vec<(String, String)> = Vec::new();
    for pair in entry.pairs(walk).unwrap_or_default() {
        let Some(ours) = pair.text(walk) else {
            continue;
        };
        let ours = ours.to_lowercase();
        if !columns.know(&ours, selections) {
            let hint = columns.hint(&ours, selections);
            let message = format!("{} is no column of this file", seen(&ours));
            pair.error(walk, "unknown-column", message, &hint);
        } else if let Some((first, _)) = renames.iter().find(|(_, to)| *to == ours) {
            let message = format!(
                "{} and {} both stand for `{ours}`",
                seen(first),
                seen(&pair.key)
            );
            pair.error(walk, "column-twice", message, "remove one of them");
        } else {
            renames.push((pair.key.clone(), ours));
        }
    }
    renames
}
