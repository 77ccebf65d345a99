//! The journal of a batch run: one record for each cruise and each finished unit of work, appended
//! as they come. A run that was killed leaves whole records and perhaps a torn last one.
//!
//! ```text
//! file     "spinney journal 2\n", records
//! record   kind u8 (0 cruise, 1 part, 2 end of a run), length of the head u32, length of the rest u64,
//!          CRC-32 of head and rest u32, head (postcard), rest
//! ```
//! Little endian. Reading stops at the first record that is not whole, and what follows is cut off.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, BufReader, Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use anyhow::{Context as _, Result, bail};
use serde::{Deserialize, Serialize};

use super::assemble::{Assembly, OfCruise};
use super::part::{CruiseHead, Part, PartMeta};
use crate::cli::ReportForm;
use crate::write;

/// Its name in the folder of results.
pub(super) const NAME: &str = "batch.journal";

pub(super) const MAGIC: &[u8] = b"spinney journal 2\n";
pub(super) const FRAME: usize = 1 + 4 + 8 + 4;

/// What the last record of a run says that was finished.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Finished {
    /// Where the parts lie that make up the results.
    pub(super) parts: Vec<u64>,
    pub(super) of_cruises: Vec<OfCruise>,
    pub(super) several: bool,
    pub(super) tree_list: bool,
    pub(super) reports: Option<ReportForm>,
}

/// A part and where the rest of it lies.
#[derive(Clone, Debug)]
pub(super) struct Placed {
    pub(super) meta: PartMeta,
    pub(super) file: Arc<PathBuf>,
    pub(super) at: u64,
}

/// What was read of a journal.
#[derive(Debug, Default)]
pub(super) struct Contents {
    pub(super) heads: BTreeMap<u64, CruiseHead>,
    /// In the order in which they were written.
    pub(super) parts: Vec<Placed>,
    /// The last record, if that ends a run.
    finished: Option<Finished>,
    /// Bytes up to the end of the last whole record.
    whole: u64,
}

impl Contents {
    /// What makes up the results, if the last run was finished.
    pub(super) fn finished(&self) -> Option<&Finished> {
        self.finished.as_ref()
    }
}

/// A journal that is being written.
pub(super) struct Journal {
    path: Arc<PathBuf>,
    writing: Mutex<Writing>,
}

struct Writing {
    file: File,
    end: u64,
    heads: BTreeMap<u64, CruiseHead>,
}

impl Journal {
    /// An empty journal, in place of what was there.
    pub(super) fn create(folder: &Path) -> Result<Journal> {
        let path = folder.join(NAME);
        let file = Journal::open(&path)?;
        Journal::begin(path, file)
    }

    fn begin(path: PathBuf, mut file: File) -> Result<Journal> {
        file.set_len(0)
            .and_then(|()| file.write_all(MAGIC))
            .with_context(|| format!("{}: cannot be written", path.display()))?;
        let end = MAGIC.len() as u64;
        Ok(Journal::new(path, file, end, BTreeMap::new()))
    }

    /// The journal of an earlier run, to be written on, and what it holds; an empty one where there
    /// was none.
    pub(super) fn resume(folder: &Path) -> Result<(Journal, Contents)> {
        let path = folder.join(NAME);
        let mut file = Journal::open(&path)?;
        let contents = read(&path)?;
        if contents.whole == 0 {
            return Ok((Journal::begin(path, file)?, contents));
        }
        file.set_len(contents.whole)
            .and_then(|()| file.seek(SeekFrom::Start(contents.whole)))
            .with_context(|| format!("{}: cannot be written", path.display()))?;
        let heads = contents.heads.clone();
        Ok((Journal::new(path, file, contents.whole, heads), contents))
    }

    fn new(path: PathBuf, file: File, end: u64, heads: BTreeMap<u64, CruiseHead>) -> Journal {
        Journal {
            path: Arc::new(path),
            writing: Mutex::new(Writing { file, end, heads }),
        }
    }

    /// Opens the file for this run alone.
    fn open(path: &Path) -> Result<File> {
        let shown = || format!("{}: cannot be written", path.display());
        write::no_link(path)?;
        let mut options = OpenOptions::new();
        let file = options.write(true).create(true).truncate(false).open(path);
        let file = file.with_context(shown)?;
        match file.try_lock() {
            // Where files cannot be locked, nobody watches.
            Ok(()) | Err(TryLockError::Error(_)) => Ok(file),
            Err(TryLockError::WouldBlock) => bail!(
                "{}: another run writes to this folder; wait for it, or give another --out",
                path.display()
            ),
        }
    }

    /// Appends a part, and its cruise where that is new.
    pub(super) fn append(&self, head: &CruiseHead, part: Part) -> Result<Placed> {
        let shown = || format!("{}: cannot be written", self.path.display());
        let meta = postcard::to_stdvec(&part.meta).with_context(shown)?;
        let mut bytes = Vec::with_capacity(FRAME + meta.len() + part.bytes.len());
        frame(&mut bytes, 1, &meta, &part.bytes);
        let mut writing = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        if !writing.heads.contains_key(&part.meta.head) {
            let mut of_head = Vec::new();
            let content = postcard::to_stdvec(head).with_context(shown)?;
            frame(&mut of_head, 0, &content, &[]);
            writing.file.write_all(&of_head).with_context(shown)?;
            writing.end += of_head.len() as u64;
            writing.heads.insert(part.meta.head, head.clone());
        }
        writing.file.write_all(&bytes).with_context(shown)?;
        let at = writing.end + (bytes.len() - part.bytes.len()) as u64;
        writing.end += bytes.len() as u64;
        Ok(Placed {
            meta: part.meta,
            file: Arc::clone(&self.path),
            at,
        })
    }

