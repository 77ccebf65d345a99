//! To which plot and selection a record belongs, and those that belong to none.

use super::csv::{Column, Row, Table};
use super::nearest::nearest;
use super::plots::{NoPlot, PlotList, find_selection, unknown_selection};
use super::sightings::Sightings;
use crate::design::Design;
use crate::diagnostic::{Diagnostic, Problems, seen};

/// What is known of the selection of a row that names none.
#[derive(Clone, Copy)]
pub(super) struct Selections {
    /// The only one that the file can be about.
    pub(super) default: Option<usize>,
    /// Must the row be of one selection?
    pub(super) is_needed: bool,
}

/// The one plot of a stand in which every tree was tallied.
const WHOLE_STAND: &str = "whole stand";

/// Finds the plot and selection of each row of a file; keeps the rows that have none.
pub(super) struct Orphans {
    plot: Option<Column>,
    stand: Option<Column>,
    selection: Option<Column>,
    not_listed: Sightings,
    several_stands: Sightings,
    not_done: Sightings,
    unknown_selection: Sightings,
    /// Stands that are named here while the plots name none.
    other_stand: Sightings,
    /// The row before, most often of the same plot: its plot and stand texts, and index.
    last: (String, String, usize),
}

impl Orphans {
    pub(super) fn new(
        plot: Option<Column>,
        stand: Option<Column>,
        selection: Option<Column>,
    ) -> Self {
        Orphans {
            plot,
            stand,
            selection,
            not_listed: Sightings::default(),
            several_stands: Sightings::default(),
            not_done: Sightings::default(),
            unknown_selection: Sightings::default(),
            other_stand: Sightings::default(),
            last: (String::new(), String::new(), 0),
        }
    }

    /// Plot and selection of a row, as far as they can be found.
    pub(super) fn place(
        &mut self,
        design: &Design,
        table: &Table,
        row: &Row,
        selections: Selections,
        plots: &mut PlotList,
        problems: &mut Problems,
    ) -> (Option<usize>, Option<usize>) {
        let plot = self.plot(design, table, row, plots, problems);
        let selection = if let Some(text) = row.text(self.selection) {
            let found = find_selection(&design.selections, text);
            if found.is_none() {
                self.unknown_selection.add(text, row.byte(), row.line());
            }
            found
        } else {
            if let (None, Some(column), true) =
                (selections.default, self.selection, selections.is_needed)
            {
                problems.push(
                    Diagnostic::error("missing-value", "this row names no selection")
                        .at(table.site(row, column))
                        .hint("fill in the name of a selection of the design"),
                );
            }
            selections.default
        };
        if let (Some(plot), Some(selection)) = (plot, selection)
            && plots.plots[plot].visits[selection].is_none()
        {
            let what = format!(
                "{}, selection `{}`",
                plots.name_of(plot),
                design.selections[selection].name
            );
            self.not_done.add(&what, row.byte(), row.line());
            return (None, Some(selection));
        }
        (plot, selection)
    }

    fn plot(
        &mut self,
        design: &Design,
        table: &Table,
        row: &Row,
        plots: &mut PlotList,
        problems: &mut Problems,
    ) -> Option<usize> {
        let name = match (row.text(self.plot), self.plot) {
            (Some(name), _) => name,
            (None, None) => WHOLE_STAND,
            (None, Some(column)) => {
                problems.push(
                    Diagnostic::error("missing-value", "this row names no plot")
                        .at(table.site(row, column))
                        .hint("fill it in, or remove the row"),
                );
                return None;
            }
        };
        let stand = row.text(self.stand);
        if self.last.0 == name && self.last.1 == stand.unwrap_or_default() {
            return Some(self.last.2);
        }
        if let (Some(column), None) = (self.stand, stand)
            && (plots.has_stands || !plots.is_listed)
        {
            problems.push(
                Diagnostic::error("missing-value", "this row names no stand")
                    .at(table.site(row, column))
                    .hint("fill it in, or remove the row"),
            );
            return None;
        }
        if let Some(stand) = stand
            && plots.is_listed
            && !plots.has_stands
            && stand != plots.sole_stand
        {
            self.other_stand.add(stand, row.byte(), row.line());
            return None;
        }
        let index = match plots.find(stand, name) {
            Ok(index) => index,
            Err(NoPlot::NotListed) if !plots.is_listed => {
                // Without a list, the records name the stands.
                plots.has_stands |= stand.is_some();
                plots.add_unlisted(design, stand, name)
            }
            Err(why) => {
                let whole = match stand.filter(|_| plots.has_stands) {
                    Some(stand) => format!("{name}\u{0}{stand}"),
                    None => name.to_owned(),
                };
                let orphans = match why {
                    NoPlot::NotListed => &mut self.not_listed,
                    NoPlot::SeveralStands => &mut self.several_stands,
                };
                orphans.add(&whole, row.byte(), row.line());
                return None;
            }
        };
        self.last = (name.to_owned(), stand.unwrap_or_default().to_owned(), index);
        Some(index)
    }

