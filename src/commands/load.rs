//! From a design on the command line to checked records and the knowledge to compile them with.

use std::path::{Path, PathBuf};

use crate::cli::{DesignArgs, SetInRegion};
use crate::compile::{Knowledge, biomass_equation_for, equation_for};
use crate::design::{CurveChoice, Design, Fallback, Volume};
use crate::diagnostic::{Diagnostic, Heads, Problems};
use crate::heights::curve::Form;
use crate::heights::regional::RegionalSet;
use crate::read::design::{Known, check_species, read_design, species_tables_folder};
use crate::read::excerpts::Named;
use crate::read::records::{Common, read_records};
use crate::read::source::Source;
use crate::read::tables::Tables;
use crate::read::{RecordFiles, height_curves, open_record_files};
use crate::records::Records;
use crate::species::{SpeciesId, SpeciesTable};

mod biomass;
mod volume;

use volume::Sources;

/// A cruise as far as it could be read.
pub struct Loaded {
    /// Design, records, knowledge: there only if no error was found.
    pub cruise: Option<Cruise>,
    /// Everything that was found.
    pub problems: Problems,
    /// The files that it was found in.
    pub named: Named,
}

/// A cruise that can be compiled.
pub struct Cruise {
    /// The design, with what the command line says in its place.
    pub design: Design,
    /// Its records.
    pub records: Records,
    /// What it is compiled with.
    pub knowledge: Knowledge,
    /// What is known of the file of the trees, where it has rows.
    pub tree_rows: Option<Heads>,
}

/// The same records under several designs.
pub(super) struct Comparison {
    pub(super) records: Records,
    /// What is known of the file of the trees, where it has rows.
    pub(super) tree_rows: Option<Heads>,
    /// The design as it stands, then one for each alternative.
    pub(super) variants: Vec<Variant>,
}

/// A design and the knowledge that it asks for.
pub(super) struct Variant {
    pub(super) design: Design,
    pub(super) knowledge: Knowledge,
}

