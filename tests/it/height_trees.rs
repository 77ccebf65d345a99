//! The height trees: each rule on small invented records, the findings of `check`, the span of the
//! curves, and a real prism cruise (Upper Flat Creek, source in `upper_flat_creek.rs`).

use std::fs;

use spinney::design::{ClassOver, CountOver, Measured, Subsample, SubsampleRule};
use spinney::heights::audit::{StandAudit, Wanted, audit};
use spinney::heights::span::{Span, Verdict};
use spinney::heights::{Level, StandHeights};
use spinney::records::{Plot, Stand, Tree};

use crate::cruise::{Cruise, shared};
use crate::reading::{design_of, lines};
use crate::sample::{dead, design, fixed, gauge, plot, records, tall, tree, visit};
use crate::upper_flat_creek::DESIGN;

/// A tree by number, species and dbh, with a height or without; its line is its number.
fn numbered(number: usize, species: usize, dbh_cm: f64, has_height: bool) -> Tree {
    let tree = Tree {
        number: number.to_string().into(),
        line: number,
        ..tree(species, dbh_cm)
    };
    if has_height { tall(tree, 20.0) } else { tree }
}

fn plot_of(name: &str, visits: Vec<Vec<Tree>>) -> Plot {
    let design = design(vec![fixed(0.02), gauge(4.0, Measured::All, None)]);
    let visits = visits.into_iter().enumerate();
    let visits = visits.map(|(at, trees)| visit(&design, at, trees, Vec::new()));
    Plot {
        name: name.to_owned(),
        ..plot(0, visits.collect())
    }
}

fn stand_of(name: &str, plots: Vec<Plot>) -> Stand {
    let mut records = records(2, vec![(name, vec![("", None)], plots)]);
    records.stands.remove(0)
}

fn rule(rule: SubsampleRule) -> Subsample {
    Subsample {
        rule,
        selections: Vec::new(),
    }
}

/// Plot and tree number of the missing trees.
fn missing(found: &StandAudit) -> Vec<(&str, &str)> {
    let trees = found.missing.iter();
    trees
        .map(|tree| (tree.plot.as_str(), tree.number.as_str()))
        .collect()
}

/// Asked, measured as asked, extra, plots asked, plots followed.
fn figures(found: &StandAudit) -> [usize; 5] {
    [
        found.asked,
        found.measured(),
        found.extra,
        found.plots_asked,
        found.plots_followed,
    ]
}

/// Numbers in the order of text would be 1, 10, 2: the tenth tree must come last.
fn two_plots() -> Stand {
    let first = vec![
        numbered(10, 0, 30.0, true),
        numbered(2, 0, 20.0, false),
        numbered(1, 0, 15.0, true),
        numbered(3, 1, 22.0, true),
    ];
    let second = vec![numbered(1, 0, 40.0, true), numbered(2, 1, 31.0, true)];
    stand_of(
        "Wood",
        vec![plot_of("1", vec![first]), plot_of("2", vec![second])],
    )
}

#[test]
fn the_first_of_each_species_on_a_plot_in_the_order_of_numbers() {
    let first = |per_plot| rule(SubsampleRule::FirstPerSpecies { per_plot });
    let stands = [two_plots()];
    let one = &audit(&first(1), &stands)[0];
    assert_eq!((missing(one), figures(one)), (vec![], [4, 4, 1, 2, 2]));
    let two = &audit(&first(2), &stands)[0];
    assert_eq!(missing(two), [("1", "2")]);
    assert_eq!(figures(two), [5, 4, 1, 2, 1]);
    assert_eq!(two.missing[0].line, 2);
    assert_eq!(two.missing[0].wanted, Wanted::This);
}

