//! Cutting a stem into logs.
//!
//! In: a stem as diameters inside bark along its height, and the rules of the design. Out: its
//! logs with their volumes, and what is left over. From the stump up, at each place the first
//! product in order of preference is cut that fits, in the longest of its lengths that fits: thick
//! enough at the top of the nominal length, and length and trim end below the tip or the break.
//! Where nothing fits, the rest is top. Logs are scaled on their nominal length; trim is waste.
//!
//! Source: common practice, no source.

use crate::design::{CubicRule, ScaleDiameter, ScaleLength};
use crate::logs::rules::{BoardFootForm, round_half_up};
use crate::species::SpeciesId;
use crate::units::{CM_PER_IN, M_PER_FT};

/// Lengths are compared to a billionth of a metre: sums of decimals miss it by their representation.
const REPRESENTATION: f64 = 1e-9;

/// The rules of the design, ready to be used.
#[derive(Clone, Debug, PartialEq)]
pub struct LogPlan {
    /// Height of the stump.
    pub stump_m: f64,
    /// Rule for cubic volumes.
    pub cubic_rule: CubicRule,
    /// Rules for board feet.
    pub board_feet: Vec<BoardFootRule>,
    /// How diameters are taken for board feet.
    pub scale_diameter: ScaleDiameter,
    /// How lengths are taken for board feet.
    pub scale_length: ScaleLength,
    /// Products in order of preference.
    pub products: Vec<ProductRule>,
}

/// A rule for board feet with its rounding.
#[derive(Clone, Debug, PartialEq)]
pub struct BoardFootRule {
    /// Its name.
    pub name: String,
    /// The publication.
    pub citation: String,
    /// The rule.
    pub form: BoardFootForm,
    /// Multiple to which each log is rounded, halves up; not at all if none.
    pub round_to_bf: Option<f64>,
}

/// What a log must be to be a product.
#[derive(Clone, Debug, PartialEq)]
pub struct ProductRule {
    /// Its name.
    pub name: String,
    /// Nominal lengths, the longest first; all positive.
    pub lengths_m: Vec<f64>,
    /// Length left on top of the nominal length.
    pub trim_m: f64,
    /// Least diameter inside bark at the top of the nominal length.
    pub min_top_dib_cm: f64,
    /// Trees thinner than this give none.
    pub min_dbh_cm: Option<f64>,
    /// Species that give it; empty for all.
    pub species: Vec<SpeciesId>,
    /// Do dead trees give none?
    pub live_only: bool,
}

/// A stem to be cut.
pub struct Stem<'a> {
    /// Diameter inside bark in cm at a height in m above ground.
    pub dib_cm_at: &'a dyn Fn(f64) -> f64,
    /// Volume inside bark in m3 between two heights in m above ground.
    pub volume_m3_between: &'a dyn Fn(f64, f64) -> f64,
    /// Height of the tip of the unbroken stem.
    pub tip_m: f64,
    /// Height of the break, if it is broken.
    pub break_m: Option<f64>,
}

/// What a product may depend on besides the stem.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OfTree {
    /// Its species.
    pub species: SpeciesId,
    /// Is it alive?
    pub live: bool,
}

/// One log.
#[derive(Clone, Debug, PartialEq)]
pub struct Log {
    /// Index into the products.
    pub product: usize,
    /// Height of its large end above ground.
    pub bottom_m: f64,
    /// Nominal length.
    pub length_m: f64,
    /// Trim above the nominal length.
    pub trim_m: f64,
    /// Diameter inside bark at the top of the nominal length.
    pub d_small_cm: f64,
    /// Diameter inside bark at the middle of the nominal length.
    pub d_mid_cm: f64,
    /// Diameter inside bark at the bottom.
    pub d_large_cm: f64,
    /// Gross volume of the nominal length by the cubic rule.
    pub volume_m3: f64,
    /// Gross board feet by each rule of the plan; `None` where the rule's table does not reach.
    pub board_feet: Vec<Option<f64>>,
}

impl Log {
    /// Height at which the next log may begin.
    pub fn end_m(&self) -> f64 {
        self.bottom_m + self.length_m + self.trim_m
    }
}

/// A stem after it was cut. The four volumes are integrals of the stem; they add up to it, from the
/// ground to the tip or the break.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Bucked {
    /// Its logs from the bottom up.
    pub logs: Vec<Log>,
    /// Below the stump height.
    pub stump_m3: f64,
    /// In the nominal lengths of the logs.
    pub logs_m3: f64,
    /// In the trim.
    pub trim_m3: f64,
    /// Above the last log.
    pub top_m3: f64,
}

