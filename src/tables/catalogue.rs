//! Tables of the published knowledge: species, volume sets, check values.

use crate::diagnostic::counted;
use crate::species::set::{CheckQuantity, VolumeSet};
use crate::species::{Kind, SpeciesId, SpeciesTable};
use crate::stems::checks::CheckResult;
use crate::tables::{Block, Cell, Column, Report, Table, plain};

/// Species with all their codes.
pub fn species(table: &SpeciesTable, wanted: &[SpeciesId]) -> Table {
    let columns = vec![
        Column::words("common name"),
        Column::words("scientific name"),
        Column::words("BC"),
        Column::words("national"),
        Column::words("PLANTS"),
        Column::number("FIA", ""),
        Column::words("kind"),
    ];
    let mut list = Table::new("", 1, columns);
    for id in wanted {
        let species = table.get(*id);
        let code = |code: &Option<String>| Cell::text(code.clone().unwrap_or_default());
        list.rows.push(vec![
            Cell::text(&species.common_name),
            Cell::text(&species.scientific_name),
            code(&species.bc_inventory),
            code(&species.national_inventory),
            code(&species.plants),
            Cell::maybe(species.fia.map(f64::from), 0),
            Cell::text(match species.kind {
                Kind::Softwood => "softwood",
                Kind::Hardwood => "hardwood",
                Kind::Unknown => "",
            }),
        ]);
    }
    list
}

/// The sets by kind: name, species (or groups), equations, checks; what it is.
pub fn volume_sets(sets: &[&VolumeSet]) -> Report {
    let mut report = Report::new("Sets of equations");
    let kinds = [
        ("volume", "Volume"),
        ("biomass", "Biomass"),
        ("bark", "Bark"),
    ];
    for (kind, heading) in kinds {
        let of_kind = sets.iter().filter(|set| set.kind() == kind);
        let lines = of_kind.flat_map(|set| {
            let name_and_counts = format!(
                "{}: {} species, {}, {}",
                set.name,
                set.coverage().len(),
                counted(set.equations.len(), "equation"),
                counted(set.checks.len(), "check"),
            );
            [name_and_counts, format!("  {}", set.head.title)]
        });
        report.section(heading, vec![Block::Lines(lines.collect())]);
    }
    report
}

/// One set in full.
pub fn volume_set(set: &VolumeSet, table: &SpeciesTable) -> Report {
    let head = &set.head;
    let units = &head.units;
    let works_in = |result: &str| {
        format!(
            "works in: dbh {}, height {}, result {result}",
            units.dbh, units.height
        )
    };
    let mut facts = vec![
        format!("citation: {}", head.citation),
        format!("coefficients: {}", head.obtained.words()),
    ];
    facts.extend(match set.kind() {
        "biomass" => vec![
            works_in(units.mass),
            format!("biomass includes: {}", head.total_includes),
        ],
        "bark" => vec![
            format!("works in: dbh {}, result {}", units.dbh, units.dbh),
            "gives: diameter inside bark at breast height, for `volume: bark` of a design"
                .to_owned(),
        ],
        _ => vec![
            works_in(units.result),
            format!("bark: {}", head.bark.words()),
            format!("total volume includes: {}", head.total_includes),
        ],
    });
    facts.push(format!("range: {}", range_words(set)));
    facts.push(format!("error: {}", head.error.statement));
    facts.extend(head.carbon_fraction.iter().map(|fraction| {
        format!(
            "carbon: {} of dry mass ({})",
            plain(fraction.value),
            fraction.source
        )
    }));
    facts.extend(head.obtained_note.clone());
    if let Some(limits) = head.limits_words() {
        facts.push(format!("own merchantable equations: {limits}"));
    }
    if let Some(name) = &set.profiles_from {
        facts.push(format!(
            "other limits and broken tops: by the stem profiles of {name}"
        ));
    }
    facts.extend(head.mark.iter().map(|mark| format!("doubt: {mark}")));
    facts.extend(head.regions_note.clone());
    facts.extend(head.notes.clone());
    let mut report = Report::new(format!("{}: {}", set.name, head.title));
    report.section("What it is", vec![Block::List(facts)]);
    report.section("Formulas", vec![Block::List(formulas(set))]);
    report.section("Regions", vec![Block::List(regions(set))]);
    report.section("Species", vec![Block::Table(coverage(set, table))]);
    report.section("Doubtful rows", vec![Block::List(doubts(set))]);
    report
}

