//! `species.csv` and its head to the species table.
//!
//! In: the embedded rows, and rows of the user's own. Out: the table, or problems: bad numbers,
//! and codes that would mean two species.

use crate::diagnostic::{Diagnostic, Problems};
use crate::read::csv::{Column, Row, Table};
use crate::read::source::Source;
use crate::read::table_head::{Keys, known_hint};
use crate::read::yaml;
use crate::species::{Kind, Species, SpeciesTable};
use crate::units::Dimension;

const COLUMNS: &[&str] = &[
    "fia",
    "plants",
    "national",
    "bc",
    "scientific_name",
    "common_name",
    "also",
    "kind",
    "jenkins_group",
    "max_dbh_cm",
    "max_height_m",
];

const HEAD_KEYS: &[&str] = &[
    "title",
    "citations",
    "obtained",
    "plausible_maximum",
    "notes",
];

/// Dbh in cm and height in m beyond which a tree is probably a slip, by kind.
#[derive(Clone, Copy)]
struct PlausibleMaximum {
    softwood: [f64; 2],
    hardwood: [f64; 2],
    unknown: [f64; 2],
}

fn read_head(source: &Source, problems: &mut Problems) -> Option<PlausibleMaximum> {
    let node = match yaml::parse(source) {
        Ok(node) => node,
        Err(found) => {
            problems.append(found);
            return None;
        }
    };
    let head = Keys::open(
        source,
        "the species head",
        &node,
        Vec::new(),
        HEAD_KEYS,
        problems,
    )?;
    head.need_text("title", problems);
    let known = &["softwood", "hardwood", "unknown", "note"];
    let maxima = head.map("plausible_maximum", "`plausible_maximum`", known, problems)?;
    let mut of = |kind: &'static str| {
        let sizes = maxima.map(
            kind,
            "a plausible maximum",
            &["dbh_cm", "height_m"],
            problems,
        )?;
        Some([
            sizes.quantity("dbh", Dimension::Diameter, problems)?,
            sizes.quantity("height", Dimension::Length, problems)?,
        ])
    };
    Some(PlausibleMaximum {
        softwood: of("softwood")?,
        hardwood: of("hardwood")?,
        unknown: of("unknown")?,
    })
}

/// The species table of the embedded rows and, after them, those of the user's own.
pub(crate) fn read(
    head: &Source,
    rows: &Source,
    own: Option<&Source>,
    problems: &mut Problems,
) -> SpeciesTable {
    let Some(maximum) = read_head(head, problems) else {
        problems.push(
            Diagnostic::error("species-head", "the plausible maxima are incomplete")
                .at(head.whole())
                .hint("complete `plausible_maximum` in the head"),
        );
        return SpeciesTable::default();
    };
    let mut species = Vec::with_capacity(rows.text().len() / 50);
    read_rows(rows, maximum, &mut species, problems, |_, _, _| {});
    let Some(own) = own else {
        return SpeciesTable::new(species);
    };
    // A code of the user's own must be new; the embedded table is tested for this beforehand.
    let embedded = SpeciesTable::new(species.clone());
    let mut taken: Vec<(String, usize)> = Vec::new();
    read_rows(
        own,
        maximum,
        &mut species,
        problems,
        |entry, place, problems| {
            let codes = [
                &entry.plants,
                &entry.national_inventory,
                &entry.bc_inventory,
            ];
            let number = entry.fia.map(|number| number.to_string());
            for code in codes
                .into_iter()
                .flatten()
                .chain(&entry.also)
                .chain(&number)
            {
                let already = embedded.lookup(code).map(|id| embedded.get(id).label());
                let line = taken
                    .iter()
                    .find(|(other, _)| other.eq_ignore_ascii_case(code));
                let message = match (already, line) {
                    (Some(label), _) => format!("code `{code}` already means {label}"),
                    (None, Some((_, line))) => format!("code `{code}` is taken by line {line}"),
                    (None, None) => {
                        taken.push((code.clone(), place.line));
                        continue;
                    }
                };
                problems.push(
                    Diagnostic::error("code-twice", message)
                        .at(place.clone())
                        .hint("a code must mean one species; use another"),
                );
            }
        },
    );
    SpeciesTable::new(species)
}

