//! Bark ratios at work: logs from profiles outside bark, merchantable tops on the other basis, and
//! what is said where a ratio is missing.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;

use proptest::prelude::*;
use spinney::design::{Fallback, Merchantable};
use spinney::read::tables::Tables;
use spinney::species::bark::BarkSet;
use spinney::species::choose::Chosen;
use spinney::species::set::VolumeSet;
use spinney::stems::volume::StemInput;
use spinney::units::{CM_PER_IN, M_PER_FT, M3_PER_FT3};

use crate::cruise::{Cruise, repository};
use crate::volumes::{SPECIES, choose, id, set};

type Row = BTreeMap<String, String>;

const OUTSIDE: &str = "us-south-taper-1991-outside";
const INSIDE: &str = "us-south-taper-1991-inside";

/// Diameter inside bark over dbh of loblolly pine: 0.90698 (Raile 1982, us-stump-1982).
const PINE_1982: f64 = 0.90698;
/// The same of white oak.
const OAK_1982: f64 = 0.92267;

/// The same by Clark, Souter & Schlaegel 1991 (us-south-1991): `dib = -0.4814 + 0.91413 D`, in.
fn pine_1991(dbh_in: f64) -> f64 {
    (-0.4814 + 0.91413 * dbh_in) / dbh_in
}

/// Diameter outside bark in inches at a height in feet of a loblolly pine, all of the South: the
/// published form and coefficients of Clark, Souter & Schlaegel 1991, written out here.
fn pine_dob_in(dbh: f64, height: f64, h: f64) -> f64 {
    let [r, c, e] = [25.29597, 0.5837, 221.45];
    let [p, b, a, f_a, f_b] = [8.88273, 2.39522, 0.70372, 0.92022, -1.04015];
    let upper = dbh * (f_a + f_b * (17.3 / height) * (17.3 / height));
    let left = |h: f64, power: f64| (1.0 - h / height).powf(power);
    let square = if h < 4.5 {
        let swell = (left(h, r) - left(4.5, r)) / (1.0 - left(4.5, r));
        dbh * dbh * (1.0 + (c + e / dbh.powi(3)) * swell)
    } else if h <= 17.3 {
        let fall = (left(4.5, p) - left(h, p)) / (left(4.5, p) - left(17.3, p));
        dbh * dbh - (dbh * dbh - upper * upper) * fall
    } else {
        let y = (h - 17.3) / (height - 17.3);
        let butt = if y < a {
            (1.0 - b) / (a * a) * (a - y) * (a - y)
        } else {
            0.0
        };
        upper * upper * (b * (y - 1.0) * (y - 1.0) + butt)
    };
    square.sqrt()
}

const LOGS: &str = "\
logs:
  stump_ft: 1
  cubic_rule: smalian
  class_cm: 10
  products:
    - { name: sawlog, lengths_ft: [16, 12], trim_ft: 0.5, min_top_dib_in: 6 }
";

const TREES: &str = "\
plot,tree,species,dbh_in,height_ft
1,1,131,12,70
1,2,131,17.3,84
2,1,131,9.1,55
2,2,131,21,96
";

/// A cruise of southern pines; `volume` and `more` are parts of the design.
fn pines(volume: &str, more: &str) -> Cruise {
    let design = format!(
        "title: pines\n\
         inputs: {{ trees: trees.csv }}\n\
         selections: {{ fixed: {{ method: fixed-area, area_ha: 0.1 }} }}\n\
         volume: {{ {volume} }}\n{more}"
    );
    Cruise::new()
        .file("design.yaml", design)
        .file("trees.csv", TREES)
}

fn southern(volume_set: &str, more: &str) -> String {
    format!("set: {volume_set}, region: southwide{more}")
}

