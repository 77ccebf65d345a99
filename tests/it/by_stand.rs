//! A cruise divided by stand: each stand is read from its own rows to the same records, with the
//! same findings, as from the whole files. Cruises are invented, with a stated seed.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use spinney::design::Design;
use spinney::diagnostic::{Problems, Severity};
use spinney::read::by_stand::{Divided, Opened, open};
use spinney::read::records::read_records;
use spinney::read::source::Source;
use spinney::read::{RecordFiles, open_record_files};
use spinney::records::Records;
use spinney::species::SpeciesTable;
use tempfile::TempDir;

use crate::forest::{Forest, KINDS, Writing};
use crate::reading::{design_of, lines, species_table};

/// A design and its record files in a folder.
pub(crate) struct Folder {
    place: TempDir,
    source: Source,
    pub(crate) design: Design,
    species: SpeciesTable,
}

impl Folder {
    pub(crate) fn new(design: &str, files: &[(&str, &[u8])]) -> Self {
        let folder = TempDir::new().unwrap();
        let (found, problems) = design_of(design);
        let mut found = found.unwrap_or_else(|| panic!("{:#?}", lines(&problems)));
        let inputs = &mut found.inputs;
        for input in [
            &mut inputs.stands,
            &mut inputs.plots,
            &mut inputs.trees,
            &mut inputs.counts,
        ]
        .into_iter()
        .flatten()
        {
            let path = folder.path().join(&input.shown);
            input.path = path.to_string_lossy().into_owned();
        }
        let made = Folder {
            place: folder,
            source: Source::new("design.yaml", design.to_owned()),
            design: found,
            species: species_table(),
        };
        for (name, content) in files {
            made.write(name, content);
        }
        made
    }

    fn write(&self, name: &str, content: &[u8]) {
        fs::write(self.place.path().join(name), content).unwrap();
    }

    fn path(&self) -> &Path {
        self.place.path()
    }

    /// The records of the whole.
    pub(crate) fn whole(&self) -> (Option<Records>, Problems) {
        let (mut files, mut problems) = open_record_files(&self.design);
        files.design = Some(self.source.clone());
        let (records, found) = self.read(&files, None);
        problems.append(found);
        (records.filter(|_| !problems.has_errors()), problems)
    }

    fn read(&self, files: &RecordFiles, of: Option<&Divided>) -> (Option<Records>, Problems) {
        let common = of.map(Divided::common);
        read_records(&self.design, files, &self.species, common, &mut |_| Ok(()))
    }

    pub(crate) fn open(&self) -> (Option<Opened>, Problems) {
        open(&self.design, Some(&self.source), &self.species)
    }

    fn divided(&self) -> (Box<Divided>, Vec<String>) {
        match self.open() {
            (Some(Opened::ByStand(divided)), problems) => (divided, lines(&problems)),
            (other, problems) => panic!("{other:?} {:#?}", lines(&problems)),
        }
    }

    /// The records of a stand, and all that is found.
    pub(crate) fn stand(&self, divided: &Divided, stand: usize) -> (Option<Records>, Problems) {
        match divided.files(stand) {
            Ok(files) => self.read(&files, Some(divided)),
            Err(problems) => (None, problems),
        }
    }

    /// The findings of a stand, but for those that were told of the heads.
    fn findings(&self, divided: &Divided, name: &str, told: &[String]) -> Vec<String> {
        let stand = divided.stands().iter().position(|stand| stand == name);
        let mut found = lines(&self.stand(divided, stand.unwrap()).1);
        found.retain(|line| !told.contains(line));
        found
    }
}

/// Codes of findings that compare within a stand, or are told once for a file.
const ACROSS: &[&str] = &[
    "decimal-slip",
    "inches-for-centimetres",
    "feet-for-metres",
    "height-dbh-ratio",
    "larger-than-species",
    "unlikely-units",
    "uneven-rows",
    "column-without-name",
    "rare-species-code",
    "same-measurements",
    "rows-repeated",
    "no-decay-class",
    "height-missing",
    "status-default",
    "status-blank",
    "live-with-decay-class",
    "tree-in-two-selections",
    "selection-without-trees",
    "points-not-used",
];

fn within(problems: &Problems) -> Vec<String> {
    let mut found = Vec::new();
    for diagnostic in problems.iter().filter(|d| !ACROSS.contains(&d.code)) {
        assert_ne!(diagnostic.severity, Severity::Error, "{diagnostic}");
        found.push(diagnostic.to_string());
    }
    found
}

