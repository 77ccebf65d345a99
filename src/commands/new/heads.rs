//! The record files of a new cruise: their heads, and what is known of their rows.

use super::wanted::Wanted;
use crate::cli::{HeightRule, Instrument};

/// Heads of `plots.csv`.
pub(super) fn plots(wanted: &Wanted) -> Vec<String> {
    let mut heads = vec!["plot"];
    if !wanted.strata.is_empty() {
        heads.push("stratum");
    }
    if wanted.clusters {
        heads.push("cluster");
    }
    heads.extend(["slope_pct", "plot_fraction", "easting", "northing", "note"]);
    owned(&heads)
}

/// Heads of `trees.csv`.
pub(super) fn trees(wanted: &Wanted) -> Vec<String> {
    let (length, diameter) = (wanted.units.length().label, wanted.units.diameter().label);
    let (dbh, height) = (format!("dbh_{diameter}"), format!("height_{length}"));
    let distance = format!("distance_{length}");
    let broken = format!("broken_height_{length}");
    let to_centre = format!("distance_to_centre_{length}");
    let mut heads = Vec::new();
    if !wanted.full_tally {
        heads.push("plot");
    }
    if wanted.names_selections() {
        heads.push("selection");
    }
    heads.extend(["tree", "species", &dbh, "status", "decay_class"]);
    match (wanted.heights, wanted.instrument) {
        (HeightRule::None, _) => {}
        (_, Instrument::Clinometer) => heads.extend(["top_pct", "base_pct", &distance]),
        (_, Instrument::None) => heads.push(&height),
    }
    heads.extend([broken.as_str(), "defect_pct"]);
    if !wanted.full_tally {
        heads.push(&to_centre);
    }
    heads.push("note");
    owned(&heads)
}

/// Heads of `counts.csv`.
pub(super) fn counts() -> Vec<String> {
    owned(&["plot", "species", "status", "count"])
}

/// The text of `stands.csv`: its stratum or stand is known, the area is to be filled in.
pub(super) fn stands(wanted: &Wanted) -> String {
    let area = format!("area_{}", wanted.units.area().label);
    let (head, names) = if wanted.strata.is_empty() {
        ("stand", std::slice::from_ref(&wanted.title))
    } else {
        ("stratum", wanted.strata.as_slice())
    };
    let rows = names.iter().map(|name| format!("{},\n", field(name)));
    format!("{head},{area}\n{}", rows.collect::<String>())
}

/// A line of heads.
pub(super) fn line(heads: &[String]) -> String {
    heads.join(",") + "\n"
}

/// A field of a CSV file.
fn field(text: &str) -> String {
    if text.contains(['"', ',', ';', '\n', '\t']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

fn owned(heads: &[&str]) -> Vec<String> {
    heads.iter().map(|head| (*head).to_owned()).collect()
}
