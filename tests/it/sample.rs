//! Builds designs and records in memory, so that estimators are tested through their public face.

use spinney::design::{
    Calibrate, CurveChoice, Design, Fill, FitBy, FitWeights, Heights, Inputs, InstrumentError,
    Intervals, Measured, Method, RatioBy, RatioError, Sampling, Selection, SlopeCorrection,
    SpeciesCodes,
};
use spinney::estimates::{
    Attribute, CruiseEstimates, Domain, Estimate, EstimateRow, Summed, estimate_cruise,
};
use spinney::records::{
    Count, CruiseSpecies, HeightRecord, Plot, Records, Rule, Stand, Status, Stratum, ThreeP, Tree,
    Visit,
};
use spinney::species::SpeciesId;
use spinney::stems::TreeValues;
use spinney::units::basal_area_m2;

/// A metric design with these selections, 5 cm classes, no volume.
pub(crate) fn design(selections: Vec<Selection>) -> Design {
    Design {
        title: "Invented".to_owned(),
        units: spinney::units::UnitSystem::Metric,
        confidence: 0.95,
        allowable_error_pct: None,
        inputs: Inputs::default(),
        selections,
        sampling: Sampling::default(),
        status_codes: Vec::new(),
        decay_classes: (1..=5).map(|class| class.to_string()).collect(),
        species_aliases: Vec::new(),
        species_codes: SpeciesCodes::AsRecorded,
        heights: Heights {
            breast_height_m: 1.3,
            subsample: None,
            curve: CurveChoice::Best,
            min_trees: 5,
            weights: FitWeights::Equal,
            fit_by: FitBy::Stand,
            regional: None,
            ratio_to: Vec::new(),
            calibrate: Calibrate::Best,
            instrument: InstrumentError::default(),
            fill: Fill::Mean,
        },
        volume: None,
        logs: None,
        biomass: None,
        dbh_class_cm: 5.0,
        intervals: Intervals::default(),
        defaults: Vec::new(),
    }
}

fn selection(name: &str, method: Method, measured: Measured) -> Selection {
    Selection {
        name: name.to_owned(),
        method,
        min_dbh_cm: None,
        measured,
        volume_ratio_from: None,
        volume_ratio_by: RatioBy::default(),
        volume_ratio_error: RatioError::default(),
        slope_correction: SlopeCorrection::Field,
    }
}

/// Plots of a fixed area.
pub(crate) fn fixed(area_ha: f64) -> Selection {
    let radius_m = (area_ha * 10_000.0 / std::f64::consts::PI).sqrt();
    let method = Method::FixedArea { area_ha, radius_m };
    selection("fixed", method, Measured::All)
}

/// An angle gauge.
pub(crate) fn gauge(baf_m2_per_ha: f64, measured: Measured, donor: Option<usize>) -> Selection {
    Selection {
        volume_ratio_from: donor,
        ..selection("sweep", Method::AngleGauge { baf_m2_per_ha }, measured)
    }
}

/// Any other method.
pub(crate) fn by(method: Method) -> Selection {
    selection("trees", method, Measured::All)
}

/// The rule of a selection where no plot overrides it.
pub(crate) fn rule(selection: &Selection) -> Rule {
    match &selection.method {
        Method::FixedArea { area_ha, radius_m } => Rule::FixedArea {
            area_ha: *area_ha,
            radius_m: Some(*radius_m),
        },
        Method::NestedRings(rings) => Rule::NestedRings(rings.clone()),
        Method::Strip { length_m, width_m } => Rule::FixedArea {
            area_ha: length_m * width_m / 10_000.0,
            radius_m: None,
        },
        Method::FullTally => Rule::FullTally,
        Method::ThreeP { largest_number } => Rule::ThreeP(ThreeP {
            largest_number: *largest_number,
            predicted: 0.0,
            sample_trees: 0,
        }),
        Method::AngleGauge { baf_m2_per_ha } => Rule::AngleGauge {
            baf_m2_per_ha: *baf_m2_per_ha,
        },
    }
}

/// A live tree.
pub(crate) fn tree(species: usize, dbh_cm: f64) -> Tree {
    Tree {
        number: "".into(),
        line: 0,
        species,
        dbh_cm,
        status: Status::Live,
        height: HeightRecord::Missing,
        broken_height_m: None,
        count: 1.0,
        walkthrough: 1.0,
        defect_pct: None,
        crown_ratio_pct: None,
        baf_m2_per_ha: None,
        prediction: None,
        excluded: false,
    }
}

