//! Log rules against printed tables and independently computed values.

use spinney::logs::rules::{LogRule, RuleKind, smalian_m3};
use spinney::read::tables::Tables;

use crate::answers::{case_file, rows};
use crate::cruise::{Cruise, run};
use crate::reading::lines;

fn rule(name: &str) -> LogRule {
    Tables::builtin().log_rule(name).unwrap()
}

/// The check values of each rule, and how many there must be: a file that lost its rows would pass
/// in silence.
const CHECKS: [(&str, usize); 9] = [
    ("doyle", 105),
    ("form-class-1986", 434),
    ("huber", 5),
    ("international-quarter-inch", 125),
    ("newton", 5),
    ("scribner", 64),
    ("scribner-decimal-c", 3),
    ("scribner-formula", 64),
    ("smalian", 5),
];

#[test]
fn every_check_value_of_every_rule_is_met() {
    assert_eq!(Tables::builtin().log_rules(), CHECKS.map(|(name, _)| name));
    for (name, count) in CHECKS {
        let rule = rule(name);
        let results = rule.verify();
        assert_eq!(results.len(), count, "{name}");
        let worst = results
            .iter()
            .map(|result| result.relative_error.abs())
            .fold(0.0, f64::max);
        println!("{name:<28} {count:>4} checks, worst relative error {worst:.1e}");
        let failed: Vec<String> = results
            .iter()
            .filter(|result| !result.pass)
            .map(|result| format!("{result:?}"))
            .collect();
        assert!(failed.is_empty(), "{name}: {failed:#?}");
    }
}

/// The approximation's own error, which its head states: largest difference from the printed cells
/// in percent, mean difference in percent, cells off by more than 5 %.
#[test]
fn the_form_class_formulas_are_as_far_from_the_printed_tables_as_stated() {
    let rule = rule("form-class-1986");
    let RuleKind::FormClass(table) = &rule.kind else {
        panic!("{:?}", rule.kind)
    };
    let printed = rows(&case_file("log-rules/form-class-78", "printed.csv"));
    for (name, cells, most, mean, beyond) in [
        ("scribner", 254, 10.0, 0.85, 3),
        ("international-quarter-inch", 17, 7.2, 1.85, 2),
    ] {
        let differences: Vec<f64> = printed
            .iter()
            .filter(|row| row["rule"] == name)
            .map(|row| {
                let number = |column: &str| row[column].parse::<f64>().unwrap();
                let ours = table.board_feet(name, number("dbh_in"), number("logs_16ft"), 78.0);
                100.0 * (ours.unwrap() / number("printed_bf") - 1.0).abs()
            })
            .collect();
        assert_eq!(differences.len(), cells);
        let worst = differences.iter().copied().fold(0.0, f64::max);
        let average = differences.iter().sum::<f64>() / cells as f64;
        println!("{name}: worst {worst:.1} %, mean {average:.2} %");
        assert!(worst < most && average < mean, "{name} {worst} {average}");
        let far = differences.iter().filter(|d| **d > 5.0).count();
        assert_eq!(far, beyond, "{name}");
    }
    // 3 % for each form class, by the formula; a rule that is not there has no value.
    let at = |form_class| table.board_feet("doyle", 20.0, 2.0, form_class).unwrap();
    assert!((at(80.0) / at(78.0) - 1.06).abs() < 1e-12);
    assert_eq!(
        table.board_feet("scribner-decimal-c", 20.0, 2.0, 78.0),
        None
    );
}

#[test]
fn smalian_by_radius_classes() {
    let printed = rows(&case_file("log-rules/smalian-by-radius-class", "logs.csv"));
    assert_eq!(printed.len(), 5);
    for row in printed {
        let number = |column: &str| row[column].parse::<f64>().unwrap();
        let (small_cm, large_cm) = (2.0 * number("r_small_cm"), 2.0 * number("r_large_cm"));
        let ours = smalian_m3(small_cm, large_cm, number("length_m"));
        assert_eq!(format!("{ours:.6}"), row["volume_m3"]);
    }
}

