//! Heights from sights and their errors, against worked vectors (plane trigonometry, computed
//! independently) and a printed example; and against numbers moved by hand.

use proptest::prelude::*;
use spinney::design::{InstrumentError, LengthError, SightError};
use spinney::records::{HeightRecord, Reading, ReadingScale};

fn degrees(angle: f64) -> f64 {
    angle.to_radians().tan()
}

fn level(distance_m: f64) -> ReadingScale {
    ReadingScale::Level { distance_m }
}

fn slope(distance_m: f64, tape_ratio: f64) -> ReadingScale {
    ReadingScale::Slope {
        distance_m,
        tape_ratio: Some(tape_ratio),
    }
}

fn slant(top_m: f64, base_m: f64) -> ReadingScale {
    ReadingScale::Slant { base_m, top_m }
}

fn printed(value: f64, printed: &str, case: &str) {
    let decimals = printed.split_once('.').map_or(0, |(_, part)| part.len());
    assert_eq!(format!("{value:.decimals$}"), printed, "{case}");
}

/// Errors of 0.2 m in each distance and half a degree in each sight, as in the vectors.
const WORKED: InstrumentError = InstrumentError {
    sight: SightError::Degrees(0.5),
    distance: LengthError::Metres(0.2),
    hidden_top_pct: 25.0,
    height: None,
};

#[test]
fn heights_of_the_worked_vectors() {
    // Case, reading, height as printed. The unit of the distance is that of the height.
    let up = Reading::upright;
    let vectors = [
        (
            "T1",
            up(degrees(52.0), degrees(-6.0), level(66.0)),
            "91.413027252",
        ),
        (
            "T2, base above the eye",
            up(degrees(48.0), degrees(9.0), level(20.0)),
            "19.044561490",
        ),
        ("P1", up(0.97, -0.12, level(100.0)), "109.000000000"),
        ("P2", up(1.04, -0.09, level(83.5)), "94.355000000"),
        (
            "S1, tape along -14 degrees",
            up(degrees(41.0), degrees(-17.0), slope(25.0, degrees(-14.0))),
            "28.502859506",
        ),
        (
            "S2, tape along 30 %",
            up(0.88, 0.18, slope(80.0, 0.3)),
            "53.638271972",
        ),
        (
            "N1, sine",
            up(degrees(44.0), degrees(-3.0), slant(38.6, 28.1)),
            "28.284453470",
        ),
        (
            "N2, sine, the base at the level of the eye",
            up(degrees(47.0), 0.0, slant(105.0, 70.0)),
            "76.792138670",
        ),
        (
            "K1, pole",
            up(
                degrees(39.0),
                degrees(-8.0),
                ReadingScale::Pole {
                    length_m: 8.0,
                    ratio: degrees(5.0),
                },
            ),
            "33.340418684",
        ),
        (
            "L1, a tip of 24 m 5 m off the base",
            Reading {
                top_offset_m: 5.0,
                ..up(0.8, 0.0, level(30.0))
            },
            "24.515301344",
        ),
        // DeYoung 2016, Forest Measurements: An Applied Approach, section 2.3, example 1:
        // 50 ft, 124 % and -16 %, 62 + 8 = 70 ft.
        ("printed example", up(1.24, -0.16, level(50.0)), "70"),
    ];
    for (case, reading, height) in vectors {
        printed(reading.height_m(), height, case);
    }
    let horizontal = [vectors[4], vectors[5]].map(|(_, s, _)| s.horizontal_distance_m().unwrap());
    printed(horizontal[0], "24.257393157", "S1");
    printed(horizontal[1], "76.626102818", "S2");
    // Curtis & Bruce's method takes no distance.
    assert_eq!(vectors[8].1.horizontal_distance_m(), None);
}