#[test]
fn each_stand_is_that_of_the_whole() {
    let mut codes: BTreeMap<&str, usize> = BTreeMap::new();
    let mut compared = 0;
    for (number, kind) in KINDS.iter().enumerate() {
        for round in 0..12 {
            let seed = 20_261_126 + 100 * number as u64 + round;
            let mut forest = Forest::grow(kind, seed);
            for is_sorted in [true, false] {
                if !is_sorted {
                    forest.shuffle();
                }
                let files = forest.files(&Writing::of(seed));
                let files: Vec<(&str, &[u8])> = files
                    .iter()
                    .map(|(name, bytes)| (*name, &bytes[..]))
                    .collect();
                let place = format!("{kind:?}, seed {seed}, sorted {is_sorted}");
                let folder = Folder::new(kind.design, &files);
                let found = compare(&folder, &place);
                for diagnostic in &found {
                    *codes.entry(diagnostic.code).or_default() += 1;
                }
                compared += 1;
            }
        }
    }
    println!("{compared} cruises, findings {codes:?}");
    for code in [
        "tree-twice",
        "tree-number-twice",
        "height-zero",
        "below-least-dbh",
        "outside-rings",
        "plot-without-trees",
        "empty-plot",
        "part-plot",
        "no-area",
        "stand-without-plots",
        "stratum-without-plots",
        "height-of-break",
        "columns-ignored",
    ] {
        assert!(codes.contains_key(code), "{code} was never found");
    }
}

/// Reads a cruise whole and by stand; gives the findings of the whole.
fn compare(folder: &Folder, place: &str) -> Problems {
    let (whole, whole_problems) = folder.whole();
    let whole = whole.unwrap_or_else(|| panic!("{place}: {:#?}", lines(&whole_problems)));
    let (divided, problems) = match folder.open() {
        (Some(Opened::ByStand(divided)), problems) => (divided, problems),
        (other, problems) => panic!("{place}: {other:?} {:#?}", lines(&problems)),
    };
    let names: Vec<&String> = whole.stands.iter().map(|stand| &stand.name).collect();
    assert_eq!(
        divided.stands().iter().collect::<Vec<_>>(),
        names,
        "{place}"
    );
    assert_eq!(divided.common().species, whole.species, "{place}");
    let told = lines(&problems);
    let mut found = within(&problems);
    for (index, stand) in whole.stands.iter().enumerate() {
        let (part, part_problems) = folder.stand(&divided, index);
        let part = part.unwrap_or_else(|| panic!("{place}: {:#?}", lines(&part_problems)));
        assert_eq!(part.stands.len(), 1, "{place}");
        assert_eq!(
            format!("{:?}", part.stands[0]),
            format!("{stand:?}"),
            "{place}"
        );
        assert_eq!(part.species, whole.species, "{place}");
        assert_eq!(part.any_defect, whole.any_defect, "{place}");
        found.extend(
            within(&part_problems)
                .into_iter()
                .filter(|line| !told.contains(line)),
        );
    }
    // Findings that are folded are not all there to be compared.
    let mut wanted = within(&whole_problems);
    if !wanted
        .iter()
        .any(|line| line.contains(" more of this kind"))
    {
        wanted.sort();
        found.sort();
        assert_eq!(found, wanted, "{place}");
    }
    whole_problems
}

const DESIGN: &str = "
inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv}
selections: {circle: {method: fixed-area, area_ha: 0.02}}
";
const STANDS: &[u8] = b"stand,area_ha\nA,10\nB,12\nC,3\n";
const PLOTS: &[u8] = b"stand,plot\nB,1\nA,1\nA,2\n";
const TREES: &[u8] = b"stand,plot,tree,species,dbh_cm\nA,1,1,Fd,31\nA,2,1,Fd,32\nB,1,1,Hw,33\n";

fn small(files: &[(&str, &[u8])]) -> Folder {
    let folder = Folder::new(
        DESIGN,
        &[
            ("stands.csv", STANDS),
            ("plots.csv", PLOTS),
            ("trees.csv", TREES),
        ],
    );
    for (name, content) in files {
        folder.write(name, content);
    }
    folder
}

