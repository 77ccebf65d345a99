//! The sampling of a design and what the records say to it: values that arrive, and findings.

use spinney::design::{
    Average, Layout, ListedStands, RatioBy, RatioError, Sampling, StrataWeights, Variance,
};
use spinney::records::Records;

use crate::reading::{Cruise, design_of, lines};

const SELECTIONS: &str = "inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv}
selections:
  fixed: {method: fixed-area, area_ha: 0.02}
";
const TREES: &str = "stand,plot,tree,species,dbh_cm\nNorth,1,1,Fd,30\n";

fn design_with(sampling: &str) -> String {
    format!("{SELECTIONS}sampling: {{{sampling}}}\n")
}

fn findings(sampling: &str, stands: &str, plots: &str) -> Vec<String> {
    let design = design_with(sampling);
    let cruise = cruise(&design, stands, plots);
    let mut findings = cruise.findings();
    findings.retain(|line| !line.contains(": note: ") && !line.contains("[plot-without-trees]"));
    findings
}

fn cruise<'t>(design: &'t str, stands: &'t str, plots: &'t str) -> Cruise<'t> {
    Cruise {
        design,
        stands: Some(stands),
        plots: Some(plots),
        trees: Some(TREES),
        counts: None,
    }
}

/// Name, area, listed units and points of each stratum.
type Row<'r> = (&'r str, Option<f64>, Option<f64>, Option<f64>);

fn strata(records: &Records) -> Vec<Row<'_>> {
    let strata = records.stands.iter().flat_map(|stand| &stand.strata);
    strata
        .map(|s| {
            (
                s.name.as_str(),
                s.area_ha,
                s.listed_units,
                s.phase_one_points,
            )
        })
        .collect()
}

#[test]
fn every_key_arrives() {
    let (design, problems) = design_of(
        "inputs: {trees: trees.csv, counts: counts.csv}
selections:
  fixed: {method: fixed-area, area_ha: 0.02}
  sweep: {method: angle-gauge, baf_m2_per_ha: 4, measured: none, volume_ratio_from: fixed,
    volume_ratio_by: pooled, volume_ratio_error: product}
sampling:
  layout: systematic
  variance: successive-differences
  average: ratio-of-means
  strata: after-sampling
  listed_units: 100
  listed_stands: 50
  listed_area_ac: 1000
  combine: [sweep, fixed]
",
    );
    assert!(problems.is_empty(), "{:#?}", lines(&problems));
    let design = design.unwrap();
    let area_ha = design.sampling.listed.unwrap().area_ha.unwrap();
    // An acre is 4046.8564224 m2 by definition.
    assert!((area_ha - 404.68564224).abs() < 1e-9, "{area_ha}");
    assert_eq!(
        design.sampling,
        Sampling {
            layout: Layout::Systematic,
            variance: Variance::SuccessiveDifferences,
            average: Average::RatioOfMeans,
            strata: StrataWeights::AfterSampling,
            listed_units: Some(100.0),
            listed: Some(ListedStands {
                stands: 50.0,
                area_ha: Some(area_ha)
            }),
            combine: Some([1, 0]),
        }
    );
    assert_eq!(design.selections[1].volume_ratio_by, RatioBy::Pooled);
    assert_eq!(design.selections[1].volume_ratio_error, RatioError::Product);
}

#[test]
fn the_other_words_arrive_and_nothing_said_is_the_usual_sample() {
    let of = |sampling| {
        let (design, problems) = design_of(&design_with(sampling));
        assert!(problems.is_empty(), "{:#?}", lines(&problems));
        design.unwrap().sampling
    };
    let sampling = of("layout: random, variance: simple, strata: estimated, listed_stands: 2");
    assert_eq!(sampling.layout, Layout::Random);
    assert_eq!(sampling.strata, StrataWeights::Estimated);
    let listed = ListedStands {
        stands: 2.0,
        area_ha: None,
    };
    assert_eq!(sampling.listed, Some(listed));
    assert_eq!(of("variance: neighbours").variance, Variance::Neighbours);
    let usual = of("average: mean-of-plots, strata: areas");
    assert_eq!(usual, Sampling::default());
    assert_eq!(design_of(SELECTIONS).0.unwrap().sampling, usual);
}

#[test]
fn lists_and_points_of_strata_arrive() {
    let design = design_with("strata: estimated");
    let stands = "stand,stratum,area_ha,listed_units,phase_one_points
North,,40,,
North,dry,,200,30
North,wet,,,10
South,,3,7,
";
    let plots = "stand,plot,stratum\nNorth,1,wet\nNorth,2,dry\nSouth,1,\n";
    let cruise = cruise(&design, stands, plots);
    assert_eq!(
        strata(&cruise.records()),
        [
            ("dry", Some(30.0), Some(200.0), Some(30.0)),
            ("wet", Some(10.0), None, Some(10.0)),
            ("", Some(3.0), Some(7.0), None),
        ]
    );
    assert_eq!(
        findings("strata: estimated", stands, plots),
        [] as [String; 0]
    );
}

