//! Designs: what is read, what is filled in, and what is refused at which place.

use spinney::design::{
    Calibrate, CurveChoice, InstrumentError, Intervals, LengthError, Measured, Method, RatioLimits,
    SightError, SlopeCorrection, SpeciesCodes,
};
use spinney::units::UnitSystem;

use crate::reading::{design_of, lines};

/// The example of the manual.
const FULL: &str = r#"
title: Marrow Creek, block 7
units: metric
confidence: 0.95
allowable_error_pct: 10
inputs:
  stands: stands.csv
  plots: plots.csv
  trees: {path: trees.csv, columns: {dbh: dbh_mm, height: height_dm}}
  counts: counts.csv
selections:
  fixed:
    method: fixed-area
    radius_m: 7.98
    min_dbh_cm: 10
  sweep:
    method: angle-gauge
    baf_ft2_per_ac: 40
    measured: none
    volume_ratio_from: fixed
    slope_correction: program
status_codes:
  1: live
  "5": { dead: true, decay_class: 5 }
species_aliases: {no: Fd, off: 202}
species_codes: plants
heights:
  breast_height_ft: 4.5
  subsample: { rule: first-per-species, per_plot: 2 }
  curve: naslund
  min_trees: 5
  weights: inverse-dbh
  fit_by: cruise
  regional: us-western
  calibrate: stands-and-plots
  ratio_to: { Cw: Hw, no: { species: off, ratio: 0.92 } }
  instrument: { angle_sd_deg: 0.3, distance_sd_m: 0.1, hidden_top_sd_pct: 30, height_sd_pct: 4 }
volume:
  set: ca-bc-volume-2016
  region: CWH
  substitute: { ARBU.MEN: ACER.MAC }
  fallback: genus
  merchantable: { stump_m: 0.3, top_dib_in: 4, min_dbh_cm: 17.5 }
tables:
  dbh_class_cm: 5
intervals: { ratios: percentile, resamples: 500, seed: 9007199254740991 }
"#;

#[test]
fn a_full_design_is_read() {
    let (design, problems) = design_of(FULL);
    assert!(problems.is_empty(), "{:#?}", lines(&problems));
    let design = design.unwrap();
    assert_eq!(design.title, "Marrow Creek, block 7");
    assert_eq!(design.units, UnitSystem::Metric);
    let trees = design.inputs.trees.as_ref().unwrap();
    assert_eq!(trees.path, "cruise/trees.csv");
    assert_eq!(trees.columns[0], ("dbh".to_owned(), "dbh_mm".to_owned()));
    let sweep = &design.selections[1];
    // 40 ft2/ac is 9.18 m2/ha, printed in the factor tables of the trade; from memory.
    let Method::AngleGauge { baf_m2_per_ha } = sweep.method else {
        panic!("a gauge")
    };
    assert_eq!(format!("{baf_m2_per_ha:.2}"), "9.18");
    assert_eq!(sweep.measured, Measured::None);
    assert_eq!(sweep.volume_ratio_from, Some(0));
    assert_eq!(sweep.slope_correction, SlopeCorrection::Program);
    assert_eq!(design.status_codes[0].0, "1");
    assert_eq!(design.status_codes[1].1.decay_class, Some(4));
    // `no` and `off` are text, not truth values; the number is kept as written.
    assert_eq!(
        design.species_aliases[0],
        ("no".to_owned(), "Fd".to_owned())
    );
    assert_eq!(
        design.species_aliases[1],
        ("off".to_owned(), "202".to_owned())
    );
    assert_eq!(design.species_codes, SpeciesCodes::Plants);
    assert_eq!(
        design.heights.curve,
        CurveChoice::Named("naslund".to_owned())
    );
    let [cedar, alias] = &design.heights.ratio_to[..] else {
        panic!("{:?}", design.heights.ratio_to)
    };
    assert_eq!(
        (cedar.species.as_str(), cedar.to.as_str(), cedar.ratio),
        ("Cw", "Hw", None)
    );
    assert_eq!(
        (alias.species.as_str(), alias.to.as_str(), alias.ratio),
        ("Fd", "202", Some(0.92))
    );
    assert_eq!(design.heights.calibrate, Calibrate::StandsAndPlots);
    assert!((design.heights.breast_height_m - 1.3716).abs() < 1e-12);
    let merchantable = design.volume.unwrap().merchantable.unwrap();
    assert!((merchantable.top_diameter_cm - 10.16).abs() < 1e-12);
    assert!(merchantable.top_inside_bark);
    assert_eq!(
        design.intervals,
        Intervals {
            ratios: RatioLimits::Percentile,
            resamples: 500,
            seed: 9_007_199_254_740_991,
        }
    );
    assert_eq!(
        design.heights.instrument,
        InstrumentError {
            sight: SightError::Degrees(0.3),
            distance: LengthError::Metres(0.1),
            hidden_top_pct: 30.0,
            height: Some(LengthError::Percent(4.0)),
        }
    );
    assert_eq!(
        design.defaults,
        [
            "decay_classes: 1 to 5",
            "slope_correction: the distances of `fixed` are horizontal or were corrected in the \
             field, unless a plot says otherwise",
        ]
    );
}

#[test]
fn what_is_not_said_is_filled_in_and_listed() {
    let (design, problems) = design_of(
        "inputs: {trees: trees.csv}\nselections: {p: {method: angle-gauge, baf_m2_per_ha: 4}}\n",
    );
    assert!(problems.is_empty(), "{:#?}", lines(&problems));
    insta::assert_snapshot!(design.unwrap().defaults.join("\n"));
}

#[test]
fn without_resampling_there_is_nothing_to_seed() {
    let with = |intervals: &str| {
        let (design, problems) = design_of(&format!(
            "inputs: {{trees: trees.csv}}\nselections: {{p: {{method: full-tally}}}}\n\
             intervals: {intervals}\n"
        ));
        let design = design.unwrap();
        let default = design.defaults.iter().find(|d| d.starts_with("intervals"));
        (design.intervals.ratios, default.cloned(), lines(&problems))
    };
    for (word, ratios) in [("t", RatioLimits::T), ("none", RatioLimits::None)] {
        let (read, default, found) = with(&format!("{{ratios: {word}}}"));
        assert_eq!((read, default, found.len()), (ratios, None, 0));
    }
    let (_, default, found) = with("{ratios: bca, seed: 7}");
    assert_eq!(default.unwrap(), "intervals: 2000 resamples");
    assert_eq!(found.len(), 0);
    let (_, _, found) = with("{ratios: t, resamples: 300, seed: 7}");
    insta::assert_snapshot!(found.join("\n"));
}
