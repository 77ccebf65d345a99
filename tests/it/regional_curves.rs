//! Every published height curve against its check heights: three for each row, computed
//! independently from the published formula when the tables were collected, and one more on the
//! straight line of small trees where the publication has one.

use std::collections::BTreeMap;

use spinney::heights::regional::{Covers, RegionalCurve, RegionalSet};
use spinney::read::height_curves::{checks, regional_set};
use spinney::read::source::Source;
use spinney::read::tables::Tables;
use spinney::species::{Kind, SpeciesTable};

use crate::answers::{rows, shared_file};

#[test]
fn every_published_curve_meets_its_check_heights() {
    let tables = Tables::builtin();
    let species = tables.species().unwrap();
    let (mut curves, mut compared) = (0, 0);
    let mut wrong = Vec::new();
    let sets = tables.folders("height-curves");
    for name in &sets {
        let file = |part: &str| {
            tables
                .source(&format!("height-curves/{name}/{part}"))
                .unwrap()
        };
        let set = regional_set(&file("set.yaml"), &file("coefficients.csv"), &species);
        let set = set.unwrap_or_else(|problems| panic!("{name}: {problems:#?}"));
        assert_eq!(set.head.name, *name);
        assert!(
            set.head.citation.len() > 30 && !set.head.region.is_empty(),
            "{name}"
        );
        curves += set.curves.len();
        let listed = checks(&file("checks.csv"), &species).unwrap();
        for curve in &set.curves {
            assert!(
                listed.iter().any(|check| check.covers == curve.covers),
                "{name}"
            );
        }
        for check in listed {
            let curve = set.curve_of(check.covers).unwrap();
            let ours = curve.height_m(check.dbh_cm) / check.unit.to_held;
            let decimals = check
                .printed
                .split_once('.')
                .map_or(0, |(_, part)| part.len());
            compared += 1;
            if format!("{ours:.decimals$}") != check.printed {
                wrong.push(format!(
                    "{name} line {}: {ours} {}",
                    check.line_number, check.printed
                ));
            }
        }
    }
    println!(
        "{} sets, {curves} curves, {compared} check heights",
        sets.len()
    );
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert_eq!((sets.len(), curves, compared), (33, 515, 1_804));
}

fn set_of(name: &str, species: &SpeciesTable) -> RegionalSet {
    let tables = Tables::builtin();
    let file = |part: &str| {
        let path = format!("height-curves/{name}/{part}");
        tables.source(&path).unwrap()
    };
    regional_set(&file("set.yaml"), &file("coefficients.csv"), species).unwrap()
}

#[test]
fn every_published_curve_rises_above_breast_height() {
    let tables = Tables::builtin();
    let species = tables.species().unwrap();
    for name in tables.folders("height-curves") {
        for curve in set_of(&name, &species).curves {
            let breast_height_m = curve.breast_height_m();
            let heights: Vec<f64> = (3..=200)
                .map(|dbh_cm| curve.height_m(f64::from(dbh_cm)))
                .collect();
            // A flat asymptote may rise by less than a double can tell.
            assert!(heights.is_sorted(), "{name} {}", curve.name);
            assert!(heights[0] >= breast_height_m, "{name} {}", curve.name);
            assert!(heights[197] < 130.0, "{name} {}", curve.name);
        }
    }
}

#[test]
fn the_line_of_small_trees_meets_the_curve_and_ends_at_its_start() {
    let species = Tables::builtin().species().unwrap();
    let mut lines = 0;
    for name in ["us-south-2008", "us-northwest-coast-siuslaw-2008"] {
        for curve in set_of(name, &species).curves {
            let line = curve.line.unwrap();
            let at = |dbh_in: f64| curve.height_m(dbh_in * 2.54) / 0.3048;
            let join = at(line.to);
            assert!(
                (at(line.to - 1e-9) - join).abs() < 1e-6,
                "{name} {}",
                curve.name
            );
            assert!((at(line.from) - 4.51).abs() < 1e-9, "{name} {}", curve.name);
            assert!(
                (at(line.from / 2.0) - 4.51).abs() < 1e-9,
                "{name} {}",
                curve.name
            );
            lines += 1;
        }
    }
    assert_eq!(lines, 90 + 38);
}

