//! The layouts of a sample from files to the tidy table, on the figures of textbooks: a value of an
//! example is a number of trees on a plot. Sources stand in `tests/check-values/*/case.yaml`.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use crate::answers::{case_file, rows};
use crate::cruise::Cruise;

type Row = BTreeMap<String, String>;

/// Area of a plot, in ha.
const PLOT_HA: f64 = 0.1;

/// A cruise of plots of 0.1 ha: the rows of its plots file after the plot's number, and the trees
/// there, in one row of the trees file.
fn cruise(sampling: &str, stands: Option<&str>, columns: &str, plots: &[(String, f64)]) -> Cruise {
    let inputs = if stands.is_some() {
        "stands: stands.csv, "
    } else {
        ""
    };
    let design = format!(
        "title: Invented\ninputs: {{ {inputs}plots: plots.csv, trees: trees.csv }}\n\
         selections: {{ fixed: {{ method: fixed-area, area_ha: {PLOT_HA} }} }}\n\
         sampling: {{ {sampling} }}\n"
    );
    let (mut plots_csv, mut trees_csv) = (
        format!("plot{columns}\n"),
        "plot,tree,species,dbh_cm,count\n".to_owned(),
    );
    for (at, (fields, trees)) in plots.iter().enumerate() {
        writeln!(plots_csv, "{at}{fields}").unwrap();
        if *trees > 0.0 {
            writeln!(trees_csv, "{at},1,Fd,30,{trees}").unwrap();
        }
    }
    let cruise = Cruise::new()
        .file("design.yaml", design)
        .file("plots.csv", plots_csv)
        .file("trees.csv", trees_csv);
    match stands {
        Some(stands) => cruise.file("stands.csv", stands),
        None => cruise,
    }
}

