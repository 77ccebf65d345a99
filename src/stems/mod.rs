//! Stems: what each tree holds.

pub mod bark_derivation;
pub mod biomass;
pub mod biomass_derivation;
pub mod checks;
pub mod derivation;
pub mod evaluation;
pub mod national;
mod national_mass;
pub mod national_stem;
pub mod national_terms;
pub mod volume;

/// What one tree holds; `None` where it cannot be said (no height, no volume set, no limits).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TreeValues {
    /// Total height used.
    pub height_m: Option<f64>,
    /// Volume of the whole stem, on the bark basis of the volume set.
    pub volume_total_m3: Option<f64>,
    /// Volume between stump and top limit.
    pub volume_merch_m3: Option<f64>,
    /// Merchantable (or else total) volume less defect.
    pub volume_net_m3: Option<f64>,
    /// Volume of bark.
    pub volume_bark_m3: Option<f64>,
    /// Oven-dry mass above ground, as the biomass set defines it.
    pub biomass_kg: Option<f64>,
    /// Of this, stem wood.
    pub biomass_wood_kg: Option<f64>,
    /// Of this, stem bark.
    pub biomass_bark_kg: Option<f64>,
    /// Of this, branches.
    pub biomass_branch_kg: Option<f64>,
    /// Of this, foliage.
    pub biomass_foliage_kg: Option<f64>,
    /// Carbon in the whole.
    pub carbon_kg: Option<f64>,
}

impl TreeValues {
    /// What the tree holds more than by `base`, value by value; `None` where either is not known.
    /// The height is left out: a difference of heights is no height.
    #[must_use]
    pub fn less(&self, base: &TreeValues) -> TreeValues {
        TreeValues {
            height_m: None,
            ..self.with(base, |value, base| value - base)
        }
    }

    /// Value by value with those of another; `None` where either is not known.
    #[must_use]
    pub fn with(&self, other: &TreeValues, make: impl Fn(f64, f64) -> f64) -> TreeValues {
        let both = |value: Option<f64>, other: Option<f64>| Some(make(value?, other?));
        TreeValues {
            height_m: both(self.height_m, other.height_m),
            volume_total_m3: both(self.volume_total_m3, other.volume_total_m3),
            volume_merch_m3: both(self.volume_merch_m3, other.volume_merch_m3),
            volume_net_m3: both(self.volume_net_m3, other.volume_net_m3),
            volume_bark_m3: both(self.volume_bark_m3, other.volume_bark_m3),
            biomass_kg: both(self.biomass_kg, other.biomass_kg),
            biomass_wood_kg: both(self.biomass_wood_kg, other.biomass_wood_kg),
            biomass_bark_kg: both(self.biomass_bark_kg, other.biomass_bark_kg),
            biomass_branch_kg: both(self.biomass_branch_kg, other.biomass_branch_kg),
            biomass_foliage_kg: both(self.biomass_foliage_kg, other.biomass_foliage_kg),
            carbon_kg: both(self.carbon_kg, other.carbon_kg),
        }
    }
}