/// A bark set of the user's own in `own/`: invented formula, one row for each species.
fn own_bark(cruise: Cruise, formula: &str, species: &[&str], checks: Option<&str>) -> Cruise {
    let folder = cruise.path("own/bark/mine");
    fs::create_dir_all(&folder).unwrap();
    let head = format!(
        "title: bark of our own\ncitation: invented 2026\nobtained: set up by the user\n\
         form: formula\nformula: \"{formula}\"\nquantity: dib\nunits: {{}}\nbark: inside bark\n\
         total_includes: nothing\nrange: not published\nerror: not published\n"
    );
    let mut rows = "species\n".to_owned();
    for code in species {
        writeln!(rows, "{code}").unwrap();
    }
    fs::write(folder.join("set.yaml"), head).unwrap();
    fs::write(folder.join("coefficients.csv"), rows).unwrap();
    if let Some(checks) = checks {
        fs::write(folder.join("checks.csv"), checks).unwrap();
    }
    cruise
}

/// Compiles, and gives back the lists of trees and of logs (empty where no logs are asked for).
fn lists(cruise: &Cruise, more: &[&str]) -> (Vec<Row>, Vec<Row>) {
    let arguments = ["compile", "design.yaml", "--tree-list", "trees-out.csv"];
    let logs: &[&str] = if cruise.read("design.yaml").contains("\nlogs:") {
        &["--log-list", "logs-out.csv"]
    } else {
        &[]
    };
    let run = cruise.run(&[&arguments, logs, more].concat());
    assert_eq!(run.status, 0, "{}", run.stderr);
    let rows = |name: &str| {
        let reader = csv::Reader::from_path(cruise.path(name));
        reader.map_or(Vec::new(), |mut reader| {
            reader.deserialize().map(Result::unwrap).collect()
        })
    };
    (rows("trees-out.csv"), rows("logs-out.csv"))
}

fn number(row: &Row, column: &str) -> f64 {
    row[column].parse().unwrap()
}

fn assert_close(ours: f64, wanted: f64, of: &str) {
    assert!((ours / wanted - 1.0).abs() < 1e-9, "{of}: {ours}, {wanted}");
}

#[test]
fn logs_from_a_profile_outside_bark_are_those_worked_by_hand() {
    for (bark, ratio) in [
        ("us-stump-1982", &(|_| PINE_1982) as &dyn Fn(f64) -> f64),
        ("us-south-1991", &pine_1991),
    ] {
        let cruise = pines(&southern(OUTSIDE, &format!(", bark: {bark}")), LOGS);
        let (trees, logs) = lists(&cruise, &[]);
        assert!(logs.len() >= 8, "{logs:?}");
        for log in &logs {
            let of_log = |tree: &&Row| tree["plot"] == log["plot"] && tree["tree"] == log["tree"];
            let tree = trees.iter().find(of_log).unwrap();
            let dbh_in = number(tree, "dbh_cm") / CM_PER_IN;
            let height_ft = number(tree, "height_m") / M_PER_FT;
            let dib_cm = |height_m: f64| {
                ratio(dbh_in) * pine_dob_in(dbh_in, height_ft, height_m / M_PER_FT) * CM_PER_IN
            };
            let bottom_m = number(log, "bottom_m");
            let length_m = number(log, "length_m");
            let (small, large) = (dib_cm(bottom_m + length_m), dib_cm(bottom_m));
            assert_close(number(log, "dib_small_cm"), small, "small end");
            assert_close(number(log, "dib_large_cm"), large, "large end");
            let area = |d: f64| std::f64::consts::PI * d * d / 40_000.0;
            let smalian = f64::midpoint(area(small), area(large)) * length_m;
            assert_close(number(log, "volume_m3"), smalian, "Smalian");
            assert!(small >= 6.0 * CM_PER_IN - 1e-9);
        }
        // Volumes of trees stay outside bark: 27.136 ft3 for 12 in and 70 ft, as stated beside the
        // coefficients.
        let total_ft3 = number(&trees[0], "volume_total_m3") / M3_PER_FT3;
        assert_eq!(format!("{total_ft3:.3}"), "27.136");
    }
}

