//! Invented cruises of several stands, without errors and with many things to warn of: rows first,
//! then texts in any order, delimiter and way of quoting.

use std::fmt::Write as _;

use crate::random::Random;

/// A kind of cruise.
#[expect(clippy::struct_excessive_bools, reason = "each is a plain fact")]
#[derive(Clone, Copy)]
pub(crate) struct Kind {
    name: &'static str,
    pub(crate) design: &'static str,
    /// Selections of the trees file.
    selections: &'static [&'static str],
    has_plots: bool,
    has_counts: bool,
    has_strata: bool,
    has_clusters: bool,
    /// Records name their plot alone.
    by_plot: bool,
    is_three_p: bool,
}

impl std::fmt::Debug for Kind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.name)
    }
}

const PLAIN: Kind = Kind {
    name: "circles",
    design: "
inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv}
selections: {circle: {method: fixed-area, area_ha: 0.02, min_dbh_cm: 7}}
",
    selections: &["circle"],
    has_plots: true,
    has_counts: false,
    has_strata: false,
    has_clusters: false,
    by_plot: false,
    is_three_p: false,
};

/// The kinds that are tried.
pub(crate) const KINDS: &[Kind] = &[
    PLAIN,
    Kind {
        name: "counted sweep",
        design: "
inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv, counts: counts.csv}
species_codes: fia
selections:
  circle: {method: fixed-area, area_ha: 0.02, min_dbh_cm: 7}
  sweep: {method: angle-gauge, baf_m2_per_ha: 4, measured: some, volume_ratio_from: circle}
",
        selections: &["circle", "sweep"],
        has_counts: true,
        ..PLAIN
    },
    Kind {
        name: "strata",
        design: "
inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv}
selections: {circle: {method: fixed-area, radius_m: 7.98}}
sampling: {strata: after-sampling}
",
        has_strata: true,
        ..PLAIN
    },
    Kind {
        name: "clusters",
        design: "
inputs: {plots: plots.csv, trees: trees.csv}
selections: {sweep: {method: angle-gauge, baf_m2_per_ha: 4}}
sampling: {listed_stands: 60}
",
        selections: &["sweep"],
        has_clusters: true,
        ..PLAIN
    },
    Kind {
        name: "nested rings, other heads",
        design: "
inputs:
  stands: {path: stands.csv, columns: {Bestand: stand}}
  plots: {path: plots.csv, columns: {Bestand: stand, 'Probe Nr': plot}}
  trees: {path: trees.csv, columns: {Bestand: stand, BHD: dbh_cm}}
selections:
  rings:
    method: fixed-area
    rings: [{radius_m: 4, min_dbh_cm: 8, max_dbh_cm: 20}, {radius_m: 9, min_dbh_cm: 20}]
",
        selections: &["rings"],
        ..PLAIN
    },
    Kind {
        name: "full tally",
        design: "
inputs: {stands: stands.csv, trees: trees.csv}
selections: {tally: {method: full-tally}}
",
        selections: &["tally"],
        has_plots: false,
        ..PLAIN
    },
    Kind {
        name: "3P",
        design: "
inputs: {stands: stands.csv, trees: trees.csv, counts: counts.csv}
selections: {sale: {method: three-p, largest_number: 60}}
",
        selections: &["sale"],
        has_plots: false,
        has_counts: true,
        is_three_p: true,
        ..PLAIN
    },
    Kind {
        name: "sweeps without a list",
        design: "
inputs: {trees: trees.csv, counts: counts.csv}
selections: {sweep: {method: angle-gauge, baf_m2_per_ha: 4, measured: some}}
",
        selections: &["sweep"],
        has_plots: false,
        has_counts: true,
        ..PLAIN
    },
    Kind {
        name: "counts alone",
        design: "
inputs: {plots: plots.csv, counts: counts.csv}
selections: {sweep: {method: angle-gauge, baf_m2_per_ha: 4, measured: none}}
",
        selections: &[],
        has_counts: true,
        ..PLAIN
    },
    Kind {
        name: "records that name their plot alone",
        design: "
inputs: {stands: stands.csv, plots: plots.csv, trees: trees.csv, counts: counts.csv}
selections:
  sweep: {method: angle-gauge, baf_m2_per_ha: 4, measured: some}
",
        selections: &["sweep"],
        has_counts: true,
        by_plot: true,
        ..PLAIN
    },
];

