//! One equation of a volume set: which species and region it serves, what it gives, its form and
//! its coefficients as printed; and the units in which its publication works.

use crate::species::form::{self, Form, Ratio};
use crate::species::taper::{self, Taper};
use crate::units::{CM_PER_IN, M_PER_FT, M3_PER_FT3};

/// The units of a publication, as factors from and to those of the program.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Units {
    /// Dbh of the form per cm.
    pub dbh_per_cm: f64,
    /// Height of the form per m.
    pub height_per_m: f64,
    /// Cubic metres in one unit of the result.
    pub m3_per_result: f64,
    /// Unit of dbh, for people.
    pub dbh: &'static str,
    /// Unit of height, for people.
    pub height: &'static str,
    /// Unit of the result, for people.
    pub result: &'static str,
}

/// Centimetres, metres, cubic metres.
pub const METRIC: Units = Units {
    dbh_per_cm: 1.0,
    height_per_m: 1.0,
    m3_per_result: 1.0,
    dbh: "cm",
    height: "m",
    result: "m3",
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

/// What an equation gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Quantity {
    /// Volume of the whole stem, on the bark basis of the set.
    Total,
    /// Volume between the fixed limits of the set.
    Merchantable,
    /// Volume of bark.
    Bark,
    /// Diameters along the stem, on the bark basis of the set.
    Profile,
    /// Share of the volume below a height.
    Ratio,
}

impl Quantity {
    /// All of them, with the word for each in the data.
    pub const NAMES: &'static [(&'static str, Quantity)] = &[
        ("total", Quantity::Total),
        ("merchantable", Quantity::Merchantable),
        ("bark", Quantity::Bark),
        ("profile", Quantity::Profile),
        ("ratio", Quantity::Ratio),
    ];

    /// The word in the data.
    pub fn name(self) -> &'static str {
        match self {
            Quantity::Total => "total",
            Quantity::Merchantable => "merchantable",
            Quantity::Bark => "bark",
            Quantity::Profile => "profile",
            Quantity::Ratio => "ratio",
        }
    }
}

/// A form with its coefficients.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Model {
    /// Gives a volume.
    Volume(Form),
    /// Gives diameters.
    Profile(Taper),
    /// Gives a share.
    Ratio(Ratio),
}

/// A form by its name, of whichever kind.
#[derive(Clone, Copy, Debug)]
pub enum FormSpec {
    /// Gives a volume.
    Volume(&'static form::Spec<Form>),
    /// Gives diameters.
    Profile(&'static form::Spec<Taper>),
    /// Gives a share.
    Ratio(&'static form::Spec<Ratio>),
}

impl FormSpec {
    /// Every form of every kind.
    pub fn all() -> impl Iterator<Item = FormSpec> {
        let volume = form::SPECS.iter().map(FormSpec::Volume);
        let profile = taper::SPECS.iter().map(FormSpec::Profile);
        volume
            .chain(profile)
            .chain(form::RATIO_SPECS.iter().map(FormSpec::Ratio))
    }

    /// The form of this name.
    pub fn named(name: &str) -> Option<FormSpec> {
        FormSpec::all().find(|spec| spec.name() == name)
    }

    /// Its name in the data.
    pub fn name(self) -> &'static str {
        match self {
            FormSpec::Volume(spec) => spec.name,
            FormSpec::Profile(spec) => spec.name,
            FormSpec::Ratio(spec) => spec.name,
        }
    }

    /// Names of its coefficients.
    pub fn coefficients(self) -> &'static [&'static str] {
        match self {
            FormSpec::Volume(spec) => spec.coefficients,
            FormSpec::Profile(spec) => spec.coefficients,
            FormSpec::Ratio(spec) => spec.coefficients,
        }
    }

    /// The formula in plain text.
    pub fn formula(self) -> &'static str {
        match self {
            FormSpec::Volume(spec) => spec.formula,
            FormSpec::Profile(spec) => spec.formula,
            FormSpec::Ratio(spec) => spec.formula,
        }
    }

    /// Can it give this quantity?
    pub fn gives(self, quantity: Quantity) -> bool {
        match self {
            FormSpec::Volume(_) => matches!(
                quantity,
                Quantity::Total | Quantity::Merchantable | Quantity::Bark
            ),
            FormSpec::Profile(_) => quantity == Quantity::Profile,
            FormSpec::Ratio(_) => quantity == Quantity::Ratio,
        }
    }

    /// The form with coefficients in the order of [`FormSpec::coefficients`].
    pub fn build(self, coefficients: &[f64]) -> Model {
        match self {
            FormSpec::Volume(spec) => Model::Volume((spec.build)(coefficients)),
            FormSpec::Profile(spec) => Model::Profile((spec.build)(coefficients)),
            FormSpec::Ratio(spec) => Model::Ratio((spec.build)(coefficients)),
        }
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
    /// `b0 = -9.985, b1 = 1.712`, as printed.
    pub fn coefficients_text(&self) -> String {
        let pairs: Vec<String> = self
            .spec
            .coefficients()
            .iter()
            .zip(&self.printed)
            .map(|(name, value)| format!("{name} = {value}"))
            .collect();
        pairs.join(", ")
    }
}