fn limits(top_diameter_cm: f64, top_inside_bark: bool) -> Merchantable {
    Merchantable {
        stump_m: 0.3,
        top_diameter_cm,
        top_inside_bark,
        min_dbh_cm: None,
    }
}

/// A set with a set of bark, and the equations of a species.
fn with_bark(
    name: &str,
    bark: &str,
    code: &str,
    merchantable: Option<Merchantable>,
) -> (VolumeSet, Chosen) {
    let mut set = set(name).clone();
    set.bark_set = Some(Box::new(
        Tables::builtin().bark_set(bark, &SPECIES).unwrap(),
    ));
    let region = set.needs_region().then(|| set.regions[0].name.clone());
    let wanted = spinney::species::choose::Wanted {
        region: region.as_deref(),
        fallback: Fallback::None,
        merchantable,
        planted: false,
    };
    let mut chosen = set.choose(id(code), &wanted, &SPECIES).unwrap();
    set.add_bark(&mut chosen, id(code), &SPECIES).unwrap();
    (set, chosen)
}

fn stem(dbh_cm: f64, height_m: f64) -> StemInput {
    StemInput {
        dbh_cm,
        height_m,
        broken_height_m: None,
    }
}

proptest! {
    /// `dib(h) = k top` where the height of a top outside bark is found under a profile inside
    /// bark, and the reverse; and the volumes are those up to that height, on the basis of the set.
    #[test]
    fn a_top_is_turned_to_the_basis_of_the_profile(
        dbh_in in 8.0_f64..30.0, height_ft in 45.0_f64..120.0, top_in in 3.0_f64..6.0,
    ) {
        let tree = stem(dbh_in * CM_PER_IN, height_ft * M_PER_FT);
        let (top_cm, k) = (top_in * CM_PER_IN, pine_1991(dbh_in));
        for (name, top_inside) in [(INSIDE, false), (OUTSIDE, true)] {
            let asked = limits(top_cm, top_inside);
            let (set, chosen) = with_bark(name, "us-south-1991", "131", Some(asked));
            let Some(profile) = set.profile(&chosen, &tree) else {
                continue;
            };
            let found_m = profile.height_of_basis_diameter(top_cm, top_inside).unwrap();
            let turned_cm = if top_inside { top_cm / k } else { top_cm * k };
            prop_assert!((profile.diameter_cm(found_m) - turned_cm).abs() < 1e-9);
            prop_assert!((profile.diameter_on_basis_cm(found_m, top_inside) - top_cm).abs() < 1e-9);
            let merchantable_m3 = set.stem(&chosen, &tree).merchantable_m3.unwrap();
            let wanted_m3 = profile.volume(0.3, found_m).value;
            prop_assert!((merchantable_m3 / wanted_m3 - 1.0).abs() < 1e-12);
            // The same without a bark set, the top given on the basis of the profile.
            let plain = limits(turned_cm, !top_inside);
            let region = Some("southwide");
            let plain = choose(name, "131", region, Fallback::None, Some(plain)).unwrap();
            let same_m3 = crate::volumes::set(name).stem(&plain, &tree).merchantable_m3.unwrap();
            prop_assert!((merchantable_m3 / same_m3 - 1.0).abs() < 1e-9);
        }
    }

    /// Diameters inside bark are `k` times those outside, volumes `k^2` times, whatever the profile.
    #[test]
    fn one_ratio_scales_the_whole_stem(
        dbh_cm in 8.0_f64..70.0, height_m in 12.0_f64..40.0, share in 0.0_f64..1.0,
    ) {
        let (set, chosen) = with_bark(OUTSIDE, "us-stump-1982", "802", None);
        let tree = stem(dbh_cm, height_m);
        let k = OAK_1982;
        let Some(profile) = set.profile(&chosen, &tree) else {
            return Ok(());
        };
        let h = share * height_m;
        let (dob, dib) = (profile.diameter_on_basis_cm(h, false), profile.diameter_on_basis_cm(h, true));
        prop_assert!((dib - k * dob).abs() <= 1e-12 * dob);
        let (all, wood) = (profile.volume(0.0, h).value, profile.wood_volume(0.0, h).value);
        prop_assert!((wood - k * k * all).abs() <= 1e-12 * all);
        prop_assert!(wood <= all);
    }
}

