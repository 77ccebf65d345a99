//! Published height curves of a region, for species with too few heights of their own.
//!
//! In: the set that `read::height_curves` made of a folder `species-tables/height-curves/<set>/`.
//! Out: the curve of a species, and its height for a dbh. Coefficients stay as printed; dbh is
//! converted to the unit of the publication, the height back from it. Breast height is part of the
//! publication, whatever the design says.

use std::sync::Arc;

use crate::heights::curve::Form;
use crate::species::set::{Obtained, ValidRange};
use crate::species::{Kind, SpeciesId, SpeciesTable};

/// No tree is taller, m (the tallest known stands at some 116 m; from memory).
pub const TALLEST_M: f64 = 130.0;

/// A form in which curves are published: a [`Form`] with the coefficients under the names, and
/// with the signs, of the publication.
///
/// D is dbh and y the height above breast height, both in the units of the set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PublishedForm {
    /// `exp(b0 + b1 D^b2)`. Source: Hanus et al. 1999, Research Contributions 25 and 27; Wang &
    /// Hann 1988.
    ExpPower,
    /// `p2 exp(-p3 D^p4)`. Source: USDA Forest Service 2008 (Southern), equation 4.1.1.
    CurtisArney,
    /// `exp(b1 + b2/(D + 1))`. Source: Wykoff et al. 1982.
    Wykoff,
    /// `a exp(-b D^-c)`. Source: Moore et al. 1996.
    Lundqvist,
    /// `alpha (1 - exp(-beta D))^gamma`. Source: Barrett 2006.
    ChapmanRichards,
    /// `b0 (1 - exp(b1 D))^b2` with b1 < 0. Source: Temesgen et al. 2008.
    ChapmanRichardsSigned,
    /// `a (1 - exp(-b D^c))`. Source: Feldpausch et al. 2012, there of the total height: breast
    /// height is 0.
    Weibull,
    /// `a (1 - exp(b D^c))` with b < 0. Source: Eng 2012, likewise of the total height.
    WeibullSigned,
    /// `(D/(b1 + b2 D))^3`. Source: Sharma & Breidenbach 2015.
    NaslundCubed,
}