#[test]
fn the_part_above_breast_height_is_in_metres_and_knows_the_line_of_small_trees() {
    let species = Tables::builtin().species().unwrap();
    let set = set_of("us-south-2008", &species);
    let loblolly = set
        .curve_for(species.lookup("131").unwrap(), &species)
        .unwrap();
    assert!((loblolly.breast_height_m() - 1.3716).abs() < 1e-12);
    // 10 in: 61.85 ft, computed independently; the line starts at 4.51 ft.
    assert!((loblolly.above_breast_height_m(25.4) - (61.85 - 4.5) * 0.3048).abs() < 0.0016);
    assert!((loblolly.above_breast_height_m(0.5 * 2.54) - 0.01 * 0.3048).abs() < 1e-9);
}

#[test]
fn the_row_of_the_species_comes_before_that_of_its_genus_and_of_its_kind() {
    let species = Tables::builtin().species().unwrap();
    let set = set_of("us-south-2008", &species);
    let serves = |code: &str| {
        let curve = set.curve_for(species.lookup(code).unwrap(), &species);
        curve.map(|curve| curve.name.as_str())
    };
    assert_eq!(serves("Ulmus alata"), Some("Ulmus alata"));
    assert_eq!(serves("Ulmus crassifolia"), Some("Ulmus"), "genus row");
    assert_eq!(serves("Ulmus spp."), Some("Ulmus"));
    // No row for the genus Quercus or Pseudotsuga as a whole, but for the other species of a kind.
    assert_eq!(serves("Quercus garryana"), Some("other hardwood"));
    assert_eq!(serves("Fd"), Some("other softwood"));
    let of_no_kind = species
        .iter()
        .find(|(_, entry)| entry.kind == Kind::Unknown);
    let (id, _) = of_no_kind.unwrap();
    assert_eq!(set.curve_for(id, &species).unwrap().name, "other species");
    let set = set_of("us-coastal-northwest-1999", &species);
    let maple = species.lookup("Acer macrophyllum").unwrap();
    assert!(set.curve_for(maple, &species).is_none());
    for code in ["Fd", "Hw", "Cw", "Dr", "Ss", "Pw"] {
        let id = species.lookup(code).unwrap();
        let curve = set.curve_for(id, &species).unwrap();
        assert_eq!(curve.covers, Covers::Species(id), "{code}");
    }
}

#[test]
fn a_row_may_have_a_form_and_a_breast_height_of_its_own() {
    let species = Tables::builtin().species().unwrap();
    let set = set_of("us-mendocino-2012", &species);
    let curve = |code: &str| {
        set.curve_for(species.lookup(code).unwrap(), &species)
            .unwrap()
    };
    assert_eq!(
        curve("Hw").expression(),
        "H = a (1 - exp(b D^c)), D in in, H in ft"
    );
    assert!(curve("Hw").breast_height_m().abs() < 1e-12);
    let above_m = curve("Hw").above_breast_height_m(30.0);
    assert!((above_m - curve("Hw").height_m(30.0)).abs() < 1e-12);
    assert_eq!(
        curve("Fd").expression(),
        "H = 4.5 + exp(b0 + b1 D^b2), D in in, H in ft"
    );
    assert!((curve("Fd").breast_height_m() - 1.3716).abs() < 1e-12);
}

