//! One equation of a volume set: which species and region it serves, what it gives, its form and
//! its coefficients as printed; and the units in which its publication works.

use crate::species::form::{self, Form};
use crate::species::ratio::{self, Ratio};
use crate::species::set::ValidRange;
use crate::species::share::{self, Share};
use crate::species::taper::{self, Taper};
use crate::units::{CM_PER_IN, KG_PER_LB, M_PER_FT, M3_PER_FT3};

/// The units of a publication, as factors from and to those of the program.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Units {
    /// Dbh of the form per cm.
    pub dbh_per_cm: f64,
    /// Height of the form per m.
    pub height_per_m: f64,
    /// Cubic metres in one unit of a volume.
    pub m3_per_result: f64,
    /// Kilograms in one unit of a mass.
    pub kg_per_result: f64,
    /// Unit of dbh, for people.
    pub dbh: &'static str,
    /// Unit of height, for people.
    pub height: &'static str,
    /// Unit of a volume, for people.
    pub result: &'static str,
    /// Unit of a mass, for people.
    pub mass: &'static str,
}

/// Centimetres, metres, cubic metres, kilograms.
pub const METRIC: Units = Units {
    dbh_per_cm: 1.0,
    height_per_m: 1.0,
    m3_per_result: 1.0,
    kg_per_result: 1.0,
    dbh: "cm",
    height: "m",
    result: "m3",
    mass: "kg",
};

/// Units that a set may name, with their size in the program's unit. Board feet have no fixed
/// size in m3: the set gives the factor of its source.
pub const DBH_UNITS: &[(&str, f64)] = &[("cm", 1.0), ("in", CM_PER_IN), ("m", 100.0)];
/// Units of height, in m.
pub const HEIGHT_UNITS: &[(&str, f64)] = &[("m", 1.0), ("ft", M_PER_FT)];
/// Units of the result, in m3; `None` where the set must give the factor.
pub const RESULT_UNITS: &[(&str, Option<f64>)] = &[
    ("m3", Some(1.0)),
    ("dm3", Some(0.001)),
    ("ft3", Some(M3_PER_FT3)),
    ("board feet", None),
];
/// Units of a mass, in kg.
pub const MASS_UNITS: &[(&str, f64)] = &[("kg", 1.0), ("lb", KG_PER_LB)];

/// What an equation gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Quantity {
    /// Volume of the whole stem, on the bark basis of the set.
    Total,
    /// Volume between the fixed limits of the set.
    Merchantable,
    /// Volume of bark.
    Bark,
    /// Volume of the whole stem with its bark, beside a total without.
    Outside,
    /// Diameters along the stem, on the bark basis of the set.
    Profile,
    /// Share of the volume below a height.
    Ratio,
    /// Share of the volume with bark below a height.
    RatioOutside,
    /// Share of the total volume between stump and top diameter.
    Share,
    /// Diameter inside bark at breast height.
    DiameterInside,
    /// Oven-dry mass of stem wood.
    WoodMass,
    /// Oven-dry mass of stem bark.
    BarkMass,
    /// Oven-dry mass of branches.
    BranchMass,
    /// Oven-dry mass of foliage.
    FoliageMass,
    /// Oven-dry mass above ground, as the set defines it.
    TotalMass,
}

/// The measure of a quantity.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Measure {
    /// A volume.
    Volume,
    /// A mass.
    Mass,
    /// A diameter.
    Diameter,
    /// A share without a unit.
    Share,
}

impl Quantity {
    /// All of them, with the word for each in the data.
    pub const NAMES: &'static [(&'static str, Quantity)] = &[
        ("total", Quantity::Total),
        ("merchantable", Quantity::Merchantable),
        ("bark", Quantity::Bark),
        ("total outside bark", Quantity::Outside),
        ("profile", Quantity::Profile),
        ("ratio", Quantity::Ratio),
        ("ratio outside bark", Quantity::RatioOutside),
        ("merchantable share", Quantity::Share),
        ("dib", Quantity::DiameterInside),
        ("wood mass", Quantity::WoodMass),
        ("bark mass", Quantity::BarkMass),
        ("branch mass", Quantity::BranchMass),
        ("foliage mass", Quantity::FoliageMass),
        ("total mass", Quantity::TotalMass),
    ];

    /// The word in the data.
    pub fn name(self) -> &'static str {
        let (name, _) = Quantity::NAMES[self as usize];
        name
    }

    /// What it is measured in.
    pub fn measure(self) -> Measure {
        match self {
            Quantity::Total | Quantity::Merchantable | Quantity::Bark | Quantity::Outside => {
                Measure::Volume
            }
            Quantity::Profile | Quantity::DiameterInside => Measure::Diameter,
            Quantity::Ratio | Quantity::RatioOutside | Quantity::Share => Measure::Share,
            Quantity::WoodMass
            | Quantity::BarkMass
            | Quantity::BranchMass
            | Quantity::FoliageMass
            | Quantity::TotalMass => Measure::Mass,
        }
    }
}

/// A form with its coefficients.
#[derive(Clone, Debug, PartialEq)]
pub enum Model {
    /// Gives a volume, a mass or a diameter straight from dbh and height.
    Direct(Form),
    /// Gives diameters.
    Profile(Taper),
    /// Gives the share below a height.
    Ratio(Ratio),
    /// Gives the merchantable share.
    Share(Share),
}

