//! The measured heights: how they were read, how precise they are, and how much rests on those that
//! are not.

use crate::compile::Compilation;
use crate::design::SelectionIndex;
use crate::heights::HeightCurve;
use crate::plot_sums::Column as SumColumn;
use crate::records::{HeightRecord, Reading, ReadingScale, Tree};
use crate::stems::TreeValues;
use crate::tables::{Block, Cell, Column, Table};
use crate::units::basal_area_m2;
use crate::whole_error::weights::{StandPart, tree_weights};

/// The heights of one stand, or of all; nothing where no precision is known of any.
pub fn blocks(compilation: &Compilation<'_>, one: Option<usize>) -> Vec<Block> {
    let methods = method_table(compilation, one).without_empty_columns();
    if methods.rows.is_empty() {
        return Vec::new();
    }
    let mut blocks = vec![Block::Table(methods)];
    blocks.extend(one.map(|stand| Block::Table(share_table(compilation, stand))));
    blocks
}

/// What the heights of one method come to.
#[derive(Clone, Copy, Default)]
struct Method {
    heights: usize,
    /// Sums over the heights whose error is known, and their number.
    known: usize,
    error_m: f64,
    error_pct: f64,
    steep: usize,
    short: usize,
    hidden: usize,
}

impl Method {
    fn add(&mut self, record: &HeightRecord, error_m: Option<f64>) {
        self.heights += 1;
        if let (Some(error_m), Some(height_m)) = (error_m, record.height_m()) {
            self.known += 1;
            self.error_m += error_m;
            self.error_pct += 100.0 * error_m / height_m;
        }
        if let HeightRecord::Instrument(reading) = record {
            self.steep += usize::from(reading.is_steep());
            self.short += usize::from(reading.is_short_baseline());
            self.hidden += usize::from(reading.hidden_top_m > 0.0);
        }
    }
}

/// Rows of the table: heights written down, then the ways to read one.
const WRITTEN: &str = "written down";

/// Position of the row of a record, and its words; none without a height.
fn row_of(record: &HeightRecord) -> Option<(usize, &'static str)> {
    let HeightRecord::Instrument(reading) = record else {
        return record.height_m().map(|_| (0, WRITTEN));
    };
    let row = match reading.scale {
        ReadingScale::Level { .. } => 1,
        ReadingScale::Slope { .. } => 2,
        ReadingScale::TwoLevel { .. } => 3,
        ReadingScale::Slant { .. } => 4,
        ReadingScale::Pole { .. } => 5,
    };
    Some((row, reading.scale.name()))
}

fn method_table(compilation: &Compilation<'_>, one: Option<usize>) -> Table {
    let design = compilation.design;
    let length = design.units.length();
    let columns = vec![
        Column::words("height by"),
        Column::number("heights", ""),
        Column::number("std error", length.label),
        Column::number("of it", "%"),
        Column::number("steep", ""),
        Column::number("short", ""),
        Column::number("hidden top", ""),
    ];
    let mut table = Table::new("Heights by the way they were measured", 1, columns);
    let mut methods: [(&str, Method); 6] = Default::default();
    let stands = compilation.records.stands.iter().enumerate();
    for (_, stand) in stands.filter(|(at, _)| one.is_none_or(|one| one == *at)) {
        for (_, _, tree) in stand.trees().filter(|(_, _, tree)| !tree.excluded) {
            if let Some((row, name)) = row_of(&tree.height) {
                let error_m = tree.height.std_error_m(&design.heights.instrument);
                methods[row].0 = name;
                methods[row].1.add(&tree.height, error_m);
            }
        }
    }
    if methods.iter().all(|(_, method)| method.known == 0) {
        return table;
    }
    for (name, method) in methods.iter().filter(|(_, method)| method.heights > 0) {
        let mean = |sum: f64| (method.known > 0).then(|| sum / method.known as f64);
        let count = |n: usize| Cell::maybe((*name != WRITTEN).then_some(n as f64), 0);
        table.rows.push(vec![
            Cell::text(*name),
            Cell::Number(method.heights as f64, 0),
            Cell::maybe(mean(method.error_m).map(|m| m * length.from_metric), 2),
            Cell::maybe(mean(method.error_pct), 1),
            count(method.steep),
            count(method.short),
            count(method.hidden),
        ]);
    }
    table.remarks.push(format!(
        "Mean standard errors of single heights, from {}. Steep: a sight of more than 100 % (45 \
         degrees). Short: read from nearer than the tree is tall. With slant distances neither \
         costs precision.",
        design.heights.instrument.words(design.units)
    ));
    if one.is_none() {
        table.remarks.push(
            "The report of one stand (--stand) says how much of its volume rests on them."
                .to_owned(),
        );
    }
    table
}

