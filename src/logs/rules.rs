//! Log rules: what a log scales, in cubic metres or in board feet.
//!
//! In: diameters inside bark and a length, each in the unit of the rule. Out: a volume. The rules
//! are typed variants; their figures are data (`species-tables/log-rules/`). A log too thin for a
//! rule scales nothing, never less than nothing.

use crate::design::CubicRule;
use crate::logs::form_class::FormClassTable;
use crate::species::set::{Obtained, Tolerance};
use crate::units::{M3_PER_FT3, basal_area_m2};

/// Quotients this close to a whole number count as it: `4.8768 m / 0.3048` is 16 ft.
const REPRESENTATION: f64 = 1e-9;

/// Volume of a log by its two ends: `V = (A_small + A_large)/2 L`, `A = pi d^2/40000` in m2.
///
/// Domain: exact for a paraboloid and a cylinder, too large for a neiloid.
/// Source: Smalian's formula, as given in any text on mensuration (from memory); checked on
/// independently computed values, metric form `pi/20000 (r1^2 + r2^2) L` with radii in cm.
pub fn smalian_m3(d_small_cm: f64, d_large_cm: f64, length_m: f64) -> f64 {
    f64::midpoint(basal_area_m2(d_small_cm), basal_area_m2(d_large_cm)) * length_m
}

/// Volume of a log by its middle: `V = A_mid L`, `A = pi d^2/40000` in m2.
///
/// Domain: exact for a paraboloid and a cylinder, too small for a neiloid.
/// Source: Huber's formula, as [`smalian_m3`].
pub fn huber_m3(d_mid_cm: f64, length_m: f64) -> f64 {
    basal_area_m2(d_mid_cm) * length_m
}

/// Volume of a log by three sections: `V = (A_small + 4 A_mid + A_large)/6 L`.
///
/// Domain: exact for cylinder, paraboloid, cone and neiloid.
/// Source: Newton's formula, as [`smalian_m3`].
pub fn newton_m3(d_small_cm: f64, d_mid_cm: f64, d_large_cm: f64, length_m: f64) -> f64 {
    let sections =
        basal_area_m2(d_small_cm) + 4.0 * basal_area_m2(d_mid_cm) + basal_area_m2(d_large_cm);
    sections / 6.0 * length_m
}

impl CubicRule {
    /// Volume of a log by this rule; the rule takes of the three diameters those that it needs.
    pub fn volume_m3(self, d_small_cm: f64, d_mid_cm: f64, d_large_cm: f64, length_m: f64) -> f64 {
        match self {
            CubicRule::Smalian => smalian_m3(d_small_cm, d_large_cm, length_m),
            CubicRule::Huber => huber_m3(d_mid_cm, length_m),
            CubicRule::Newton => newton_m3(d_small_cm, d_mid_cm, d_large_cm, length_m),
        }
    }

    /// The formula in plain text.
    pub fn formula(self) -> &'static str {
        match self {
            CubicRule::Smalian => "(A_small + A_large)/2 L",
            CubicRule::Huber => "A_mid L",
            CubicRule::Newton => "(A_small + 4 A_mid + A_large)/6 L",
        }
    }
}

