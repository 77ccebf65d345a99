//! One cruise of a batch run: its design and record files, opened, and the units of work in it.

use std::path::Path;

use crate::cli::DesignArgs;
use crate::commands::load::Prepared;
use crate::design::FitBy;
use crate::diagnostic::Problems;
use crate::read::by_stand::{Divided, Opened, open};
use crate::read::records::Common;
use crate::read::{RecordFiles, open_record_files};

use super::part::CruiseHead;
use crate::units::UnitSystem;

/// A cruise, opened.
pub(super) struct OpenCruise {
    /// The design as it was named.
    pub(super) shown: String,
    pub(super) prepared: Prepared,
    pub(super) files: Files,
    /// What its stands have in common, if these are units of work. A species without an equation is
    /// left out: it is an error of the stands that have it, and not of the others.
    pub(super) common: Option<Common>,
    /// What was found in the design and of the files as a whole.
    pub(super) problems: Problems,
    /// Begin of the content hash of every unit.
    pub(super) hash: blake3::Hasher,
}

/// Its record files.
pub(super) enum Files {
    /// Each stand is a unit of work.
    ByStand(Box<Divided>),
    /// The cruise is one.
    Whole(Box<RecordFiles>),
}

impl OpenCruise {
    /// Opens a cruise; where it cannot be, what is wrong.
    pub(super) fn open(
        arguments: &DesignArgs,
        options: &blake3::Hasher,
    ) -> Result<OpenCruise, Problems> {
        let mut problems = Problems::new();
        let prepared = Prepared::read(arguments, &[], &mut problems);
        let Some(prepared) = prepared.filter(|_| !problems.has_errors()) else {
            return Err(problems.sorted());
        };
        let Some(files) = open_files(&prepared, &mut problems) else {
            return Err(problems.sorted());
        };
        let shown = arguments.design.display().to_string();
        let mut hash = options.clone();
        add(&mut hash, shown.as_bytes());
        add(&mut hash, prepared.source.text().as_bytes());
        add(&mut hash, format!("{:?}", prepared.tables).as_bytes());
        let mut common = match &files {
            Files::ByStand(divided) => Some(divided.common().clone()),
            Files::Whole(_) => None,
        };
        if let Some(common) = &mut common {
            add(&mut hash, format!("{common:?}").as_bytes());
            common.species.retain(|species| prepared.covers(species.id));
        }
        Ok(OpenCruise {
            shown,
            prepared,
            files,
            common,
            problems: problems.sorted(),
            hash,
        })
    }

    /// Its units of work: the number of a stand, or none for all.
    pub(super) fn units(&self) -> Vec<Option<usize>> {
        match &self.files {
            Files::ByStand(divided) => (0..divided.stands().len()).map(Some).collect(),
            Files::Whole(_) => vec![None],
        }
    }

    /// The paths of its design and its record files.
    pub(super) fn paths(&self) -> impl Iterator<Item = &Path> {
        let inputs = &self.prepared.design().inputs;
        let records = [&inputs.stands, &inputs.plots, &inputs.trees, &inputs.counts];
        let records = records
            .into_iter()
            .flatten()
            .map(|input| input.path.as_str());
        std::iter::once(self.shown.as_str())
            .chain(records)
            .map(Path::new)
    }

    /// The texts of a unit.
    pub(super) fn texts(&self, unit: Option<usize>) -> Result<RecordFiles, Problems> {
        match (&self.files, unit) {
            (Files::ByStand(divided), Some(stand)) => divided.files(stand),
            (Files::ByStand(_), None) => Ok(RecordFiles::default()),
            (Files::Whole(files), _) => Ok((**files).clone()),
        }
    }

    /// Name of a unit's stand.
    pub(super) fn stand(&self, unit: Option<usize>) -> Option<&str> {
        match &self.files {
            Files::ByStand(divided) => divided.stands().get(unit?).map(String::as_str),
            Files::Whole(_) => None,
        }
    }

    /// What tables need to know of it, with the species of a unit.
    pub(super) fn head(
        &self,
        species: &[crate::records::CruiseSpecies],
        tree_head: Option<String>,
    ) -> CruiseHead {
        let design = self.prepared.design();
        let table = &self.prepared.variants[0].knowledge.species;
        let named = |species: &crate::records::CruiseSpecies| {
            let name = table.get(species.id).scientific_name.clone();
            (species.label.clone(), name)
        };
        CruiseHead {
            design: self.shown.clone(),
            title: design.title.clone(),
            imperial: design.units == UnitSystem::Imperial,
            confidence: design.confidence,
            dbh_class_cm: design.dbh_class_cm,
            listed: (design.sampling.listed).map(|list| (list.stands, list.area_ha)),
            selections: design.selections.iter().map(|s| s.name.clone()).collect(),
            decay_classes: design.decay_classes.clone(),
            species: species.iter().map(named).collect(),
            tree_head,
        }
    }
}

/// Divided by stand where that changes nothing: curves of the whole cruise need all its heights.
fn open_files(prepared: &Prepared, problems: &mut Problems) -> Option<Files> {
    let design = prepared.design();
    if design.heights.fit_by == FitBy::Cruise {
        let (mut files, found) = open_record_files(design);
        files.design = Some(prepared.source.clone());
        problems.append(found);
        return (!problems.has_errors()).then(|| Files::Whole(Box::new(files)));
    }
    let species = &prepared.variants[0].knowledge.species;
    let (opened, found) = open(design, Some(&prepared.source), species);
    problems.append(found);
    Some(match opened? {
        Opened::ByStand(divided) => Files::ByStand(divided),
        Opened::Whole(files) => Files::Whole(files),
    })
}

/// Adds a text to a hash so that no two lists of texts give the same.
pub(super) fn add(hash: &mut blake3::Hasher, bytes: &[u8]) {
    hash.update(&(bytes.len() as u64).to_le_bytes());
    hash.update(bytes);
}