impl PublishedForm {
    /// All of them, with their names in the data.
    pub const NAMES: &'static [(&'static str, PublishedForm)] = &[
        ("exp-power", PublishedForm::ExpPower),
        ("curtis-arney", PublishedForm::CurtisArney),
        ("wykoff", PublishedForm::Wykoff),
        ("lundqvist", PublishedForm::Lundqvist),
        ("chapman-richards", PublishedForm::ChapmanRichards),
        (
            "chapman-richards-signed",
            PublishedForm::ChapmanRichardsSigned,
        ),
        ("weibull", PublishedForm::Weibull),
        ("weibull-signed", PublishedForm::WeibullSigned),
        ("naslund-cubed", PublishedForm::NaslundCubed),
    ];

    /// Its name in the data.
    pub fn name(self) -> &'static str {
        PublishedForm::NAMES[self as usize].0
    }

    /// Names of its coefficients, in the order of [`PublishedForm::above_breast_height`].
    pub fn coefficients(self) -> &'static [&'static str] {
        match self {
            PublishedForm::ExpPower | PublishedForm::ChapmanRichardsSigned => &["b0", "b1", "b2"],
            PublishedForm::CurtisArney => &["p2", "p3", "p4"],
            PublishedForm::Wykoff | PublishedForm::NaslundCubed => &["b1", "b2"],
            PublishedForm::Lundqvist | PublishedForm::Weibull | PublishedForm::WeibullSigned => {
                &["a", "b", "c"]
            }
            PublishedForm::ChapmanRichards => &["alpha", "beta", "gamma"],
        }
    }

    /// The formula of y as text.
    pub fn expression(self) -> &'static str {
        match self {
            PublishedForm::ExpPower => "exp(b0 + b1 D^b2)",
            PublishedForm::CurtisArney => "p2 exp(-p3 D^p4)",
            PublishedForm::Wykoff => "exp(b1 + b2/(D + 1))",
            PublishedForm::Lundqvist => "a exp(-b D^-c)",
            PublishedForm::ChapmanRichards => "alpha (1 - exp(-beta D))^gamma",
            PublishedForm::ChapmanRichardsSigned => "b0 (1 - exp(b1 D))^b2",
            PublishedForm::Weibull => "a (1 - exp(-b D^c))",
            PublishedForm::WeibullSigned => "a (1 - exp(b D^c))",
            PublishedForm::NaslundCubed => "(D/(b1 + b2 D))^3",
        }
    }

    /// y, the height above breast height, in the units of the set. `c` holds as many coefficients
    /// as [`PublishedForm::coefficients`] names.
    pub fn above_breast_height(self, dbh: f64, c: &[f64]) -> f64 {
        match self {
            PublishedForm::ExpPower => Form::ExpPower.value(dbh, c),
            PublishedForm::CurtisArney => Form::Korf.value(dbh, &[c[0], c[1], -c[2]]),
            PublishedForm::Wykoff => Form::Wykoff.value(dbh, c),
            PublishedForm::Lundqvist => Form::Korf.value(dbh, c),
            PublishedForm::ChapmanRichards => Form::ChapmanRichards.value(dbh, c),
            PublishedForm::ChapmanRichardsSigned => {
                Form::ChapmanRichards.value(dbh, &[c[0], -c[1], c[2]])
            }
            PublishedForm::Weibull => Form::Weibull.value(dbh, c),
            PublishedForm::WeibullSigned => Form::Weibull.value(dbh, &[c[0], -c[1], c[2]]),
            PublishedForm::NaslundCubed => Form::Naslund3.value(dbh, c),
        }
    }

    /// What y tends to as dbh grows without end, for coefficients by which it rises; in the units of
    /// the set. Derived from the formulas.
    pub fn asymptote(self, c: &[f64]) -> f64 {
        match self {
            PublishedForm::ExpPower | PublishedForm::Wykoff => c[0].exp(),
            PublishedForm::CurtisArney
            | PublishedForm::Lundqvist
            | PublishedForm::ChapmanRichards
            | PublishedForm::ChapmanRichardsSigned
            | PublishedForm::Weibull
            | PublishedForm::WeibullSigned => c[0],
            PublishedForm::NaslundCubed => c[1].powi(-3),
        }
    }
}

/// A unit of a publication.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PublishedUnit {
    /// Its name: `in`, `cm`, `ft`, `m`.
    pub name: &'static str,
    /// Its size in the unit that the program holds: cm for dbh, m for heights.
    pub to_held: f64,
}

/// What holds for every curve of a set that does not say otherwise.
#[derive(Clone, Debug, PartialEq)]
pub struct RegionalHead {
    /// Name of the set, that of its folder.
    pub name: String,
    /// What it is, in a line.
    pub title: String,
    /// The publication.
    pub citation: String,
    /// How the coefficients were obtained.
    pub obtained: Obtained,
    /// More on that.
    pub obtained_note: Option<String>,
    /// Where the trees grew.
    pub region: String,
    /// Form of the curves.
    pub form: PublishedForm,
    /// Unit of dbh.
    pub dbh_unit: PublishedUnit,
    /// Unit of heights.
    pub height_unit: PublishedUnit,
    /// Breast height of the publication, in its unit; 0 where the form is one of the total height.
    pub breast_height: f64,
    /// Height at which the straight line of small trees begins, in the unit of the set; only where
    /// the publication has such a line.
    pub line_start_height: Option<f64>,
    /// Range of the trees behind the curves, or that none is published.
    pub range: ValidRange,
    /// Caveats.
    pub notes: Vec<String>,
}

/// The straight line that takes the place of the curve for small trees, dbh in the unit of the set:
/// from the start height at dbh `from` to the curve at dbh `to`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SmallTreeLine {
    /// dbh at which the line has its start height.
    pub from: f64,
    /// dbh at which it meets the curve.
    pub to: f64,
    /// Height at `from`.
    pub start_height: f64,
}

/// The species that a curve is published for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Covers {
    /// A species, or a genus.
    Species(SpeciesId),
    /// Every softwood, or every hardwood, without a curve of its own.
    Kind(Kind),
    /// Every species without one.
    Any,
}

