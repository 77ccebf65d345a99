//! What a new cruise is to be: the answers of the command line, checked.

use std::path::Path;

use crate::cli::{HeightRule, Instrument, NewArgs, RingSize, Sweep};
use crate::diagnostic::{Diagnostic, Problems};
use crate::read::limits::{self, Limits};
use crate::units::{Dimension, UnitSystem};

/// Plots to print sheets for, unless said.
const USUAL_PLOTS: u16 = 10;

/// A new cruise.
#[derive(Clone, Debug)]
pub(super) struct Wanted {
    pub(super) title: String,
    pub(super) units: UnitSystem,
    pub(super) fixed: Option<Fixed>,
    pub(super) full_tally: bool,
    /// Least dbh on fixed plots or in the full tally.
    pub(super) min_dbh: Option<Size>,
    pub(super) sweep: Option<(Size, Sweep)>,
    pub(super) strata: Vec<String>,
    pub(super) clusters: bool,
    pub(super) heights: HeightRule,
    pub(super) instrument: Instrument,
    pub(super) height_curves: Option<String>,
    pub(super) volume: Option<(String, Option<String>)>,
    /// Plots to print sheets for.
    pub(super) plots: u16,
    pub(super) species: Vec<String>,
    /// What nobody said, in words.
    pub(super) assumed: Vec<String>,
}

/// A fixed plot.
#[derive(Clone, Debug)]
pub(super) enum Fixed {
    Circle(Size),
    /// From the smallest least dbh on.
    Rings(Vec<RingSize>),
}

/// A key of the design and its value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Size {
    pub(super) key: &'static str,
    pub(super) value: f64,
}

impl Wanted {
    /// Checks the command line; every problem names the option.
    pub(super) fn of(arguments: &NewArgs, problems: &mut Problems) -> Option<Wanted> {
        let mut assumed = Vec::new();
        if arguments.units.is_none() {
            missing(
                problems,
                "--units",
                "write --units metric or --units imperial",
            );
        }
        let fixed = fixed(arguments, problems);
        let sweep = sweep(arguments, problems);
        let has_factor = factor(arguments).is_some();
        if fixed.is_none() && !has_factor && !arguments.full_tally {
            missing(
                problems,
                "a plot, a sweep or a full tally",
                "write for example --fixed-radius-m 7.98 (or --fixed-area-ha, --fixed-radius-ft, \
                 --fixed-area-ac, --rings), --baf-m2-per-ha 7 (or --baf-ft2-per-ac), or --full-tally",
            );
        }
        let min_dbh = min_dbh(arguments, problems);
        let measures_sweep = has_factor && arguments.sweep != Some(Sweep::Counted);
        let measures = fixed.is_some() || arguments.full_tally || measures_sweep;
        let counted_only = has_factor && !measures;
        let heights = if measures && arguments.height_rule.is_none() {
            missing(
                problems,
                "--height-rule",
                "write --height-rule first-per-species:2, every:5 or none",
            );
            None
        } else {
            if counted_only {
                refuse_heights(arguments, problems);
            }
            Some(arguments.height_rule.unwrap_or(HeightRule::None))
        };
        if min_dbh.is_some() && fixed.is_none() && !arguments.full_tally {
            let message = "a least dbh is given, but there is no fixed plot";
            let hint = "add one (--fixed-radius-m, ...), or leave the least dbh out";
            problems.push(Diagnostic::error("option-unused", message).hint(hint));
        }
        if heights == Some(HeightRule::None)
            && arguments.volume_set.is_some()
            && arguments.height_curves.is_none()
        {
            let message = "no tree gets a height, and no published curves are named";
            let hint = "most volume equations need heights: --height-curves SET, or another \
                        --height-rule";
            problems.push(Diagnostic::warning("no-heights", message).hint(hint));
        }
        names(&arguments.strata, "--strata", problems);
        names(&arguments.species, "--species", problems);
        let title = title(arguments, &mut assumed);
        let instrument = arguments.instrument.unwrap_or(Instrument::Clinometer);
        if arguments.instrument.is_none() && !matches!(heights, None | Some(HeightRule::None)) {
            assumed.push(String::from(
                "heights by clinometer, sights in percent (--instrument none: heights as read)",
            ));
        }
        if arguments.plots.is_none() {
            assumed.push(format!("sheets for {USUAL_PLOTS} plots (--plots)"));
        }
        Some(Wanted {
            title,
            units: arguments.units?.into(),
            fixed,
            full_tally: arguments.full_tally,
            min_dbh,
            sweep,
            strata: arguments.strata.clone(),
            clusters: arguments.clusters,
            heights: heights?,
            instrument,
            height_curves: arguments.height_curves.clone(),
            volume: arguments
                .volume_set
                .clone()
                .map(|set| (set, arguments.region.clone())),
            plots: arguments.plots.unwrap_or(USUAL_PLOTS),
            species: arguments.species.clone(),
            assumed,
        })
    }

