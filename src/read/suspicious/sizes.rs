//! Sizes that do not fit the species, each other, or the other trees of the cruise.

use super::{Cruise, plausible};
use crate::diagnostic::{Diagnostic, Problems};
use crate::read::trees::{TreeRow, TreeSheet};
use crate::records::Rule;
use crate::species::{Species, SpeciesId};
use crate::units::{CM_PER_IN, M_PER_FT, UnitSystem};

/// Middle and spread of the logarithms of some positive numbers, both robust against outliers.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Cloud {
    median: f64,
    spread: f64,
}

/// A cloud of fewer numbers says nothing.
const LEAST_CLOUD: usize = 8;
/// Least spreads (of logarithms) of dbh, height and their ratio: stands may be more even than a
/// slip-finder should trust.
const LEAST_SPREADS: [f64; 3] = [0.4, 0.3, 0.2];
/// From so many spreads away a value is odd.
const ODD: f64 = 4.5;
/// Within so many spreads a corrected value fits.
const FITS: f64 = 2.5;

impl Cloud {
    /// Median and 1.4826 times the median absolute deviation.
    ///
    /// Source of the factor: it makes the deviation equal to the standard deviation of a normal
    /// distribution (from memory).
    fn of(mut logs: Vec<f64>, least_spread: f64) -> Option<Self> {
        const TO_STANDARD_DEVIATION: f64 = 1.4826;
        if logs.len() < LEAST_CLOUD {
            return None;
        }
        let median = median(&mut logs);
        let mut deviations: Vec<f64> = logs.iter().map(|log| (log - median).abs()).collect();
        let spread = self::median(&mut deviations) * TO_STANDARD_DEVIATION;
        Some(Cloud {
            median,
            spread: spread.max(least_spread),
        })
    }

    /// How many spreads a value lies from the middle.
    fn distance(&self, value: f64) -> f64 {
        self.distance_of(value.ln())
    }

    /// The same for its logarithm.
    fn distance_of(&self, log: f64) -> f64 {
        (log - self.median).abs() / self.spread
    }
}

/// The middle value of a list that is not empty (the upper of two).
fn median(values: &mut [f64]) -> f64 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Logarithms of the sizes of one tree.
#[derive(Clone, Copy)]
struct Logs {
    dbh: f64,
    height: Option<f64>,
    ratio: Option<f64>,
}

impl Logs {
    fn of(dbh_cm: f64, height_m: Option<f64>) -> Self {
        Logs {
            dbh: dbh_cm.ln(),
            height: height_m.map(f64::ln),
            ratio: height_m.map(|height_m| ratio(dbh_cm, height_m).ln()),
        }
    }
}

/// The clouds of dbh, height and ratio of one species, or of all trees where it is rare.
#[derive(Clone, Copy, Debug, Default)]
struct Clouds {
    dbh: Option<Cloud>,
    height: Option<Cloud>,
    ratio: Option<Cloud>,
}

impl Clouds {
    fn of<'l>(trees: impl Iterator<Item = &'l Logs> + Clone) -> Self {
        let dbh = trees.clone().map(|logs| logs.dbh).collect();
        let height = trees.clone().filter_map(|logs| logs.height).collect();
        let ratio = trees.filter_map(|logs| logs.ratio).collect();
        Clouds {
            dbh: Cloud::of(dbh, LEAST_SPREADS[0]),
            height: Cloud::of(height, LEAST_SPREADS[1]),
            ratio: Cloud::of(ratio, LEAST_SPREADS[2]),
        }
    }

    fn are_complete(&self) -> bool {
        self.dbh.is_some() && self.height.is_some() && self.ratio.is_some()
    }

    fn or(self, other: Self) -> Self {
        Clouds {
            dbh: self.dbh.or(other.dbh),
            height: self.height.or(other.height),
            ratio: self.ratio.or(other.ratio),
        }
    }

    fn ratio(&self) -> Cloud {
        self.ratio.unwrap_or_else(|| Cloud {
            median: plausible::USUAL_RATIO.ln(),
            spread: plausible::USUAL_RATIO_SPREAD,
        })
    }

    fn ratio_distance(&self, dbh_cm: f64, height_m: f64) -> f64 {
        self.ratio().distance(ratio(dbh_cm, height_m))
    }

    /// Sum of the squared distances of dbh, height and ratio.
    fn misfit(&self, dbh_cm: f64, height_m: f64) -> f64 {
        let squared =
            |cloud: Option<Cloud>, value| cloud.map_or(0.0, |c| c.distance(value).powi(2));
        squared(self.dbh, dbh_cm)
            + squared(self.height, height_m)
            + self.ratio_distance(dbh_cm, height_m).powi(2)
    }
}

