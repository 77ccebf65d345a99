//! `compile --format html`: one page, sound as markup, closed to the network, with the figures of
//! the estimate table.

use std::collections::BTreeMap;
use std::process::Command;

use spinney::tables::Cell;

use crate::cruise::{Cruise, repository, run, shared};

const EXAMPLES: [&str; 3] = ["marrow-creek", "one-centre", "tarn-ridge-logs"];

fn page(example: &str) -> String {
    let design = format!("examples/{example}/design.yaml");
    let run = run(&["compile", &design, "--format", "html"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    run.stdout
}

fn tidy(csv: &str) -> Vec<BTreeMap<String, String>> {
    csv::Reader::from_reader(csv.as_bytes())
        .deserialize()
        .map(Result::unwrap)
        .collect()
}

/// Tags of a page in their order, without what stands in its style.
fn tags(page: &str) -> Vec<&str> {
    let style = page.find("<style>").unwrap()..page.find("</style>").unwrap();
    let mut tags = Vec::new();
    for part in [&page[..style.start], &page[style.end..]] {
        let mut rest = part;
        while let Some(from) = rest.find('<') {
            assert!(
                !rest[..from].contains('>'),
                "a bare > before {}",
                &rest[from..]
            );
            let mut quoted = false;
            let to = rest[from..].find(|c| {
                quoted ^= c == '"';
                c == '>' && !quoted
            });
            let to = from + to.unwrap();
            tags.push(&rest[from..=to]);
            rest = &rest[to + 1..];
        }
    }
    tags
}

fn name(tag: &str) -> &str {
    let name = tag.trim_start_matches(['<', '/']);
    let end = name.find([' ', '>', '/', '\n']).unwrap_or(name.len());
    &name[..end]
}

fn attribute<'t>(tag: &'t str, name: &str) -> Option<&'t str> {
    let (_, rest) = tag.split_once(&format!(" {name}=\""))?;
    Some(rest.split('"').next().unwrap())
}

/// Every element that is opened is closed in its place, and no id is given twice.
fn assert_sound(page: &str) {
    let mut open = Vec::new();
    let mut ids = Vec::new();
    for tag in tags(page) {
        ids.extend(attribute(tag, "id"));
        if tag.starts_with("</") {
            if name(tag) != "style" {
                assert_eq!(open.pop(), Some(name(tag)), "{tag}");
            }
        } else if !tag.starts_with("<!") && !tag.ends_with("/>") && name(tag) != "meta" {
            open.push(name(tag));
        }
    }
    assert_eq!(open, Vec::<&str>::new());
    let count = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), count, "an id is given twice");
    for tag in tags(page) {
        let link = attribute(tag, "href").or(attribute(tag, "aria-describedby"));
        if let Some(link) = link {
            let target = link.trim_start_matches('#');
            assert!(ids.binary_search(&target).is_ok(), "no element is {link}");
        }
    }
}

/// Nothing is loaded and nothing runs.
fn assert_closed(page: &str) {
    for tag in tags(page) {
        assert!(
            !["script", "link", "img", "iframe", "object", "use", "image"].contains(&name(tag)),
            "{tag}"
        );
        for loads in ["src", "xlink:href", "action", "style", "onload", "onclick"] {
            assert_eq!(attribute(tag, loads), None, "{tag}");
        }
        if let Some(link) = attribute(tag, "href") {
            assert!(link.starts_with('#'), "{tag}");
        }
    }
    let style = &page[page.find("<style>").unwrap()..page.find("</style>").unwrap()];
    assert!(!style.contains("url(") && !style.contains("@import"));
}

/// Tables, pictures and heads can be heard.
fn assert_heard(page: &str) {
    let tags = tags(page);
    let mut figures = 0;
    for (at, tag) in tags
        .iter()
        .enumerate()
        .filter(|(_, tag)| !tag.starts_with("</"))
    {
        match name(tag) {
            "table" => {
                let named =
                    attribute(tag, "aria-label").is_some() || name(tags[at + 1]) == "caption";
                assert!(named, "{tag}");
            }
            "th" => assert!(attribute(tag, "scope").is_some(), "{tag}"),
            "svg" => {
                assert_eq!(attribute(tag, "role"), Some("img"));
                assert_eq!(name(tags[at + 1]), "title", "{tag}");
            }
            "figure" => {
                figures += 1;
                assert_eq!(name(tags[at + 1]), "figcaption");
            }
            _ => {}
        }
    }
    assert!(figures > 0);
}

