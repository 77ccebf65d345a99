//! `new`: what is written, asked, refused; and that a cruise begun so can be compiled.

use std::fs;
use std::io::{Read as _, Write as _};
use std::process::{Command, Stdio};

use crate::cruise::{Cruise, Run};
use crate::reading::lines;
use crate::schema::objections;

/// Fixed plot and counted sweep from one centre, in strata.
const METRIC: &str = "--title 'Marrow: creek' --units metric --fixed-radius-m 7.98 --min-dbh-cm 10 \
                      --baf-m2-per-ha 7 --sweep counted --strata upper,creek \
                      --height-rule first-per-species:2 --volume-set ca-bc-volume-2016 \
                      --region CWH --species Fd,Cw,Hw --plots 3";

/// Words of a command line; quotes hold words together.
fn words(line: &str) -> Vec<String> {
    let mut words = Vec::new();
    for (at, part) in line.split('\'').enumerate() {
        if at % 2 == 1 {
            words.push(part.to_owned());
        } else {
            words.extend(part.split_whitespace().map(str::to_owned));
        }
    }
    words
}

fn new(folder: &Cruise, options: &str) -> Run {
    let mut arguments = vec![String::from("new"), String::from("cruise")];
    arguments.extend(words(options));
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    folder.run(&arguments)
}

/// The command run in a folder of its own; it must succeed.
fn begun(options: &str) -> (Cruise, Run) {
    let folder = Cruise::new();
    let run = new(&folder, options);
    assert_eq!(run.status, 0, "{options}\n{}", run.stderr);
    (folder, run)
}

/// The folder's design and record files in one text.
fn written(folder: &Cruise) -> String {
    let mut text = folder.read("cruise/design.yaml");
    for name in ["stands", "plots", "trees", "counts"] {
        if let Ok(file) = fs::read_to_string(folder.path(&format!("cruise/{name}.csv"))) {
            text += &format!("--- {name}.csv\n{file}");
        }
    }
    text
}

#[test]
fn a_plot_and_a_counted_sweep_in_metric_units() {
    let (folder, run) = begun(METRIC);
    insta::assert_snapshot!(run.stdout + &run.stderr);
    insta::assert_snapshot!(written(&folder));
}

#[test]
fn a_measured_sweep_in_imperial_units() {
    let (folder, run) = begun(
        "--units imperial --baf-ft2-per-ac 20 --sweep measured --height-rule every:5 --instrument none \
         --clusters --height-curves us-coastal-northwest-1999",
    );
    insta::assert_snapshot!(run.stdout + &run.stderr);
    insta::assert_snapshot!(written(&folder));
}

#[test]
fn rings_and_a_sweep_measured_on_some_points() {
    let (folder, _) = begun(
        "--units imperial --rings 26.3ft@4in,10ft@1in --baf-ft2-per-ac 40 --sweep count-measure \
         --height-rule first-per-species:1 --title '6: \"hollow\"'",
    );
    insta::assert_snapshot!(written(&folder));
}

#[test]
fn every_tree_of_a_stand() {
    let (folder, run) =
        begun("--units metric --full-tally --min-dbh-cm 12.5 --height-rule every:10");
    insta::assert_snapshot!(run.stdout + &run.stderr);
    insta::assert_snapshot!(written(&folder));
}

#[test]
fn a_sweep_that_is_only_counted() {
    let (folder, _) = begun("--units metric --baf-m2-per-ha 4 --sweep counted");
    insta::assert_snapshot!(written(&folder));
}

