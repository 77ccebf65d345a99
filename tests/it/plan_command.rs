//! `plan`: what it prints, by form, and what it refuses.

use crate::cruise::{Cruise, Run, run};

const STRATA: &str = "stratum,area_ha,mean_m3_per_ha,cv_pct,cost\n\
                      Hemlock slope,42,310,38,14\nFir bench,25,420,25,12\nBrush,13,60,110,22\n";
const STAND_TABLE: &str = "dbh_cm;trees_per_ha\n10;420,5\n20;260\n30;130\n40;60\n50;20\n";

fn forest() -> Cruise {
    Cruise::new()
        .file("strata.csv", STRATA)
        .file("stand.csv", STAND_TABLE)
}

fn plan(cruise: &Cruise, options: &str) -> Run {
    let mut arguments = vec!["plan"];
    arguments.extend(options.split_whitespace());
    cruise.run(&arguments)
}

fn done(cruise: &Cruise, options: &str) -> String {
    let run = plan(cruise, options);
    assert_eq!(run.status, 0, "{options}: {}", run.stderr);
    assert_eq!(run.stderr, "", "{options}");
    let wide = run.stdout.lines().find(|line| line.chars().count() > 80);
    if !options.contains("csv --") && !options.ends_with("--format csv") {
        assert_eq!(wide, None, "{options}");
    }
    run.stdout
}

#[test]
fn plans_are_printed() {
    let cruise = forest();
    for (name, options) in [
        (
            "guess",
            "plots --cv-pct 30,40,50 --error-pct 10 --area-ha 60 --plot-area-ha 0.04",
        ),
        (
            "guess-budget",
            "plots --cv-pct 40 --budget 500 --plot-cost 9",
        ),
        (
            "strata",
            "plots --strata strata.csv --error-pct 10 --plot-area-ha 0.04",
        ),
        (
            "strata-plots",
            "plots --strata strata.csv --plots 60 --confidence 0.9",
        ),
        (
            "strata-budget-csv",
            "plots --strata strata.csv --budget 900 --format csv",
        ),
        (
            "counted",
            "plots --count-cv-pct 50 --vbar-cv-pct 18 --plot-cost 12 --tree-cost 3 --error-pct 10",
        ),
        (
            "counted-given",
            "plots --count-cv-pct 50 --vbar-cv-pct 18 --trees-per-point 2 --plots 40",
        ),
        ("size-table", "size --stand-table stand.csv"),
        (
            "size-mean-imperial",
            "size --trees-per-ac 320 --dbh-in 9.5 --trees 6",
        ),
        ("size-csv", "size --stand-table stand.csv --format csv"),
        (
            "distances",
            "distances --baf-m2-per-ha 7 --dbh-cm 10-40:5 --slope-pct 20,45",
        ),
        (
            "distances-face",
            "distances --baf-ft2-per-ac 20 --dbh-in 8,10,12.25 --to face",
        ),
        (
            "distances-csv",
            "distances --baf-ft2-per-ac 20 --dbh-in 8,20.3 --slope-pct 35 --format csv",
        ),
    ] {
        insta::assert_snapshot!(format!("plan-{name}"), done(&cruise, options));
    }
}

#[test]
fn a_pilot_gives_its_strata() {
    let pilot = "examples/marrow-creek/design.yaml";
    let plots = |options: &[&str]| {
        let mut arguments = vec!["plan", "plots", "--pilot", pilot];
        arguments.extend(options);
        let run = run(&arguments);
        assert_eq!(run.status, 0, "{}", run.stderr);
        run.stdout
    };
    let fixed = plots(&["--selection", "fixed", "--error-pct", "15"]);
    insta::assert_snapshot!("plan-pilot", fixed);
    let sweep = plots(&[
        "--selection",
        "sweep",
        "--attribute",
        "basal_area",
        "--plots",
        "30",
        "--units",
        "imperial",
    ]);
    insta::assert_snapshot!("plan-pilot-sweep", sweep);
}