/// Weighted sums over the live trees of a selection.
#[derive(Default)]
struct Shares {
    whole: f64,
    measured: f64,
    doubtful: f64,
    hidden: f64,
    steep_curves: f64,
    /// By curve, whether it serves one of these trees.
    served: Vec<bool>,
}

fn share_table(compilation: &Compilation<'_>, stand: usize) -> Table {
    let columns = vec![
        Column::words("selection"),
        Column::words("share of live"),
        Column::number("measured", "%"),
        Column::number("steep, short", "%"),
        Column::number("hidden", "%"),
        Column::number("curves", "%"),
        Column::words("steep behind"),
    ];
    let mut table = Table::new("What rests on these heights", 1, columns);
    for (selection, rule) in compilation.design.selections.iter().enumerate() {
        let wanted = [
            (SumColumn::VolumeTotal, "volume"),
            (SumColumn::VolumeMerch, "volume"),
            (SumColumn::BasalArea, "basal area"),
        ];
        let found = wanted.into_iter().find_map(|(column, words)| {
            let shares = shares(compilation, stand, selection, column)?;
            (shares.whole > 0.0).then_some((shares, words))
        });
        let Some((shares, words)) = found else {
            continue;
        };
        let share = |part: f64| Cell::Number(100.0 * part / shares.whole, 1);
        let (steep, of) = steep_behind(compilation, stand, &shares.served);
        table.rows.push(vec![
            Cell::text(&rule.name),
            Cell::text(words),
            share(shares.measured),
            share(shares.doubtful),
            share(shares.hidden),
            share(shares.steep_curves),
            if steep == 0 {
                Cell::Empty
            } else {
                Cell::text(format!("{steep} of {of}"))
            },
        ]);
    }
    table.remarks.push(
        "Measured: of trees with a height of their own; of these with a steep sight or from near, \
         and with a hidden top. Curves: of trees filled from curves that rest on steep readings, \
         and how many of the heights behind these curves are such."
            .to_owned(),
    );
    table
}

fn shares(
    compilation: &Compilation<'_>,
    stand: usize,
    selection: SelectionIndex,
    column: SumColumn,
) -> Option<Shares> {
    let part = StandPart {
        stand,
        stratum: None,
        share: 1.0,
    };
    let weights = tree_weights(compilation, part, selection, column)?;
    let compiled = &compilation.stands[stand];
    let mut shares = Shares {
        served: vec![false; compiled.heights.curves.len()],
        ..Shares::default()
    };
    let trees = compilation.records.stands[stand].trees();
    let trees = trees.zip(&compiled.heights.trees).zip(&compiled.values);
    for ((((_, _, tree), height), values), weight) in trees.zip(&weights) {
        let sum = weight * held(column, tree, values);
        if sum <= 0.0 {
            continue;
        }
        shares.whole += sum;
        if tree.height.height_m().is_some() {
            shares.measured += sum;
        }
        if let HeightRecord::Instrument(reading) = &tree.height {
            shares.doubtful += if is_doubtful(reading) { sum } else { 0.0 };
            shares.hidden += if reading.hidden_top_m > 0.0 { sum } else { 0.0 };
        }
        if let Some(curve) = height.source.curve()
            && steep_of(&compiled.heights.curves[curve].curve).is_some()
        {
            shares.steep_curves += sum;
            shares.served[curve] = true;
        }
    }
    Some(shares)
}

fn held(column: SumColumn, tree: &Tree, values: &TreeValues) -> f64 {
    if column == SumColumn::BasalArea {
        basal_area_m2(tree.dbh_cm)
    } else {
        column.of_tree(values).unwrap_or(0.0)
    }
}

fn is_doubtful(reading: &Reading) -> bool {
    reading.is_steep() || reading.is_short_baseline()
}

/// Steep heights behind a curve, and all; `None` without steep ones.
fn steep_of(curve: &HeightCurve) -> Option<(usize, usize)> {
    match curve {
        HeightCurve::Fitted(fitted) if fitted.steep > 0 => Some((fitted.steep, fitted.fit.n)),
        HeightCurve::Ratio(ratio) => steep_of(&ratio.curve),
        HeightCurve::Fitted(_) | HeightCurve::Published(_) => None,
    }
}

/// Steep heights behind the curves in use, and all heights behind them.
fn steep_behind(compilation: &Compilation<'_>, stand: usize, served: &[bool]) -> (usize, usize) {
    let curves = compilation.stands[stand].heights.curves.iter().zip(served);
    curves
        .filter(|(_, served)| **served)
        .filter_map(|(used, _)| steep_of(&used.curve))
        .fold((0, 0), |(steep, of), (k, n)| (steep + k, of + n))
}