/// Height over dbh, m per m.
fn ratio(dbh_cm: f64, height_m: f64) -> f64 {
    100.0 * height_m / dbh_cm
}

/// What may have gone wrong: factors that put dbh and height right.
struct Slip {
    code: &'static str,
    dbh_factor: f64,
    height_factor: f64,
}

const SLIPS: [Slip; 6] = [
    Slip::dbh("decimal-slip", 0.1),
    Slip::dbh("decimal-slip", 10.0),
    Slip::dbh("inches-for-centimetres", CM_PER_IN),
    Slip::height("decimal-slip", 0.1),
    Slip::height("decimal-slip", 10.0),
    Slip::height("feet-for-metres", M_PER_FT),
];

impl Slip {
    const fn dbh(code: &'static str, dbh_factor: f64) -> Self {
        Slip {
            code,
            dbh_factor,
            height_factor: 1.0,
        }
    }

    const fn height(code: &'static str, height_factor: f64) -> Self {
        Slip {
            code,
            dbh_factor: 1.0,
            height_factor,
        }
    }

    fn is_of_dbh(&self) -> bool {
        self.height_factor.to_bits() == 1.0_f64.to_bits()
    }
}

/// Warns of sizes that do not fit.
pub(super) fn check(cruise: &Cruise, sheet: &TreeSheet, problems: &mut Problems) {
    let kinds = Kinds::of(sheet);
    let mut logs: Vec<Vec<Logs>> = vec![Vec::new(); kinds.ids.len()];
    for row in &sheet.rows {
        if let Some(dbh_cm) = row.dbh_cm {
            logs[kinds.kind(row)].push(Logs::of(dbh_cm, whole_height(row)));
        }
    }
    let mut clouds: Vec<Clouds> = logs.iter().map(|trees| Clouds::of(trees.iter())).collect();
    let lacks =
        |(of_kind, trees): (&Clouds, &Vec<Logs>)| !trees.is_empty() && !of_kind.are_complete();
    if clouds.iter().zip(&logs).any(lacks) {
        let everything = Clouds::of(logs.iter().flatten());
        for of_kind in &mut clouds {
            *of_kind = of_kind.or(everything);
        }
    }
    check_units(cruise.design.units, sheet, problems);
    let mut logs: Vec<_> = logs.iter().map(|trees| trees.iter()).collect();
    for row in &sheet.rows {
        let kind = kinds.kind(row);
        let Some(dbh_cm) = row.dbh_cm else { continue };
        // Each kind gives its logarithms in the order of the rows.
        let Some(logs) = logs[kind].next() else {
            continue;
        };
        let tree = OneTree {
            species: kinds.ids[kind].map(|id| cruise.species.get(id)),
            clouds: &clouds[kind],
            dbh_cm,
            logs,
            is_live: row.status.is_live(),
            is_swept: matches!(
                row.rule(cruise.plots).as_deref(),
                Some(Rule::AngleGauge { .. })
            ),
            units: cruise.design.units,
        };
        let finding = match whole_height(row) {
            Some(height_m) => tree.with_height(height_m, cruise.design.heights.breast_height_m),
            None => tree.without_height(),
        };
        if let Some(finding) = finding {
            let column = if finding.is_of_dbh {
                Some(sheet.columns.dbh)
            } else {
                let top = sheet.columns.height.top();
                sheet.columns.height.height.or(top)
            };
            problems.push(finding.diagnostic.at(sheet.site(row, column)));
        }
    }
}

/// Is a whole column in another unit than its head says? Of single trees that may be in range.
fn check_units(units: UnitSystem, sheet: &TreeSheet, problems: &mut Problems) {
    let live = sheet.rows.iter().filter(|row| row.status.is_live());
    let ratios = live.filter_map(|row| {
        let height_m = whole_height(row).filter(|height| *height > plausible::TALL_M)?;
        Some(ratio(row.dbh_cm?, height_m))
    });
    let mut ratios: Vec<f64> = ratios.collect();
    if ratios.len() < LEAST_CLOUD {
        return;
    }
    let middle = median(&mut ratios);
    let (least, most) = plausible::MIDDLE_RATIOS;
    if middle >= least && middle <= most {
        return;
    }
    let label = units.length().label;
    let message = format!(
        "the heights of {} live trees are {middle:.0} {label} for each {label} of dbh in their \
         middle, and {least:.0} to {most:.0} is usual",
        ratios.len()
    );
    problems.push(
        Diagnostic::warning("unlikely-units", message)
            .at(sheet.table.head_site(sheet.columns.dbh.index))
            .hint("is dbh or height in another unit than the head of its column says?"),
    );
}

