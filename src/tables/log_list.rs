//! The log list: every log of every tree.

use crate::compile::Compilation;
use crate::expansion::expand;
use crate::logs::bucking::net;
use crate::tables::tidy::{Tidy, Value};
use crate::units::UnitSystem;

/// Every log of every tree with a record of its own, from the bottom of the stem up. Board feet have
/// a column for each rule; without a plan for logs there are no rows.
pub fn log_list(compilation: &Compilation<'_>) -> Tidy<String> {
    let units = compilation.design.units;
    let rules: Vec<&str> = match &compilation.knowledge.logs {
        Some(plan) => plan.board_feet.iter().map(|r| r.name.as_str()).collect(),
        None => Vec::new(),
    };
    let mut list = Tidy {
        columns: columns(units, &rules),
        rows: Vec::new(),
    };
    let Some(plan) = &compilation.knowledge.logs else {
        return list;
    };
    let length = |m: f64| Value::Number(m * units.length().from_metric);
    let diameter = |cm: f64| Value::Number(cm * units.diameter().from_metric);
    for (stand, compiled) in compilation.records.stands.iter().zip(&compilation.stands) {
        for ((plot, visit, tree), bucked) in stand.trees().zip(&compiled.logs) {
            let stratum = &stand.strata[plot.stratum];
            let per_area = expand(visit, tree, stratum.area_ha)
                .map(|e| e.trees_per_ha * units.count_per_area().from_metric);
            let defect_pct = tree.defect_pct.unwrap_or(0.0);
            let logs = bucked.iter().flat_map(|bucked| &bucked.logs);
            for (at, log) in logs.enumerate() {
                let volume = log.volume_m3 * units.volume().from_metric;
                let mut row = vec![
                    Value::word(&stand.name),
                    Value::word(&stratum.name),
                    Value::word(&plot.name),
                    Value::word(&compilation.design.selections[visit.selection].name),
                    Value::word(tree.number.as_str()),
                    Value::Count(tree.line),
                    Value::word(&compilation.records.species[tree.species].label),
                    Value::word(if tree.status.is_live() {
                        "live"
                    } else {
                        "dead"
                    }),
                    Value::maybe(per_area),
                    Value::Count(at + 1),
                    Value::word(&plan.products[log.product].name),
                    length(log.bottom_m),
                    length(log.length_m),
                    length(log.trim_m),
                    diameter(log.d_small_cm),
                    diameter(log.d_mid_cm),
                    diameter(log.d_large_cm),
                    Value::maybe(tree.defect_pct),
                    Value::Number(volume),
                    Value::Number(net(volume, defect_pct)),
                ];
                for board_feet in &log.board_feet {
                    row.push(Value::maybe(*board_feet));
                    row.push(Value::maybe(board_feet.map(|bf| net(bf, defect_pct))));
                }
                list.rows.push(row);
            }
        }
    }
    list
}

fn columns(units: UnitSystem, rules: &[&str]) -> Vec<String> {
    let (length, diameter, volume, area) = (
        units.length().label,
        units.diameter().label,
        units.volume().label,
        units.area().label,
    );
    let mut columns: Vec<String> = [
        "stand",
        "stratum",
        "plot",
        "selection",
        "tree",
        "line",
        "species",
        "status",
    ]
    .map(str::to_owned)
    .to_vec();
    columns.push(format!("trees_per_{area}"));
    columns.extend(["log", "product"].map(str::to_owned));
    columns.extend(["bottom", "length", "trim"].map(|name| format!("{name}_{length}")));
    columns.extend(["dib_small", "dib_mid", "dib_large"].map(|name| format!("{name}_{diameter}")));
    columns.push("defect_pct".to_owned());
    columns.extend(["volume", "volume_net"].map(|name| format!("{name}_{volume}")));
    for rule in rules {
        let rule = rule.replace('-', "_");
        columns.push(format!("board_feet_{rule}"));
        columns.push(format!("board_feet_net_{rule}"));
    }
    columns
}