#[test]
fn dead_broken_and_thin_trees_are_passed_over() {
    let broken = Tree {
        broken_height_m: Some(6.0),
        ..numbered(2, 0, 25.0, false)
    };
    let thin = Tree {
        excluded: true,
        ..numbered(3, 0, 5.0, false)
    };
    let trees = vec![
        dead(numbered(1, 0, 25.0, false), None),
        broken,
        thin,
        numbered(4, 0, 25.0, false),
    ];
    let stands = [stand_of("Wood", vec![plot_of("1", vec![trees])])];
    for rule_of in [
        SubsampleRule::FirstPerSpecies { per_plot: 1 },
        SubsampleRule::EveryNth {
            every: 1,
            count_over: CountOver::Plot,
        },
        SubsampleRule::AllIn { selection: 0 },
    ] {
        assert_eq!(missing(&audit(&rule(rule_of), &stands)[0]), [("1", "4")]);
    }
}

#[test]
fn every_nth_tree_is_counted_on_each_plot_or_through_the_cruise() {
    let every = |count_over| {
        rule(SubsampleRule::EveryNth {
            every: 3,
            count_over,
        })
    };
    let stands = [two_plots(), two_plots()];
    // On plot 1 the third of 1, 2, 3, 10; on plot 2 there are only two.
    let by_plot = audit(&every(CountOver::Plot), &stands);
    assert_eq!(figures(&by_plot[0]), [1, 1, 4, 1, 1]);
    assert_eq!(by_plot[0], by_plot[1]);
    // Over the cruise: 1 2 [3] 10 1 [2] | 1 2 [3] 10 1 [2].
    let by_cruise = audit(&every(CountOver::Cruise), &stands);
    assert_eq!(figures(&by_cruise[0]), [2, 2, 3, 2, 2]);
    // By four: 1 2 3 [10] 1 2 | 1 [2] 3 10 1 [2]: the count runs on into the second stand.
    let four = rule(SubsampleRule::EveryNth {
        every: 4,
        count_over: CountOver::Cruise,
    });
    let found = audit(&four, &stands);
    assert_eq!(figures(&found[0]), [1, 1, 4, 1, 1]);
    assert_eq!(missing(&found[1]), [("1", "2")]);
    assert_eq!(figures(&found[1]), [2, 1, 4, 2, 1]);
}

#[test]
fn any_trees_of_a_dbh_class_will_do() {
    let classes = |per_class, over| {
        rule(SubsampleRule::PerDbhClass {
            class_cm: 10.0,
            per_class,
            over,
        })
    };
    // Plot 1: 15 h | 20 no, 22 h | 30 h; plot 2: 31 h | 40 h.
    let stands = [two_plots()];
    let one = &audit(&classes(1, ClassOver::Plot), &stands)[0];
    assert_eq!((missing(one), figures(one)), (vec![], [5, 5, 0, 2, 2]));
    let two = &audit(&classes(2, ClassOver::Stand), &stands)[0];
    assert_eq!(missing(two), [("1", "2")]);
    assert_eq!([two.asked, two.measured(), two.extra], [6, 5, 0]);
    assert_eq!(two.missing[0].wanted, Wanted::AnyOfClass);
    let one = &audit(&classes(1, ClassOver::Stand), &stands)[0];
    assert_eq!([one.asked, one.measured(), one.extra], [4, 4, 1]);
}

#[test]
fn a_class_limit_in_inches_belongs_to_the_class_above() {
    let inches = rule(SubsampleRule::PerDbhClass {
        class_cm: 2.0 * 2.54,
        per_class: 1,
        over: ClassOver::Stand,
    });
    // For n = 3, 7 and more, n * 2 * 2.54 / (2 * 2.54) may fall just short of n.
    for n in 1..=40 {
        let n = f64::from(n);
        let at = numbered(1, 0, n * 2.0 * 2.54, true);
        let above = numbered(2, 0, (n * 2.0 + 1.0) * 2.54, false);
        let stands = [stand_of("Wood", vec![plot_of("1", vec![vec![at, above]])])];
        assert_eq!(audit(&inches, &stands)[0].asked, 1, "{n}");
    }
}

