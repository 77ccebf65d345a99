//! A user's own equations: published ones written as data and read at run time, and what is said
//! about folders that are broken.

use std::collections::BTreeMap;
use std::fs;

use spinney::read::tables::Tables;
use spinney::species::equation::Model;

use crate::cruise::{Cruise, Run};

/// Poudel, Temesgen, Radtke & Gray 2019, Can. J. For. Res. 49:701-714, as carried in a later
/// document: `ln V = a + b ln D + c ln H`, cm, m, m3 inside bark of the total stem. Codes of the
/// example, and the same figures as in `ROWS`.
const POUDEL: &[(&str, [f64; 3])] = &[
    ("Fd", [-9.5504, 1.742, 1.021]),
    ("Cw", [-9.5468, 2.0363, 0.66]),
    ("Hw", [-9.9763, 1.9583, 0.925]),
    ("Dr", [-10.3462, 2.0513, 0.944]),
];

const HEAD: &str = "\
title: Western species, total stem
citation: Poudel, Temesgen, Radtke & Gray 2019, Can. J. For. Res. 49:701-714
obtained: read in a document that carries it and names the original
form: formula
formula: \"exp(a + b * ln(dbh_cm) + c * ln(height_m))\"
quantity: total
units: { result: m3 }
bark: inside bark
total_includes: the whole stem
range: not published
error: not published
";

const ROWS: &str = "\
species,a,b,c
Fd,-9.5504,1.742,1.021
Cw,-9.5468,2.0363,0.66
Hw,-9.9763,1.9583,0.925
Dr,-10.3462,2.0513,0.944
";

/// Evaluated by another program for a tree of 16 in and 85 ft.
const CHECKS: &str = "\
species,dbh_in,height_ft,quantity,value,unit,tolerance,status,where
Fd,16.0,85.0,total,44.2774,ft3,printed,computed independently,another program
Cw,16.0,85.0,total,40.833,ft3,printed,computed independently,another program
Hw,16.0,85.0,total,47.1567,ft3,printed,computed independently,another program
Dr,16.0,85.0,total,48.9087,ft3,printed,computed independently,another program
";

const SOUND: &[(&str, &str)] = &[
    ("set.yaml", HEAD),
    ("coefficients.csv", ROWS),
    ("checks.csv", CHECKS),
];

/// The example cruise with a volume set of the user's own in `own/`.
fn example_with(set: &str, files: &[(&str, &str)]) -> Cruise {
    let cruise = Cruise::copy_of("examples/marrow-creek");
    write_set(&cruise, set, files);
    cruise
}

fn write_set(cruise: &Cruise, set: &str, files: &[(&str, &str)]) {
    let folder = cruise.path("own/volume").join(set);
    fs::create_dir_all(&folder).unwrap();
    for (name, text) in files {
        fs::write(folder.join(name), text).unwrap();
    }
}

/// The design of the example without the limits that the equations above have no answer for, and
/// without its zone.
fn total_volume_only(cruise: Cruise) -> Cruise {
    let design = cruise.read("design.yaml");
    let kept: Vec<&str> = design
        .lines()
        .filter(|line| !line.contains("region: CWH") && !line.contains("merchantable:"))
        .collect();
    cruise.file("design.yaml", kept.join("\n") + "\n")
}

fn compile(cruise: &Cruise, more: &[&str]) -> Run {
    let mut arguments = vec!["compile", "design.yaml", "--tree-list", "list.csv"];
    arguments.extend(more);
    let run = cruise.run(&arguments);
    assert_eq!(run.status, 0, "{}", run.stderr);
    run
}

fn tree_list(cruise: &Cruise) -> Vec<BTreeMap<String, String>> {
    csv::Reader::from_reader(cruise.read("list.csv").as_bytes())
        .deserialize()
        .map(Result::unwrap)
        .collect()
}