/// What is left of a gross volume after defect: `gross (1 - defect/100)`.
///
/// Source: common practice, no source. The defect of a tree is spread evenly over its logs.
pub fn net(gross: f64, defect_pct: f64) -> f64 {
    gross * (1.0 - defect_pct / 100.0)
}

impl ProductRule {
    /// May a tree of this dbh, species and status give it?
    fn allows(&self, dbh_cm: f64, tree: OfTree) -> bool {
        self.min_dbh_cm.is_none_or(|least| dbh_cm >= least)
            && (self.species.is_empty() || self.species.contains(&tree.species))
            && (tree.live || !self.live_only)
    }
}

impl LogPlan {
    /// Cuts a stem.
    pub fn buck(&self, stem: &Stem<'_>, dbh_cm: f64, tree: OfTree) -> Bucked {
        let top_m = stem.break_m.map_or(stem.tip_m, |m| m.min(stem.tip_m));
        let allowed: Vec<(usize, &ProductRule)> = self
            .products
            .iter()
            .enumerate()
            .filter(|(_, product)| product.allows(dbh_cm, tree))
            .collect();
        let mut bucked = Bucked::default();
        let mut at_m = self.stump_m.min(top_m);
        bucked.stump_m3 = (stem.volume_m3_between)(0.0, at_m);
        while let Some(log) = self.log_at(at_m, top_m, &allowed, stem) {
            let nominal_end_m = log.bottom_m + log.length_m;
            at_m = log.end_m().min(top_m);
            bucked.logs_m3 += (stem.volume_m3_between)(log.bottom_m, nominal_end_m);
            if log.trim_m > 0.0 {
                bucked.trim_m3 += (stem.volume_m3_between)(nominal_end_m, at_m);
            }
            bucked.logs.push(log);
        }
        bucked.top_m3 = (stem.volume_m3_between)(at_m, top_m);
        bucked
    }

    /// The log that is cut at a height, if any fits.
    fn log_at(
        &self,
        at_m: f64,
        top_m: f64,
        allowed: &[(usize, &ProductRule)],
        stem: &Stem<'_>,
    ) -> Option<Log> {
        let fits = |product: &ProductRule, length_m: f64| {
            at_m + length_m + product.trim_m <= top_m + REPRESENTATION
                && (stem.dib_cm_at)(at_m + length_m) >= product.min_top_dib_cm
        };
        let (index, product, length_m) = allowed.iter().find_map(|(index, product)| {
            let mut lengths = product.lengths_m.iter();
            let length_m = lengths.find(|length_m| fits(product, **length_m))?;
            Some((*index, *product, *length_m))
        })?;
        let d_small_cm = (stem.dib_cm_at)(at_m + length_m);
        let d_mid_cm = (stem.dib_cm_at)(at_m + length_m / 2.0);
        let d_large_cm = (stem.dib_cm_at)(at_m);
        Some(Log {
            product: index,
            bottom_m: at_m,
            length_m,
            trim_m: product.trim_m,
            d_small_cm,
            d_mid_cm,
            d_large_cm,
            volume_m3: self
                .cubic_rule
                .volume_m3(d_small_cm, d_mid_cm, d_large_cm, length_m),
            board_feet: self
                .board_feet
                .iter()
                .map(|rule| self.board_feet_of(rule, d_small_cm, length_m))
                .collect(),
        })
    }

    /// Small-end diameter in inches and length in feet as they are taken for board feet.
    pub fn taken(&self, d_small_cm: f64, length_m: f64) -> (f64, f64) {
        let dib_in = d_small_cm / CM_PER_IN;
        let dib_in = match self.scale_diameter {
            ScaleDiameter::NearestInch => round_half_up(dib_in, 1.0),
            ScaleDiameter::InchBelow => (dib_in + REPRESENTATION).floor(),
            ScaleDiameter::AsIs => dib_in,
        };
        let length_ft = length_m / M_PER_FT;
        let length_ft = match self.scale_length {
            ScaleLength::AsIs => length_ft,
            ScaleLength::WholeFoot => (length_ft + REPRESENTATION).floor(),
        };
        (dib_in, length_ft)
    }

    /// Gross board feet of a log by a rule, its diameter and length taken as the design says.
    pub fn board_feet_of(
        &self,
        rule: &BoardFootRule,
        d_small_cm: f64,
        length_m: f64,
    ) -> Option<f64> {
        let (dib_in, length_ft) = self.taken(d_small_cm, length_m);
        let exact = rule.form.board_feet(dib_in, length_ft)?;
        Some(match rule.round_to_bf {
            Some(multiple) => round_half_up(exact, multiple),
            None => exact,
        })
    }
}
