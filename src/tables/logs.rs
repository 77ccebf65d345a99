//! The log tables: what the logs of a cruise are, per unit of ground.

use std::collections::BTreeSet;

use crate::compile::Compilation;
use crate::design::{ScaleDiameter, ScaleLength, SelectionIndex};
use crate::diagnostic::counted;
use crate::estimates::{Estimate, LogKey, LogMeasure, LogSample, StemPart, sample_logs};
use crate::logs::bucking::{Bucked, LogPlan, ProductRule};
use crate::logs::inside_bark_profiles;
use crate::records::Stand;
use crate::species::set::BarkBasis;
use crate::tables::figures::{confidence_words, species_label};
use crate::tables::tidy::ALL;
use crate::tables::{Block, Cell, Column, Report, Table, plain};
use crate::units::{CM_PER_IN, UnitSystem};

/// Adds the sections on logs to a report: how they were cut and scaled, then the tables of each
/// selection over some stands.
pub fn sections(compilation: &Compilation<'_>, stands: &[usize], report: &mut Report) {
    let Some(plan) = &compilation.knowledge.logs else {
        return;
    };
    report.section("Logs: how they were cut and scaled", how(compilation, plan));
    for (selection, rule) in compilation.design.selections.iter().enumerate() {
        let heading = format!("Logs, selection {}", rule.name);
        let blocks = selection_blocks(compilation, plan, stands, selection);
        report.section(heading, blocks);
    }
}

/// The caution that goes with board feet.
pub const BOARD_FEET_CAUTION: &str = "Board feet belong to the rule that gives them: those of two rules are never added, and a price \
     holds for its own rule only. Logs are what the stem profile holds; sweep, fork and rot show on \
     the ground alone.";

/// Cutting and scaling in words.
fn how(compilation: &Compilation<'_>, plan: &LogPlan) -> Vec<Block> {
    let units = compilation.design.units;
    let length = |m: f64| format!("{} {}", shown_length(units, m), units.length().label);
    let mut facts = vec![
        format!(
            "cut from a stump of {} upwards; at each place the first product that fits, in the \
             longest of its lengths that fits",
            length(plan.stump_m)
        ),
        format!(
            "cubic volume of a log by {}: {}, on the nominal length, inside bark",
            capital(plan.cubic_rule.name()),
            plan.cubic_rule.formula()
        ),
    ];
    for rule in &plan.board_feet {
        let rounding = rule.round_to_bf.map_or_else(
            || "not rounded".to_owned(),
            |multiple| match plain(multiple).as_str() {
                "1" => "each log to whole board feet, halves up".to_owned(),
                multiple => format!("each log to the nearest {multiple} board feet, halves up"),
            },
        );
        facts.push(format!(
            "board feet, {}: {}; {rounding}",
            rule.name,
            rule.form.formula()
        ));
    }
    if !plan.board_feet.is_empty() {
        let diameter = match plan.scale_diameter {
            ScaleDiameter::NearestInch => "to the nearest inch, halves up",
            ScaleDiameter::InchBelow => "to the whole inch below",
            ScaleDiameter::AsIs => "as it is",
        };
        let length = match plan.scale_length {
            ScaleLength::AsIs => "as it is",
            ScaleLength::WholeFoot => "to the whole foot below",
        };
        facts.push(format!(
            "for board feet the small-end diameter inside bark is taken {diameter}, the nominal \
             length {length}; logs are scaled whole"
        ));
    }
    facts.extend(profile_words(compilation));
    facts.push(if compilation.records.any_defect {
        "net is gross less the recorded defect of the tree, spread evenly over its logs".to_owned()
    } else {
        "no defect was recorded: all volumes are gross".to_owned()
    });
    vec![
        Block::List(facts),
        Block::Table(products(compilation, plan)),
        Block::List(profile_doubts(compilation)),
    ]
}

/// Whose profiles give the diameters.
fn profile_words(compilation: &Compilation<'_>) -> Option<String> {
    let set = compilation.knowledge.volume.as_ref()?;
    let profiles = inside_bark_profiles(set).ok()?;
    let mut words = format!(
        "diameters inside bark by the stem profiles of {}",
        profiles.name
    );
    if let (BarkBasis::Outside, Some(bark)) = (profiles.head.bark, &set.bark_set) {
        words += &format!(
            ", which are outside bark: diameters times the ratio that {} gives, volumes times its \
             square",
            bark.set().name
        );
    }
    if profiles.name != set.name {
        words += &format!(
            ", lent to {} and taken as they are: the stems below need not hold the volume that the \
             equations of {0} give",
            set.name
        );
    }
    Some(words)
}

