//! The `logs` of a design: how stems are cut and scaled.

use super::Known;
use super::walk::{Entry, Section, Walk, unit_keys};
use crate::design::{
    BoardFeet, CubicRule, LogRules, Product, Rounding, ScaleDiameter, ScaleLength,
};
use crate::diagnostic::seen;
use crate::read::limits;
use crate::read::yaml::Node;
use crate::units::Dimension;

pub(crate) const SCALE_DIAMETER: [(&str, ScaleDiameter); 3] = [
    ("nearest-inch", ScaleDiameter::NearestInch),
    ("inch-below", ScaleDiameter::InchBelow),
    ("as-is", ScaleDiameter::AsIs),
];

pub(crate) const SCALE_LENGTH: [(&str, ScaleLength); 2] = [
    ("as-is", ScaleLength::AsIs),
    ("whole-foot", ScaleLength::WholeFoot),
];

/// Reads `logs`; `None` if it is wrong. `class_cm` is the class width where none is given.
pub(super) fn read_logs(
    walk: &mut Walk,
    entry: &Entry,
    known: &Known,
    has_volume: bool,
    class_cm: f64,
) -> Option<LogRules> {
    let mut map = Section::open(walk, entry, "`logs`")?;
    if !has_volume {
        entry.key_error(
            walk,
            "logs-without-volume",
            String::from("logs are asked for, but no volume set gives the stem profiles"),
            "name one: `volume: {set: ...}`, or remove `logs`",
        );
    }
    let stump = required_quantity(
        walk,
        &mut map,
        "stump",
        "stump height",
        Dimension::Length,
        &limits::STUMP,
    );
    let cubic_rule = if let Some(entry) = map.get(walk, "cubic_rule") {
        entry.one_of(walk, &CubicRule::NAMES)
    } else {
        walk.default("cubic_rule: the cubic volume of a log is by Smalian's rule");
        Some(CubicRule::Smalian)
    };
    let board_feet = map
        .get(walk, "board_feet")
        .map_or(Some(Vec::new()), |entry| {
            read_board_feet(walk, &entry, known)
        });
    let in_board_feet = board_feet.as_ref().is_some_and(|rules| !rules.is_empty());
    let scale_diameter = if let Some(entry) = map.get(walk, "scale_diameter") {
        entry.one_of(walk, &SCALE_DIAMETER)
    } else {
        if in_board_feet {
            walk.default("scale_diameter: board feet by the nearest inch at the small end");
        }
        Some(ScaleDiameter::NearestInch)
    };
    let scale_length = if let Some(entry) = map.get(walk, "scale_length") {
        entry.one_of(walk, &SCALE_LENGTH)
    } else {
        if in_board_feet {
            walk.default("scale_length: board feet by the nominal length as it is");
        }
        Some(ScaleLength::AsIs)
    };
    let class = map.quantity(walk, "class", Dimension::Diameter, &limits::SMALL_END_CLASS);
    if !map.has_quantity("class", Dimension::Diameter) {
        walk.default("class: small-end diameters in classes as wide as those of dbh");
    }
    let products = map
        .required(
            walk,
            "products",
            "list them in order of preference, for example `- {name: sawlog, lengths_m: [5, 4], \
             trim_m: 0.15, min_top_dib_cm: 15}`",
        )
        .and_then(|entry| read_products(walk, &entry));
    map.finish(walk);
    Some(LogRules {
        stump_m: stump?,
        cubic_rule: cubic_rule?,
        board_feet: board_feet?,
        scale_diameter: scale_diameter?,
        scale_length: scale_length?,
        class_cm: class.map_or(class_cm, |class| class.value),
        products: products?,
    })
}

/// A quantity that must be there.
fn required_quantity(
    walk: &mut Walk,
    map: &mut Section,
    stem: &str,
    what: &str,
    dimension: Dimension,
    limits: &limits::Limits,
) -> Option<f64> {
    let quantity = map.quantity(walk, stem, dimension, limits);
    if !map.has_quantity(stem, dimension) && !map.has(stem) {
        let hint = format!("write {}", unit_keys(stem, dimension));
        map.missing(walk, what, &hint);
    }
    quantity.map(|quantity| quantity.value)
}

fn read_board_feet(walk: &mut Walk, entry: &Entry, known: &Known) -> Option<Vec<BoardFeet>> {
    let mut rules: Vec<BoardFeet> = Vec::new();
    let mut sound = true;
    for item in entry.list(walk)? {
        let Some(rule) = read_board_feet_rule(walk, &item, known) else {
            sound = false;
            continue;
        };
        if rules.iter().any(|other| other.rule == rule.rule) {
            let message = format!("the log rule {} is there twice", seen(&rule.rule));
            item.error(walk, "value-twice", message, "remove one of them");
        }
        rules.push(rule);
    }
    sound.then_some(rules)
}

