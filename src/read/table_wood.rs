//! A folder `wood/<set>/` to wood properties: `set.yaml`, `species.csv`, `decay.csv`,
//! `crown-ratio.csv`.
//!
//! In: the texts and the species table. Out: the properties, or every problem with its place: keys
//! and columns that are not known, numbers that cannot be, species that do not exist, rows that
//! are there twice.

use crate::diagnostic::{Diagnostic, Problems};
use crate::read::csv::{Row, Table};
use crate::read::source::Source;
use crate::read::table_head::{Keys, known_hint};
use crate::read::table_volume::unknown_species;
use crate::read::yaml;
use crate::species::set::Obtained;
use crate::species::wood::{CrownRatio, Decay, SpeciesWood, WoodProperties};
use crate::species::{Kind, SpeciesId, SpeciesTable};

const HEAD_KEYS: &[&str] = &["title", "citation", "obtained", "specific_gravity", "notes"];
const SPECIES_COLUMNS: &[&str] = &[
    "species",
    "wood_specific_gravity",
    "bark_specific_gravity",
    "carbon_pct",
];
const DECAY_COLUMNS: &[&str] = &[
    "kind",
    "decay_class",
    "density",
    "bark",
    "branch",
    "carbon_pct",
];
const CROWN_COLUMNS: &[&str] = &["province", "kind", "crown_ratio_pct", "trees"];

/// The texts of a folder.
pub(crate) struct WoodFiles<'s> {
    pub(crate) head: &'s Source,
    pub(crate) species: &'s Source,
    pub(crate) decay: &'s Source,
    pub(crate) crown_ratio: &'s Source,
}

/// Reads the properties.
pub(crate) fn read(
    name: &str,
    files: &WoodFiles,
    table: &SpeciesTable,
) -> Result<WoodProperties, Problems> {
    let mut problems = Problems::new();
    let node = yaml::parse(files.head)?;
    let what = "the head of wood properties";
    let keys = Keys::open(
        files.head,
        what,
        &node,
        Vec::new(),
        HEAD_KEYS,
        &mut problems,
    );
    let Some(keys) = keys else {
        return Err(problems.sorted());
    };
    keys.need("obtained", &mut problems);
    let properties = WoodProperties {
        name: name.to_owned(),
        title: keys.need_text("title", &mut problems),
        citation: keys.need_text("citation", &mut problems),
        obtained: keys
            .choice("obtained", Obtained::NAMES, &mut problems)
            .unwrap_or(Obtained::Carried),
        specific_gravity: keys.need_text("specific_gravity", &mut problems),
        notes: keys
            .texts("notes", &mut problems)
            .into_iter()
            .map(|(note, _)| note)
            .collect(),
        species: read_species(files.species, table, &mut problems),
        decay: read_decay(files.decay, &mut problems),
        crown_ratios: read_crown_ratios(files.crown_ratio, &mut problems),
    };
    if problems.has_errors() {
        Err(problems.sorted())
    } else {
        Ok(properties)
    }
}

/// One CSV file with its known columns.
struct Sheet<'s> {
    table: Table<'s>,
}

impl<'s> Sheet<'s> {
    fn open(source: &'s Source, known: &[&str], problems: &mut Problems) -> Option<Self> {
        let table = Table::open(source, &[], problems)?;
        for (index, head) in table.heads().iter().enumerate() {
            if !known.contains(&head.as_str()) {
                problems.push(
                    Diagnostic::error("unknown-column", format!("there is no column `{head}`"))
                        .at(table.head_site(index))
                        .hint(known_hint(head, known)),
                );
            }
        }
        Some(Sheet { table })
    }

    /// A number within limits, if the row has one; the upper limit is part of the range.
    fn number(
        &self,
        row: &Row,
        name: &str,
        (low, high): (f64, f64),
        problems: &mut Problems,
    ) -> Option<f64> {
        let column = self.table.column(name);
        let value = self.table.number(row, column, problems)?;
        if value >= low && value <= high {
            return Some(value);
        }
        let place = column.map_or_else(
            || self.table.row_site(row),
            |column| self.table.site(row, column),
        );
        problems.push(
            Diagnostic::error(
                "out-of-range",
                format!("`{name}` must be from {low} to {high} (`{value}`)"),
            )
            .at(place)
            .hint("correct it by the publication"),
        );
        None
    }

    /// A number that must be there.
    fn need(
        &self,
        row: &Row,
        name: &str,
        limits: (f64, f64),
        problems: &mut Problems,
    ) -> Option<f64> {
        if row.text(self.table.column(name)).is_none() {
            problems.push(
                Diagnostic::error("value-missing", format!("this row lacks `{name}`"))
                    .at(self.table.row_site(row))
                    .hint("fill it in"),
            );
            return None;
        }
        self.number(row, name, limits, problems)
    }