#[test]
fn equations_verify_lists_the_log_rules() {
    let result = run(&["equations", "--verify"]);
    assert_eq!(result.status, 0, "{}", result.stderr);
    for (name, count) in CHECKS {
        assert!(
            result.stdout.contains(&format!("Log rule {name}")),
            "{name}"
        );
        let words = format!("{count} check values");
        assert!(result.stdout.contains(&words), "{name}: {words}");
    }
}

#[test]
fn a_check_that_fails_is_shown_and_fails_the_run() {
    let cruise = copy_of_doyle().edit("checks.csv", "8,8,yes,8,", "8,8,yes,9,");
    let folder = cruise.path("");
    let tables = folder.join("tables/log-rules/doyle");
    std::fs::create_dir_all(&tables).unwrap();
    for file in ["set.yaml", "checks.csv"] {
        std::fs::rename(cruise.path(file), tables.join(file)).unwrap();
    }
    let result = cruise.run(&["equations", "--verify", "--tables", "tables"]);
    assert_eq!(result.status, 1);
    assert!(result.stdout.contains("NO"), "{}", result.stdout);
}

fn copy_of_doyle() -> Cruise {
    Cruise::copy_of("species-tables/log-rules/doyle")
}

#[test]
fn every_fault_of_a_rule_is_told_at_once() {
    let cruise = Cruise::new();
    let folder = cruise.path("log-rules/mine");
    std::fs::create_dir_all(&folder).unwrap();
    let head = "title: Mine\ncitation: made up\nobtained: set up by the user\nform: factors\n\
                length_bands_ft: [[1, 15], [10, 31]]\nunits: {diameter: cm, length: ft}\n\
                rounding_bf: 0\ncoeficients: {a: 1}\n";
    let checks = "d_small_in,length_ft,rounded,value,unit,tolerance,status\n\
                  8,8,perhaps,8,board feet,printed,published\n\
                  8,8,yes,8,furlongs,printed,published\n\
                  8,,yes,8,board feet,printed,published\n\
                  8,8,yes,8,board feet,close,published\n";
    std::fs::write(folder.join("set.yaml"), head).unwrap();
    std::fs::write(folder.join("checks.csv"), checks).unwrap();
    let tables = Tables::with_overlay(&cruise.path("")).unwrap();
    let problems = tables.log_rule("mine").unwrap_err();
    let prefix = format!("{}/", folder.display());
    let told: Vec<String> = lines(&problems)
        .iter()
        .map(|line| line.replace(&prefix, ""))
        .collect();
    insta::assert_snapshot!(told.join("\n"));
}

#[test]
fn factor_rows_must_go_up_inch_by_inch() {
    let cruise = Cruise::new();
    let folder = cruise.path("log-rules/mine");
    std::fs::create_dir_all(&folder).unwrap();
    let head = "title: Mine\ncitation: made up\nobtained: set up by the user\nform: factors\n\
                length_bands_ft: [[1, 40]]\nunits: {diameter: in, length: ft, result: board feet}\n";
    std::fs::write(folder.join("set.yaml"), head).unwrap();
    let factors = "dib_in,factor_1_to_40_ft\n6,1\n8,2\n9,-1\n10,\n";
    std::fs::write(folder.join("factors.csv"), factors).unwrap();
    let tables = Tables::with_overlay(&cruise.path("")).unwrap();
    let told = lines(&tables.log_rule("mine").unwrap_err()).join("\n");
    for part in ["would be 7", "cannot be negative", "is blank"] {
        assert!(told.contains(part), "{part} is not in {told}");
    }
    // The user's own rule, put right, scales a log.
    std::fs::write(
        folder.join("factors.csv"),
        "dib_in,factor_1_to_40_ft\n6,1\n7,2\n",
    )
    .unwrap();
    let mine = Tables::with_overlay(&cruise.path(""))
        .unwrap()
        .log_rule("mine")
        .unwrap();
    let form = mine.board_foot_form().unwrap();
    assert_eq!(form.board_feet(7.0, 10.0), Some(20.0));
    assert_eq!(form.board_feet(8.0, 10.0), None);
}
