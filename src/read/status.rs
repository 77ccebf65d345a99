//! Live or dead, and the decay class.

use super::csv::{Column, Row, Table};
use super::nearest::nearest;
use super::sightings::Sightings;
use crate::design::Design;
use crate::diagnostic::{Diagnostic, Problems, counted, seen};
use crate::records::Status;

/// Reads the status of each row of a file and keeps what is to be said at its end.
pub(super) struct StatusReader<'d> {
    design: &'d Design,
    status: Option<Column>,
    decay_class: Option<Column>,
    unknown: Sightings,
    unknown_decay: Sightings,
    /// Blank in a status column: taken as live, or as dead for the decay class.
    blank: Sightings,
    live_with_decay: Sightings,
    dead_without: Sightings,
    dead: usize,
    dead_with: usize,
}

impl<'d> StatusReader<'d> {
    pub(super) fn new(design: &'d Design, table: &Table) -> Self {
        StatusReader {
            design,
            status: table.column("status"),
            decay_class: table.column("decay_class"),
            unknown: Sightings::default(),
            unknown_decay: Sightings::default(),
            blank: Sightings::default(),
            live_with_decay: Sightings::default(),
            dead_without: Sightings::default(),
            dead: 0,
            dead_with: 0,
        }
    }

    /// The status of a row; unknown codes are taken as live until they are reported.
    ///
    /// Without a status, a decay class says that the tree is dead: only snags have one.
    pub(super) fn read(&mut self, row: &Row) -> Status {
        let decay_text = row.text(self.decay_class);
        let mut decay_class = decay_text.and_then(|text| {
            let classes = &self.design.decay_classes;
            let found = classes.iter().position(|c| c.eq_ignore_ascii_case(text));
            if found.is_none() {
                self.unknown_decay.add(text, row.byte(), row.line());
            }
            found
        });
        let dead = if let Some(text) = row.text(self.status) {
            if let Some((dead, class)) = self.word(text) {
                decay_class = decay_class.or(class);
                dead
            } else {
                self.unknown.add(text, row.byte(), row.line());
                return Status::Live;
            }
        } else {
            if self.status.is_some() {
                let taken = if decay_text.is_some() { "dead" } else { "live" };
                self.blank.add(taken, row.byte(), row.line());
            }
            decay_text.is_some()
        };
        if !dead {
            if decay_text.is_some() {
                self.live_with_decay.add("", row.byte(), row.line());
            }
            return Status::Live;
        }
        self.dead += 1;
        if decay_class.is_some() {
            self.dead_with += 1;
        } else if decay_text.is_none() {
            self.dead_without.add("", row.byte(), row.line());
        }
        Status::Dead { decay_class }
    }

    /// What a status code means: the design's own first, then plain words.
    fn word(&self, text: &str) -> Option<(bool, Option<usize>)> {
        let own = self.design.status_codes.iter();
        if let Some((_, code)) = own
            .clone()
            .find(|(code, _)| code.eq_ignore_ascii_case(text))
        {
            return Some((code.dead, code.decay_class));
        }
        let is = |words: &[&str]| words.iter().any(|word| word.eq_ignore_ascii_case(text));
        if is(LIVE) {
            Some((false, None))
        } else if is(DEAD) {
            Some((true, None))
        } else {
            None
        }
    }

    /// Says what was found, at the first place of each.
    pub(super) fn report(&self, table: &Table, problems: &mut Problems) {
        let status_at = |byte| table.site_in_row_at(byte, self.status);
        let decay_at = |byte| table.site_in_row_at(byte, self.decay_class);
        for (text, sighting) in self.unknown.iter() {
            let own = self
                .design
                .status_codes
                .iter()
                .map(|(code, _)| code.as_str());
            let known = own.chain(LIVE.iter().copied()).chain(DEAD.iter().copied());
            let hint = match nearest(text, known).filter(|_| text.chars().count() > 2) {
                Some(near) => format!("did you mean `{near}`?"),
                None => String::from(
                    "write live or dead, or say in `status_codes` of the design what it means",
                ),
            };
            let message = format!(
                "the status {} is not known{}",
                seen(text),
                sighting.rows(table.source())
            );
            problems.push(
                Diagnostic::error("unknown-status", message)
                    .at(status_at(sighting.byte))
                    .hint(hint),
            );
        }
        for (text, sighting) in self.unknown_decay.iter() {
            let message = format!(
                "there is no decay class {}{}",
                seen(text),
                sighting.rows(table.source())
            );
            let hint = format!(
                "the decay classes are {}; list others in `decay_classes` of the design",
                self.design.decay_classes.join(", ")
            );
            problems.push(
                Diagnostic::error("unknown-decay-class", message)
                    .at(decay_at(sighting.byte))
                    .hint(hint),
            );
        }
        for (taken, sighting) in self.blank.iter() {
            let why = if taken == "dead" {
                ", for its decay class"
            } else {
                ""
            };
            let message = format!(
                "the status is blank{}: taken as {taken}{why}",
                sighting.rows(table.source())
            );
            problems.push(
                Diagnostic::warning("status-blank", message)
                    .at(status_at(sighting.byte))
                    .hint("write live or dead for every tree"),
            );
        }
        for (_, sighting) in self.live_with_decay.iter() {
            let message = format!(
                "a live tree has a decay class{}",
                sighting.rows(table.source())
            );
            problems.push(
                Diagnostic::warning("live-with-decay-class", message)
                    .at(decay_at(sighting.byte))
                    .hint("it is compiled as live: is it a snag?"),
            );
        }
        for (_, sighting) in self.dead_without.iter() {
            let message = format!(
                "a dead tree has no decay class{}",
                sighting.rows(table.source())
            );
            let diagnostic = if self.dead_with == 0 {
                Diagnostic::note(
                    "no-decay-class",
                    format!("no decay class for {}", counted(self.dead, "dead tree")),
                )
            } else {
                Diagnostic::warning("no-decay-class", message)
            };
            problems.push(diagnostic.at(decay_at(sighting.byte)));
        }
        if self.status.is_none() {
            let rest = if self.dead > 0 {
                format!(
                    "{} with a decay class are taken as dead, all others as live",
                    counted(self.dead, "tree")
                )
            } else {
                String::from("all trees are taken as live")
            };
            let message = format!("there is no column `status`: {rest}");
            problems
                .push(Diagnostic::note("status-default", message).at(table.source().site(1, 0)));
        }
    }
}

const LIVE: &[&str] = &["live", "l", "alive", "living"];
const DEAD: &[&str] = &["dead", "d", "snag", "standing dead"];
