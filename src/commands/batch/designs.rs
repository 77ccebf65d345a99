//! Which designs a batch run is about: paths, patterns, and lists of these.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::{self, Read as _};
use std::path::{Path, PathBuf};

use crate::cli::BatchArgs;
use crate::diagnostic::{Diagnostic, Problems, Site};

/// The designs in the order in which they were named, each once.
pub(super) fn named(arguments: &BatchArgs) -> Result<Vec<PathBuf>, Problems> {
    let mut problems = Problems::new();
    let mut found = Vec::new();
    for pattern in &arguments.designs {
        add(pattern, None, &mut found, &mut problems);
    }
    for list in &arguments.list {
        match read_list(list) {
            Ok(text) => {
                for (at, line) in text.lines().enumerate() {
                    let line = line.trim_end_matches('\r').trim();
                    if line.is_empty() || line.starts_with('#') {
                        continue;
                    }
                    let site = Site {
                        file: shown(list).into(),
                        line: at + 1,
                        column: 1,
                        heads: None,
                    };
                    add(line, Some(&site), &mut found, &mut problems);
                }
            }
            Err(error) => {
                let message = format!("--list {}: {error}", shown(list));
                problems.push(
                    Diagnostic::error("unreadable-file", message)
                        .hint("name a text file that can be read, with one design on each line"),
                );
            }
        }
    }
    if problems.has_errors() {
        return Err(problems);
    }
    let mut seen = BTreeSet::new();
    found.retain(|path| seen.insert(path.clone()));
    if found.is_empty() {
        problems.push(
            Diagnostic::error("no-designs", "no design is named")
                .hint("name designs or patterns, or a file with one on each line: --list FILE"),
        );
        return Err(problems);
    }
    Ok(found)
}

fn shown(list: &Path) -> String {
    if list.as_os_str() == "-" {
        "standard input".to_owned()
    } else {
        list.display().to_string()
    }
}

fn read_list(list: &Path) -> io::Result<String> {
    const MOST_BYTES: u64 = 100_000_000;
    let mut bytes = Vec::new();
    if list.as_os_str() == "-" {
        (io::stdin().lock().take(MOST_BYTES + 1)).read_to_end(&mut bytes)?;
    } else {
        (File::open(list)?.take(MOST_BYTES + 1)).read_to_end(&mut bytes)?;
    }
    if bytes.len() as u64 > MOST_BYTES {
        return Err(io::Error::other("it has more than 100 million bytes"));
    }
    let text = String::from_utf8(bytes).map_err(|_| io::Error::other("the text is not UTF-8"))?;
    Ok(text
        .strip_prefix('\u{feff}')
        .map_or(text.clone(), str::to_owned))
}

/// A path as it stands, or all that match a pattern, in the order of their names.
fn add(text: &str, site: Option<&Site>, found: &mut Vec<PathBuf>, problems: &mut Problems) {
    let mut wrong = |message: String, hint: &str| {
        let diagnostic = Diagnostic::error("no-such-design", message).hint(hint);
        problems.push(match site {
            Some(site) => diagnostic.at(site.clone()),
            None => diagnostic,
        });
    };
    let is_pattern = text.contains(['*', '?', '[']) && !Path::new(text).exists();
    if !is_pattern {
        found.push(PathBuf::from(text));
        return;
    }
    match glob::glob(text) {
        Ok(paths) => {
            let before = found.len();
            for path in paths {
                match path {
                    Ok(path) => found.push(path),
                    Err(error) => wrong(
                        format!("`{text}`: {error}"),
                        "look at the permissions of that folder",
                    ),
                }
            }
            if found.len() == before {
                wrong(
                    format!("no file matches `{text}`"),
                    "`*` stands for any text within a name, `**` for any folders",
                );
            }
        }
        Err(error) => wrong(
            format!("`{text}` is no pattern: {error}"),
            "`*` stands for any text within a name, `?` for one letter",
        ),
    }
}
