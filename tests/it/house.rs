//! The house keeps its own rules: layers, lengths of files, words that must not appear.

use std::fs;
use std::path::{Path, PathBuf};

use crate::cruise::repository;

/// Modules from the ground up; one may use those of its own row and of the rows above it, but for
/// the pairs in `FORBIDDEN`.
const LAYERS: &[&[&str]] = &[
    &["units", "diagnostic"],
    &["math", "design"],
    &["species"],
    &["records"],
    &["logs"],
    &["read", "heights", "stems", "expansion"],
    &["plot_sums", "schema"],
    &["estimates"],
    &["compile"],
    &["whole_error"],
    &["compare", "planning"],
    &["tables"],
    &["explain"],
    &["render", "write"],
    &["commands", "cli", "main"],
];

/// The core never sees the readers.
const FORBIDDEN: &[(&str, &str)] = &[
    ("heights", "read"),
    ("stems", "read"),
    ("expansion", "read"),
];

fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files.extend(rust_files(&path));
        } else if path.extension().is_some_and(|e| e == "rs") {
            files.push(path);
        }
    }
    files.sort();
    files
}

fn layer(module: &str) -> Option<usize> {
    LAYERS.iter().position(|row| row.contains(&module))
}

#[test]
fn modules_use_only_what_lies_below_them() {
    let source = repository().join("src");
    let mut wrong = Vec::new();
    for file in rust_files(&source) {
        let name = file.strip_prefix(&source).unwrap().with_extension("");
        let module = name.iter().next().unwrap().to_string_lossy().into_owned();
        if module == "lib" {
            continue;
        }
        let own = layer(&module).unwrap_or_else(|| panic!("{module} has no layer"));
        let text = fs::read_to_string(&file).unwrap();
        // Tests may look anywhere.
        let text = text.split("#[cfg(test)]").next().unwrap();
        for part in text.split("crate::").skip(1) {
            let used: String = part
                .chars()
                .take_while(|c| c.is_alphanumeric() || *c == '_')
                .collect();
            let Some(theirs) = layer(&used) else { continue };
            let forbidden = FORBIDDEN.contains(&(module.as_str(), used.as_str()));
            if theirs > own || forbidden {
                wrong.push(format!("{} uses {used}", file.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn files_stay_short() {
    for folder in ["src", "tests", "benches", "species-tables"] {
        for file in rust_files(&repository().join(folder)) {
            let lines = fs::read_to_string(&file).unwrap().lines().count();
            assert!(lines <= 600, "{} has {lines} lines", file.display());
        }
    }
}

#[test]
fn only_readers_writers_and_commands_touch_files() {
    let source = repository().join("src");
    for file in rust_files(&source) {
        let name = file
            .strip_prefix(&source)
            .unwrap()
            .to_string_lossy()
            .into_owned();
        // Parquet is written through a stream that the caller opens.
        let allowed = [
            "read/",
            "commands/",
            "write.rs",
            "render/parquet.rs",
            "main.rs",
        ];
        if allowed.iter().any(|prefix| name.starts_with(prefix)) {
            continue;
        }
        let text = fs::read_to_string(&file).unwrap();
        for word in ["std::fs", "std::env", "std::io"] {
            assert!(!text.contains(word), "{name} uses {word}");
        }
    }
}

#[test]
fn user_documents_speak_of_the_program_alone() {
    let mut files = vec![
        repository().join("README.md"),
        repository().join("species-tables/README.md"),
    ];
    for entry in fs::read_dir(repository().join("docs")).unwrap() {
        files.push(entry.unwrap().path());
    }
    for entry in fs::read_dir(repository().join("examples")).unwrap() {
        for file in fs::read_dir(entry.unwrap().path()).unwrap() {
            files.push(file.unwrap().path());
        }
    }
    for file in files {
        let text = String::from_utf8_lossy(&fs::read(&file).unwrap()).into_owned();
        for word in ["../shared", "/work/", "/home/", "TODO", "FIXME"] {
            assert!(!text.contains(word), "{} says {word}", file.display());
        }
    }
}
