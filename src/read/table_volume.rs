//! A folder `volume/<set>/` to a volume set: `set.yaml`, `coefficients.csv`, `checks.csv`.
//!
//! In: the three texts and the species table. Out: the set, or every problem with its place: keys
//! and columns that are not known, numbers that are none, species, regions and forms that do not
//! exist, rows that contradict each other.

use crate::diagnostic::{Diagnostic, Problems};
use crate::read::csv::{Column, Row, Table};
use crate::read::source::Source;
use crate::read::table_checks;
use crate::read::table_head::{Keys, known_hint};
use crate::read::yaml::{self, Node};
use crate::species::equation::{
    DBH_UNITS, Equation, FormSpec, HEIGHT_UNITS, Quantity, RESULT_UNITS, Units,
};
use crate::species::set::{
    BarkBasis, FixedLimits, Head, Obtained, PublishedError, Region, SpeciesEntry, ValidRange,
    VolumeSet,
};
use crate::species::{SpeciesId, SpeciesTable};
use crate::units::Dimension;

const HEAD_KEYS: &[&str] = &[
    "title",
    "citation",
    "obtained",
    "obtained_note",
    "form",
    "quantity",
    "units",
    "bark",
    "total_includes",
    "stump_m",
    "merchantable",
    "profiles_from",
    "regions",
    "regions_note",
    "groups",
    "range",
    "error",
    "mark",
    "notes",
];

const ROW_COLUMNS: &[&str] = &["species", "region", "quantity", "form", "mark", "note"];

/// What the head says of the table besides what the set keeps.
struct TableHead {
    head: Head,
    form: Option<FormSpec>,
    quantity: Option<Quantity>,
    profiles_from: Option<String>,
    regions: Vec<Region>,
    groups: Vec<SpeciesEntry>,
}

/// Reads a set; the profiles that it borrows are for the caller to add.
pub(crate) fn read(
    name: &str,
    head: &Source,
    rows: &Source,
    checks: Option<&Source>,
    species: &SpeciesTable,
) -> Result<VolumeSet, Problems> {
    let mut problems = Problems::new();
    let node = yaml::parse(head)?;
    let Some(table_head) = read_head(head, &node, species, &mut problems) else {
        return Err(problems.sorted());
    };
    let mut set = VolumeSet {
        name: name.to_owned(),
        regions: table_head.regions.clone(),
        entries: table_head.groups.clone(),
        profiles_from: table_head.profiles_from.clone(),
        equations: Vec::new(),
        checks: Vec::new(),
        profiles: None,
        head: table_head.head.clone(),
    };
    read_rows(rows, &table_head, &mut set, species, &mut problems);
    if let Some(checks) = checks {
        set.checks = table_checks::read(checks, &set, species, &mut problems);
    }
    if problems.has_errors() {
        Err(problems.sorted())
    } else {
        Ok(set)
    }
}

fn read_head(
    source: &Source,
    node: &Node,
    species: &SpeciesTable,
    problems: &mut Problems,
) -> Option<TableHead> {
    let keys = Keys::open(
        source,
        "the head of a volume set",
        node,
        Vec::new(),
        HEAD_KEYS,
        problems,
    )?;
    keys.need("obtained", problems);
    keys.need("bark", problems);
    keys.need("range", problems);
    keys.need("error", problems);
    let head = Head {
        title: keys.need_text("title", problems),
        citation: keys.need_text("citation", problems),
        obtained: keys
            .choice("obtained", Obtained::NAMES, problems)
            .unwrap_or(Obtained::Carried),
        obtained_note: keys.text("obtained_note", problems),
        units: read_units(source, &keys, problems)?,
        bark: keys
            .choice("bark", BarkBasis::NAMES, problems)
            .unwrap_or(BarkBasis::Unresolved),
        total_includes: keys.need_text("total_includes", problems),
        stump_m: keys.quantity("stump", Dimension::Length, problems),
        fixed_limits: read_fixed_limits(&keys, problems),
        range: read_range(&keys, problems),
        error: read_error(&keys, problems),
        mark: keys.text("mark", problems),
        regions_note: keys.text("regions_note", problems),
        notes: keys
            .texts("notes", problems)
            .into_iter()
            .map(|(note, _)| note)
            .collect(),
    };
    Some(TableHead {
        head,
        form: keys.text("form", problems).and_then(|name| {
            let spec = FormSpec::named(&name);
            if spec.is_none() {
                problems.push(unknown_form(&name).at(keys.get("form")?.site(source)));
            }
            spec
        }),
        quantity: keys.choice("quantity", Quantity::NAMES, problems),
        profiles_from: keys.text("profiles_from", problems),
        regions: read_regions(source, &keys, problems),
        groups: read_groups(source, &keys, species, problems),
    })
}

