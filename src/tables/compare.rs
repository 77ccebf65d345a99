//! Two or more ways to compile a cruise side by side: the report, the tidy differences, the trees
//! that drive them, and what the two do not define alike.

use std::collections::BTreeMap;

use crate::compare::{Driver, PairedRow, columns, drivers, paired, ranking};
use crate::compile::Compilation;
use crate::design::{CurveChoice, Merchantable, SelectionIndex};
use crate::diagnostic::counted;
use crate::estimates::{Attribute, Domain, StatusDomain};
use crate::plot_sums::Column as Summed;
use crate::species::set::VolumeSet;
use crate::tables::figures::{confidence_words, everything, species_label};
use crate::tables::lookup::Scope;
use crate::tables::tidy::{ALL, Tidy, Value, class_limits, status_word};
use crate::tables::{Block, Cell, Column, Report, Table, plain};
use crate::units::UnitSystem;

/// Trees that are listed for one selection of one stand.
const MOST_TREES: usize = 10;

/// What an alternative has different from the design.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// The volume set.
    VolumeSet,
    /// The form of the height curve.
    Curve,
    /// The merchantable limits.
    Merchantable,
}

/// The design as it stands and its alternatives, compiled and paired.
pub struct Compared<'a> {
    base: &'a Compilation<'a>,
    name: String,
    alternatives: Vec<Alternative<'a>>,
}

struct Alternative<'a> {
    name: String,
    compilation: &'a Compilation<'a>,
    rows: Vec<PairedRow>,
    /// By what the trees are ranked.
    ranking: Option<(Summed, Attribute)>,
}

impl<'a> Compared<'a> {
    /// Pairs each alternative with the base.
    pub fn new(
        base: &'a Compilation<'a>,
        alternatives: impl Iterator<Item = (Kind, &'a Compilation<'a>)>,
    ) -> Self {
        let [set, curve] = [Kind::VolumeSet, Kind::Curve].map(|kind| words(kind, base));
        let alternative = |(kind, compilation)| Alternative {
            name: words(kind, compilation),
            compilation,
            rows: paired(base, compilation),
            ranking: ranking(base, compilation)
                .and_then(|column| Some((column, column.attribute()?))),
        };
        Compared {
            base,
            name: format!("as designed: {set}, {curve}"),
            alternatives: alternatives.map(alternative).collect(),
        }
    }

    /// The design as it stands.
    pub fn base(&self) -> &Compilation<'a> {
        self.base
    }
}

fn words(kind: Kind, compilation: &Compilation<'_>) -> String {
    let design = compilation.design;
    let volume = design.volume.as_ref();
    match kind {
        Kind::VolumeSet => volume.map_or_else(
            || "no volume set".to_owned(),
            |volume| match &volume.region {
                Some(region) => format!("volume set {}, {region}", volume.set),
                None => format!("volume set {}", volume.set),
            },
        ),
        Kind::Curve => match &design.heights.curve {
            CurveChoice::Best => "best curve".to_owned(),
            CurveChoice::Named(name) => format!("curve {name}"),
        },
        Kind::Merchantable => limit_words(volume.and_then(|volume| volume.merchantable)),
    }
}

fn limit_words(limits: Option<Merchantable>) -> String {
    let Some(limits) = limits else {
        return "no limits".to_owned();
    };
    let basis = if limits.top_inside_bark {
        "inside bark"
    } else {
        "outside bark"
    };
    let least = limits.min_dbh_cm.map_or(String::new(), |dbh_cm| {
        format!(", dbh from {} cm", plain(dbh_cm))
    });
    format!(
        "limits: stump {} m, top {} cm {basis}{least}",
        plain(limits.stump_m),
        plain(limits.top_diameter_cm)
    )
}