#[test]
fn a_tip_nearer_to_the_observer_costs_what_the_vector_says() {
    // Vector E4: D = 25 m to the stem, the top 24 m above the eye and 3 m nearer: one distance
    // gives 3.272727273 m too much, a distance to the point under the top nothing.
    let top_ratio = 24.0 / 22.0;
    let one = Reading::upright(top_ratio, 0.0, level(25.0));
    printed(one.height_m() - 24.0, "3.272727273", "E4");
    let two = ReadingScale::TwoLevel {
        base_m: 25.0,
        top_m: 22.0,
    };
    let below = Reading::upright(top_ratio, -0.06, two);
    printed(below.height_m(), "25.500000000", "two distances");
    let leaning = Reading {
        top_offset_m: 3.0,
        ..Reading::upright(top_ratio, 0.0, two)
    };
    printed(
        leaning.height_m(),
        &format!("{:.9}", 24.0_f64.hypot(3.0)),
        "stem",
    );
}

#[test]
fn errors_of_the_worked_vectors() {
    let (top, base) = (degrees(50.0), degrees(-5.0));
    // E1, and the same by the default of 1 % of 20 m.
    let tangent = Reading::upright(top, base, level(20.0));
    printed(tangent.std_error_m(&WORKED), "0.524237745", "E1");
    let by_default = tangent.std_error_m(&InstrumentError::default());
    printed(by_default, "0.524237745", "E1, defaults");
    // E2: the same geometry by slant distances.
    let distance = |ratio: f64| 20.0 * ratio.hypot(1.0);
    let sine = Reading::upright(top, base, slant(distance(top), distance(base)));
    assert!((sine.height_m() - tangent.height_m()).abs() < 1e-12);
    printed(sine.std_error_m(&WORKED), "0.291033147", "E2");
    // E3: a degree too much in both sights.
    let biased = Reading::upright(degrees(51.0), degrees(-4.0), level(20.0));
    printed(biased.height_m() - tangent.height_m(), "0.511634247", "E3");
    // The percent scale: Var H = ((t - b) / 100)^2 s_D^2 + 2 (D / 100)^2 s_p^2.
    let percent = InstrumentError {
        sight: SightError::Percent(1.0),
        ..WORKED
    };
    let wanted = (1.4_f64 * 0.2).hypot(2.0_f64.sqrt() * 25.0 / 100.0);
    let read = Reading::upright(1.1, -0.3, level(25.0));
    assert!((read.std_error_m(&percent) - wanted).abs() < 1e-12);
}

#[test]
fn half_a_degree_costs_least_at_one_tree_height() {
    // Vector E5: H = 30 m, level base, D = 30 m: the sight to the top alone, 0.5 degrees off,
    // makes (D^2 + H^2) / D times the angle = 0.523598776 m. The sight to the base adds D times the
    // angle, at right angles.
    let top_alone = |distance_m: f64| {
        let reading = Reading::upright(30.0 / distance_m, 0.0, level(distance_m));
        let base_m = distance_m * 0.5_f64.to_radians();
        (reading.error_parts(&WORKED).sights_m.powi(2) - base_m.powi(2)).sqrt()
    };
    printed(top_alone(30.0), "0.523598776", "E5");
    for distance_m in [10.0, 20.0, 29.0, 31.0, 45.0, 90.0] {
        assert!(top_alone(distance_m) > top_alone(30.0), "{distance_m}");
    }
}

#[test]
fn a_hidden_top_adds_its_length_and_its_error() {
    let sighted = Reading::upright(0.7, -0.05, level(30.0));
    let hidden = Reading {
        hidden_top_m: 2.0,
        ..sighted
    };
    assert!((hidden.height_m() - 24.5).abs() < 1e-12);
    let error_m = sighted.std_error_m(&WORKED).hypot(0.5);
    assert!((hidden.std_error_m(&WORKED) - error_m).abs() < 1e-12);
}

#[test]
fn heights_written_down_have_the_error_that_the_design_says() {
    let written = HeightRecord::Measured { height_m: 20.0 };
    let with = |height| InstrumentError { height, ..WORKED };
    let error_m = |height| written.std_error_m(&with(height));
    assert_eq!(error_m(None), None);
    assert_eq!(error_m(Some(LengthError::Metres(0.8))), Some(0.8));
    assert_eq!(error_m(Some(LengthError::Percent(5.0))), Some(1.0));
    assert_eq!(HeightRecord::Missing.std_error_m(&WORKED), None);
}