#[test]
fn pages_are_sound_closed_and_can_be_heard() {
    for example in EXAMPLES {
        let page = page(example);
        assert!(page.starts_with("<!DOCTYPE html>"));
        assert_sound(&page);
        assert_closed(&page);
        assert_heard(&page);
    }
}

/// What a chart says of itself is what the estimate table says, limits included; every species is
/// told.
#[test]
fn charts_tell_the_figures_of_the_estimate_table() {
    for example in EXAMPLES {
        let page = page(example);
        let design = format!("examples/{example}/design.yaml");
        let rows = tidy(&run(&["compile", &design, "--format", "csv"]).stdout);
        let attributes = ["basal_area", "volume_total", "volume_merch", "volume_net"];
        let mut checked = 0;
        for row in &rows {
            let whole = row["stand"] != "all" && row["stratum"] == "all" && row["status"] == "live";
            let by_species =
                attributes.contains(&row["attribute"].as_str()) && row["dbh_from_cm"] == "all";
            let by_class = row["attribute"] == "trees" && row["dbh_from_cm"] != "all";
            if !whole || !(by_species || by_class) {
                continue;
            }
            let number = |column: &str| {
                row[column]
                    .parse::<f64>()
                    .ok()
                    .map(|value| Cell::Number(value, 1).shown())
            };
            let mut words = if by_class {
                format!(
                    "{} to {} cm {}",
                    row["dbh_from_cm"].trim_end_matches(".0"),
                    row["dbh_to_cm"].trim_end_matches(".0"),
                    number("per_ha").unwrap()
                )
            } else {
                format!("{} {}", row["species"], number("per_ha").unwrap())
            };
            if let (Some(lower), Some(upper)) = (number("ci_lower"), number("ci_upper")) {
                words += &format!(" ({lower} to {upper})");
            }
            assert!(page.contains(&words), "{example}: no chart says `{words}`");
            checked += 1;
        }
        assert!(checked > 10, "{example}: {checked}");
        for row in &rows {
            assert!(page.contains(&row["species"]), "{}", row["species"]);
        }
    }
}

/// All that the report as text says stands on the page: assumptions, publications, cautions.
#[test]
fn nothing_of_the_text_report_is_left_out() {
    for example in EXAMPLES {
        let page = page(example);
        let design = format!("examples/{example}/design.yaml");
        let wide = run(&["compile", &design, "--width", "60000"]);
        let escaped = |text: &str| {
            text.replace('&', "&amp;")
                .replace('<', "&lt;")
                .replace('>', "&gt;")
                .replace('"', "&quot;")
        };
        let points = wide
            .stdout
            .lines()
            .filter_map(|line| line.strip_prefix("- "));
        let mut told = 0;
        for point in points {
            assert!(page.contains(&escaped(point)), "{example}: {point}");
            told += 1;
        }
        assert!(told > 20, "{example}: {told}");
        for line in wide.stderr.lines().filter(|line| line.ends_with(']')) {
            assert!(page.contains(&escaped(line)), "{example}: {line}");
        }
    }
}