/// A name, or `{ rule: name, round_to_bf: 5 }`.
fn read_board_feet_rule(walk: &mut Walk, item: &Entry, known: &Known) -> Option<BoardFeet> {
    let names: Vec<&str> = known.log_rules.iter().map(String::as_str).collect();
    let name = |walk: &mut Walk, entry: &Entry| {
        entry.known_name(walk, "unknown-log-rule", "log rule", &names)
    };
    if !matches!(item.node, Node::Map(_)) {
        return Some(BoardFeet {
            rule: name(walk, item)?,
            rounding: Rounding::AsPrinted,
        });
    }
    let mut map = Section::open(walk, item, "a rule of `board_feet`")?;
    let rule = map
        .required(walk, "rule", "name a log rule")
        .and_then(|entry| name(walk, &entry));
    let rounding = map
        .get(walk, "round_to_bf")
        .map_or(Some(Rounding::AsPrinted), |entry| match entry.node {
            Node::Text(text) if text == "none" => Some(Rounding::Exact),
            _ => entry
                .number(walk, 1.0, &limits::BOARD_FEET_ROUNDING)
                .map(Rounding::Nearest),
        });
    map.finish(walk);
    Some(BoardFeet {
        rule: rule?,
        rounding: rounding?,
    })
}

fn read_products(walk: &mut Walk, entry: &Entry) -> Option<Vec<Product>> {
    let items = entry.list(walk)?;
    if items.is_empty() {
        entry.error(
            walk,
            "no-value",
            String::from("`products` is empty"),
            "list at least one product, or remove `logs`",
        );
        return None;
    }
    let mut products: Vec<Product> = Vec::with_capacity(items.len());
    let mut sound = true;
    for item in &items {
        let Some(product) = read_product(walk, item) else {
            sound = false;
            continue;
        };
        let same = |other: &Product| other.name.eq_ignore_ascii_case(&product.name);
        if products.iter().any(same) {
            let message = format!("the product {} is there twice", seen(&product.name));
            item.error(walk, "value-twice", message, "give each its own name");
        }
        products.push(product);
    }
    sound.then_some(products)
}

fn read_product(walk: &mut Walk, item: &Entry) -> Option<Product> {
    let mut map = Section::open(walk, item, "a product")?;
    let name = map
        .required(walk, "name", "give the product a name")
        .and_then(|entry| entry.text(walk));
    let lengths = map.quantities(walk, "lengths", Dimension::Length, &limits::LOG_LENGTH);
    if !map.has_quantity("lengths", Dimension::Length) && !map.has("lengths") {
        let hint = format!("write {}", unit_keys("lengths", Dimension::Length));
        map.missing(walk, "log lengths", &hint);
    }
    let trim = map.quantity(walk, "trim", Dimension::Length, &limits::TRIM);
    let trim_given = map.has_quantity("trim", Dimension::Length);
    let min_top = required_quantity(
        walk,
        &mut map,
        "min_top_dib",
        "least small-end diameter",
        Dimension::Diameter,
        &limits::SMALL_END,
    );
    let min_dbh = map.quantity(walk, "min_dbh", Dimension::Diameter, &limits::DBH_LIMIT);
    let species = map
        .get(walk, "species")
        .map_or(Some(Vec::new()), |entry| read_species(walk, &entry));
    let live_only = map
        .get(walk, "live_only")
        .map_or(Some(false), |entry| entry.boolean(walk));
    map.finish(walk);
    let name = name?;
    item.note_formula(walk, &name);
    if !trim_given {
        walk.default(format!("trim: none on {name}"));
    }
    let mut lengths_m: Vec<f64> = lengths?.iter().map(|length| length.value).collect();
    if lengths_m.is_empty() {
        item.error(
            walk,
            "no-value",
            format!("the product {} has no lengths", seen(&name)),
            "list at least one length",
        );
        return None;
    }
    lengths_m.sort_by(|a, b| b.total_cmp(a));
    Some(Product {
        name,
        lengths_m,
        trim_m: if trim_given { trim?.value } else { 0.0 },
        min_top_dib_cm: min_top?,
        min_dbh_cm: min_dbh.map(|min| min.value),
        species: species?,
        live_only: live_only?,
    })
}

fn read_species(walk: &mut Walk, entry: &Entry) -> Option<Vec<String>> {
    let names: Vec<Option<String>> = species_entries(walk, entry)?
        .iter()
        .map(|item| item.text(walk))
        .collect();
    let names: Vec<String> = names.into_iter().collect::<Option<_>>()?;
    if names.is_empty() {
        let hint = "list the species that give the product, or remove the key for all";
        entry.error(walk, "no-value", String::from("`species` is empty"), hint);
        return None;
    }
    Some(names)
}

/// The items of a list of species; one name counts as a list of one.
fn species_entries<'n>(walk: &mut Walk, entry: &Entry<'n>) -> Option<Vec<Entry<'n>>> {
    match entry.node {
        Node::List(_) => entry.list(walk),
        _ => Some(vec![entry.clone()]),
    }
}

/// Every species that a product names, with its place.
pub(super) fn species_of_products<'n>(walk: &mut Walk, root: &mut Section<'n>) -> Vec<Entry<'n>> {
    let mut found = Vec::new();
    let products = root
        .get(walk, "logs")
        .and_then(|entry| Section::open(walk, &entry, "`logs`"))
        .and_then(|mut logs| logs.get(walk, "products"))
        .and_then(|entry| entry.list(walk))
        .unwrap_or_default();
    for product in &products {
        let species = Section::open(walk, product, "a product")
            .and_then(|mut product| product.get(walk, "species"))
            .and_then(|entry| species_entries(walk, &entry));
        found.extend(species.unwrap_or_default());
    }
    found
}
