//! Build script: lists every CSV and YAML file of `species-tables/`, sorted by path, as
//! `(path, include_str!(path))` pairs, so that the program carries its published knowledge.

#![allow(
    clippy::print_stdout,
    reason = "a build script talks to cargo on standard output"
)]

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::{env, fs, io};

fn collect(folder: &Path, files: &mut Vec<PathBuf>) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            collect(&path, files)?;
        } else if path.extension().is_some_and(|e| e == "csv" || e == "yaml") {
            files.push(path);
        }
    }
    Ok(())
}

fn main() -> io::Result<()> {
    let root = Path::new(&env::var("CARGO_MANIFEST_DIR").map_err(io::Error::other)?)
        .join("species-tables");
    println!("cargo::rerun-if-changed=species-tables");
    let mut files = Vec::new();
    collect(&root, &mut files)?;
    files.sort();
    let mut list = String::from("&[\n");
    for file in &files {
        let name = file.strip_prefix(&root).map_err(io::Error::other)?;
        let name = name.to_string_lossy().replace('\\', "/");
        writeln!(
            list,
            "    ({name:?}, include_str!({:?})),",
            file.to_string_lossy()
        )
        .map_err(io::Error::other)?;
    }
    list += "]\n";
    let out = env::var("OUT_DIR").map_err(io::Error::other)?;
    fs::write(Path::new(&out).join("embedded_tables.rs"), list)
}