/// A top outside bark under a borrowed profile inside bark is the same limit as `k` times it inside
/// bark: Douglas-fir, `k = 0.9` of an invented bark set.
#[test]
fn a_borrowed_profile_takes_the_top_on_its_own_basis() {
    let fir = |top: &str, bark: &str| {
        let volume = format!(
            "set: ca-bc-volume-2016, region: CWH, merchantable: {{ stump_m: 0.4, {top} }}{bark}"
        );
        let cruise = pines(&volume, "").file(
            "trees.csv",
            "plot,tree,species,dbh_cm,height_m,broken_height_m\n1,1,Fd,40,30,\n1,2,Fd,55,36,18\n",
        );
        let cruise = own_bark(cruise, "0.9 * dbh_cm", &["Fd"], None);
        lists(&cruise, &["--tables", "own"]).0
    };
    let (outside, inside) = (
        fir("top_dob_cm: 20", ", bark: mine"),
        fir("top_dib_cm: 18", ""),
    );
    assert_eq!(outside.len(), 2);
    for (ours, wanted) in outside.iter().zip(&inside) {
        for column in ["volume_merch_m3", "volume_total_m3"] {
            assert_close(number(ours, column), number(wanted, column), column);
        }
    }
}

/// How far a ratio held along the stem is from profiles published on both bases: for the pine of 12
/// in and 70 ft 21.828 ft3 are stated inside bark beside the coefficients, 27.136 ft3 outside. By
/// hand: 27.136 x 0.90698^2 = 22.322 and 27.136 x 0.874013^2 = 20.729; 2.3 % more and 5.0 % less.
#[test]
fn the_assumption_costs_a_few_percent() {
    let tree = stem(12.0 * CM_PER_IN, 70.0 * M_PER_FT);
    for (bark, ft3) in [("us-stump-1982", "22.322"), ("us-south-1991", "20.729")] {
        let (set, chosen) = with_bark(OUTSIDE, bark, "131", None);
        let profile = set.profile(&chosen, &tree).unwrap();
        let wood_ft3 = profile.wood_volume(0.0, tree.height_m).value / M3_PER_FT3;
        assert_eq!(format!("{wood_ft3:.3}"), ft3);
        assert!((wood_ft3 / 21.828 - 1.0).abs() < 0.051, "{wood_ft3}");
    }
    // At breast height the set inside bark has the very diameter of the bark set of its report.
    let (set, chosen) = with_bark(OUTSIDE, "us-south-1991", "131", None);
    let scaled = set.profile(&chosen, &tree).unwrap();
    let inside = choose(INSIDE, "131", Some("southwide"), Fallback::None, None).unwrap();
    let published = crate::volumes::set(INSIDE).profile(&inside, &tree).unwrap();
    let at_breast = 4.5 * M_PER_FT;
    assert_close(
        scaled.diameter_on_basis_cm(at_breast, true),
        published.diameter_cm(at_breast),
        "dib",
    );
}

#[test]
fn a_ratio_of_one_changes_nothing_at_all() {
    // The example with its profiles said to be outside bark, and a bark set without any bark.
    let example = || Cruise::copy_of("examples/tarn-ridge-logs");
    let plain = example();
    let before = lists(&plain, &[]);
    let cruise = own_bark(
        example(),
        "dbh_cm",
        &["Fd", "Cw", "Hw", "Dr", "Ss", "Ba"],
        Some(
            "species,dbh_cm,quantity,value,unit,tolerance,status,where\n\
             Fd,31.5,dib,31.5,cm,1e-12,computed independently,by hand\n",
        ),
    );
    let folder = cruise.path("own/volume/ca-bc-taper-1994");
    fs::create_dir_all(&folder).unwrap();
    let theirs = repository().join("species-tables/volume/ca-bc-taper-1994");
    for file in ["set.yaml", "coefficients.csv"] {
        let text = fs::read_to_string(theirs.join(file)).unwrap();
        let text = text.replace("bark: inside bark", "bark: outside bark");
        fs::write(folder.join(file), text).unwrap();
    }
    let cruise = cruise.edit("design.yaml", "region: CWH", "region: CWH\n  bark: mine");
    assert_eq!(lists(&cruise, &["--tables", "own"]), before);
    for list in ["trees-out.csv", "logs-out.csv"] {
        assert_eq!(cruise.read(list), plain.read(list));
    }
}