#[test]
fn steep_sights_and_short_distances_are_told() {
    let flat = Reading::upright(0.9, -0.05, level(30.0));
    assert!(!flat.is_steep() && !flat.is_short_baseline());
    let steep = Reading::upright(1.01, -0.05, level(20.0));
    assert!(steep.is_steep() && steep.is_short_baseline());
    assert!(Reading::upright(0.5, -1.2, level(20.0)).is_steep());
    // By slant distances a steep sight from near is the better one.
    let sine = Reading::upright(1.2, -0.05, slant(30.0, 19.0));
    assert!(!sine.is_steep() && !sine.is_short_baseline());
}

fn read(heads: &str, row: &str) -> Reading {
    let trees = format!("plot,tree,species,dbh_cm,{heads}\n1,1,Fd,40,{row}\n");
    let cruise = crate::reading::Cruise {
        design: "title: Invented\ninputs: { plots: plots.csv, trees: trees.csv }\n\
                 selections: { fixed: { method: fixed-area, radius_m: 8 } }\n",
        plots: Some("plot\n1\n"),
        trees: Some(&trees),
        ..crate::reading::Cruise::default()
    };
    let records = cruise.records();
    let (_, _, tree) = records.stands[0].trees().next().unwrap();
    let HeightRecord::Instrument(read) = tree.height else {
        panic!("{tree:?}")
    };
    read
}

#[test]
fn sights_on_any_scale_become_slope_ratios() {
    // Vectors U1 and U2: 52 degrees are 127.994163219 % and 84.476147725 in 66. The height of the first tree is vector T1, in feet.
    let first = read("top_deg,base_deg,distance_ft", "52,-6,66");
    printed(first.top_ratio * 100.0, "127.994163219", "U1");
    printed(first.top_ratio * 66.0, "84.476147725", "U2");
    printed(first.height_m() / 0.3048, "91.413027252", "T1");
    // Vectors C1 and C2, the topographic scale.
    for (distance, sights, height) in [
        ("66", "61,-7", "68.000000000"),
        ("99", "58,-4", "93.000000000"),
    ] {
        let row = format!("{sights},{distance}");
        let feet = read("top_per_66,base_per_66,distance_ft", &row).height_m() / 0.3048;
        printed(feet, height, distance);
    }
    // 20 m (15 m) off, the scales 1/20 and 1/15 read metres; each sight has a scale of its own.
    let twenty = read("top_per_20,base_per_20,distance_m", "17.5,-1.5,20");
    printed(twenty.height_m(), "19.000000000", "1/20");
    let fifteen = read("top_per_15,base_per_15,distance_m", "17.5,-1.5,30");
    printed(fifteen.height_m(), "38.000000000", "1/15");
    let mixed = read("top_per_15,base_pct,distance_m", "15,-10,20");
    printed(mixed.height_m(), "22.000000000", "mixed");
}

#[test]
fn every_way_to_read_a_height_is_read() {
    // Vectors S1, N1, K1 and E4 from records, a hidden top, and L1 in feet.
    for (case, heads, row, height) in [
        (
            "S1",
            "top_deg,base_deg,slope_distance_m,tape_deg",
            "41,-17,25,-14",
            "28.502859506",
        ),
        (
            "N1",
            "top_deg,base_deg,top_slant_m,base_slant_m",
            "44,-3,38.6,28.1",
            "28.284453470",
        ),
        (
            "K1",
            "top_deg,base_deg,pole_m,pole_top_deg",
            "39,-8,8,5",
            "33.340418684",
        ),
        (
            "E4",
            "top_pct,base_pct,distance_m,top_distance_m",
            "100,-6,25,24",
            "25.500000000",
        ),
        (
            "hidden",
            "top_pct,base_pct,distance_m,hidden_top_m",
            "70,-5,30,2",
            "24.500000000",
        ),
    ] {
        printed(read(heads, row).height_m(), height, case);
    }
    let leaning = read("top_pct,base_pct,distance_ft,top_offset_ft", "80,0,30,5");
    printed(leaning.height_m() / 0.3048, "24.515301344", "L1");
}