/// How a rule comes to board feet. `D` is the diameter inside bark at the small end in inches,
/// `L` the length in feet.
#[derive(Clone, Debug, PartialEq)]
pub enum BoardFootForm {
    /// A square beam out of the log after slabs are taken off.
    ///
    /// Formula: `((D - slab)/divisor)^2 L`; nothing where `D <= slab`.
    /// Source: Doyle's rule, `((D - 4)/4)^2 L`; checked on a printed table of 105 cells.
    SlabSquare {
        /// Inches taken off for slabs and edgings.
        slab: f64,
        /// Divisor of what is left.
        divisor: f64,
    },
    /// A quadratic in the diameter.
    ///
    /// Formula: `(a D^2 + b D + c) L / per_length_ft`; nothing where that is negative.
    /// Source: Bruce & Schumacher's fit to the Scribner diagrams, `(0.79 D^2 - 2 D - 4) L/16`.
    Quadratic {
        /// Factor of `D^2`.
        a: f64,
        /// Factor of `D`.
        b: f64,
        /// Constant.
        c: f64,
        /// Length that the coefficients are for.
        per_length_ft: f64,
    },
    /// Sections of a fixed length from the small end, each thicker than the one before.
    ///
    /// Formula: `kerf (a d^2 + b d)` for a whole section of small-end diameter `d`, where
    /// `d = D, D + taper, D + 2 taper ...`; a part section at the large end in proportion to its
    /// length. A section that comes out negative counts as nothing.
    /// Source: International rule; sections of 4 ft, taper 1/2 inch, `0.22 d^2 - 0.71 d` for a
    /// kerf of 1/8 inch, times 0.905 for 1/4 inch.
    Sections {
        /// Factor of `d^2`.
        a: f64,
        /// Factor of `d`.
        b: f64,
        /// Factor for the saw kerf.
        kerf: f64,
        /// Length of a section.
        section_ft: f64,
        /// By how much each section is thicker than the one above it.
        taper_in: f64,
    },
    /// A printed table of factors by whole inches and bands of length.
    ///
    /// Formula: `factor(D, band of L) L`.
    /// Source: the Scribner factor table.
    Factors(FactorTable),
}

/// Board feet per foot of length, by small-end diameter and band of length.
#[derive(Clone, Debug, PartialEq)]
pub struct FactorTable {
    /// First and last whole foot of each band, in order.
    pub bands_ft: Vec<[f64; 2]>,
    /// Small-end diameter of the first row, in.
    pub first_dib_in: usize,
    /// One row per inch, each as long as `bands_ft`.
    pub factors: Vec<Vec<f64>>,
}

impl FactorTable {
    /// The factor for a whole-inch diameter and a length; below the table nothing, `None` beyond
    /// its last row or its last band.
    fn factor(&self, dib_in: f64, length_ft: f64) -> Option<f64> {
        let [_, longest] = *self.bands_ft.last()?;
        if length_ft > longest + REPRESENTATION {
            return None;
        }
        let band = self
            .bands_ft
            .iter()
            .rposition(|[from, _]| length_ft + REPRESENTATION >= *from)
            .unwrap_or(0);
        let row = dib_in.round() - self.first_dib_in as f64;
        if row < 0.0 {
            return Some(0.0);
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "whole and not negative; the cast saturates"
        )]
        let row = self.factors.get(row as usize)?;
        Some(row[band])
    }

    /// The longest log in ft.
    pub fn longest_ft(&self) -> f64 {
        self.bands_ft.last().map_or(0.0, |[_, to]| *to)
    }
}

impl BoardFootForm {
    /// Board feet, not rounded; `None` where a table does not reach, or a size is not a number.
    /// A factor table takes the nearest whole inch.
    pub fn board_feet(&self, dib_in: f64, length_ft: f64) -> Option<f64> {
        if !(dib_in.is_finite() && length_ft.is_finite()) {
            return None;
        }
        if dib_in <= 0.0 || length_ft <= 0.0 {
            return Some(0.0);
        }
        match self {
            BoardFootForm::SlabSquare { slab, divisor } => {
                let side = ((dib_in - slab) / divisor).max(0.0);
                Some(side * side * length_ft)
            }
            BoardFootForm::Quadratic {
                a,
                b,
                c,
                per_length_ft,
            } => {
                let value = (a * dib_in * dib_in + b * dib_in + c) * length_ft / per_length_ft;
                Some(value.max(0.0))
            }
            BoardFootForm::Sections {
                a,
                b,
                kerf,
                section_ft,
                taper_in,
            } => {
                let mut left_ft = length_ft;
                let mut d = dib_in;
                let mut sum = 0.0;
                while left_ft > REPRESENTATION {
                    let share = (left_ft / section_ft).min(1.0);
                    sum += share * (kerf * (a * d * d + b * d)).max(0.0);
                    left_ft -= section_ft;
                    d += taper_in;
                }
                Some(sum)
            }
            BoardFootForm::Factors(table) => Some(table.factor(dib_in, length_ft)? * length_ft),
        }
    }

