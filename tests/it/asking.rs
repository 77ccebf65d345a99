//! `explain`, `species`, `equations` and `check`.

use crate::cruise::{Cruise, run};

#[test]
fn explain_walks_through_the_arithmetic_of_a_tree() {
    let design = "examples/one-centre/design.yaml";
    for (tree, name) in [("1", "measured"), ("2", "filled"), ("7", "snag")] {
        let run = run(&["explain", design, "--plot", "1", "--tree", tree]);
        assert_eq!(run.status, 0, "{}", run.stderr);
        insta::assert_snapshot!(format!("explain-{name}"), run.stdout);
    }
}

#[test]
fn explain_says_which_trees_there_are() {
    let design = "examples/one-centre/design.yaml";
    let tree = run(&["explain", design, "--plot", "1", "--tree", "99"]);
    assert_eq!((tree.status, tree.stdout.as_str()), (1, ""));
    assert!(
        tree.stderr.contains("its trees: 1, 2, 3, 4, 5, 6, 7, 8"),
        "{}",
        tree.stderr
    );
    let plot = run(&["explain", design, "--plot", "9", "--tree", "1"]);
    assert!(plot.stderr.contains("plots: 1"), "{}", plot.stderr);
}

#[test]
fn check_counts_what_it_read_and_finds_what_is_odd() {
    let run = run(&["check", "examples/marrow-creek/design.yaml"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    insta::assert_snapshot!(
        "check-marrow-creek",
        format!("{}---\n{}", run.stdout, run.stderr)
    );
    let without_counts = Cruise::new()
        .file(
            "design.yaml",
            "inputs: {plots: plots.csv, trees: trees.csv}\nselections:\n  \
             circle: {method: fixed-area, area_ha: 0.01}\n",
        )
        .file("plots.csv", "plot\n1\n2\n")
        .file("trees.csv", "plot,tree,species,dbh_cm\n1,1,Fd,30\n")
        .run(&["check", "design.yaml"]);
    let line = "2 plots (1 without trees), 1 tree records, 0 trees counted";
    assert!(
        without_counts.stdout.contains(line),
        "{}",
        without_counts.stdout
    );
    let broken = Cruise::copy_of("examples/marrow-creek")
        .edit("trees.csv", "1,1,Hw,26.7", "1,1,Hx,267")
        .edit("design.yaml", "radius_m", "radius_cm")
        .run(&["check", "design.yaml"]);
    assert_eq!(broken.status, 1);
}

#[test]
fn species_are_found_by_any_code_or_name() {
    for text in [
        "Fd",
        "PSME",
        "202",
        "PSEU.MEN",
        "douglas-fir",
        "Pseudotsuga menziesii",
    ] {
        let run = run(&["species", text]);
        assert_eq!(run.status, 0, "{}", run.stderr);
        assert!(
            run.stdout.contains("Pseudotsuga menziesii"),
            "{text}: {}",
            run.stdout
        );
    }
    insta::assert_snapshot!("species-cedar", run(&["species", "redcedar"]).stdout);
    let unknown = run(&["species", "PSMF"]);
    assert_eq!(unknown.status, 1);
    assert!(unknown.stderr.contains("PSME"), "{}", unknown.stderr);
}

#[test]
fn equations_are_listed_shown_and_verified() {
    insta::assert_snapshot!("equations", run(&["equations"]).stdout);
    insta::assert_snapshot!(
        "equations-one-set",
        run(&["equations", "ca-bc-volume-2016"]).stdout
    );
    let verified = run(&["equations", "--verify"]);
    assert_eq!(verified.status, 0, "{}", verified.stdout);
    assert!(!verified.stdout.contains(" NO"), "{}", verified.stdout);
    let unknown = run(&["equations", "ca-bc-volume-2106"]);
    assert_eq!(unknown.status, 1);
    assert!(
        unknown.stderr.contains("ca-bc-volume-2016"),
        "{}",
        unknown.stderr
    );
}

/// The longest names, regions, limits and remarks: names stay whole, lines within 80 columns.
#[test]
fn one_tree_under_every_set_fits_the_terminal() {
    let tree = |species, options: &[&str]| {
        let mut arguments = vec!["equations", "--species", species];
        arguments.extend(options);
        run(&arguments).stdout
    };
    let metric = ["--dbh-cm", "40", "--height-m", "30"];
    let imperial = ["--dbh-in", "16", "--height-ft", "100"];
    let limits = ["--dbh-cm", "14", "--height-m", "12", "--top-dib-cm", "10"];
    for species in ["Fd", "Hw", "Pj", "PITA", "ACSA3", "Mb"] {
        let listed = run(&["equations", "--species", species]).stdout;
        // A set of bark says nothing of volume or mass.
        let listed = listed.split("\nBark\n").next().unwrap();
        for options in [&metric[..], &imperial, &limits] {
            let shown = tree(species, options);
            assert!(
                shown.lines().all(|line| line.chars().count() <= 80),
                "{shown}"
            );
            let tables = shown.split("What they mean").next().unwrap();
            for (name, _) in listed.lines().filter_map(|line| line.split_once(": ")) {
                assert!(tables.contains(name), "{name}: {tables}");
            }
        }
    }
    insta::assert_snapshot!("equations-one-tree", tree("Pj", &metric));
}
