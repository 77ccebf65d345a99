//! From a design on the command line to checked records and the knowledge to compile them with.

use std::path::{Path, PathBuf};

use crate::cli::DesignArgs;
use crate::compile::{Knowledge, biomass_equation_for, equation_for, means};
use crate::design::{CurveChoice, Design, Fallback, Volume};
use crate::diagnostic::{Diagnostic, Problems};
use crate::heights::curve::Form;
use crate::heights::regional::RegionalSet;
use crate::logs::bucking::LogPlan;
use crate::logs::inside_bark_profiles;
use crate::logs::rules::LogRule;
use crate::read::design::{
    Known, check_species, place_if_given, place_of, read_design, species_tables_folder,
};
use crate::read::records::read_records;
use crate::read::source::Source;
use crate::read::tables::Tables;
use crate::read::{height_curves, open_record_files};
use crate::records::Records;
use crate::species::SpeciesTable;
use crate::species::choose::Missing;
use crate::species::set::VolumeSet;

mod biomass;

/// A cruise as far as it could be read.
pub(super) struct Loaded {
    /// Design, records, knowledge: there only if no error was found.
    pub(super) cruise: Option<Cruise>,
    /// Everything that was found.
    pub(super) problems: Problems,
}

/// A cruise that can be compiled.
pub(super) struct Cruise {
    pub(super) design: Design,
    pub(super) records: Records,
    pub(super) knowledge: Knowledge,
}

/// Built-in species tables, with the user's own folder over them.
pub(super) fn tables(folder: Option<&Path>) -> Result<Tables, Problems> {
    folder.map_or_else(|| Ok(Tables::builtin()), Tables::with_overlay)
}

/// Reads the design and all records; every problem of every file is found in one go as far as
/// one file's problems do not hide another's.
pub(super) fn load(arguments: &DesignArgs) -> Loaded {
    let mut problems = Problems::new();
    let cruise = read(arguments, &mut problems);
    Loaded {
        cruise: cruise.filter(|_| !problems.has_errors()),
        problems: problems.sorted(),
    }
}

/// What failed is in `problems`.
fn read(arguments: &DesignArgs, problems: &mut Problems) -> Option<Cruise> {
    let path = &arguments.design;
    let source = match Source::open(path, &path.to_string_lossy()) {
        Ok(source) => source,
        Err(diagnostic) => {
            problems.push(*diagnostic);
            return None;
        }
    };
    let base = path.parent().unwrap_or_else(|| Path::new(""));
    let own_tables = arguments
        .tables
        .clone()
        .or_else(|| species_tables_folder(&source, base).map(PathBuf::from));
    let tables = keep(tables(own_tables.as_deref()), problems)?;
    let species = keep(tables.species(), problems)?;
    let (design, found) = {
        let (volume_sets, height_sets) = (tables.volume_sets(), tables.folders("height-curves"));
        let log_rules = tables.log_rules();
        let biomass_sets = tables.biomass_sets();
        let known = Known {
            curve_forms: &Form::NAMES,
            volume_sets: &volume_sets,
            biomass_sets: &biomass_sets,
            height_sets: &height_sets,
            log_rules: &log_rules,
        };
        read_design(&source, base, &known)
    };
    problems.append(found);
    problems.append(check_species(&source, &species));
    let mut design = design?;
    override_design(&mut design, arguments, problems);
    let volume = volume_set(&mut design, &source, arguments, &tables, &species, problems);
    let logs = log_plan(
        &mut design,
        &source,
        arguments,
        &tables,
        &species,
        volume.as_ref(),
        problems,
    );
    let biomass = biomass::sets(&design, &source, arguments, &tables, &species, problems);
    let regional = regional_set(&design, &tables, &species, problems);
    let (files, found) = open_record_files(&design);
    problems.append(found);
    let mut cover = |id| {
        let aliases = &design.species_aliases;
        let mut missing = Vec::new();
        if let (Some(wanted), Some(set)) = (&design.volume, &volume) {
            missing.extend(equation_for(set, wanted, &species, aliases, id).err());
        }
        if let (Some(wanted), Some(sets)) = (&design.biomass, &biomass) {
            missing.extend(biomass_equation_for(sets, wanted, &species, aliases, id).err());
        }
        told(missing)
    };
    let (records, found) = read_records(&design, &files, &species, &mut cover);
    problems.append(found);
    let knowledge = Knowledge {
        species,
        volume,
        biomass: biomass.unwrap_or_default(),
        regional,
        logs,
    };
    Some(Cruise {
        design,
        records: records?,
        knowledge,
    })
}

/// Everything that a species lacks in one message and one hint.
fn told(missing: Vec<Missing>) -> Result<(), (String, String)> {
    let together = |(messages, hints): (Vec<_>, Vec<_>)| (messages.join("; "), hints.join("; "));
    if missing.is_empty() {
        return Ok(());
    }
    Err(together(
        missing.into_iter().map(|m| (m.message, m.hint)).unzip(),
    ))
}

/// The value, or its problems added to the others.
pub(super) fn keep<T>(result: Result<T, Problems>, problems: &mut Problems) -> Option<T> {
    match result {
        Ok(value) => Some(value),
        Err(found) => {
            problems.append(found);
            None
        }
    }
}

