//! A user's own species tables: sets of which every file but one is sound.

use std::fs;
use std::path::Path;

use spinney::diagnostic::Problems;
use spinney::read::height_curves;
use spinney::read::tables::Tables;
use spinney::render::terminal;
use spinney::tables::catalogue;
use tempfile::TempDir;

use crate::{folder, print, world, write};

/// A set that is copied from the built-in ones, and the file of it that is replaced.
pub struct Slot {
    kind: &'static str,
    set: &'static str,
    file: &'static str,
}

const fn slot(kind: &'static str, set: &'static str, file: &'static str) -> Slot {
    Slot { kind, set, file }
}

/// Every file of every kind of table.
pub const SLOTS: [Slot; 22] = [
    slot("", "", "species.csv"),
    slot("volume", "own", "set.yaml"),
    slot("volume", "own", "coefficients.csv"),
    slot("volume", "own", "checks.csv"),
    slot("volume", "ca-bc-taper-1988", "set.yaml"),
    slot("volume", "ca-bc-taper-1988", "coefficients.csv"),
    slot("volume", "ca-bc-taper-1988", "checks.csv"),
    slot("biomass", "us-taxa-2014", "set.yaml"),
    slot("biomass", "us-taxa-2014", "coefficients.csv"),
    slot("biomass", "us-taxa-2014", "checks.csv"),
    slot("bark", "us-south-1991", "set.yaml"),
    slot("bark", "us-south-1991", "coefficients.csv"),
    slot("wood", "us-national-2024", "set.yaml"),
    slot("wood", "us-national-2024", "decay.csv"),
    slot("wood", "us-national-2024", "crown-ratio.csv"),
    slot("height-curves", "us-south-2008", "set.yaml"),
    slot("height-curves", "us-south-2008", "coefficients.csv"),
    slot("log-rules", "scribner", "set.yaml"),
    slot("log-rules", "scribner", "factors.csv"),
    slot("log-rules", "scribner", "checks.csv"),
    slot("log-rules", "doyle", "set.yaml"),
    slot("wood", "us-national-2024", "species.csv"),
];

/// A set of formulas, as a user would write one.
const OWN: [(&str, &str); 3] = [
    (
        "set.yaml",
        "title: Western species\ncitation: anybody 2019, anywhere\n\
         obtained: read in a document that carries it and names the original\n\
         form: formula\nformula: \"exp(a + b * ln(dbh_cm) + c * ln(height_m))\"\n\
         quantity: total\nunits: { result: m3 }\nbark: inside bark\n\
         total_includes: the whole stem\nrange: not published\nerror: not published\n",
    ),
    (
        "coefficients.csv",
        "species,a,b,c\nFd,-9.5504,1.742,1.021\nHw,-9.9763,1.9583,0.925\n",
    ),
    (
        "checks.csv",
        "species,dbh_in,height_ft,quantity,value,unit,tolerance,status,where\n\
         Fd,16.0,85.0,total,44.2774,ft3,printed,computed independently,another program\n",
    ),
];

/// A folder of tables with one file to be replaced.
pub struct Own {
    folder: TempDir,
    slot: &'static Slot,
}

impl Own {
    pub fn new(slot: &'static Slot) -> Own {
        let own = Own {
            folder: folder(),
            slot,
        };
        let place = own.path();
        let parent = place.parent().unwrap_or(&place);
        fs::create_dir_all(parent).expect("a folder can be made");
        if slot.set == "own" {
            for (name, text) in OWN {
                write(&parent.join(name), text);
            }
        } else {
            let names = ["set.yaml", "coefficients.csv", "checks.csv", "factors.csv"];
            let of_wood = ["species.csv", "decay.csv", "crown-ratio.csv"];
            for name in names.into_iter().chain(of_wood) {
                let path = format!("{}/{}/{name}", slot.kind, slot.set);
                if let Some(source) = Tables::builtin().source(&path) {
                    write(&parent.join(name), source.text());
                }
            }
        }
        own
    }

    /// The file to be replaced.
    fn path(&self) -> std::path::PathBuf {
        let Slot { kind, set, file } = self.slot;
        self.folder.path().join(kind).join(set).join(file)
    }

    /// Replaces the file and loads the set as a design that names it does.
    pub fn read(&self, content: &[u8]) {
        write(&self.path(), content);
        if let Err(problems) = self.load(self.folder.path()) {
            assert!(problems.has_errors());
            print(&problems, &[]);
        }
    }

    fn load(&self, folder: &Path) -> Result<(), Problems> {
        let tables = Tables::with_overlay(folder)?;
        let (name, species) = (self.slot.set, &world().species);
        match self.slot.kind {
            "" => {
                let table = tables.species()?;
                let all: Vec<_> = table.iter().map(|(id, _)| id).collect();
                catalogue::species(&table, &all);
            }
            "bark" => {
                let set = tables.bark_set(name, species)?;
                show(set.set());
            }
            "wood" => {
                tables.wood_properties(name, species)?;
            }
            "biomass" => {
                let set = tables.biomass_set(name, species)?;
                show(set.equations());
            }
            "height-curves" => {
                let file = |part: &str| tables.source(&format!("height-curves/{name}/{part}"));
                if let (Some(head), Some(rows)) = (file("set.yaml"), file("coefficients.csv")) {
                    height_curves::regional_set(&head, &rows, species)?;
                }
            }
            "log-rules" => {
                tables.log_rule(name)?.verify();
            }
            kind => {
                let set = tables.volume_set(name, species)?;
                tables.untested(kind, &set);
                show(&set);
            }
        }
        Ok(())
    }
}

/// Prints a set and what its check values come to.
fn show(set: &spinney::species::set::VolumeSet) {
    let species = &world().species;
    terminal::render(&catalogue::volume_set(set, species), 80);
    catalogue::checks(&set.verify(species), species);
}