    /// The formula in plain text, with its figures.
    pub fn formula(&self) -> String {
        match self {
            BoardFootForm::SlabSquare { slab, divisor } => {
                format!("((D - {slab})/{divisor})^2 L")
            }
            BoardFootForm::Quadratic {
                a,
                b,
                c,
                per_length_ft,
            } => format!(
                "({a} D^2 {} D {}) L/{per_length_ft}",
                signed(*b),
                signed(*c)
            ),
            BoardFootForm::Sections {
                a,
                b,
                kerf,
                section_ft,
                taper_in,
            } => format!(
                "{kerf} ({a} d^2 {} d) per {section_ft}-ft section from the small end, d growing \
                 by {taper_in} in each, a part section in proportion",
                signed(*b)
            ),
            BoardFootForm::Factors(table) => {
                let bands: Vec<String> = table
                    .bands_ft
                    .iter()
                    .map(|[from, to]| format!("{from} to {to}"))
                    .collect();
                format!("factor(D, L) L, factors for {} ft", bands.join(", "))
            }
        }
    }
}

/// `+ 2` or `- 2`.
fn signed(value: f64) -> String {
    let sign = if value < 0.0 { '-' } else { '+' };
    format!("{sign} {}", value.abs())
}

/// Rounds to the nearest multiple, halves up.
pub fn round_half_up(value: f64, multiple: f64) -> f64 {
    (value / multiple + 0.5 + REPRESENTATION).floor() * multiple
}

/// What kind of rule it is.
#[derive(Clone, Debug, PartialEq)]
pub enum RuleKind {
    /// Board feet of a log.
    BoardFeet(BoardFootForm),
    /// Cubic volume of a log.
    Cubic(CubicRule),
    /// Board feet of a tree by dbh, number of logs and form class.
    FormClass(FormClassTable),
}

/// A published rule: one folder of `species-tables/log-rules/`.
#[derive(Clone, Debug)]
pub struct LogRule {
    /// Its name: that of its folder.
    pub name: String,
    /// What it is.
    pub title: String,
    /// The publication.
    pub citation: String,
    /// How the figures were obtained.
    pub obtained: Obtained,
    /// More on how they were obtained.
    pub obtained_note: Option<String>,
    /// The rule itself.
    pub kind: RuleKind,
    /// Board feet to the nearest multiple of which a log is rounded, halves up; not at all if none.
    pub round_to_bf: Option<f64>,
    /// What it is known to get wrong.
    pub error: Option<String>,
    /// Caveats.
    pub notes: Vec<String>,
    /// Its check values.
    pub checks: Vec<LogCheck>,
}

impl LogRule {
    /// The board-foot form, if it is a rule for the board feet of logs.
    pub fn board_foot_form(&self) -> Option<&BoardFootForm> {
        match &self.kind {
            RuleKind::BoardFeet(form) => Some(form),
            RuleKind::Cubic(_) | RuleKind::FormClass(_) => None,
        }
    }

    /// Formula in plain text.
    pub fn formula(&self) -> String {
        match &self.kind {
            RuleKind::BoardFeet(form) => form.formula(),
            RuleKind::Cubic(rule) => rule.formula().to_owned(),
            RuleKind::FormClass(table) => table.formula(),
        }
    }

    /// Unit of its result.
    pub fn unit(&self) -> LogUnit {
        match self.kind {
            RuleKind::Cubic(_) => LogUnit::CubicMetres,
            RuleKind::BoardFeet(_) | RuleKind::FormClass(_) => LogUnit::BoardFeet,
        }
    }
}