/// What the two do not define alike, and on how much either is stretched.
fn remarks_of(base: &Compilation<'_>, alternative: &Compilation<'_>) -> Vec<String> {
    let mut remarks = Vec::new();
    if let (Some(ours), Some(theirs)) = (&base.knowledge.volume, &alternative.knowledge.volume) {
        remarks.extend(definitions(ours, theirs));
    }
    let limits = |c: &Compilation<'_>| c.design.volume.as_ref().and_then(|v| v.merchantable);
    if limits(base) != limits(alternative) {
        remarks.push(format!(
            "NOT THE SAME WOOD: merchantable volume rests on other limits; as designed {}, here {}",
            limit_words(limits(base)),
            limit_words(limits(alternative))
        ));
    }
    for (column, attribute) in columns() {
        let has = |c: &Compilation<'_>| {
            let mut trees = c.stands.iter().flat_map(|stand| &stand.values);
            trees.any(|values| column.of_tree(values).is_some())
        };
        match (has(base), has(alternative)) {
            (true, false) => remarks.push(format!(
                "{}: given as designed, not here, so there is no difference to show",
                attribute.words()
            )),
            (false, true) => remarks.push(format!(
                "{}: given here, not as designed, so there is no difference to show",
                attribute.words()
            )),
            _ => {}
        }
    }
    let outside = |c: &Compilation<'_>| {
        let stems = c
            .stands
            .iter()
            .flat_map(|stand| stand.stems.iter().flatten());
        stems.filter(|stem| stem.out_of_range).count()
    };
    let (ours, theirs) = (outside(base), outside(alternative));
    if ours + theirs > 0 {
        remarks.push(format!(
            "trees outside the valid range of their equation: {ours} as designed, {theirs} here"
        ));
    }
    let others = other_heights(base, alternative);
    if others > 0 {
        remarks.push(format!(
            "{} have another height here",
            counted(others, "tree")
        ));
    }
    remarks.extend(marks(base, alternative));
    remarks
}

fn definitions(ours: &VolumeSet, theirs: &VolumeSet) -> Vec<String> {
    let mut remarks = Vec::new();
    if ours.head.bark != theirs.head.bark {
        remarks.push(format!(
            "NOT THE SAME WOOD: volumes as designed are {}, here {}",
            ours.head.bark.words(),
            theirs.head.bark.words()
        ));
    }
    if ours.head.total_includes != theirs.head.total_includes {
        remarks.push(format!(
            "total volume as designed includes {}; here {}",
            ours.head.total_includes, theirs.head.total_includes
        ));
    }
    remarks
}

fn other_heights(base: &Compilation<'_>, alternative: &Compilation<'_>) -> usize {
    let stands = base.stands.iter().zip(&alternative.stands);
    let trees =
        stands.flat_map(|(ours, theirs)| ours.heights.trees.iter().zip(&theirs.heights.trees));
    trees
        .filter(|(ours, theirs)| ours.height_m != theirs.height_m)
        .count()
}

/// Doubts of the alternative's equations that the base's do not share.
fn marks(base: &Compilation<'_>, alternative: &Compilation<'_>) -> Vec<String> {
    let species = base.records.species.iter();
    let equations = base.equations.iter().zip(&alternative.equations);
    species
        .zip(equations)
        .flat_map(|(species, (ours, theirs))| {
            let new = theirs.chosen.marks.iter();
            new.filter(|mark| !ours.chosen.marks.contains(mark))
                .map(|mark| format!("{}: {mark}", species.label))
        })
        .collect()
}

/// The report: the stand in full when there is one (or one is asked for), else stands line by line
/// and the whole.
pub fn report(compared: &Compared<'_>, asked: Option<&str>) -> Report {
    let base = compared.base;
    let stands = &base.records.stands;
    let one = match asked {
        Some(name) => stands.iter().position(|stand| stand.name == name),
        None if stands.len() == 1 => Some(0),
        None => None,
    };
    let mut report = Report::new(format!("{}: alternatives compared", base.design.title));
    let mut names = vec![compared.name.clone()];
    for (number, alternative) in (1..).zip(&compared.alternatives) {
        names.push(format!("alternative {number}: {}", alternative.name));
    }
    report.section(
        "What is compared",
        vec![
            Block::List(names),
            Block::Paragraph(format!(
                "Base is the design as it stands, other the alternative; difference is other less \
                 base, tree by tree on the same plots. Its standard error and {} limits come from \
                 the differences by plot and cover sampling error only: they tell whether the \
                 choice matters here, not which one is right.",
                confidence_words(base.design)
            )),
        ],
    );
    for (number, alternative) in (1..).zip(&compared.alternatives) {
        let mut blocks = vec![Block::List(remarks_of(base, alternative.compilation))];
        blocks.extend(difference_tables(base, alternative, one));
        blocks.extend(driver_tables(base, alternative, one));
        report.section(
            format!("Alternative {number}: {}", alternative.name),
            blocks,
        );
    }
    report
}

type Key<'a> = (Scope<'a>, SelectionIndex, Domain, Attribute);
type Index<'a> = BTreeMap<Key<'a>, &'a PairedRow>;