const NAMES: &[&str] = &["A1", "a1", "10", "9", "Mosskär", "B 2", "02", "2"];
const SPECIES: &[&str] = &[
    "Fd",
    "fd",
    "Hw",
    "Cw",
    "202",
    "Western Hemlock",
    "western hemlock",
];

/// One file.
struct Sheet {
    name: &'static str,
    heads: Vec<&'static str>,
    rows: Vec<Vec<String>>,
}

/// A cruise as rows.
pub(crate) struct Forest {
    kind: Kind,
    random: Random,
    sheets: Vec<Sheet>,
}

impl Forest {
    /// Makes one up.
    pub(crate) fn grow(kind: &Kind, seed: u64) -> Self {
        let sheet = |name, heads: &[&'static str]| Sheet {
            name,
            heads: heads.to_vec(),
            rows: Vec::new(),
        };
        let mut forest = Forest {
            kind: *kind,
            random: Random(seed),
            sheets: vec![
                sheet(
                    "stands.csv",
                    &["stand", "stratum", "area_ha", "listed_units"],
                ),
                sheet(
                    "plots.csv",
                    &[
                        "stand",
                        "plot",
                        "stratum",
                        "cluster",
                        "plot_fraction",
                        "crew",
                    ],
                ),
                sheet(
                    "trees.csv",
                    &[
                        "stand",
                        "plot",
                        "selection",
                        "tree",
                        "species",
                        "dbh_cm",
                        "height_m",
                        "status",
                        "decay_class",
                        "broken_height_m",
                        "defect_pct",
                        "prediction",
                        "distance_to_centre_m",
                        "note",
                    ],
                ),
                sheet(
                    "counts.csv",
                    &[
                        "stand",
                        "plot",
                        "selection",
                        "species",
                        "count",
                        "prediction",
                    ],
                ),
            ],
        };
        let mut names = NAMES.to_vec();
        names.truncate(1 + forest.below(NAMES.len()));
        for name in &names {
            forest.grow_stand(name);
        }
        if forest.chance(0.5) {
            forest.add(0, &["Fen", "", "3.5", ""]);
        }
        forest.drop_columns();
        forest
    }

    fn below(&mut self, most: usize) -> usize {
        let mut number = 0;
        let place = self.random.unit() * most as f64;
        while ((number + 1) as f64) <= place {
            number += 1;
        }
        number
    }

    fn chance(&mut self, share: f64) -> bool {
        self.random.unit() < share
    }

