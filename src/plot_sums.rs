//! Plot sums: per plot and domain, what the trees found there add up to on a hectare.
//!
//! In: one stand, one selection, the value of each tree. Out: for every plot where the selection
//! was carried out, the sum per hectare of each additive quantity in each domain that has a tree
//! there. Plots without trees are kept without cells: they are zeros. Plots where the selection
//! was not carried out are not part of it.
//!
//! ```text
//! y_i = sum_j w_ij x_ij     w_ij trees/ha that tree j of plot i stands for, x_ij its value
//! ```
//! Source: the sums over trees of any plot compilation (Kershaw et al. and others, from memory).
//! Trees are added in the order of the records, so that the same records give the same bits.

use crate::design::{Design, Measured, Method, SelectionIndex};
use crate::expansion::{self, Expansion};
use crate::records::{CruiseSpeciesIndex, Rule, Stand, Status, Tree, Visit};
use crate::stems::TreeValues;

mod three_p;

/// What is estimated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Attribute {
    /// Stems, 1/ha.
    Trees,
    /// Basal area, m2/ha.
    BasalArea,
    /// Volume of the whole stem on the basis of the volume set, m3/ha.
    VolumeTotal,
    /// Volume between stump and top limit, m3/ha.
    VolumeMerch,
    /// Merchantable (or else total) volume less defect, m3/ha.
    VolumeNet,
    /// Volume of bark, m3/ha.
    VolumeBark,
    /// Oven-dry mass above ground, kg/ha.
    Biomass,
    /// Stem wood of it, kg/ha.
    BiomassWood,
    /// Stem bark of it, kg/ha.
    BiomassBark,
    /// Branches of it, kg/ha.
    BiomassBranches,
    /// Foliage of it, kg/ha.
    BiomassFoliage,
    /// Carbon in it, kg/ha.
    Carbon,
    /// Carbon dioxide with the same carbon, kg/ha.
    Co2Equivalent,
    /// Quadratic mean diameter, cm.
    QuadraticMeanDbh,
    /// Arithmetic mean height, m.
    MeanHeight,
    /// Lorey (basal-area weighted) mean height, m.
    LoreyHeight,
    /// Mean height of the 100 thickest trees per hectare, m.
    TopHeight,
    /// Reineke stand density index, 1/ha at 25.4 cm.
    StandDensityIndex,
    /// Stand density index summed over trees, 1/ha at 25.4 cm.
    StandDensityIndexSummed,
    /// Curtis relative density, m2/ha per root cm.
    RelativeDensity,
}

/// Live trees, dead trees, or dead trees of one decay class.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum StatusDomain {
    /// All live trees.
    Live,
    /// All dead trees.
    Dead,
    /// Dead trees of one decay class (index into the design's list; `None`: not recorded).
    DecayClass(Option<usize>),
}

/// A group of trees that an estimate is about; `None` is the margin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Domain {
    /// Live, dead, or a decay class.
    pub status: StatusDomain,
    /// One species, or all.
    pub species: Option<CruiseSpeciesIndex>,
    /// One dbh class, counted from 0 at [0, width), or all sizes.
    pub dbh_class: Option<u32>,
}

impl Domain {
    /// All live trees.
    pub const LIVE: Domain = Domain::all(StatusDomain::Live);

    /// All species and sizes of a status.
    pub const fn all(status: StatusDomain) -> Domain {
        Domain {
            status,
            species: None,
            dbh_class: None,
        }
    }
}

/// A quantity that is summed over the trees of a plot. Some stand in a table, the others only
/// feed ratios.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Column {
    /// Trees, 1/ha.
    Trees,
    /// Basal area, m2/ha, counted trees included.
    BasalArea,
    /// Basal area of the trees with records of their own, m2/ha; base of borrowed ratios.
    MeasuredBasalArea,
    /// Total volume, m3/ha.
    VolumeTotal,
    /// Merchantable volume, m3/ha.
    VolumeMerch,
    /// Net volume, m3/ha.
    VolumeNet,
    /// Bark volume, m3/ha.
    VolumeBark,
    /// Biomass above ground, kg/ha.
    Biomass,
    /// Stem wood, kg/ha.
    BiomassWood,
    /// Stem bark, kg/ha.
    BiomassBark,
    /// Branches, kg/ha.
    BiomassBranches,
    /// Foliage, kg/ha.
    BiomassFoliage,
    /// Carbon, kg/ha.
    Carbon,
    /// `sum w (d / 25.4)^1.605`, 1/ha.
    StandDensityIndexSummed,
    /// `sum w h`, m/ha; for the mean height.
    Height,
    /// `sum w g h`, m3/ha; for Lorey's height.
    BasalAreaHeight,
}

impl Column {
    /// How many there are.
    pub const COUNT: usize = 16;