/// The error that the compiled pilot states is that of its own plots, by Satterthwaite.
#[test]
fn the_pilots_own_plots_have_the_error_that_compile_states() {
    // Two plots in each stratum: no rule has a choice.
    let cruise = Cruise::new()
        .file(
            "design.yaml",
            "inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv}\nselections:\n  \
             circle: {method: fixed-area, area_ha: 0.01}\n",
        )
        .file("stands.csv", "stand,stratum,area_ha\nA,low,4\nA,high,9\n")
        .file(
            "plots.csv",
            "stand,plot,stratum\nA,1,low\nA,2,low\nA,3,high\nA,4,high\n",
        )
        .file(
            "trees.csv",
            "stand,plot,tree,species,dbh_cm\nA,1,1,Fd,30\nA,2,1,Fd,38\nA,3,1,Fd,25\nA,4,1,Fd,28\n",
        );
    let compiled = cruise.run(&["compile", "design.yaml", "--format", "csv"]);
    assert_eq!(compiled.status, 0, "{}", compiled.stderr);
    let row = compiled
        .stdout
        .lines()
        .find(|line| line.starts_with("A,all,circle,live,all,all,all,basal_area,"))
        .unwrap();
    let stated: f64 = row.split(',').nth(13).unwrap().parse().unwrap();
    let planned = plan(
        &cruise,
        "plots --pilot design.yaml --attribute basal_area --plots 4 --format csv",
    );
    assert_eq!(planned.status, 0, "{}", planned.stderr);
    let row = planned
        .stdout
        .lines()
        .rfind(|line| line.contains(",all,"))
        .unwrap();
    let ours: f64 = row.split(',').next_back().unwrap().parse().unwrap();
    assert!(
        (ours - stated).abs() < 1e-9 * stated,
        "{ours} against {stated}"
    );
}

#[test]
fn what_the_command_line_cannot_mean_is_refused() {
    let cruise = forest();
    let mut said = String::new();
    for options in [
        "plots --cv-pct -4 --error-pct 10",
        "plots --cv-pct 40 --error-pct 10 --confidence 1",
        "plots --cv-pct 40 --error-pct 0",
        "plots --cv-pct 40 --error-pct ten",
        "plots --cv-pct 40",
        "plots --error-pct 10",
        "plots --cv-pct 40 --strata strata.csv --error-pct 10",
        "plots --cv-pct 40 --error 12",
        "plots --cv-pct 40 --plots 1",
        "plots --cv-pct 40 --error-pct 10 --listed-units 1",
        "plots --count-cv-pct 50 --error-pct 10",
        "size --trees-per-ha 300",
        "size --stand-table stand.csv --dbh-cm 20",
        "distances --baf-m2-per-ha 700 --dbh-cm 20",
        "distances --baf-m2-per-ha 7 --dbh-cm 60-10:5",
        "distances --baf-m2-per-ha 7 --dbh-cm 20 --slope-pct 0",
    ] {
        let run = plan(&cruise, options);
        assert_eq!((run.status, run.stdout.as_str()), (2, ""), "{options}");
        let lines = run.stderr.split("\n\nUsage").next().unwrap();
        let lines = lines.split("\n\nFor more").next().unwrap();
        said += &format!("plan {options}\n{lines}\n\n");
    }
    insta::assert_snapshot!("plan-command-line", said);
}

#[test]
fn what_no_plan_can_meet_is_refused() {
    let cruise = forest()
        .file("no-mean.csv", "stratum,area_ha,std_dev_m3_per_ha\nA,4,30\n")
        .file(
            "listed.csv",
            "stratum,listed_units,mean_t,std_dev_t\nA,4,30,3\nB,9,5,1\n",
        );
    let mut said = String::new();
    for options in [
        "plots --cv-pct 40 --error-pct 0.001",
        "plots --cv-pct 40 --budget 300",
        "plots --cv-pct 40 --error-pct 10 --area-ha 20",
        "plots --cv-pct 40 --error-pct 10 --area-ha 0.05 --plot-area-ha 0.04",
        "plots --cv-pct 40 --plots 30 --listed-units 20",
        "plots --strata strata.csv --plots 5",
        "plots --strata strata.csv --budget 90",
        "plots --strata no-mean.csv --error-pct 10",
        "plots --strata listed.csv --error-pct 10 --plot-area-ha 0.01",
        "plots --count-cv-pct 50 --vbar-cv-pct 18 --error-pct 10",
        "plots --strata there-is-none.csv --error-pct 10",
    ] {
        let run = plan(&cruise, options);
        assert_eq!((run.status, run.stdout.as_str()), (1, ""), "{options}");
        said += &format!("plan {options}\n{}\n", run.stderr);
    }
    insta::assert_snapshot!("plan-unmet", said);
}

