//! Questions on a terminal for what the command line does not say. An answer goes where its option
//! would have put it, so that both are checked alike.

use std::io::{self, IsTerminal as _};
use std::str::FromStr;

use anyhow::Result;
use dialoguer::{Input, Select};

use super::wanted::usual_title;
use crate::cli::{HeightRule, Instrument, NewArgs, RingSize, Sweep, Units};
use crate::read::tables::Tables;

/// Is somebody there to answer?
pub(super) fn can_ask() -> bool {
    io::stdin().is_terminal() && io::stderr().is_terminal()
}

/// Is something missing without which there is no design?
pub(super) fn lacks_something(arguments: &NewArgs) -> bool {
    arguments.units.is_none()
        || !has_method(arguments)
        || (has_factor(arguments) != arguments.sweep.is_some())
        || (measures(arguments) && arguments.height_rule.is_none())
}

fn has_fixed(arguments: &NewArgs) -> bool {
    let sizes = [
        arguments.fixed_radius_m,
        arguments.fixed_radius_ft,
        arguments.fixed_area_ha,
        arguments.fixed_area_ac,
    ];
    sizes.iter().any(Option::is_some) || !arguments.rings.is_empty()
}

fn has_factor(arguments: &NewArgs) -> bool {
    arguments.baf_m2_per_ha.is_some() || arguments.baf_ft2_per_ac.is_some()
}

fn has_method(arguments: &NewArgs) -> bool {
    has_fixed(arguments) || has_factor(arguments) || arguments.full_tally
}

fn measures(arguments: &NewArgs) -> bool {
    has_fixed(arguments)
        || arguments.full_tally
        || arguments.sweep.is_some_and(|sweep| sweep != Sweep::Counted)
}

/// Asks for whatever is not said.
pub(super) fn fill_in(arguments: &mut NewArgs, tables: &Tables) -> Result<()> {
    if arguments.title.is_none() {
        arguments.title = Some(text(
            "Title of the cruise",
            &usual_title(&arguments.folder),
        )?);
    }
    let units = if let Some(units) = arguments.units {
        units
    } else {
        let items = ["metric: cm, m, ha", "imperial: in, ft, ac"];
        [Units::Metric, Units::Imperial][choose("Units", &items)?]
    };
    arguments.units = Some(units);
    if !has_method(arguments) {
        ask_methods(arguments, units)?;
    }
    if has_factor(arguments) && arguments.sweep.is_none() {
        let items = [
            "counted: by species, no tree is measured",
            "measured: every tree",
            "count-measure: measured on some points, counted on the others",
        ];
        let ways = [Sweep::Counted, Sweep::Measured, Sweep::CountMeasure];
        arguments.sweep = Some(ways[choose("Trees of the sweep are", &items)?]);
    }
    if arguments.strata.is_empty() && !arguments.full_tally {
        arguments.strata = list("Strata, with commas (none: leave it empty)")?;
    }
    if measures(arguments) {
        ask_heights_and_volume(arguments, tables)?;
    }
    if arguments.species.is_empty() {
        arguments.species = list("Species on the sheets, with commas (Fd,Cw,Hw; or empty)")?;
    }
    if arguments.plots.is_none() {
        arguments.plots = Some(parsed("Number of plots to print sheets for", "10")?);
    }
    Ok(())
}

fn ask_methods(arguments: &mut NewArgs, units: Units) -> Result<()> {
    let items = [
        "a fixed plot",
        "a fixed plot and a sweep (prism, angle gauge) from one centre",
        "a sweep (prism, angle gauge)",
        "nested rings",
        "every tree of the stand",
    ];
    let choice = choose("Trees are chosen by", &items)?;
    let metric = units == Units::Metric;
    if choice <= 1 {
        ask_size(arguments, metric)?;
    }
    if choice == 3 {
        let example = if metric {
            "3.99m@4cm,7.98m@10cm"
        } else {
            "10ft@1in,26ft@4in"
        };
        let rings = parsed::<Rings>("Rings, each RADIUS@LEAST DBH", example)?;
        arguments.rings = rings.0;
    }
    arguments.full_tally = choice == 4;
    if matches!(choice, 0 | 1 | 4) && arguments.min_dbh_cm.or(arguments.min_dbh_in).is_none() {
        let unit = if metric { "cm" } else { "in" };
        let prompt = format!("Least dbh, {unit} (0: none)");
        let least = Some(parsed::<f64>(&prompt, "0")?).filter(|least| *least != 0.0);
        if metric {
            arguments.min_dbh_cm = least;
        } else {
            arguments.min_dbh_in = least;
        }
    }
    if matches!(choice, 1 | 2) {
        if metric {
            let factor = parsed("Basal area factor, m2/ha", "4")?;
            arguments.baf_m2_per_ha = Some(factor);
        } else {
            let factor = parsed("Basal area factor, ft2/ac", "20")?;
            arguments.baf_ft2_per_ac = Some(factor);
        }
    }
    Ok(())
}

