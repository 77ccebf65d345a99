//! Heights from two readings over a distance, against worked vectors (plane trigonometry, computed
//! independently) and a printed example.

use spinney::records::{HeightRecord, Reading};

fn degrees(angle: f64) -> f64 {
    angle.to_radians().tan()
}

fn reading(top_ratio: f64, base_ratio: f64, distance_m: f64, tape_ratio: f64) -> Reading {
    Reading {
        top_ratio,
        base_ratio,
        distance_m,
        tape_ratio,
    }
}

#[test]
fn heights_of_the_worked_vectors() {
    // Case, sights to top and base, distance, slope of the tape, height as printed. The unit of
    // the distance is that of the height.
    let vectors = [
        (
            "T1",
            reading(degrees(52.0), degrees(-6.0), 66.0, 0.0),
            "91.413027252",
        ),
        (
            "T2, base above the eye",
            reading(degrees(48.0), degrees(9.0), 20.0, 0.0),
            "19.044561490",
        ),
        ("P1", reading(0.97, -0.12, 100.0, 0.0), "109.000000000"),
        ("P2", reading(1.04, -0.09, 83.5, 0.0), "94.355000000"),
        (
            "S1, tape along -14 degrees",
            reading(degrees(41.0), degrees(-17.0), 25.0, degrees(-14.0)),
            "28.502859506",
        ),
        (
            "S2, tape along 30 %",
            reading(0.88, 0.18, 80.0, 0.3),
            "53.638271972",
        ),
        // DeYoung 2016, Forest Measurements: An Applied Approach, section 2.3, example 1:
        // 50 ft, 124 % and -16 %, 62 + 8 = 70 ft.
        ("printed example", reading(1.24, -0.16, 50.0, 0.0), "70"),
    ];
    for (case, reading, printed) in vectors {
        let decimals = printed.split_once('.').map_or(0, |(_, part)| part.len());
        assert_eq!(
            format!("{:.decimals$}", reading.height_m()),
            printed,
            "{case}"
        );
    }
    assert_eq!(
        format!("{:.9}", vectors[4].1.horizontal_distance_m()),
        "24.257393157"
    );
}

#[test]
fn steep_sights_and_short_distances_are_told() {
    let flat = reading(0.9, -0.05, 30.0, 0.0);
    assert!(!flat.is_steep() && !flat.is_short_baseline());
    let steep = reading(1.01, -0.05, 20.0, 0.0);
    assert!(steep.is_steep() && steep.is_short_baseline());
    assert!(reading(0.5, -1.2, 20.0, 0.0).is_steep());
}

#[test]
fn half_a_degree_costs_least_at_one_tree_height() {
    // Vector E5: H = 30 m, level base, D = 30 m: the sight to the top alone, 0.5 degrees off,
    // makes (D^2 + H^2) / D times the angle = 0.523598776 m. The sight to the base adds D times the
    // angle, at right angles.
    let at = |distance_m: f64| reading(30.0 / distance_m, 0.0, distance_m, 0.0);
    let half_degree = 0.5_f64.to_radians();
    let top_alone = |reading: &Reading| {
        let base = reading.horizontal_distance_m() * half_degree;
        (reading.half_degree_error_m().powi(2) - base.powi(2)).sqrt()
    };
    assert_eq!(format!("{:.9}", top_alone(&at(30.0))), "0.523598776");
    for distance_m in [10.0, 20.0, 29.0, 31.0, 45.0, 90.0] {
        assert!(
            top_alone(&at(distance_m)) > top_alone(&at(30.0)),
            "{distance_m}"
        );
    }
}

#[test]
fn half_a_degree_and_the_distance_make_the_worked_error() {
    // Vector E1: D = 20 m with a standard error of 0.2 m, top 50 degrees, base -5 degrees, each
    // half a degree: 0.524237745 m in all.
    let worked = reading(degrees(50.0), degrees(-5.0), 20.0, 0.0);
    let by_distance = 0.2 * (worked.top_ratio - worked.base_ratio);
    let error_m = worked.half_degree_error_m().hypot(by_distance);
    assert_eq!(format!("{error_m:.9}"), "0.524237745");
}

#[test]
fn degrees_of_a_record_become_slope_ratios() {
    // Vector U1: 52 degrees are 127.994163219 %; U3: 97 % are 44.127542877 degrees. The height of
    // the first tree is vector T1, in feet.
    let cruise = crate::reading::Cruise {
        design: "title: Invented\ninputs: { plots: plots.csv, trees: trees.csv }\n\
                 selections: { fixed: { method: fixed-area, radius_m: 8 } }\n",
        plots: Some("plot\n1\n"),
        trees: Some("plot,tree,species,dbh_cm,top_deg,base_deg,distance_ft\n1,1,Fd,40,52,-6,66\n"),
        ..crate::reading::Cruise::default()
    };
    let records = cruise.records();
    let (_, _, tree) = records.stands[0].trees().next().unwrap();
    let HeightRecord::Instrument(read) = tree.height else {
        panic!("{tree:?}")
    };
    assert_eq!(format!("{:.9}", read.top_ratio * 100.0), "127.994163219");
    assert_eq!(format!("{:.9}", read.height_m() / 0.3048), "91.413027252");
    let percent = reading(0.97, -0.12, 30.48, 0.0);
    let words = percent.derivation().join("\n");
    assert!(words.contains("97.00 % (44.13 degrees)"), "{words}");
    assert!(
        words.contains("H = 30.4800 x (0.9700 - (-0.1200)) = 33.2232 m"),
        "{words}"
    );
}

#[test]
fn the_derivation_tells_the_tape_and_what_a_slip_does() {
    // Vector S1, and its horizontal distance of 24.257393157 m.
    let sloping = reading(degrees(41.0), degrees(-17.0), 25.0, degrees(-14.0));
    let words = sloping.derivation().join("\n");
    for part in [
        "taped distance 25.0000 m",
        "= 24.2574 m",
        "= 28.5029 m",
        "half a degree",
    ] {
        assert!(words.contains(part), "{part}: {words}");
    }
    assert!(!words.contains("steeper"), "{words}");
    let steep = reading(degrees(52.0), degrees(-6.0), 20.0, 0.0);
    let words = steep.derivation().join("\n");
    assert!(words.contains("steeper than 100 %"), "{words}");
    assert!(words.contains("shorter than the tree"), "{words}");
}
