//! Thickness of bark: diameter inside bark over diameter outside, at breast height and along the
//! stump; and the way by it from one bark basis of a stem to the other.
//!
//! In: a set of the folder `bark/`, whose rows have the quantity `dib`. Out: ratios. The ratio of a
//! tree at breast height is held constant along its stem (common practice, no source), so that
//! diameters inside bark are those outside times the ratio, and volumes times its square.

use crate::design::Merchantable;
use crate::species::choose::{Chosen, Missing};
use crate::species::equation::{Equation, Model, Quantity};
use crate::species::form::Form;
use crate::species::set::{BarkBasis, VolumeSet};
use crate::species::{SpeciesId, SpeciesTable};
use crate::units::M_PER_FT;

/// A set of equations for the diameter inside bark at breast height.
#[derive(Clone, Debug)]
pub struct BarkSet(VolumeSet);

impl BarkSet {
    /// The set as one of bark; the error says why it is none.
    pub fn new(set: VolumeSet) -> Result<Self, String> {
        let is_ratio = |row: &&Equation| row.quantity == Quantity::DiameterInside;
        if !set.has(Quantity::DiameterInside) {
            return Err(format!("bark set `{}` has no row of `dib`", set.name));
        }
        for row in set.equations.iter().filter(is_ratio) {
            let told = match &row.model {
                _ if row.region.is_some() || row.planted => "is for a region or an origin",
                Model::Direct(form) if form.uses_height() => "needs a height",
                _ => continue,
            };
            return Err(format!(
                "bark set `{}`: the row of `{}` (line {} of the table) {told}",
                set.name, set.entries[row.entry].label, row.line
            ));
        }
        Ok(BarkSet(set))
    }

    /// Its head, regions, rows and check values.
    pub fn set(&self) -> &VolumeSet {
        &self.0
    }

    /// Index of the row that the publication provides for a species: its own, else its group's.
    pub fn row_for(&self, species: SpeciesId) -> Option<usize> {
        let serves = |group: bool| {
            self.0.equations.iter().position(|row| {
                let covers = &self.0.entries[row.entry].covers;
                row.quantity == Quantity::DiameterInside
                    && covers.contains(&species)
                    && (covers.len() > 1) == group
            })
        };
        serves(false).or_else(|| serves(true))
    }

    /// Diameter inside bark over dbh (outside bark) at breast height by a row, within 0 and 1;
    /// `None` where the row gives no such ratio for a tree of this size.
    pub fn ratio(&self, row: usize, dbh_cm: f64) -> Option<f64> {
        let Model::Direct(form) = &self.0.equations[row].model else {
            return None;
        };
        let dbh = dbh_cm * self.0.head.units.dbh_per_cm;
        // The forms need no height.
        let ratio = form.value(dbh, f64::NAN) / dbh;
        (ratio > 0.0 && ratio <= 1.0).then_some(ratio)
    }

    /// The same by the row for a species; `None` too where the set has no such row.
    pub fn dib_over_dob(&self, species: SpeciesId, dbh_cm: f64) -> Option<f64> {
        self.ratio(self.row_for(species)?, dbh_cm)
    }

    /// Diameters outside and inside bark of the stump at a height above ground, over dbh; `None`
    /// where the set tells of breast height only, has no row, or the height is not between ground
    /// and breast height (4.5 ft).
    pub fn stump_over_dbh(&self, species: SpeciesId, height_m: f64) -> Option<(f64, f64)> {
        match &self.0.equations[self.row_for(species)?].model {
            Model::Direct(Form::InsideBark(form)) => form.stump_over_dbh(height_m / M_PER_FT),
            _ => None,
        }
    }

    fn missing(&self, species: SpeciesId, table: &SpeciesTable) -> Missing {
        Missing {
            message: format!(
                "bark set `{}` has no row for {}",
                self.0.name,
                table.get(species).label()
            ),
            hint: "name a substitute in the design (`volume: substitute`; it serves volume and \
                   bark), or a bark set that has the species, of your own if need be"
                .to_owned(),
            candidates: Vec::new(),
        }
    }
}

/// The bark of one stem, by which a taper equation of one basis serves the other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StemBark {
    /// Are the diameters of the taper equation inside bark?
    pub taper_inside: bool,
    /// Diameter inside bark over diameter outside, all along the stem; `None` where the bark set
    /// gives none between 0 and 1 for the tree.
    pub dib_over_dob: Option<f64>,
}