    /// Says which rows have no plot or selection, each plot and selection once.
    pub(super) fn report(
        &self,
        design: &Design,
        table: &Table,
        plots: &PlotList,
        problems: &mut Problems,
    ) {
        for (text, sighting) in self.unknown_selection.iter() {
            let mut diagnostic = unknown_selection(&design.selections, text);
            diagnostic.message += &sighting.rows(table.source());
            problems.push(diagnostic.at(table.site_in_row_at(sighting.byte, self.selection)));
        }
        let at = |byte, column| table.site_in_row_at(byte, column);
        for (whole, sighting) in self.not_listed.iter() {
            let (name, stand) = whole.split_once('\u{0}').unwrap_or((whole, ""));
            let of_stand = if stand.is_empty() {
                String::new()
            } else {
                format!(" of stand {}", seen(stand))
            };
            let message = format!(
                "plot {}{of_stand} is not in the list of plots{}",
                seen(name),
                sighting.rows(table.source())
            );
            let near_stand = near_name(stand, &plots.stands());
            let hint = match (near_name(name, &plots.names(stand)), near_stand) {
                (Some(near), _) => {
                    format!(
                        "was plot {} meant? every plot visited needs a row",
                        seen(near)
                    )
                }
                (None, Some(near)) if near != stand => format!("was stand {} meant?", seen(near)),
                _ => String::from("every plot visited needs a row in the plots file"),
            };
            problems.push(
                Diagnostic::error("unknown-plot", message)
                    .at(at(sighting.byte, self.plot))
                    .hint(hint),
            );
        }
        for (stand, sighting) in self.other_stand.iter() {
            let message = format!(
                "the stand {} is named here, but the plots name no stand{}",
                seen(stand),
                sighting.rows(table.source())
            );
            problems.push(
                Diagnostic::error("unknown-stand", message)
                    .at(at(sighting.byte, self.stand))
                    .hint("add a column `stand` to the plots file"),
            );
        }
        for (name, sighting) in self.several_stands.iter() {
            let message = format!(
                "several stands have a plot {}{}",
                seen(name),
                sighting.rows(table.source())
            );
            problems.push(
                Diagnostic::error("unknown-plot", message)
                    .at(at(sighting.byte, self.plot))
                    .hint("add a column `stand` to this file"),
            );
        }
        for (what, sighting) in self.not_done.iter() {
            let message = format!(
                "{what}, was not carried out by the list of plots{}",
                sighting.rows(table.source())
            );
            problems.push(
                Diagnostic::error("unknown-plot", message)
                    .at(at(sighting.byte, self.plot))
                    .hint("add its row to the plots file, or correct the selection here"),
            );
        }
    }
}

/// A listed plot or stand that may be the one meant: the same number without leading zeros, the same name
/// in other case, or a letter away in a longer name.
fn near_name<'n>(name: &str, names: &[&'n str]) -> Option<&'n str> {
    let bare = |name: &str| name.trim_start_matches('0').to_lowercase();
    let same = names.iter().find(|other| bare(other) == bare(name));
    if let Some(same) = same {
        return Some(same);
    }
    (name.chars().count() > 4)
        .then(|| nearest(name, names.iter().copied()))
        .flatten()
}