#[test]
fn a_pilot_without_a_spread_is_refused() {
    let cruise = Cruise::copy_of("examples/marrow-creek");
    let one_plot = Cruise::copy_of("examples/one-centre");
    let mut said = String::new();
    for (cruise, options) in [
        (&cruise, "--error-pct 10"),
        (&cruise, "--selection sweep --error-pct 10"),
        (
            &cruise,
            "--selection fixed --attribute volume --error-pct 10",
        ),
        (&cruise, "--selection fixed --stand 8 --error-pct 10"),
        (&one_plot, "--selection fixed --error-pct 10"),
    ] {
        let run = plan(cruise, &format!("plots --pilot design.yaml {options}"));
        assert_eq!((run.status, run.stdout.as_str()), (1, ""), "{options}");
        let errors = run.stderr.lines().filter(|line| line.contains("error: "));
        said += &format!("{options}\n{}\n\n", errors.collect::<Vec<_>>().join("\n"));
    }
    insta::assert_snapshot!("plan-pilot-refused", said);
}

#[test]
fn broken_files_are_refused_with_every_problem() {
    let mut said = String::new();
    for (name, text) in [
        ("empty", ""),
        ("heads only", "stratum,area_ha,mean_m3_per_ha,cv_pct\n"),
        (
            "negative",
            "stratum,area_ha,mean_m3_per_ha,cv_pct\nA,-4,300,-40\nB,5,0,30\n",
        ),
        (
            "text in a number",
            "stratum,area_ha,mean_m3_per_ha,cv_pct\nA,4,many,40\nB,5,20,1e999\n",
        ),
        (
            "slip in a head",
            "stratum,area_ha,mean_m3_per_ha,cv_pc\nA,4,300,40\n",
        ),
        (
            "unknown column",
            "stratum,area_ha,mean_m3_per_ha,cv_pct,owner\nA,0,300,40,me\n",
        ),
        ("no units", "stratum,area,mean,std_dev\nA,4,300,40\n"),
        (
            "two units",
            "stratum,area_ha,mean_m3_per_ha,std_dev_ft3_per_ac\nA,4,300,40\n",
        ),
        ("cv without mean", "stratum,area_ha,cv_pct\nA,4,40\n"),
        (
            "spread twice",
            "stratum,area_ha,mean_t,std_dev_t,cv_pct\nA,4,300,40,13\n",
        ),
        (
            "blanks",
            "stratum,area_ha,mean_t,std_dev_t,cost\nA,4,,40,3\n,5,200,,3\nA,3,200,20,\n",
        ),
        (
            "one unit",
            "stratum,listed_units,mean_t,std_dev_t\nA,1,300,40\n",
        ),
        (
            "decimal comma",
            "stratum,area_ha,mean_t,std_dev_t\nA,\"4,5\",300,40\n",
        ),
    ] {
        let cruise = Cruise::new().file("strata.csv", text);
        let run = plan(&cruise, "plots --strata strata.csv --error-pct 10");
        assert_eq!((run.status, run.stdout.as_str()), (1, ""), "{name}");
        said += &format!("{name}\n{}\n", run.stderr);
    }
    for (name, text) in [
        ("no trees", "dbh_cm,trees_per_ha\n20,0\n"),
        ("no columns", "dbh,trees\n20,300\n"),
        (
            "both areas",
            "dbh_in,trees_per_ha,trees_per_ac\n20,300,120\n",
        ),
        ("impossible", "dbh_cm,trees_per_ha\n0,300\n2000,3\n20,-1\n"),
    ] {
        let cruise = Cruise::new().file("stand.csv", text);
        let run = plan(&cruise, "size --stand-table stand.csv");
        assert_eq!((run.status, run.stdout.as_str()), (1, ""), "{name}");
        said += &format!("{name}\n{}\n", run.stderr);
    }
    insta::assert_snapshot!("plan-broken-files", said);
}

#[test]
fn a_result_goes_to_a_file_and_strata_come_from_standard_input() {
    let cruise = forest();
    let told = cruise.run_with_input(
        &[
            "plan",
            "plots",
            "--strata",
            "-",
            "--error-pct",
            "10",
            "--format",
            "csv",
            "--out",
            "a.csv",
        ],
        STRATA,
    );
    assert_eq!(
        (told.status, told.stdout.as_str()),
        (0, ""),
        "{}",
        told.stderr
    );
    let same = done(
        &cruise,
        "plots --strata strata.csv --error-pct 10 --format csv",
    );
    assert_eq!(cruise.read("a.csv"), same);
}
