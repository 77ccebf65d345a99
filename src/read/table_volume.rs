//! A folder `volume/<set>/` to a volume set: `set.yaml`, `coefficients.csv`, `checks.csv`.
//!
//! In: the three texts and the species table. Out: the set, or every problem with its place: keys
//! and columns that are not known, numbers that are none, species, regions and forms that do not
//! exist, rows that contradict each other.

use crate::diagnostic::{Diagnostic, Problems};
use crate::read::limits::CARBON_FRACTION;
use crate::read::source::Source;
use crate::read::table_formula::Formulas;
use crate::read::table_head::{Keys, known_hint};
use crate::read::table_units::{HasUnits, read_units};
use crate::read::yaml::{self, Node};
use crate::read::{table_checks, table_error, table_rows};
use crate::species::biomass::CarbonFraction;
use crate::species::equation::{FormSpec, METRIC, Quantity};
use crate::species::set::{
    BarkBasis, FixedLimits, Head, Obtained, Region, SpeciesEntry, ValidRange, VolumeSet,
};
use crate::species::{SpeciesId, SpeciesTable};
use crate::units::Dimension;

const HEAD_KEYS: &[&str] = &[
    "title",
    "citation",
    "obtained",
    "obtained_note",
    "form",
    "formula",
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
    "carbon_fraction",
    "mark",
    "notes",
];

/// What the head says for rows that are silent.
pub(super) struct RowDefaults {
    pub(super) form: Option<FormSpec>,
    pub(super) formulas: Formulas,
    /// Does the head give the unit of volumes, and that of masses?
    pub(super) has_units: HasUnits,
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
    let Some(table_head) = read_head(head, &node, rows, species, &mut problems) else {
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
        bark_set: None,
    };
    let defaults = table_head.defaults;
    table_rows::read(rows, &defaults, &mut set, species, &mut problems);
    if set.head.fixed_limits.len() > 1 && set.has(Quantity::Merchantable) {
        problems.push(
            Diagnostic::error(
                "limits-ambiguous",
                "rows of `merchantable` cannot tell several limits apart",
            )
            .at(head.whole())
            .hint("give one pair of limits under `merchantable`, or rows of `merchantable share`"),
        );
    }
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
    rows: &Source,
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
    if !only_masses(&keys) {
        keys.need("bark", problems);
    }
    keys.need("range", problems);
    keys.need("error", problems);
    let formulas = Formulas::read(source, &keys, rows, problems);
    let (units, has_units) = read_units(source, &keys, &formulas, problems);
    let head = Head {
        title: keys.need_text("title", problems),
        citation: keys.need_text("citation", problems),
        obtained: keys
            .choice("obtained", Obtained::NAMES, problems)
            .unwrap_or(Obtained::Carried),
        obtained_note: keys.text("obtained_note", problems),
        units: units.unwrap_or(METRIC),
        bark: keys
            .choice("bark", BarkBasis::NAMES, problems)
            .unwrap_or(BarkBasis::Unresolved),
        total_includes: keys.need_text("total_includes", problems),
        stump_m: keys.quantity("stump", Dimension::Length, problems),
        fixed_limits: read_fixed_limits(source, &keys, problems),
        range: read_range(&keys, problems),
        error: table_error::read(source, &keys, problems),
        carbon_fraction: read_carbon_fraction(source, &keys, problems),
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
            form: match keys.text("form", problems) {
                Some(name) => FormSpec::named(&name).or_else(|| {
                    problems.push(unknown_form(&name).at(keys.get("form")?.site(source)));
                    None
                }),
                None => formulas.of_head.as_ref().map(|_| FormSpec::Formula),
            },
            formulas,
            has_units,
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

fn read_fixed_limits(source: &Source, keys: &Keys, problems: &mut Problems) -> Vec<FixedLimits> {
    keys.items("merchantable")
        .into_iter()
        .filter_map(|value| {
            let known = &["stump_m", "stump_ft", "top_cm", "top_in", "top_basis"];
            let limits = value.map(source, "`merchantable`", known, problems)?;
            read_limits(&limits, problems)
        })
        .collect()
}

fn read_limits(limits: &Keys, problems: &mut Problems) -> Option<FixedLimits> {
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
        top_basis,
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

/// A set that names a unit of mass and none of volume: what is bark is told by its components.
fn only_masses(keys: &Keys) -> bool {
    let units = keys.map("units", "`units`", &[], &mut Problems::new());
    units.is_some_and(|units| units.get("mass").is_some() && units.get("result").is_none())
}

fn read_carbon_fraction(
    source: &Source,
    keys: &Keys,
    problems: &mut Problems,
) -> Option<CarbonFraction> {
    let known = &["value", "source"];
    let fraction = keys.map("carbon_fraction", "`carbon_fraction`", known, problems)?;
    let place = fraction.need("value", problems)?;
    let value = fraction.number("value", problems)?;
    if !CARBON_FRACTION.allow(value) {
        problems.push(
            Diagnostic::error(
                "carbon-fraction",
                format!("a carbon fraction of `{value}` is not possible"),
            )
            .at(place.site(source))
            .hint(format!("it must be {CARBON_FRACTION}")),
        );
    }
    Some(CarbonFraction {
        value,
        source: fraction.need_text("source", problems),
    })
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
                    .at(region.get("parent")?.site(source)).hint("list the parent first, or correct its name"),
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
                        .at(place.site(source))
                        .hint("remove one of the two"),
                ),
                None => problems.push(unknown_species(&code, species).at(place.site(source))),
            }
        }
        for (number, place) in group.texts("jenkins_group", problems) {
            let Ok(number) = number.parse::<u8>() else {
                problems.push(
                    Diagnostic::error("unknown-group", format!("`{number}` is no species group"))
                        .at(place.site(source))
                        .hint("species groups are 1 to 10"),
                );
                continue;
            };
            let of_group = species
                .iter()
                .filter(|(_, entry)| entry.jenkins_group == Some(number));
            covers.extend(of_group.map(|(id, _)| id));
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
    let hint = if near.is_empty() {
        "`spinney species` lists all".to_owned()
    } else {
        format!("nearest are {}", near.join(", "))
    };
    let message = format!("`{code}` is no species of the species table");
    Diagnostic::error("unknown-species", message).hint(hint)
}
