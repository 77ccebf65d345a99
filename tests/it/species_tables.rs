//! The species table, and every table folder that the program carries.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use spinney::design::SpeciesCodes;
use spinney::diagnostic::Problems;
use spinney::read::tables::Tables;
use spinney::species::choose::MerchantableBy;
use spinney::species::equation::{Equation, Measure};
use spinney::species::set::CheckQuantity;
use spinney::species::{Kind, SpeciesTable};

fn table() -> SpeciesTable {
    Tables::builtin().species().unwrap()
}

fn lines(problems: &Problems) -> Vec<String> {
    problems.iter().map(ToString::to_string).collect()
}

/// A folder of a user's own with these files.
fn folder(files: &[(&str, &str)]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (path, text) in files {
        let path = folder.path().join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }
    folder
}

#[test]
fn no_code_means_two_species() {
    let table = table();
    // 2,677 in the reference table of species (2023); five more have no FIA number.
    assert_eq!(table.len(), 2_677 + 5);
    let mut codes: BTreeMap<String, String> = BTreeMap::new();
    for (id, species) in table.iter() {
        let fia = species.fia.map(|number| number.to_string());
        let own = [
            species.plants.as_ref(),
            species.national_inventory.as_ref(),
            species.bc_inventory.as_ref(),
            fia.as_ref(),
        ];
        for code in own.into_iter().flatten().chain(&species.also) {
            let taken = codes.insert(code.to_lowercase(), species.label());
            assert_eq!(taken, None, "{code} means {} too", species.label());
            assert_eq!(table.lookup(code), Some(id), "{code}");
        }
    }
}

#[test]
fn every_name_of_a_tree_leads_to_it() {
    // Codes of the three lists as they stand side by side in the sources: the reference table of
    // species (2023), the provincial tree code list and the national inventory list.
    let trees: &[&[&str]] = &[
        &[
            "202",
            "PSME",
            "PSEU.MEN",
            "Fd",
            "fdc",
            "FDI",
            "Douglas-fir",
            "douglas fir",
        ],
        &[
            "42",
            "042",
            "CANO9",
            "CHNO",
            "CHAM.NOO",
            "Yc",
            "Cy",
            "Chamaecyparis nootkatensis",
        ],
        &[
            "747",
            "POBAT",
            "POPU.TRI",
            "Act",
            "Ac",
            "Populus trichocarpa",
            "black cottonwood",
        ],
        &[
            "741",
            "POBA2",
            "POPU.BAL",
            "Acb",
            "Populus balsamifera",
            "balsam poplar",
        ],
        &[
            "746",
            "POTR5",
            "POPU.TRE",
            "At",
            "quaking aspen",
            "trembling aspen",
        ],
        &[
            "317",
            "ACSA2",
            "ACER.SAC",
            "Acer saccharinum",
            "silver maple",
        ],
        &["318", "ACSA3", "ACER.SAH", "Acer saccharum", "sugar maple"],
        &[
            "19",
            "ABLA",
            "ABIE.LAS",
            "Bl",
            "Abies lasiocarpa",
            "subalpine fir",
            "alpine fir",
        ],
        &[
            "6212",
            "LADE2",
            "LARI.DEC",
            "Larix decidua",
            "European larch",
        ],
        &["376", "BENE4", "BETU.NEO", "Ea", "Alaska birch"],
        &[
            "361",
            "ARME",
            "ARBU.MEN",
            "Ra",
            "arbutus",
            "Pacific madrone",
        ],
        &["10", "ABIES", "ABIE.SPP", "B", "Abies spp."],
        &["90", "PICEA", "PICE.SPP", "S", "Picea spp."],
        &["Sx", "Sxw", "Picea glauca x engelmannii"],
    ];
    let table = table();
    for names in trees {
        let first = table.lookup(names[0]);
        assert!(first.is_some(), "{}", names[0]);
        for name in *names {
            assert_eq!(table.lookup(name), first, "{name}");
        }
    }
    let japanese = table.get(table.lookup("74").unwrap());
    assert_eq!(japanese.scientific_name, "Larix kaempferi");
    let hybrid = table.get(table.lookup("Sx").unwrap());
    assert_eq!((hybrid.fia, hybrid.kind), (None, Kind::Softwood));
}

