//! What must hold of the built program: few cases, since each is a process.

use crate::cruise::{Cruise, Run};
use crate::split_inventory::{SplitInventory, Wanted};
use std::process::Command;

/// Everything that a run of `compile` writes, with so many threads.
fn with_threads(cruise: &Cruise, threads: &str, arguments: &[&str]) -> Vec<u8> {
    let output = Command::new(env!("CARGO_BIN_EXE_spinney"))
        .args(arguments)
        .current_dir(cruise.path(""))
        .env("NO_COLOR", "1")
        .env("RAYON_NUM_THREADS", threads)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{said}");
    [output.stdout, output.stderr].concat()
}

fn inventory() -> Cruise {
    let cruise = Cruise::new();
    let wanted = Wanted {
        stands: 12,
        seed: 11,
        without_area: 0.1,
        stratified: 0.4,
    };
    SplitInventory::new(wanted).write(&cruise.path(""), &(0..12).collect::<Vec<_>>());
    // Drawn heights: random numbers must not go by threads.
    cruise.edit(
        "design.yaml",
        "{curve: best}",
        "{fill: {draws: 5, seed: 3}}",
    )
}

#[test]
fn any_number_of_threads_gives_the_same_bytes() {
    let example = Cruise::copy_of("examples/larrow-grid");
    let all = [
        "terminal", "markdown", "html", "csv", "json", "parquet", "xlsx",
    ];
    for (cruise, formats) in [(example, &all[..3]), (inventory(), &all[..])] {
        for format in formats {
            let results = ["1", "2", "8"].map(|threads| {
                let first = ["compile", "design.yaml", "--format", format];
                let lists = [
                    "--tree-list",
                    "list.csv",
                    "--sources-of-error",
                    "errors.csv",
                ];
                let out = ["--out", "out"];
                let said = with_threads(&cruise, threads, &[&first[..], &lists, &out].concat());
                let files = ["out", "list.csv", "errors.csv"];
                (
                    said,
                    files.map(|name| std::fs::read(cruise.path(name)).unwrap()),
                )
            });
            assert!(
                results[0] == results[1] && results[1] == results[2],
                "{format}"
            );
        }
        let batch = ["1", "2", "8"].map(|threads| {
            let batch = [
                "batch",
                "design.yaml",
                "--quiet",
                "--tree-list",
                "--out",
                "results",
            ];
            with_threads(&cruise, threads, &batch);
            let files = ["estimates.csv", "summary.csv", "findings.csv", "trees.csv"];
            files.map(|file| cruise.read(&format!("results/{file}")))
        });
        assert!(batch[0] == batch[1] && batch[1] == batch[2], "batch");
    }
}

fn sound(run: Run) -> String {
    assert_eq!(run.status, 0, "{}", run.stderr);
    run.stdout
}

/// What the design says already may be typed as well.
#[test]
fn the_sets_of_the_design_typed_again_change_nothing() {
    for (example, typed) in [
        (
            "marrow-creek",
            ["--volume-set", "ca-bc-volume-2016", "--region", "CWH"],
        ),
        ("marrow-creek", ["--curve", "best", "--confidence", "0.95"]),
        (
            "tessik-clusters",
            [
                "--biomass-set",
                "ca-national-2005-height",
                "--units",
                "metric",
            ],
        ),
    ] {
        let cruise = Cruise::copy_of(&format!("examples/{example}"));
        for format in ["terminal", "markdown", "html", "csv", "json"] {
            let first = ["compile", "design.yaml", "--format", format];
            let plain = sound(cruise.run(&first));
            assert!(
                plain == sound(cruise.run(&[&first[..], &typed].concat())),
                "{format} {typed:?}"
            );
        }
    }
}

/// `compare` with what the design has already: every difference and its limits are 0.
#[test]
fn compared_with_its_own_set_nothing_differs() {
    let cruise = Cruise::copy_of("examples/marrow-creek");
    let csv = ["--format", "csv"];
    for alternative in [["--volume-set", "ca-bc-volume-2016"], ["--curve", "best"]] {
        let text =
            sound(cruise.run(&[&["compare", "design.yaml"], &alternative[..], &csv].concat()));
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let heads = reader.headers().unwrap().clone();
        let at = |name: &str| heads.iter().position(|head| head == name).unwrap();
        let zeros = ["difference_per_ha", "std_error", "ci_lower", "ci_upper"].map(at);
        let mut rows = 0;
        for row in reader.records() {
            let row = row.unwrap();
            rows += 1;
            assert_eq!(row[at("base_per_ha")], row[at("alternative_per_ha")]);
            for column in zeros {
                assert!(matches!(&row[column], "0" | ""), "{row:?}");
            }
            assert!(row[zeros[0]] == *"0", "{row:?}");
        }
        assert!(rows > 100, "{rows}");
    }
}