/// Every unbroken tree of the list against `volume_m3(species, dbh_cm, height_m)`.
fn assert_volumes(cruise: &Cruise, volume_m3: impl Fn(&str, f64, f64) -> f64) {
    let mut compared = BTreeMap::new();
    for tree in tree_list(cruise) {
        let number = |name: &str| tree[name].parse::<f64>().ok();
        let sizes = (number("dbh_cm"), number("height_m"));
        let ((Some(dbh), Some(height)), Some(volume)) = (sizes, number("volume_total_m3")) else {
            continue;
        };
        if tree["broken_height_m"].is_empty() {
            let wanted = volume_m3(&tree["species"], dbh, height);
            assert!((volume / wanted - 1.0).abs() < 1e-12, "{tree:?}: {wanted}");
            *compared.entry(tree["species"].clone()).or_insert(0) += 1;
        }
    }
    assert_eq!(compared.len(), 4, "{compared:?}");
    assert!(compared.values().sum::<i32>() > 90, "{compared:?}");
}

#[test]
fn a_published_equation_is_added_as_data() {
    let cruise = total_volume_only(example_with("west-2019", SOUND)).edit(
        "design.yaml",
        "ca-bc-volume-2016",
        "west-2019",
    );
    let by_option = compile(&cruise, &["--tables", "own"]);
    assert_volumes(&cruise, |species, dbh, height| {
        let (_, [a, b, c]) = POUDEL.iter().find(|(code, _)| *code == species).unwrap();
        (a + b * dbh.ln() + c * height.ln()).exp()
    });
    assert!(!by_option.stderr.contains("no-check-value"));

    let cruise = cruise.edit("design.yaml", "inputs:", "inputs:\n  species_tables: own");
    let by_design = compile(&cruise, &[]);
    assert_eq!(by_design.stdout, by_option.stdout);
}

#[test]
fn an_own_set_shows_its_formula_and_its_check_values() {
    let cruise = example_with("west-2019", SOUND);
    let shown = cruise.run(&["equations", "west-2019", "--tables", "own"]);
    insta::assert_snapshot!("own-set", shown.stdout);
    let verified = cruise.run(&["equations", "west-2019", "--verify", "--tables", "own"]);
    assert_eq!(verified.status, 0, "{}", verified.stderr);
    assert!(
        verified.stdout.ends_with("\n4 of 4 check values agree\n"),
        "{}",
        verified.stdout
    );
    let cruise = total_volume_only(cruise).edit("design.yaml", "ca-bc-volume-2016", "west-2019");
    let explained = cruise.run(&[
        "explain",
        "design.yaml",
        "--tables",
        "own",
        "--plot",
        "1",
        "--tree",
        "2",
    ]);
    for line in [
        "exp(a + b * ln(dbh_cm) + c * ln(height_m))",
        "a = -9.5504, b = 1.742, c = 1.021",
    ] {
        assert!(
            explained.stdout.contains(line),
            "{}{}",
            explained.stdout,
            explained.stderr
        );
    }
}

#[test]
fn an_own_set_takes_the_place_of_a_built_in_one() {
    // Invented: a parabola with half the volume of its cylinder, in inches, feet and cubic feet.
    let head = HEAD
        .replace(
            "exp(a + b * ln(dbh_cm) + c * ln(height_m))",
            "f * pi * (dbh_in / 24)^2 * height_ft",
        )
        .replace("{ result: m3 }", "{ result: ft3 }");
    let files = [
        ("set.yaml", head.as_str()),
        (
            "coefficients.csv",
            "species,f\nFd,0.5\nCw,0.5\nHw,0.5\nDr,0.5\n",
        ),
    ];
    let cruise = total_volume_only(example_with("ca-bc-volume-2016", &files));
    let run = compile(&cruise, &["--tables", "own"]);
    assert!(run.stderr.contains("[no-check-value]"), "{}", run.stderr);
    assert_volumes(&cruise, |_, dbh_cm, height_m| {
        0.5 * std::f64::consts::PI * (dbh_cm / 200.0).powi(2) * height_m
    });
}

