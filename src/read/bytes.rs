//! Files as bytes that can be read again, at any place and from several threads.

use std::fs::File;
use std::io::{self, BufWriter, Read, Seek as _, Write as _};
use std::path::Path;
use std::time::SystemTime;

use super::source::{Source, Wide};
use super::xlsx::Wanted;
use super::{parquet, xlsx};
use crate::diagnostic::{Diagnostic, Heads, Problems, Site};

/// An input that was opened.
#[derive(Debug)]
pub(super) struct Bytes {
    file: Place,
    length: u64,
    modified: Option<SystemTime>,
    heads: Option<Heads>,
}

#[cfg(unix)]
type Place = File;
/// Without reads at a place, one at a time seeks and reads.
#[cfg(not(unix))]
type Place = std::sync::Mutex<File>;

/// Bytes within which the first line of a table ends.
const FIRST_LINE: usize = 16_000_000;

/// The one place where an input is opened. What can be read only once (standard input, for the
/// path `-`, or a pipe) is first copied to a temporary file without a name: the beginning, and the
/// rest if that is what was expected, since some of them never end.
fn open(path: &Path, goes_on: impl Fn(&[u8]) -> bool) -> io::Result<File> {
    if path.as_os_str() == "-" {
        return spooled(&mut io::stdin().lock(), goes_on);
    }
    let mut file = File::open(path)?;
    if file.metadata()?.is_file() {
        Ok(file)
    } else {
        spooled(&mut file, goes_on)
    }
}

fn spooled(from: &mut dyn Read, goes_on: impl Fn(&[u8]) -> bool) -> io::Result<File> {
    let mut file = tempfile::tempfile()?;
    let mut start = Vec::new();
    let mut beginning = from.take(FIRST_LINE as u64);
    beginning.read_to_end(&mut start)?;
    file.write_all(&start)?;
    if goes_on(&start) {
        io::copy(from, &mut file)?;
    }
    file.rewind()?;
    Ok(file)
}

/// Does the first line end, as far as that can be seen?
fn has_lines(start: &[u8]) -> bool {
    start.len() < FIRST_LINE || memchr::memchr2(b'\n', b'\r', start).is_some()
}

fn without_lines(shown: &str) -> Diagnostic {
    let millions = FIRST_LINE / 1_000_000;
    let message = format!("the first line does not end within {millions} million bytes");
    Diagnostic::error("no-lines", message)
        .at(Site::whole(shown))
        .hint("this is no table of records, of which the first line names the columns")
}

/// Bytes read at a time.
pub(super) const CHUNK: usize = 1 << 18;

impl Bytes {
    /// Opens a file, or standard input for the path `-`.
    pub(super) fn open(path: &Path) -> io::Result<Self> {
        Self::of(open(path, has_lines)?)
    }

    /// The text of a short file, or of standard input for the path `-`; `None` where it has more
    /// bytes than that.
    pub(super) fn read_short(path: &Path, most: u64) -> io::Result<Option<Vec<u8>>> {
        let mut bytes = Vec::new();
        let file = open(path, |_| false)?;
        file.take(most + 1).read_to_end(&mut bytes)?;
        Ok((bytes.len() as u64 <= most).then_some(bytes))
    }

    /// Opens a file of records; `shown` names it in messages, `wanted` a sheet of a workbook. Parquet
    /// and workbooks are first written as CSV to a temporary file without a name.
    pub(super) fn open_records(
        path: &Path,
        shown: &str,
        wanted: Wanted<'_>,
    ) -> Result<Self, Problems> {
        let unreadable = |error| Problems::from(Source::unreadable(path, shown, &error));
        if let Some(finding) = xlsx::other_kind(path, shown) {
            return Err(finding.into());
        }
        let is_workbook = xlsx::is_workbook(path);
        if !is_workbook && !parquet::is_parquet(path) {
            let bytes = Self::open(path).map_err(unreadable)?;
            return if bytes.has_lines().map_err(unreadable)? {
                Ok(bytes)
            } else {
                Err(without_lines(shown).into())
            };
        }
        let magic = if is_workbook {
            xlsx::MAGIC
        } else {
            parquet::MAGIC
        };
        let file = open(path, |start| start.starts_with(magic)).map_err(unreadable)?;
        let mut text = BufWriter::new(tempfile::tempfile().map_err(unreadable)?);
        let heads = if is_workbook {
            xlsx::to_csv(file, shown, wanted, &mut text)?
        } else {
            parquet::to_csv(file, shown, &mut text).map_err(|finding| *finding)?
        };
        let text = text.into_inner().map_err(io::IntoInnerError::into_error);
        let mut bytes = text.and_then(Self::of).map_err(unreadable)?;
        bytes.heads = Some(heads);
        Ok(bytes)
    }

    /// The names of the columns of a file of rows.
    pub(super) fn heads(&self) -> Option<Heads> {
        self.heads.clone()
    }

    fn of(file: File) -> io::Result<Self> {
        let metadata = file.metadata()?;
        Ok(Bytes {
            file: Place::from(file),
            length: metadata.len(),
            modified: metadata.modified().ok(),
            heads: None,
        })
    }

    /// Was the file written to since it was opened?
    pub(super) fn has_changed(&self) -> io::Result<bool> {
        #[cfg(unix)]
        let metadata = self.file.metadata()?;
        #[cfg(not(unix))]
        let metadata = lock(&self.file)?.metadata()?;
        Ok(metadata.len() != self.length || metadata.modified().ok() != self.modified)
    }