#[test]
fn names_that_several_species_share_mean_none_of_them() {
    let table = table();
    // In the reference table 341 and 6051 are both "ailanthus".
    assert_eq!(table.lookup("ailanthus"), None);
    assert_eq!(table.sharers("ailanthus").len(), 2);
    assert_eq!(table.nearest("ailanthus").len(), 2);
}

#[test]
fn slips_are_answered_with_codes_of_the_same_kind() {
    let table = table();
    assert_eq!(table.nearest("PSEU.MAN")[0], "PSEU.MEN");
    assert_eq!(table.nearest("PSMX")[0], "PSME");
    assert_eq!(table.nearest("douglas firr")[0], "Douglas-fir");
    assert!(table.nearest("Fx").contains(&"Fd".to_owned()));
    assert!(table.nearest("ARBU.MNE").contains(&"ARBU.MEN".to_owned()));
    for text in ["PSMX", "Fx", "2020", "zzzzzzzzzz", ""] {
        assert!(table.nearest(text).len() <= 3);
    }
}

#[test]
fn a_species_has_its_code_in_each_system() {
    let table = table();
    let fir = table.get(table.lookup("202").unwrap());
    let code = |system| fir.code(system);
    assert_eq!(code(SpeciesCodes::BcInventory).as_deref(), Some("Fd"));
    assert_eq!(
        code(SpeciesCodes::NationalInventory).as_deref(),
        Some("PSEU.MEN")
    );
    assert_eq!(code(SpeciesCodes::Plants).as_deref(), Some("PSME"));
    assert_eq!(code(SpeciesCodes::Fia).as_deref(), Some("202"));
    assert_eq!(
        code(SpeciesCodes::CommonName).as_deref(),
        Some("Douglas-fir")
    );
    assert_eq!(code(SpeciesCodes::AsRecorded), None);
    let oak = table.get(table.lookup("QUMA2").unwrap());
    assert_eq!(oak.code(SpeciesCodes::BcInventory), None);
}

#[test]
fn plausible_maxima_let_no_slip_of_a_factor_pass() {
    let table = table();
    let of = |code: &str| table.get(table.lookup(code).unwrap());
    // From memory: no lodgepole pine reaches 60 m, no Douglas-fir on record 312 cm at breast
    // height save a handful of relics.
    assert!(of("Pl").plausible_max_height_m < 60.0);
    assert!(of("Fd").plausible_max_dbh_cm < 312.0);
    for (_, species) in table.iter() {
        assert!((30.0..=1_200.0).contains(&species.plausible_max_dbh_cm));
        assert!((15.0..=125.0).contains(&species.plausible_max_height_m));
    }
}

#[test]
fn every_set_cites_and_says_where_it_holds() {
    let tables = Tables::builtin();
    let species = table();
    let sets = tables.volume_sets();
    assert!(sets.len() >= 4);
    for name in sets {
        let set = tables.volume_set(&name, &species).unwrap();
        let head = &set.head;
        for text in [
            &head.title,
            &head.citation,
            &head.total_includes,
            &head.range.source,
            &head.error.statement,
        ] {
            assert!(!text.is_empty(), "{name}");
        }
        let year = |text: &str| (1900..2030).any(|year: u32| text.contains(&year.to_string()));
        assert!(year(&head.citation), "{name}: {}", head.citation);
        assert!(!set.regions.iter().any(|region| region.title.is_empty()));
        assert!(
            set.regions.iter().all(|region| region.parent.is_none()) || head.regions_note.is_some(),
            "{name} must say on what ground regions fall back"
        );
        // Every form of a volume or share has a check value behind it; masses are checked with
        // the biomass of whole trees.
        let mut forms: Vec<&str> = Vec::new();
        for check in &set.checks {
            let wanted = spinney::species::choose::Wanted {
                region: check.region.as_deref(),
                fallback: spinney::design::Fallback::None,
                merchantable: match check.quantity {
                    CheckQuantity::Merchantable(limits) => Some(limits),
                    _ => None,
                },
                planted: false,
            };
            let chosen = set.choose(check.species, &wanted, &species).unwrap();
            let merchantable = match chosen.merchantable {
                Some((_, MerchantableBy::Equation(row) | MerchantableBy::Share(row))) => Some(row),
                _ => None,
            };
            let used = [Some(chosen.main), chosen.bark, chosen.ratio, merchantable];
            forms.extend(
                used.into_iter()
                    .flatten()
                    .map(|row| set.equations[row].spec.name()),
            );
        }
        let masses = |row: &&Equation| row.quantity.measure() == Measure::Mass;
        for row in set.equations.iter().filter(|row| !masses(row)) {
            assert!(
                forms.contains(&row.spec.name()),
                "{name}: {}",
                row.spec.name()
            );
        }
    }
}