/// The species of a sheet: however one is spelt, it is one kind.
struct Kinds {
    /// No species is the first.
    ids: Vec<Option<SpeciesId>>,
    of_spelling: Vec<usize>,
}

impl Kinds {
    fn of(sheet: &TreeSheet) -> Self {
        let mut ids = vec![None];
        let spellings = sheet.spellings.list.iter();
        let of_spelling = spellings
            .map(|spelling| {
                let known = ids.iter().position(|id| *id == spelling.id);
                known.unwrap_or_else(|| {
                    ids.push(spelling.id);
                    ids.len() - 1
                })
            })
            .collect();
        Kinds { ids, of_spelling }
    }

    fn kind(&self, row: &TreeRow) -> usize {
        row.species.map_or(0, |spelling| self.of_spelling[spelling])
    }
}

/// The height, unless the stem is broken.
fn whole_height(row: &TreeRow) -> Option<f64> {
    row.height_m()
        .filter(|_| row.height.broken_height_m.is_none())
}

struct Finding {
    diagnostic: Diagnostic,
    is_of_dbh: bool,
}

struct OneTree<'a> {
    species: Option<&'a Species>,
    clouds: &'a Clouds,
    dbh_cm: f64,
    logs: &'a Logs,
    is_live: bool,
    /// Was it chosen by an angle gauge?
    is_swept: bool,
    /// Units of the results, in which findings speak.
    units: UnitSystem,
}