fn range_words(set: &VolumeSet) -> String {
    let range = &set.head.range;
    let words = |name: &str, limits: Option<[f64; 2]>, unit: &str| {
        limits.map(|[low, high]| format!("{name} {}-{} {unit}", plain(low), plain(high)))
    };
    let limits: Vec<String> = [
        words("dbh", range.dbh_cm, "cm"),
        words("height", range.height_m, "m"),
    ]
    .into_iter()
    .flatten()
    .collect();
    if limits.is_empty() {
        range.source.clone()
    } else {
        format!("{} ({})", limits.join(", "), range.source)
    }
}

fn formulas(set: &VolumeSet) -> Vec<String> {
    let mut formulas: Vec<String> = Vec::new();
    for equation in &set.equations {
        let formula = format!("{}: {}", equation.quantity.name(), equation.formula());
        if !formulas.contains(&formula) {
            formulas.push(formula);
        }
    }
    formulas
}

fn regions(set: &VolumeSet) -> Vec<String> {
    let one = |region: &crate::species::set::Region| {
        let parent = region.parent.map_or(String::new(), |parent| {
            format!(" (where it has no row: {})", set.regions[parent].name)
        });
        format!("{}: {}{parent}", region.name, region.title)
    };
    set.regions.iter().map(one).collect()
}

fn coverage(set: &VolumeSet, table: &SpeciesTable) -> Table {
    let columns = vec![
        Column::words("as published"),
        Column::words("serves"),
        Column::words("regions"),
    ];
    let mut list = Table::new("", 1, columns);
    for entry in set.coverage() {
        let species: Vec<&str> = entry
            .species
            .iter()
            .map(|id| table.get(*id).common_name.as_str())
            .collect();
        let regions = if entry.regions.is_empty() {
            "all".to_owned()
        } else {
            entry.regions.join(", ")
        };
        list.rows.push(vec![
            Cell::text(&entry.label),
            Cell::text(species.join(", ")),
            Cell::text(regions),
        ]);
    }
    list
}

fn doubts(set: &VolumeSet) -> Vec<String> {
    set.equations
        .iter()
        .filter_map(|equation| {
            let mark = equation.mark.as_ref()?;
            let region = equation
                .region
                .map_or("all regions", |at| &set.regions[at].name);
            let label = &set.entries[equation.entry].label;
            Some(format!(
                "{label}, {region}, {}: {mark}",
                equation.quantity.name()
            ))
        })
        .collect()
}

/// Check values of a set, each with ours and the outcome.
pub fn checks(results: &[CheckResult<'_>], table: &SpeciesTable) -> Table {
    let columns = vec![
        Column::words("species"),
        Column::words("region"),
        Column::number("dbh", "cm"),
        Column::number("height", "m"),
        Column::words("value of"),
        Column::number("check", ""),
        Column::number("ours", ""),
        Column::words("unit"),
        Column::number("rel. error", ""),
        Column::words("agrees"),
    ];
    let mut list = Table::new("", 4, columns);
    for result in results {
        let check = result.check;
        let ours = match &result.ours {
            Ok(ours) => {
                let digits = check
                    .printed
                    .split_once('.')
                    .map_or(0, |(_, part)| part.len());
                Cell::text(format!("{ours:.digits$}"))
            }
            Err(reason) => Cell::text(reason),
        };
        list.rows.push(vec![
            Cell::text(table.get(check.species).short_code()),
            Cell::text(check.region.as_deref().unwrap_or("")),
            Cell::text(plain((check.dbh_cm * 1e4).round() / 1e4)),
            check
                .height_m
                .map_or(Cell::Empty, |m| Cell::text(plain((m * 1e4).round() / 1e4))),
            Cell::text(quantity_words(check.quantity)),
            Cell::text(&check.printed),
            ours,
            Cell::text(check.unit.name),
            Cell::text(format!("{:.0e}", result.relative_error.abs())),
            Cell::text(if result.pass { "yes" } else { "NO" }),
        ]);
    }
    list
}

fn quantity_words(quantity: CheckQuantity) -> String {
    match quantity {
        CheckQuantity::Total => "total".to_owned(),
        CheckQuantity::Bark => "bark".to_owned(),
        CheckQuantity::Mass(quantity) => quantity.name().to_owned(),
        CheckQuantity::DiameterInside => "dib".to_owned(),
        CheckQuantity::Merchantable(limits) => format!(
            "merch {}-{}",
            plain(limits.stump_m),
            plain((limits.top_diameter_cm * 1e4).round() / 1e4)
        ),
        CheckQuantity::DiameterAt { height_m } => format!("d({} m)", plain(height_m)),
        CheckQuantity::HeightOf { diameter_cm, .. } => format!("h({} cm)", plain(diameter_cm)),
    }
}
