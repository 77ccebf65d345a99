//! Units: the only conversion constants of the program, and the unit suffixes that column heads
//! and design keys may carry.
//!
//! Inside the program every quantity is metric and named so (`dbh_cm`, `height_m`, `area_ha`,
//! `volume_m3`). Inputs are converted once, where they are read; outputs once, where a table is
//! made.
//!
//! Constants: the international inch, foot and acre and the avoirdupois pound are exact by
//! definition (NIST Handbook 44, appendix C; from memory).

use std::f64::consts::PI;

/// Centimetres in an inch, exact.
pub const CM_PER_IN: f64 = 2.54;
/// Metres in a foot, exact.
pub const M_PER_FT: f64 = 0.3048;
/// Square metres in a hectare, exact.
pub const M2_PER_HA: f64 = 10_000.0;
/// Square feet in an acre, exact.
pub const FT2_PER_AC: f64 = 43_560.0;
/// Hectares in an (international) acre, exact.
pub const HA_PER_AC: f64 = FT2_PER_AC * M_PER_FT * M_PER_FT / M2_PER_HA;
/// Cubic metres in a cubic foot, exact.
pub const M3_PER_FT3: f64 = M_PER_FT * M_PER_FT * M_PER_FT;
/// Pound (avoirdupois) in kg, exact.
pub const KG_PER_LB: f64 = 0.453_592_37;
/// Kilograms in a metric tonne, exact.
pub const KG_PER_T: f64 = 1000.0;
/// Pounds in a short ton, exact.
pub const LB_PER_SHORT_TON: f64 = 2000.0;
/// Mass of carbon dioxide with one unit of carbon: 44/12.
///
/// Source: IPCC 2006 guidelines for national greenhouse gas inventories, volume 4 (ratio of the
/// molecular masses 44 of CO2 and 12 of C; from memory).
pub const CO2_PER_CARBON: f64 = 44.0 / 12.0;
/// Square metres per hectare in one square foot per acre, exact.
pub const M2_PER_HA_PER_FT2_PER_AC: f64 = M_PER_FT * M_PER_FT / HA_PER_AC;

/// Basal area of a stem in m2 from its dbh in cm: `pi d^2 / 40000`.
///
/// Source: the definition of basal area; printed as pi/40000 in Brack & Wood 1998.
pub fn basal_area_m2(dbh_cm: f64) -> f64 {
    PI * dbh_cm * dbh_cm / 40_000.0
}

/// The system in which results are printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum UnitSystem {
    /// cm, m, ha, m2, m3.
    #[default]
    Metric,
    /// in, ft, ac, ft2, ft3.
    Imperial,
}

/// What a number measures; decides which suffixes are allowed and what it is converted to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dimension {
    /// Stem diameter, held in cm.
    Diameter,
    /// Height, distance, radius, length; held in m.
    Length,
    /// Ground area, held in ha.
    Area,
    /// Basal area factor, held in m2/ha.
    BasalAreaFactor,
}

/// A unit that a column head or a design key may carry as its suffix.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unit {
    /// The suffix, without the joining underscore: `cm`, `ft2_per_ac` ...
    pub suffix: &'static str,
    /// Factor to the unit in which the program holds the dimension.
    pub to_held: f64,
}

impl Dimension {
    /// The units of the dimension, the one that the program holds first.
    pub fn units(self) -> &'static [Unit] {
        const fn unit(suffix: &'static str, to_held: f64) -> Unit {
            Unit { suffix, to_held }
        }
        const DIAMETER: &[Unit] = &[unit("cm", 1.0), unit("in", CM_PER_IN), unit("mm", 0.1)];
        const LENGTH: &[Unit] = &[
            unit("m", 1.0),
            unit("ft", M_PER_FT),
            unit("dm", 0.1),
            unit("cm", 0.01),
        ];
        const AREA: &[Unit] = &[
            unit("ha", 1.0),
            unit("ac", HA_PER_AC),
            unit("m2", 1.0 / M2_PER_HA),
        ];
        const FACTOR: &[Unit] = &[
            unit("m2_per_ha", 1.0),
            unit("ft2_per_ac", M2_PER_HA_PER_FT2_PER_AC),
        ];
        match self {
            Dimension::Diameter => DIAMETER,
            Dimension::Length => LENGTH,
            Dimension::Area => AREA,
            Dimension::BasalAreaFactor => FACTOR,
        }
    }

    /// The unit with this suffix, if the dimension has it.
    pub fn unit(self, suffix: &str) -> Option<Unit> {
        self.units()
            .iter()
            .copied()
            .find(|unit| unit.suffix == suffix)
    }
}