#[test]
fn areas_of_strata_stand_where_the_stand_has_none() {
    let design = design_with("strata: estimated");
    let stands = "stratum,area_ha,phase_one_points\ndry,6,30\nwet,5,10\n";
    let plots = "plot,stratum\n1,wet\n2,dry\n";
    let mut cruise = cruise(&design, stands, plots);
    cruise.trees = Some("plot,tree,species,dbh_cm\n1,1,Fd,30\n");
    assert_eq!(
        strata(&cruise.records()),
        [
            ("dry", Some(6.0), None, Some(30.0)),
            ("wet", Some(5.0), None, Some(10.0))
        ]
    );
}

#[test]
fn a_first_sample_must_cover_every_stratum_and_its_plots() {
    insta::assert_snapshot!(
        findings(
            "strata: estimated",
            "stand,stratum,area_ha,phase_one_points
North,,10,
North,wet,4,1
North,dry,,
",
            "stand,plot,stratum\nNorth,1,wet\nNorth,2,wet\nNorth,3,dry\nNorth,4,rock\n",
        )
        .join("\n")
    );
}

#[test]
fn a_list_is_at_least_as_long_as_its_sample() {
    insta::assert_snapshot!(
        findings(
            "listed_units: 2, listed_stands: 2",
            "stand,stratum,area_ha,listed_units,phase_one_points
North,,10,9,
North,wet,4,1,5
North,dry,6,4,5
South,,2,,
East,,2,,
",
            "stand,plot,stratum,cluster
North,1,wet,a\nNorth,2,wet,b\nNorth,3,dry,c
South,1,,d\nSouth,2,,e\nSouth,3,,f\nEast,1,,g\nEast,2,,g\nEast,3,,g
",
        )
        .join("\n")
    );
}

#[test]
fn neighbours_need_positions() {
    insta::assert_snapshot!(
        findings(
            "variance: neighbours",
            "stand,area_ha\nNorth,10\nSouth,5\n",
            "stand,plot,easting,northing
North,1,100,200\nNorth,2,100,200\nNorth,3,,\nNorth,4,,\nSouth,1,100,200\nSouth,2,100,
",
        )
        .join("\n")
    );
    // Without differences of neighbours no position is needed, and two may be the same.
    let plots = "stand,plot,easting,northing\nNorth,1,1,2\nNorth,2,1,2\nNorth,3,,\n";
    let stands = "stand,area_ha\nNorth,10\n";
    assert_eq!(findings("layout: random", stands, plots), [] as [String; 0]);
}

#[test]
fn plots_of_a_cluster_may_lie_in_different_strata_after_sampling() {
    let stands = "stand,stratum,area_ha\nNorth,wet,10\nNorth,dry,10\n";
    let plots = "stand,plot,stratum,cluster\nNorth,1,wet,a\nNorth,2,dry,a\n";
    assert_eq!(
        findings("strata: after-sampling", stands, plots),
        [] as [String; 0]
    );
    let found = findings("strata: areas", stands, plots);
    assert!(
        found.len() == 1 && found[0].contains("cluster-in-two-strata"),
        "{found:#?}"
    );
}

#[test]
fn a_stands_file_of_lists_alone_needs_no_area() {
    let stands = "stand,listed_units\nNorth,10\n";
    let found = findings("layout: random", stands, "stand,plot\nNorth,1\nNorth,2\n");
    assert!(
        found.len() == 1 && found[0].contains(": warning: ") && found[0].contains("missing-column"),
        "{found:#?}"
    );
}

#[test]
fn strata_after_sampling_share_the_list_of_the_stand() {
    let stands = "stand,stratum,area_ha,listed_units
North,,20,40\nNorth,dry,10,\nNorth,wet,10,30
";
    let plots = "stand,plot,stratum\nNorth,1,wet\nNorth,2,dry\n";
    let design = design_with("strata: after-sampling");
    assert_eq!(
        strata(&cruise(&design, stands, plots).records()),
        [
            ("dry", Some(10.0), Some(40.0), None),
            ("wet", Some(10.0), Some(40.0), None)
        ]
    );
    let found = findings("strata: after-sampling", stands, plots);
    assert!(
        found.len() == 1 && found[0].contains("list-not-used"),
        "{found:#?}"
    );
    let found = findings("strata: after-sampling", &stands.replace("40", "1"), plots);
    let short: Vec<&String> = found
        .iter()
        .filter(|line| line.contains("list-too-short"))
        .collect();
    assert!(
        short.len() == 1 && short[0].starts_with("stands.csv:2:"),
        "{found:#?}"
    );
}
