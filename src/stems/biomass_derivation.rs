//! How the biomass of one tree comes about, in lines of plain text.
//!
//! In: a set, the chosen equations, a tree. Out: lines for people; the numbers are those of
//! `biomass`, worked out by the same code.

use crate::math::digits::six_digits;
use crate::species::biomass::{
    BiomassEquation, BiomassRows, BiomassSet, ComponentRows, NationalSet,
};
use crate::species::choose::Chosen;
use crate::species::equation::Model;
use crate::species::form::Form;
use crate::species::national::NationalEquations;
use crate::species::set::VolumeSet;
use crate::stems::biomass::{BiomassInput, StemBiomass};
use crate::stems::derivation::choice_line;

impl BiomassSet {
    /// The derivation of [`BiomassSet::tree`] for the same arguments.
    pub fn derivation(&self, equation: &BiomassEquation, tree: &BiomassInput) -> Vec<String> {
        let Some(found) = self.tree(equation, tree) else {
            return vec!["without a height this set gives no biomass".to_owned()];
        };
        let mut lines = match (self, &equation.rows) {
            (BiomassSet::Components(set), BiomassRows::Components(rows)) => {
                set.component_lines(&equation.chosen, rows, tree)
            }
            (
                BiomassSet::National(national),
                BiomassRows::National {
                    equations,
                    province,
                },
            ) => national.lines(&equation.chosen, equations, province.as_deref(), tree),
            _ => Vec::new(),
        };
        lines.extend(result_lines(&found));
        lines.push(match (self, self.carbon_fraction()) {
            _ if equation.carbon_of_design => "carbon fraction: given in the design".to_owned(),
            (BiomassSet::National(national), _) => {
                let by = match tree.decay_class {
                    Some(class) => format!("decay class {class}"),
                    None => "species".to_owned(),
                };
                format!("carbon fraction: by {by}, {}", national.wood.title)
            }
            (_, Some(own)) => format!("carbon fraction: {}", own.source),
            (_, None) => "carbon fraction: none".to_owned(),
        });
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
    fn component_lines(
        &self,
        chosen: &Chosen,
        rows: &ComponentRows,
        tree: &BiomassInput,
    ) -> Vec<String> {
        let units = &self.head.units;
        let mut lines = vec![
            format!("biomass set: {}, {}", self.name, self.head.title),
            choice_line(chosen),
        ];
        let mut put_in = format!(
            "put in: D = {} {}",
            six_digits(tree.dbh_cm * units.dbh_per_cm),
            units.dbh
        );
        if let Some(height_m) = tree.height_m.filter(|_| self.biomass_needs_height(rows)) {
            put_in += &format!(
                ", H = {} {}",
                six_digits(height_m * units.height_per_m),
                units.height
            );
        }
        lines.push(put_in);
        let total_kg = rows
            .total
            .and_then(|row| self.mass_kg(row, tree, 0.0))
            .unwrap_or_default();
        for row in rows.all() {
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

impl NationalSet {
    /// Set, equations, and every figure in the order of the computation.
    fn lines(
        &self,
        chosen: &Chosen,
        equations: &NationalEquations,
        province: Option<&str>,
        tree: &BiomassInput,
    ) -> Vec<String> {
        let set = &self.set;
        let units = &set.head.units;
        let stem = tree.stem();
        let mut lines = vec![
            format!("biomass set: {}, {}", set.name, set.head.title),
            choice_line(chosen),
            format!(
                "put in: D = {} {}, H = {} {}",
                six_digits(stem.dbh_cm * units.dbh_per_cm),
                units.dbh,
                six_digits(stem.height_m * units.height_per_m),
                units.height
            ),
        ];
        for row in equations.all() {
            set.equation_lines(row, &mut lines);
        }
        let wood = &self.wood;
        lines.push(format!(
            "wood: {} ({})",
            wood.citation,
            wood.obtained.words()
        ));
        lines.push(format!(
            "specific gravity of wood: {} ({})",
            six_digits(equations.wood_specific_gravity),
            wood.specific_gravity
        ));
        if let Some(figures) = self.figures(equations, province, tree).figures {
            let terms = figures.terms();
            lines.extend(
                terms
                    .iter()
                    .map(|term| format!("{} = {}", term.name, six_digits(term.value))),
            );
        }
        lines
    }
}

fn result_lines(found: &StemBiomass) -> Vec<String> {
    let mass = &found.biomass;
    let carbon_fraction = if mass.total_kg > 0.0 {
        mass.carbon_kg / mass.total_kg
    } else {
        0.0
    };
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
            "carbon: {} kg x {} = {} kg",
            six_digits(mass.total_kg),
            six_digits(carbon_fraction),
            six_digits(mass.carbon_kg)
        ),
    ]
}
