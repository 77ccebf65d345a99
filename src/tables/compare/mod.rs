//! Two or more ways to compile a cruise side by side: the report, the tidy differences, the trees
//! that drive them, and what the two do not define alike.

use crate::compare::{PairedRow, paired, ranking};
use crate::compile::Compilation;
use crate::design::{CurveChoice, Merchantable};
use crate::estimates::Attribute;
use crate::plot_sums::Column;
use crate::tables::plain;
use crate::units::UnitSystem;

mod remarks;
mod report;
mod rows;

pub use remarks::remarks;
pub use report::report;
pub use rows::{differences, trees};

/// Trees that are listed for one selection of one stand.
const MOST_TREES: usize = 10;

/// What an alternative has different from the design.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// The volume set.
    VolumeSet,
    /// The form of the height curve.
    Curve,
    /// The merchantable limits.
    Merchantable,
}

/// The design as it stands and its alternatives, compiled and paired.
pub struct Compared<'a> {
    base: &'a Compilation<'a>,
    name: String,
    alternatives: Vec<Alternative<'a>>,
}

struct Alternative<'a> {
    name: String,
    compilation: &'a Compilation<'a>,
    rows: Vec<PairedRow>,
    /// By what the trees are ranked.
    ranking: Option<(Column, Attribute)>,
}

impl<'a> Compared<'a> {
    /// Pairs each alternative with the base.
    pub fn new(
        base: &'a Compilation<'a>,
        alternatives: impl Iterator<Item = (Kind, &'a Compilation<'a>)>,
    ) -> Self {
        let [set, curve] = [Kind::VolumeSet, Kind::Curve].map(|kind| words(kind, base));
        let alternative = |(kind, compilation)| Alternative {
            name: words(kind, compilation),
            compilation,
            rows: paired(base, compilation),
            ranking: ranking(base, compilation)
                .and_then(|column| Some((column, column.attribute()?))),
        };
        Compared {
            base,
            name: format!("as designed: {set}, {curve}"),
            alternatives: alternatives.map(alternative).collect(),
        }
    }

    /// The design as it stands.
    pub fn base(&self) -> &Compilation<'a> {
        self.base
    }
}

fn words(kind: Kind, compilation: &Compilation<'_>) -> String {
    let design = compilation.design;
    let volume = design.volume.as_ref();
    match kind {
        Kind::VolumeSet => volume.map_or_else(
            || "no volume set".to_owned(),
            |volume| match &volume.region {
                Some(region) => format!("volume set {}, {region}", volume.set),
                None => format!("volume set {}", volume.set),
            },
        ),
        Kind::Curve => match &design.heights.curve {
            CurveChoice::Best => "best curve".to_owned(),
            CurveChoice::Named(name) => format!("curve {name}"),
        },
        Kind::Merchantable => limit_words(volume.and_then(|volume| volume.merchantable)),
    }
}

fn limit_words(limits: Option<Merchantable>) -> String {
    let Some(limits) = limits else {
        return "no limits".to_owned();
    };
    let basis = if limits.top_inside_bark {
        "inside bark"
    } else {
        "outside bark"
    };
    let least = limits.min_dbh_cm.map_or(String::new(), |dbh_cm| {
        format!(", dbh from {} cm", plain(dbh_cm))
    });
    format!(
        "limits: stump {} m, top {} cm {basis}{least}",
        plain(limits.stump_m),
        plain(limits.top_diameter_cm)
    )
}

/// Unit of an attribute of one tree, and the factor to it.
fn tree_unit(attribute: Attribute, units: UnitSystem) -> (&'static str, f64) {
    let factor = attribute.unit(units).from_metric / units.count_per_area().from_metric;
    (attribute.total_unit(units), factor)
}
