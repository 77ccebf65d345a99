//! A temporary folder with a cruise in it, and the program run on it.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use tempfile::TempDir;

/// A cruise on disk.
pub(crate) struct Cruise {
    folder: TempDir,
}

/// What a run of the program left behind.
pub(crate) struct Run {
    /// Exit status.
    pub(crate) status: i32,
    /// Standard output.
    pub(crate) stdout: String,
    /// Standard error, the folder's path taken out.
    pub(crate) stderr: String,
}

impl Cruise {
    /// An empty folder.
    pub(crate) fn new() -> Self {
        Cruise {
            folder: TempDir::new().unwrap(),
        }
    }

    /// A copy of a folder of the repository, `examples/marrow-creek` for example.
    pub(crate) fn copy_of(folder: &str) -> Self {
        let cruise = Cruise::new();
        copy(&repository().join(folder), cruise.folder.path());
        cruise
    }

    /// Writes a file.
    pub(crate) fn file(self, name: &str, content: impl AsRef<[u8]>) -> Self {
        let path = self.path(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, content).unwrap();
        self
    }

    /// Changes a file that is there; the text to replace must stand in it.
    pub(crate) fn edit(self, name: &str, from: &str, to: &str) -> Self {
        let text = self.read(name);
        assert!(text.contains(from), "`{from}` is not in {name}");
        self.file(name, text.replacen(from, to, 1))
    }

    /// Reads a file back.
    pub(crate) fn read(&self, name: &str) -> String {
        fs::read_to_string(self.path(name)).unwrap()
    }

    /// Path of a file in the folder.
    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Runs the program in the folder.
    pub(crate) fn run(&self, arguments: &[&str]) -> Run {
        run_in(self.folder.path(), arguments, None)
    }

    /// Runs the program in the folder with a text on standard input.
    pub(crate) fn run_with_input(&self, arguments: &[&str], input: &str) -> Run {
        run_in(self.folder.path(), arguments, Some(input))
    }
}

/// Runs the program in the repository.
pub(crate) fn run(arguments: &[&str]) -> Run {
    run_in(&repository(), arguments, None)
}

/// Folder of the repository.
pub(crate) fn repository() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// A file of the shared data sets; `None`, with a line that says so, where they are absent.
pub(crate) fn shared(path: &str) -> Option<PathBuf> {
    let full = repository().join("../shared").join(path);
    if full.exists() {
        return Some(full);
    }
    println!("skipped: {path} is not on this machine");
    None
}

/// Runs the program in a folder, with a text on standard input if there is one.
pub(crate) fn run_in(folder: &Path, arguments: &[&str], input: Option<&str>) -> Run {
    let mut child = Command::new(env!("CARGO_BIN_EXE_spinney"))
        .args(arguments)
        .current_dir(folder)
        .env("NO_COLOR", "1")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    if let Some(text) = input {
        std::io::Write::write_all(&mut stdin, text.as_bytes()).unwrap();
    }
    drop(stdin);
    let output = child.wait_with_output().unwrap();
    Run {
        status: output.status.code().unwrap_or(-1),
        stdout: String::from_utf8(output.stdout).unwrap(),
        stderr: String::from_utf8(output.stderr).unwrap(),
    }
}

/// Copies a folder into another.
pub(crate) fn copy(from: &Path, to: &Path) {
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            fs::create_dir_all(&target).unwrap();
            copy(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).unwrap();
        }
    }
}