    /// Are trees of the sweep measured, all or some?
    pub(super) fn measures_sweep(&self) -> bool {
        let way = self.sweep.map(|(_, way)| way);
        matches!(way, Some(Sweep::Measured | Sweep::CountMeasure))
    }

    /// Are trees of the sweep counted, all or some?
    pub(super) fn counts(&self) -> bool {
        let way = self.sweep.map(|(_, way)| way);
        matches!(way, Some(Sweep::Counted | Sweep::CountMeasure))
    }

    /// Do trees have records of their own?
    pub(super) fn measures(&self) -> bool {
        self.fixed.is_some() || self.full_tally || self.measures_sweep()
    }

    /// Must each tree say of which selection it is?
    pub(super) fn names_selections(&self) -> bool {
        self.fixed.is_some() && self.measures_sweep()
    }
}

fn missing(problems: &mut Problems, what: &str, hint: &str) {
    let message = format!("{what} is missing");
    problems.push(Diagnostic::error("missing-option", message).hint(hint.to_owned()));
}

/// The title, or the name of the folder.
fn title(arguments: &NewArgs, assumed: &mut Vec<String>) -> String {
    if let Some(title) = &arguments.title
        && !title.trim().is_empty()
    {
        return title.trim().to_owned();
    }
    let title = usual_title(&arguments.folder);
    assumed.push(format!("title {title}, from the folder (--title)"));
    title
}

/// The name of the folder.
pub(super) fn usual_title(folder: &Path) -> String {
    let full = std::path::absolute(folder).unwrap_or_else(|_| folder.to_owned());
    let name = full
        .file_name()
        .map(|name| name.to_string_lossy().into_owned());
    name.unwrap_or_else(|| String::from("cruise"))
}

/// A size that is possible, of the options of which one is given.
fn size(
    options: &[(&'static str, &'static str, Option<f64>)],
    dimension: Dimension,
    limits: &Limits,
    problems: &mut Problems,
) -> Option<Size> {
    let (option, key, value) = options
        .iter()
        .find_map(|(option, key, value)| Some((option, *key, (*value)?)))?;
    let is_unit = |unit: &&crate::units::Unit| {
        let stem = key.strip_suffix(unit.suffix);
        stem.is_some_and(|stem| stem.ends_with('_'))
    };
    let to_held = dimension.units().iter().find(is_unit)?.to_held;
    if !limits.allow(value * to_held) {
        let held = value * to_held;
        let shown = if (to_held - 1.0).abs() > f64::EPSILON {
            format!("`{value}`, that is {held:.4} {}", limits.unit())
        } else {
            format!("`{value}`")
        };
        let message = format!("{option} is not possible ({shown})");
        let hint = format!("it must be {limits}");
        problems.push(Diagnostic::error("out-of-range", message).hint(hint));
    }
    Some(Size { key, value })
}