impl Covers {
    /// Names of the wider ones in the data.
    pub const NAMES: &'static [(&'static str, Covers)] = &[
        ("any softwood", Covers::Kind(Kind::Softwood)),
        ("any hardwood", Covers::Kind(Kind::Hardwood)),
        ("any", Covers::Any),
    ];

    /// Their name: `Douglas-fir (Fd)`, `any softwood`.
    pub fn label(self, table: &SpeciesTable) -> String {
        if let Covers::Species(id) = self {
            return table.get(id).label();
        }
        let name = Covers::NAMES.iter().find(|(_, known)| *known == self);
        name.map_or_else(String::new, |(name, _)| (*name).to_owned())
    }
}

/// A curve of a set.
#[derive(Clone, Debug, PartialEq)]
pub struct RegionalCurve {
    /// What holds for it: the head of the set, with the row's own form and breast height if it has
    /// any.
    pub head: Arc<RegionalHead>,
    /// Whom it serves.
    pub covers: Covers,
    /// Its name in the publication.
    pub name: String,
    /// Coefficients, as many as the form has.
    pub coefficients: Vec<f64>,
    /// The same as printed.
    pub printed: Vec<String>,
    /// The line of small trees.
    pub line: Option<SmallTreeLine>,
    /// Publication of this row, where it is not that of the set.
    pub citation: Option<String>,
    /// A doubt about the row.
    pub mark: Option<String>,
    /// Something worth knowing.
    pub note: Option<String>,
    /// Line in `coefficients.csv`.
    pub line_number: usize,
}

impl RegionalCurve {
    /// Height in the unit of the set for a dbh in the unit of the set.
    fn height(&self, dbh: f64) -> f64 {
        let head = &self.head;
        let curve =
            |dbh| head.breast_height + head.form.above_breast_height(dbh, &self.coefficients);
        match self.line {
            Some(line) if dbh < line.to => {
                let share = ((dbh - line.from) / (line.to - line.from)).max(0.0);
                line.start_height + (curve(line.to) - line.start_height) * share
            }
            _ => curve(dbh),
        }
    }

    /// Total height in m of a tree of `dbh_cm`.
    ///
    /// `H = bh + y(D)` with y of the form; below dbh `to` of the line of small trees, where one is
    /// published, `H = Hs + (H(to) - Hs) (D - from)/(to - from)`, and Hs below `from`.
    pub fn height_m(&self, dbh_cm: f64) -> f64 {
        self.height(dbh_cm / self.head.dbh_unit.to_held) * self.head.height_unit.to_held
    }

    /// Breast height of the publication in m.
    pub fn breast_height_m(&self) -> f64 {
        self.head.breast_height * self.head.height_unit.to_held
    }

    /// Height above the publication's breast height in m, the line of small trees included: the
    /// part that measured heights of a stand may raise or lower as a whole.
    pub fn above_breast_height_m(&self, dbh_cm: f64) -> f64 {
        self.height_m(dbh_cm) - self.breast_height_m()
    }

    /// The height that it tends to in m where no tree stands so tall: then the curve has no bend of
    /// the trees' own, and means nothing beyond those it was fitted to.
    pub fn impossible_asymptote_m(&self) -> Option<f64> {
        let head = &self.head;
        let height = head.breast_height + head.form.asymptote(&self.coefficients);
        Some(height * head.height_unit.to_held).filter(|height_m| *height_m > TALLEST_M)
    }

    /// Is a dbh outside the published range? Never where none is published.
    pub fn is_outside_range(&self, dbh_cm: f64) -> bool {
        let range = self.head.range.dbh_cm;
        range.is_some_and(|[low, high]| dbh_cm < low || dbh_cm > high)
    }

    /// The publication of this curve.
    pub fn citation(&self) -> &str {
        self.citation.as_deref().unwrap_or(&self.head.citation)
    }

    /// The formula with breast height and units: `H = 4.5 + exp(b0 + b1 D^b2), D in in, H in ft`.
    pub fn expression(&self) -> String {
        let head = &self.head;
        let above = match head.breast_height {
            0.0 => String::new(),
            breast_height => format!("{breast_height} + "),
        };
        format!(
            "H = {above}{}, D in {}, H in {}",
            head.form.expression(),
            head.dbh_unit.name,
            head.height_unit.name
        )
    }

