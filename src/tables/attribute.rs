//! Names, units and digits of the attributes: where a unit-blind estimate gets its unit back.

use crate::estimates::Attribute;
use crate::units::{CM_PER_IN, M2_PER_HA_PER_FT2_PER_AC, ShownUnit, UnitSystem};

impl Attribute {
    /// Name in the tidy table.
    pub fn name(self) -> &'static str {
        match self {
            Attribute::Trees => "trees",
            Attribute::BasalArea => "basal_area",
            Attribute::VolumeTotal => "volume_total",
            Attribute::VolumeMerch => "volume_merch",
            Attribute::VolumeNet => "volume_net",
            Attribute::VolumeBark => "volume_bark",
            Attribute::Biomass => "biomass",
            Attribute::BiomassWood => "biomass_wood",
            Attribute::BiomassBark => "biomass_bark",
            Attribute::BiomassBranches => "biomass_branches",
            Attribute::BiomassFoliage => "biomass_foliage",
            Attribute::Carbon => "carbon",
            Attribute::Co2Equivalent => "co2_equivalent",
            Attribute::QuadraticMeanDbh => "quadratic_mean_dbh",
            Attribute::MeanHeight => "mean_height",
            Attribute::LoreyHeight => "lorey_height",
            Attribute::TopHeight => "top_height",
            Attribute::StandDensityIndex => "stand_density_index",
            Attribute::StandDensityIndexSummed => "stand_density_index_summed",
            Attribute::RelativeDensity => "relative_density",
        }
    }

    /// Name in tables that people read.
    pub fn words(self) -> &'static str {
        match self {
            Attribute::Trees => "trees",
            Attribute::BasalArea => "basal area",
            Attribute::VolumeTotal => "total volume",
            Attribute::VolumeMerch => "merch. volume",
            Attribute::VolumeNet => "net volume",
            Attribute::VolumeBark => "bark volume",
            Attribute::Biomass => "biomass above ground",
            Attribute::BiomassWood => "stem wood",
            Attribute::BiomassBark => "stem bark",
            Attribute::BiomassBranches => "branches",
            Attribute::BiomassFoliage => "foliage",
            Attribute::Carbon => "carbon",
            Attribute::Co2Equivalent => "CO2 equivalent",
            Attribute::QuadraticMeanDbh => "quadratic mean dbh",
            Attribute::MeanHeight => "mean height",
            Attribute::LoreyHeight => "Lorey height",
            Attribute::TopHeight => "top height",
            Attribute::StandDensityIndex => "SDI (Reineke)",
            Attribute::StandDensityIndexSummed => "SDI (summed)",
            Attribute::RelativeDensity => "rel. density (Curtis)",
        }
    }

    /// Name short enough for a column head.
    pub fn head(self) -> &'static str {
        match self {
            Attribute::VolumeTotal => "total vol.",
            Attribute::VolumeMerch => "merch. vol.",
            Attribute::VolumeNet => "net vol.",
            Attribute::VolumeBark => "bark vol.",
            Attribute::Biomass => "biomass",
            Attribute::Co2Equivalent => "CO2 eq.",
            other => other.words(),
        }
    }

    /// Unit of a stand total.
    pub fn total_unit(self, units: UnitSystem) -> &'static str {
        let label = self.unit(units).label;
        let base = label.split('/').next().unwrap_or(label);
        if base == "1" { "trees" } else { base }
    }

    /// Does it add up over trees, so that it can be expanded to a total?
    pub fn is_additive(self) -> bool {
        matches!(
            self,
            Attribute::Trees
                | Attribute::BasalArea
                | Attribute::VolumeTotal
                | Attribute::VolumeMerch
                | Attribute::VolumeNet
                | Attribute::VolumeBark
        ) || self.is_mass()
    }

    /// Is it a mass: biomass, one of its components, carbon?
    pub fn is_mass(self) -> bool {
        matches!(
            self,
            Attribute::Biomass
                | Attribute::BiomassWood
                | Attribute::BiomassBark
                | Attribute::BiomassBranches
                | Attribute::BiomassFoliage
                | Attribute::Carbon
                | Attribute::Co2Equivalent
        )
    }

    /// Unit in the results.
    pub fn unit(self, units: UnitSystem) -> ShownUnit {
        match self {
            Attribute::Trees
            | Attribute::StandDensityIndex
            | Attribute::StandDensityIndexSummed => units.count_per_area(),
            Attribute::BasalArea => units.basal_area_per_area(),
            Attribute::VolumeTotal
            | Attribute::VolumeMerch
            | Attribute::VolumeNet
            | Attribute::VolumeBark => units.volume_per_area(),
            Attribute::Biomass
            | Attribute::BiomassWood
            | Attribute::BiomassBark
            | Attribute::BiomassBranches
            | Attribute::BiomassFoliage
            | Attribute::Carbon
            | Attribute::Co2Equivalent => units.mass_per_area(),
            Attribute::QuadraticMeanDbh => units.diameter(),
            Attribute::MeanHeight | Attribute::LoreyHeight | Attribute::TopHeight => units.length(),
            Attribute::RelativeDensity => match units {
                UnitSystem::Metric => ShownUnit {
                    label: "m2/ha/cm^0.5",
                    from_metric: 1.0,
                },
                UnitSystem::Imperial => ShownUnit {
                    label: "ft2/ac/in^0.5",
                    from_metric: CM_PER_IN.sqrt() / M2_PER_HA_PER_FT2_PER_AC,
                },
            },
        }
    }

    /// Decimals in tables that people read.
    pub fn digits(self, units: UnitSystem) -> usize {
        let volume = matches!(
            self,
            Attribute::VolumeTotal
                | Attribute::VolumeMerch
                | Attribute::VolumeNet
                | Attribute::VolumeBark
        );
        match self {
            Attribute::StandDensityIndex | Attribute::StandDensityIndexSummed => 0,
            Attribute::RelativeDensity => 2,
            _ if volume && units == UnitSystem::Imperial => 0,
            _ => 1,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn relative_density_converts_by_the_printed_factor() {
        // Metric value = imperial value x 0.14405 (Curtis 1982, stand metrics of the estimation
        // sources; computed there with 1 m2/ha = 4.356027 ft2/ac where the exact figure is 4.356).
        let unit = Attribute::RelativeDensity.unit(UnitSystem::Imperial);
        assert!((1.0 / unit.from_metric / 0.14405 - 1.0).abs() < 5e-5);
    }
}
