//! The text of a new design, with comments that say what else can be written.

use super::wanted::{Fixed, Size, Wanted};
use crate::cli::{HeightRule, RingSize, Sweep};
use crate::units::UnitSystem;

/// Where comments begin on lines that have a value.
const COMMENT_COLUMN: usize = 34;

/// The text of `design.yaml`.
pub(super) fn text(wanted: &Wanted) -> String {
    let mut lines = Lines(String::new());
    lines.plain("# yaml-language-server: $schema=design.schema.json");
    lines.plain(
        "# The design of a cruise: how trees were chosen, where the records are, how they are",
    );
    lines.plain(
        "# compiled. What follows a # is a comment. An editor that knows YAML schemas offers all",
    );
    lines.plain("# keys by design.schema.json; `spinney check design.yaml` finds slips.");
    lines.value(0, &format!("title: {}", quoted(&wanted.title)), "");
    lines.value(
        0,
        &format!("units: {}", wanted.units.name()),
        "of the results; record files name their own units",
    );
    lines.plain("# allowable_error_pct: 10         # for advice on the number of plots");
    inputs(wanted, &mut lines);
    selections(wanted, &mut lines);
    lines.plain("");
    lines.plain(
        "status_codes:                     # what the crew writes; live and dead are known too",
    );
    lines.plain("  L: live");
    lines.plain("  D: dead");
    lines.plain("# species_aliases: { F: Fd }      # the crew's own species codes, if any");
    if wanted.measures() {
        heights(wanted, &mut lines);
        volume(wanted, &mut lines);
    }
    lines.plain("");
    lines.plain("tables:");
    match wanted.units {
        UnitSystem::Metric => lines.plain("  dbh_class_cm: 5"),
        UnitSystem::Imperial => lines.plain("  dbh_class_in: 2"),
    }
    lines.0
}

/// The text so far.
struct Lines(String);

impl Lines {
    fn plain(&mut self, line: &str) {
        self.0 += line;
        self.0.push('\n');
    }

    /// A line with a comment behind it.
    fn value(&mut self, indent: usize, text: &str, comment: &str) {
        let line = format!("{:indent$}{text}", "");
        if comment.is_empty() {
            self.plain(&line);
        } else {
            let width = COMMENT_COLUMN.max(line.chars().count() + 2);
            self.plain(&format!("{line:width$}# {comment}"));
        }
    }

    fn size(&mut self, indent: usize, size: Size, comment: &str) {
        self.value(indent, &format!("{}: {}", size.key, size.value), comment);
    }
}

/// Text as a YAML value: as it stands if it can be nothing else.
fn quoted(text: &str) -> String {
    let plain = text.starts_with(|c: char| c.is_ascii_alphabetic())
        && text
            .chars()
            .all(|c| c.is_alphanumeric() || " ,-".contains(c))
        && !text.ends_with(' ')
        && !["null", "true", "false", "yes", "no", "on", "off", "y", "n"]
            .contains(&text.to_lowercase().as_str());
    if plain {
        text.to_owned()
    } else {
        serde_json::Value::from(text).to_string()
    }
}

fn inputs(wanted: &Wanted, lines: &mut Lines) {
    lines.plain("");
    lines.plain("inputs:                           # record files, beside this one");
    if wanted.full_tally || !wanted.strata.is_empty() {
        let what = if wanted.full_tally {
            "the area of the stand"
        } else {
            "the area of each stratum"
        };
        lines.value(2, "stands: stands.csv", what);
    } else {
        let area = wanted.units.area().label;
        lines.plain(&format!(
            "  # stands: stands.csv            # stand,area_{area}: with the area there are totals"
        ));
    }
    if !wanted.full_tally {
        lines.value(
            2,
            "plots: plots.csv",
            "a row for every plot visited, with or without trees",
        );
    }
    if wanted.measures() {
        lines.value(2, "trees: trees.csv", "a row for each measured tree");
    }
    if wanted.counts() {
        lines.value(
            2,
            "counts: counts.csv",
            "trees that were only counted, by plot and species",
        );
    }
}