fn unknown_form(name: &str) -> Diagnostic {
    let known: Vec<&str> = FormSpec::all().map(FormSpec::name).collect();
    Diagnostic::error("unknown-form", format!("there is no form `{name}`"))
        .hint(known_hint(name, &known))
}

fn read_units(source: &Source, keys: &Keys, problems: &mut Problems) -> Option<Units> {
    let known = &[
        "dbh",
        "height",
        "result",
        "dbh_per_cm",
        "height_per_m",
        "m3_per_result",
    ];
    let site = keys.need("units", problems)?.site(source);
    let units = keys.map("units", "`units`", known, problems)?;
    let named =
        |table: &'static [(&'static str, f64)]| -> Vec<(&'static str, (&'static str, f64))> {
            table
                .iter()
                .map(|(name, size)| (*name, (*name, *size)))
                .collect()
        };
    for key in ["dbh", "height", "result"] {
        units.need(key, problems);
    }
    let (dbh, dbh_cm) = units.choice("dbh", &named(DBH_UNITS), problems)?;
    let (height, height_m) = units.choice("height", &named(HEIGHT_UNITS), problems)?;
    let results: Vec<(&str, (&str, Option<f64>))> = RESULT_UNITS
        .iter()
        .map(|(name, size)| (*name, (*name, *size)))
        .collect();
    let (result, result_m3) = units.choice("result", &results, problems)?;
    // A factor that the source rounded takes the place of the exact one.
    let factor = |key: &str, problems: &mut Problems| {
        let number = units.number(key, problems)?;
        if number > 0.0 {
            return Some(number);
        }
        problems.push(
            Diagnostic::error(
                "bad-factor",
                format!("`{key}` must be positive (`{number}`)"),
            )
            .at(units.get(key)?.site(source)),
        );
        None
    };
    let m3_per_result = factor("m3_per_result", problems).or(result_m3);
    if m3_per_result.is_none() {
        problems.push(
            Diagnostic::error(
                "factor-missing",
                format!("`{result}` have no fixed size in m3"),
            )
            .at(site)
            .hint("give the factor of the source as `m3_per_result`"),
        );
    }
    Some(Units {
        dbh_per_cm: factor("dbh_per_cm", problems).unwrap_or(1.0 / dbh_cm),
        height_per_m: factor("height_per_m", problems).unwrap_or(1.0 / height_m),
        m3_per_result: m3_per_result?,
        dbh,
        height,
        result,
    })
}

fn read_fixed_limits(keys: &Keys, problems: &mut Problems) -> Option<FixedLimits> {
    let known = &["stump_m", "stump_ft", "top_cm", "top_in", "top_basis"];
    let limits = keys.map("merchantable", "`merchantable`", known, problems)?;
    let stump_m = limits.quantity("stump", Dimension::Length, problems);
    let top_diameter_cm = limits.quantity("top", Dimension::Diameter, problems);
    limits.need("top_basis", problems);
    let top_basis = limits.choice("top_basis", BarkBasis::NAMES, problems)?;
    if stump_m.is_none() || top_diameter_cm.is_none() {
        limits.need("stump_m", problems);
        limits.need("top_cm", problems);
    }
    Some(FixedLimits {
        stump_m: stump_m?,
        top_diameter_cm: top_diameter_cm?,
        top_inside_bark: top_basis == BarkBasis::Inside,
    })
}

