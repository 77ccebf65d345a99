//! Faults that mutations brought to light, each in the smallest cruise that shows it.

use std::fs;
use std::os::unix::fs::symlink;
use std::path::PathBuf;
use std::process::Command;

use crate::cruise::Cruise;

const DESIGN: &str = "
inputs: { plots: plots.csv, trees: trees.csv }
selections: { fixed: { method: fixed-area, area_ha: 0.05 } }
";
const PLOTS: &str = "plot\n1\n2\n";
const TREES: &str = "plot,tree,species,dbh_cm,height_m,note\n1,1,Fd,31.2,,\n2,1,Hw,28.4,21.5,\n";

fn cruise() -> Cruise {
    let cruise = Cruise::new().file("design.yaml", DESIGN);
    cruise.file("plots.csv", PLOTS).file("trees.csv", TREES)
}

#[test]
fn results_are_never_written_over_what_they_are_made_from() {
    let commands: [&[&str]; 9] = [
        &["compile", "design.yaml", "--out", "trees.csv"],
        &["compile", "design.yaml", "--out", "./plots.csv"],
        &["compile", "design.yaml", "--out", "link.csv"],
        &["compile", "design.yaml", "--tree-list", "design.yaml"],
        &[
            "compile",
            "design.yaml",
            "--out",
            "a.csv",
            "--tree-list",
            "./a.csv",
        ],
        &["heights", "design.yaml", "--data", "trees.csv"],
        &[
            "compare",
            "design.yaml",
            "--curve",
            "naslund",
            "--out",
            "trees.csv",
        ],
        &["tally", "design.yaml", "--out", "design.yaml"],
        // Results of a batch have fixed names.
        &["batch", "design.yaml", "--out", ".", "--tree-list"],
    ];
    for command in commands {
        let cruise = cruise();
        symlink("trees.csv", cruise.path("link.csv")).unwrap();
        let run = cruise.run(command);
        assert_eq!(run.status, 1, "{command:?}: {}", run.stderr);
        assert!(
            run.stderr.contains("name another place"),
            "{command:?}: {}",
            run.stderr
        );
        let files = fs::read_dir(cruise.path("")).unwrap().count();
        assert_eq!(files, 4, "{command:?}");
        for (name, text) in [
            ("design.yaml", DESIGN),
            ("plots.csv", PLOTS),
            ("trees.csv", TREES),
        ] {
            assert_eq!(cruise.read(name), text, "{command:?}");
        }
    }
    // Without the list of trees a batch writes no such file; two lists may both go nowhere.
    let run = cruise().run(&["batch", "design.yaml", "--out", "."]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let nowhere = ["--out", "/dev/null", "--tree-list", "/dev/null"];
    let run = cruise().run(&[&["compile", "design.yaml"], &nowhere[..]].concat());
    assert_eq!(run.status, 0, "{}", run.stderr);
}

#[test]
fn devices_are_written_to_and_stay_what_they_are() {
    let cruise = cruise();
    let run = cruise.run(&["compile", "design.yaml", "--format", "csv"]);
    let to = cruise.run(&[
        "compile",
        "design.yaml",
        "--format",
        "csv",
        "--out",
        "/dev/stdout",
    ]);
    assert_eq!((to.status, to.stdout), (0, run.stdout));
    symlink("/dev/full", cruise.path("full")).unwrap();
    let full = cruise.run(&["compile", "design.yaml", "--out", "full"]);
    assert_eq!(full.status, 1);
    assert!(
        full.stderr.contains("error: full: cannot be written"),
        "{}",
        full.stderr
    );
    assert!(cruise.path("full").is_symlink());
}

/// Findings of `check` after a change of one file.
fn told(name: &str, text: &str) -> String {
    cruise()
        .file(name, text)
        .run(&["check", "design.yaml"])
        .stderr
}

#[test]
fn what_was_swallowed_in_silence_is_told() {
    let head = "plot,tree,species,dbh_cm,height_m,note\n";
    let many = "1,1,Fd,31.2,,\n1,2,Fd,30.2,,\n1,3,Fd,33.2,,\n2,1,Hw,28.4,21.5,\n";
    let cases: &[(&str, String, &str)] = &[
        (
            "trees.csv",
            head.to_owned(),
            "trees.csv: warning: the file has heads and no rows",
        ),
        (
            "trees.csv",
            format!("{head}{many}2,2,Hw,9,3\n"),
            "trees.csv:6:1: warning: a row has more or fewer fields than the header (6), in line 6",
        ),
        (
            "trees.csv",
            format!("{}{many}", head.replace("height_m", "")),
            "trees.csv:1:26: warning: column 5 has no name and is ignored, but holds values",
        ),
        (
            "trees.csv",
            format!("{head}1,1,Fd,31.2,,\"a\n2,1,Hw,28.4,21.5,\n2,2,Hw,28.9,,b\"\n"),
            "trees.csv:2:14: warning: one field in quotes goes over lines 2 to 4",
        ),
        (
            "plots.csv",
            "plot,stratum\n1,up\"per\n2,upper\n".to_owned(),
            "plots.csv:2:5: warning: a quote in the middle of a field",
        ),
        (
            "trees.csv",
            "plot,species,dbh_cm\n1,Fd,3\u{0}1.2\n".to_owned(),
            "trees.csv:2:7: error: there is a NUL character",
        ),
        (
            "design.yaml",
            DESIGN.replace("plots.csv", "trees.csv"),
            "design.yaml:2:36: error: `plots` and `trees` name the same file (`trees.csv`)",
        ),
        (
            "design.yaml",
            "title: \"Marrow\ninputs: {trees: trees.csv}\n".to_owned(),
            "while scanning a quoted scalar at line 1;",
        ),
        (
            "design.yaml",
            "# a comment".to_owned(),
            "design.yaml:1:12: error: the design is empty",
        ),
    ];
    for (name, text, finding) in cases {
        let found = told(name, text);
        assert!(found.contains(finding), "{finding}\nin {found}");
    }
}

#[test]
fn a_count_typed_twice_is_told() {
    let cruise = Cruise::copy_of("examples/one-centre");
    let counts = cruise.read("counts.csv");
    assert!(counts.contains("1,sweep,Fd,live,5\n"), "{counts}");
    let cruise = cruise.file(
        "counts.csv",
        counts + "1,sweep,Fd,live,5\n1,sweep,Hw,live,1\n",
    );
    let found = cruise.run(&["check", "design.yaml"]).stderr;
    let twice = "counts.csv:5:1: warning: plot `1`, selection `sweep`: this count is there twice, first in line 2";
    assert!(found.contains(twice), "{found}");
    assert!(!found.contains("counts.csv:6"), "{found}");
}

/// Cruises of a stand whose trees are in the range of each check, but not together.
#[test]
fn a_column_in_another_unit_and_thin_trees_in_a_sweep_are_told() {
    let mut rows = String::new();
    for tree in 0..12 {
        let (plot, dbh, height) = (1 + tree % 2, 24 + 2 * tree, 22 + tree);
        rows += &format!("{plot},{tree},Fd,{dbh},{height}\n");
    }
    let trees = |head: &str| format!("plot,tree,species,{head}\n{rows}");
    assert!(!told("trees.csv", &trees("dbh_cm,height_m")).contains("warning"));
    let inches = told("trees.csv", &trees("dbh_in,height_m"));
    assert!(
        inches.contains("trees.csv:1:19: warning: the heights of 12 live trees are 31 m"),
        "{inches}"
    );
    let thin = format!("{}1,90,Fd,3.1,31\n", trees("dbh_cm,height_m"));
    let thin = told("trees.csv", &thin);
    assert!(
        thin.contains("trees.csv:14:9: warning: dbh 3.1 cm, height 31.0 m"),
        "{thin}"
    );
    let sweep = DESIGN.replace("fixed-area, area_ha: 0.05", "angle-gauge, baf_m2_per_ha: 4");
    let swept = cruise().file("design.yaml", sweep);
    let swept = swept.file(
        "trees.csv",
        format!("{}1,90,Fd,3.1,\n", trees("dbh_cm,height_m")),
    );
    let found = swept.run(&["check", "design.yaml"]).stderr;
    assert!(
        found.contains("trees.csv:14:9: warning: dbh 3.1 cm is far from the other trees"),
        "{found}"
    );
}

/// A disk with room for a few kilobytes; taken away at the end.
struct SmallDisk(PathBuf);

impl SmallDisk {
    /// `None` where nothing may be mounted.
    fn at(path: PathBuf) -> Option<Self> {
        fs::create_dir(&path).unwrap();
        let mut mount = Command::new("mount");
        mount
            .args(["-t", "tmpfs", "-o", "size=16k", "none"])
            .arg(&path);
        let is_mounted = mount.output().is_ok_and(|done| done.status.success());
        if !is_mounted {
            println!("skipped: no disk can be mounted here");
        }
        is_mounted.then_some(SmallDisk(path))
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.0).status();
    }
}