/// What an alternative has different from the design.
#[derive(Clone, Debug)]
pub(super) enum Change<'a> {
    /// Another volume set, in a region of its own or else in the design's where the set has that.
    VolumeSet(&'a SetInRegion),
    /// Another form of the height curve.
    Curve(&'a str),
    /// Other merchantable limits.
    Merchantable(&'a str),
}

/// Built-in species tables, with the user's own folder over them.
pub(super) fn tables(folder: Option<&Path>) -> Result<Tables, Problems> {
    folder.map_or_else(|| Ok(Tables::builtin()), Tables::with_overlay)
}

/// Reads the design and all records; every problem of every file is found in one go as far as
/// one file's problems do not hide another's.
pub fn load(arguments: &DesignArgs) -> Loaded {
    let (read, problems, named) = load_variants(arguments, &[]);
    let cruise = read.and_then(|mut read| {
        let Variant { design, knowledge } = read.variants.pop()?;
        Some(Cruise {
            design,
            records: read.records,
            knowledge,
            tree_rows: read.tree_rows,
        })
    });
    Loaded {
        cruise,
        problems,
        named,
    }
}

/// Reads a design alone, without its records; what failed is in `problems`.
pub(super) fn read_design_alone(
    path: &Path,
    own_tables: Option<&Path>,
    problems: &mut Problems,
) -> Option<(Design, Tables)> {
    let source = open_design(path, problems)?;
    let base = path.parent().unwrap_or_else(|| Path::new(""));
    let tables = design_tables(&source, base, own_tables, problems)?;
    let species = keep(tables.species(), problems)?;
    let (design, found) = read_known_design(&source, base, &tables);
    problems.append(found);
    problems.append(check_species(&source, &species));
    Some((design.filter(|_| !problems.has_errors())?, tables))
}

fn open_design(path: &Path, problems: &mut Problems) -> Option<Source> {
    match Source::open_yaml(path, &path.to_string_lossy()) {
        Ok(source) => Some(source),
        Err(found) => {
            problems.append(found);
            None
        }
    }
}

/// The tables that a design asks for, unless the command line names others.
fn design_tables(
    source: &Source,
    base: &Path,
    own_tables: Option<&Path>,
    problems: &mut Problems,
) -> Option<Tables> {
    let own_tables = own_tables
        .map(Path::to_owned)
        .or_else(|| species_tables_folder(source, base).map(PathBuf::from));
    keep(tables(own_tables.as_deref()), problems)
}

/// Reads the records once, and design and knowledge for the design as it stands and for each
/// change. They are there only if no error was found, for any of them.
pub(super) fn load_variants(
    arguments: &DesignArgs,
    changes: &[Change<'_>],
) -> (Option<Comparison>, Problems, Named) {
    let mut problems = Problems::new();
    let mut named = Named::of_design(&arguments.design);
    let read = read(arguments, changes, &mut problems, &mut named);
    let read = read.filter(|_| !problems.has_errors());
    (read, problems.sorted(), named)
}

/// What failed is in `problems`.
fn read(
    arguments: &DesignArgs,
    changes: &[Change<'_>],
    problems: &mut Problems,
    named: &mut Named,
) -> Option<Comparison> {
    let prepared = Prepared::read(arguments, changes, problems)?;
    named.add_records(prepared.design());
    let (mut files, found) = open_record_files(prepared.design());
    files.design = Some(prepared.source.clone());
    problems.append(found);
    let (records, found) = prepared.records(&files, None);
    problems.append(found);
    Some(Comparison {
        records: records?,
        tree_rows: files.trees.and_then(|trees| trees.heads()),
        variants: prepared.variants,
    })
}

/// A design with the knowledge that it asks for, before its records are read.
pub(super) struct Prepared {
    /// The text of the design.
    pub(super) source: Source,
    /// The design as it stands, then one for each alternative.
    pub(super) variants: Vec<Variant>,
    /// The built-in tables, with the user's own over them.
    pub(super) tables: Tables,
}

impl Prepared {
    /// Reads a design; what failed is in `problems`.
    pub(super) fn read(
        arguments: &DesignArgs,
        changes: &[Change<'_>],
        problems: &mut Problems,
    ) -> Option<Prepared> {
        let source = open_design(&arguments.design, problems)?;
        Prepared::of(source, arguments, changes, problems)
    }

    /// The same of a design that is at hand; the paths of `arguments` say where it stands.
    pub(super) fn of(
        source: Source,
        arguments: &DesignArgs,
        changes: &[Change<'_>],
        problems: &mut Problems,
    ) -> Option<Prepared> {
        let base = arguments.design.parent().unwrap_or_else(|| Path::new(""));
        let own_tables = arguments.overrides.tables.as_deref();
        let tables = design_tables(&source, base, own_tables, problems)?;
        let species = keep(tables.species(), problems)?;
        let (design, found) = read_known_design(&source, base, &tables);
        problems.append(found);
        problems.append(check_species(&source, &species));
        let mut design = design?;
        override_design(&mut design, arguments, problems);
        let biomass = biomass::sets(&mut design, &source, arguments, &tables, &species, problems);
        let sources = Sources {
            source: &source,
            tables: &tables,
            species: &species,
            arguments,
        };
        let mut with_sets = Vec::new();
        for change in std::iter::once(None).chain(changes.iter().map(Some)) {
            let mut design = design.clone();
            let mut found = Problems::new();
            if let Some(change) = change {
                sources.change(&mut design, change, &mut found);
            }
            let set = sources.volume_set(&mut design, change, &mut found);
            let logs = sources.log_plan(&mut design, change, set.as_ref(), &mut found);
            // What was said of the design is not said again of each alternative.
            for diagnostic in &found {
                if !problems.iter().any(|said| said == diagnostic) {
                    problems.push(diagnostic.clone());
                }
            }
            with_sets.push((design, set, logs));
        }
        let regional = regional_set(&design, &tables, &species, problems);
        let variant = |(design, volume, logs)| Variant {
            design,
            knowledge: Knowledge {
                species: species.clone(),
                volume,
                biomass: biomass.clone().unwrap_or_default(),
                regional: regional.clone(),
                logs,
            },
        };
        let variants = with_sets.into_iter().map(variant).collect();
        Some(Prepared {
            source,
            variants,
            tables,
        })
    }

    /// The design as it stands.
    pub(super) fn design(&self) -> &Design {
        &self.variants[0].design
    }

    /// Has every design an equation for the species?
    pub(super) fn covers(&self, id: SpeciesId) -> bool {
        covered(&self.variants, id).is_ok()
    }

    /// Reads records; every design must have equations for their species. `common` is what the
    /// stands of the cruise have in common, where these are the records of one of them.
    pub(super) fn records(
        &self,
        files: &RecordFiles,
        common: Option<&Common>,
    ) -> (Option<Records>, Problems) {
        let Variant { design, knowledge } = &self.variants[0];
        let mut cover = |id| covered(&self.variants, id);
        read_records(design, files, &knowledge.species, common, &mut cover)
    }
}

/// Reads the design with the names that the tables know.
fn read_known_design(source: &Source, base: &Path, tables: &Tables) -> (Option<Design>, Problems) {
    with_known_names(tables, |known| read_design(source, base, known))
}

/// What can be made with the names that the tables know.
pub(super) fn with_known_names<T>(tables: &Tables, make: impl FnOnce(&Known) -> T) -> T {
    let (volume_sets, height_sets) = (tables.volume_sets(), tables.folders("height-curves"));
    let log_rules = tables.log_rules();
    let (biomass_sets, bark_sets) = (tables.biomass_sets(), tables.bark_sets());
    make(&Known {
        curve_forms: &Form::NAMES,
        volume_sets: &volume_sets,
        biomass_sets: &biomass_sets,
        bark_sets: &bark_sets,
        height_sets: &height_sets,
        log_rules: &log_rules,
    })
}

/// Has every design an equation for the species? If not, all that is missing, each once.
fn covered(variants: &[Variant], id: SpeciesId) -> Result<(), (String, String)> {
    let mut missing = Vec::new();
    for Variant { design, knowledge } in variants {
        let aliases = &design.species_aliases;
        let species = &knowledge.species;
        if let (Some(wanted), Some(set)) = (&design.volume, &knowledge.volume) {
            missing.extend(equation_for(set, wanted, species, aliases, id).err());
        }
        if let (Some(wanted), false) = (&design.biomass, knowledge.biomass.is_empty()) {
            let volume = design.volume.as_ref();
            let sets = &knowledge.biomass;
            let found = biomass_equation_for(sets, wanted, volume, species, aliases, id);
            missing.extend(found.err());
        }
    }
    let mut messages: Vec<String> = Vec::new();
    let mut hints: Vec<String> = Vec::new();
    for one in missing {
        for (list, text) in [(&mut messages, one.message), (&mut hints, one.hint)] {
            if !list.contains(&text) {
                list.push(text);
            }
        }
    }
    if messages.is_empty() {
        Ok(())
    } else {
        Err((messages.join("; "), hints.join("; ")))
    }
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
    if let Some(name) = &arguments.overrides.volume_set {
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
                    bark: None,
                });
            }
        }
    }
    if !arguments.overrides.biomass_set.is_empty() {
        let biomass = design.biomass.get_or_insert_default();
        biomass.sets.clone_from(&arguments.overrides.biomass_set);
    }
    if let Some(region) = &arguments.overrides.region {
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
    if let Some(name) = &arguments.overrides.curve {
        override_curve(design, name, problems);
    }
    if let Some(confidence) = arguments.overrides.confidence {
        design.confidence = confidence;
    }
    if let Some(units) = arguments.overrides.units {
        design.units = units.into();
    }
}

fn override_curve(design: &mut Design, name: &str, problems: &mut Problems) {
    if name == "best" {
        design.heights.curve = CurveChoice::Best;
    } else if Form::NAMES.contains(&name) {
        design.heights.curve = CurveChoice::Named(name.to_owned());
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