#[test]
fn rows_of_no_stand_are_told_and_keep_nobody_back() {
    let folder = small(&[
        ("stands.csv", b"stand,area_ha\nA,10\n,4\nC,x\nB,12\n"),
        ("plots.csv", b"stand,plot\nB,1\n,7\nA,1\nA,2\n"),
        (
            "trees.csv",
            b"stand,plot,tree,species,dbh_cm\nA,1,1,Fd,31\n,,,,\n\n,2,1,Fd,32\nb,1,1,Hw,33\nA,2,1,Fd,32\n",
        ),
    ]);
    let (divided, told) = folder.divided();
    assert_eq!(
        told,
        [
            "plots.csv:3:1: error: plot `7` names no stand; fill it in [missing-value]",
            "stands.csv:3:1: error: this row names no stand; fill it in, or remove the row [missing-value]",
            "stands.csv:4:1: warning: no plot lies in stand `C`; it is left out of all results \
             [stand-without-plots]",
            "stands.csv:4:3: error: `area_ha` must be a number (`x`); leave it blank if it was not \
             measured [not-a-number]",
            "trees.csv:5:1: error: this row names no stand; fill it in, or remove the row [missing-value]",
            "trees.csv:6:3: error: plot `1` of stand `b` is not in the list of plots; every plot \
             visited needs a row in the plots file [unknown-plot]",
        ]
    );
    assert_eq!(divided.stands(), ["A", "B"]);
    let (records, problems) = folder.stand(&divided, 0);
    assert!(!problems.has_errors(), "{:?}", lines(&problems));
    assert_eq!(records.unwrap().stands[0].trees().count(), 2);
}

#[test]
fn what_is_wrong_in_a_stand_is_wrong_there_alone() {
    let trees = b"stand,plot,tree,species,dbh_cm\r\nA,1,1,Fd,31\r\nB,1,1,Zz,33\r\nA,9,1,Fd,32\r\n\
                  B,1,2,\"H\nw\",x\r\nC,1,1,Fd,30\r\n";
    let folder = small(&[
        ("plots.csv", b"plot,stand\n1,A\n2,A\n1,B\n1,C\n1,C\n"),
        ("trees.csv", trees),
        ("stands.csv", b"stand,area_ha\nA,10\nB,1\n"),
    ]);
    let (divided, told) = folder.divided();
    assert_eq!(told, Vec::<String>::new());
    let whole = lines(&folder.whole().1);
    let mut found = Vec::new();
    for name in ["A", "B", "C"] {
        found.extend(folder.findings(&divided, name, &told));
    }
    let place = |line: &String| line.split(": ").next().map(str::to_owned);
    // What is said once for a file is said once for a stand.
    let once = |line: &String| !line.contains(": note: ");
    found.retain(once);
    found.sort();
    let mut wanted = whole.clone();
    wanted.retain(once);
    wanted.sort();
    let places = |lines: &[String]| lines.iter().map(place).collect::<Vec<_>>();
    assert_eq!(places(&found), places(&wanted), "{found:#?} {whole:#?}");
    assert!(found.len() >= 6, "{found:#?}");
}

#[test]
fn heads_are_told_at_once_and_again_with_each_stand() {
    let folder = small(&[
        (
            "trees.csv",
            b"stand,plot,tree,species,dbh,crew\nA,1,1,Fd,31,x\nB,1,1,Fd,31,x\n",
        ),
        ("stands.csv", b"stand,area\nA,10\nB,1\n"),
    ]);
    let (divided, told) = folder.divided();
    let codes = ["[column-without-unit]", "[columns-ignored]"];
    for code in codes {
        assert!(
            told.iter().any(|line| line.ends_with(code)),
            "{code} {told:#?}"
        );
    }
    for stand in ["A", "B"] {
        let found = folder.findings(&divided, stand, &told);
        assert!(
            found.iter().all(|line| !line.contains(": error:")),
            "{found:#?}"
        );
        assert!(folder.stand(&divided, 0).0.is_none());
    }
}

#[test]
fn bytes_that_are_no_text_are_wrong_in_their_stand() {
    let folder = small(&[(
        "trees.csv",
        b"stand,plot,tree,species,dbh_cm\nA,1,1,Fd,31\nB,1,1,H\xe9,33\nA,2,1,Fd,32\n",
    )]);
    let (divided, told) = folder.divided();
    assert!(folder.stand(&divided, 0).0.is_some());
    assert_eq!(
        folder.findings(&divided, "B", &told),
        ["trees.csv:3:8: error: the text is not UTF-8 (byte 0xe9); save it as UTF-8 [not-utf-8]"]
    );
    // In the name of a stand, it belongs to none.
    folder.write(
        "trees.csv",
        b"stand,plot,tree,species,dbh_cm\nA,1,1,Fd,31\n\xe9,1,1,Hw,33\n",
    );
    let (divided, told) = folder.divided();
    assert!(folder.stand(&divided, 0).0.is_some());
    assert_eq!(
        told,
        ["trees.csv:3:1: error: the text is not UTF-8 (byte 0xe9); save it as UTF-8 [not-utf-8]"]
    );
    // In the head, all are wrong.
    folder.write("trees.csv", b"stand,pl\xe9t\nA,1\n");
    let (opened, problems) = folder.open();
    assert!(opened.is_none());
    assert_eq!(
        lines(&problems),
        ["trees.csv:1:9: error: the text is not UTF-8 (byte 0xe9); save it as UTF-8 [not-utf-8]"]
    );
}

