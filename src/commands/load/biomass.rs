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

/// The biomass sets that the design or the command line names, if they can serve what it asks;
/// `None` without a biomass section or with a problem.
pub(super) fn sets(
    design: &Design,
    source: &Source,
    arguments: &DesignArgs,
    tables: &Tables,
    species: &SpeciesTable,
    problems: &mut Problems,
) -> Option<Vec<BiomassSet>> {
    let biomass = design.biomass.as_ref()?;
    let mut sets = Vec::with_capacity(biomass.sets.len());
    for name in &biomass.sets {
        let set = keep(tables.biomass_set(name, species), problems)?;
        let BiomassSet::Components(components) = &set;
        if let Some(warning) = tables.untested("biomass", components) {
            problems.push(warning);
        }
        sets.push(set);
    }
    let named_here = !arguments.biomass_set.is_empty();
    let mut refuse = |code, message, key| {
        let error = Diagnostic::error(code, message);
        problems.push(if named_here {
            error
        } else {
            error.at(place_of(source, &["biomass", key]))
        });
    };
    let mut sound = true;
    if let Some(region) = &biomass.region
        && !sets.iter().any(|set| set.has_region(region))
    {
        let names = biomass.sets.join(", ");
        let message = format!("no biomass set of {names} has a region `{region}`");
        refuse("biomass-region", message, "region");
        sound = false;
    }
    for set in &sets {
        if let Err(message) = set.check_region(biomass.region.as_deref()) {
            refuse("biomass-region", message, "region");
            sound = false;
        }
        if biomass.carbon_fraction.is_none() && set.carbon_fraction().is_none() {
            let message = format!(
                "biomass set `{}` has no carbon fraction; give one as `biomass: carbon_fraction`",
                set.name()
            );
            refuse("carbon-fraction", message, "set");
            sound = false;
        }
    }
    if let Some(province) = &biomass.province
        && !sets.iter().any(BiomassSet::uses_province)
    {
        let names = biomass.sets.join(", ");
        let message = format!("no biomass set of {names} differs by province (`{province}`)");
        refuse("biomass-province", message, "province");
        sound = false;
    }
    sound.then_some(sets)
}