#[test]
fn a_curve_that_tends_to_a_height_of_no_tree_says_so() {
    let species = Tables::builtin().species().unwrap();
    let asymptote = |set: &str, code: &str| {
        let set = set_of(set, &species);
        let curve = set.curve_for(species.lookup(code).unwrap(), &species);
        curve.unwrap().clone()
    };
    // P2 of 34,749 ft and 10,707 ft.
    for (code, p2_ft) in [
        ("Pinus attenuata", 34_749.473_6),
        ("Chrysolepis chrysophylla", 10_707.390_6),
    ] {
        let curve = asymptote("us-northwest-coast-salem-2008", code);
        let limit_m = curve.impossible_asymptote_m().unwrap();
        assert!((limit_m - (p2_ft + 4.5) * 0.3048).abs() < 1e-9, "{limit_m}");
        let words = curve.derivation(30.0).join("\n");
        assert!(words.contains(&format!(
            "the curve tends to {limit_m:.0} m, taller than any tree"
        )));
    }
    let alder = asymptote("us-coastal-northwest-1999", "Dr");
    assert_eq!(alder.impossible_asymptote_m(), None);
    assert!(!alder.derivation(30.0).join("\n").contains("tends to"));
    // Every asymptote is the limit of the curve itself.
    for name in Tables::builtin().folders("height-curves") {
        for curve in set_of(&name, &species).curves {
            let asymptote = curve.head.form.asymptote(&curve.coefficients);
            let far = curve
                .head
                .form
                .above_breast_height(1e300, &curve.coefficients);
            assert!(
                (far / asymptote - 1.0).abs() < 1e-3,
                "{name} {}",
                curve.name
            );
        }
    }
}

/// The sets that hold the rows of a source and place, one of each form.
fn sets_of(source: &str, place: &str) -> &'static [&'static str] {
    match (source, place) {
        ("USFS-SN-2008", "whole region") => &["us-south-2008", "us-south-2008-wykoff"],
        ("USFS-SN-2008", _) => &[
            "us-south-fort-bragg-2008",
            "us-south-fort-bragg-2008-wykoff",
        ],
        ("USFS-PN-2008", "BLM Eugene") => &["us-northwest-coast-eugene-2008"],
        ("USFS-PN-2008", "BLM Salem") => &["us-northwest-coast-salem-2008"],
        ("USFS-PN-2008", "Olympic / Quinault") => &["us-northwest-coast-olympic-2008"],
        ("USFS-PN-2008", "Siuslaw / BLM Coos Bay") => &["us-northwest-coast-siuslaw-2008"],
        ("USFS-PN-2008", _) => &["us-northwest-coast-2008-wykoff"],
        ("Hanus-1999-RC27" | "HannHanus-2002a" | "HannHanus-2002b" | "Gould-2008", _) => {
            &["us-southwest-oregon-1999"]
        }
        ("Hanus-1999-RC25", _) => &["us-coastal-northwest-1999"],
        ("WangHann-1988" | "Johnson-2000", _) => &["us-willamette-valley-1988"],
        ("HannBluhmHibbs-2011", _) => &["us-northwest-red-alder-plantations-2011"],
        ("Wykoff-1982", _) => &["us-inland-empire-1982"],
        ("Moore-1996", _) => &[
            "us-inland-northwest-1996",
            "us-inland-northwest-1996-wykoff",
        ],
        ("Barrett-2006", _) => &["us-west-coast-2006"],
        ("Temesgen-2007", _) => &["us-southwest-oregon-2007"],
        ("Temesgen-2008", "fixed-effects fit") => &["us-southwest-oregon-douglas-fir-2008"],
        ("Temesgen-2008", _) => &["us-southwest-oregon-douglas-fir-2008-mixed"],
        ("Eng-2012", _) => &["us-mendocino-2012"],
        ("SharmaBreidenbach-2015", _) => &["norway-2015"],
        ("Feldpausch-2012", place) => match place {
            "Africa, C. Africa" => &["tropics-africa-central-2012"],
            "Africa, E. Africa" => &["tropics-africa-east-2012"],
            "Africa, W. Africa" => &["tropics-africa-west-2012"],
            "Africa pooled" => &["tropics-africa-2012"],
            "S. America, Brazilian Shield" => &["tropics-america-brazilian-shield-2012"],
            "S. America, E.C. Amazonia" => &["tropics-america-east-central-amazonia-2012"],
            "S. America, W. Amazonia" => &["tropics-america-west-amazonia-2012"],
            "South America pooled" => &["tropics-america-2012"],
            "Asia, S.E. Asia" => &["tropics-asia-southeast-2012"],
            "Australia, N. Australia" => &["tropics-australia-north-2012"],
            "pantropical" => &["tropics-2012"],
            _ => &[],
        },
        _ => &[],
    }
}