    fn one_of(&mut self, words: &[&'static str]) -> &'static str {
        words[self.below(words.len())]
    }

    fn number(&mut self, from: f64, to: f64) -> String {
        format!("{:.1}", from + (to - from) * self.random.unit())
    }

    fn maybe(&mut self, share: f64, from: f64, to: f64) -> String {
        let number = self.number(from, to);
        if self.chance(share) {
            number
        } else {
            String::new()
        }
    }

    fn add(&mut self, sheet: usize, cells: &[&str]) {
        let row = cells.iter().map(ToString::to_string).collect();
        self.sheets[sheet].rows.push(row);
    }

    fn grow_stand(&mut self, stand: &'static str) {
        let strata: &[&str] = if self.kind.has_strata {
            &["low", "high"]
        } else {
            &[""]
        };
        for stratum in strata {
            let area = self.maybe(0.9, 1.0, 30.0);
            self.add(0, &[stand, stratum, &area, "40"]);
        }
        if self.kind.has_strata && self.chance(0.3) {
            self.add(0, &[stand, "bog", "1.2", ""]);
        }
        for number in 0..=self.below(4) {
            let plot = if self.kind.by_plot {
                format!("{stand}/{number}")
            } else {
                number.to_string()
            };
            let stratum = strata[number % strata.len()];
            let cluster = if self.kind.has_clusters {
                format!("k{}", number / 2)
            } else {
                String::new()
            };
            let fraction = if self.chance(0.1) { "0.5" } else { "" };
            self.add(1, &[stand, &plot, stratum, &cluster, fraction, "two"]);
            self.grow_plot(stand, &plot);
        }
    }

    fn grow_plot(&mut self, stand: &'static str, plot: &str) {
        let mut any = false;
        for selection in self.kind.selections {
            let trees = self.below(7);
            any |= trees > 0;
            for number in 1..=trees {
                self.grow_tree(stand, plot, selection, number);
            }
        }
        let selection = match self.kind.selections {
            [.., last] => last,
            [] => "sweep",
        };
        if self.kind.has_counts {
            for _ in 0..self.below(3) {
                any = true;
                let species = self.one_of(SPECIES);
                let count = 1 + self.below(4);
                let prediction = if self.kind.is_three_p {
                    (count * 17).to_string()
                } else {
                    String::new()
                };
                let count = count.to_string();
                self.add(3, &[stand, plot, selection, species, &count, &prediction]);
            }
        }
        let marks = if self.kind.selections.is_empty() {
            3
        } else {
            2
        };
        let must = !self.kind.has_plots || marks == 3;
        if !any && (must || self.chance(0.5)) {
            let blank = vec![String::new(); self.sheets[marks].heads.len() - 2];
            let mut row = vec![stand.to_owned(), plot.to_owned()];
            row.extend(blank);
            self.sheets[marks].rows.push(row);
        }
    }

    fn grow_tree(&mut self, stand: &'static str, plot: &str, selection: &str, number: usize) {
        // A number twice, now and then.
        let number = if self.chance(0.04) { 1 } else { number }.to_string();
        let species = self.one_of(SPECIES);
        let dbh = self.number(5.0, 60.0);
        let mut height = self.maybe(0.4, 12.0, 30.0);
        if self.chance(0.03) {
            "0".clone_into(&mut height);
        }
        let is_dead = self.chance(0.1);
        let status = match (is_dead, self.chance(0.05)) {
            (true, _) => "dead",
            (false, true) => "",
            (false, false) => "live",
        };
        let decay = if is_dead {
            self.one_of(&["1", "3", ""])
        } else {
            ""
        };
        let broken = match self.below(40) {
            0 => height.clone(),
            1 => "4.5".to_owned(),
            _ => String::new(),
        };
        let broken = if broken == "0" { String::new() } else { broken };
        let defect = self.maybe(0.1, 0.0, 30.0);
        let prediction = if self.kind.is_three_p {
            self.number(5.0, 80.0)
        } else {
            String::new()
        };
        let distance = self.maybe(0.2, 0.5, 8.5);
        let note = match self.below(12) {
            0 => "forked, \"twice\"",
            1 => "on\ntwo lines",
            2 => "Föhre; schön",
            _ => "",
        };
        let row = [
            stand,
            plot,
            selection,
            &number,
            species,
            &dbh,
            &height,
            status,
            decay,
            &broken,
            &defect,
            &prediction,
            &distance,
            note,
        ];
        self.add(2, &row);
        if self.chance(0.02) {
            self.add(2, &row);
        }
    }

    /// Leaves out the columns that the kind has no use for, or must not have.
    fn drop_columns(&mut self) {
        let kind = self.kind;
        for sheet in &mut self.sheets {
            let is_record = matches!(sheet.name, "trees.csv" | "counts.csv");
            let keep: Vec<bool> = sheet
                .heads
                .iter()
                .map(|head| match *head {
                    "stand" => !(is_record && kind.by_plot),
                    "stratum" => kind.has_strata,
                    "cluster" => kind.has_clusters,
                    "prediction" => kind.is_three_p,
                    _ => true,
                })
                .collect();
            let mut kept = keep.iter();
            sheet.heads.retain(|_| *kept.next().unwrap());
            for row in &mut sheet.rows {
                let mut kept = keep.iter();
                row.retain(|_| *kept.next().unwrap());
            }
        }
    }

    /// Puts the rows of all files in another order.
    pub(crate) fn shuffle(&mut self) {
        for sheet in 0..self.sheets.len() {
            for last in (1..self.sheets[sheet].rows.len()).rev() {
                let other = self.below(last + 1);
                self.sheets[sheet].rows.swap(last, other);
            }
        }
    }

    /// The texts of all files.
    pub(crate) fn files(&mut self, writing: &Writing) -> Vec<(&'static str, Vec<u8>)> {
        let sheets = std::mem::take(&mut self.sheets);
        let texts = sheets
            .iter()
            .map(|sheet| (sheet.name, self.text(sheet, writing)))
            .collect();
        self.sheets = sheets;
        texts
    }

    fn text(&mut self, sheet: &Sheet, writing: &Writing) -> Vec<u8> {
        let other_heads = self.kind.design.contains("Bestand");
        let mut text = String::new();
        let heads = sheet.heads.iter().map(|head| match *head {
            "stand" if other_heads => "Bestand".to_owned(),
            "dbh_cm" if other_heads => "BHD".to_owned(),
            "plot" if other_heads && sheet.name == "plots.csv" => " PROBE Nr".to_owned(),
            head => head.to_owned(),
        });
        let heads: Vec<String> = heads.collect();
        self.line(&mut text, &heads, writing);
        for row in &sheet.rows {
            if self.chance(0.05) {
                text += [writing.line_end, &writing.delimiter.to_string().repeat(3)][self.below(2)];
                text += writing.line_end;
            }
            self.line(&mut text, row, writing);
        }
        if self.chance(0.5) {
            text.truncate(text.len() - writing.line_end.len());
        }
        match writing.encoding {
            0 => text.into_bytes(),
            1 => format!("\u{feff}{text}").into_bytes(),
            _ => std::iter::once(0xfeff)
                .chain(text.encode_utf16())
                .flat_map(u16::to_le_bytes)
                .collect(),
        }
    }

    fn line(&mut self, text: &mut String, cells: &[String], writing: &Writing) {
        for (index, cell) in cells.iter().enumerate() {
            if index > 0 {
                text.push(writing.delimiter);
            }
            let is_number = cell.parse::<f64>().is_ok();
            let cell = if is_number && writing.delimiter != ',' {
                cell.replace('.', ",")
            } else {
                cell.clone()
            };
            let must = cell.contains(['"', '\n', writing.delimiter]);
            if must || self.chance(writing.quotes) {
                let _ = write!(text, "\"{}\"", cell.replace('"', "\"\""));
            } else if self.chance(0.02) {
                let _ = write!(text, " {cell}\u{a0}");
            } else {
                text.push_str(&cell);
            }
        }
        text.push_str(writing.line_end);
    }
}

/// How texts are written.
pub(crate) struct Writing {
    delimiter: char,
    line_end: &'static str,
    /// Share of the cells in quotes.
    quotes: f64,
    /// UTF-8 without and with mark, UTF-16.
    encoding: u64,
}

impl Writing {
    /// One of the ways.
    pub(crate) fn of(seed: u64) -> Self {
        let delimiters = [',', ';', '\t'];
        Writing {
            delimiter: delimiters[usize::try_from(seed % 3).unwrap()],
            line_end: if seed.is_multiple_of(2) { "\n" } else { "\r\n" },
            quotes: if seed.is_multiple_of(5) { 0.3 } else { 0.01 },
            encoding: (seed / 3) % 4 % 3,
        }
    }
}