#[test]
fn one_set_may_hold_formulas_and_known_forms_for_several_quantities() {
    let cruise = Cruise::new();
    let head = HEAD
        .replace(
            "form: formula\nformula: \"exp(a + b * ln(dbh_cm) + c * ln(height_m))\"\n",
            "",
        )
        .replace("quantity: total\n", "")
        .replace("{ result: m3 }", "{ result: m3, mass: kg }");
    // Figures are invented; `exp-power` and the formula say the same.
    let rows = "\
species,quantity,form,formula,b0,b1,b2,m
Fd,total,exp-power,,-9.5,1.7,1.0,
Cw,total,,exp(b0) * dbh_cm^b1 * height_m^b2,-9.5,1.7,1.0,
Fd,bark,,\"m * pow(dbh_cm, 2) * height_m\",,,,0.000004
Fd,wood mass,formula,m * dbh_cm^2.5,,,,0.06
";
    write_set(
        &cruise,
        "mixed",
        &[("set.yaml", &head), ("coefficients.csv", rows)],
    );
    let tables = Tables::with_overlay(&cruise.path("own")).unwrap();
    let species = tables.species().unwrap();
    let set = tables.volume_set("mixed", &species).unwrap();
    let value = |row: usize| match &set.equations[row].model {
        Model::Direct(form) => form.value(30.0, 25.0),
        other => panic!("{other:?}"),
    };
    // exp(-9.5) 30^1.7 25 = 0.6074..., worked with the laws of logarithms instead of the powers.
    let total = (-9.5 + 1.7 * 30.0_f64.ln() + 25.0_f64.ln()).exp();
    assert!((value(0) / total - 1.0).abs() < 1e-12);
    assert!((value(1) / total - 1.0).abs() < 1e-12);
    assert!((value(2) - 0.000004 * 900.0 * 25.0).abs() < 1e-12);
    assert!((value(3) / (0.06 * 900.0 * 30.0_f64.sqrt()) - 1.0).abs() < 1e-12);
    assert_eq!(set.equations[2].coefficients_text(), "m = 0.000004");
    assert_eq!((set.head.units.dbh, set.head.units.height), ("cm", "m"));
}

/// What is said about a broken set, the sound one with some of its text changed.
fn told(changes: &[(&str, &str, &str)]) -> String {
    let mut files: Vec<(&str, String)> = SOUND
        .iter()
        .map(|(name, text)| (*name, (*text).to_owned()))
        .collect();
    for (name, from, to) in changes {
        let (_, text) = files.iter_mut().find(|(file, _)| file == name).unwrap();
        assert!(text.contains(from), "`{from}` is not in {name}");
        *text = text.replacen(from, to, 1);
    }
    let cruise = Cruise::new();
    let files: Vec<(&str, &str)> = files
        .iter()
        .map(|(name, text)| (*name, text.as_str()))
        .collect();
    write_set(&cruise, "broken", &files);
    let run = cruise.run(&["equations", "broken", "--tables", "own"]);
    assert_eq!(run.status, 1, "{}", run.stdout);
    assert_eq!(run.stdout, "");
    run.stderr
}