/// Why a row of the sources is in no set; the same reasons as in species-tables/README.md.
fn left_out(source: &str, place: &str, species: &str) -> Option<&'static str> {
    match (source, place, species) {
        ("Hahn-1984", _, _) => Some("needs site index and basal area of the stand"),
        ("Temesgen-2008", "fixed-effects fit with CCFL and basal area", _) => {
            Some("needs basal area and crown competition in larger trees")
        }
        ("Barrett-2006", _, "Abies magnifica") => Some("a figure is wrong as it was read"),
        _ => None,
    }
}

#[test]
fn every_row_of_the_sources_is_in_a_set_or_left_out_for_a_reason() {
    let Some(file) = shared_file("sources/height-diameter/regional-coefficients.csv") else {
        return;
    };
    let species = Tables::builtin().species().unwrap();
    let mut by_reason: BTreeMap<&str, usize> = BTreeMap::new();
    let mut held = 0;
    for row in rows(&file) {
        let of = |column: &str| row[column].as_str();
        let (source, name) = (of("source_key"), of("scientific_name"));
        if let Some(reason) = left_out(source, of("location"), name) {
            *by_reason.entry(reason).or_default() += 1;
            continue;
        }
        // Of the same name, with the same figures: a place has at most one such row.
        let name = name.split(" / ").next().unwrap();
        let figures: Vec<&str> = (1..=3)
            .map(|at| of(["p1", "p2", "p3"][at - 1]))
            .filter(|figure| !figure.is_empty())
            .collect();
        let curves: Vec<RegionalCurve> = sets_of(source, of("location"))
            .iter()
            .flat_map(|set| set_of(set, &species).curves)
            .filter(|curve| curve.name == name && curve.printed == figures)
            .collect();
        assert_eq!(curves.len(), 1, "{row:?}");
        let head = &curves[0].head;
        let units = (head.dbh_unit.name, head.height_unit.name);
        assert_eq!(units, (of("d_unit"), of("h_unit")), "{row:?}");
        for at in ["1", "2", "3"] {
            let dbh: f64 = of(&format!("check_D{at}")).parse().unwrap();
            let height_m = curves[0].height_m(dbh * head.dbh_unit.to_held);
            let ours = format!("{:.2}", height_m / head.height_unit.to_held);
            assert_eq!(ours, of(&format!("check_H{at}")), "{row:?}");
        }
        held += 1;
    }
    println!("{held} rows in sets; left out: {by_reason:?}");
    assert_eq!(held, 514);
    let left_out: Vec<usize> = by_reason.into_values().collect();
    assert_eq!(left_out, [1, 1, 64]);
}

#[test]
fn a_derivation_can_be_followed_by_hand() {
    let species = Tables::builtin().species().unwrap();
    let set = set_of("us-south-2008", &species);
    let loblolly = set
        .curve_for(species.lookup("131").unwrap(), &species)
        .unwrap();
    // 10 in: 61.85 ft, computed independently.
    let words = loblolly.derivation(25.4).join("\n");
    for part in [
        "Southern variant overview",
        "H = 4.5 + p2 exp(-p3 D^p4), D in in, H in ft",
        "p2 = 243.860648, p3 = 4.28460566, p4 = -0.47130185",
        "dbh 25.40 cm: D = 10.0000 in, H = 61.8",
    ] {
        assert!(words.contains(part), "{part}: {words}");
    }
    assert!(!words.contains("straight line"), "{words}");
    let small = loblolly.derivation(2.54).join("\n");
    assert!(
        small.contains("below D = 3 in a straight line from 4.51 ft at D = 0.5 in"),
        "{small}"
    );
}

/// A small set of a user's own, in metres.
const HEAD: &str = "title: Invented
citation: none, invented for a test
obtained: set up by the user
region: nowhere
form: wykoff
units: { dbh: cm, height: m }
breast_height: 1.3
line_start_height: 1.4
range: { dbh_cm: [5, 60], source: invented }
";

fn faults(head: &str, rows: &str) -> Vec<String> {
    let species = Tables::builtin().species().unwrap();
    let head = Source::new("own/set.yaml", head.to_owned());
    let rows = Source::new("own/coefficients.csv", rows.to_owned());
    match regional_set(&head, &rows, &species) {
        Ok(set) => panic!("{set:?}"),
        Err(problems) => problems.iter().map(ToString::to_string).collect(),
    }
}