/// Fills in the areas and adds rows as a crew would: the same trees at five plots.
fn with_records(folder: &Cruise) {
    let read = |name: &str| fs::read_to_string(folder.path(&format!("cruise/{name}"))).ok();
    let write =
        |name: &str, text: String| fs::write(folder.path(&format!("cruise/{name}")), text).unwrap();
    if let Some(text) = read("stands.csv") {
        write("stands.csv", text.replace(",\n", ",12.5\n"));
    }
    let plots = ["1", "2", "3", "4", "5"];
    // Live trees with heights, one broken, one snag.
    let trees = [
        ("Fd", 31.0, "L", ""),
        ("Fd", 24.0, "L", ""),
        ("Hw", 28.0, "L", ""),
        ("Hw", 19.0, "L", ""),
        ("Cw", 40.0, "L", ""),
        ("Cw", 22.0, "L", ""),
        ("Fd", 35.0, "D", "3"),
    ];
    let mut rows = Vec::new();
    let head = |text: &str| -> Vec<String> { text.trim().split(',').map(str::to_owned).collect() };
    if let Some(text) = read("plots.csv") {
        for (at, plot) in plots.iter().enumerate() {
            let field = |head: &String| match head.as_str() {
                "plot" => (*plot).to_owned(),
                "stratum" => String::from(if at < 3 { "upper" } else { "creek" }),
                "cluster" => format!("c{at}"),
                _ => String::new(),
            };
            rows.push(head(&text).iter().map(field).collect::<Vec<_>>().join(",") + "\n");
        }
        write("plots.csv", text + &rows.concat());
    }
    if let Some(text) = read("trees.csv") {
        let heads = head(&text);
        let has = |name: &str| heads.iter().any(|head| head == name);
        let imperial = has("dbh_in");
        let selections: &[&str] = if has("selection") {
            &["fixed", "sweep"]
        } else {
            &[""]
        };
        let mut rows = String::new();
        for (at, plot) in plots.iter().enumerate() {
            for selection in selections {
                for (number, (species, dbh_cm, status, decay)) in trees.iter().enumerate() {
                    let dbh_cm = dbh_cm + at as f64;
                    let height_m = 4.0 + 0.7 * dbh_cm + number as f64;
                    let measured = *status == "L";
                    let given = |value: f64| {
                        if measured {
                            format!("{value:.1}")
                        } else {
                            String::new()
                        }
                    };
                    let field = |head: &String| match head.as_str() {
                        "plot" => (*plot).to_owned(),
                        "selection" => (*selection).to_owned(),
                        "tree" => (number + 1).to_string(),
                        "species" => (*species).to_owned(),
                        "dbh_cm" => format!("{dbh_cm:.1}"),
                        "dbh_in" => format!("{:.1}", dbh_cm / 2.54),
                        "status" => (*status).to_owned(),
                        "decay_class" => (*decay).to_owned(),
                        "height_m" => given(height_m),
                        "height_ft" => given(height_m / 0.3048),
                        "top_pct" => given((height_m - 1.0) / 25.0 * 100.0),
                        "base_pct" => given(-4.0),
                        "distance_m" => given(25.0),
                        "distance_ft" => given(25.0 / 0.3048),
                        _ => String::new(),
                    };
                    rows += &(heads.iter().map(field).collect::<Vec<_>>().join(",") + "\n");
                }
            }
        }
        assert_eq!(imperial, !has("dbh_cm"));
        write("trees.csv", text + &rows);
    }
    if let Some(text) = read("counts.csv") {
        let rows = plots.map(|plot| format!("{plot},Fd,L,4\n{plot},Hw,L,2\n{plot},Cw,D,1\n"));
        write("counts.csv", text + &rows.concat());
    }
}

/// Every way to begin a cruise: the options apart from units, sizes in both systems.
fn combinations() -> Vec<String> {
    let fixed = [
        "",
        "--fixed-radius-m 7.98 --min-dbh-cm 10",
        "--fixed-area-ha 0.02",
        "--fixed-radius-ft 26.3 --min-dbh-in 4",
        "--fixed-area-ac 0.05",
        "--rings 3.99m@4cm,7.98m@10cm",
        "--full-tally",
    ];
    let sweeps = [
        "",
        "--baf-m2-per-ha 4 --sweep counted",
        "--baf-ft2-per-ac 20 --sweep measured",
        "--baf-m2-per-ha 4 --sweep count-measure",
    ];
    let heights = [
        "--height-rule first-per-species:2",
        "--height-rule every:3 --instrument none",
        "--height-rule none --height-curves us-coastal-northwest-1999",
    ];
    let volumes = ["", "--volume-set ca-bc-volume-2016 --region CWH"];
    let samples = ["", "--strata upper,creek", "--clusters"];
    let mut all = Vec::new();
    for fixed in fixed {
        for sweep in sweeps {
            let is_tally = fixed == "--full-tally";
            if (fixed.is_empty() && sweep.is_empty()) || (is_tally && !sweep.is_empty()) {
                continue;
            }
            let counted_only = fixed.is_empty() && sweep.ends_with("counted");
            for units in ["metric", "imperial"] {
                for heights in heights {
                    for volume in volumes {
                        for sample in samples {
                            let skips = (is_tally && !sample.is_empty())
                                || (counted_only
                                    && !(volume.is_empty() && heights == "--height-rule none"));
                            let heights = if counted_only { "" } else { heights };
                            if !skips {
                                all.push(format!("--units {units} {fixed} {sweep} {heights} {volume} {sample} --plots 1"));
                            }
                        }
                    }
                }
            }
        }
    }
    // The sweep alone has one way.
    for units in ["metric", "imperial"] {
        for sample in samples {
            all.push(format!(
                "--units {units} --baf-m2-per-ha 4 --sweep counted {sample}"
            ));
        }
    }
    all
}

