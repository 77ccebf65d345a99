//! The record files of a cruise, divided by stand: each stand can be read, checked and compiled by
//! itself, from files larger than memory.
//!
//! One pass over each file notes where the rows of each stand lie, never their text. Rows of one
//! stand that follow each other are one run of 24 bytes: where a file is sorted by stand, a
//! million trees take 24 bytes for each stand; where no two rows of a stand follow each other,
//! 24 MB, and up to twice that while the file is read (measured for 5,000 stands: 36 MB at most
//! for the whole process).
//!
//! [`Divided::files`] gives the texts of a stand: the head of each file and the stand's own rows,
//! with the lines that they have in the files. `read_records` makes the same stand of them as of
//! the whole files.
//!
//! # When a cruise is read as one
//! - a file that names plots or trees has no column for the stand, unless the plots have one, and
//!   each plot that is named there lies in one stand only;
//! - there is a stands file, and it names no stands;
//! - no stand is named at all;
//! - lines end in a carriage return alone.
//!
//! # What looks within a stand only
//! Each stand is checked as if there were no other. So these compare with the rest of the stand
//! and not of the cruise: odd sizes (`decimal-slip`, `inches-for-centimetres`, `feet-for-metres`,
//! `height-dbh-ratio`, `larger-than-species`, `unlikely-units`), `rare-species-code`, `mixed-decimal-marks`, the
//! neighbours of a row (`same-measurements`, `rows-repeated`), whether any dead tree has a decay
//! class (`no-decay-class`), and the nearest names in hints. What is said once for a file is said once for a stand: `height-missing`,
//! `uneven-rows`, `column-without-name`, `status-default`, `status-blank`, `live-with-decay-class`, `tree-in-two-selections`,
//! `selection-without-trees`, `points-not-used`, `stratum-without-area` where there is no stands
//! file, `unknown-species`, `species-not-covered`, and what is folded where there is much of it.

mod names;
mod runs;
mod scan;
mod sheet;

use super::assemble::cruise_species;
use super::records::{Common, read_records};
use super::source::Source;
use super::stands::read_stands;
use super::{RecordFiles, sampling_checks, strata};
use crate::design::{Design, Input};
use crate::diagnostic::{Problems, Severity};
use crate::records::natural_order;
use crate::species::SpeciesTable;
use names::{Names, PlotNames, Spelled};
use scan::Row;
use sheet::{Sheet, Stop};

/// The record files of a cruise, opened.
#[derive(Debug)]
pub enum Opened {
    /// Divided by stand.
    ByStand(Box<Divided>),
    /// Not to be divided: the texts as a whole.
    Whole(Box<RecordFiles>),
}

/// Record files of one cruise, divided by stand.
#[derive(Debug)]
pub struct Divided {
    /// Names in natural order.
    names: Vec<String>,
    /// Number of each stand in the sheets.
    numbers: Vec<usize>,
    common: Common,
    sheets: Sheets,
    design: Option<Source>,
}

#[derive(Debug)]
struct Sheets {
    stands: Option<Sheet>,
    plots: Option<Sheet>,
    trees: Option<Sheet>,
    counts: Option<Sheet>,
}

/// Opens the record files that a design names (`source` is its own text, for findings at its
/// keys) and divides them by stand.
///
/// Files are there unless one cannot be read: does not open, is empty, or is cut short by a quote
/// that is not closed. Of files that are divided, the problems tell what is wrong with their
/// heads, and with rows that belong to no stand of the plots file: `read_records` of each stand
/// says the first again in the same words, the second is said here alone, and such rows are in
/// no stand. Of files that are not divided it is said where one has no rows; the rest is said by
/// `read_records`.
pub fn open(
    design: &Design,
    source: Option<&Source>,
    species: &SpeciesTable,
) -> (Option<Opened>, Problems) {
    let mut problems = Problems::new();
    let mut open = |input: &Option<Input>| match Sheet::open(input.as_ref()?) {
        Ok(sheet) => Some(sheet),
        Err(found) => {
            problems.append(found);
            None
        }
    };
    let inputs = &design.inputs;
    let mut sheets = Sheets {
        stands: open(&inputs.stands),
        plots: open(&inputs.plots),
        trees: open(&inputs.trees),
        counts: open(&inputs.counts),
    };
    if problems.has_errors() {
        return (None, problems.sorted());
    }
    let stopped = match sheets.divide(design, species) {
        Ok((names, common)) => {
            let divided = Divided::new(&names, common, sheets, source.cloned());
            let problems = divided.problems(design, species);
            return (Some(Opened::ByStand(Box::new(divided))), problems);
        }
        Err(Stop::Wrong(found)) => Err(found),
        Err(Stop::Whole) => sheets.texts(source, Sheet::whole),
    };
    match stopped {
        Ok(files) => {
            super::warn_of_no_rows(&files, &mut problems);
            (Some(Opened::Whole(Box::new(files))), problems)
        }
        Err(found) => (None, found.sorted()),
    }
}