/// Doubts about borrowed profiles, which logs rest on whatever the volumes rest on.
fn profile_doubts(compilation: &Compilation<'_>) -> Vec<String> {
    let species = compilation.records.species.iter();
    species
        .zip(&compilation.equations)
        .flat_map(|(species, equation)| {
            let marks = equation.chosen.break_marks.iter();
            marks.map(|mark| format!("{}: {mark}", species.label))
        })
        .collect()
}

fn capital(name: &str) -> String {
    let mut letters = name.chars();
    let first = letters.next().map(|c| c.to_ascii_uppercase());
    first.into_iter().chain(letters).collect()
}

fn shown_length(units: UnitSystem, m: f64) -> String {
    plain((m * units.length().from_metric * 1e4).round() / 1e4)
}

fn products(compilation: &Compilation<'_>, plan: &LogPlan) -> Table {
    let units = compilation.design.units;
    let columns = vec![
        Column::words("product"),
        Column::words(format!("lengths {}", units.length().label)),
        Column::number("trim", units.length().label),
        Column::number("least top", units.diameter().label),
        Column::number("least dbh", units.diameter().label),
        Column::words("from"),
    ];
    let mut table = Table::new("Products in order of preference", 1, columns);
    let diameter = |cm: f64| {
        Cell::text(plain(
            (cm * units.diameter().from_metric * 1e4).round() / 1e4,
        ))
    };
    for product in &plan.products {
        let lengths = product.lengths_m.iter();
        let lengths: Vec<String> = lengths.map(|m| shown_length(units, *m)).collect();
        table.rows.push(vec![
            Cell::text(&product.name),
            Cell::text(lengths.join(", ")),
            Cell::text(shown_length(units, product.trim_m)),
            diameter(product.min_top_dib_cm),
            product.min_dbh_cm.map_or(Cell::Empty, diameter),
            Cell::text(from_words(compilation, product)),
        ]);
    }
    table
}

fn from_words(compilation: &Compilation<'_>, product: &ProductRule) -> String {
    let table = &compilation.knowledge.species;
    let species: Vec<String> = product
        .species
        .iter()
        .map(|id| {
            let recorded = compilation.records.species.iter().find(|s| s.id == *id);
            recorded.map_or_else(|| table.get(*id).short_code(), |s| s.label.clone())
        })
        .collect();
    let live = if product.live_only { "live " } else { "" };
    if species.is_empty() {
        format!("all {live}trees")
    } else {
        format!("{live}{}", species.join(", "))
    }
}

fn selection_blocks(
    compilation: &Compilation<'_>,
    plan: &LogPlan,
    stands: &[usize],
    selection: SelectionIndex,
) -> Vec<Block> {
    let design = compilation.design;
    let stands: Vec<(&Stand, &[Option<Bucked>])> = stands
        .iter()
        .map(|at| {
            (
                &compilation.records.stands[*at],
                &compilation.stands[*at].logs[..],
            )
        })
        .collect();
    let class_cm = design
        .logs
        .as_ref()
        .map_or(design.dbh_class_cm, |l| l.class_cm);
    let rules = plan.board_feet.len();
    let sample = match sample_logs(design, &stands, selection, class_cm, rules) {
        Ok(sample) => sample,
        Err(reason) => return vec![Block::Paragraph(reason)],
    };
    let tables = Tables {
        compilation,
        plan,
        sample: &sample,
        class_cm,
    };
    let mut blocks = vec![Block::List(tables.unknown())];
    for live in [true, false] {
        if !sample.has(live) {
            continue;
        }
        if sample.keys().iter().any(|key| key.live == live) {
            for group in tables.groups() {
                blocks.push(Block::Table(tables.by_product(live, &group)));
                blocks.push(Block::Table(tables.log_table(live, &group)));
            }
        }
        blocks.push(Block::Table(tables.stem_parts(live)));
    }
    blocks
}

/// Everything that the tables of one selection are made from.
struct Tables<'a> {
    compilation: &'a Compilation<'a>,
    plan: &'a LogPlan,
    sample: &'a LogSample,
    class_cm: f64,
}

