//! Log rules against their check values.

use crate::logs::checks::LogCheckResult;
use crate::logs::rules::{LogRule, Scaled};
use crate::tables::{Block, Cell, Column, Table, plain};
use crate::units::{CM_PER_IN, M_PER_FT};

/// What a rule is and each of its check values with ours.
pub fn checks(rule: &LogRule, results: &[LogCheckResult<'_>]) -> Vec<Block> {
    let worst = results
        .iter()
        .map(|result| result.relative_error.abs())
        .fold(0.0, f64::max);
    let mut words = format!(
        "{}: {}. {} check values, largest relative difference {worst:.1e}",
        rule.title,
        rule.formula(),
        results.len()
    );
    if let Some(multiple) = rule.round_to_bf {
        let to = match plain(multiple).as_str() {
            "1" => "whole".to_owned(),
            multiple => format!("the nearest {multiple}"),
        };
        words += &format!("; rounded to {to} board feet where printed so");
    }
    let columns = vec![
        Column::words("of"),
        Column::number("check", ""),
        Column::number("ours", ""),
        Column::words("unit"),
        Column::number("rel. error", ""),
        Column::words("status"),
        Column::words("agrees"),
    ];
    let mut list = Table::new("", 1, columns);
    for result in results {
        let check = result.check;
        let decimals = check
            .printed
            .split_once('.')
            .map_or(0, |(_, part)| part.len());
        list.rows.push(vec![
            Cell::text(scaled_words(&check.of)),
            Cell::text(&check.printed),
            match &result.ours {
                Ok(ours) => Cell::text(format!("{ours:.decimals$}")),
                Err(reason) => Cell::text(reason),
            },
            Cell::text(check.unit.words()),
            Cell::text(format!("{:.0e}", result.relative_error.abs())),
            Cell::text(&check.status),
            Cell::text(if result.pass { "yes" } else { "NO" }),
        ]);
    }
    vec![Block::Paragraph(words), Block::Table(list)]
}

fn scaled_words(of: &Scaled) -> String {
    match of {
        Scaled::Log {
            d_small_cm,
            d_mid_cm,
            d_large_cm,
            length_m,
            rounded,
        } => {
            let inches = |cm: f64| plain((cm / CM_PER_IN * 1e6).round() / 1e6);
            let diameters: Vec<String> = [Some(*d_small_cm), *d_mid_cm, *d_large_cm]
                .into_iter()
                .flatten()
                .map(inches)
                .collect();
            format!(
                "{} in x {} ft{}",
                diameters.join("/"),
                plain((length_m / M_PER_FT * 1e6).round() / 1e6),
                if *rounded { ", rounded" } else { "" }
            )
        }
        Scaled::Tree {
            rule,
            dbh_in,
            logs_16ft,
            form_class,
        } => format!(
            "{rule}, dbh {} in, {} logs, form class {}",
            plain(*dbh_in),
            plain(*logs_16ft),
            plain(*form_class)
        ),
    }
}