impl Divided {
    fn new(names: &[String], common: Common, sheets: Sheets, design: Option<Source>) -> Self {
        let mut numbers: Vec<usize> = (0..names.len()).collect();
        numbers.sort_by(|a, b| natural_order(&names[*a], &names[*b]));
        Divided {
            names: numbers
                .iter()
                .map(|number| names[*number].clone())
                .collect(),
            numbers,
            common,
            sheets,
            design,
        }
    }

    /// The stands that have plots, in natural order of their names.
    pub fn stands(&self) -> &[String] {
        &self.names
    }

    /// What `read_records` of each stand must know of the others.
    pub fn common(&self) -> &Common {
        &self.common
    }

    /// The texts of one stand, an index into [`Divided::stands`]: the head of each file and the
    /// stand's rows. What is wrong with bytes (not UTF-8, no longer there) is wrong with this
    /// stand alone.
    pub fn files(&self, stand: usize) -> Result<RecordFiles, Problems> {
        let number = self.numbers[stand];
        let design = self.design.as_ref();
        self.sheets.texts(design, |sheet| sheet.of_stand(number))
    }

    /// What is wrong with heads and with rows of no stand.
    fn problems(&self, design: &Design, species: &SpeciesTable) -> Problems {
        let mut problems = Problems::new();
        match self.sheets.texts(self.design.as_ref(), Sheet::strays) {
            Ok(strays) => {
                let (_, found) = read_records(design, &strays, species, None, &mut |_| Ok(()));
                // These speak of all rows of a file, and most are elsewhere.
                let of_rows = ["no-plots", "status-default", "height-missing"];
                let is_of_rows = |code| of_rows.contains(&code);
                for diagnostic in found.iter().filter(|found| !is_of_rows(found.code)) {
                    problems.push(diagnostic.clone());
                }
                if let Some(source) = &strays.stands {
                    stands_without_plots(design, source, &mut problems);
                }
                sampling_checks::listed_stands(design, &strays, self.names.len(), &mut problems);
            }
            Err(found) => problems.append(found),
        }
        let Sheets {
            stands,
            plots,
            trees,
            counts,
        } = &self.sheets;
        for sheet in [stands, trees, counts].into_iter().flatten() {
            if let Some(file) = sheet.without_rows() {
                problems.push(super::no_rows(file));
            }
        }
        for (sheet, severity) in [
            // A stand without plots is left out, a record without a plot must not be.
            (stands, Severity::Warning),
            (plots, Severity::Error),
            (trees, Severity::Error),
            (counts, Severity::Error),
        ] {
            let finding = sheet
                .as_ref()
                .and_then(|sheet| sheet.strays_left_out(severity));
            if let Some(finding) = finding {
                problems.push(finding);
            }
        }
        problems.sorted().folded()
    }
}

/// Tells the rows of stands in which no plot lies.
fn stands_without_plots(design: &Design, source: &Source, problems: &mut Problems) {
    for row in &read_stands(design, source, &mut Problems::new()).rows {
        strata::no_plot_lies_in(row, source, problems);
    }
}