    /// Appends a part again, its rows at other lines.
    pub(super) fn append_moved(&self, earlier: &Placed, meta: PartMeta) -> Result<Placed> {
        let shown = || format!("{}: cannot be read", self.path.display());
        let length = meta.length().with_context(shown)?;
        let mut bytes = vec![0; usize::try_from(length).with_context(shown)?];
        File::open(&*self.path)
            .and_then(|mut file| {
                file.seek(SeekFrom::Start(earlier.at))?;
                file.read_exact(&mut bytes)
            })
            .with_context(shown)?;
        let heads = self.heads();
        let head = heads.get(&meta.head).with_context(shown)?;
        self.append(head, Part { meta, bytes })
    }

    /// Writes that the run is at its end, and what makes up its results.
    pub(super) fn finish(&self, assembly: &Assembly) -> Result<()> {
        let shown = || format!("{}: cannot be written", self.path.display());
        let finished = Finished {
            parts: assembly.parts.iter().map(|part| part.at).collect(),
            of_cruises: assembly.of_cruises.clone(),
            several: assembly.several,
            tree_list: assembly.tree_list,
            reports: assembly.reports,
        };
        let mut bytes = Vec::new();
        let content = postcard::to_stdvec(&finished).with_context(shown)?;
        frame(&mut bytes, 2, &content, &[]);
        let mut writing = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        writing.file.write_all(&bytes).with_context(shown)
    }

    /// The cruises of which there is a record.
    pub(super) fn heads(&self) -> BTreeMap<u64, CruiseHead> {
        let writing = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        writing.heads.clone()
    }
}

fn frame(out: &mut Vec<u8>, kind: u8, head: &[u8], rest: &[u8]) {
    let mut check = crc32fast::Hasher::new();
    check.update(head);
    check.update(rest);
    out.push(kind);
    out.extend(u32::try_from(head.len()).unwrap_or(u32::MAX).to_le_bytes());
    out.extend((rest.len() as u64).to_le_bytes());
    out.extend(check.finalize().to_le_bytes());
    out.extend(head);
    out.extend(rest);
}

/// Reads a journal up to the first record that is not whole.
pub(super) fn read(path: &Path) -> Result<Contents> {
    let shown = path.display();
    let file = File::open(path).with_context(|| format!("{shown}: cannot be read"))?;
    let length = file
        .metadata()
        .with_context(|| format!("{shown}: cannot be read"))?
        .len();
    let mut input = BufReader::with_capacity(1 << 20, file);
    let mut magic = [0; MAGIC.len()];
    let is_ours = input.read_exact(&mut magic).is_ok() && magic == *MAGIC;
    if !is_ours && length >= MAGIC.len() as u64 {
        bail!(
            "{shown}: this is no journal of a batch run of this version; run without --resume, or \
             give another --out"
        );
    }
    let mut contents = Contents {
        whole: MAGIC.len() as u64,
        ..Contents::default()
    };
    if !is_ours {
        // Killed before the first line was whole.
        return Ok(Contents::default());
    }
    let file = Arc::new(path.to_owned());
    while let Ok(Some(record)) = next(&mut input, length - contents.whole) {
        let rest = contents.whole + record.rest_at;
        contents.finished = None;
        match record.kind {
            0 => {
                let head = postcard::from_bytes::<CruiseHead>(&record.head).ok();
                let Some(head) = head.filter(CruiseHead::is_sound) else {
                    break;
                };
                contents.heads.insert(head.id(), head);
            }
            1 => {
                let meta = postcard::from_bytes::<PartMeta>(&record.head).ok();
                let length = record.length - record.rest_at;
                let Some(meta) = meta.filter(|meta| meta.length() == Some(length)) else {
                    break;
                };
                contents.parts.push(Placed {
                    meta,
                    file: Arc::clone(&file),
                    at: rest,
                });
            }
            2 => match postcard::from_bytes(&record.head) {
                Ok(finished) => contents.finished = Some(finished),
                Err(_) => break,
            },
            _ => break,
        }
        contents.whole += record.length;
    }
    Ok(contents)
}

struct Record {
    kind: u8,
    head: Vec<u8>,
    /// Where the rest begins, from the begin of the record.
    rest_at: u64,
    length: u64,
}

/// The next record; `None` where it is not whole. `left` bytes are left.
fn next(input: &mut BufReader<File>, left: u64) -> io::Result<Option<Record>> {
    if left < FRAME as u64 {
        return Ok(None);
    }
    let mut bytes = [0; FRAME];
    input.read_exact(&mut bytes)?;
    let u32_at = |at: usize| {
        let four = [bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]];
        u32::from_le_bytes(four)
    };
    let head = u64::from(u32_at(1));
    let rest = u64::from(u32_at(5)) | u64::from(u32_at(9)) << 32;
    let (Some(rest_at), check) = (head.checked_add(FRAME as u64), u32_at(13)) else {
        return Ok(None);
    };
    let Some(length) = rest_at.checked_add(rest).filter(|length| *length <= left) else {
        return Ok(None);
    };
    let Ok(head_length) = usize::try_from(head) else {
        return Ok(None);
    };
    let mut of_head = vec![0; head_length];
    input.read_exact(&mut of_head)?;
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(&of_head);
    let mut buffer = [0; 1 << 14];
    let mut unread = rest;
    while unread > 0 {
        let wanted = usize::try_from(unread).map_or(buffer.len(), |n| n.min(buffer.len()));
        input.read_exact(&mut buffer[..wanted])?;
        hasher.update(&buffer[..wanted]);
        unread -= wanted as u64;
    }
    Ok((hasher.finalize() == check).then_some(Record {
        kind: bytes[0],
        head: of_head,
        rest_at,
        length,
    }))
}