fn read_rows(
    source: &Source,
    maximum: PlausibleMaximum,
    species: &mut Vec<Species>,
    problems: &mut Problems,
    mut accept: impl FnMut(&Species, &crate::diagnostic::Site, &mut Problems),
) {
    let Some(mut table) = Table::open(source, &[], problems) else {
        return;
    };
    for (index, head) in table.heads().iter().enumerate() {
        if !head.is_empty() && !COLUMNS.contains(&head.as_str()) {
            problems.push(
                Diagnostic::error("unknown-column", format!("there is no column `{head}`"))
                    .at(table.head_site(index))
                    .hint(known_hint(head, COLUMNS)),
            );
        }
    }
    let columns = Columns::of(&table);
    while let Some(row) = table.next_row(problems) {
        if species.len() >= usize::from(u16::MAX) {
            problems.push(
                Diagnostic::error("too-many-species", "the table holds at most 65,535 species")
                    .at(table.row_site(&row))
                    .hint("remove rows that no cruise needs"),
            );
            return;
        }
        let entry = columns.species(&table, &row, maximum, problems);
        if entry.scientific_name.is_empty() && entry.common_name.is_empty() {
            problems.push(
                Diagnostic::error("species-nameless", "this species has no name")
                    .at(table.row_site(&row))
                    .hint("give `scientific_name` or `common_name`"),
            );
        }
        accept(&entry, &table.row_site(&row), problems);
        species.push(entry);
    }
}

struct Columns {
    of: [Option<Column>; 11],
}

impl Columns {
    fn of(table: &Table) -> Self {
        let mut of = [None; 11];
        for (slot, name) in of.iter_mut().zip(COLUMNS) {
            *slot = table.column(name);
        }
        Columns { of }
    }

    fn species(
        &self,
        table: &Table,
        row: &Row,
        maximum: PlausibleMaximum,
        problems: &mut Problems,
    ) -> Species {
        let [
            fia,
            plants,
            national,
            bc,
            scientific,
            common,
            also,
            kind,
            group,
            max_dbh,
            max_height,
        ] = self.of;
        let owned = |column| row.text(column).map(str::to_owned);
        let kind = match row.text(kind) {
            Some("S" | "softwood") => Kind::Softwood,
            Some("H" | "hardwood") => Kind::Hardwood,
            None => Kind::Unknown,
            Some(other) => {
                let site = kind.map_or_else(|| table.row_site(row), |c| table.site(row, c));
                problems.push(
                    Diagnostic::error("species-kind", format!("`kind` cannot be `{other}`"))
                        .at(site)
                        .hint("write softwood, hardwood or nothing"),
                );
                Kind::Unknown
            }
        };
        let [default_dbh_cm, default_height_m] = match kind {
            Kind::Softwood => maximum.softwood,
            Kind::Hardwood => maximum.hardwood,
            Kind::Unknown => maximum.unknown,
        };
        Species {
            scientific_name: owned(scientific).unwrap_or_default(),
            common_name: owned(common).unwrap_or_default(),
            fia: whole(table, row, fia, u16::MAX, problems),
            plants: owned(plants),
            national_inventory: owned(national),
            bc_inventory: owned(bc),
            also: row
                .text(also)
                .map(|list| list.split(';').map(|name| name.trim().to_owned()).collect())
                .unwrap_or_default(),
            kind,
            jenkins_group: whole(table, row, group, 10, problems)
                .and_then(|number| u8::try_from(number).ok()),
            plausible_max_dbh_cm: table
                .number(row, max_dbh, problems)
                .unwrap_or(default_dbh_cm),
            plausible_max_height_m: table
                .number(row, max_height, problems)
                .unwrap_or(default_height_m),
        }
    }
}

/// A whole number from 1 to `most`, if the field is not blank.
fn whole(
    table: &Table,
    row: &Row,
    column: Option<Column>,
    most: u16,
    problems: &mut Problems,
) -> Option<u16> {
    let text = row.text(column)?;
    if let Ok(number) = text.parse::<u16>()
        && (1..=most).contains(&number)
    {
        return Some(number);
    }
    let site = column.map_or_else(|| table.row_site(row), |c| table.site(row, c));
    problems.push(
        Diagnostic::error(
            "not-a-whole-number",
            format!("this must be a whole number from 1 to {most} (`{text}`)"),
        )
        .at(site)
        .hint("correct it, or leave it blank"),
    );
    None
}
