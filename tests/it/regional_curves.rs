//! Every published height curve against its three check heights, which were computed
//! independently from the published formula when the tables were collected.

use spinney::read::height_curves::{checks, regional_set};
use spinney::read::source::Source;
use spinney::read::tables::Tables;

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
                listed.iter().any(|check| check.species == curve.species),
                "{name}"
            );
        }
        for check in listed {
            let curve = set.curve_for(check.species, &species).unwrap();
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
    assert!(curves > 300 && compared > 900);
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