#[test]
fn a_rule_holds_for_the_selections_that_it_names() {
    let visits = vec![
        vec![numbered(1, 0, 30.0, false), numbered(2, 0, 31.0, false)],
        vec![numbered(1, 0, 30.0, true), numbered(7, 0, 50.0, false)],
    ];
    let stands = [stand_of("Wood", vec![plot_of("1", visits)])];
    let first = |selections: &[usize]| Subsample {
        rule: SubsampleRule::FirstPerSpecies { per_plot: 1 },
        selections: selections.to_vec(),
    };
    // Tree 1 stands in both and has its height in the second.
    assert_eq!(missing(&audit(&first(&[]), &stands)[0]), []);
    assert_eq!(missing(&audit(&first(&[0]), &stands)[0]), [("1", "1")]);
    let all_in = rule(SubsampleRule::AllIn { selection: 1 });
    let found = &audit(&all_in, &stands)[0];
    assert_eq!(missing(found), [("1", "7")]);
    assert_eq!(found.asked, 2);
}

#[test]
fn nothing_is_asked_where_there_are_no_trees() {
    let stands = [stand_of("Wood", vec![plot_of("1", vec![Vec::new()])])];
    let first = rule(SubsampleRule::FirstPerSpecies { per_plot: 2 });
    assert_eq!(audit(&first, &stands), [StandAudit::default()]);
}

#[test]
fn verdicts_go_by_the_trees_outside() {
    let verdict = |below, above| {
        Span {
            level: Level::Species,
            species: vec![0],
            behind_cm: (10.0, 40.0),
            filled: 40,
            filled_cm: (5.0, 60.0),
            below,
            above,
        }
        .verdict()
    };
    assert_eq!(verdict(0, 0), Verdict::Spans);
    assert_eq!(verdict(1, 1), Verdict::Nearly);
    assert_eq!(verdict(3, 0), Verdict::TooThick);
    assert_eq!(verdict(0, 3), Verdict::TooThin);
    assert_eq!(verdict(1, 2), Verdict::TooNarrow);
    assert_eq!(spinney::heights::span::spans(&[]), []);
    let empty = StandHeights::default();
    let stand = stand_of("Wood", Vec::new());
    assert_eq!(spinney::heights::span::spans(&[(&stand, &empty)]), []);
}

fn subsample_of(text: &str) -> (Option<Subsample>, Vec<String>) {
    let text = format!(
        "inputs: {{trees: trees.csv}}\nselections:\n  fixed: {{method: fixed-area, radius_m: 7.98}}\n  \
         big: {{method: angle-gauge, baf_m2_per_ha: 9}}\nheights:\n  subsample: {text}\n"
    );
    let (design, problems) = design_of(&text);
    let subsample = design.and_then(|design| design.heights.subsample);
    let errors = lines(&problems).into_iter();
    (subsample, errors.filter(|l| l.contains("error")).collect())
}

#[test]
fn every_rule_can_be_written() {
    for (text, expected) in [
        (
            "{rule: first-per-species, per_plot: 2}",
            SubsampleRule::FirstPerSpecies { per_plot: 2 },
        ),
        (
            "{rule: every-nth, every: 5}",
            SubsampleRule::EveryNth {
                every: 5,
                count_over: CountOver::Plot,
            },
        ),
        (
            "{rule: every-nth, every: 5, count_over: cruise}",
            SubsampleRule::EveryNth {
                every: 5,
                count_over: CountOver::Cruise,
            },
        ),
        (
            "{rule: per-dbh-class, class_in: 2, per_class: 3, over: stand}",
            SubsampleRule::PerDbhClass {
                class_cm: 5.08,
                per_class: 3,
                over: ClassOver::Stand,
            },
        ),
        (
            "{rule: all-in, selection: big}",
            SubsampleRule::AllIn { selection: 1 },
        ),
    ] {
        assert_eq!(subsample_of(text), (Some(rule(expected)), vec![]), "{text}");
    }
    let (named, _) = subsample_of("{rule: every-nth, every: 2, selections: [big]}");
    assert_eq!(named.unwrap().selections, [1]);
}