/// The same tree with a measured height.
pub(crate) fn tall(tree: Tree, height_m: f64) -> Tree {
    Tree {
        height: HeightRecord::Measured { height_m },
        ..tree
    }
}

/// The same tree, dead.
pub(crate) fn dead(tree: Tree, decay_class: Option<usize>) -> Tree {
    Tree {
        status: Status::Dead { decay_class },
        ..tree
    }
}

/// Trees that were only counted.
pub(crate) fn count(species: usize, status: Status, count: f64) -> Count {
    Count {
        species,
        status,
        count,
        prediction: None,
        line: 0,
    }
}

/// One selection carried out at a plot.
pub(crate) fn visit(
    design: &Design,
    selection: usize,
    trees: Vec<Tree>,
    counts: Vec<Count>,
) -> Visit {
    Visit {
        selection,
        rule: rule(&design.selections[selection]),
        slope_to_correct: 0.0,
        plot_fraction: 1.0,
        trees,
        counts,
    }
}

/// A plot.
pub(crate) fn plot(stratum: usize, visits: Vec<Visit>) -> Plot {
    Plot {
        name: String::new(),
        stratum,
        cluster: None,
        easting: None,
        northing: None,
        visits,
    }
}

/// A stand: its name, its strata (name, area) and its plots.
type StandSample<'a> = (&'a str, Vec<(&'a str, Option<f64>)>, Vec<Plot>);

/// Records of some stands; species are called `0`, `1` ...
pub(crate) fn records(species: usize, stands: Vec<StandSample>) -> Records {
    let stand = |(name, strata, plots): StandSample| Stand {
        name: name.to_owned(),
        strata: strata
            .into_iter()
            .map(|(name, area_ha)| Stratum {
                name: name.to_owned(),
                area_ha,
                listed_units: None,
                phase_one_points: None,
            })
            .collect(),
        plots,
    };
    Records {
        species: (0..species)
            .map(|number| CruiseSpecies {
                label: number.to_string(),
                id: SpeciesId(0),
            })
            .collect(),
        stands: stands.into_iter().map(stand).collect(),
        any_defect: false,
    }
}

/// Values of every tree, made by a function of the tree.
pub(crate) fn values(records: &Records, of: impl Fn(&Tree) -> TreeValues) -> Vec<Vec<TreeValues>> {
    let stand = |stand: &Stand| stand.trees().map(|(_, _, tree)| of(tree)).collect();
    records.stands.iter().map(stand).collect()
}

/// No heights, no volumes.
pub(crate) fn bare(_: &Tree) -> TreeValues {
    TreeValues::default()
}

/// The measured height, and a volume of 0.45 g h where there is one.
pub(crate) fn conelike(tree: &Tree) -> TreeValues {
    let HeightRecord::Measured { height_m } = tree.height else {
        return TreeValues::default();
    };
    TreeValues {
        height_m: Some(height_m),
        volume_total_m3: Some(0.45 * basal_area_m2(tree.dbh_cm) * height_m),
        ..TreeValues::default()
    }
}

/// Estimates records of one stand or several.
pub(crate) fn estimate(
    design: &Design,
    records: &Records,
    of: impl Fn(&Tree) -> TreeValues,
) -> CruiseEstimates {
    let values = values(records, of);
    estimate_cruise(design, records, &values, &Summed::of(&values))
}

/// All rows about one place: `None` is the margin.
pub(crate) fn rows_of<'a>(
    estimates: &'a CruiseEstimates,
    stand: Option<&'a str>,
    stratum: Option<&'a str>,
    selection: usize,
) -> impl Iterator<Item = &'a EstimateRow> {
    estimates.rows.iter().filter(move |row| {
        row.stand.as_deref() == stand
            && row.stratum.as_deref() == stratum
            && row.selection == selection
    })
}

/// One estimate, if there is one.
pub(crate) fn find(
    estimates: &CruiseEstimates,
    (stand, stratum, selection): (Option<&str>, Option<&str>, usize),
    domain: Domain,
    attribute: Attribute,
) -> Option<Estimate> {
    let mut rows = rows_of(estimates, stand, stratum, selection)
        .filter(|row| row.domain == domain && row.attribute == attribute);
    let found = rows.next().map(|row| row.estimate);
    assert!(
        rows.next().is_none(),
        "two rows for {domain:?} {attribute:?}"
    );
    found
}
