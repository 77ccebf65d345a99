//! What the pages of a Parquet file claim to be when unpacked, before any is unpacked.
//!
//! Each page has a head in Thrift's compact protocol, of which fields 2 and 3 are its size unpacked
//! and packed (Apache Parquet, `parquet.thrift`: `PageHeader`).

use std::fs::File;
use std::io::{self, Read as _, Seek as _, SeekFrom};

use parquet::file::metadata::{ParquetMetaData, RowGroupMetaData};

/// Bytes of the largest pages of all columns of a row group, which are held at once.
const MOST_BYTES: u64 = 1_000_000_000;
/// Bytes in which the head of a page is looked for; longer ones have long words as limits.
const HEAD: [u64; 3] = [1 << 12, 1 << 16, 1 << 24];
/// Structures within structures in the head of a page.
const DEEPEST: usize = 8;

/// Do the pages of every row group fit in memory?
pub(super) fn fit(file: &mut File, metadata: &ParquetMetaData) -> io::Result<bool> {
    for group in metadata.row_groups() {
        if largest(file, group)? > MOST_BYTES {
            return Ok(false);
        }
    }
    Ok(true)
}

fn largest(file: &mut File, group: &RowGroupMetaData) -> io::Result<u64> {
    let mut all = 0_u64;
    for column in group.columns() {
        let (start, length) = column.byte_range();
        let (mut at, end) = (start, start.saturating_add(length));
        let mut largest = 0;
        while at < end {
            // What is no head is the decoder's to report.
            let Some(head) = head(file, at)? else { break };
            largest = largest.max(head.unpacked);
            at = at.saturating_add(head.length + head.packed);
        }
        all = all.saturating_add(largest);
    }
    Ok(all)
}

struct Head {
    length: u64,
    unpacked: u64,
    packed: u64,
}

fn head(file: &mut File, at: u64) -> io::Result<Option<Head>> {
    for room in HEAD {
        let mut bytes = Vec::new();
        file.seek(SeekFrom::Start(at))?;
        file.take(room).read_to_end(&mut bytes)?;
        let mut input = Compact(&bytes);
        let mut sizes = [None; 2];
        if input.structure(0, &mut sizes).is_some() {
            let length = bytes.len() - input.0.len();
            return Ok(sizes[0].zip(sizes[1]).map(|(unpacked, packed)| Head {
                length: length as u64,
                unpacked,
                packed,
            }));
        }
        if (bytes.len() as u64) < room {
            break;
        }
    }
    Ok(None)
}

/// Thrift's compact protocol, as far as it must be read to get past it.
struct Compact<'b>(&'b [u8]);

impl Compact<'_> {
    fn byte(&mut self) -> Option<u8> {
        let (first, rest) = self.0.split_first()?;
        self.0 = rest;
        Some(*first)
    }

    fn skip(&mut self, bytes: u64) -> Option<()> {
        self.0 = self.0.get(usize::try_from(bytes).ok()?..)?;
        Some(())
    }

    fn varint(&mut self) -> Option<u64> {
        let mut value = 0;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            value |= u64::from(byte & 0x7f) << shift;
            if byte < 0x80 {
                return Some(value);
            }
        }
        None
    }

    /// Reads a structure; `sizes` takes its fields 2 and 3 if they are there and not negative.
    fn structure(&mut self, depth: usize, sizes: &mut [Option<u64>; 2]) -> Option<()> {
        let mut field = 0_u64;
        loop {
            let head = self.byte()?;
            if head == 0 {
                return Some(());
            }
            field = match head >> 4 {
                0 => self.varint()? >> 1,
                step => field + u64::from(step),
            };
            let kind = head & 0x0f;
            if let (2 | 3, 4..=6) = (field, kind) {
                let zigzag = self.varint()?;
                let at = usize::from(field == 3);
                sizes[at] = (zigzag & 1 == 0).then_some(zigzag >> 1);
            } else {
                self.value(kind, depth, false)?;
            }
        }
    }

    fn value(&mut self, kind: u8, depth: usize, in_list: bool) -> Option<()> {
        match kind {
            1 | 2 if in_list => self.skip(1),
            1 | 2 => Some(()),
            3 => self.skip(1),
            4..=6 => self.varint().map(|_| ()),
            7 => self.skip(8),
            8 => {
                let length = self.varint()?;
                self.skip(length)
            }
            9 | 10 => {
                let head = self.byte()?;
                let count = match head >> 4 {
                    15 => self.varint()?,
                    count => u64::from(count),
                };
                for _ in 0..count {
                    self.value(head & 0x0f, depth, true)?;
                }
                Some(())
            }
            12 if depth < DEEPEST => self.structure(depth + 1, &mut [None; 2]),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_head_of_a_page_is_read() {
        // Type 0, sizes 300 and 20, a structure with a word and a flag in it, the end.
        let bytes = [
            0x15, 0, 0x15, 0xd8, 0x04, 0x15, 0x28, 0x2c, 0x18, 2, b'a', b'b', 0x11, 0, 0, 9,
        ];
        let mut file = tempfile::tempfile().unwrap();
        io::Write::write_all(&mut file, &bytes).unwrap();
        let head = head(&mut file, 0).unwrap().unwrap();
        assert_eq!((head.length, head.unpacked, head.packed), (15, 300, 20));
        assert!(super::head(&mut file, 3).unwrap().is_none());
    }
}