/// Unit of a log's volume.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LogUnit {
    /// m3.
    CubicMetres,
    /// ft3; in check values only.
    CubicFeet,
    /// Board feet of the rule.
    BoardFeet,
}

impl LogUnit {
    /// All of them, with the words in the data.
    pub const NAMES: &'static [(&'static str, LogUnit)] = &[
        ("m3", LogUnit::CubicMetres),
        ("ft3", LogUnit::CubicFeet),
        ("board feet", LogUnit::BoardFeet),
    ];

    /// The words in the data.
    pub fn words(self) -> &'static str {
        match self {
            LogUnit::CubicMetres => "m3",
            LogUnit::CubicFeet => "ft3",
            LogUnit::BoardFeet => "board feet",
        }
    }

    /// What a result in m3 or board feet must be multiplied by.
    pub(super) fn per_result(self) -> f64 {
        match self {
            LogUnit::CubicFeet => 1.0 / M3_PER_FT3,
            LogUnit::CubicMetres | LogUnit::BoardFeet => 1.0,
        }
    }
}

/// A value against which a rule is checked.
#[derive(Clone, Debug, PartialEq)]
pub struct LogCheck {
    /// What is scaled.
    pub of: Scaled,
    /// The value as printed.
    pub printed: String,
    /// The same as a number.
    pub value: f64,
    /// Its unit.
    pub unit: LogUnit,
    /// How close ours must be.
    pub tolerance: Tolerance,
    /// `published` or `computed independently`.
    pub status: String,
    /// Where it is printed.
    pub printed_where: String,
    /// Line in the table, from 1.
    pub line: usize,
}

/// What a check value is of.
#[derive(Clone, Debug, PartialEq)]
pub enum Scaled {
    /// A log.
    Log {
        /// Small-end diameter inside bark.
        d_small_cm: f64,
        /// Diameter at the middle.
        d_mid_cm: Option<f64>,
        /// Large-end diameter.
        d_large_cm: Option<f64>,
        /// Length.
        length_m: f64,
        /// Rounded the way the rule is printed?
        rounded: bool,
    },
    /// A tree of a form-class table.
    Tree {
        /// Rule of the table.
        rule: String,
        /// Dbh.
        dbh_in: f64,
        /// Number of 16-ft logs.
        logs_16ft: f64,
        /// Girard form class.
        form_class: f64,
    },
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn international() -> BoardFootForm {
        BoardFootForm::Sections {
            a: 0.22,
            b: -0.71,
            kerf: 0.905,
            section_ft: 4.0,
            taper_in: 0.5,
        }
    }

    fn doyle() -> BoardFootForm {
        BoardFootForm::SlabSquare {
            slab: 4.0,
            divisor: 4.0,
        }
    }

    #[test]
    fn a_log_too_thin_scales_nothing() {
        // ((D - 4)/4)^2 rises again below 4 in; 0.22 d^2 - 0.71 d is negative below 3.2 in.
        for dib_in in [-1.0, 0.0, 1.0, 3.0, 4.0] {
            assert_eq!(doyle().board_feet(dib_in, 16.0), Some(0.0));
        }
        assert_eq!(international().board_feet(1.0, 4.0), Some(0.0));
        assert_eq!(international().board_feet(10.0, 0.0), Some(0.0));
        assert_eq!(international().board_feet(f64::NAN, 16.0), None);
    }

    #[test]
    fn sections_are_the_written_out_sum() {
        // 10 in and 14 ft: sections at 10, 10.5, 11 in and half of one at 11.5 in, summed by hand.
        let section = |d: f64| 0.905 * (0.22 * d * d - 0.71 * d);
        let by_hand = section(10.0) + section(10.5) + section(11.0) + 0.5 * section(11.5);
        let ours = international().board_feet(10.0, 14.0).unwrap();
        assert!((ours - by_hand).abs() < 1e-12);
        // 16 ft by way of metres is four sections, not five.
        let metres = 4.8768 / 0.3048;
        let whole = international().board_feet(10.0, 16.0).unwrap();
        assert!((international().board_feet(10.0, metres).unwrap() - whole).abs() < 1e-9);
    }