    /// All of them, each at its own position.
    pub const ALL: [Column; Column::COUNT] = [
        Column::Trees,
        Column::BasalArea,
        Column::MeasuredBasalArea,
        Column::VolumeTotal,
        Column::VolumeMerch,
        Column::VolumeNet,
        Column::VolumeBark,
        Column::Biomass,
        Column::BiomassWood,
        Column::BiomassBark,
        Column::BiomassBranches,
        Column::BiomassFoliage,
        Column::Carbon,
        Column::StandDensityIndexSummed,
        Column::Height,
        Column::BasalAreaHeight,
    ];

    /// Volumes and masses: what trees that were only counted borrow from measured ones.
    pub const BORROWED: [Column; 10] = [
        Column::VolumeTotal,
        Column::VolumeMerch,
        Column::VolumeNet,
        Column::VolumeBark,
        Column::Biomass,
        Column::BiomassWood,
        Column::BiomassBark,
        Column::BiomassBranches,
        Column::BiomassFoliage,
        Column::Carbon,
    ];

    /// The column that an attribute is, if it is one.
    pub fn of_attribute(attribute: Attribute) -> Option<Column> {
        let mut columns = Column::ALL.into_iter();
        columns.find(|column| column.attribute() == Some(attribute))
    }

    /// The attribute that the column is, if it stands in a table by itself.
    pub fn attribute(self) -> Option<Attribute> {
        match self {
            Column::Trees => Some(Attribute::Trees),
            Column::BasalArea => Some(Attribute::BasalArea),
            Column::VolumeTotal => Some(Attribute::VolumeTotal),
            Column::VolumeMerch => Some(Attribute::VolumeMerch),
            Column::VolumeNet => Some(Attribute::VolumeNet),
            Column::VolumeBark => Some(Attribute::VolumeBark),
            Column::Biomass => Some(Attribute::Biomass),
            Column::BiomassWood => Some(Attribute::BiomassWood),
            Column::BiomassBark => Some(Attribute::BiomassBark),
            Column::BiomassBranches => Some(Attribute::BiomassBranches),
            Column::BiomassFoliage => Some(Attribute::BiomassFoliage),
            Column::Carbon => Some(Attribute::Carbon),
            Column::StandDensityIndexSummed => Some(Attribute::StandDensityIndexSummed),
            Column::MeasuredBasalArea | Column::Height | Column::BasalAreaHeight => None,
        }
    }

    /// What one tree holds of the quantity, per tree; `None` where it is not known, and for what
    /// does not rest on the tree's equations (its number, its basal area, its height).
    pub fn of_tree(self, values: &TreeValues) -> Option<f64> {
        match self {
            Column::VolumeTotal => values.volume_total_m3,
            Column::VolumeMerch => values.volume_merch_m3,
            Column::VolumeNet => values.volume_net_m3,
            Column::VolumeBark => values.volume_bark_m3,
            Column::Biomass => values.biomass_kg,
            Column::BiomassWood => values.biomass_wood_kg,
            Column::BiomassBark => values.biomass_bark_kg,
            Column::BiomassBranches => values.biomass_branch_kg,
            Column::BiomassFoliage => values.biomass_foliage_kg,
            Column::Carbon => values.carbon_kg,
            Column::Trees
            | Column::BasalArea
            | Column::MeasuredBasalArea
            | Column::StandDensityIndexSummed
            | Column::Height
            | Column::BasalAreaHeight => None,
        }
    }

    /// What one tree adds to its plot, per hectare; `None` where its height, volume or mass is not
    /// known.
    pub fn of(self, dbh_cm: f64, expansion: Expansion, values: &TreeValues) -> Option<f64> {
        let w = expansion.trees_per_ha;
        match self {
            Column::Trees => Some(w),
            Column::BasalArea | Column::MeasuredBasalArea => Some(expansion.basal_area_m2_per_ha),
            Column::StandDensityIndexSummed => Some(w * density_index_of_tree(dbh_cm)),
            Column::Height => values.height_m.map(|h| w * h),
            Column::BasalAreaHeight => values.height_m.map(|h| expansion.basal_area_m2_per_ha * h),
            _ => self.of_tree(values).map(|v| w * v),
        }
    }
}

/// Dbh at which the stand density index counts trees, cm (10 in).
pub const DENSITY_INDEX_DBH_CM: f64 = 25.4;
/// Exponent of the stand density index.
pub const DENSITY_INDEX_EXPONENT: f64 = 1.605;

/// Trees of 25.4 cm that a tree counts for in the stand density index: `(d / 25.4)^1.605`.
///
/// Source: Reineke 1933, J. Agric. Res. 46 (exponent); Zeide 1983 and Long & Daniel 1990 (sum over
/// trees).
fn density_index_of_tree(dbh_cm: f64) -> f64 {
    (dbh_cm / DENSITY_INDEX_DBH_CM).powf(DENSITY_INDEX_EXPONENT)
}

