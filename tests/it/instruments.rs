//! Heights from two readings over a distance, against worked vectors (plane trigonometry, computed
//! independently) and a printed example.

use spinney::records::Reading;

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
    // makes (D^2 + H^2) / D times the angle = 0.523598776 m; with the sight to the base, whose
    // part is D times the angle, the two make the root of the sum of squares.
    let at = |distance_m: f64| reading(30.0 / distance_m, 0.0, distance_m, 0.0);
    let base = 30.0 * 0.5_f64.to_radians();
    let top: f64 = "0.523598776".parse().unwrap();
    let expected = top.hypot(base);
    assert!((at(30.0).half_degree_error_m() - expected).abs() < 1e-3);
    assert!(at(12.0).half_degree_error_m() > at(30.0).half_degree_error_m());
}