fn read_range(keys: &Keys, problems: &mut Problems) -> ValidRange {
    let is_text = keys
        .get("range")
        .is_some_and(|value| value.node.scalar_text().is_some());
    if is_text {
        return ValidRange {
            source: keys.text("range", problems).unwrap_or_default(),
            ..ValidRange::default()
        };
    }
    let known = &["dbh_cm", "dbh_in", "height_m", "height_ft", "source"];
    let Some(range) = keys.map("range", "`range`", known, problems) else {
        return ValidRange::default();
    };
    ValidRange {
        dbh_cm: range.range("dbh", Dimension::Diameter, problems),
        height_m: range.range("height", Dimension::Length, problems),
        source: range.need_text("source", problems),
    }
}

fn read_error(keys: &Keys, problems: &mut Problems) -> PublishedError {
    let is_text = keys
        .get("error")
        .is_some_and(|value| value.node.scalar_text().is_some());
    if is_text {
        return PublishedError {
            statement: keys.text("error", problems).unwrap_or_default(),
            ..PublishedError::default()
        };
    }
    let known = &["statement", "standard_error_pct", "columns"];
    let Some(error) = keys.map("error", "`error`", known, problems) else {
        return PublishedError::default();
    };
    PublishedError {
        statement: error.need_text("statement", problems),
        standard_error_pct: error.number("standard_error_pct", problems),
        columns: error
            .texts("columns", problems)
            .into_iter()
            .map(|(column, _)| column.to_lowercase())
            .collect(),
    }
}

fn read_regions(source: &Source, keys: &Keys, problems: &mut Problems) -> Vec<Region> {
    let Some(map) = keys.map("regions", "`regions`", &[], problems) else {
        return Vec::new();
    };
    let names: Vec<String> = map.values().map(|value| value.key).collect();
    let mut regions = Vec::new();
    for (index, value) in map.values().enumerate() {
        let name = value.key.clone();
        let Some(region) = value.map(source, "a region", &["title", "parent"], problems) else {
            continue;
        };
        let parent = region.text("parent", problems).and_then(|parent| {
            // Only regions further up may be parents, so that no region can be its own forebear.
            let found = names[..index].iter().position(|name| *name == parent);
            if found.is_none() {
                problems.push(
                    Diagnostic::error(
                        "unknown-region",
                        format!("region `{name}` has the parent `{parent}`, which is not listed above it"),
                    )
                    .at(region.get("parent")?.site(source)),
                );
            }
            found
        });
        regions.push(Region {
            title: region.text("title", problems).unwrap_or_default(),
            name,
            parent,
        });
    }
    regions
}

fn read_groups(
    source: &Source,
    keys: &Keys,
    species: &SpeciesTable,
    problems: &mut Problems,
) -> Vec<SpeciesEntry> {
    let Some(map) = keys.map("groups", "`groups`", &[], problems) else {
        return Vec::new();
    };
    let mut groups = Vec::new();
    for value in map.values() {
        let label = value.key.clone();
        let known = &["title", "covers", "jenkins_group"];
        let Some(group) = value.clone().map(source, "a group", known, problems) else {
            continue;
        };
        let mut covers: Vec<SpeciesId> = Vec::new();
        for (code, site) in group.texts("covers", problems) {
            match species.lookup(&code) {
                Some(id) if !covers.contains(&id) => covers.push(id),
                Some(_) => problems.push(
                    Diagnostic::error("species-twice", format!("`{code}` is listed twice"))
                        .at(site),
                ),
                None => problems.push(unknown_species(&code, species).at(site)),
            }
        }
        if let Some(number) = group.number("jenkins_group", problems) {
            covers.extend(
                species
                    .iter()
                    .filter(|(_, entry)| {
                        entry
                            .jenkins_group
                            .is_some_and(|group| (f64::from(group) - number).abs() < 0.5)
                    })
                    .map(|(id, _)| id),
            );
        }
        if covers.is_empty() {
            problems.push(
                Diagnostic::error("group-empty", format!("group `{label}` covers no species"))
                    .at(value.site(source))
                    .hint("list them in `covers`, or give `jenkins_group`"),
            );
        }
        groups.push(SpeciesEntry {
            title: group.text("title", problems),
            label,
            covers,
        });
    }
    groups
}