/// A measure of logs as it is shown.
struct Figure {
    measure: LogMeasure,
    name: &'static str,
    unit: &'static str,
    factor: f64,
    digits: usize,
}

/// Measures that may stand side by side.
struct Group {
    title: String,
    figures: Vec<Figure>,
}

fn volume_digits(units: UnitSystem) -> usize {
    match units {
        UnitSystem::Metric => 1,
        UnitSystem::Imperial => 0,
    }
}

impl Tables<'_> {
    fn units(&self) -> UnitSystem {
        self.compilation.design.units
    }

    /// What is shown: logs with their volume, then each rule for board feet by itself.
    fn groups(&self) -> Vec<Group> {
        let units = self.units();
        let (count, volume) = (units.count_per_area(), units.volume_per_area());
        let nets: &[bool] = if self.compilation.records.any_defect {
            &[false, true]
        } else {
            &[false]
        };
        let figure = |measure, name, unit, factor, digits| Figure {
            measure,
            name,
            unit,
            factor,
            digits,
        };
        let mut figures = vec![figure(
            LogMeasure::Count,
            "logs",
            count.label,
            count.from_metric,
            1,
        )];
        figures.extend(nets.iter().map(|&net| {
            figure(
                LogMeasure::Volume { net },
                if net { "net volume" } else { "gross volume" },
                volume.label,
                volume.from_metric,
                volume_digits(units),
            )
        }));
        let mut groups = vec![Group {
            title: "number and volume".to_owned(),
            figures,
        }];
        let board_feet = match units {
            UnitSystem::Metric => "bf/ha",
            UnitSystem::Imperial => "bf/ac",
        };
        for (rule, of) in self.plan.board_feet.iter().enumerate() {
            let figures = nets.iter().map(|&net| {
                figure(
                    LogMeasure::BoardFeet { rule, net },
                    if net { "net" } else { "gross" },
                    board_feet,
                    count.from_metric,
                    0,
                )
            });
            groups.push(Group {
                title: format!("board feet by {}", of.name),
                figures: figures.collect(),
            });
        }
        groups
    }

    /// Trees without logs for want of a height or a profile.
    fn unknown(&self) -> Vec<String> {
        let unknown = self.sample.unknown.iter();
        unknown
            .map(|((live, species), count)| {
                format!(
                    "{} ({}) of {} have no height or no stem profile, so no logs: the figures below \
                     are too low by what they hold",
                    counted(*count, "tree"),
                    status_word(*live),
                    species_label(Some(*species), self.compilation.records)
                )
            })
            .collect()
    }

    /// Each product with its errors.
    fn by_product(&self, live: bool, group: &Group) -> Table {
        let design = self.compilation.design;
        let level = confidence_words(design);
        let columns = vec![
            Column::words("product"),
            Column::words("figure"),
            Column::words("unit"),
            Column::number("mean", ""),
            Column::number("std", "error"),
            Column::number("lower", &level),
            Column::number("upper", &level),
            Column::number("error", "%"),
        ];
        let caption = format!(
            "Logs of {} trees, {}, by product",
            status_word(live),
            group.title
        );
        let mut table = Table::new(caption, 2, columns);
        let found: BTreeSet<usize> = self
            .sample
            .keys()
            .iter()
            .filter(|key| key.live == live)
            .map(|key| key.product)
            .collect();
        // With a single product the margin would say the same again.
        let margin = (found.len() > 1).then_some(None);
        for product in found.into_iter().map(Some).chain(margin) {
            let name = product.map_or(ALL, |at| &self.plan.products[at].name);
            for figure in &group.figures {
                let keep =
                    |key: LogKey| key.live == live && product.is_none_or(|at| key.product == at);
                let estimate = self.sample.estimate(figure.measure, keep);
                let shown = |value: Option<f64>| {
                    Cell::maybe(value.map(|v| v * figure.factor), figure.digits)
                };
                let interval = estimate.and_then(|e| e.interval(design.confidence));
                table.rows.push(vec![
                    Cell::text(name),
                    Cell::text(figure.name),
                    Cell::text(figure.unit),
                    shown(estimate.map(|e| e.mean)),
                    shown(estimate.and_then(|e| e.std_error)),
                    shown(interval.map(|(lower, _)| lower)),
                    shown(interval.map(|(_, upper)| upper)),
                    Cell::maybe(estimate.and_then(|e| e.error_pct(design.confidence)), 1),
                ]);
            }
        }
        table
    }

    /// Product by species by class of small-end diameter, with margins.
    fn log_table(&self, live: bool, group: &Group) -> Table {
        let mut columns = vec![
            Column::words("product"),
            Column::words("species"),
            Column::words(format!("small end {}", self.units().diameter().label)),
        ];
        for figure in &group.figures {
            columns.push(Column::number(figure.name, figure.unit));
        }
        let caption = format!(
            "Log table, {} trees, {}, by diameter inside bark at the small end",
            status_word(live),
            group.title
        );
        let mut table = Table::new(caption, 3, columns);
        let keys: Vec<LogKey> = self
            .sample
            .keys()
            .into_iter()
            .filter(|key| key.live == live)
            .collect();
        let mut add = |product: usize, species: Option<usize>, class: Option<u32>| {
            let keep = |key: LogKey| {
                key.live == live
                    && key.product == product
                    && species.is_none_or(|at| key.species == at)
                    && class.is_none_or(|at| key.class == at)
            };
            let mut row = vec![
                Cell::text(&self.plan.products[product].name),
                Cell::text(species_label(species, self.compilation.records)),
                Cell::text(class.map_or_else(|| ALL.to_owned(), |class| self.class_words(class))),
            ];
            for figure in &group.figures {
                let estimate = self.sample.estimate(figure.measure, keep);
                let value = estimate.map(|e| e.mean * figure.factor);
                row.push(Cell::maybe(value, figure.digits));
            }
            table.rows.push(row);
        };
        for of_product in keys.chunk_by(|a, b| a.product == b.product) {
            let product = of_product[0].product;
            let species = || of_product.chunk_by(|a, b| a.species == b.species);
            for of_species in species() {
                for key in of_species {
                    add(product, Some(key.species), Some(key.class));
                }
                add(product, Some(of_species[0].species), None);
            }
            if species().count() > 1 {
                add(product, None, None);
            }
        }
        table
    }

    fn class_words(&self, class: u32) -> String {
        let width = match self.units() {
            UnitSystem::Metric => self.class_cm,
            UnitSystem::Imperial => self.class_cm / CM_PER_IN,
        };
        let limit = |class: u32| plain((f64::from(class) * width * 1e2).round() / 1e2);
        format!("{}-{}", limit(class), limit(class + 1))
    }

    /// Where the stems go, so that what is in logs can be held against the whole.
    fn stem_parts(&self, live: bool) -> Table {
        let unit = self.units().volume_per_area();
        let digits = if self.units() == UnitSystem::Metric {
            2
        } else {
            0
        };
        let columns = vec![
            Column::words("part"),
            Column::number("volume", unit.label),
            Column::number("share", "%"),
        ];
        let caption = format!(
            "Where the stems of {} trees go, by integration of the profiles",
            status_word(live)
        );
        let mut table = Table::new(caption, 1, columns);
        let mean = |estimate: Option<Estimate>| estimate.map(|e| e.mean);
        let part = |part| mean(self.sample.part(part, live));
        let whole: Option<f64> = StemPart::ALL.into_iter().map(part).sum();
        let mut add = |words: String, volume: Option<f64>| {
            let share = volume.zip(whole).map(|(v, whole)| 100.0 * v / whole);
            table.rows.push(vec![
                Cell::text(words),
                Cell::maybe(volume.map(|v| v * unit.from_metric), digits),
                Cell::maybe(share, 1),
            ]);
        };
        for each in StemPart::ALL {
            let words = match each {
                StemPart::Stump => "stump",
                StemPart::Logs => "logs, nominal length",
                StemPart::Trim => "trim",
                StemPart::Top => "top, above the last log",
            };
            add(words.to_owned(), part(each));
        }
        add("whole stem".to_owned(), whole);
        let of_status = |key: LogKey| key.live == live;
        if !self.sample.keys().iter().any(|key| of_status(*key)) {
            return table;
        }
        let by_rule = self
            .sample
            .estimate(LogMeasure::Volume { net: false }, of_status);
        let rule = capital(self.plan.cubic_rule.name());
        add(format!("logs by {rule}"), mean(by_rule));
        table
    }
}

fn status_word(live: bool) -> &'static str {
    if live { "live" } else { "dead" }
}