impl Sheets {
    /// A text of each file.
    fn texts(
        &self,
        design: Option<&Source>,
        of: impl Fn(&Sheet) -> Result<Source, Problems>,
    ) -> Result<RecordFiles, Problems> {
        let mut problems = Problems::new();
        let mut text = |sheet: &Option<Sheet>| {
            let text = of(sheet.as_ref()?);
            text.map_err(|found| problems.append(found)).ok()
        };
        let files = RecordFiles {
            design: design.cloned(),
            stands: text(&self.stands),
            plots: text(&self.plots),
            trees: text(&self.trees),
            counts: text(&self.counts),
        };
        if problems.has_errors() {
            Err(problems)
        } else {
            Ok(files)
        }
    }

    /// Reads all files once. Gives the names of the stands in the order in which they were met.
    fn divide(
        &mut self,
        design: &Design,
        species: &SpeciesTable,
    ) -> Result<(Vec<String>, Common), Stop> {
        self.read_heads()?;
        let has_stands = |sheet: &Sheet| sheet.column("stand").is_some();
        if self.stands.as_ref().is_some_and(|sheet| !has_stands(sheet)) {
            return Err(Stop::Whole);
        }
        let mut stands = Names::default();
        let mut plots = self.plots.as_ref().map(|_| PlotNames::default());
        if let Some(sheet) = &mut self.plots {
            let stand = sheet.column("stand").ok_or(Stop::Whole)?;
            let records = [&self.trees, &self.counts].into_iter().flatten();
            let mut records = records.filter(|sheet| !has_stands(sheet));
            let plot = records.next().and_then(|_| sheet.column("plot"));
            let last_field = stand.max(plot.unwrap_or(0));
            sheet.sweep(last_field, |row| {
                let owner = stands.find_or_add(row.field(stand));
                if let (Some(plots), Some(plot), Some(owner)) = (&mut plots, plot, owner) {
                    plots.add(row.field(plot), owner);
                }
                Ok(owner)
            })?;
        }
        let mut spelled = Spelled::default();
        for sheet in [&mut self.trees, &mut self.counts].into_iter().flatten() {
            let by_stand = sheet.column("stand");
            // Records that name no stand are told apart by their plots, if these are listed.
            let by_plot = sheet.column("plot").filter(|_| plots.is_some());
            let key = by_stand.or(by_plot).ok_or(Stop::Whole)?;
            let species = sheet.column("species");
            let last_field = key.max(species.unwrap_or(0));
            let is_some = |row: &Row, column| !row.field(column).is_empty();
            sheet.sweep(last_field, |row| {
                if let Some(species) = species.filter(|column| is_some(row, *column)) {
                    spelled.count(row.field(species));
                }
                let name = row.field(key);
                Ok(match (&plots, by_stand) {
                    (None, _) => stands.find_or_add(name),
                    (Some(_), Some(_)) => stands.find(name),
                    (Some(_), None) if name.is_empty() => None,
                    (Some(plots), None) => Some(plots.stand_of(name).ok_or(Stop::Whole)?),
                })
            })?;
        }
        if let Some(sheet) = &mut self.stands {
            let stand = sheet.column("stand").ok_or(Stop::Whole)?;
            sheet.sweep(stand, |row| Ok(stands.find(row.field(stand))))?;
        }
        if stands.list.is_empty() {
            return Err(Stop::Whole);
        }
        let species = cruise_species(
            design,
            species,
            spelled.meanings(design, species).into_iter(),
        );
        let common = Common { species };
        Ok((stands.list, common))
    }

    /// Reads the heads of all files; what is wrong with any of them is told at once.
    fn read_heads(&mut self) -> Result<(), Stop> {
        let mut problems = Problems::new();
        let mut is_whole = false;
        let sheets = [
            &mut self.stands,
            &mut self.plots,
            &mut self.trees,
            &mut self.counts,
        ];
        for sheet in sheets.into_iter().flatten() {
            match sheet.read_head() {
                Ok(()) => {}
                Err(Stop::Whole) => is_whole = true,
                Err(Stop::Wrong(found)) => problems.append(found),
            }
        }
        if problems.has_errors() {
            Err(Stop::Wrong(problems))
        } else if is_whole {
            Err(Stop::Whole)
        } else {
            Ok(())
        }
    }
}
