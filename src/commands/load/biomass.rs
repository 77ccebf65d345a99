//! The biomass sets of a design.

use super::keep;
use crate::cli::DesignArgs;
use crate::design::Design;
use crate::diagnostic::{Diagnostic, Problems};
use crate::read::design::place_of;
use crate::read::source::Source;
use crate::read::tables::Tables;
use crate::species::SpeciesTable;
use crate::species::biomass::BiomassSet;
use crate::stems::national::N_DECAY_CLASSES;

/// The biomass sets that the design or the command line names, if they can serve what it asks;
/// `None` without a biomass section or with a problem.
pub(super) fn sets(
    design: &mut Design,
    source: &Source,
    arguments: &DesignArgs,
    tables: &Tables,
    species: &SpeciesTable,
    problems: &mut Problems,
) -> Option<Vec<BiomassSet>> {
    inherit_region(design);
    let n_decay_classes = design.decay_classes.len();
    let biomass = design.biomass.as_ref()?;
    let mut sets = Vec::with_capacity(biomass.sets.len());
    for name in &biomass.sets {
        let set = keep(tables.biomass_set(name, species), problems)?;
        if let Some(warning) = tables.untested("biomass", set.equations()) {
            problems.push(warning);
        }
        sets.push(set);
    }
    let named_here = !arguments.overrides.biomass_set.is_empty();
    let mut refuse = |code, message, key, hint| {
        let site = (!named_here).then(|| place_of(source, &["biomass", key]));
        let error = Diagnostic::error(code, message).hint(hint);
        problems.push(Diagnostic { site, ..error });
    };
    let hint = "correct `region` under `biomass`, or leave it out";
    let mut sound = true;
    if let Some(region) = &biomass.region
        && !sets.iter().any(|set| set.has_region(region))
    {
        let names = biomass.sets.join(", ");
        let message = format!("no biomass set of {names} has a region `{region}`");
        refuse("biomass-region", message, "region", hint);
        sound = false;
    }
    for set in &sets {
        if let Err(message) = set.check_region(biomass.region.as_deref()) {
            refuse("biomass-region", message, "region", hint);
            sound = false;
        }
        if biomass.carbon_fraction.is_none() && !set.has_carbon() {
            let message = format!("biomass set `{}` has no carbon fraction", set.name());
            refuse(
                "carbon-fraction",
                message,
                "set",
                "give one as `biomass: carbon_fraction`",
            );
            sound = false;
        }
    }
    if let Some(province) = &biomass.province
        && let Err((message, hint)) = check_province(&sets, province)
    {
        let place = place_of(source, &["biomass", "province"]);
        problems.push(
            Diagnostic::error("biomass-province", message)
                .at(place)
                .hint(hint),
        );
        sound = false;
    }
    let national = sets
        .iter()
        .find(|set| matches!(set, BiomassSet::National(_)));
    if let Some(set) = national
        && n_decay_classes != N_DECAY_CLASSES
    {
        let message = format!(
            "biomass set `{}` knows {N_DECAY_CLASSES} decay classes, the design {n_decay_classes}; \
             nothing is deducted for decay",
            set.name()
        );
        problems.push(
            Diagnostic::warning("decay-classes", message)
                .at(place_of(source, &["decay_classes"]))
                .hint("list five decay classes, in order of decay"),
        );
    }
    sound.then_some(sets)
}

/// The division of the volume equations serves the masses of the same set, unless the design names
/// another.
fn inherit_region(design: &mut Design) {
    let (Some(volume), Some(biomass)) = (&design.volume, &mut design.biomass) else {
        return;
    };
    if biomass.region.is_none()
        && biomass.sets.contains(&volume.set)
        && let Some(region) = &volume.region
    {
        biomass.region = Some(region.clone());
        let default = format!("biomass region: {region}, as for volume");
        design.defaults.push(default);
    }
}

/// Does a set know the province? The error has a message and a hint.
fn check_province(sets: &[BiomassSet], province: &str) -> Result<(), (String, String)> {
    let names: Vec<&str> = sets.iter().map(BiomassSet::name).collect();
    let names = names.join(", ");
    let known: Vec<&str> = sets.iter().flat_map(BiomassSet::provinces).collect();
    if known.is_empty() {
        let message = format!("no biomass set of {names} uses a province (`{province}`)");
        return Err((message, "leave the province out".to_owned()));
    }
    if known.iter().any(|name| name.eq_ignore_ascii_case(province)) {
        return Ok(());
    }
    let message = format!("no biomass set of {names} has a province `{province}`");
    Err((message, format!("it can be {}", known.join(", "))))
}