#[test]
fn every_fault_of_a_set_is_told_at_once() {
    let head = HEAD
        .replace("form: wykoff", "form: wykof")
        .replace("height: m ", "height: yd ")
        .replace("breast_height: 1.3", "breast_height: -1.3")
        .replace("region: nowhere\n", "regoin: nowhere\n");
    insta::assert_snapshot!("faulty-head", faults(&head, "").join("\n"));
    let rows = "species,b1,b2,b3,line_from,line_to
Fd,3.4,-9,,,
fd,3.4,-9,,,
XX,3.4,-9,,,
Hw,3.4,,,,
Cw,3.4,minus,,,
Dr,34,9,,,
Ss,3.4,-9,,0.5,
Pw,3.4,-9,,8,6
,3.4,-9,,,
";
    insta::assert_snapshot!("faulty-rows", faults(HEAD, rows).join("\n"));
    let rows = "species,form,breast_height,b1,b2,a,b,c
Fd,,,3.4,-9,,,
any softwood,weibul,,,,30,0.05,0.8
any hardwood,weibull,-1,,,30,0.05,0.8
any,weibull,0,3.4,,30,0.05,0.8
ANY,weibull,0,,,30,0.05,0.8
Hw,weibull,0,,,30,0.05,0.8
Hw,weibull,x,,,30,0.05,0.8
";
    insta::assert_snapshot!("faulty-rows-of-own-forms", faults(HEAD, rows).join("\n"));
    let no_start = HEAD.replace("line_start_height: 1.4\n", "");
    let rows = "species,b1,b2,line_from,line_to\nFd,3.4,-9,0.5,6\n";
    insta::assert_snapshot!("line-without-start", faults(&no_start, rows).join("\n"));
    insta::assert_snapshot!("no-curve", faults(HEAD, "species,b1,b2\n").join("\n"));
}

#[test]
fn a_published_range_makes_extrapolation_known() {
    let species = Tables::builtin().species().unwrap();
    let head = Source::new("own/set.yaml", HEAD.to_owned());
    let rows = Source::new(
        "own/coefficients.csv",
        "species,b1,b2\nFd,3.4,-9\n".to_owned(),
    );
    let set = regional_set(&head, &rows, &species).unwrap();
    assert_eq!(set.head.name, "own");
    let curve = &set.curves[0];
    assert!(!curve.is_outside_range(60.0) && curve.is_outside_range(60.1));
    let words = curve.derivation(70.0).join("\n");
    assert!(
        words.contains("outside the range of the curve: invented"),
        "{words}"
    );
}

#[test]
fn a_slip_in_a_set_is_told_with_its_place() {
    let tables = Tables::builtin();
    let species = tables.species().unwrap();
    let folder = "height-curves/us-coastal-northwest-1999";
    let text = |part: &str| {
        tables
            .source(&format!("{folder}/{part}"))
            .unwrap()
            .text()
            .to_owned()
    };
    let read = |head: String, coefficients: String| {
        let head = Source::new(&format!("{folder}/set.yaml"), head);
        let coefficients = Source::new("coefficients.csv", coefficients);
        let problems = regional_set(&head, &coefficients, &species).unwrap_err();
        let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
        lines.join("\n")
    };
    let head = text("set.yaml");
    let rows = text("coefficients.csv");
    let unknown_form = read(
        head.replace("form: exp-power", "form: exp-powr"),
        rows.clone(),
    );
    assert!(unknown_form.contains("exp-power"), "{unknown_form}");
    let lost_sign = read(head.clone(), rows.replace("-5.899759104", "5.899759104"));
    assert!(lost_sign.starts_with("coefficients.csv:2:"), "{lost_sign}");
    let unknown_species = read(head.clone(), rows.replacen("202,", "20299,", 1));
    assert!(
        unknown_species.starts_with("coefficients.csv:2:1: error"),
        "{unknown_species}"
    );
    let missing = read(head, rows.replacen("-0.287207389", "", 1));
    assert!(missing.starts_with("coefficients.csv:2:"), "{missing}");
}
