//! Whole-file output: written beside its place and renamed, so that no reader ever sees half of
//! it; and standard output.

use std::fs::{self, File};
use std::io::{self, BufWriter, IsTerminal as _, Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result};

use crate::diagnostic::visible;

/// Writes a file whole, replacing what was there, a link too. A device or a pipe is written to and
/// stays what it is.
pub fn file(path: &Path, content: impl AsRef<[u8]>) -> Result<()> {
    let shown = path.display();
    let is_special = |of: fs::Metadata| !of.is_file() && !of.is_dir();
    if fs::metadata(path).is_ok_and(is_special) {
        let device = fs::OpenOptions::new().write(true).open(path);
        return device
            .and_then(|device| stream(device, content.as_ref()))
            .with_context(|| format!("{shown}: cannot be written"));
    }
    beside(path, content.as_ref())?
        .persist(path)
        .map_err(|error| error.error)
        .map(|_| ())
        .with_context(|| format!("{shown}: cannot be put in place"))
}

/// Do both paths lead to one file (or would, if it were there)? Devices and pipes are no files.
pub fn is_one_file(one: &Path, other: &Path) -> bool {
    let real = |path: &Path| match fs::metadata(path) {
        Ok(of) if of.is_file() => fs::canonicalize(path).ok(),
        Ok(_) => None,
        Err(_) => {
            let parent = path
                .parent()
                .filter(|parent| !parent.as_os_str().is_empty());
            let parent = fs::canonicalize(parent.unwrap_or(Path::new(".")));
            Some(parent.ok()?.join(path.file_name()?))
        }
    };
    real(one).is_some_and(|one| real(other) == Some(one))
}

/// Writes a file whole that must not be there yet.
pub fn new_file(path: &Path, content: impl AsRef<[u8]>) -> Result<()> {
    let shown = path.display();
    beside(path, content.as_ref())?
        .persist_noclobber(path)
        .map_err(|error| error.error)
        .map(|_| ())
        .with_context(|| format!("{shown}: cannot be put in place"))
}

/// Refuses a link: what is written would change something elsewhere.
pub fn no_link(path: &Path) -> Result<()> {
    let is_link = fs::symlink_metadata(path).is_ok_and(|of| of.is_symlink());
    anyhow::ensure!(
        !is_link,
        "{}: this is a link to another place; remove it, or give another --out",
        path.display()
    );
    Ok(())
}

/// The content in a file beside its place.
fn beside(path: &Path, content: &[u8]) -> Result<tempfile::NamedTempFile> {
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let shown = path.display();
    if path.is_dir() {
        let error = io::Error::from(io::ErrorKind::IsADirectory);
        return Err(error).with_context(|| format!("{shown}: cannot be written"));
    }
    // The error itself names the temporary file, which is nobody's business.
    let mut beside = tempfile::NamedTempFile::new_in(folder)
        .map_err(|error| io::Error::from(error.kind()))
        .with_context(|| format!("{shown}: cannot write in this folder"))?;
    beside
        .write_all(content)
        .and_then(|()| beside.flush())
        .and_then(|()| set_usual_permissions(beside.path()))
        .map_err(|error| io::Error::from(error.kind()))
        .with_context(|| format!("{shown}: cannot be written"))?;
    Ok(beside)
}

/// A file that is written beside its place, under its name and `.part`, and renamed when it is
/// whole. What a killed run left there is written over.
pub struct Beside {
    path: PathBuf,
    part: PathBuf,
    /// Where to write.
    pub out: BufWriter<File>,
}