fn difference_tables(
    base: &Compilation<'_>,
    alternative: &Alternative<'_>,
    one: Option<usize>,
) -> Vec<Block> {
    let rows = alternative.rows.iter();
    let index: Index<'_> = rows
        .map(|row| {
            let scope = (row.stand.as_deref(), row.stratum.as_deref());
            ((scope, row.selection, row.domain, row.attribute), row)
        })
        .collect();
    let whole: Scope<'_> = one.map_or((None, None), |at| {
        (Some(base.records.stands[at].name.as_str()), None)
    });
    let mut scopes = vec![whole];
    if !index.keys().any(|key| key.0 == whole) {
        // Strata without areas cannot be combined: each is shown by itself.
        scopes = index.keys().map(|key| key.0).collect();
        scopes.dedup();
        scopes.retain(|scope| one.is_some() && scope.0 == whole.0);
    }
    let mut blocks = Vec::new();
    for (selection, rule) in base.design.selections.iter().enumerate() {
        for (_, attribute) in columns() {
            let mut rows = index
                .iter()
                .filter(|(key, _)| (key.1, key.3) == (selection, attribute));
            match rows.next() {
                None => continue,
                Some((_, first)) if first.is_same() && rows.all(|(_, row)| row.is_same()) => {
                    blocks.push(Block::Paragraph(format!(
                        "{}: {} is the same.",
                        rule.name,
                        attribute.words()
                    )));
                    continue;
                }
                Some(_) => {}
            }
            let caption = |status: &str, scope: Scope<'_>| {
                let of_stratum = scope
                    .1
                    .map_or(String::new(), |name| format!(", stratum {name}"));
                format!(
                    "{}{of_stratum}: {} of {status} trees, {}",
                    rule.name,
                    attribute.words(),
                    attribute.unit(base.design.units).label
                )
            };
            if one.is_none() {
                let mut table = empty_table(caption("live", (None, None)), "stand", base);
                for stand in &base.records.stands {
                    let key = (
                        (Some(stand.name.as_str()), None),
                        selection,
                        everything(StatusDomain::Live),
                        attribute,
                    );
                    table
                        .rows
                        .extend(index.get(&key).map(|row| cells(&stand.name, row, base)));
                }
                blocks.push(Block::Table(table));
            }
            for scope in &scopes {
                for (status, word) in [(StatusDomain::Live, "live"), (StatusDomain::Dead, "dead")] {
                    let mut table = empty_table(caption(word, *scope), "species", base);
                    let species = (0..base.records.species.len()).map(Some).chain([None]);
                    for species in species {
                        let domain = Domain {
                            species,
                            ..everything(status)
                        };
                        let row = index.get(&(*scope, selection, domain, attribute));
                        let label = species_label(species, base.records);
                        table.rows.extend(row.map(|row| cells(&label, row, base)));
                    }
                    blocks.push(Block::Table(table));
                }
            }
        }
    }
    blocks
}

fn empty_table(caption: String, head: &str, base: &Compilation<'_>) -> Table {
    let level = confidence_words(base.design);
    let columns = vec![
        Column::words(head),
        Column::number("base", ""),
        Column::number("other", ""),
        Column::number("difference", ""),
        Column::number("std", "error"),
        Column::number("lower", &level),
        Column::number("upper", &level),
        Column::number("change", "%"),
        Column::words("beyond 0"),
    ];
    Table::new(caption, 1, columns)
}

fn cells(label: &str, row: &PairedRow, base: &Compilation<'_>) -> Vec<Cell> {
    let design = base.design;
    let factor = row.attribute.unit(design.units).from_metric;
    let digits = row.attribute.digits(design.units);
    // Differences are smaller than what differs.
    let shown = |value: Option<f64>| Cell::maybe(value.map(|v| v * factor), digits + 1);
    let interval = row.difference.interval(design.confidence);
    vec![
        Cell::text(label),
        Cell::Number(row.base * factor, digits),
        Cell::Number(row.alternative * factor, digits),
        shown(Some(row.difference.mean)),
        shown(row.difference.std_error),
        shown(interval.map(|(lower, _)| lower)),
        shown(interval.map(|(_, upper)| upper)),
        Cell::maybe(row.difference_pct(), 1),
        match row.excludes_zero(design.confidence) {
            Some(true) => Cell::text("yes"),
            Some(false) => Cell::text("no"),
            None => Cell::Empty,
        },
    ]
}