#[test]
fn files_that_cannot_be_read_are_told_at_once() {
    let folder = small(&[
        ("plots.csv", b" \n\n"),
        (
            "trees.csv",
            b"stand,plot,tree,species,dbh_cm\nA,1,1,\"Fd,31\nB,1,1,Hw,33\n",
        ),
    ]);
    let (opened, problems) = folder.open();
    assert!(opened.is_none());
    let empty = "plots.csv: error: the file is empty; the first line must name the columns \
                 [empty-file]";
    assert_eq!(lines(&problems), [empty]);
    folder.write("plots.csv", PLOTS);
    let (opened, problems) = folder.open();
    assert!(opened.is_none());
    let open_quote = "trees.csv:2:1: error: a quote is opened in this row and never closed; close \
                      it, or remove it: the rest of the file was read as one field \
                      [quote-not-closed]";
    assert_eq!(lines(&problems), [open_quote]);
    for name in ["trees.csv", "stands.csv"] {
        fs::remove_file(folder.path().join(name)).unwrap();
    }
    let (opened, problems) = folder.open();
    assert!(opened.is_none());
    let codes: Vec<&str> = problems.iter().map(|diagnostic| diagnostic.code).collect();
    assert_eq!(codes, ["unreadable-file"; 2]);
}

#[test]
fn what_cannot_be_divided_is_read_as_one() {
    let no_list = "
inputs: {trees: trees.csv, counts: counts.csv}
selections: {sweep: {method: angle-gauge, baf_m2_per_ha: 4, measured: some}}
";
    let by_plot = b"plot,tree,species,dbh_cm\n2,1,Fd,31\n1,1,Hw,31\n";
    for (design, files) in [
        // No stands in the plots file.
        (
            DESIGN,
            vec![
                ("stands.csv", &b"stand,area_ha\nA,2\n"[..]),
                ("plots.csv", b"plot\n1\n2\n"),
            ],
        ),
        // None in the stands file.
        (DESIGN, vec![("stands.csv", b"area_ha\n2\n")]),
        // Two stands have a plot 1.
        (DESIGN, vec![("trees.csv", by_plot)]),
        // A plot that is not listed.
        (
            DESIGN,
            vec![
                ("plots.csv", b"stand,plot\nA,1\nB,3\n"),
                ("trees.csv", by_plot),
            ],
        ),
        // Lines of old.
        (DESIGN, vec![("plots.csv", b"stand,plot\rA,1\rA,2\r")]),
        // Counts that name no stand, and no list of plots.
        (
            no_list,
            vec![("counts.csv", b"plot,species,count\n1,Fd,2\n")],
        ),
        // No rows.
        (
            no_list,
            vec![
                ("trees.csv", b"stand,plot,species,dbh_cm\n"),
                ("counts.csv", b"stand,plot,species,count\n"),
            ],
        ),
    ] {
        let all = [
            ("stands.csv", STANDS),
            ("plots.csv", PLOTS),
            ("trees.csv", TREES),
        ];
        let folder = Folder::new(design, &all);
        for (name, content) in files {
            folder.write(name, content);
        }
        let (Some(Opened::Whole(files)), problems) = folder.open() else {
            panic!("{:#?}", folder.open());
        };
        let mut told = lines(&problems);
        let (records, problems) = folder.read(&files, None);
        told.extend(lines(&problems));
        let (wanted, wanted_problems) = folder.whole();
        assert_eq!(told, lines(&wanted_problems));
        assert_eq!(format!("{records:?}"), format!("{wanted:?}"));
    }
}

#[test]
fn a_list_of_fewer_stands_than_have_plots_is_told() {
    let design = format!("{DESIGN}sampling: {{listed_stands: 2}}\n");
    let folder = Folder::new(
        &design,
        &[
            ("stands.csv", STANDS),
            ("plots.csv", b"stand,plot\nA,1\nB,1\nC,1\n"),
            ("trees.csv", TREES),
        ],
    );
    let (_, told) = folder.divided();
    let whole = lines(&folder.whole().1);
    assert_eq!(told.len(), 1, "{told:#?}");
    assert!(
        told[0].ends_with("[list-too-short]") && whole.contains(&told[0]),
        "{whole:#?}"
    );
}

#[test]
fn a_file_that_changes_meanwhile_is_not_read_on() {
    let folder = small(&[]);
    let (divided, told) = folder.divided();
    folder.write(
        "trees.csv",
        b"stand,plot,tree,species,dbh_cm\nA,1,1,Fd,31\n",
    );
    assert_eq!(
        folder.findings(&divided, "A", &told),
        [
            "trees.csv: error: the file was changed while it was read; begin again when nothing \
          writes to it [file-changed]"
        ]
    );
}