impl Beside {
    /// Begins a file.
    pub fn create(path: &Path) -> Result<Beside> {
        let mut name = path.file_name().unwrap_or_default().to_owned();
        name.push(".part");
        let part = path.with_file_name(name);
        // A new file, so that nothing is written through a link that lies there.
        let file = match fs::remove_file(&part) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
            _ => File::create_new(&part),
        };
        let file = file.with_context(|| format!("{}: cannot be written", part.display()))?;
        Ok(Beside {
            path: path.to_owned(),
            part,
            out: BufWriter::with_capacity(1 << 16, file),
        })
    }

    /// Writes text.
    pub fn text(&mut self, text: &str) -> Result<()> {
        self.bytes(text.as_bytes())
    }

    /// Writes bytes.
    pub fn bytes(&mut self, bytes: &[u8]) -> Result<()> {
        let written = self.out.write_all(bytes);
        written.with_context(|| format!("{}: cannot be written", self.part.display()))
    }

    /// Copies bytes of another file.
    pub fn copy(&mut self, from: &mut File, at: u64, length: u64) -> Result<()> {
        let copied = from
            .seek(SeekFrom::Start(at))
            .and_then(|_| self.out.flush())
            .and_then(|()| io::copy(&mut from.take(length), self.out.get_mut()));
        let copied =
            copied.with_context(|| format!("{}: cannot be written", self.part.display()))?;
        anyhow::ensure!(
            copied == length,
            "{}: what it is made from has become shorter",
            self.path.display()
        );
        Ok(())
    }

    /// Puts what `turn` makes of it in place, under another ending.
    pub fn finish_as(
        mut self,
        ending: &str,
        turn: impl FnOnce(File, &mut BufWriter<File>) -> Result<()>,
    ) -> Result<()> {
        let mut turned = Beside::create(&self.path.with_extension(ending))?;
        let shown = self.part.display();
        let text = (self.out.flush())
            .and_then(|()| File::open(&self.part))
            .with_context(|| format!("{shown}: cannot be read"))?;
        turn(text, &mut turned.out)?;
        turned.finish()?;
        fs::remove_file(&self.part).with_context(|| format!("{shown}: cannot be removed"))
    }

    /// Puts it in place.
    pub fn finish(mut self) -> Result<()> {
        let shown = self.path.display();
        self.out
            .flush()
            .and_then(|()| fs::rename(&self.part, &self.path))
            .with_context(|| format!("{shown}: cannot be put in place"))
    }
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

/// Does somebody look at standard output?
pub fn standard_output_is_terminal() -> bool {
    io::stdout().is_terminal()
}

/// A failure in words, with what to do about it.
pub fn failure(error: &anyhow::Error) -> String {
    let text = visible(&format!("error: {error:#}")).into_owned();
    let mut causes = error.chain();
    let kind = causes.find_map(|cause| cause.downcast_ref::<io::Error>().map(io::Error::kind));
    let advice = match kind {
        Some(io::ErrorKind::NotFound) => "make the folder first, or name another place",
        Some(io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem) => {
            "name a place that you may write in"
        }
        Some(io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded) => {
            "make room there, or name another place"
        }
        Some(io::ErrorKind::IsADirectory) => "name a file, not a folder",
        Some(io::ErrorKind::NotADirectory | io::ErrorKind::AlreadyExists) => {
            "name a folder, not a file"
        }
        // It says so itself.
        None if text.contains("; ") => return text + "\n",
        _ => "look at what is named here, then run it again",
    };
    format!("{text}; {advice}\n")
}

/// Columns of a report: those that were asked for, or else those of the terminal that it goes to,
/// from 80 to 120; 80 in files and pipes.
pub fn report_width(asked: Option<u16>, to_file: bool) -> usize {
    let of_terminal = || {
        let (width, _) = terminal_size::terminal_size_of(io::stdout())?;
        (!to_file).then_some(width.0.clamp(80, 120))
    };
    usize::from(asked.or_else(of_terminal).unwrap_or(80))
}

/// Does somebody look at standard error who wants colours?
pub fn standard_error_is_coloured() -> bool {
    let is_unset = |name| std::env::var_os(name).is_none_or(|value| value.is_empty());
    let is_dumb = std::env::var_os("TERM").is_some_and(|term| term == "dumb");
    io::stderr().is_terminal() && is_unset("NO_COLOR") && !is_dumb
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
