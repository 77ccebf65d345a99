//! How the biomass of one tree comes about, in lines of plain text.
//!
//! In: a set, the chosen equations, a tree. Out: lines for people; the numbers are those of
//! `biomass`, worked out by the same code.

use crate::math::digits::six_digits;
use crate::species::biomass::{BiomassEquation, BiomassSet};
use crate::species::equation::Model;
use crate::species::form::Form;
use crate::species::set::VolumeSet;
use crate::stems::biomass::{BiomassInput, StemBiomass};
use crate::stems::derivation::choice_line;

impl BiomassSet {
    /// The derivation of [`BiomassSet::tree`] for the same arguments.
    pub fn derivation(&self, equation: &BiomassEquation, tree: &BiomassInput) -> Vec<String> {
        let Some(found) = self.tree(equation, tree) else {
            return vec!["without a height this set gives no biomass".to_owned()];
        };
        let mut lines = match self {
            BiomassSet::Components(set) => set.component_lines(equation, tree),
        };
        lines.extend(result_lines(&found, equation.carbon_fraction));
        let source = self.carbon_fraction().map(|own| (own.value, &own.source));
        match source {
            Some((value, source)) if value.to_bits() == equation.carbon_fraction.to_bits() => {
                lines.push(format!("carbon fraction: {source}"));
            }
            _ => lines.push("carbon fraction: given in the design".to_owned()),
        }
        if found.out_of_range {
            lines.push("outside the range of the equations: extrapolated".to_owned());
        }
        if found.decay_ignored {
            lines.push("dead: no foliage, and nothing deducted for decay".to_owned());
        }
        if found.break_ignored {
            lines.push("broken: the mass is that of the whole tree".to_owned());
        }
        lines.extend(
            equation
                .chosen
                .marks
                .iter()
                .map(|mark| format!("doubt: {mark}")),
        );
        lines
    }
}

impl VolumeSet {
    /// Set, equations and the mass that each gives for the live tree.
    fn component_lines(&self, equation: &BiomassEquation, tree: &BiomassInput) -> Vec<String> {
        let units = &self.head.units;
        let mut lines = vec![
            format!("biomass set: {}, {}", self.name, self.head.title),
            choice_line(&equation.chosen),
        ];
        let mut put_in = format!(
            "put in: D = {} {}",
            six_digits(tree.dbh_cm * units.dbh_per_cm),
            units.dbh
        );
        if let Some(height_m) = tree
            .height_m
            .filter(|_| self.biomass_needs_height(&equation.rows))
        {
            put_in += &format!(
                ", H = {} {}",
                six_digits(height_m * units.height_per_m),
                units.height
            );
        }
        lines.push(put_in);
        let total_kg = equation
            .rows
            .total
            .and_then(|row| self.mass_kg(row, tree, 0.0))
            .unwrap_or_default();
        for row in equation.rows.all() {
            self.equation_lines(row, &mut lines);
            let Some(mass_kg) = self.mass_kg(row, tree, total_kg) else {
                continue;
            };
            let name = self.equations[row].quantity.name();
            lines.push(match &self.equations[row].model {
                Model::Direct(Form::ComponentRatio { .. }) => format!(
                    "{name} = {} x {} kg = {} kg",
                    six_digits(mass_kg / total_kg),
                    six_digits(total_kg),
                    six_digits(mass_kg)
                ),
                _ => format!("{name} = {} kg", six_digits(mass_kg)),
            });
        }
        lines
    }
}

fn result_lines(found: &StemBiomass, carbon_fraction: f64) -> Vec<String> {
    let mass = &found.biomass;
    let parts: Vec<String> = [
        ("wood", mass.wood_kg),
        ("bark", mass.bark_kg),
        ("branches", mass.branch_kg),
        ("foliage", mass.foliage_kg),
    ]
    .into_iter()
    .filter_map(|(name, kg)| Some(format!("{name} {}", six_digits(kg?))))
    .collect();
    let of = if parts.is_empty() {
        String::new()
    } else {
        format!(": {}", parts.join(" + "))
    };
    vec![
        format!("biomass above ground: {} kg{of}", six_digits(mass.total_kg)),
        format!(
            "carbon: {} kg x {carbon_fraction} = {} kg",
            six_digits(mass.total_kg),
            six_digits(mass.carbon_kg)
        ),
    ]
}