#[test]
fn what_is_wrong_with_a_rule_is_said_with_its_place() {
    let wrong: Vec<String> = [
        "{per_plot: 2}",
        "{rule: first-per-species}",
        "{rule: every-nth, every: 0, count_over: stand, per_plot: 2}",
        "{rule: per-dbh-class}",
        "{rule: all-in, selections: [big]}",
        "{rule: all-in, selection: bigg}",
        "{rule: every-nth, every: 2, selections: []}",
    ]
    .into_iter()
    .flat_map(|text| subsample_of(text).1)
    .collect();
    insta::assert_snapshot!(wrong.join("\n"));
}

#[test]
fn check_names_the_trees_to_go_back_to() {
    // Tree 2 of plot 1 is the first Fd.
    let cruise = Cruise::copy_of("examples/marrow-creek").edit(
        "trees.csv",
        "1,2,Fd,14.9,L,,,47,-11,25.0,,,",
        "1,2,Fd,14.9,L,,,,,,,,",
    );
    let run = cruise.run(&["check", "design.yaml"]);
    assert_eq!(run.status, 0);
    insta::assert_snapshot!(format!("{}{}", run.stderr, run.stdout));
}

#[test]
fn heights_of_thin_trees_are_left_out_and_said_so() {
    // A slip of the crew's kind: 2 m on a tree of 5 cm, under the 9 cm of the plot.
    let with = Cruise::copy_of("examples/marrow-creek");
    let trees = with.read("trees.csv") + "1,99,Fd,5.0,L,,2.0,,,,,,\n";
    let with = with.file("trees.csv", trees);
    let run = with.run(&["compile", "design.yaml"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let text: Vec<&str> = run.stdout.split_whitespace().collect();
    let text = text.join(" ");
    assert!(text.contains("1 height of trees outside the dbh limits left out"));
    let plain = Cruise::copy_of("examples/marrow-creek").run(&["compile", "design.yaml"]);
    let curves = |text: &str| {
        let from = text.split_once("Height curves").unwrap().1;
        from.split_once("Height trees").unwrap().0.to_owned()
    };
    assert_eq!(curves(&run.stdout), curves(&plain.stdout));
}

/// Asked, measured, missing, extra: the row of the report.
fn audit_of_upper_flat_creek(rule: &str) -> Option<Vec<usize>> {
    let trees = shared("data/upper-flat-creek/trees-as-recorded.csv")?;
    let heights = format!("heights: {{ subsample: {rule},");
    let cruise = Cruise::new()
        .file("design.yaml", DESIGN.replacen("heights: {", &heights, 1))
        .file("trees.csv", fs::read(trees).unwrap());
    let tables = crate::cruise::repository().join("tests/tables");
    let tables = tables.to_str().unwrap();
    let run = cruise.run(&["compile", "design.yaml", "--tables", tables]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let audit = run.stdout.split_once("Height trees").unwrap().1;
    let row = audit
        .lines()
        .find_map(|line| line.trim().strip_prefix("Upper Flat Creek"));
    let figures = row.unwrap().split_whitespace().take(4);
    Some(figures.map(|figure| figure.parse().unwrap()).collect())
}

#[test]
fn a_real_cruise_is_held_against_each_rule() {
    // Counted from the file apart from this program, in a few lines of Python.
    for (rule, expected) in UPPER_FLAT_CREEK {
        let Some(found) = audit_of_upper_flat_creek(rule) else {
            return;
        };
        assert_eq!(found, expected, "{rule}");
    }
}

const UPPER_FLAT_CREEK: [(&str, [usize; 4]); 4] = [
    (
        "{rule: first-per-species, per_plot: 1}",
        [289, 256, 33, 134],
    ),
    ("{rule: every-nth, every: 3}", [162, 98, 64, 292]),
    (
        "{rule: every-nth, every: 3, count_over: cruise}",
        [209, 128, 81, 262],
    ),
    (
        "{rule: per-dbh-class, class_cm: 10, per_class: 20, over: stand}",
        [147, 136, 11, 254],
    ),
];