/// The dbh class of a tree, counted from 0: class `k` is `[k width, (k + 1) width)`.
///
/// A dbh on a limit belongs to the upper class; a quotient that misses a whole number only by the
/// representation of decimals (0.3 / 0.1) counts as that number.
pub fn dbh_class(dbh_cm: f64, width_cm: f64) -> u32 {
    const REPRESENTATION: f64 = 1e-9;
    let quotient = dbh_cm / width_cm;
    let nearest = quotient.round();
    let class = if (quotient - nearest).abs() <= REPRESENTATION * nearest.max(1.0) {
        nearest
    } else {
        quotient.floor()
    };
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a class number is small and not negative; the cast saturates"
    )]
    let class = class as u32;
    class
}

/// The sums of one cell, per hectare.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sums {
    values: [f64; Column::COUNT],
    unknown: [bool; Column::COUNT],
}

impl Sums {
    /// The sum of one quantity, as far as it is known.
    pub fn value(&self, column: Column) -> f64 {
        self.values[column as usize]
    }

    /// Is there a tree whose value is not known, so that the sum is too small?
    pub fn is_unknown(&self, column: Column) -> bool {
        self.unknown[column as usize]
    }

    fn add_tree(&mut self, dbh_cm: f64, expansion: Expansion, values: &TreeValues) {
        for column in Column::ALL {
            match column.of(dbh_cm, expansion, values) {
                Some(value) => self.values[column as usize] += value,
                None => self.unknown[column as usize] = true,
            }
        }
    }

    fn add(&mut self, other: &Sums) {
        for at in 0..Column::COUNT {
            self.values[at] += other.values[at];
            self.unknown[at] |= other.unknown[at];
        }
    }
}

/// The sums of one plot.
#[derive(Clone, Debug, PartialEq)]
pub struct PlotSum {
    /// Index into `Stand::plots`.
    pub plot: usize,
    /// Index into `Stand::strata`.
    pub stratum: usize,
    /// The domains that have a tree here, sorted.
    pub cells: Vec<(Domain, Sums)>,
}

impl PlotSum {
    /// The sums of a domain; `None` stands for zeros.
    pub fn get(&self, domain: Domain) -> Option<&Sums> {
        let at = self.cells.binary_search_by_key(&domain, |cell| cell.0);
        at.ok().map(|at| &self.cells[at].1)
    }
}

/// The plot sums of one selection in one stand.
#[expect(clippy::struct_excessive_bools, reason = "each is a plain fact")]
#[derive(Clone, Debug, PartialEq)]
pub struct SelectionSums {
    /// Which selection.
    pub selection: SelectionIndex,
    /// Does it have trees that were only counted? Then there is basal area without sizes: no dbh
    /// classes, and no sums but basal area that stand for all its trees.
    pub counted: bool,
    /// Is every tree of the stand in it?
    pub full_tally: bool,
    /// The plots where it was carried out, in the order of the stand; the sample trees of a 3P
    /// sample.
    pub plots: Vec<PlotSum>,
    /// Is it a 3P sample? Its units are trees.
    pub three_p: bool,
    /// A stratum that was tallied in full has no known area: its trees cannot be expanded.
    pub area_missing: bool,
}

/// Sums one selection of one stand. `values` holds the trees of the stand in the order of
/// `Stand::trees`.
pub fn sum_selection(
    design: &Design,
    stand: &Stand,
    selection: SelectionIndex,
    values: &[TreeValues],
) -> SelectionSums {
    let visits = || {
        let visits = stand.plots.iter().flat_map(|plot| &plot.visits);
        visits.filter(move |visit| visit.selection == selection)
    };
    let rule = &design.selections[selection];
    let three_p = matches!(rule.method, Method::ThreeP { .. });
    if three_p {
        return three_p::sum_selection(design, stand, selection, values);
    }
    let counted = rule.measured != Measured::All || visits().any(|v| !v.counts.is_empty());
    let mut sums = SelectionSums {
        selection,
        counted,
        full_tally: visits().any(|visit| visit.rule == Rule::FullTally),
        three_p,
        plots: Vec::new(),
        area_missing: false,
    };
    let mut first_tree = 0;
    for (index, plot) in stand.plots.iter().enumerate() {
        let area_ha = stand.strata[plot.stratum].area_ha;
        for visit in &plot.visits {
            let values = &values[first_tree..first_tree + visit.trees.len()];
            first_tree += visit.trees.len();
            if visit.selection != selection {
                continue;
            }
            sums.area_missing |= visit.rule == Rule::FullTally && area_ha.is_none();
            sums.plots.push(PlotSum {
                plot: index,
                stratum: plot.stratum,
                cells: cells_of_visit(
                    visit,
                    values,
                    area_ha,
                    (!counted).then_some(design.dbh_class_cm),
                ),
            });
        }
    }
    sums
}