    /// Reads bytes from a place on; 0 at the end.
    #[cfg(unix)]
    pub(super) fn read_at(&self, buffer: &mut [u8], at: u64) -> io::Result<usize> {
        loop {
            match std::os::unix::fs::FileExt::read_at(&self.file, buffer, at) {
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                result => return result,
            }
        }
    }

    /// Reads bytes from a place on; 0 at the end.
    #[cfg(not(unix))]
    pub(super) fn read_at(&self, buffer: &mut [u8], at: u64) -> io::Result<usize> {
        let mut file = lock(&self.file)?;
        file.seek(io::SeekFrom::Start(at))?;
        file.read(buffer)
    }

    /// Fills a buffer from a place on.
    pub(super) fn read_exact_at(&self, buffer: &mut [u8], at: u64) -> io::Result<()> {
        let (mut rest, mut at) = (buffer, at);
        while !rest.is_empty() {
            let read = self.read_at(rest, at)?;
            if read == 0 {
                return Err(io::ErrorKind::UnexpectedEof.into());
            }
            rest = &mut rest[read..];
            at += read as u64;
        }
        Ok(())
    }

    fn has_lines(&self) -> io::Result<bool> {
        let mut chunk = vec![0; CHUNK];
        let mut at = 0;
        while at < FIRST_LINE {
            let read = self.read_at(&mut chunk, at as u64)?;
            if read == 0 || memchr::memchr2(b'\n', b'\r', &chunk[..read]).is_some() {
                return Ok(true);
            }
            at += read;
        }
        Ok(false)
    }

    /// All of it.
    pub(super) fn read_all(&self) -> io::Result<Vec<u8>> {
        let mut bytes = Vec::new();
        let length = usize::try_from(self.length).unwrap_or(usize::MAX);
        bytes.try_reserve_exact(length.saturating_add(1))?;
        loop {
            let filled = bytes.len();
            bytes.resize(bytes.capacity().max(filled + 32), 0);
            let read = self.read_at(&mut bytes[filled..], filled as u64)?;
            bytes.truncate(filled + read);
            if read == 0 {
                return Ok(bytes);
            }
        }
    }

    /// The same text in UTF-8, in a temporary file without a name; itself if it is not UTF-16.
    /// `None` where it is broken UTF-16.
    pub(super) fn in_utf8(self) -> io::Result<Option<Self>> {
        let mut mark = [0; 2];
        let read = self.read_at(&mut mark, 0)?;
        let Some(wide) = Wide::of(&mark[..read]) else {
            return Ok(Some(self));
        };
        let mut text = BufWriter::new(tempfile::tempfile()?);
        let mut chunk = vec![0; CHUNK];
        let mut units: Vec<u16> = Vec::new();
        for at in (2..self.length).step_by(CHUNK) {
            let left = usize::try_from(self.length - at)
                .unwrap_or(CHUNK)
                .min(CHUNK);
            self.read_exact_at(&mut chunk[..left], at)?;
            units.extend(chunk[..left].chunks_exact(2).map(|pair| wide.unit(pair)));
            // The first half of a pair waits for the second.
            let is_half = |unit: &u16| (0xd800..0xdc00).contains(unit);
            let is_last = at + CHUNK as u64 >= self.length;
            let half = units.pop_if(|last| !is_last && is_half(last));
            let Ok(part) = String::from_utf16(&units) else {
                return Ok(None);
            };
            text.write_all(part.as_bytes())?;
            units.clear();
            units.extend(half);
        }
        Self::of(text.into_inner().map_err(io::IntoInnerError::into_error)?).map(Some)
    }
}

#[cfg(not(unix))]
fn lock(file: &std::sync::Mutex<File>) -> io::Result<std::sync::MutexGuard<'_, File>> {
    let poisoned = |_| io::Error::other("another read of this file failed");
    file.lock().map_err(poisoned)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes(content: &[u8]) -> Bytes {
        Bytes::of(spooled(&mut &content[..], |_| true).unwrap()).unwrap()
    }

    #[test]
    fn any_place_can_be_read_again() {
        let bytes = bytes(b"one,two\n");
        let mut three = [0; 3];
        for (at, word) in [(4, b"two"), (0, b"one"), (4, b"two")] {
            bytes.read_exact_at(&mut three, at).unwrap();
            assert_eq!(&three, word);
        }
        assert_eq!(bytes.read_all().unwrap(), b"one,two\n");
        assert!(bytes.read_exact_at(&mut three, 6).is_err());
    }

    #[test]
    fn a_file_that_grows_has_changed() {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(&file, "a\n").unwrap();
        let bytes = Bytes::open(file.path()).unwrap();
        assert!(!bytes.has_changed().unwrap());
        std::fs::write(&file, "a\nb\n").unwrap();
        assert!(bytes.has_changed().unwrap());
    }

    #[test]
    fn pairs_across_chunks_are_kept_together() {
        // One unit before it puts a pair across the end of the first chunk.
        for before in 0..3 {
            let text = "x".repeat(CHUNK / 2 - before) + "\u{1f332}y";
            let wide: Vec<u8> = std::iter::once(0xfeff)
                .chain(text.encode_utf16())
                .flat_map(u16::to_be_bytes)
                .collect();
            let spooled = bytes(&wide).in_utf8().unwrap().unwrap();
            assert_eq!(spooled.read_all().unwrap(), text.as_bytes());
        }
        assert!(bytes(b"\xff\xfe\x00\xd8").in_utf8().unwrap().is_none());
        let same = bytes(b"a,b\n").in_utf8().unwrap().unwrap();
        assert_eq!(same.read_all().unwrap(), b"a,b\n");
    }
}