#[test]
fn every_combination_is_a_design_that_is_accepted_and_valid() {
    let all = combinations();
    assert!(all.len() > 800, "{}", all.len());
    // A part of them each time keeps the test short; steps that share no factor with the choices
    // meet every pair of them.
    for options in all.iter().step_by(7) {
        let (folder, _) = begun(options);
        let text = folder.read("cruise/design.yaml");
        assert_eq!(objections(&text), [""; 0], "{options}");
        let check = folder.run(&["check", "cruise/design.yaml"]);
        if !options.contains("--full-tally") {
            assert_eq!(check.status, 1, "{options}");
            assert!(
                check.stderr.contains("type a row for every plot visited"),
                "{options}\n{}",
                check.stderr
            );
        }
    }
}

#[test]
fn every_kind_of_cruise_compiles_when_its_records_are_typed() {
    for options in combinations().iter().step_by(13) {
        let (folder, _) = begun(options);
        with_records(&folder);
        let check = folder.run(&["check", "cruise/design.yaml"]);
        assert_eq!(check.status, 0, "{options}\n{}", check.stderr);
        let compiled = folder.run(&["compile", "cruise/design.yaml", "--format", "csv"]);
        assert_eq!(compiled.status, 0, "{options}\n{}", compiled.stderr);
        let has = |attribute: &str| compiled.stdout.contains(attribute);
        assert!(has(",basal_area,"), "{options}");
        assert_eq!(
            has(",volume_total,"),
            options.contains("--volume-set"),
            "{options}"
        );
    }
}

#[test]
fn nothing_is_overwritten() {
    let (folder, _) = begun(METRIC);
    let before = written(&folder);
    let sheets = folder.read("cruise/tally.html");
    let run = new(&folder, METRIC);
    assert_eq!((run.status, run.stdout.as_str()), (1, ""));
    for name in [
        "design.yaml",
        "design.schema.json",
        "stands.csv",
        "plots.csv",
        "trees.csv",
        "counts.csv",
        "tally.html",
    ] {
        assert!(
            run.stderr
                .contains(&format!("cruise/{name} is there already")),
            "{}",
            run.stderr
        );
    }
    assert_eq!(written(&folder), before);
    assert_eq!(folder.read("cruise/tally.html"), sheets);
}

#[test]
fn one_file_that_is_there_keeps_all_from_being_written() {
    let folder = Cruise::new();
    fs::create_dir(folder.path("cruise")).unwrap();
    let folder = folder.file("cruise/counts.csv", "mine");
    let run = new(&folder, METRIC);
    assert_eq!(run.status, 1);
    insta::assert_snapshot!(run.stderr);
    assert_eq!(fs::read_dir(folder.path("cruise")).unwrap().count(), 1);
    assert_eq!(folder.read("cruise/counts.csv"), "mine");
}

#[test]
fn what_is_missing_is_named_and_nobody_is_asked() {
    let folder = Cruise::new();
    let said: Vec<String> = [
        "",
        "--units metric --baf-m2-per-ha 7",
        "--units metric --sweep counted",
        "--units metric --fixed-radius-m 7.98",
        "--units imperial --fixed-area-ac 400 --height-rule every:5",
        "--units metric --baf-m2-per-ha 4 --sweep counted --height-rule every:5 --volume-set ca-bc-volume-2016 --region CWH",
        "--units metric --baf-m2-per-ha 4 --sweep measured --min-dbh-cm 10 --height-rule none",
        "--units metric --rings 4m@10cm,8m@10cm --height-rule none --strata a,,A",
        "--units metric --fixed-radius-m 8 --height-rule none --volume-set ca-bc-volume-2061 --height-curves moon --species Fd,Zz",
        "--units metric --fixed-radius-m 8 --height-rule every:5 --volume-set ca-bc-volume-2016 --region Moon",
        "--units metric --fixed-radius-m 8 --height-rule every:x",
        "--units metric --rings 8@4 --height-rule none",
    ]
    .iter()
    .map(|options| {
        let run = new(&folder, options);
        let expected = if options.ends_with("Moon") { 1 } else { 2 };
        assert_eq!((run.status, run.stdout.as_str()), (expected, ""), "{options}");
        format!("new cruise {options}\n{}", run.stderr)
    })
    .collect();
    assert!(!folder.path("cruise").exists());
    insta::assert_snapshot!(said.join("\n"));
}