#[test]
fn a_bark_set_without_a_use_is_said_and_changes_nothing() {
    let inside = |bark: &str| pines(&southern(INSIDE, bark), LOGS);
    let (without, with) = (inside(""), inside(", bark: us-stump-1982"));
    assert_eq!(lists(&without, &[]), lists(&with, &[]));
    let run = with.run(&["compile", "design.yaml"]);
    assert_eq!(run.stdout, without.run(&["compile", "design.yaml"]).stdout);
    let warning = "design.yaml:4:69: warning: bark set `us-stump-1982` has no use: with volume set \
                   `us-south-taper-1991-inside` neither logs nor the top diameter go from one bark \
                   basis to the other; remove `bark`, or check which basis is meant [bark-set-unused]";
    assert!(run.stderr.contains(warning), "{}", run.stderr);
}

#[test]
fn without_a_bark_set_the_other_basis_is_refused_with_the_remedy() {
    let run = pines(&southern(OUTSIDE, ""), LOGS).run(&["compile", "design.yaml"]);
    assert_eq!(run.status, 1);
    let said = "design.yaml:6:3: error: log scaling needs diameters inside bark; the profiles of \
                `us-south-taper-1991-outside` are outside bark; name a volume set with stem \
                profiles inside bark, or a bark set (`volume: bark`)";
    assert!(run.stderr.contains(said), "{}", run.stderr);
    let top = ", merchantable: { stump_ft: 1, top_dob_in: 4 }";
    let run = pines(&southern(INSIDE, top), "").run(&["compile", "design.yaml"]);
    assert_eq!(run.status, 1);
    let said = "give the top diameter inside bark (`top_dib_cm`); or name a bark set";
    assert!(run.stderr.contains(said), "{}", run.stderr);
    let both = format!("{top}, bark: us-south-1991");
    let run = pines(&southern(INSIDE, &both), "").run(&["compile", "design.yaml"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
}

#[test]
fn an_unknown_bark_set_is_named_at_its_place() {
    let volume = southern(OUTSIDE, ", bark: us-stump-1892");
    let run = pines(&volume, LOGS).run(&["check", "design.yaml"]);
    assert_eq!(run.status, 1);
    let said = "design.yaml:4:70: error: there is no bark set of this name (`us-stump-1892`); did \
                you mean `us-stump-1982`? [unknown-bark-set]";
    assert!(run.stderr.contains(said), "{}", run.stderr);
}

#[test]
fn every_species_without_a_row_is_named_at_its_place() {
    let cruise = pines(&southern(OUTSIDE, ", bark: us-southwest-oregon-1985"), LOGS).file(
        "trees.csv",
        "plot,tree,species,dbh_in,height_ft\n1,1,131,12,70\n1,2,110,12,70\n2,1,131,12,70\n",
    );
    let run = cruise.run(&["compile", "design.yaml"]);
    assert_eq!(run.status, 1);
    for (line, name) in [(2, "loblolly pine"), (3, "shortleaf pine")] {
        let said = run.stderr.lines().any(|text| {
            text.starts_with(&format!("trees.csv:{line}:5: error: "))
                && text.contains("bark set `us-southwest-oregon-1985` has no row for")
                && text.contains(name)
        });
        assert!(said, "{}", run.stderr);
    }
}

#[test]
fn a_substitute_lends_its_bark_only_where_the_species_has_none() {
    // Shortleaf pine has a row of its own (-0.44121 + 0.93045 D, Clark et al. 1991), sand pine none.
    let volume = southern(
        OUTSIDE,
        ", bark: us-south-1991, substitute: { 110: 131, 107: 131 }",
    );
    let cruise = pines(&volume, LOGS).file(
        "trees.csv",
        "plot,tree,species,dbh_in,height_ft\n1,1,110,12,70\n1,2,107,12,70\n2,1,131,12,70\n",
    );
    let (_, logs) = lists(&cruise, &[]);
    let own = (-0.44121 + 0.93045 * 12.0) / 12.0;
    for (species, ratio) in [
        ("110", own),
        ("107", pine_1991(12.0)),
        ("131", pine_1991(12.0)),
    ] {
        let log = logs.iter().find(|log| log["species"] == species).unwrap();
        let dib_cm = ratio * pine_dob_in(12.0, 70.0, 1.0) * CM_PER_IN;
        assert_close(number(log, "dib_large_cm"), dib_cm, species);
    }
}

#[test]
fn a_tree_without_a_sound_ratio_holds_nothing_inside_bark_and_is_flagged() {
    // An invented line: dib = dbh - 28 cm leaves nothing of the trees of 9.1 in (23.1 cm).
    let volume = southern(
        OUTSIDE,
        ", bark: mine, merchantable: { stump_ft: 1, top_dib_in: 1 }",
    );
    let check = "species,dbh_cm,quantity,value,unit,tolerance,status,where\n\
                 131,38,dib,10,cm,1e-12,computed independently,by hand\n";
    let logs = LOGS.replace("min_top_dib_in: 6", "min_top_dib_in: 0.1");
    let cruise = own_bark(pines(&volume, &logs), "dbh_cm - 28", &["131"], Some(check));
    let (trees, logs) = lists(&cruise, &["--tables", "own"]);
    let thin = &trees[2];
    let flag = "outside the range of the bark set";
    assert_eq!(thin["flags"], flag);
    assert_eq!(thin["volume_merch_m3"], "0");
    assert!(number(thin, "volume_total_m3") > 0.0);
    assert!(
        !logs
            .iter()
            .any(|log| log["plot"] == "2" && log["tree"] == "1")
    );
    for sound in [&trees[0], &trees[1], &trees[3]] {
        assert_eq!(sound["flags"], "");
        assert!(number(sound, "volume_merch_m3") > 0.0);
    }
    let run = cruise.run(&["compile", "design.yaml", "--tables", "own"]);
    assert!(
        run.stdout.contains("1 tree is outside the valid range"),
        "{}",
        run.stdout
    );
    let asked = ["--plot", "2", "--tree", "1", "--tables", "own"];
    let run = cruise.run(&[&["explain", "design.yaml"], &asked[..]].concat());
    assert!(
        run.stdout.contains("it gives no ratio between 0 and 1"),
        "{}",
        run.stdout
    );
    // A ratio above 1 is none either.
    let swollen = own_bark(pines(&volume, ""), "1.2 * dbh_cm", &["131"], None);
    let (trees, _) = lists(&swollen, &["--tables", "own"]);
    assert!(trees.iter().all(|tree| tree["flags"] == flag), "{trees:?}");
}

#[test]
fn a_bark_set_of_ones_own_is_tried() {
    let volume = southern(OUTSIDE, ", bark: mine");
    let compile = |formula: &str, checks: Option<&str>| {
        let cruise = own_bark(pines(&volume, LOGS), formula, &["131"], checks);
        cruise.run(&["compile", "design.yaml", "--tables", "own"])
    };
    let untested = compile("0.9 * dbh_cm", None);
    assert_eq!(untested.status, 0, "{}", untested.stderr);
    let said = "own/bark/mine/set.yaml: warning: bark set `mine` has no check value";
    assert!(untested.stderr.contains(said), "{}", untested.stderr);
    let head = "species,dbh_cm,quantity,value,unit,tolerance,status,where\n";
    let wrong = format!("{head}131,40,dib,35.5,cm,printed,computed independently,by hand\n");
    let failed = compile("0.9 * dbh_cm", Some(&wrong));
    assert_eq!(failed.status, 1);
    let said = "own/bark/mine/checks.csv:2:12: error: the equation gives 36 cm, the check value is \
                35.5 cm";
    assert!(failed.stderr.contains(said), "{}", failed.stderr);
    let by_height = compile("dbh_cm - 0.01 * height_m", None);
    assert_eq!(by_height.status, 1);
    let said = "bark set `mine`: the row of `131` (line 2 of the table) needs a height";
    assert!(by_height.stderr.contains(said), "{}", by_height.stderr);
}

/// The words of a text without its line breaks.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn the_report_and_explain_name_the_bark_set_and_its_use() {
    let volume = southern(
        OUTSIDE,
        ", bark: us-stump-1982, merchantable: { stump_ft: 1, top_dib_in: 4 }",
    );
    let cruise = pines(&volume, LOGS);
    let report = flat(&cruise.run(&["compile", "design.yaml"]).stdout);
    for part in [
        "logs from stem profiles outside bark; the top diameter of merchantable wood on the basis",
        "from us-stump-1982 (Raile, G.K. 1982. Estimating stump volume.",
        "held constant along its stem (common practice, no source)",
        "which are outside bark: diameters times the ratio that us-stump-1982 gives",
    ] {
        assert!(report.contains(part), "{part}: {report}");
    }
    let explain = ["explain", "design.yaml", "--plot", "1", "--tree", "1"];
    let told = flat(&cruise.run(&explain).stdout);
    // By hand: 0.90698 x 12 = 10.88376; 10.16 cm / 0.90698 = 11.202 cm.
    for part in [
        "bark set: us-stump-1982, United States",
        "row `131` (loblolly pine)",
        "dob_b1 = 0.08091, dib_b1 = 0.90698, dib_b2 = 0.08469",
        "at breast height D = 12 in, dib = 10.8838 in; k = dib/D = 0.90698",
        "top diameter of 10.16 cm inside bark over k is 11.202 cm outside bark",
        "by the profile: d = 10.16 cm at",
        "those of the profile outside bark times k = 0.90698; volumes times 0.822613",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
    let alternative = ["compare", "design.yaml", "--volume-set", INSIDE];
    let run = cruise.run(&alternative);
    assert_eq!(run.status, 0, "{}", run.stderr);
    assert!(run.stderr.contains("bark-set-unused"), "{}", run.stderr);
}

#[test]
fn bark_sets_are_listed_shown_and_verified() {
    let shown = flat(&crate::cruise::run(&["equations", "us-southwest-oregon-1985"]).stdout);
    assert!(shown.contains("Larsen, D.R., Hann, D.W. 1985."), "{shown}");
    assert!(shown.contains("dib: dib = b1 D^b2"), "{shown}");
    let verified = crate::cruise::run(&["equations", "us-stump-1982", "--verify"]).stdout;
    assert!(
        verified.ends_with("\n7 of 7 check values agree\n"),
        "{verified}"
    );
    let tree = ["--species", "131", "--dbh-in", "12", "--height-ft", "70"];
    let none = crate::cruise::run(&[&["equations", "us-south-1991"], &tree[..]].concat());
    assert_eq!(none.status, 1);
    assert!(
        none.stderr.contains("gives neither volume nor biomass"),
        "{}",
        none.stderr
    );
}

#[test]
fn a_row_for_a_region_is_no_bark_ratio() {
    let tables = Tables::builtin();
    let mut set = tables
        .equation_set("bark", "us-south-1991", &SPECIES)
        .unwrap();
    set.equations[0].planted = true;
    let problem = BarkSet::new(set).unwrap_err();
    assert!(
        problem.contains("is for a region or an origin"),
        "{problem}"
    );
}
