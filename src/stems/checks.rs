//! A volume set against its own check values.
//!
//! In: a set and its check values. Out: for each, the value as printed, ours, and whether they
//! agree. Nothing here is ever written back.

use crate::design::Fallback;
use crate::species::SpeciesTable;
use crate::species::choose::Wanted;
use crate::species::equation::Quantity;
use crate::species::set::{Check, CheckQuantity, Tolerance, VolumeSet};
use crate::stems::biomass::BiomassInput;
use crate::stems::volume::StemInput;

/// The outcome of one check.
#[derive(Clone, Debug, PartialEq)]
pub struct CheckResult<'s> {
    /// The check.
    pub check: &'s Check,
    /// Our value in the unit of the check; the error says why there is none.
    pub ours: Result<f64, String>,
    /// `ours / printed - 1`; not a number where there is no value.
    pub relative_error: f64,
    /// Within the tolerance?
    pub pass: bool,
}

impl VolumeSet {
    /// Every check value of the set, compared.
    pub fn verify(&self, table: &SpeciesTable) -> Vec<CheckResult<'_>> {
        self.checks
            .iter()
            .map(|check| {
                let ours = self.checked_value(check, table);
                let relative_error = ours
                    .as_ref()
                    .map_or(f64::NAN, |ours| ours / check.value - 1.0);
                let pass = match (&ours, check.tolerance) {
                    (Ok(ours), Tolerance::PrintedDigits) => {
                        agrees_as_printed(*ours, &check.printed)
                    }
                    (Ok(_), Tolerance::Relative(most)) => relative_error.abs() <= most,
                    (Err(_), _) => false,
                };
                CheckResult {
                    check,
                    ours,
                    relative_error,
                    pass,
                }
            })
            .collect()
    }

    fn checked_value(&self, check: &Check, table: &SpeciesTable) -> Result<f64, String> {
        if let CheckQuantity::Mass(quantity) = check.quantity {
            return self.checked_mass(check, quantity, table);
        }
        let wanted = Wanted {
            region: check.region.as_deref(),
            fallback: Fallback::None,
            merchantable: match check.quantity {
                CheckQuantity::Merchantable(limits) => Some(limits),
                _ => None,
            },
            planted: check.planted,
        };
        let chosen = self
            .choose(check.species, &wanted, table)
            .map_err(|missing| format!("{}; {}", missing.message, missing.hint))?;
        let tree = StemInput {
            dbh_cm: check.dbh_cm,
            // A diameter inside bark is asked of dbh alone.
            height_m: match check.quantity {
                CheckQuantity::DiameterInside => check.height_m.unwrap_or(0.0),
                _ => check.height_m.ok_or("there is no height")?,
            },
            broken_height_m: check.broken_height_m,
        };
        let volume = self.stem(&chosen, &tree);
        let profile = || {
            self.profile(&chosen, &tree)
                .ok_or_else(|| "there is no profile".to_owned())
        };
        let held = match check.quantity {
            CheckQuantity::Total => volume.total_m3.ok_or("there is no total volume")?,
            CheckQuantity::Bark => volume.bark_m3.ok_or("there is no bark equation")?,
            CheckQuantity::Merchantable(_) => volume
                .merchantable_m3
                .ok_or("there is no merchantable volume")?,
            CheckQuantity::Mass(_) => return Err("there is no mass".to_owned()),
            CheckQuantity::DiameterInside => self
                .evaluate(chosen.main, &tree)
                .ok_or("there is no diameter inside bark")?,
            CheckQuantity::DiameterAt { height_m } => profile()?.diameter_cm(height_m),
            CheckQuantity::HeightOf {
                diameter_cm,
                inside_bark,
            } => profile()?
                .height_of_basis_diameter(diameter_cm, inside_bark)
                .ok_or("the stem is nowhere that thick")?,
        };
        Ok(held / check.unit.to_held)
    }
}

impl VolumeSet {
    /// A mass of a live tree.
    fn checked_mass(
        &self,
        check: &Check,
        quantity: Quantity,
        table: &SpeciesTable,
    ) -> Result<f64, String> {
        let wanted = Wanted {
            region: check.region.as_deref(),
            fallback: Fallback::None,
            merchantable: None,
            planted: false,
        };
        let (_, rows) = self
            .choose_components(check.species, &wanted, table)
            .map_err(|missing| format!("{}; {}", missing.message, missing.hint))?;
        let tree = BiomassInput::sound(check.dbh_cm, check.height_m);
        let mass = self
            .component_biomass(&rows, 1.0, &tree)
            .ok_or("there is no height")?
            .biomass;
        let held = match quantity {
            Quantity::WoodMass => mass.wood_kg,
            Quantity::BarkMass => mass.bark_kg,
            Quantity::BranchMass => mass.branch_kg,
            Quantity::FoliageMass => mass.foliage_kg,
            _ => Some(mass.total_kg),
        };
        Ok(held.ok_or("the set does not give it")? / check.unit.to_held)
    }
}

/// Is a value, rounded to the decimals of a printed one, that printed one?
fn agrees_as_printed(value: f64, printed: &str) -> bool {
    let decimals = printed
        .split_once('.')
        .map_or(0, |(_, decimals)| decimals.len());
    format!("{value:.decimals$}") == printed
}

#[cfg(test)]
mod tests {
    use super::agrees_as_printed;

    #[test]
    fn agreement_is_to_the_printed_digit() {
        assert!(agrees_as_printed(1.24449, "1.244"));
        assert!(!agrees_as_printed(1.24451, "1.244"));
        assert!(agrees_as_printed(0.636_04, "0.6360"));
        assert!(agrees_as_printed(12.4, "12"));
    }
}