#[test]
fn doubts_are_told_and_the_files_written() {
    let (_, run) = begun(
        "--units metric --baf-m2-per-ha 40 --sweep measured --height-rule none \
         --volume-set ca-bc-volume-2016 --region CWH --species Fd,Arbutus,PIPA2",
    );
    insta::assert_snapshot!(run.stderr);
}

#[test]
fn records_without_rows_tell_what_comes_next() {
    let (folder, _) = begun(METRIC);
    let check = folder.run(&["check", "cruise/design.yaml"]);
    let compile = folder.run(&["compile", "cruise/design.yaml"]);
    assert_eq!((check.status, compile.status), (1, 1));
    insta::assert_snapshot!(check.stderr + &compile.stderr);
}

/// Questions as they appear, and the keys that answer them; an arrow down takes the next choice.
const ANSWERS: [(&str, &str); 15] = [
    ("Title of the cruise", "\r"),
    ("Units", "\r"),
    ("Trees are chosen by", "\x1b[B\r"),
    ("Size of the plot as", "\r"),
    ("Radius, m", "\r"),
    ("Least dbh", "10\r"),
    ("Basal area factor", "\r"),
    ("Trees of the sweep are", "\r"),
    ("Strata", "upper,creek\r"),
    ("A height gets", "\r"),
    ("How many of each species", "\r"),
    ("Heights are taken", "\r"),
    ("Volume equations", "\r"),
    ("Species on the sheets", "Fd,Cw\r"),
    ("Number of plots", "\r"),
];

/// Answers typed at a terminal give what the options give.
#[test]
fn at_a_terminal_it_asks() {
    let folder = Cruise::new();
    let program = env!("CARGO_BIN_EXE_spinney");
    let child = Command::new("script")
        .args(["-qefc", &format!("{program} new cruise"), "/dev/null"])
        .current_dir(folder.path(""))
        .env("NO_COLOR", "1")
        .env("TERM", "xterm")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn();
    let Ok(mut child) = child else {
        println!("skipped: there is no pseudo-terminal (`script`) on this machine");
        return;
    };
    let mut stdin = child.stdin.take().unwrap();
    let mut stdout = child.stdout.take().unwrap();
    let mut shown = String::new();
    let mut more = |shown: &mut String| {
        let mut bytes = [0; 4096];
        let length = stdout.read(&mut bytes).unwrap_or(0);
        *shown += &String::from_utf8_lossy(&bytes[..length]);
        length > 0
    };
    for (question, keys) in ANSWERS {
        let asked_before = shown.len();
        while !shown[asked_before..].contains(question) {
            assert!(more(&mut shown), "{question} was not asked:\n{shown}");
        }
        stdin.write_all(keys.as_bytes()).unwrap();
    }
    while more(&mut shown) {}
    assert!(child.wait().unwrap().success(), "{shown}");
    let asked = written(&folder);
    let (other, _) = begun(
        "--units metric --fixed-radius-m 7.98 --min-dbh-cm 10 --baf-m2-per-ha 4 --sweep counted \
         --strata upper,creek --height-rule first-per-species:2 --species Fd,Cw",
    );
    assert_eq!(asked, written(&other));
}

#[test]
fn the_first_line_names_the_schema_beside_it() {
    let (folder, _) = begun(METRIC);
    let design = folder.read("cruise/design.yaml");
    assert_eq!(
        design.lines().next(),
        Some("# yaml-language-server: $schema=design.schema.json")
    );
    assert_eq!(
        folder.read("cruise/design.schema.json"),
        folder.run(&["schema"]).stdout
    );
    let (_, problems) = crate::reading::design_of(&design);
    assert!(!problems.has_errors(), "{:#?}", lines(&problems));
}