#[test]
fn a_folder_of_ones_own_adds_species_and_replaces_sets() {
    let own = folder(&[
        (
            "species.csv",
            "scientific_name,common_name,bc,kind\nPicea invented,test spruce,Zz,softwood\n",
        ),
        ("volume/ca-taper-2013/set.yaml", "title: mine\n"),
        ("notes.txt", "not a table"),
    ]);
    let tables = Tables::with_overlay(own.path()).unwrap();
    let species = tables.species().unwrap();
    assert_eq!(species.len(), table().len() + 1);
    let id = species.lookup("zz").unwrap();
    assert_eq!(species.get(id).common_name, "test spruce");
    // The user's folder hides the whole embedded set of that name.
    assert!(
        tables
            .source("volume/ca-taper-2013/coefficients.csv")
            .is_none()
    );
    let problems = tables.volume_set("ca-taper-2013", &species).unwrap_err();
    assert_eq!(
        lines(&problems),
        [
            "error: volume set `ca-taper-2013` has no file `coefficients.csv`; add the file to the folder of the set [file-missing]"
        ]
    );
    assert!(tables.volume_set("us-national-2024", &species).is_ok());
}

#[test]
fn slips_in_a_folder_of_ones_own_are_told() {
    let own = folder(&[("volumes/x/set.yaml", "")]);
    let text = lines(&Tables::with_overlay(own.path()).unwrap_err()).join("\n");
    assert!(
        text.contains("error: no kind of table is called `volumes`; did you mean `volume`?"),
        "{text}"
    );
    let text = lines(&Tables::with_overlay(Path::new("no/such/folder")).unwrap_err()).join("\n");
    assert!(text.contains("cannot be read (`no/such/folder`)"), "{text}");

    let own = folder(&[(
        "species.csv",
        "common_name,plants,bc,kind,fia,latin\na,PSME,Q1,softwood,1,\nb,QQQQ,q1,conifer,x,\n,QQQ2,,,,\n",
    )]);
    let problems = Tables::with_overlay(own.path())
        .unwrap()
        .species()
        .unwrap_err();
    let text: Vec<String> = lines(&problems)
        .iter()
        .map(|line| line.rsplit_once("species.csv:").unwrap().1.to_owned())
        .collect();
    assert_eq!(
        text,
        [
            "1:32: error: there is no column `latin`; known are fia, plants, national, bc, scientific_name, common_name, also, kind, jenkins_group, max_dbh_cm, max_height_m [unknown-column]",
            "2:1: error: code `PSME` already means Douglas-fir (Fd); a code must mean one species; use another [code-twice]",
            "3:1: error: code `q1` is taken by line 2; a code must mean one species; use another [code-twice]",
            "3:11: error: `kind` cannot be `conifer`; write softwood, hardwood or nothing [species-kind]",
            "3:19: error: this must be a whole number from 1 to 65535 (`x`); correct it, or leave it blank [not-a-whole-number]",
            "4:1: error: this species has no name; give `scientific_name` or `common_name` [species-nameless]",
        ]
    );
}