/// How a result is shown: the unit's label in each system and the factor from the metric value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ShownUnit {
    /// Label in the tidy table and in table heads, `m3/ha` for example.
    pub label: &'static str,
    /// Multiply the metric value by this.
    pub from_metric: f64,
}

impl ShownUnit {
    /// A metric value in words, in this unit: `26.3 cm`, `10.4 in`.
    pub fn words(self, metric: f64, decimals: usize) -> String {
        format!("{:.decimals$} {}", metric * self.from_metric, self.label)
    }
}

impl UnitSystem {
    /// The word used in the design: `metric` or `imperial`.
    pub fn name(self) -> &'static str {
        match self {
            UnitSystem::Metric => "metric",
            UnitSystem::Imperial => "imperial",
        }
    }

    fn pick(self, metric: &'static str, imperial: &'static str, from_metric: f64) -> ShownUnit {
        match self {
            UnitSystem::Metric => ShownUnit {
                label: metric,
                from_metric: 1.0,
            },
            UnitSystem::Imperial => ShownUnit {
                label: imperial,
                from_metric,
            },
        }
    }

    /// Diameters: cm or in.
    pub fn diameter(self) -> ShownUnit {
        self.pick("cm", "in", 1.0 / CM_PER_IN)
    }

    /// Heights and distances: m or ft.
    pub fn length(self) -> ShownUnit {
        self.pick("m", "ft", 1.0 / M_PER_FT)
    }

    /// Ground area: ha or ac.
    pub fn area(self) -> ShownUnit {
        self.pick("ha", "ac", 1.0 / HA_PER_AC)
    }

    /// Stem volume: m3 or ft3.
    pub fn volume(self) -> ShownUnit {
        self.pick("m3", "ft3", 1.0 / M3_PER_FT3)
    }

    /// Mass of a tree: kg or lb.
    pub fn mass(self) -> ShownUnit {
        self.pick("kg", "lb", 1.0 / KG_PER_LB)
    }

    /// Mass per ground area, held in kg/ha: t/ha or short tons per acre.
    pub fn mass_per_area(self) -> ShownUnit {
        match self {
            UnitSystem::Metric => ShownUnit {
                label: "t/ha",
                from_metric: 1.0 / KG_PER_T,
            },
            UnitSystem::Imperial => ShownUnit {
                label: "short ton/ac",
                from_metric: HA_PER_AC / (LB_PER_SHORT_TON * KG_PER_LB),
            },
        }
    }

    /// Numbers per ground area: 1/ha or 1/ac.
    pub fn count_per_area(self) -> ShownUnit {
        self.pick("1/ha", "1/ac", HA_PER_AC)
    }

    /// Basal area per ground area: m2/ha or ft2/ac.
    pub fn basal_area_per_area(self) -> ShownUnit {
        self.pick("m2/ha", "ft2/ac", 1.0 / M2_PER_HA_PER_FT2_PER_AC)
    }

    /// Volume per ground area: m3/ha or ft3/ac.
    pub fn volume_per_area(self) -> ShownUnit {
        self.pick("m3/ha", "ft3/ac", HA_PER_AC / M3_PER_FT3)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn conversion_constants_match_the_printed_figures() {
        // Printed on a worked example page (vCalc, basal area per acre): 1 ft2/ac is
        // 0.22956841 m2/ha; the rest from memory.
        assert_eq!(format!("{M2_PER_HA_PER_FT2_PER_AC:.8}"), "0.22956841");
        assert_eq!(format!("{HA_PER_AC:.8}"), "0.40468564");
        assert_eq!(format!("{:.6}", 1.0 / M2_PER_HA_PER_FT2_PER_AC), "4.356000");
        assert_eq!(format!("{:.4}", HA_PER_AC / M3_PER_FT3), "14.2913");
        assert_eq!(format!("{M3_PER_FT3:.10}"), "0.0283168466");
        // 1 short ton is 907.18474 kg and 1 t/ha 0.446 short tons per acre (NIST Handbook 44,
        // appendix C; from memory).
        let short_tons = UnitSystem::Imperial.mass_per_area().from_metric;
        assert_eq!(format!("{:.5}", LB_PER_SHORT_TON * KG_PER_LB), "907.18474");
        assert_eq!(format!("{:.4}", 1000.0 * short_tons), "0.4461");
        assert_eq!(format!("{CO2_PER_CARBON:.4}"), "3.6667");
    }

    #[test]
    fn basal_area_of_a_ten_centimetre_tree() {
        assert_eq!(format!("{:.9}", basal_area_m2(10.0)), "0.007853982");
    }
}