fn fixed(arguments: &NewArgs, problems: &mut Problems) -> Option<Fixed> {
    if !arguments.rings.is_empty() {
        let mut rings = arguments.rings.clone();
        for ring in &rings {
            let key = if ring.radius_unit == "m" {
                "radius_m"
            } else {
                "radius_ft"
            };
            let options = [("the radius of a ring in --rings", key, Some(ring.radius))];
            size(&options, Dimension::Length, &limits::RADIUS, problems);
            let key = if ring.dbh_unit == "cm" {
                "dbh_cm"
            } else {
                "dbh_in"
            };
            let options = [("a dbh in --rings", key, Some(ring.min_dbh))];
            size(&options, Dimension::Diameter, &limits::DBH_LIMIT, problems);
        }
        rings.sort_by(|a, b| a.min_dbh.total_cmp(&b.min_dbh));
        let same_units = rings.iter().all(|ring| ring.dbh_unit == rings[0].dbh_unit);
        let twice = rings
            .windows(2)
            .any(|pair| pair[0].min_dbh >= pair[1].min_dbh);
        if !same_units || twice {
            let message = "the rings of --rings do not follow each other by dbh";
            let hint = "give each another least dbh, all in the same unit: 3.99m@4cm,7.98m@10cm";
            problems.push(Diagnostic::error("rings-dbh", message).hint(hint));
        }
        return Some(Fixed::Rings(rings));
    }
    let radius = size(
        &[
            ("--fixed-radius-m", "radius_m", arguments.fixed_radius_m),
            ("--fixed-radius-ft", "radius_ft", arguments.fixed_radius_ft),
        ],
        Dimension::Length,
        &limits::RADIUS,
        problems,
    );
    let area = size(
        &[
            ("--fixed-area-ha", "area_ha", arguments.fixed_area_ha),
            ("--fixed-area-ac", "area_ac", arguments.fixed_area_ac),
        ],
        Dimension::Area,
        &limits::PLOT_AREA,
        problems,
    );
    radius.or(area).map(Fixed::Circle)
}

fn factor(arguments: &NewArgs) -> Option<f64> {
    arguments.baf_m2_per_ha.or(arguments.baf_ft2_per_ac)
}

fn sweep(arguments: &NewArgs, problems: &mut Problems) -> Option<(Size, Sweep)> {
    let factor = size(
        &[
            ("--baf-m2-per-ha", "baf_m2_per_ha", arguments.baf_m2_per_ha),
            (
                "--baf-ft2-per-ac",
                "baf_ft2_per_ac",
                arguments.baf_ft2_per_ac,
            ),
        ],
        Dimension::BasalAreaFactor,
        &limits::FACTOR,
        problems,
    );
    match (factor, arguments.sweep) {
        (Some(_), None) => missing(
            problems,
            "--sweep",
            "write --sweep counted, --sweep measured or --sweep count-measure",
        ),
        (None, Some(_)) => missing(
            problems,
            "the basal area factor of the sweep",
            "write --baf-m2-per-ha 7 or --baf-ft2-per-ac 20, for example",
        ),
        _ => {}
    }
    Some((factor?, arguments.sweep?))
}

fn min_dbh(arguments: &NewArgs, problems: &mut Problems) -> Option<Size> {
    size(
        &[
            ("--min-dbh-cm", "min_dbh_cm", arguments.min_dbh_cm),
            ("--min-dbh-in", "min_dbh_in", arguments.min_dbh_in),
        ],
        Dimension::Diameter,
        &limits::DBH_LIMIT,
        problems,
    )
}

/// Without measured trees there are no heights and no volume.
fn refuse_heights(arguments: &NewArgs, problems: &mut Problems) {
    let uses = [
        (
            "--height-rule",
            arguments
                .height_rule
                .is_some_and(|rule| rule != HeightRule::None),
        ),
        (
            "--instrument",
            arguments.instrument == Some(Instrument::Clinometer),
        ),
        ("--height-curves", arguments.height_curves.is_some()),
        ("--volume-set", arguments.volume_set.is_some()),
    ];
    for (option, _) in uses.iter().filter(|(_, given)| *given) {
        let message = format!("{option} has no use: every tree is only counted");
        let hint = "add a fixed plot (--fixed-radius-m, ...) or say --sweep measured or \
                    --sweep count-measure";
        problems.push(Diagnostic::error("option-unused", message).hint(hint));
    }
}

/// Names in a list: none blank, none twice.
fn names(names: &[String], option: &str, problems: &mut Problems) {
    for (at, name) in names.iter().enumerate() {
        let same = |other: &String| other.trim().eq_ignore_ascii_case(name.trim());
        let fault = if name.trim().is_empty() {
            "a name is empty".to_owned()
        } else if names[..at].iter().any(same) {
            format!("`{name}` is there twice")
        } else {
            continue;
        };
        let message = format!("{option}: {fault}");
        let hint = "give names with commas between them";
        problems.push(Diagnostic::error("bad-name", message).hint(hint));
    }
}