impl OneTree<'_> {
    fn is_plausible_dbh(&self, dbh_cm: f64) -> bool {
        self.species
            .is_none_or(|s| s.plausible_max_dbh_cm <= 0.0 || dbh_cm <= s.plausible_max_dbh_cm)
    }

    fn is_plausible_height(&self, height_m: f64) -> bool {
        self.species
            .is_none_or(|s| s.plausible_max_height_m <= 0.0 || height_m <= s.plausible_max_height_m)
    }

    fn with_height(&self, height_m: f64, breast_height_m: f64) -> Option<Finding> {
        let dbh_cm = self.dbh_cm;
        // Reported as an error already.
        if height_m <= breast_height_m {
            return None;
        }
        let ratio = ratio(dbh_cm, height_m);
        // A dead tree may have lost its top unnoticed.
        let is_squat = ratio < plausible::LEAST_RATIO && self.is_live;
        // Thin trees have any ratio, but no thin tree is tall.
        let is_tall = height_m > plausible::RATIO_FROM_DBH_CM * plausible::GREATEST_RATIO / 100.0;
        let is_odd_ratio = (is_squat && dbh_cm >= plausible::RATIO_FROM_DBH_CM)
            || (is_tall && ratio > plausible::GREATEST_RATIO);
        let is_too_large = !self.is_plausible_dbh(dbh_cm) || !self.is_plausible_height(height_m);
        let is_odd_here = dbh_cm >= plausible::RATIO_FROM_DBH_CM
            && (self.is_live || ratio > plausible::USUAL_RATIO)
            && (self.logs.ratio).is_some_and(|log| self.clouds.ratio().distance_of(log) > ODD);
        if !is_odd_ratio && !is_too_large && !is_odd_here {
            return None;
        }
        let slip = self.likely_slip(height_m, breast_height_m);
        let (diameter, length) = (self.units.diameter(), self.units.length());
        let seen = format!(
            "dbh {}, height {}: ratio {ratio:.0} {} per {}",
            diameter.words(dbh_cm, 1),
            length.words(height_m, 1),
            length.label,
            length.label
        );
        if let Some(slip) = slip {
            let (new_dbh, new_height) = (dbh_cm * slip.dbh_factor, height_m * slip.height_factor);
            // Where there are few trees with heights, what is usual elsewhere stands in.
            let others = match self.clouds.ratio {
                Some(_) => "the other trees",
                None => "trees elsewhere",
            };
            let hint = match slip.code {
                "feet-for-metres" => {
                    format!("{height_m:.1} ft would be {new_height:.2} m, which fits {others}")
                }
                "inches-for-centimetres" => {
                    format!("{dbh_cm:.1} in would be {new_dbh:.1} cm, which fits {others}")
                }
                _ if slip.is_of_dbh() => {
                    let new_dbh = diameter.words(new_dbh, 2);
                    format!("dbh {new_dbh}? it would fit {others}")
                }
                _ => {
                    let new_height = length.words(new_height, 2);
                    format!("height {new_height}? it would fit {others}")
                }
            };
            return Some(Finding {
                diagnostic: Diagnostic::warning(slip.code, seen).hint(hint),
                is_of_dbh: slip.is_of_dbh(),
            });
        }
        if is_odd_ratio {
            let diagnostic = Diagnostic::warning("height-dbh-ratio", seen).hint(format!(
                "{} to {} is usual: is the dbh or the height a slip, or the top broken?",
                plausible::LEAST_RATIO,
                plausible::GREATEST_RATIO
            ));
            return Some(Finding {
                diagnostic,
                is_of_dbh: false,
            });
        }
        if is_too_large {
            return self.too_large(Some(height_m));
        }
        None
    }

    /// The slip that best explains the tree, if putting it right makes the tree fit.
    fn likely_slip(&self, height_m: f64, breast_height_m: f64) -> Option<&'static Slip> {
        let put_right =
            |slip: &Slip| (self.dbh_cm * slip.dbh_factor, height_m * slip.height_factor);
        SLIPS
            .iter()
            .filter(|slip| {
                let (dbh, height) = put_right(slip);
                height > breast_height_m
                    && self.is_plausible_dbh(dbh)
                    && self.is_plausible_height(height)
                    && self.clouds.ratio_distance(dbh, height) <= FITS
            })
            .map(|slip| {
                let (dbh, height) = put_right(slip);
                (self.clouds.misfit(dbh, height), slip)
            })
            // A correction must be worth it.
            .filter(|(misfit, _)| *misfit < self.clouds.misfit(self.dbh_cm, height_m) / 4.0)
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, slip)| slip)
    }

    /// A dbh alone: ten times too thick for its species here; or too thin where a gauge chose the
    /// tree, which takes few thin trees and lets each stand for many.
    fn without_height(&self) -> Option<Finding> {
        let is_thin = (self.clouds.dbh).is_some_and(|cloud| self.logs.dbh < cloud.median);
        let right = self.dbh_cm * if is_thin { 10.0 } else { 0.1 };
        if let Some(cloud) = self.clouds.dbh
            && (!is_thin || self.is_swept)
            && cloud.distance_of(self.logs.dbh) > ODD
            && cloud.distance(right) <= FITS
        {
            let diameter = self.units.diameter();
            let thick = diameter.words(self.dbh_cm, 1);
            let message = format!("dbh {thick} is far from the other trees");
            return Some(Finding {
                diagnostic: Diagnostic::warning("decimal-slip", message).hint(format!(
                    "dbh {}? it would fit them",
                    diameter.words(right, 2)
                )),
                is_of_dbh: true,
            });
        }
        self.too_large(None)
    }

    /// Larger than the species is known to grow.
    fn too_large(&self, height_m: Option<f64>) -> Option<Finding> {
        let species = self.species?;
        let is_of_dbh = !self.is_plausible_dbh(self.dbh_cm);
        let height_m = height_m.filter(|height| !self.is_plausible_height(*height));
        let (diameter, length) = (self.units.diameter(), self.units.length());
        let (what, limit) = match (is_of_dbh, height_m) {
            (true, _) => (
                format!("dbh {}", diameter.words(self.dbh_cm, 1)),
                diameter.words(species.plausible_max_dbh_cm, 0),
            ),
            (false, Some(height)) => (
                format!("height {}", length.words(height, 1)),
                length.words(species.plausible_max_height_m, 0),
            ),
            (false, None) => return None,
        };
        let message = format!(
            "{what} is more than {} is known to reach ({limit})",
            species.label()
        );
        Some(Finding {
            diagnostic: Diagnostic::warning("larger-than-species", message).hint("is it a slip?"),
            is_of_dbh,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clouds_are_robust() {
        let logs: Vec<f64> = [8.0, 9.0, 10.0, 10.0, 10.0, 11.0, 12.0, 1000.0]
            .iter()
            .map(|x: &f64| x.ln())
            .collect();
        let cloud = Cloud::of(logs, 0.2).unwrap();
        assert!((cloud.median - 10.0_f64.ln()).abs() < 1e-12);
        assert!(cloud.distance(1000.0) > 20.0);
        assert!(cloud.distance(12.0) < 1.0);
        assert_eq!(Cloud::of(vec![1.0; 7], 0.2), None);
    }
}
