//! The inventory of `examples/spark`, compiled inside Spark and by one plain run.

use std::process::Command;

use crate::cruise::{Cruise, repository};

/// Can a command be run, and does it succeed?
fn works(program: &str, arguments: &[&str]) -> bool {
    let output = Command::new(program).args(arguments).output();
    output.is_ok_and(|output| output.status.success())
}

#[test]
fn the_results_are_those_of_a_plain_run() {
    let python = std::env::var("PYTHON").unwrap_or("python3".to_owned());
    if !works(&python, &["-c", "import pandas, pyarrow, pyspark"]) {
        println!("skipped: {python} has no pyspark, pandas and pyarrow (PYTHON names another)");
        return;
    }
    if !works("java", &["-version"]) {
        println!("skipped: there is no java");
        return;
    }
    let folder = Cruise::new();
    let output = Command::new(repository().join("examples/spark/run.sh"))
        .arg(folder.path("work"))
        .env("PYTHON", python)
        .env("SPINNEY", env!("CARGO_BIN_EXE_spinney"))
        .output()
        .unwrap();
    let (said, found) = (
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr),
    );
    println!("{said}");
    assert!(output.status.success(), "{said}\n{found}");
    for file in [
        "estimates.csv: the same",
        "summary.csv: the same",
        "findings.csv: the same",
    ] {
        assert!(said.contains(file), "{said}");
    }
}