fn selections(wanted: &Wanted, lines: &mut Lines) {
    lines.plain("");
    lines.plain("selections:                       # how trees were chosen; the names are yours");
    if wanted.full_tally {
        lines.plain("  tally:");
        lines.value(4, "method: full-tally", "every tree of the stand");
        min_dbh(wanted, lines);
    }
    if let Some(fixed) = &wanted.fixed {
        lines.plain("  fixed:");
        lines.plain("    method: fixed-area");
        match fixed {
            Fixed::Circle(size) => {
                let other = if size.key.starts_with("radius") {
                    "area"
                } else {
                    "radius"
                };
                lines.size(4, *size, &format!("the {other} follows from it"));
            }
            Fixed::Rings(rings) => ring_lines(rings, lines),
        }
        min_dbh(wanted, lines);
    }
    if let Some((factor, way)) = wanted.sweep {
        lines.plain("  sweep:");
        lines.plain("    method: angle-gauge");
        lines.size(4, factor, "basal area factor of the prism or gauge");
        let (word, comment) = match way {
            Sweep::Counted => ("none", "trees are only counted, by species"),
            Sweep::Measured => ("all", "every tree has a record"),
            Sweep::CountMeasure => ("some", "measured on some points, counted on the others"),
        };
        lines.value(4, &format!("measured: {word}"), comment);
        if way == Sweep::Counted && wanted.fixed.is_some() {
            lines.value(
                4,
                "volume_ratio_from: fixed",
                "volume per basal area of these trees",
            );
        }
    }
    if !wanted.full_tally {
        lines.plain(
            "    # slope_correction: program     # where distances were taken along the slope and",
        );
        lines.plain(
            "                                    # nobody corrected them; slope_pct in plots.csv",
        );
    }
}

fn min_dbh(wanted: &Wanted, lines: &mut Lines) {
    if let Some(size) = wanted.min_dbh {
        lines.size(4, size, "thinner trees are left out");
    }
}

fn ring_lines(rings: &[RingSize], lines: &mut Lines) {
    lines.plain(
        "    rings:                        # small trees in a small circle, large in a large one",
    );
    for (at, ring) in rings.iter().enumerate() {
        let mut parts = vec![
            format!("radius_{}: {}", ring.radius_unit, ring.radius),
            format!("min_dbh_{}: {}", ring.dbh_unit, ring.min_dbh),
        ];
        if let Some(next) = rings.get(at + 1) {
            parts.push(format!("max_dbh_{}: {}", ring.dbh_unit, next.min_dbh));
        }
        lines.plain(&format!("      - {{ {} }}", parts.join(", ")));
    }
}

fn heights(wanted: &Wanted, lines: &mut Lines) {
    lines.plain("");
    lines.plain("heights:");
    let breast_height = match wanted.units {
        UnitSystem::Metric => "breast_height_m: 1.3",
        UnitSystem::Imperial => "breast_height_ft: 4.5",
    };
    lines.value(2, breast_height, "where dbh is taken");
    // One tree in both selections needs its height once.
    let about = if wanted.names_selections() {
        ", selections: [fixed]"
    } else {
        ""
    };
    match wanted.heights {
        HeightRule::FirstPerSpecies(number) => lines.value(
            2,
            &format!("subsample: {{ rule: first-per-species, per_plot: {number}{about} }}"),
            "",
        ),
        HeightRule::Every(number) => lines.value(
            2,
            &format!("subsample: {{ rule: every-nth, every: {number}, count_over: plot{about} }}"),
            "",
        ),
        HeightRule::None => {
            lines.plain("  # subsample: { rule: first-per-species, per_plot: 2 }   # which trees get a height");
        }
    }
    lines.value(
        2,
        "curve: best",
        "fills missing heights from the measured ones",
    );
    match &wanted.height_curves {
        Some(set) => lines.value(
            2,
            &format!("regional: {}", quoted(set)),
            "published curves, where heights are too few",
        ),
        None => lines.plain("  # regional: us-coastal-northwest-1999   # published curves, where heights are too few"),
    }
}

fn volume(wanted: &Wanted, lines: &mut Lines) {
    lines.plain("");
    let limits = match wanted.units {
        UnitSystem::Metric => "{ stump_m: 0.3, top_dib_cm: 10, min_dbh_cm: 12.5 }",
        UnitSystem::Imperial => "{ stump_ft: 1, top_dib_in: 4, min_dbh_in: 5 }",
    };
    if let Some((set, region)) = &wanted.volume {
        lines.plain("volume:");
        lines.value(
            2,
            &format!("set: {}", quoted(set)),
            "`spinney equations SET` shows it",
        );
        if let Some(region) = region {
            lines.value(2, &format!("region: {}", quoted(region)), "");
        }
        lines.plain(&format!("  # merchantable: {limits}"));
    } else {
        lines.plain("# Without a volume set there are trees and basal area only. `spinney equations` lists the");
        lines.plain("# sets, `spinney equations --species CODE` those that cover a species.");
        lines.plain("# volume:");
        lines.plain("#   set: ca-bc-volume-2016");
        lines.plain("#   region: CWH");
        lines.plain(&format!("#   merchantable: {limits}"));
    }
}