fn driver_tables(
    base: &Compilation<'_>,
    alternative: &Alternative<'_>,
    one: Option<usize>,
) -> Vec<Block> {
    let Some((column, attribute)) = alternative.ranking else {
        return Vec::new();
    };
    let Some(stand) = one else {
        let words = "The trees that drive the difference are shown for one stand: --stand NAME.";
        return vec![Block::Paragraph(words.to_owned())];
    };
    let mut blocks = Vec::new();
    for (selection, rule) in base.design.selections.iter().enumerate() {
        let Some(found) = drivers(base, alternative.compilation, stand, selection, column) else {
            continue;
        };
        if found.is_empty() {
            continue;
        }
        let listed = found.len().min(MOST_TREES);
        let share: f64 = found[..listed].iter().map(|driver| driver.share).sum();
        let mut table = driver_table(base, attribute, &found[..listed]);
        table.caption = format!(
            "{}: the live trees that drive the difference in {}; these {listed} of {} make {} % of \
             the sum of all trees' differences, signs left out",
            rule.name,
            attribute.words(),
            found.len(),
            Cell::Number(share * 100.0, 0).shown()
        );
        blocks.push(Block::Table(table));
    }
    blocks
}

fn driver_table(base: &Compilation<'_>, attribute: Attribute, found: &[Driver<'_>]) -> Table {
    let units = base.design.units;
    let unit = attribute.unit(units);
    let (tree_unit, per_tree) = tree_unit(attribute, units);
    let other_heights = found.iter().any(|d| d.heights_m[0] != d.heights_m[1]);
    let mut columns = vec![
        Column::words("plot"),
        Column::words("tree"),
        Column::words("species"),
        Column::number("dbh", units.diameter().label),
    ];
    let length = units.length();
    if other_heights {
        columns.push(Column::number("height", format!("base {}", length.label)));
        columns.push(Column::number("height", format!("other {}", length.label)));
    } else {
        columns.push(Column::number("height", length.label));
    }
    columns.extend([
        Column::number("base", tree_unit),
        Column::number("other", tree_unit),
        Column::number("on the mean", unit.label),
        Column::number("share", "%"),
    ]);
    let digits = match units {
        UnitSystem::Metric => 3,
        UnitSystem::Imperial => 2,
    };
    let mut table = Table::new("", 2, columns);
    for driver in found {
        let mut row = vec![
            Cell::text(&driver.plot.name),
            Cell::text(&driver.tree.number),
            Cell::text(&base.records.species[driver.tree.species].label),
            Cell::Number(driver.tree.dbh_cm * units.diameter().from_metric, 1),
        ];
        let heights = if other_heights { 2 } else { 1 };
        for height_m in &driver.heights_m[..heights] {
            row.push(Cell::maybe(height_m.map(|h| h * length.from_metric), 1));
        }
        row.extend([
            Cell::Number(driver.values[0] * per_tree, digits),
            Cell::Number(driver.values[1] * per_tree, digits),
            Cell::Number(driver.per_ha * unit.from_metric, digits),
            Cell::Number(driver.share * 100.0, 1),
        ]);
        table.rows.push(row);
    }
    table
}

/// Unit of an attribute of one tree, and the factor to it.
fn tree_unit(attribute: Attribute, units: UnitSystem) -> (&'static str, f64) {
    let factor = attribute.unit(units).from_metric / units.count_per_area().from_metric;
    (attribute.total_unit(units), factor)
}