fn ask_size(arguments: &mut NewArgs, metric: bool) -> Result<()> {
    let items = if metric {
        ["radius, m", "area, ha"]
    } else {
        ["radius, feet", "area, acres"]
    };
    let by_area = choose("Size of the plot as", &items)? == 1;
    let (prompt, usual) = match (metric, by_area) {
        (true, false) => ("Radius, m", "7.98"),
        (true, true) => ("Area, ha", "0.02"),
        (false, false) => ("Radius, feet", "26.3"),
        (false, true) => ("Area, acres", "0.05"),
    };
    let size = Some(parsed(prompt, usual)?);
    match (metric, by_area) {
        (true, false) => arguments.fixed_radius_m = size,
        (true, true) => arguments.fixed_area_ha = size,
        (false, false) => arguments.fixed_radius_ft = size,
        (false, true) => arguments.fixed_area_ac = size,
    }
    Ok(())
}

fn ask_heights_and_volume(arguments: &mut NewArgs, tables: &Tables) -> Result<()> {
    if arguments.height_rule.is_none() {
        let items = [
            "the first trees of each species on each plot",
            "every nth tree",
            "no tree",
        ];
        let rule = match choose("A height gets", &items)? {
            0 => HeightRule::FirstPerSpecies(parsed("How many of each species", "2")?),
            1 => HeightRule::Every(parsed("Every how many trees", "5")?),
            _ => HeightRule::None,
        };
        arguments.height_rule = Some(rule);
    }
    if arguments.instrument.is_none() && arguments.height_rule != Some(HeightRule::None) {
        let items = [
            "with a clinometer: sights in percent and the distance",
            "otherwise: the height is written down",
        ];
        let ways = [Instrument::Clinometer, Instrument::None];
        arguments.instrument = Some(ways[choose("Heights are taken", &items)?]);
    }
    if arguments.volume_set.is_none() {
        let mut items = vec![String::from("none: trees and basal area only")];
        items.extend(tables.volume_sets());
        let choice = choose("Volume equations", &items)?;
        arguments.volume_set = (choice > 0).then(|| items.swap_remove(choice));
        if let Some(set) = &arguments.volume_set
            && arguments.region.is_none()
        {
            arguments.region = ask_region(set, tables)?;
        }
    }
    Ok(())
}

/// A region of the set, where it has any.
fn ask_region(set: &str, tables: &Tables) -> Result<Option<String>> {
    let Some(set) =
        (tables.species().ok()).and_then(|species| tables.volume_set(set, &species).ok())
    else {
        return Ok(None);
    };
    let mut items: Vec<String> = set
        .regions
        .iter()
        .map(|region| region.name.clone())
        .collect();
    if items.is_empty() {
        return Ok(None);
    }
    if !set.needs_region() {
        items.insert(0, String::from("none"));
    }
    let choice = choose("Region", &items)?;
    let is_none = !set.needs_region() && choice == 0;
    Ok((!is_none).then(|| items.swap_remove(choice)))
}

fn choose(prompt: &str, items: &[impl std::fmt::Display]) -> Result<usize> {
    let select = Select::new().with_prompt(prompt).items(items).default(0);
    Ok(select.max_length(12).interact()?)
}

fn text(prompt: &str, usual: &str) -> Result<String> {
    let input = Input::<String>::new().with_prompt(prompt);
    Ok(input.default(usual.to_owned()).interact_text()?)
}

/// Names with commas between them; none if nothing is written.
fn list(prompt: &str) -> Result<Vec<String>> {
    let input = Input::<String>::new().with_prompt(prompt).allow_empty(true);
    let line = input.interact_text()?;
    let names = line
        .split(',')
        .map(str::trim)
        .filter(|name| !name.is_empty());
    Ok(names.map(str::to_owned).collect())
}

/// An answer of a kind; what cannot be read is asked again.
fn parsed<T: FromStr>(prompt: &str, usual: &str) -> Result<T> {
    loop {
        let answer = text(prompt, usual)?;
        if let Ok(value) = answer.trim().parse() {
            return Ok(value);
        }
    }
}

/// Rings with commas between them.
struct Rings(Vec<RingSize>);

impl FromStr for Rings {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let rings: Result<Vec<RingSize>, String> = text.split(',').map(str::parse).collect();
        rings.map(Rings)
    }
}
