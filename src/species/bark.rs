//! Thickness of bark: diameter inside bark over diameter outside, at breast height and along the
//! stump.
//!
//! In: a set of the folder `bark/`, whose rows have the quantity `dib`. Out: ratios, by which
//! diameters go from one bark basis to the other.

use crate::species::SpeciesId;
use crate::species::equation::{Equation, Model, Quantity};
use crate::species::form::Form;
use crate::species::set::VolumeSet;
use crate::units::M_PER_FT;

/// A set of equations for the diameter inside bark at breast height.
#[derive(Clone, Debug)]
pub struct BarkSet(VolumeSet);

impl BarkSet {
    /// The set as one of bark; the error says why it is none.
    pub fn new(set: VolumeSet) -> Result<Self, String> {
        if set.has(Quantity::DiameterInside) {
            Ok(BarkSet(set))
        } else {
            Err(format!("bark set `{}` has no row of `dib`", set.name))
        }
    }

    /// Its head, regions, rows and check values.
    pub fn set(&self) -> &VolumeSet {
        &self.0
    }

    /// The row that the publication provides for a species: its own, else its group's.
    fn row(&self, species: SpeciesId) -> Option<&Equation> {
        let serves = |group: bool| {
            self.0.equations.iter().find(move |row| {
                let covers = &self.0.entries[row.entry].covers;
                row.quantity == Quantity::DiameterInside
                    && covers.contains(&species)
                    && (covers.len() > 1) == group
            })
        };
        serves(false).or_else(|| serves(true))
    }

    /// Diameter inside bark over dbh (outside bark) at breast height, within 0 and 1; `None` where
    /// the set has no row for the species, or the row gives no such ratio for a tree of this size.
    pub fn dib_over_dob(&self, species: SpeciesId, dbh_cm: f64) -> Option<f64> {
        let Model::Direct(form) = &self.row(species)?.model else {
            return None;
        };
        let dbh = dbh_cm * self.0.head.units.dbh_per_cm;
        // The forms need no height.
        let ratio = form.value(dbh, f64::NAN) / dbh;
        (ratio > 0.0 && ratio <= 1.0).then_some(ratio)
    }

    /// Diameters outside and inside bark of the stump at a height above ground, over dbh; `None`
    /// where the set tells of breast height only, has no row, or the height is not between ground
    /// and breast height (4.5 ft).
    pub fn stump_over_dbh(&self, species: SpeciesId, height_m: f64) -> Option<(f64, f64)> {
        match &self.row(species)?.model {
            Model::Direct(Form::InsideBark(form)) => form.stump_over_dbh(height_m / M_PER_FT),
            _ => None,
        }
    }
}