#[test]
fn a_folder_gets_a_file_named_after_the_design() {
    let cruise = Cruise::copy_of("examples/one-centre");
    let run = cruise.run(&["compile", "design.yaml", "--format", "html", "--out", "."]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    assert_eq!(run.stdout, "");
    assert_eq!(cruise.read("design.html"), page_in(&cruise));
}

fn page_in(cruise: &Cruise) -> String {
    cruise
        .run(&["compile", "design.yaml", "--format", "html"])
        .stdout
}

const HOSTILE: &str = "<b>&\"</svg><script>alert(1)</script>";

#[test]
fn names_of_the_user_are_no_markup() {
    let quoted = HOSTILE.replace('"', "\"\"");
    let of_plots = |row: fn(&str, usize) -> String| -> Vec<String> {
        (1..=4).map(|plot| row(&quoted, plot)).collect()
    };
    let plots = of_plots(|name, plot| format!("\"{name}\",\"{name}{plot}\",{plot}0,{plot}5\n"));
    let trees = of_plots(|name, plot| {
        format!("\"{name}\",\"{name}{plot}\",\"{name}\",3{plot}.0,2{plot}.5\n")
    });
    let (plots, trees) = (plots.concat(), trees.concat());
    let design = format!(
        "title: '{HOSTILE}'\ninputs: {{ plots: plots.csv, trees: trees.csv }}\nselections:\n  fixed: {{ method: \
         fixed-area, radius_m: 7.98 }}\nspecies_aliases: {{ '{HOSTILE}': PSME }}\n"
    );
    let cruise = Cruise::new()
        .file("design.yaml", design)
        .file("plots.csv", format!("stand,plot,easting,northing\n{plots}"))
        .file(
            "trees.csv",
            format!("stand,plot,species,dbh_cm,height_m\n{trees}"),
        );
    let run = cruise.run(&["compile", "design.yaml", "--format", "html"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    assert_sound(&run.stdout);
    assert_closed(&run.stdout);
    assert_heard(&run.stdout);
    assert!(run.stdout.contains("&lt;b&gt;&amp;&quot;"));
    assert!(run.stdout.contains("Plots on the map"));
}

#[test]
fn the_same_bytes_at_any_number_of_threads() {
    let with = |threads: &str| {
        let output = Command::new(env!("CARGO_BIN_EXE_spinney"))
            .args([
                "compile",
                "examples/marrow-creek/design.yaml",
                "--format",
                "html",
            ])
            .current_dir(repository())
            .env("RAYON_NUM_THREADS", threads)
            .output()
            .unwrap();
        assert!(output.status.success());
        output.stdout
    };
    assert_eq!(with("1"), with("4"));
}

#[test]
fn the_head_of_a_page() {
    let page = page("one-centre");
    let head = &page[..page.find("<style>").unwrap()];
    let body = &page[page.find("<body>").unwrap()..page.find("<main").unwrap()];
    insta::assert_snapshot!(format!("{head}\n{body}").replace("><", ">\n<"));
}

/// A chart of stands up to 60 of them, words instead from there on.
#[test]
fn many_stands_are_one_chart_or_a_word() {
    let page_of = |stands: usize| {
        let plots: String = (1..=stands)
            .flat_map(|stand| [1, 2].map(|plot| format!("s{stand},{plot}\n")))
            .collect();
        let trees: String = (1..=stands)
            .flat_map(|stand| {
                [1, 2].map(|plot| format!("s{stand},{plot},PSME,{}.0\n", 20 + stand % 9 + 3 * plot))
            })
            .collect();
        let cruise = Cruise::new()
            .file("design.yaml", "inputs: { plots: plots.csv, trees: trees.csv }\nselections:\n  fixed: { method: fixed-area, radius_m: 7.98 }\n")
            .file("plots.csv", format!("stand,plot\n{plots}"))
            .file("trees.csv", format!("stand,plot,species,dbh_cm\n{trees}"));
        let run = cruise.run(&["compile", "design.yaml", "--format", "html"]);
        assert_eq!(run.status, 0, "{}", run.stderr);
        assert_sound(&run.stdout);
        run.stdout
    };
    assert!(page_of(60).contains("Live trees by stand"));
    let page = page_of(61);
    assert!(page.contains("no chart is drawn") && !page.contains("Live trees by stand"));
}

/// A real cruise with 144 plots and 12 species: species beyond the eighth are in the tables, and the
/// report says so.
#[test]
fn a_real_prism_cruise_has_its_page() {
    let Some(trees) = shared("data/upper-flat-creek/trees-as-recorded.csv") else {
        return;
    };
    let cruise = Cruise::new()
        .file("design.yaml", super::upper_flat_creek::DESIGN)
        .file("trees.csv", std::fs::read(trees).unwrap());
    let tables = repository().join("tests/tables");
    let run = cruise.run(&[
        "compile",
        "design.yaml",
        "--format",
        "html",
        "--tables",
        tables.to_str().unwrap(),
    ]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    assert_sound(&run.stdout);
    assert_heard(&run.stdout);
    assert!(run.stdout.contains("species with fewer trees ("));
    assert!(run.stdout.len() < 400_000, "{} bytes", run.stdout.len());
}