#[test]
fn an_unknown_set_is_answered_with_the_nearest() {
    let tables = Tables::builtin();
    let problems = tables
        .volume_set("ca-bc-volume-2006", &table())
        .unwrap_err();
    assert_eq!(
        lines(&problems),
        [
            "error: there is no volume set `ca-bc-volume-2006`; did you mean `ca-bc-volume-2016`? [unknown-set]"
        ]
    );
}

const FAULTY_HEAD: &str = "\
title: faulty
citaton: nobody 1999
obtained: by telephone
form: exp-powr
units: { dbh: cm, height: yd, result: board feet }
bark: inside bark
title: again
range: { dbh_cm: [50, 5], source: x }
regions:
  East: { title: East, parent: West }
  West: { title: West }
groups:
  G: { covers: [PSME, PSMX] }
  E: {}
";

const SOUND_HEAD: &str = "\
title: sound
citation: invented 2026
obtained: set up by the user
form: exp-power
units: { dbh: cm, height: m, result: m3 }
bark: inside bark
total_includes: all
range: not published
error: not published
regions: { East: { title: East }, West: { title: West } }
groups: { G: { covers: [PSME, TSHE] }, U: { covers: [THPL] } }
";

const FAULTY_ROWS: &str = "\
species,region,quantity,form,b0,b1,b2,b9
PSME,East,total,,-10,1.8,1.1,
PSME,East,total,,-10,1.8,1.1,
PSMX,Est,totl,exp-powr,-10,1.8,1.1,
G,,total,,-10,x,1.1,
G,,total,kozak-1994,-10,1.8,,
";

fn set_problems(head: &str, rows: &str, checks: &str) -> Vec<String> {
    let own = folder(&[
        ("volume/mine/set.yaml", head),
        ("volume/mine/coefficients.csv", rows),
        ("volume/mine/checks.csv", checks),
    ]);
    let tables = Tables::with_overlay(own.path()).unwrap();
    let problems = tables.volume_set("mine", &table()).unwrap_err();
    lines(&problems)
        .iter()
        .map(|line| line.rsplit_once("mine/").unwrap().1.to_owned())
        .collect()
}

#[test]
fn every_fault_of_a_head_is_told_at_once() {
    insta::assert_snapshot!(set_problems(FAULTY_HEAD, "species\n", "species\n").join("\n"));
}

#[test]
fn every_fault_of_a_published_error_is_told_at_once() {
    let head = SOUND_HEAD.replace(
        "error: not published",
        "error:\n  statement: by row\n  columns: [sigma2]\n  \
         variance: { factor: sigma, exponent: delta }\n  \
         standard_error_pct: { total: -3, totl: 4, merchantable: many }",
    );
    insta::assert_snapshot!(set_problems(&head, "species\n", "species\n").join("\n"));
    let head = SOUND_HEAD.replace(
        "error: not published",
        "error: { statement: a, variance: { factor: k }, standard_error_pct: -1 }",
    );
    insta::assert_snapshot!(set_problems(&head, "species\n", "species\n").join("\n"));
}

#[test]
fn every_fault_of_the_rows_and_checks_is_told_at_once() {
    let checks = "species,region,dbh_cm,height_m,quantity,value,unit,tolerance,status\n\
                  PSME,East,40,30,total,1.2,m3,close,invented\n\
                  PSME,East,40,,merchantable,1.2,gallons,printed,invented\n";
    insta::assert_snapshot!(set_problems(SOUND_HEAD, FAULTY_ROWS, checks).join("\n"));
    let rows = "species,region,quantity,b0,b1,b2\nG,,total,-10,1.8,1.1\n";
    assert_eq!(
        set_problems(SOUND_HEAD, rows, "species\n"),
        [
            "coefficients.csv: error: group `U` has no row in the table; add its row, or remove the group from the head [group-unused]"
        ]
    );
}

#[test]
fn the_readme_lists_every_form() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("species-tables/README.md");
    let text = fs::read_to_string(path).unwrap();
    for spec in spinney::species::equation::FormSpec::all() {
        assert!(
            text.contains(&format!("`{}`", spec.name())),
            "{}",
            spec.name()
        );
    }
}