#[test]
fn the_derivation_tells_the_tape_and_what_the_error_is() {
    // Vector S1, and its horizontal distance of 24.257393157 m.
    let up = Reading::upright;
    let sloping = up(degrees(41.0), degrees(-17.0), slope(25.0, degrees(-14.0)));
    let words = sloping.derivation(&WORKED).join("\n");
    for part in [
        "taped distance 25.0000 m",
        "= 24.2574 m",
        "= 28.5029 m",
        "standard error",
        "from the sights",
    ] {
        assert!(words.contains(part), "{part}: {words}");
    }
    assert!(!words.contains("steeper"), "{words}");
    let steep = up(degrees(52.0), degrees(-6.0), level(20.0));
    let words = steep.derivation(&WORKED).join("\n");
    assert!(words.contains("steeper than 100 %"), "{words}");
    assert!(words.contains("shorter than the tree"), "{words}");
    // Vectors U3, 97 % are 44.127542877 degrees, and P1 in metres.
    let words = up(0.97, -0.12, level(30.48)).derivation(&WORKED).join("\n");
    assert!(words.contains("97.00 % (44.13 degrees)"), "{words}");
    assert!(
        words.contains("H = 30.4800 x (0.9700 - (-0.1200)) = 33.2232 m"),
        "{words}"
    );
}

/// Any reading of a tree of some height by any method.
fn any_reading() -> impl Strategy<Value = Reading> {
    let sizes = (5.0_f64..40.0, 5.0_f64..50.0, -8.0_f64..8.0, 0.5_f64..0.9);
    let rest = (-0.4_f64..0.4, 0.0_f64..4.0, 0.0_f64..6.0, 0..6_u8);
    (sizes, rest).prop_map(
        |((height, distance, base, share), (tape, hidden, offset, way))| {
            let (t, b) = ((base + height) / distance, base / distance);
            let scale = match way {
                0 => level(distance),
                1 => slope(distance * tape.hypot(1.0), tape),
                2 => ReadingScale::Slope {
                    distance_m: distance * b.hypot(1.0),
                    tape_ratio: None,
                },
                3 => ReadingScale::TwoLevel {
                    base_m: distance,
                    top_m: distance,
                },
                4 => slant(distance * t.hypot(1.0), distance * b.hypot(1.0)),
                _ => ReadingScale::Pole {
                    length_m: share * height,
                    ratio: b + share * height / distance,
                },
            };
            Reading {
                hidden_top_m: hidden,
                top_offset_m: offset,
                ..Reading::upright(t, b, scale)
            }
        },
    )
}

/// What was read: sights as angles, then distances, as a list that can be moved and read back.
fn numbers(reading: &Reading) -> (Vec<f64>, Vec<f64>) {
    let mut angles = vec![reading.top_ratio.atan(), reading.base_ratio.atan()];
    let mut distances = vec![reading.top_offset_m];
    match reading.scale {
        ReadingScale::Level { distance_m } => distances.push(distance_m),
        ReadingScale::Slope {
            distance_m,
            tape_ratio,
        } => {
            distances.push(distance_m);
            angles.extend(tape_ratio.map(f64::atan));
        }
        ReadingScale::TwoLevel { base_m, top_m } | ReadingScale::Slant { base_m, top_m } => {
            distances.extend([base_m, top_m]);
        }
        ReadingScale::Pole { ratio, .. } => angles.push(ratio.atan()),
    }
    (angles, distances)
}