    /// The coefficients by name, as printed: `b0 = 7.262195456, b1 = -5.899759104`.
    pub fn coefficients_shown(&self) -> String {
        let names = self.head.form.coefficients().iter();
        let shown: Vec<String> = names
            .zip(&self.printed)
            .map(|(name, printed)| format!("{name} = {printed}"))
            .collect();
        shown.join(", ")
    }

    /// How a height comes about, line by line.
    pub fn derivation(&self, dbh_cm: f64) -> Vec<String> {
        let head = &self.head;
        let dbh = dbh_cm / head.dbh_unit.to_held;
        let (du, hu) = (head.dbh_unit.name, head.height_unit.name);
        let mut lines = vec![
            format!(
                "published curve of {}, set {} ({})",
                self.name, head.name, head.title
            ),
            self.citation().to_owned(),
            format!("{}: {}", self.expression(), self.coefficients_shown()),
        ];
        if let Some(line) = self.line.filter(|line| dbh < line.to) {
            lines.push(format!(
                "below D = {} {du} a straight line from {} {hu} at D = {} {du} to the curve, {:.4} {hu} at \
                 D = {} {du}",
                line.to,
                line.start_height,
                line.from,
                self.height(line.to),
                line.to
            ));
        }
        let height = self.height(dbh);
        lines.push(format!(
            "dbh {dbh_cm:.2} cm: D = {dbh:.4} {du}, H = {height:.4} {hu} = {:.4} m",
            self.height_m(dbh_cm)
        ));
        if self.is_outside_range(dbh_cm) {
            lines.push(format!(
                "outside the range of the curve: {}",
                head.range.source
            ));
        }
        if head.range.dbh_cm.is_none() {
            lines.push(format!("range of dbh: {}", head.range.source));
        }
        if let Some(asymptote_m) = self.impossible_asymptote_m() {
            lines.push(format!(
                "the curve tends to {asymptote_m:.0} m, taller than any tree: it means nothing beyond the \
                 trees that it was fitted to"
            ));
        }
        if let Some(mark) = &self.mark {
            lines.push(format!("in doubt: {mark}"));
        }
        lines
    }
}

/// A set of published curves.
#[derive(Clone, Debug, PartialEq)]
pub struct RegionalSet {
    /// What holds for every curve.
    pub head: Arc<RegionalHead>,
    /// The curves in the order of the file; each species, genus or kind has at most one.
    pub curves: Vec<RegionalCurve>,
}

impl RegionalSet {
    /// The curve that serves a species: its own, else that of its genus as a whole, else that of
    /// its kind, else that of any species.
    pub fn curve_for(&self, species: SpeciesId, table: &SpeciesTable) -> Option<&RegionalCurve> {
        let asked = table.get(species);
        self.curve_of(Covers::Species(species))
            .or_else(|| {
                self.curves.iter().find(|curve| match curve.covers {
                    Covers::Species(id) => {
                        let served = table.get(id);
                        served.is_genus() && served.genus() == asked.genus()
                    }
                    Covers::Kind(_) | Covers::Any => false,
                })
            })
            .or_else(|| self.curve_of(Covers::Kind(asked.kind)))
            .or_else(|| self.curve_of(Covers::Any))
    }

    /// The curve published for exactly these.
    pub fn curve_of(&self, covers: Covers) -> Option<&RegionalCurve> {
        self.curves.iter().find(|curve| curve.covers == covers)
    }
}

/// A height against which a set is checked.
#[derive(Clone, Debug, PartialEq)]
pub struct HeightCheck {
    /// The curve meant.
    pub covers: Covers,
    /// dbh of the tree.
    pub dbh_cm: f64,
    /// Its height as printed, in `unit`.
    pub printed: String,
    /// Unit of the printed height.
    pub unit: PublishedUnit,
    /// `published` or `computed independently`.
    pub status: String,
    /// Line in `checks.csv`.
    pub line_number: usize,
}
