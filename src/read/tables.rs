//! The published knowledge of the program: species and folders of tables, embedded in it, with
//! a folder of the user's own laid over them.
//!
//! In: the embedded files, and every CSV and YAML file of the user's folder. Out: named texts, and
//! the species table and volume sets read from them. A set is read only when it is named.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::Path;

use crate::diagnostic::{Diagnostic, Problems};
use crate::logs::rules::LogRule;
use crate::read::bytes::Bytes;
use crate::read::source::Source;
use crate::read::table_head::known_hint;
use crate::read::{table_checks, table_log_rules, table_species, table_volume, table_wood};
use crate::species::SpeciesTable;
use crate::species::bark::BarkSet;
use crate::species::biomass::{BiomassSet, NationalSet};
use crate::species::equation::{Model, Quantity};
use crate::species::form::Form;
use crate::species::set::VolumeSet;
use crate::species::wood::WoodProperties;

/// Every table file, `(path below species-tables, text)`, sorted by path.
const EMBEDDED: &[(&str, &str)] = include!(concat!(env!("OUT_DIR"), "/embedded_tables.rs"));

/// Folders that the program reads; others in a user's folder are an error, most likely a slip.
const KINDS: &[&str] = &[
    "bark",
    "biomass",
    "height-curves",
    "log-rules",
    "volume",
    "wood",
];

/// Folders in folders that are looked into, more than a table has.
const DEEPEST: usize = 4;
/// Bytes of a table, a hundred times those of the largest built in.
const MOST_BYTES: u64 = 100_000_000;

/// The text of a table.
fn read_table(path: &Path) -> io::Result<String> {
    if !path.is_file() {
        return Err(io::Error::other("it is no file"));
    }
    let bytes = Bytes::read_short(path, MOST_BYTES)?;
    let large = || io::Error::other("it has more than 100 million bytes");
    String::from_utf8(bytes.ok_or_else(large)?).map_err(io::Error::other)
}

/// The table files at hand.
#[derive(Clone, Debug, Default)]
pub struct Tables {
    /// Path below the user's folder, name in messages, text.
    overlay: BTreeMap<String, (String, String)>,
}

impl Tables {
    /// Those embedded in the program.
    pub fn builtin() -> Tables {
        Tables::default()
    }

    /// Those embedded in the program, with a user's folder laid over them: a folder there of the
    /// same kind and name (`volume/<set>`) replaces the whole embedded one, rows of its
    /// `species.csv` are added to the species table.
    pub fn with_overlay(folder: &Path) -> Result<Tables, Problems> {
        let mut tables = Tables::default();
        let mut problems = Problems::new();
        if let Err(error) = tables.collect(folder, "", &mut problems) {
            problems.push(
                Diagnostic::error(
                    "species-tables",
                    format!(
                        "the folder of species tables cannot be read (`{}`): {error}",
                        folder.display()
                    ),
                )
                .hint("name a folder laid out like `species-tables/`"),
            );
        }
        for path in tables.overlay.keys() {
            let first = path.split('/').next().unwrap_or_default();
            if path.contains('/') && !KINDS.contains(&first) {
                let (name, _) = &tables.overlay[path];
                problems.push(
                    Diagnostic::error(
                        "species-tables",
                        format!("no kind of table is called `{first}`"),
                    )
                    .at(Source::new(name, String::new()).whole())
                    .hint(known_hint(first, KINDS)),
                );
            }
        }
        if problems.has_errors() {
            Err(problems)
        } else {
            Ok(tables)
        }
    }

    fn collect(&mut self, folder: &Path, prefix: &str, problems: &mut Problems) -> io::Result<()> {
        for entry in fs::read_dir(folder)? {
            let entry = entry?;
            let path = entry.path();
            let name = entry.file_name().to_string_lossy().into_owned();
            if path.is_dir() {
                // Links may lead round in a circle.
                if prefix.matches('/').count() < DEEPEST {
                    self.collect(&path, &format!("{prefix}{name}/"), problems)?;
                }
            } else if path.extension().is_some_and(|e| e == "csv" || e == "yaml") {
                match read_table(&path) {
                    Ok(text) => {
                        let shown = path.display().to_string();
                        self.overlay
                            .insert(format!("{prefix}{name}"), (shown, text));
                    }
                    Err(error) => problems.push(
                        Diagnostic::error(
                            "species-tables",
                            format!("`{}` cannot be read: {error}", path.display()),
                        )
                        .hint("see that it may be read and is UTF-8, or take it out of the folder"),
                    ),
                }
            }
        }
        Ok(())
    }

    /// Names of the folders of a kind (`volume`, `height-curves` ...), sorted.
    pub fn folders(&self, kind: &str) -> Vec<String> {
        let prefix = format!("{kind}/");
        let name = |path: &str| {
            let (folder, _) = path.strip_prefix(&prefix)?.split_once('/')?;
            Some(folder.to_owned())
        };
        let mut names: Vec<String> = EMBEDDED
            .iter()
            .filter_map(|(path, _)| name(path))
            .chain(self.overlay.keys().filter_map(|path| name(path)))
            .collect();
        names.sort();
        names.dedup();
        names
    }