#[test]
fn a_full_disk_is_said_and_nothing_half_written_is_left() {
    let cruise = Cruise::copy_of("examples/marrow-creek");
    let Some(disk) = SmallDisk::at(cruise.path("small")) else {
        return;
    };
    for command in [
        &[
            "compile",
            "design.yaml",
            "--format",
            "csv",
            "--out",
            "small/a.csv",
        ][..],
        &[
            "compile",
            "design.yaml",
            "--format",
            "xlsx",
            "--out",
            "small/a.xlsx",
        ],
        &["compile", "design.yaml", "--tree-list", "small/a.csv"],
        &[
            "heights",
            "design.yaml",
            "--format",
            "json",
            "--out",
            "small/a.json",
        ],
    ] {
        let run = cruise.run(command);
        assert_eq!(
            (run.status, &*run.stdout),
            (1, ""),
            "{command:?}: {}",
            run.stderr
        );
        let said = run.stderr.lines().last().unwrap_or_default();
        assert!(said.starts_with("error: small/a."), "{said}");
        assert!(
            said.ends_with("make room there, or name another place"),
            "{said}"
        );
        assert!(!said.contains("tmp"), "{said}");
        assert_eq!(fs::read_dir(&disk.0).unwrap().count(), 0, "{command:?}");
    }
}