/// The row of all trees of a stand, or of the whole.
fn trees_of(cruise: &Cruise, stand: &str) -> Row {
    let run = cruise.run(&["compile", "design.yaml", "--format", "csv"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let mut reader = csv::Reader::from_reader(run.stdout.as_bytes());
    let mut rows = reader.deserialize::<Row>().map(Result::unwrap);
    let found = rows.find(|row| {
        row["stand"] == stand
            && row["stratum"] == "all"
            && row["attribute"] == "trees"
            && row["status"] == "live"
            && row["species"] == "all"
            && row["dbh_from_cm"] == "all"
    });
    found.unwrap_or_else(|| panic!("no such row in\n{}", run.stdout))
}

fn assert_figures(row: &Row, expected: &[(&str, f64)]) {
    for (column, value) in expected {
        let ours: f64 = row[*column].parse().unwrap();
        let difference = (ours / value - 1.0).abs();
        assert!(difference < 1e-8, "{column} is {ours}, expected {value}");
    }
}

/// The recomputed answer of a case.
fn answer(case: &str, quantity: &str) -> f64 {
    let answers = rows(&case_file(case, "answers.csv"));
    let row = answers.iter().find(|row| row["quantity"] == quantity);
    row.unwrap()["recomputed"].parse().unwrap()
}

fn number(row: &Row, column: &str) -> f64 {
    row[column].parse().unwrap()
}

#[test]
fn plots_of_a_list() {
    let case = "freese-1962-simple-random";
    let units = rows(&case_file(case, "units.csv"));
    let plots: Vec<_> = units
        .iter()
        .map(|row| (String::new(), number(row, "value")))
        .collect();
    let cruise = cruise("listed_units: 100", None, "", &plots);
    let of = |quantity| answer(case, quantity) / PLOT_HA;
    assert_figures(
        &trees_of(&cruise, "Invented"),
        &[
            ("per_ha", of("mean")),
            ("std_error", of("se_fpc")),
            ("ci_lower", of("lower_95")),
            ("ci_upper", of("upper_95")),
            ("error_pct", answer(case, "error_pct_95")),
            ("df", 19.0),
            ("n_plots", 20.0),
        ],
    );
}

#[test]
fn strata_with_lists_of_their_own() {
    let case = "freese-1962-stratified";
    let plots: Vec<_> = rows(&case_file(case, "plots.csv"))
        .iter()
        .map(|row| (format!(",{}", row["stratum"]), number(row, "value")))
        .collect();
    let stands = "stratum,area_ha,listed_units\npine,1350,1350\nupland,700,700\nbottom,450,450\n";
    let cruise = cruise("strata: areas", Some(stands), ",stratum", &plots);
    let of = |quantity| answer(case, quantity) / PLOT_HA;
    assert_figures(
        &trees_of(&cruise, "Invented"),
        &[
            ("per_ha", of("mean")),
            ("std_error", of("se_fpc")),
            ("total", of("total")),
            ("total_std_error", 2500.0 * of("se_fpc")),
        ],
    );
}

#[test]
fn clusters_of_a_list() {
    let case = "lohr-1999-one-stage-clusters";
    // Hundredths of the example's unit.
    let plots: Vec<_> = rows(&case_file(case, "elements.csv"))
        .iter()
        .map(|row| {
            let hundredths = (100.0 * number(row, "value")).round();
            (format!(",{}", row["cluster"]), hundredths)
        })
        .collect();
    let cruise = cruise("listed_units: 100", None, ",cluster", &plots);
    let of = |quantity| 100.0 * answer(case, quantity) / PLOT_HA;
    assert_figures(
        &trees_of(&cruise, "Invented"),
        &[
            ("per_ha", of("mean")),
            ("std_error", of("se_mean_listed")),
            ("df", 4.0),
            ("n_plots", 20.0),
        ],
    );
}

#[test]
fn part_plots() {
    let case = "constructed-part-plots";
    let all = rows(&case_file(case, "plots.csv"));
    let inside: Vec<_> = all
        .iter()
        .filter(|row| number(row, "share") > 0.0)
        .map(|row| (format!(",{}", row["share"]), number(row, "trees")))
        .collect();
    let cruise = cruise("average: ratio-of-means", None, ",plot_fraction", &inside);
    // The example's plots are of 0.02 ha. The one wholly outside is no plot of the stand: seven in
    // place of eight change n / (n - 1) and nothing else.
    let factor = 0.02 / PLOT_HA;
    let seven: f64 = (7.0 / 6.0) / (8.0 / 7.0);
    assert_figures(
        &trees_of(&cruise, "Invented"),
        &[
            ("per_ha", factor * answer(case, "trees")),
            ("std_error", factor * answer(case, "se") * seven.sqrt()),
            ("df", 6.0),
        ],
    );
}

/// The example of 18 plots in three strata with weights of one kind or another.
fn three_strata(strata: &str, column: &str) -> Row {
    let case = "constructed-double-stratification";
    let plots: Vec<_> = rows(&case_file(case, "plots.csv"))
        .iter()
        .map(|row| (format!(",{}", row["stratum"]), number(row, "value")))
        .collect();
    let stands = format!("stratum,{column}\nA,600\nB,300\nC,100\n");
    let sampling = format!("strata: {strata}");
    trees_of(
        &cruise(&sampling, Some(&stands), ",stratum", &plots),
        "Invented",
    )
}

#[test]
fn strata_of_known_areas_after_sampling_and_by_points() {
    let case = "constructed-double-stratification";
    for (strata, column, variance) in [
        ("areas", "area_ha", "variance_known"),
        ("after-sampling", "area_ha", "variance_after_sampling"),
        ("estimated", "phase_one_points", "variance_estimated"),
    ] {
        assert_figures(
            &three_strata(strata, column),
            &[
                ("per_ha", answer(case, "mean") / PLOT_HA),
                ("std_error", answer(case, variance).sqrt() / PLOT_HA),
                ("n_plots", 18.0),
            ],
        );
    }
}

#[test]
fn stands_of_a_list() {
    let case = "sarndal-1992-two-stages";
    let elements = rows(&case_file(case, "elements.csv"));
    // The size of a unit is the area of a stand and the number of plots that it holds.
    let mut stands = String::from("stand,area_ha,listed_units\n");
    for row in elements.iter().step_by(3) {
        let (unit, size) = (&row["unit"], &row["elements_in_unit"]);
        writeln!(stands, "{unit},{size},{size}").unwrap();
    }
    let plots: Vec<_> = elements
        .iter()
        .map(|row| (format!(",{}", row["unit"]), number(row, "value")))
        .collect();
    let sampling = "listed_stands: 50, listed_area_ha: 400";
    let cruise = cruise(sampling, Some(&stands), ",stand", &plots);
    let of = |quantity| answer(case, quantity) / PLOT_HA;
    assert_figures(
        &trees_of(&cruise, "all"),
        &[
            ("per_ha", of("total") / 400.0),
            ("std_error", of("se_total") / 400.0),
            ("total", of("total")),
            ("total_std_error", of("se_total")),
            ("df", 4.0),
            ("n_plots", 15.0),
        ],
    );
}

#[test]
fn differences_along_lines() {
    // By hand: 5, 6, 8, 4 trees along a line and 7, 3 along the next; d = 1, 2, -4 and -4. The
    // variance is sum d^2 / (2 n D) with n = 6 and D = 4. Units have 1, 2, 2, 1 and 1, 1 pairs:
    // (2 D)^2 / (12 + 2 D) degrees of freedom.
    let plots: Vec<_> = [(0, 5.0), (50, 6.0), (100, 8.0), (150, 4.0)]
        .map(|(northing, trees)| (format!(",0,{northing}"), trees))
        .into_iter()
        .chain([(0, 7.0), (50, 3.0)].map(|(northing, trees)| (format!(",80,{northing}"), trees)))
        .collect();
    let sampling = "layout: systematic, variance: successive-differences";
    let cruise = cruise(sampling, None, ",easting,northing", &plots);
    let variance: f64 = (1.0 + 4.0 + 16.0 + 16.0) / (2.0 * 6.0 * 4.0);
    assert_figures(
        &trees_of(&cruise, "Invented"),
        &[
            ("per_ha", 33.0 / 6.0 / PLOT_HA),
            ("std_error", variance.sqrt() / PLOT_HA),
            ("df", 64.0 / 20.0),
        ],
    );
}

/// The invented cruise that R's survey package was asked about, written as files.
fn surveyed(sampling: &str, stands: &str, columns: [&str; 2]) -> Vec<Row> {
    let case = "r-survey-4.1.1";
    let [stratum, cluster] = columns;
    let mut plots_csv = String::from("plot,stratum,cluster,plot_fraction\n");
    for row in rows(&case_file(case, "plots.csv")) {
        let (plot, fraction) = (&row["plot"], &row["fraction"]);
        writeln!(
            plots_csv,
            "{plot},{},{},{fraction}",
            row[stratum], row[cluster]
        )
        .unwrap();
    }
    let mut trees_csv = String::from("plot,tree,species,dbh_cm,height_m\n");
    for (at, row) in rows(&case_file(case, "trees.csv")).iter().enumerate() {
        let (plot, dbh, height) = (&row["plot"], &row["dbh_cm"], &row["height_m"]);
        writeln!(trees_csv, "{plot},{at},Fd,{dbh},{height}").unwrap();
    }
    let design = format!(
        "title: Invented\n\
         inputs: {{ stands: stands.csv, plots: plots.csv, trees: trees.csv }}\n\
         selections: {{ fixed: {{ method: fixed-area, area_ha: 0.04 }} }}\n\
         sampling: {{ {sampling} }}\n"
    );
    let cruise = Cruise::new()
        .file("design.yaml", design)
        .file("stands.csv", stands)
        .file("plots.csv", plots_csv)
        .file("trees.csv", trees_csv);
    let run = cruise.run(&["compile", "design.yaml", "--format", "csv"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let mut reader = csv::Reader::from_reader(run.stdout.as_bytes());
    reader.deserialize().map(Result::unwrap).collect()
}

/// Lines of the stands file from the areas of one kind.
fn stands_of(kind: &str, column: &str) -> String {
    let areas = rows(&case_file("r-survey-4.1.1", "areas.csv"));
    let lines = areas.iter().filter(|row| row["kind"] == kind).map(|row| {
        let (name, area) = (&row["name"], &row["area_ha"]);
        match column {
            "" => format!("{name},{area}\n"),
            _ => format!("{name},{area},{}\n", row[column]),
        }
    });
    let comma = if column.is_empty() { "" } else { "," };
    format!(
        "stratum,area_ha{comma}{column}\n{}",
        lines.collect::<String>()
    )
}

#[test]
fn clusters_in_strata_as_the_package_survey_has_them() {
    let by_strata = ["stratum", "cluster"];
    let cases = [
        ("plots", "strata: areas", "", ["stratum", "plot"]),
        ("clusters", "strata: areas", "", by_strata),
        ("listed", "strata: areas", "listed_units", by_strata),
        ("sizes", "average: ratio-of-means", "", by_strata),
        (
            "sorted",
            "strata: after-sampling, listed_units: 296",
            "",
            ["class", "cluster"],
        ),
    ];
    let names = [
        ("trees", "trees"),
        ("basal_area", "basal_area"),
        ("stand_density_index_summed", "sdi_summed"),
        ("quadratic_mean_dbh", "quadratic_mean_dbh"),
        ("lorey_height", "lorey_height"),
        ("stand_density_index", "density_index"),
        ("relative_density", "relative_density"),
    ];
    let answers = rows(&case_file("r-survey-4.1.1", "estimates.csv"));
    for (case, sampling, column, columns) in cases {
        let kind = columns[0];
        let tidy = surveyed(sampling, &stands_of(kind, column), columns);
        for (name, quantity) in names {
            let ours = tidy.iter().find(|row| {
                row["stratum"] == "all"
                    && row["status"] == "live"
                    && row["species"] == "all"
                    && row["dbh_from_cm"] == "all"
                    && row["attribute"] == name
            });
            let theirs = answers
                .iter()
                .find(|row| row["case"] == case && row["quantity"] == quantity)
                .unwrap();
            assert_figures(
                ours.unwrap(),
                &[
                    ("per_ha", number(theirs, "estimate")),
                    ("std_error", number(theirs, "std_error")),
                ],
            );
        }
    }
}

#[test]
fn the_report_says_how_the_sample_was_averaged_and_limited() {
    let plots = [
        (",1".to_owned(), 3.0),
        (",0.5".to_owned(), 2.0),
        (",1".to_owned(), 5.0),
    ];
    let said = |sampling: &str| {
        let cruise = cruise(sampling, None, ",plot_fraction", &plots);
        let run = cruise.run(&["compile", "design.yaml"]);
        assert_eq!(run.status, 0, "{}", run.stderr);
        let text = run.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
        [
            text.contains("each weighs as a whole one"),
            text.contains("(ratio of means)"),
            text.contains("resampling does not imitate a list"),
        ]
    };
    assert_eq!(said("average: mean-of-plots"), [true, false, false]);
    assert_eq!(
        said("average: ratio-of-means, listed_units: 40"),
        [false, true, true]
    );
}