impl StemBark {
    /// Diameters inside or outside bark over those of the taper equation; `None` where that rests
    /// on a ratio that there is not.
    ///
    /// Formula: `dib = k dob`, `k` the ratio at breast height. Domain: `0 < k <= 1`, from ground to
    /// tip. Source: common practice, no source.
    pub fn per_taper(&self, inside_bark: bool) -> Option<f64> {
        if inside_bark == self.taper_inside {
            return Some(1.0);
        }
        let ratio = self.dib_over_dob?;
        Some(if inside_bark { ratio } else { 1.0 / ratio })
    }
}

impl VolumeSet {
    /// Are the taper equations that serve its stems, its own or borrowed ones, inside bark? `None`
    /// where there are none, or that is not known, or volumes and ratios give both bases.
    fn taper_inside(&self) -> Option<bool> {
        if self.has_ratio_profiles() {
            return None;
        }
        let own = (self.main_quantity() == Quantity::Profile).then_some(self);
        match own.or(self.profiles.as_deref())?.head.bark {
            BarkBasis::Inside => Some(true),
            BarkBasis::Outside => Some(false),
            BarkBasis::Unresolved => None,
        }
    }

    /// Does merchantable volume rest on a taper equation whose basis is not that of the top?
    pub fn top_crosses_bark(&self, limits: &Merchantable) -> bool {
        let has_own_limits = self.head.serves_limits(limits)
            || (self.head.fixed_limits.is_empty() && self.has(Quantity::Share));
        let by_taper = self.main_quantity() == Quantity::Profile || !has_own_limits;
        by_taper && self.taper_inside() == Some(!limits.top_inside_bark)
    }

    /// Does anything asked for take stems to the other bark basis: logs cut from stems outside bark,
    /// or such a top?
    pub fn crosses_bark(&self, limits: Option<&Merchantable>, logs: bool) -> bool {
        (logs && self.taper_inside() == Some(false))
            || limits.is_some_and(|limits| self.top_crosses_bark(limits))
    }

    /// Adds the row of the bark set to a choice made for a species or its substitute: that of the
    /// species itself, else of the substitute, else of the one species whose equation stands in.
    /// Nothing happens where the set has no bark set, or no taper equation serves the species.
    pub fn add_bark(
        &self,
        chosen: &mut Chosen,
        own: SpeciesId,
        table: &SpeciesTable,
    ) -> Result<(), Missing> {
        let Some(bark) = &self.bark_set else {
            return Ok(());
        };
        let main = &self.equations[chosen.main];
        if main.quantity != Quantity::Profile && chosen.borrowed.is_none() {
            return Ok(());
        }
        let stands_in = match self.entries[main.entry].covers[..] {
            [one] => Some(one),
            _ => None,
        };
        let row = bark
            .row_for(own)
            .or_else(|| bark.row_for(chosen.species))
            .or_else(|| bark.row_for(stands_in?))
            .ok_or_else(|| bark.missing(own, table))?;
        let marks = [&bark.0.head.mark, &bark.0.equations[row].mark];
        let told = |mark: &String| format!("bark set {}: {mark}", bark.0.name);
        chosen.marks.extend(marks.into_iter().flatten().map(told));
        chosen.bark_ratio = Some(row);
        Ok(())
    }

    /// The bark of a stem, where the chosen equations have a row for it.
    pub fn stem_bark(&self, chosen: &Chosen, dbh_cm: f64) -> Option<StemBark> {
        let (bark, row) = self.bark_set.as_ref().zip(chosen.bark_ratio)?;
        Some(StemBark {
            taper_inside: self.taper_inside()?,
            dib_over_dob: bark.ratio(row, dbh_cm),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_basis_goes_to_the_other_and_back() {
        let outside = StemBark {
            taper_inside: false,
            dib_over_dob: Some(0.8),
        };
        let inside = StemBark {
            taper_inside: true,
            ..outside
        };
        assert_eq!(outside.per_taper(false), Some(1.0));
        assert_eq!(outside.per_taper(true), Some(0.8));
        assert_eq!(inside.per_taper(true), Some(1.0));
        assert_eq!(inside.per_taper(false), Some(1.25));
    }

    #[test]
    fn without_a_sound_ratio_only_the_own_basis_is_there() {
        let stem = StemBark {
            taper_inside: true,
            dib_over_dob: None,
        };
        assert_eq!(stem.per_taper(true), Some(1.0));
        assert_eq!(stem.per_taper(false), None);
    }
}