/// The message for a code that means no species.
pub(crate) fn unknown_species(code: &str, species: &SpeciesTable) -> Diagnostic {
    let near = species.nearest(code);
    let diagnostic = Diagnostic::error(
        "unknown-species",
        format!("`{code}` is no species of the species table"),
    );
    if near.is_empty() {
        diagnostic
    } else {
        diagnostic.hint(format!("nearest are {}", near.join(", ")))
    }
}

fn read_rows(
    source: &Source,
    head: &TableHead,
    set: &mut VolumeSet,
    species: &SpeciesTable,
    problems: &mut Problems,
) {
    let Some(mut table) = Table::open(source, &[], problems) else {
        return;
    };
    check_columns(&table, &head.head.error.columns, problems);
    let columns = RowColumns {
        species: table.column("species"),
        region: table.column("region"),
        quantity: table.column("quantity"),
        form: table.column("form"),
        mark: table.column("mark"),
        note: table.column("note"),
        error: head
            .head
            .error
            .columns
            .iter()
            .map(|name| table.column(name))
            .collect(),
    };
    if columns.species.is_none() {
        problems.push(
            Diagnostic::error("column-missing", "there is no column `species`").at(source.whole()),
        );
        return;
    }
    while let Some(row) = table.next_row(problems) {
        if let Some(equation) = read_row(&table, &row, &columns, head, set, species, problems) {
            set.equations.push(equation);
        }
    }
    for (index, entry) in set.entries.iter().enumerate() {
        if !set.equations.iter().any(|row| row.entry == index) {
            problems.push(
                Diagnostic::error(
                    "group-unused",
                    format!("group `{}` has no row in the table", entry.label),
                )
                .at(source.whole()),
            );
        }
    }
    check_overlaps(source, set, species, problems);
}

fn check_columns(table: &Table, error_columns: &[String], problems: &mut Problems) {
    let mut known: Vec<&str> = ROW_COLUMNS.to_vec();
    known.extend(FormSpec::all().flat_map(|spec| spec.coefficients().iter().copied()));
    known.extend(error_columns.iter().map(String::as_str));
    known.sort_unstable();
    known.dedup();
    for (index, head) in table.heads().iter().enumerate() {
        if !known.contains(&head.as_str()) {
            problems.push(
                Diagnostic::error("unknown-column", format!("there is no column `{head}`"))
                    .at(table.head_site(index))
                    .hint(known_hint(head, &known)),
            );
        }
    }
}

struct RowColumns {
    species: Option<Column>,
    region: Option<Column>,
    quantity: Option<Column>,
    form: Option<Column>,
    mark: Option<Column>,
    note: Option<Column>,
    error: Vec<Option<Column>>,
}

