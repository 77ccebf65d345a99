//! A folder `volume/<set>/` to a volume set: `set.yaml`, `coefficients.csv`, `checks.csv`.
//!
//! In: the three texts and the species table. Out: the set, or every problem with its place: keys
//! and columns that are not known, numbers that are none, species, regions and forms that do not
//! exist, rows that contradict each other.

use crate::diagnostic::{Diagnostic, Problems};
use crate::read::source::Source;
use crate::read::table_head::{Keys, known_hint};
use crate::read::yaml::{self, Node};
use crate::read::{table_checks, table_rows};
use crate::species::equation::{
    DBH_UNITS, FormSpec, HEIGHT_UNITS, MASS_UNITS, METRIC, Quantity, RESULT_UNITS, Units,
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

/// What the head says for rows that are silent.
pub(super) struct RowDefaults {
    pub(super) form: Option<FormSpec>,
    pub(super) quantity: Option<Quantity>,
}

struct TableHead {
    head: Head,
    defaults: RowDefaults,
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
        head: table_head.head,
        regions: table_head.regions,
        entries: table_head.groups,
        equations: Vec::new(),
        checks: Vec::new(),
        profiles_from: table_head.profiles_from,
        profiles: None,
    };
    let defaults = table_head.defaults;
    table_rows::read(rows, &defaults, &mut set, species, &mut problems);
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
        units: read_units(source, &keys, problems).unwrap_or(METRIC),
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
        defaults: RowDefaults {
            form: keys.text("form", problems).and_then(|name| {
                let spec = FormSpec::named(&name);
                if spec.is_none() {
                    problems.push(unknown_form(&name).at(keys.get("form")?.site(source)));
                }
                spec
            }),
            quantity: keys.choice("quantity", Quantity::NAMES, problems),
        },
        profiles_from: keys.text("profiles_from", problems),
        regions: read_regions(source, &keys, problems),
        groups: read_groups(source, &keys, species, problems),
    })
}

pub(super) fn unknown_form(name: &str) -> Diagnostic {
    let known: Vec<&str> = FormSpec::all().map(FormSpec::name).collect();
    Diagnostic::error("unknown-form", format!("there is no form `{name}`"))
        .hint(known_hint(name, &known))
}

fn read_units(source: &Source, keys: &Keys, problems: &mut Problems) -> Option<Units> {
    let known = &[
        "dbh",
        "height",
        "result",
        "mass",
        "dbh_per_cm",
        "height_per_m",
        "m3_per_result",
    ];
    let place = keys.need("units", problems)?;
    let units = keys.map("units", "`units`", known, problems)?;
    let named =
        |table: &'static [(&'static str, f64)]| -> Vec<(&'static str, (&'static str, f64))> {
            table
                .iter()
                .map(|(name, size)| (*name, (*name, *size)))
                .collect()
        };
    units.need("dbh", problems);
    units.need("height", problems);
    if units.get("mass").is_none() {
        units.need("result", problems);
    }
    let dbh = units.choice("dbh", &named(DBH_UNITS), problems);
    let height = units.choice("height", &named(HEIGHT_UNITS), problems);
    let results: Vec<(&str, (&str, Option<f64>))> = RESULT_UNITS
        .iter()
        .map(|(name, size)| (*name, (*name, *size)))
        .collect();
    let (result, result_m3) = match units.get("result") {
        Some(_) => units.choice("result", &results, problems)?,
        None => (METRIC.result, Some(METRIC.m3_per_result)),
    };
    let (mass, mass_kg) = match units.get("mass") {
        Some(_) => units.choice("mass", &named(MASS_UNITS), problems)?,
        None => (METRIC.mass, METRIC.kg_per_result),
    };
    let ((dbh, dbh_cm), (height, height_m)) = (dbh?, height?);
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
            .at(place.site(source))
            .hint("give the factor of the source as `m3_per_result`"),
        );
    }
    Some(Units {
        dbh_per_cm: factor("dbh_per_cm", problems).unwrap_or(1.0 / dbh_cm),
        height_per_m: factor("height_per_m", problems).unwrap_or(1.0 / height_m),
        m3_per_result: m3_per_result?,
        kg_per_result: mass_kg,
        dbh,
        height,
        result,
        mass,
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

pub(super) fn read_range(keys: &Keys, problems: &mut Problems) -> ValidRange {
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
        for (code, place) in group.texts("covers", problems) {
            match species.lookup(&code) {
                Some(id) if !covers.contains(&id) => covers.push(id),
                Some(_) => problems.push(
                    Diagnostic::error("species-twice", format!("`{code}` is listed twice"))
                        .at(place.site(source)),
                ),
                None => problems.push(unknown_species(&code, species).at(place.site(source))),
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