/// Applies what the command line says in place of the design.
fn override_design(design: &mut Design, arguments: &DesignArgs, problems: &mut Problems) {
    if let Some(name) = &arguments.volume_set {
        match &mut design.volume {
            Some(volume) => volume.set.clone_from(name),
            None => {
                design.volume = Some(Volume {
                    set: name.clone(),
                    region: None,
                    substitute: Vec::new(),
                    fallback: Fallback::None,
                    merchantable: None,
                    planted: false,
                });
            }
        }
    }
    if !arguments.biomass_set.is_empty() {
        let biomass = design.biomass.get_or_insert_default();
        biomass.sets.clone_from(&arguments.biomass_set);
    }
    if let Some(region) = &arguments.region {
        match &mut design.volume {
            Some(volume) => volume.region = Some(region.clone()),
            None => problems.push(
                Diagnostic::error(
                    "region-without-set",
                    format!("--region {region} has no volume set"),
                )
                .hint("give --volume-set too, or a volume section in the design"),
            ),
        }
    }
    if let Some(name) = &arguments.curve {
        let known = Form::NAMES.contains(&name.as_str());
        if name == "best" {
            design.heights.curve = CurveChoice::Best;
        } else if known {
            design.heights.curve = CurveChoice::Named(name.clone());
        } else {
            problems.push(
                Diagnostic::error(
                    "unknown-curve",
                    format!("--curve `{name}` is no known form"),
                )
                .hint(format!("it can be best, {}", Form::NAMES.join(", "))),
            );
        }
    }
    if let Some(confidence) = arguments.confidence {
        design.confidence = confidence;
    }
    if let Some(units) = arguments.units {
        design.units = units.into();
    }
}

/// The volume set of the design, if it can serve its region and limits. A set that was only named
/// on the command line may lack merchantable volume: it is left out, and that is said.
fn volume_set(
    design: &mut Design,
    source: &Source,
    arguments: &DesignArgs,
    tables: &Tables,
    species: &SpeciesTable,
    problems: &mut Problems,
) -> Option<VolumeSet> {
    let volume = design.volume.as_mut()?;
    let set = keep(tables.volume_set(&volume.set, species), problems)?;
    if let Some(warning) = tables.untested("volume", &set) {
        problems.push(warning);
    }
    let region = volume.region.as_deref();
    if let Err(message) = set.check_region(region) {
        let error = Diagnostic::error("volume-region", message);
        problems.push(
            if arguments.region.is_some() || arguments.volume_set.is_some() {
                error.hint("give one with --region")
            } else {
                error.at(place_of(source, &["volume", "region"]))
            },
        );
        return None;
    }
    if let Some(limits) = &volume.merchantable
        && let Err(message) = set.check_merchantable(limits, region)
    {
        if arguments.volume_set.is_none() {
            let place = place_of(source, &["volume", "merchantable"]);
            problems.push(Diagnostic::error("merchantable-limits", message).at(place));
            return None;
        }
        let warning = Diagnostic::warning("merchantable-limits", message);
        problems.push(warning.hint("total volume only is given"));
        volume.merchantable = None;
    }
    let planted_rows = set.equations.iter().any(|row| row.planted);
    match place_if_given(source, &["volume", "stand_origin"]) {
        None if planted_rows => design.defaults.push(
            "stand_origin: natural; the equations for planted stands are not used".to_owned(),
        ),
        Some(place) if volume.planted && !planted_rows => {
            let message = format!(
                "volume set `{}` has no equations for planted stands",
                set.name
            );
            let warning = Diagnostic::warning("stand-origin", message).at(place);
            problems.push(warning.hint("those for any stand are used"));
        }
        _ => {}
    }
    Some(set)
}

/// The plan for logs, if the volume set has the profiles for it. A set that was only named on the
/// command line may lack them: logs are left out, and that is said.
fn log_plan(
    design: &mut Design,
    source: &Source,
    arguments: &DesignArgs,
    tables: &Tables,
    species: &SpeciesTable,
    volume: Option<&VolumeSet>,
    problems: &mut Problems,
) -> Option<LogPlan> {
    let wanted = design.logs.as_ref()?;
    let rules: Vec<Option<LogRule>> = wanted
        .board_feet
        .iter()
        .map(|rule| keep(tables.log_rule(&rule.rule), problems))
        .collect();
    let rules: Vec<LogRule> = rules.into_iter().collect::<Option<_>>()?;
    let means = |name: &str| means(&design.species_aliases, species, name);
    let plan = LogPlan::new(wanted, &rules, means);
    let plan = match plan {
        Ok(plan) => Some(plan),
        Err(found) => {
            for problem in found {
                let place = place_of(source, &["logs", problem.key]);
                problems.push(
                    Diagnostic::error("log-rules", problem.message)
                        .at(place)
                        .hint(problem.hint),
                );
            }
            None
        }
    };
    if let Err(message) = inside_bark_profiles(volume?) {
        if arguments.volume_set.is_none() {
            let place = place_of(source, &["logs"]);
            problems.push(
                Diagnostic::error("log-profiles", message)
                    .at(place)
                    .hint("name a volume set with stem profiles inside bark, or remove `logs`"),
            );
        } else {
            let warning = Diagnostic::warning("log-profiles", message);
            problems.push(warning.hint("no logs are given"));
            design.logs = None;
        }
        return None;
    }
    plan
}

/// The regional height curves of the design.
fn regional_set(
    design: &Design,
    tables: &Tables,
    species: &SpeciesTable,
    problems: &mut Problems,
) -> Option<RegionalSet> {
    let name = design.heights.regional.as_ref()?;
    let file = |part: &str| tables.source(&format!("height-curves/{name}/{part}"));
    let (Some(head), Some(coefficients)) = (file("set.yaml"), file("coefficients.csv")) else {
        problems.push(
            Diagnostic::error(
                "unknown-height-curves",
                format!("there is no set of height curves `{name}`"),
            )
            .hint(format!(
                "known sets: {}",
                tables.folders("height-curves").join(", ")
            )),
        );
        return None;
    };
    keep(
        height_curves::regional_set(&head, &coefficients, species),
        problems,
    )
}
