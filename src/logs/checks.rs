//! A log rule against its own check values.

use crate::logs::rules::{LogCheck, LogRule, RuleKind, Scaled, round_half_up};
use crate::species::set::Tolerance;
use crate::units::{CM_PER_IN, M_PER_FT};

/// The outcome of one check.
#[derive(Clone, Debug, PartialEq)]
pub struct LogCheckResult<'r> {
    /// The check.
    pub check: &'r LogCheck,
    /// Our value in the unit of the check; the error says why there is none.
    pub ours: Result<f64, String>,
    /// `ours / printed - 1`; not a number where there is no value.
    pub relative_error: f64,
    /// Within the tolerance?
    pub pass: bool,
}

impl LogRule {
    /// Every check value of the rule, compared.
    pub fn verify(&self) -> Vec<LogCheckResult<'_>> {
        self.checks
            .iter()
            .map(|check| self.compare(check))
            .collect()
    }

    fn compare<'r>(&self, check: &'r LogCheck) -> LogCheckResult<'r> {
        let ours = self
            .checked_value(&check.of)
            .map(|value| value * check.unit.per_result());
        let relative_error = ours.as_ref().map_or(f64::NAN, |ours| {
            if check.value == 0.0 {
                *ours
            } else {
                ours / check.value - 1.0
            }
        });
        let pass = match (&ours, check.tolerance) {
            (Ok(ours), Tolerance::PrintedDigits) => {
                let decimals = check
                    .printed
                    .split_once('.')
                    .map_or(0, |(_, decimals)| decimals.len());
                format!("{ours:.decimals$}") == check.printed
            }
            (Ok(_), Tolerance::Relative(most)) => relative_error.abs() <= most,
            (Err(_), _) => false,
        };
        LogCheckResult {
            check,
            ours,
            relative_error,
            pass,
        }
    }

    fn checked_value(&self, of: &Scaled) -> Result<f64, String> {
        match (&self.kind, of) {
            (
                RuleKind::BoardFeet(form),
                Scaled::Log {
                    d_small_cm,
                    length_m,
                    rounded,
                    ..
                },
            ) => {
                let exact = form
                    .board_feet(d_small_cm / CM_PER_IN, length_m / M_PER_FT)
                    .ok_or("the table does not reach this log")?;
                Ok(match self.round_to_bf.filter(|_| *rounded) {
                    Some(multiple) => round_half_up(exact, multiple),
                    None => exact,
                })
            }
            (
                RuleKind::Cubic(rule),
                Scaled::Log {
                    d_small_cm,
                    d_mid_cm,
                    d_large_cm,
                    length_m,
                    ..
                },
            ) => {
                // A diameter that the rule does not need may be missing.
                let (mid, large) = (d_mid_cm.unwrap_or(f64::NAN), d_large_cm.unwrap_or(f64::NAN));
                let volume_m3 = rule.volume_m3(*d_small_cm, mid, large, *length_m);
                volume_m3
                    .is_finite()
                    .then_some(volume_m3)
                    .ok_or_else(|| "the check lacks a diameter".to_owned())
            }
            (
                RuleKind::FormClass(table),
                Scaled::Tree {
                    rule,
                    dbh_in,
                    logs_16ft,
                    form_class,
                },
            ) => table
                .board_feet(rule, *dbh_in, *logs_16ft, *form_class)
                .ok_or_else(|| format!("the table has no rule `{rule}`")),
            (RuleKind::FormClass(_), Scaled::Log { .. }) => {
                Err("the table is for trees, the check for a log".to_owned())
            }
            (_, Scaled::Tree { .. }) => {
                Err("the rule is for logs, the check for a tree".to_owned())
            }
        }
    }
}