    #[test]
    fn tables_end_where_they_end() {
        let table = FactorTable {
            bands_ft: vec![[1.0, 15.0], [16.0, 31.0], [32.0, 40.0]],
            first_dib_in: 6,
            factors: vec![vec![1.16, 1.249, 1.57], vec![1.4, 1.608, 1.8]],
        };
        assert_eq!(table.factor(6.0, 15.9), Some(1.16));
        assert_eq!(table.factor(6.0, 16.0), Some(1.249));
        assert_eq!(table.factor(6.0, 4.8768 / 0.3048), Some(1.249));
        assert_eq!(table.factor(7.4, 40.0), Some(1.8));
        assert_eq!(table.factor(5.0, 16.0), Some(0.0));
        assert_eq!(table.factor(8.0, 16.0), None);
        assert_eq!(table.factor(7.0, 40.5), None);
    }

    #[test]
    fn halves_round_up() {
        // The printed Doyle table has 14 for 13.5, for example.
        assert_eq!(round_half_up(13.5, 1.0).to_bits(), 14.0_f64.to_bits());
        assert_eq!(round_half_up(22.5, 5.0).to_bits(), 25.0_f64.to_bits());
        assert_eq!(round_half_up(44.99, 10.0).to_bits(), 40.0_f64.to_bits());
    }

    proptest! {
        #[test]
        fn thicker_and_longer_logs_never_scale_less(
            dib_in in 1.0_f64..60.0, more in 0.0_f64..10.0, length_ft in 1.0_f64..40.0, longer in 0.0_f64..10.0,
        ) {
            let quadratic = BoardFootForm::Quadratic { a: 0.79, b: -2.0, c: -4.0, per_length_ft: 16.0 };
            for form in [international(), doyle(), quadratic] {
                let log = form.board_feet(dib_in, length_ft).unwrap();
                prop_assert!(log >= 0.0);
                prop_assert!(form.board_feet(dib_in + more, length_ft).unwrap() >= log - 1e-9);
                prop_assert!(form.board_feet(dib_in, length_ft + longer).unwrap() >= log - 1e-9);
            }
        }

        #[test]
        fn the_cubic_rules_on_solids_of_known_volume(
            d_large in 5.0_f64..100.0, share in 0.05_f64..1.0, length_m in 0.5_f64..20.0,
        ) {
            // Frustum of a cone: pi/12 L (D^2 + D d + d^2). Geometry.
            let d_small = d_large * share;
            let cone = std::f64::consts::PI / 120_000.0 * length_m
                * (d_large * d_large + d_large * d_small + d_small * d_small);
            let d_mid = f64::midpoint(d_large, d_small);
            prop_assert!((newton_m3(d_small, d_mid, d_large, length_m) / cone - 1.0).abs() < 1e-12);
            prop_assert!(huber_m3(d_mid, length_m) <= cone * (1.0 + 1e-12));
            prop_assert!(smalian_m3(d_small, d_large, length_m) >= cone * (1.0 - 1e-12));
            // Frustum of a paraboloid: mean of the end areas; all three rules are exact.
            let d_mid = f64::midpoint(d_large * d_large, d_small * d_small).sqrt();
            let paraboloid = smalian_m3(d_small, d_large, length_m);
            prop_assert!((huber_m3(d_mid, length_m) / paraboloid - 1.0).abs() < 1e-12);
            prop_assert!((newton_m3(d_small, d_mid, d_large, length_m) / paraboloid - 1.0).abs() < 1e-12);
        }
    }
}
