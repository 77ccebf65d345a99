//! Is a file a workbook, and small enough to be unpacked?

use std::fs::File;
use std::io::{self, Read, Seek as _};

use zip::ZipArchive;

use super::broken;
use crate::diagnostic::{Diagnostic, seen};

/// Bytes of a part that is held in memory as a whole: all but sheets.
const LARGEST_PART: u64 = 200_000_000;
/// Bytes of all parts together.
const LARGEST_FILE: u64 = 2_000_000_000;
/// How a ZIP archive begins, which a workbook is.
pub(in crate::read) const ZIP: &[u8] = b"PK\x03\x04";
/// How a container of older kinds begins: `.xls`, and workbooks with a password.
const CONTAINER: &[u8] = &[0xd0, 0xcf, 0x11, 0xe0, 0xa1, 0xb1, 0x1a, 0xe1];
const SAVE_AGAIN: &str = "save it as .xlsx (Excel workbook) or as CSV";

pub(super) fn unreadable(error: &io::Error) -> Diagnostic {
    let message = format!("the file cannot be read: {error}");
    let hint = "see that it is there and may be read";
    Diagnostic::error("unreadable-file", message).hint(hint)
}

fn no_workbook(message: impl Into<String>) -> Diagnostic {
    Diagnostic::error("not-a-workbook", message).hint(SAVE_AGAIN)
}

/// Refuses what is no workbook, and one that would fill the memory.
pub(super) fn check(file: &mut File) -> Result<(), Diagnostic> {
    let mut start = Vec::new();
    (file.rewind())
        .and_then(|()| Read::by_ref(file).take(12).read_to_end(&mut start))
        .map_err(|error| unreadable(&error))?;
    if start.is_empty() {
        return Err(Diagnostic::error("empty-file", "the file is empty").hint(SAVE_AGAIN));
    }
    if start.starts_with(CONTAINER) {
        return Err(container(file));
    }
    if !start.starts_with(ZIP) {
        let start = seen(&String::from_utf8_lossy(&start));
        return Err(
            no_workbook(format!("this is no workbook (it begins with {start})"))
                .hint(format!("{SAVE_AGAIN}; a file of text is called `.csv`")),
        );
    }
    file.rewind().map_err(|error| unreadable(&error))?;
    let mut archive = ZipArchive::new(file).map_err(|error| broken(&error))?;
    let names: Result<Vec<String>, _> = archive
        .file_names()
        .map(|name| name.map(|name| name.to_lowercase()))
        .collect();
    let names = names.map_err(|error| broken(&error))?;
    let has = |name: &str| names.iter().any(|known| known == name);
    if has("xl/workbook.bin") {
        return Err(no_workbook(
            "this is a binary workbook (.xlsb), which is not read",
        ));
    }
    if has("mimetype") && has("content.xml") {
        return Err(no_workbook(
            "this is an OpenDocument file (.ods), which is not read",
        ));
    }
    if has("index.zip") || names.iter().any(|name| name.starts_with("index/")) {
        return Err(no_workbook("this is a Numbers document, which is not read"));
    }
    if !has("[content_types].xml") {
        return Err(no_workbook(
            "this is a ZIP archive without a workbook in it",
        ));
    }
    unpacked(&mut archive)
}

/// What an old container is.
fn container(file: &mut File) -> Diagnostic {
    // Names of its parts are UTF-16.
    let name: Vec<u8> = "EncryptedPackage"
        .encode_utf16()
        .flat_map(u16::to_le_bytes)
        .collect();
    let mut bytes = Vec::new();
    let read = (file.rewind()).and_then(|()| {
        Read::by_ref(file)
            .take(LARGEST_PART)
            .read_to_end(&mut bytes)
    });
    match read {
        Err(error) => unreadable(&error),
        Ok(_) if memchr::memmem::find(&bytes, &name).is_some() => {
            no_workbook("the workbook is protected by a password")
                .hint("save it without a password, or as CSV")
        }
        Ok(_) => no_workbook("this is an old workbook (.xls), which is not read"),
    }
}

/// Unpacks all parts once and counts, since an archive may say of itself what it likes.
fn unpacked(archive: &mut ZipArchive<&mut File>) -> Result<(), Diagnostic> {
    let too_large = |what: String| {
        Diagnostic::error("workbook-too-large", what).hint("save the sheet as CSV, or as Parquet")
    };
    let mut left = LARGEST_FILE;
    for at in 0..archive.len() {
        let part = archive.by_index(at).map_err(|error| broken(&error))?;
        let name = part.name().map_err(|error| broken(&error))?.to_lowercase();
        let are_words = name.ends_with("sharedstrings.xml");
        let is_sheet = name.contains("worksheets/") && !are_words;
        let most = if is_sheet {
            left
        } else {
            left.min(LARGEST_PART)
        };
        let mut part = part.take(most + 1);
        let length = if are_words {
            let mut bytes = Vec::new();
            part.read_to_end(&mut bytes)
                .map_err(|error| broken(&error))?;
            check_count(&bytes)?;
            bytes.len() as u64
        } else {
            io::copy(&mut part, &mut io::sink()).map_err(|error| broken(&error))?
        };
        if length > most {
            let (largest, what) = if most == left {
                (LARGEST_FILE, "the workbook")
            } else {
                (LARGEST_PART, "a part of the workbook other than a sheet")
            };
            let largest = largest / 1_000_000;
            return Err(too_large(format!(
                "{what} has more than {largest} million bytes when unpacked"
            )));
        }
        left -= length;
    }
    Ok(())
}

/// The words of a workbook say first how many they are, and room is made for so many.
fn check_count(words: &[u8]) -> Result<(), Diagnostic> {
    const NAME: &[u8] = b"uniqueCount";
    for at in memchr::memmem::find_iter(words, NAME) {
        let rest = words[at + NAME.len()..].iter();
        let is_before = |byte: &&u8| {
            matches!(
                byte,
                b' ' | b'\t' | b'\r' | b'\n' | b'=' | b'"' | b'\'' | b'+'
            )
        };
        let digits = rest
            .skip_while(is_before)
            .take_while(|byte| byte.is_ascii_digit());
        let count = digits.fold(0_u64, |count, digit| {
            count
                .saturating_mul(10)
                .saturating_add(u64::from(digit - b'0'))
        });
        if count > words.len() as u64 {
            return Err(broken(&format!(
                "it has not the {count} words that it speaks of"
            )));
        }
    }
    Ok(())
}