#[test]
fn every_fault_of_an_own_formula_is_told_with_its_place() {
    const SET: &str = "set.yaml";
    const ROWS: &str = "coefficients.csv";
    const FORMULA: &str = "\"exp(a + b * ln(dbh_cm) + c * ln(height_m))\"";
    let formula = |text: &str| told(&[(SET, FORMULA, text)]);
    let broken = [
        (
            "a size without unit",
            formula("exp(a + b * ln(D) + c * ln(height))"),
        ),
        (
            "two units in one formula",
            formula("'exp(a + b * ln(dbh_cm) + c * ln(height_m) + dbh_in - height_ft)'"),
        ),
        (
            "unknown functions",
            formula("exp(a + b * log(dbh_cm) + c * lnn(height_m))"),
        ),
        (
            "a parenthesis never closed",
            formula("exp(a + b * ln(dbh_cm) + c * ln(height_m)"),
        ),
        (
            "folded over lines",
            formula(">\n  exp(a + b * ln(dbh_cm)\n  + c * ln(height_ft) * height_m)"),
        ),
        (
            "a coefficient without column",
            formula("exp(a + b * ln(dbh_cm) + d1 * ln(height_m))"),
        ),
        ("no size at all", formula("a + b + c")),
        (
            "a column that nothing uses",
            told(&[
                (ROWS, "species,a,b,c", "species,a,b,c,sd"),
                (ROWS, "1.021", "1.021,0.1"),
            ]),
        ),
        (
            "figures missing or no numbers",
            told(&[(ROWS, "-9.5504", ""), (ROWS, "0.66", "o.66")]),
        ),
        (
            "units of the head against the variables",
            told(&[(SET, "{ result: m3 }", "{ dbh: in, height: ft, result: m3 }")]),
        ),
        (
            "no unit of the result",
            told(&[(SET, "{ result: m3 }", "{ mass: kg }")]),
        ),
        (
            "rows of their own in other units",
            told(&[
                (ROWS, "species,a,b,c", "species,formula,a,b,c"),
                (
                    ROWS,
                    "Fd,",
                    "Fd,exp(a + b * ln(dbh_in) + c * ln(height_m)),",
                ),
                (ROWS, "Cw,", "Cw,\"pow(dbh_cm, b) * (height_m^c * exp(a)\","),
                (ROWS, "Hw,", "Hw,,"),
                (ROWS, "Dr,", "Dr,a b c,"),
            ]),
        ),
        (
            "a form that is none and a formula beside a form",
            told(&[
                (ROWS, "species,a,b,c", "species,form,formula,a,b,c"),
                (ROWS, "Fd,", "Fd,power,a * dbh_cm^b * height_m^c,"),
                (ROWS, "Cw,", "Cw,formular,,"),
                (ROWS, "Hw,", "Hw,,,"),
                (ROWS, "Dr,", "Dr,,,"),
            ]),
        ),
        (
            "no formula anywhere",
            told(&[(SET, &format!("formula: {FORMULA}\n"), "")]),
        ),
        (
            "check values that are not met",
            told(&[
                (ROWS, "1.742", "1.724"),
                ("checks.csv", "Hw,16.0", "Ba,16.0"),
            ]),
        ),
    ];
    let told: Vec<String> = broken
        .iter()
        .map(|(what, told)| format!("== {what}\n{told}"))
        .collect();
    insta::assert_snapshot!("own-formulas-broken", told.join("\n"));
}

#[test]
fn a_broken_own_set_stops_a_compilation_too() {
    let checks = CHECKS.replace("44.2774", "45");
    let files = [SOUND[0], SOUND[1], ("checks.csv", checks.as_str())];
    let cruise = total_volume_only(example_with("west-2019", &files))
        .edit("design.yaml", "ca-bc-volume-2016", "west-2019")
        .edit("design.yaml", "inputs:", "inputs:\n  species_tables: own");
    let run = cruise.run(&["compile", "design.yaml"]);
    assert_eq!((run.status, run.stdout.as_str()), (1, ""));
    assert!(
        run.stderr.contains(
            "\nown/volume/west-2019/checks.csv:2:20: error: the equation gives 44.2774 ft3, the \
             check value is 45 ft3 (relative difference -1.6e-2)"
        ),
        "{}",
        run.stderr
    );
}

#[test]
fn an_own_biomass_set_may_be_a_formula_too() {
    let cruise = Cruise::copy_of("examples/marrow-creek");
    let folder = cruise.path("own/biomass/own-mass");
    fs::create_dir_all(&folder).unwrap();
    // Invented: one kilogram for each square centimetre of dbh.
    let head = HEAD
        .replace("exp(a + b * ln(dbh_cm) + c * ln(height_m))", "f * dbh_cm^2")
        .replace("quantity: total", "quantity: total mass")
        .replace("{ result: m3 }", "{ mass: kg }")
        + "carbon_fraction: { value: 0.5, source: invented }\n";
    fs::write(folder.join("set.yaml"), head).unwrap();
    let rows = "species,f\nFd,1\nCw,1\nHw,1\nDr,1\n";
    fs::write(folder.join("coefficients.csv"), rows).unwrap();
    let run = compile(&cruise, &["--tables", "own", "--biomass-set", "own-mass"]);
    assert!(
        run.stderr.contains(
            "warning: biomass set `own-mass` has no check value; its formula is untested"
        ),
        "{}",
        run.stderr
    );
    let mut compared = 0;
    for tree in tree_list(&cruise) {
        let dbh_cm: f64 = tree["dbh_cm"].parse().unwrap();
        let mass_kg: f64 = tree["biomass_kg"].parse().unwrap_or(f64::NAN);
        // A snag has lost some of it.
        if tree["status"] == "live" {
            assert!((mass_kg / dbh_cm.powi(2) - 1.0).abs() < 1e-12, "{tree:?}");
            compared += 1;
        }
    }
    assert!(compared > 80, "{compared}");
}