/// A form by its name, of whichever kind.
#[derive(Clone, Copy, Debug)]
pub enum FormSpec {
    /// Gives a volume, a mass or a diameter straight from dbh and height.
    Direct(&'static form::Spec<Form>),
    /// Gives diameters.
    Profile(&'static form::Spec<Taper>),
    /// Gives the share below a height.
    Ratio(&'static form::Spec<Ratio>),
    /// Gives the merchantable share.
    Share(&'static form::Spec<Share>),
    /// A formula written in the table itself.
    Formula,
}

impl FormSpec {
    /// Every form of every kind.
    pub fn all() -> impl Iterator<Item = FormSpec> {
        let direct = form::SPECS.iter().map(FormSpec::Direct);
        direct
            .chain(taper::SPECS.iter().map(FormSpec::Profile))
            .chain(ratio::SPECS.iter().map(FormSpec::Ratio))
            .chain(share::SPECS.iter().map(FormSpec::Share))
            .chain([FormSpec::Formula])
    }

    /// The form of this name.
    pub fn named(name: &str) -> Option<FormSpec> {
        FormSpec::all().find(|spec| spec.name() == name)
    }

    /// Its name in the data.
    pub fn name(self) -> &'static str {
        match self {
            FormSpec::Direct(spec) => spec.name,
            FormSpec::Profile(spec) => spec.name,
            FormSpec::Ratio(spec) => spec.name,
            FormSpec::Share(spec) => spec.name,
            FormSpec::Formula => "formula",
        }
    }

    /// Names of its coefficients; none for a formula, which has those of its text.
    pub fn coefficients(self) -> &'static [&'static str] {
        match self {
            FormSpec::Direct(spec) => spec.coefficients,
            FormSpec::Profile(spec) => spec.coefficients,
            FormSpec::Ratio(spec) => spec.coefficients,
            FormSpec::Share(spec) => spec.coefficients,
            FormSpec::Formula => &[],
        }
    }

    /// The formula in plain text.
    pub fn formula(self) -> &'static str {
        match self {
            FormSpec::Direct(spec) => spec.formula,
            FormSpec::Profile(spec) => spec.formula,
            FormSpec::Ratio(spec) => spec.formula,
            FormSpec::Share(spec) => spec.formula,
            FormSpec::Formula => "as the table gives it",
        }
    }

    /// Can it give this quantity?
    pub fn gives(self, quantity: Quantity) -> bool {
        match self {
            FormSpec::Direct(_) | FormSpec::Formula => {
                quantity == Quantity::DiameterInside
                    || matches!(quantity.measure(), Measure::Volume | Measure::Mass)
            }
            FormSpec::Profile(_) => quantity == Quantity::Profile,
            FormSpec::Ratio(_) => matches!(quantity, Quantity::Ratio | Quantity::RatioOutside),
            FormSpec::Share(_) => quantity == Quantity::Share,
        }
    }

    /// The form with coefficients in the order of [`FormSpec::coefficients`]; `None` for a
    /// formula, which is more than its coefficients.
    pub fn build(self, coefficients: &[f64]) -> Option<Model> {
        Some(match self {
            FormSpec::Direct(spec) => Model::Direct((spec.build)(coefficients)),
            FormSpec::Profile(spec) => Model::Profile((spec.build)(coefficients)),
            FormSpec::Ratio(spec) => Model::Ratio((spec.build)(coefficients)),
            FormSpec::Share(spec) => Model::Share((spec.build)(coefficients)),
            FormSpec::Formula => return None,
        })
    }
}

/// One row of a set's table of coefficients.
#[derive(Clone, Debug)]
pub struct Equation {
    /// Index into the set's species entries.
    pub entry: usize,
    /// Index into the set's regions; `None` serves wherever no row of the region itself does.
    pub region: Option<usize>,
    /// What it gives.
    pub quantity: Quantity,
    /// Does it serve planted stands only?
    pub planted: bool,
    /// Sizes of trees for which this row was made, where it has limits of its own.
    pub range: Option<ValidRange>,
    /// Form and coefficients.
    pub model: Model,
    /// The form's description.
    pub spec: FormSpec,
    /// The coefficients as printed, in the order of the form.
    pub printed: Vec<String>,
    /// What the publication gives about its error, in the order of the set's error columns.
    pub error: Vec<Option<f64>>,
    /// Something wrong or doubtful about the row that every result from it must show.
    pub mark: Option<String>,
    /// Something worth knowing about the row.
    pub note: Option<String>,
    /// Line in the table, from 1.
    pub line: usize,
}

impl Equation {
    /// The formula in plain text.
    pub fn formula(&self) -> &str {
        match &self.model {
            Model::Direct(Form::Formula(formula)) => formula.text(),
            _ => self.spec.formula(),
        }
    }

    /// Names of the coefficients, in the order of the printed ones.
    pub fn coefficient_names(&self) -> Vec<&str> {
        match &self.model {
            Model::Direct(Form::Formula(formula)) => {
                formula.coefficients().iter().map(String::as_str).collect()
            }
            _ => self.spec.coefficients().to_vec(),
        }
    }

    /// `b0 = -9.985, b1 = 1.712`, as printed.
    pub fn coefficients_text(&self) -> String {
        let pairs: Vec<String> = self
            .coefficient_names()
            .iter()
            .zip(&self.printed)
            .map(|(name, value)| format!("{name} = {value}"))
            .collect();
        pairs.join(", ")
    }
}