    /// A file by its path below the tables' folder, the user's before the embedded one. Where the
    /// user's folder holds a set, nothing of the embedded set of that name is seen.
    pub fn source(&self, path: &str) -> Option<Source> {
        if let Some((name, text)) = self.overlay.get(path) {
            return Some(Source::new(name, text.clone()));
        }
        if let Some((folder, _)) = path.rsplit_once('/') {
            let folder = format!("{folder}/");
            if self.overlay.keys().any(|own| own.starts_with(&folder)) {
                return None;
            }
        }
        Tables::embedded(path)
    }

    fn embedded(path: &str) -> Option<Source> {
        let (_, text) = EMBEDDED.iter().find(|(name, _)| *name == path)?;
        let name = format!("species-tables/{path}");
        Some(Source::new(&name, (*text).to_owned()))
    }

    /// The species table, with the rows of the user's own.
    pub fn species(&self) -> Result<SpeciesTable, Problems> {
        let own = self
            .overlay
            .get("species.csv")
            .map(|(name, text)| Source::new(name, text.clone()));
        let mut problems = Problems::new();
        let missing = |path: &str| {
            let mut problems = Problems::new();
            problems.push(
                Diagnostic::error("species-tables", format!("`{path}` is missing"))
                    .hint("install the program again"),
            );
            problems
        };
        let head = Tables::embedded("species.yaml").ok_or_else(|| missing("species.yaml"))?;
        let rows = Tables::embedded("species.csv").ok_or_else(|| missing("species.csv"))?;
        let table = table_species::read(&head, &rows, own.as_ref(), &mut problems);
        if problems.has_errors() {
            Err(problems.sorted())
        } else {
            Ok(table)
        }
    }

    /// Names of the volume sets, sorted.
    pub fn volume_sets(&self) -> Vec<String> {
        self.folders("volume")
    }

    /// Names of the log rules, sorted.
    pub fn log_rules(&self) -> Vec<String> {
        self.folders("log-rules")
    }

    /// A log rule.
    pub fn log_rule(&self, name: &str) -> Result<LogRule, Problems> {
        let part = |path: &str| self.source(&format!("log-rules/{path}"));
        let Some(head) = part(&format!("{name}/set.yaml")) else {
            let mut problems = Problems::new();
            problems.push(
                Diagnostic::error("unknown-log-rule", format!("there is no log rule `{name}`"))
                    .hint(format!("known rules: {}", self.log_rules().join(", "))),
            );
            return Err(problems);
        };
        table_log_rules::read(&head, &part)
    }

    /// A volume set, with the set whose profiles it borrows. One of the user's own must meet its
    /// check values.
    pub fn volume_set(&self, name: &str, species: &SpeciesTable) -> Result<VolumeSet, Problems> {
        let mut set = self.read_set("volume", name, species)?;
        if let Some(lender) = set.profiles_from.clone() {
            let profiles = self.read_set("volume", &lender, species)?;
            if !profiles.has(Quantity::Profile) {
                let mut problems = Problems::new();
                problems.push(
                    Diagnostic::error(
                        "no-profiles",
                        format!(
                            "volume set `{name}` borrows from `{lender}`, which has no profiles"
                        ),
                    )
                    .hint("name a set with profiles as `profiles_from`"),
                );
                return Err(problems);
            }
            set.profiles = Some(Box::new(profiles));
        }
        self.try_own("volume", set, species)
    }

    /// Wood properties of a folder `wood/<set>/`.
    pub fn wood_properties(
        &self,
        name: &str,
        species: &SpeciesTable,
    ) -> Result<WoodProperties, Problems> {
        let mut problems = Problems::new();
        let known = self.folders("wood");
        if !known.iter().any(|set| set == name) {
            let known: Vec<&str> = known.iter().map(String::as_str).collect();
            problems.push(
                Diagnostic::error(
                    "unknown-set",
                    format!("there is no set of wood properties `{name}`"),
                )
                .hint(known_hint(name, &known)),
            );
            return Err(problems);
        }
        let mut need = |file: &str| {
            let source = self.source(&format!("wood/{name}/{file}"));
            if source.is_none() {
                problems.push(
                    Diagnostic::error(
                        "file-missing",
                        format!("the wood properties `{name}` have no file `{file}`"),
                    )
                    .hint("add the file to the folder of the set"),
                );
            }
            source
        };
        let (head, rows) = (need("set.yaml"), need("species.csv"));
        let (decay, crown_ratio) = (need("decay.csv"), need("crown-ratio.csv"));
        let (Some(head), Some(rows), Some(decay), Some(crown_ratio)) =
            (head, rows, decay, crown_ratio)
        else {
            return Err(problems);
        };
        let files = table_wood::WoodFiles {
            head: &head,
            species: &rows,
            decay: &decay,
            crown_ratio: &crown_ratio,
        };
        table_wood::read(name, &files, species)
    }