fn read_row(
    table: &Table,
    row: &Row,
    columns: &RowColumns,
    head: &TableHead,
    set: &mut VolumeSet,
    species: &SpeciesTable,
    problems: &mut Problems,
) -> Option<Equation> {
    let place = |column: Option<Column>| {
        column.map_or_else(|| table.row_site(row), |column| table.site(row, column))
    };
    let entry = match row.text(columns.species) {
        Some(label) => find_entry(label, set, species)
            .ok_or_else(|| unknown_species(label, species).at(place(columns.species))),
        None => Err(
            Diagnostic::error("species-missing", "this row names no species")
                .at(table.row_site(row)),
        ),
    };
    let region = match row.text(columns.region) {
        None => Ok(None),
        Some(name) => set.region(name).map(Some).ok_or_else(|| {
            let known: Vec<&str> = set.regions.iter().map(|r| r.name.as_str()).collect();
            Diagnostic::error(
                "unknown-region",
                format!("the head lists no region `{name}`"),
            )
            .at(place(columns.region))
            .hint(known_hint(name, &known))
        }),
    };
    let quantity = match row.text(columns.quantity) {
        Some(name) => Quantity::NAMES
            .iter()
            .find(|(word, _)| *word == name)
            .map(|(_, quantity)| *quantity)
            .ok_or_else(|| {
                let known: Vec<&str> = Quantity::NAMES.iter().map(|(word, _)| *word).collect();
                Diagnostic::error("unknown-quantity", format!("`{name}` is no quantity"))
                    .at(place(columns.quantity))
                    .hint(known_hint(name, &known))
            }),
        None => head.quantity.ok_or_else(|| {
            Diagnostic::error("quantity-missing", "neither row nor head names a quantity")
                .at(table.row_site(row))
        }),
    };
    let spec = match row.text(columns.form) {
        Some(name) => {
            FormSpec::named(name).ok_or_else(|| unknown_form(name).at(place(columns.form)))
        }
        None => head.form.ok_or_else(|| {
            Diagnostic::error("form-missing", "neither row nor head names a form")
                .at(table.row_site(row))
        }),
    };
    let mut noted = |problem: Diagnostic| problems.push(problem);
    let entry = entry.map_err(&mut noted).ok();
    let region = region.map_err(&mut noted).ok();
    let quantity = quantity.map_err(&mut noted).ok();
    let spec = spec.map_err(&mut noted).ok()?;
    if let Some(quantity) = quantity
        && !spec.gives(quantity)
    {
        problems.push(
            Diagnostic::error(
                "form-quantity",
                format!("form `{}` cannot give `{}`", spec.name(), quantity.name()),
            )
            .at(table.row_site(row)),
        );
    }
    let (values, printed) = read_coefficients(table, row, spec, problems)?;
    let error = columns
        .error
        .iter()
        .map(|column| table.number(row, *column, problems))
        .collect();
    Some(Equation {
        entry: entry?,
        region: region?,
        quantity: quantity?,
        model: spec.build(&values),
        spec,
        printed,
        error,
        mark: row.text(columns.mark).map(str::to_owned),
        note: row.text(columns.note).map(str::to_owned),
        line: row.line(),
    })
}

fn find_entry(label: &str, set: &mut VolumeSet, species: &SpeciesTable) -> Option<usize> {
    if let Some(index) = set.entries.iter().position(|entry| entry.label == label) {
        return Some(index);
    }
    let id = species.lookup(label)?;
    set.entries.push(SpeciesEntry {
        label: label.to_owned(),
        title: None,
        covers: vec![id],
    });
    Some(set.entries.len() - 1)
}

fn read_coefficients(
    table: &Table,
    row: &Row,
    spec: FormSpec,
    problems: &mut Problems,
) -> Option<(Vec<f64>, Vec<String>)> {
    let mut values = Vec::new();
    let mut printed = Vec::new();
    for name in spec.coefficients() {
        let column = table.column(name);
        match row.text(column) {
            Some(text) => {
                printed.push(text.to_owned());
                values.extend(table.number(row, column, problems));
            }
            None => problems.push(
                Diagnostic::error(
                    "coefficient-missing",
                    format!("form `{}` needs the coefficient `{name}`", spec.name()),
                )
                .at(column.map_or_else(|| table.row_site(row), |c| table.site(row, c))),
            ),
        }
    }
    (values.len() == spec.coefficients().len()).then_some((values, printed))
}

/// Two rows that would serve the same species for the same quantity in the same region.
fn check_overlaps(
    source: &Source,
    set: &VolumeSet,
    species: &SpeciesTable,
    problems: &mut Problems,
) {
    let mut served: Vec<(Quantity, Option<usize>, bool, SpeciesId, usize)> = Vec::new();
    for equation in &set.equations {
        let covers = &set.entries[equation.entry].covers;
        let group = covers.len() > 1;
        for id in covers {
            served.push((
                equation.quantity,
                equation.region,
                group,
                *id,
                equation.line,
            ));
        }
    }
    served.sort_unstable();
    let mut reported = Vec::new();
    for pair in served.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let lines = (a.4, b.4);
        if (a.0, a.1, a.2, a.3) == (b.0, b.1, b.2, b.3) && !reported.contains(&lines) {
            reported.push(lines);
            problems.push(
                Diagnostic::error(
                    "rows-overlap",
                    format!(
                        "this row and line {} both give `{}` for {} in the same region",
                        a.4,
                        a.0.name(),
                        species.get(a.3).label()
                    ),
                )
                .at(source.site(b.4, 1))
                .hint("keep one of them"),
            );
        }
    }
}
