//! Whole-file output: written beside its place and renamed, so that no reader ever sees half of
//! it; and standard output.

use std::fs;
use std::io::{self, Write as _};
use std::path::Path;

use anyhow::{Context as _, Result};

/// Writes a file whole, replacing what was there.
pub fn file(path: &Path, content: impl AsRef<[u8]>) -> Result<()> {
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let shown = path.display();
    let mut beside = tempfile::NamedTempFile::new_in(folder)
        .with_context(|| format!("{shown}: cannot write in this folder"))?;
    beside
        .write_all(content.as_ref())
        .and_then(|()| beside.flush())
        .with_context(|| format!("{shown}: cannot be written"))?;
    set_usual_permissions(beside.path())
        .and_then(|()| {
            beside
                .persist(path)
                .map_err(|error| error.error)
                .map(|_| ())
        })
        .with_context(|| format!("{shown}: cannot be put in place"))
}

/// A temporary file is private; the result should be as any other new file.
#[cfg(unix)]
fn set_usual_permissions(path: &Path) -> io::Result<()> {
    use std::os::unix::fs::PermissionsExt as _;
    fs::set_permissions(path, fs::Permissions::from_mode(0o644))
}

#[cfg(not(unix))]
fn set_usual_permissions(_path: &Path) -> io::Result<()> {
    Ok(())
}

/// Writes to standard output. A reader that has gone away (a closed pipe) is no failure.
pub fn standard_output(content: impl AsRef<[u8]>) -> Result<()> {
    stream(io::stdout().lock(), content.as_ref()).context("standard output cannot be written")
}

/// Writes to standard error; a closed pipe is no failure.
pub fn standard_error(content: impl AsRef<[u8]>) -> Result<()> {
    stream(io::stderr().lock(), content.as_ref()).context("standard error cannot be written")
}

fn stream(mut out: impl io::Write, content: &[u8]) -> io::Result<()> {
    match out.write_all(content).and_then(|()| out.flush()) {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}