    /// Names of the sets that give biomass, sorted: those of their own folder, and volume sets with
    /// wood properties of the same name.
    pub fn biomass_sets(&self) -> Vec<String> {
        let volume = self.volume_sets();
        let mut names = self.folders("biomass");
        names.extend(
            self.folders("wood")
                .into_iter()
                .filter(|name| volume.contains(name)),
        );
        names.sort();
        names.dedup();
        names
    }

    /// A set that gives biomass.
    pub fn biomass_set(&self, name: &str, species: &SpeciesTable) -> Result<BiomassSet, Problems> {
        let has_wood = self.folders("wood").iter().any(|wood| wood == name);
        if !has_wood || self.folders("biomass").iter().any(|set| set == name) {
            let set = self.equation_set("biomass", name, species)?;
            return Ok(BiomassSet::Components(Box::new(set)));
        }
        let set = self.volume_set(name, species)?;
        if !set.is_national() {
            let mut problems = Problems::new();
            problems.push(
                Diagnostic::error(
                    "no-biomass",
                    format!("volume set `{name}` lacks components that biomass follows from"),
                )
                .hint("it needs rows for every volume, ratio and mass of the national system"),
            );
            return Err(problems);
        }
        let wood = self.wood_properties(name, species)?;
        Ok(BiomassSet::National(Box::new(NationalSet { set, wood })))
    }

    /// Names of the sets of bark ratios, sorted.
    pub fn bark_sets(&self) -> Vec<String> {
        self.folders("bark")
    }

    /// A set of bark ratios.
    pub fn bark_set(&self, name: &str, species: &SpeciesTable) -> Result<BarkSet, Problems> {
        let set = self.equation_set("bark", name, species)?;
        BarkSet::new(set).map_err(|message| {
            let error = Diagnostic::error("no-bark-ratio", message)
                .hint("give rows of `dib`, from dbh alone, without region or origin");
            let head = self.source(&format!("bark/{name}/set.yaml"));
            let mut problems = Problems::new();
            problems.push(match head {
                Some(head) => error.at(head.whole()),
                None => error,
            });
            problems
        })
    }

    /// A set of a kind (`volume`, `biomass`, `bark`) by itself. One of the user's own must meet
    /// its check values.
    pub fn equation_set(
        &self,
        kind: &str,
        name: &str,
        species: &SpeciesTable,
    ) -> Result<VolumeSet, Problems> {
        let set = self.read_set(kind, name, species)?;
        self.try_own(kind, set, species)
    }

    /// Built-in sets are tried by the tests, the user's own when they are read.
    fn try_own(
        &self,
        kind: &str,
        set: VolumeSet,
        species: &SpeciesTable,
    ) -> Result<VolumeSet, Problems> {
        let Some((name, text)) = self.overlay.get(&format!("{kind}/{}/checks.csv", set.name))
        else {
            return Ok(set);
        };
        let failed = table_checks::failed(&Source::new(name, text.clone()), &set, species);
        if failed.has_errors() {
            Err(failed.sorted())
        } else {
            Ok(set)
        }
    }

    /// What to say about a set with a formula that no check value tries.
    pub fn untested(&self, kind: &str, set: &VolumeSet) -> Option<Diagnostic> {
        let is_formula = |model: &Model| matches!(model, Model::Direct(Form::Formula(_)));
        let formula = set.equations.iter().any(|row| is_formula(&row.model));
        let head = self.source(&format!("{kind}/{}/set.yaml", set.name))?;
        (formula && set.checks.is_empty()).then(|| {
            let message = format!(
                "{kind} set `{}` has no check value; its formula is untested",
                set.name
            );
            Diagnostic::warning("no-check-value", message)
                .at(head.whole())
                .hint("write a published value into `checks.csv` beside it")
        })
    }

    fn read_set(
        &self,
        kind: &str,
        name: &str,
        species: &SpeciesTable,
    ) -> Result<VolumeSet, Problems> {
        let file = |file: &str| self.source(&format!("{kind}/{name}/{file}"));
        let known = self.folders(kind);
        let mut problems = Problems::new();
        if !known.iter().any(|set| set == name) {
            let known: Vec<&str> = known.iter().map(String::as_str).collect();
            problems.push(
                Diagnostic::error("unknown-set", format!("there is no {kind} set `{name}`"))
                    .hint(known_hint(name, &known)),
            );
            return Err(problems);
        }
        let mut need = |wanted: &str| {
            let source = file(wanted);
            if source.is_none() {
                problems.push(
                    Diagnostic::error(
                        "file-missing",
                        format!("{kind} set `{name}` has no file `{wanted}`"),
                    )
                    .hint("add the file to the folder of the set"),
                );
            }
            source
        };
        let (Some(head), Some(rows)) = (need("set.yaml"), need("coefficients.csv")) else {
            return Err(problems);
        };
        let checks = file("checks.csv");
        table_volume::read(name, &head, &rows, checks.as_ref(), species)
    }
}
