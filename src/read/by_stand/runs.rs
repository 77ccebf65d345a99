//! Where the rows of each stand lie in a file.

use std::io;

use super::scan::Row;
use crate::read::bytes::Bytes;

/// Rows of one stand that follow each other in the file: 24 bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Run {
    /// Byte of the file at which it begins.
    start: u64,
    /// Byte behind its last line end.
    end: u64,
    /// Line of its first row.
    line: usize,
}

/// Rows of one stand, in the order of the file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Rows {
    pub(super) runs: Vec<Run>,
    pub(super) count: usize,
}

/// The rows of all stands.
#[derive(Debug, Default)]
pub(super) struct RowsByStand {
    stands: Vec<Rows>,
    /// Rows of no stand, up to [`STRAYS`].
    pub(super) strays: Rows,
    pub(super) strays_left_out: usize,
    last: Last,
}

impl RowsByStand {
    /// Is there no row at all?
    pub(super) fn is_empty(&self) -> bool {
        self.last == Last::Nothing
    }
}

/// The owner of the row before.
#[derive(Debug, Default, PartialEq, Eq)]
enum Last {
    #[default]
    Nothing,
    Stray,
    Stand(usize),
}

/// Rows of no stand are kept up to this number.
const STRAYS: usize = 10_000;

/// Runs that lie nearer than this are read at once.
const NEAR: u64 = 4096;

impl RowsByStand {
    /// Adds the next row of the file.
    pub(super) fn add(&mut self, owner: Option<usize>, row: &Row<'_>) {
        let now = owner.map_or(Last::Stray, Last::Stand);
        let is_next = self.last == now;
        self.last = now;
        let rows = if let Some(stand) = owner {
            if stand >= self.stands.len() {
                self.stands.resize(stand + 1, Rows::default());
            }
            &mut self.stands[stand]
        } else if self.strays.count < STRAYS {
            &mut self.strays
        } else {
            self.strays_left_out += 1;
            return;
        };
        rows.count += 1;
        match rows.runs.last_mut() {
            // Blank lines in between belong to nobody.
            Some(run) if is_next => run.end = row.end,
            _ => rows.runs.push(Run {
                start: row.start,
                end: row.end,
                line: row.line,
            }),
        }
    }

    /// Gives back what was allocated for rows that did not come.
    pub(super) fn shrink(&mut self) {
        for rows in &mut self.stands {
            rows.runs.shrink_to_fit();
        }
    }

    /// The rows of a stand; none if the file has none of it.
    pub(super) fn of(&self, stand: usize) -> Option<&Rows> {
        self.stands.get(stand)
    }
}

/// Adds the rows of some runs to a text; gives the byte of the text at which each begins, and its
/// line in the file.
pub(super) fn read_runs(
    bytes: &Bytes,
    runs: &[Run],
    text: &mut Vec<u8>,
) -> io::Result<Vec<(usize, usize)>> {
    let mut pieces = Vec::with_capacity(runs.len() + 1);
    for near in runs.chunk_by(|run, next| next.start - run.end <= NEAR) {
        let [first, ..] = near else { continue };
        let span = near.last().unwrap_or(first).end - first.start;
        let from = text.len();
        text.resize(from + size(span)?, 0);
        bytes.read_exact_at(&mut text[from..], first.start)?;
        // Rows of others in between are closed up.
        let mut at = from;
        for run in near {
            let start = from + size(run.start - first.start)?;
            let length = size(run.end - run.start)?;
            pieces.push((at, run.line));
            text.copy_within(start..start + length, at);
            at += length;
        }
        text.truncate(at);
    }
    Ok(pieces)
}

/// A length that must fit into memory.
pub(super) fn size(bytes: u64) -> io::Result<usize> {
    usize::try_from(bytes).map_err(io::Error::other)
}