/// Every paired row of every alternative: columns as in the help of the command.
pub fn differences(compared: &Compared<'_>) -> Tidy {
    let base = compared.base;
    let (design, records) = (base.design, base.records);
    let units = design.units;
    let [from, to, of_base, of_alternative, difference] = match units {
        UnitSystem::Metric => [
            "dbh_from_cm",
            "dbh_to_cm",
            "base_per_ha",
            "alternative_per_ha",
            "difference_per_ha",
        ],
        UnitSystem::Imperial => [
            "dbh_from_in",
            "dbh_to_in",
            "base_per_ac",
            "alternative_per_ac",
            "difference_per_ac",
        ],
    };
    let columns = vec![
        "stand",
        "stratum",
        "selection",
        "status",
        "species",
        from,
        to,
        "attribute",
        "unit",
        "base",
        "alternative",
        of_base,
        of_alternative,
        difference,
        "std_error",
        "ci_lower",
        "ci_upper",
        "difference_pct",
        "df",
        "n_plots",
    ];
    let or_all = |name: &Option<String>| Value::word(name.as_deref().unwrap_or(ALL));
    let mut rows = Vec::new();
    for alternative in &compared.alternatives {
        for row in &alternative.rows {
            let unit = row.attribute.unit(units);
            let shown = |value: Option<f64>| Value::maybe(value.map(|v| v * unit.from_metric));
            let (from, to) = match row.domain.dbh_class {
                Some(class) => {
                    let (from, to) = class_limits(class, design);
                    (Value::Number(from), Value::Number(to))
                }
                None => (Value::word(ALL), Value::word(ALL)),
            };
            let interval = row.difference.interval(design.confidence);
            rows.push(vec![
                or_all(&row.stand),
                or_all(&row.stratum),
                Value::word(&design.selections[row.selection].name),
                Value::word(status_word(row.domain.status, design)),
                Value::word(species_label(row.domain.species, records)),
                from,
                to,
                Value::word(row.attribute.name()),
                Value::word(unit.label),
                Value::word(&compared.name),
                Value::word(&alternative.name),
                shown(Some(row.base)),
                shown(Some(row.alternative)),
                shown(Some(row.difference.mean)),
                shown(row.difference.std_error),
                shown(interval.map(|(lower, _)| lower)),
                shown(interval.map(|(_, upper)| upper)),
                Value::maybe(row.difference_pct()),
                Value::maybe(row.difference.df),
                Value::Count(row.difference.n_plots),
            ]);
        }
    }
    Tidy { columns, rows }
}

/// The trees that drive each difference, by stand and selection.
pub fn trees(compared: &Compared<'_>) -> Tidy {
    let base = compared.base;
    let units = base.design.units;
    let [dbh, height, other_height, per_area] = match units {
        UnitSystem::Metric => [
            "dbh_cm",
            "base_height_m",
            "alternative_height_m",
            "difference_per_ha",
        ],
        UnitSystem::Imperial => [
            "dbh_in",
            "base_height_ft",
            "alternative_height_ft",
            "difference_per_ac",
        ],
    };
    let columns = vec![
        "alternative",
        "stand",
        "selection",
        "plot",
        "tree",
        "line",
        "species",
        dbh,
        height,
        other_height,
        "attribute",
        "tree_unit",
        "base_per_tree",
        "alternative_per_tree",
        "unit",
        per_area,
        "share_pct",
    ];
    let mut rows = Vec::new();
    for alternative in &compared.alternatives {
        let Some((column, attribute)) = alternative.ranking else {
            continue;
        };
        let (tree_unit, per_tree) = tree_unit(attribute, units);
        let unit = attribute.unit(units);
        let height = |m: Option<f64>| Value::maybe(m.map(|m| m * units.length().from_metric));
        for (stand, this) in base.records.stands.iter().enumerate() {
            for (selection, rule) in base.design.selections.iter().enumerate() {
                let found = drivers(base, alternative.compilation, stand, selection, column);
                for driver in found.iter().flatten().take(MOST_TREES) {
                    rows.push(vec![
                        Value::word(&alternative.name),
                        Value::word(&this.name),
                        Value::word(&rule.name),
                        Value::word(&driver.plot.name),
                        Value::word(&driver.tree.number),
                        Value::Count(driver.tree.line),
                        Value::word(&base.records.species[driver.tree.species].label),
                        Value::Number(driver.tree.dbh_cm * units.diameter().from_metric),
                        height(driver.heights_m[0]),
                        height(driver.heights_m[1]),
                        Value::word(attribute.name()),
                        Value::word(tree_unit),
                        Value::Number(driver.values[0] * per_tree),
                        Value::Number(driver.values[1] * per_tree),
                        Value::word(unit.label),
                        Value::Number(driver.per_ha * unit.from_metric),
                        Value::Number(driver.share * 100.0),
                    ]);
                }
            }
        }
    }
    Tidy { columns, rows }
}

/// What an alternative and the design do not define alike, a row each.
pub fn remarks(compared: &Compared<'_>) -> Tidy {
    let mut rows = Vec::new();
    for alternative in &compared.alternatives {
        for remark in remarks_of(compared.base, alternative.compilation) {
            rows.push(vec![Value::word(&alternative.name), Value::word(remark)]);
        }
    }
    Tidy {
        columns: vec!["alternative", "remark"],
        rows,
    }
}
