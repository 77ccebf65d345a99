//! Every figure of a tree by the national-scale system as a list of names, values and units, in
//! the order of the computation.
//!
//! In: [`NationalFigures`]. Out: terms that can be printed or compared.

use crate::stems::national::{Masses, NationalFigures};
use crate::stems::national_stem::{StemParts, WoodAndBark};

/// One figure.
#[derive(Clone, Debug, PartialEq)]
pub struct Term {
    /// Its name with its unit, `gross_total_wood_ft3`; shares and ratios have none.
    pub name: String,
    /// Its value.
    pub value: f64,
}

struct Terms(Vec<Term>);

impl Terms {
    fn one(&mut self, name: &str, value: impl Into<Option<f64>>) {
        if let Some(value) = value.into() {
            let name = name.to_owned();
            self.0.push(Term { name, value });
        }
    }

    fn part(&mut self, name: &str, unit: &str, part: Option<WoodAndBark>) {
        if let Some(part) = part {
            self.one(&format!("{name}_wood_{unit}"), part.wood);
            self.one(&format!("{name}_bark_{unit}"), part.bark);
            self.one(&format!("{name}_outside_{unit}"), part.both());
        }
    }

    fn stem(&mut self, name: &str, parts: &StemParts) {
        self.part(&format!("{name}_total"), "ft3", Some(parts.total));
        self.part(&format!("{name}_stump"), "ft3", parts.stump);
        self.part(&format!("{name}_merchantable"), "ft3", parts.merchantable);
        self.part(&format!("{name}_sawlog"), "ft3", parts.sawlog);
        self.part(&format!("{name}_top"), "ft3", parts.top);
    }

    fn masses(&mut self, name: &str, masses: &Masses) {
        self.one(&format!("{name}_wood_lb"), masses.wood_lb);
        self.one(&format!("{name}_bark_lb"), masses.bark_lb);
        self.one(&format!("{name}_branch_lb"), masses.branch_lb);
        self.one(&format!("{name}_foliage_lb"), masses.foliage_lb);
        self.one(&format!("{name}_sum_lb"), masses.sum_lb());
    }
}

impl NationalFigures {
    /// Every figure that the tree has, in the order of the computation.
    pub fn terms(&self) -> Vec<Term> {
        let stem = &self.stem;
        let mut terms = Terms(Vec::new());
        terms.one("merchantable_height_ft", stem.merchantable_height_ft);
        terms.one("sawlog_height_ft", stem.sawlog_height_ft);
        terms.one("stump_ratio", stem.stump_ratio);
        terms.one("merchantable_ratio", stem.merchantable_ratio);
        terms.one("sawlog_ratio", stem.sawlog_ratio);
        terms.one("break_ratio", stem.break_ratio);
        terms.stem("gross", &stem.gross);
        terms.part("missing", "ft3", Some(stem.missing));
        terms.stem("standing", &stem.standing);
        terms.stem("sound", &stem.sound);
        terms.masses("predicted", &self.predicted);
        terms.one("predicted_total_lb", self.predicted_total_lb);
        terms.one("crown_ratio", self.crown_ratio);
        terms.one("crown_left", self.crown_left);
        terms.masses("reduced", &self.reduced);
        terms.one("reduction", self.reduction);
        terms.one("total_lb", self.total_lb);
        terms.one("difference_lb", self.difference_lb);
        terms.masses("harmonised", &self.harmonised);
        terms.one("wood_specific_gravity", self.wood_specific_gravity);
        terms.one("bark_specific_gravity", self.bark_specific_gravity);
        if let Some(parts) = &self.parts {
            terms.part("merchantable", "lb", Some(parts.merchantable));
            terms.part("stump", "lb", Some(parts.stump));
            terms.one("top_and_branches_lb", parts.top_and_branches_lb);
        }
        terms.one("carbon_fraction", self.carbon_fraction);
        terms.one("carbon_lb", self.carbon_lb);
        terms.0
    }
}