fn with_numbers(like: &Reading, angles: &[f64], distances: &[f64]) -> Reading {
    let sight = |at: usize| angles[at].tan();
    let scale = match like.scale {
        ReadingScale::Level { .. } => level(distances[1]),
        ReadingScale::Slope { tape_ratio, .. } => ReadingScale::Slope {
            distance_m: distances[1],
            tape_ratio: tape_ratio.map(|_| sight(2)),
        },
        ReadingScale::TwoLevel { .. } => ReadingScale::TwoLevel {
            base_m: distances[1],
            top_m: distances[2],
        },
        ReadingScale::Slant { .. } => slant(distances[2], distances[1]),
        ReadingScale::Pole { length_m, .. } => ReadingScale::Pole {
            length_m,
            ratio: sight(2),
        },
    };
    Reading {
        top_ratio: sight(0),
        base_ratio: sight(1),
        scale,
        top_offset_m: distances[0],
        ..*like
    }
}

/// By how much a number is moved.
const STEP: f64 = 1e-5;

proptest! {
    #[test]
    fn every_method_gives_the_same_height(reading in any_reading()) {
        let one = Reading::upright(
            reading.top_ratio,
            reading.base_ratio,
            level(reading.horizontal_distance_m().unwrap_or(20.0)),
        );
        // A pole knows no distance: its height is that of the sights over its own.
        if reading.horizontal_distance_m().is_some() {
            prop_assert!((reading.sighted_m() - one.sighted_m()).abs() < 1e-9);
        }
        let stem = (reading.sighted_m() + reading.hidden_top_m).hypot(reading.top_offset_m);
        prop_assert!((reading.height_m() - stem).abs() < 1e-9);
    }

    #[test]
    fn percent_and_degrees_say_the_same(angle in -60.0_f64..60.0, base in -30.0_f64..30.0) {
        let by_degrees = Reading::upright(degrees(angle), degrees(base), level(25.0));
        let percent = |angle: f64| 100.0 * angle.to_radians().tan();
        let by_percent =
            Reading::upright(percent(angle) / 100.0, percent(base) / 100.0, level(25.0));
        prop_assert!((by_degrees.height_m() - by_percent.height_m()).abs() < 1e-9);
        // A base above the eye takes away what one below it adds.
        let below = Reading::upright(degrees(angle), -degrees(base), level(25.0));
        let sum = by_degrees.sighted_m() + below.sighted_m();
        prop_assert!((sum - 2.0 * 25.0 * degrees(angle)).abs() < 1e-9);
    }

    #[test]
    fn the_error_is_that_of_numbers_moved_by_hand(
        reading in any_reading(),
        angle_deg in 0.1_f64..2.0,
        distance_pct in 0.1_f64..3.0,
    ) {
        let error = InstrumentError {
            sight: SightError::Degrees(angle_deg),
            distance: LengthError::Percent(distance_pct),
            ..WORKED
        };
        let (angles, distances) = numbers(&reading);
        // Half the difference between the heights with one number a little up and down.
        let moved = |angle: Option<usize>, distance: Option<usize>, step: f64| {
            let at = |sign: f64| {
                let (mut angles, mut distances) = (angles.clone(), distances.clone());
                if let Some(at) = angle {
                    angles[at] += sign * step;
                }
                if let Some(at) = distance {
                    distances[at] += sign * step;
                }
                with_numbers(&reading, &angles, &distances).height_m()
            };
            (at(1.0) - at(-1.0)) / (2.0 * step)
        };
        let sights = (0..angles.len())
            .map(|at| moved(Some(at), None, STEP) * angle_deg.to_radians());
        let lengths = (0..distances.len())
            .map(|at| moved(None, Some(at), STEP) * distances[at] * distance_pct / 100.0);
        let hidden = 0.25 * reading.hidden_top_m * reading.tip_m() / reading.height_m();
        let wanted = sights.chain(lengths).chain([hidden]).fold(0.0, f64::hypot);
        let ours = reading.std_error_m(&error);
        prop_assert!((ours / wanted - 1.0).abs() < 1e-5, "{ours} {wanted}");
    }
}