/// Sums one visit: first by the finest cells, then each of them into its margins.
pub fn cells_of_visit(
    visit: &Visit,
    values: &[TreeValues],
    stratum_area_ha: Option<f64>,
    dbh_class_cm: Option<f64>,
) -> Vec<(Domain, Sums)> {
    type Finest = (Status, CruiseSpeciesIndex, Option<u32>);
    let mut finest: Vec<(Finest, Sums)> = Vec::new();
    for (tree, values) in visit.trees.iter().zip(values) {
        let Some(expansion) = expansion::expand(visit, tree, stratum_area_ha) else {
            continue;
        };
        if stands_for_something(tree, expansion) {
            let class = dbh_class_cm.map(|width| dbh_class(tree.dbh_cm, width));
            cell_of(&mut finest, (tree.status, tree.species, class)).add_tree(
                tree.dbh_cm,
                expansion,
                values,
            );
        }
    }
    for count in &visit.counts {
        if let Some(basal_area) = expansion::counted_basal_area_m2_per_ha(visit, count)
            && basal_area > 0.0
        {
            let cell = cell_of(&mut finest, (count.status, count.species, None));
            cell.values[Column::BasalArea as usize] += basal_area;
        }
    }
    let mut cells: Vec<(Domain, Sums)> = Vec::with_capacity(4 * finest.len());
    for ((status, species, class), sums) in &finest {
        for domain in domains_of(*status, *species, *class) {
            cell_of(&mut cells, domain).add(sums);
        }
    }
    cells
}

/// The cell of a key among cells sorted by theirs; a new one where there is none. A visit has few.
fn cell_of<Key: Ord>(cells: &mut Vec<(Key, Sums)>, key: Key) -> &mut Sums {
    let at = match cells.binary_search_by(|cell| cell.0.cmp(&key)) {
        Ok(at) => at,
        Err(at) => {
            cells.insert(at, (key, Sums::default()));
            at
        }
    };
    &mut cells[at].1
}

/// The domains that a tree of this kind belongs to.
fn domains_of(
    status: Status,
    species: CruiseSpeciesIndex,
    class: Option<u32>,
) -> impl Iterator<Item = Domain> {
    let statuses = match status {
        Status::Live => [Some(StatusDomain::Live), None],
        Status::Dead { decay_class } => [
            Some(StatusDomain::Dead),
            Some(StatusDomain::DecayClass(decay_class)),
        ],
    };
    let classes = [Some(None), class.map(Some)];
    statuses.into_iter().flatten().flat_map(move |status| {
        [None, Some(species)].into_iter().flat_map(move |species| {
            let classes = classes.into_iter().flatten();
            classes.map(move |dbh_class| Domain {
                status,
                species,
                dbh_class,
            })
        })
    })
}

/// Trees below the limits (or outside every ring) make no cell.
fn stands_for_something(tree: &Tree, expansion: Expansion) -> bool {
    !tree.excluded && expansion.trees_per_ha > 0.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_sit_at_their_own_position() {
        for (at, column) in Column::ALL.into_iter().enumerate() {
            assert_eq!(column as usize, at);
        }
    }

    #[test]
    fn cells_stay_sorted_and_gather_what_is_theirs() {
        let mut cells = Vec::new();
        for (at, key) in [5, 2, 9, 2, 5, 1, 9, 2].into_iter().enumerate() {
            cell_of(&mut cells, key).values[0] += f64::from(1 << at);
        }
        let found: Vec<(i32, f64)> = cells.iter().map(|(key, s)| (*key, s.values[0])).collect();
        assert_eq!(found, [(1, 32.0), (2, 138.0), (5, 17.0), (9, 68.0)]);
    }

    #[test]
    fn a_dbh_on_a_limit_belongs_to_the_upper_class() {
        for class in 0..200_u32 {
            for width in [5.0, 0.1, 2.0, 5.08, 2.54, 10.0 / 3.0] {
                let from = f64::from(class) * width;
                assert_eq!(dbh_class(from, width), class, "{class} x {width}");
            }
            // Tenths of a centimetre, as they are written.
            let tenths = f64::from(class) / 10.0;
            assert_eq!(dbh_class(tenths, 0.1), class);
            assert_eq!(dbh_class(f64::from(class) * 2.54, 2.0 * 2.54), class / 2);
        }
        assert_eq!(dbh_class(0.3, 0.1), 3);
        assert_eq!(dbh_class(14.9, 5.0), 2);
        assert_eq!(dbh_class(15.0, 5.0), 3);
        assert_eq!(dbh_class(15.0, 3.0 * 5.0), 1);
    }
}
