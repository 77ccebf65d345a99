//! From the design's rules for logs to a plan that stems can be cut by.

use crate::design::{LogRules, Rounding, ScaleDiameter};
use crate::logs::bucking::{BoardFootRule, LogPlan, ProductRule};
use crate::logs::rules::{BoardFootForm, LogRule, LogUnit};
use crate::species::SpeciesId;
use crate::species::equation::Quantity;
use crate::species::set::{BarkBasis, VolumeSet};
use crate::units::M_PER_FT;

/// Something in the rules that does not hold together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlanProblem {
    /// The key of `logs` that it is about.
    pub key: &'static str,
    /// What is wrong.
    pub message: String,
    /// What would be right.
    pub hint: String,
}

/// The set whose profiles give the diameters inside bark from which logs are cut, by themselves or
/// by the bark ratio of the tree: the set itself, or the one that lends it profiles. The error says
/// why there is none.
pub fn inside_bark_profiles(set: &VolumeSet) -> Result<&VolumeSet, String> {
    let has_own = set.main_quantity() == Quantity::Profile || set.has_ratio_profiles();
    let own = has_own.then_some(set);
    let Some(profiles) = own.or(set.profiles.as_deref()) else {
        return Err(format!(
            "log scaling needs stem profiles; volume set `{}` has none and borrows none",
            set.name
        ));
    };
    match profiles.head.bark {
        BarkBasis::Inside => Ok(profiles),
        BarkBasis::Outside if set.bark_set.is_some() => Ok(profiles),
        BarkBasis::Outside => Err(format!(
            "log scaling needs diameters inside bark; the profiles of `{}` are outside bark",
            profiles.name
        )),
        BarkBasis::Unresolved => Err(format!(
            "log scaling needs diameters inside bark; it is not known whether those of `{}` are",
            profiles.name
        )),
    }
}

impl LogPlan {
    /// Puts the design's rules together with the published ones. `rules` are those that
    /// `design.board_feet` names, in its order; `means` finds the species that a name means.
    pub fn new(
        design: &LogRules,
        rules: &[LogRule],
        means: impl Fn(&str) -> Option<SpeciesId>,
    ) -> Result<LogPlan, Vec<PlanProblem>> {
        let mut problems = Vec::new();
        let mut board_feet = Vec::with_capacity(rules.len());
        for (wanted, rule) in design.board_feet.iter().zip(rules) {
            let Some(form) = rule.board_foot_form() else {
                problems.push(no_board_feet(rule));
                continue;
            };
            if let BoardFootForm::Factors(table) = form {
                check_reach(design, rule, table.longest_ft(), &mut problems);
            }
            board_feet.push(BoardFootRule {
                name: rule.name.clone(),
                citation: rule.citation.clone(),
                form: form.clone(),
                round_to_bf: match wanted.rounding {
                    Rounding::AsPrinted => rule.round_to_bf,
                    Rounding::Nearest(multiple) => Some(multiple),
                    Rounding::Exact => None,
                },
            });
        }
        let mut products = Vec::with_capacity(design.products.len());
        for product in &design.products {
            let mut species = Vec::with_capacity(product.species.len());
            for name in &product.species {
                match means(name) {
                    Some(id) => species.push(id),
                    None => problems.push(PlanProblem {
                        key: "products",
                        message: format!(
                            "product `{}`: no species is known as `{name}`",
                            product.name
                        ),
                        hint: "write any code or name that `spinney species` lists".to_owned(),
                    }),
                }
            }
            products.push(ProductRule {
                name: product.name.clone(),
                lengths_m: product.lengths_m.clone(),
                trim_m: product.trim_m,
                min_top_dib_cm: product.min_top_dib_cm,
                min_dbh_cm: product.min_dbh_cm,
                species,
                live_only: product.live_only,
            });
        }
        if !problems.is_empty() {
            return Err(problems);
        }
        Ok(LogPlan {
            stump_m: design.stump_m,
            cubic_rule: design.cubic_rule,
            board_feet,
            scale_diameter: design.scale_diameter,
            scale_length: design.scale_length,
            products,
        })
    }
}

fn no_board_feet(rule: &LogRule) -> PlanProblem {
    let (message, hint) = match rule.unit() {
        LogUnit::BoardFeet => (
            "is for standing trees, not for logs",
            "name a rule for the board feet of logs",
        ),
        LogUnit::CubicMetres | LogUnit::CubicFeet => (
            "gives cubic volume, not board feet",
            "name it under `cubic_rule`",
        ),
    };
    PlanProblem {
        key: "board_feet",
        message: format!("log rule `{}` {message}", rule.name),
        hint: hint.to_owned(),
    }
}

/// A table of factors by whole inches has an end.
fn check_reach(
    design: &LogRules,
    rule: &LogRule,
    longest_ft: f64,
    problems: &mut Vec<PlanProblem>,
) {
    if design.scale_diameter == ScaleDiameter::AsIs {
        problems.push(PlanProblem {
            key: "scale_diameter",
            message: format!(
                "the factors of log rule `{}` are for whole inches (`as-is`)",
                rule.name
            ),
            hint: "write `nearest-inch` or `inch-below`".to_owned(),
        });
    }
    for product in &design.products {
        let longest_m = product.lengths_m.first().copied().unwrap_or_default();
        // The next whole foot already lies beyond a table that is taken by whole feet.
        if longest_m > (longest_ft + 1e-6) * M_PER_FT {
            problems.push(PlanProblem {
                key: "products",
                message: format!(
                    "product `{}`: the factors of log rule `{}` end at {longest_ft} ft ({longest_m:.2} m)",
                    product.name, rule.name
                ),
                hint: format!(
                    "cut logs of at most {:.2} m, or leave the rule out",
                    longest_ft * M_PER_FT
                ),
            });
        }
    }
}