    fn kind(&self, row: &Row, problems: &mut Problems) -> Option<Kind> {
        let word = row.text(self.table.column("kind")).unwrap_or_default();
        match word {
            "softwood" => Some(Kind::Softwood),
            "hardwood" => Some(Kind::Hardwood),
            _ => {
                problems.push(
                    Diagnostic::error("wood-kind", format!("`kind` cannot be `{word}`"))
                        .at(self.table.row_site(row))
                        .hint("write softwood or hardwood"),
                );
                None
            }
        }
    }

    fn twice(&self, row: &Row, what: &str, problems: &mut Problems) {
        problems.push(
            Diagnostic::error("row-twice", format!("{what} has a row further up"))
                .at(self.table.row_site(row))
                .hint("keep one of them"),
        );
    }
}

const GRAVITY: (f64, f64) = (0.05, 1.5);
const PERCENT: (f64, f64) = (0.0, 100.0);
const SHARE: (f64, f64) = (0.0, 1.0);

fn read_species(
    source: &Source,
    table: &SpeciesTable,
    problems: &mut Problems,
) -> Vec<(SpeciesId, SpeciesWood)> {
    let Some(mut sheet) = Sheet::open(source, SPECIES_COLUMNS, problems) else {
        return Vec::new();
    };
    let mut rows: Vec<(SpeciesId, SpeciesWood, Row)> = Vec::new();
    while let Some(row) = sheet.table.next_row(problems) {
        let code = row.text(sheet.table.column("species")).unwrap_or_default();
        let Some(id) = table.lookup(code) else {
            let place = sheet.table.row_site(&row);
            problems.push(unknown_species(code, table).at(place));
            continue;
        };
        let mut number = |name: &str, limits| sheet.number(&row, name, limits, problems);
        let wood = SpeciesWood {
            wood_specific_gravity: number("wood_specific_gravity", GRAVITY),
            bark_specific_gravity: number("bark_specific_gravity", GRAVITY),
            carbon_pct: number("carbon_pct", PERCENT),
        };
        rows.push((id, wood, row));
    }
    rows.sort_by_key(|(id, ..)| *id);
    for pair in rows.windows(2) {
        if pair[0].0 == pair[1].0 {
            sheet.twice(&pair[1].2, &table.get(pair[1].0).label(), problems);
        }
    }
    rows.into_iter().map(|(id, wood, _)| (id, wood)).collect()
}

fn read_decay(source: &Source, problems: &mut Problems) -> Vec<Decay> {
    let Some(mut sheet) = Sheet::open(source, DECAY_COLUMNS, problems) else {
        return Vec::new();
    };
    let mut rows: Vec<Decay> = Vec::new();
    while let Some(row) = sheet.table.next_row(problems) {
        let kind = sheet.kind(&row, problems);
        let class = row.text(sheet.table.column("decay_class"));
        let class = class.and_then(|text| text.parse::<u8>().ok());
        if !class.is_some_and(|class| (1..=5).contains(&class)) {
            problems.push(
                Diagnostic::error("decay-class", "this row has no decay class from 1 to 5")
                    .at(sheet.table.row_site(&row))
                    .hint("fill in the column `decay_class`"),
            );
        }
        let mut need = |name: &str, limits| sheet.need(&row, name, limits, problems);
        let (density, bark) = (need("density", SHARE), need("bark", SHARE));
        let (branch, carbon_pct) = (need("branch", SHARE), need("carbon_pct", PERCENT));
        let decay = || {
            Some(Decay {
                kind: kind?,
                class: class?,
                density: density?,
                bark: bark?,
                branch: branch?,
                carbon_pct: carbon_pct?,
            })
        };
        let Some(decay) = decay() else { continue };
        if rows
            .iter()
            .any(|other| (other.kind, other.class) == (decay.kind, decay.class))
        {
            sheet.twice(&row, &format!("decay class {}", decay.class), problems);
        }
        rows.push(decay);
    }
    rows
}

fn read_crown_ratios(source: &Source, problems: &mut Problems) -> Vec<CrownRatio> {
    let Some(mut sheet) = Sheet::open(source, CROWN_COLUMNS, problems) else {
        return Vec::new();
    };
    let mut rows: Vec<CrownRatio> = Vec::new();
    while let Some(row) = sheet.table.next_row(problems) {
        let province = row.text(sheet.table.column("province")).map(str::to_owned);
        if province.is_none() {
            problems.push(
                Diagnostic::error("value-missing", "this row lacks `province`")
                    .at(sheet.table.row_site(&row))
                    .hint("fill it in"),
            );
        }
        let kind = sheet.kind(&row, problems);
        let crown_ratio_pct = sheet.need(&row, "crown_ratio_pct", (1.0, 100.0), problems);
        let (Some(province), Some(kind), Some(crown_ratio_pct)) = (province, kind, crown_ratio_pct)
        else {
            continue;
        };
        if rows
            .iter()
            .any(|other| other.province == province && other.kind == kind)
        {
            sheet.twice(&row, &format!("province {province}"), problems);
        }
        rows.push(CrownRatio {
            province,
            kind,
            crown_ratio_pct,
        });
    }
    rows
}
