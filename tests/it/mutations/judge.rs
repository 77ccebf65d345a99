//! Runs the program on a mutation and says what came of it.

use std::fs;
use std::io;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use tempfile::TempDir;

use super::figures;
use super::findings::Finding;
use super::reference::reference;
use super::subject::{Content, DESIGN, Due, Mutation, Output, Subject};

/// What may come of a mutation.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Outcome {
    /// Figures of the unmutated cruise, to the byte, and the reference agrees.
    Same,
    /// Other figures, those of the reference, and a finding at the place.
    RightTold,
    /// Other figures, those of the reference, without a word: a slip that nobody can see.
    Right,
    /// Figures that the reference cannot follow, and a finding at the place.
    Warned,
    /// Exit status 1, an error at the place, nothing written.
    Refused,
    /// The result could not be written, and the program said so, or nobody was there to read it.
    Unwritten,
}

impl Outcome {
    pub(super) const ALL: [Outcome; 6] = [
        Outcome::Same,
        Outcome::RightTold,
        Outcome::Right,
        Outcome::Warned,
        Outcome::Refused,
        Outcome::Unwritten,
    ];
}

/// The longest run allowed.
const LONGEST: Duration = Duration::from_secs(10);
/// The most findings beyond those of the unmutated cruise.
const MOST_FINDINGS: usize = 200;
/// The most bytes on standard error.
const MOST_WORDS: usize = 100_000;
const TREE_LIST: &str = "tree-list.out";

/// What a run left behind.
pub(super) struct Run {
    status: Option<i32>,
    pub(super) stdout: String,
    stderr: String,
    pub(super) findings: Vec<Finding>,
}

/// The cruise as it stands: the reference must follow it.
pub(super) fn unmutated(subject: &Subject) -> Run {
    let folder = TempDir::new().unwrap();
    for (name, text) in &subject.files {
        fs::write(folder.path().join(name), text).unwrap();
    }
    let run = compile(subject, folder.path(), Output::Read, false);
    assert_eq!(run.status, Some(0), "{}: {}", subject.name, run.stderr);
    let file = |name: &str| subject.text(name).map(|text| text.as_bytes().to_vec());
    let expected = reference(&file).unwrap();
    let trees = fs::read_to_string(folder.path().join(TREE_LIST)).unwrap();
    let differ = figures::differences(&expected, &run.stdout, &trees);
    assert!(differ.is_empty(), "{}: {differ:#?}", subject.name);
    run
}

/// Runs a mutation; the fault in words if it came to no known end.
pub(super) fn judge(
    subject: &Subject,
    mutation: &Mutation,
    number: u64,
    shown: bool,
) -> Result<Outcome, String> {
    let folder = TempDir::new().unwrap();
    let mut pipe = lay_out(subject, mutation, folder.path());
    let before = listing(folder.path());
    let as_nobody = matches!(mutation.content, Content::Locked(_));
    let run = compile(subject, folder.path(), mutation.output, as_nobody);
    if let Some(pipe) = &mut pipe {
        // Nobody may have opened it.
        let _ = pipe.kill();
        let _ = pipe.wait();
    }
    if shown {
        println!("{}\n{}", folder.path().display(), run.stderr);
        println!("kept: {}", folder.path().display());
    }
    let judged = sound(&run).and_then(|()| match mutation.due {
        Due::Unwritten => unwritten(subject, mutation, &run, &before, folder.path()),
        _ => weighed(subject, mutation, &run, &before, folder.path()),
    });
    let judged = judged.and_then(|outcome| {
        let is_plain = pipe.is_none() && !as_nobody && mutation.due != Due::Unwritten;
        if is_plain && number.is_multiple_of(4) {
            others(subject, &run, number / 4, folder.path())?;
        }
        Ok(outcome)
    });
    if shown {
        let _ = folder.keep();
    }
    judged.map_err(|fault| {
        let words: String = run.stderr.chars().take(1500).collect();
        format!("{fault}\n  status {:?}; it said:\n{words}", run.status)
    })
}

/// What no input may bring about.
fn sound(run: &Run) -> Result<(), String> {
    if run.stderr.contains("panicked") || run.status == Some(101) {
        return Err("a panic".to_owned());
    }
    match run.status {
        None => return Err("ended by a signal, or not ended in time".to_owned()),
        Some(0 | 1) => {}
        Some(other) => return Err(format!("exit status {other}")),
    }
    if run.stderr.len() > MOST_WORDS {
        return Err(format!("{} bytes on standard error", run.stderr.len()));
    }
    if run.stderr.contains(|c: char| c.is_control() && c != '\n') {
        return Err("a control character on standard error".to_owned());
    }
    Ok(())
}

fn weighed(
    subject: &Subject,
    mutation: &Mutation,
    run: &Run,
    before: &[String],
    folder: &Path,
) -> Result<Outcome, String> {
    let is_new = |finding: &&Finding| !subject.findings.iter().any(|old| old.is_as(finding));
    let new: Vec<&Finding> = run.findings.iter().filter(is_new).collect();
    if new.len() > MOST_FINDINGS {
        return Err(format!("{} findings", new.len()));
    }
    let is_told = new.iter().any(|finding| finding.tells_of(mutation));
    if run.status == Some(1) {
        return refused(mutation, run, &new, before, folder);
    }
    if run.findings.iter().any(Finding::is_error) {
        return Err("an error, and exit status 0".to_owned());
    }
    let is_same = run.stdout == subject.estimates;
    if mutation.due == Due::Same {
        return if is_same {
            Ok(Outcome::Same)
        } else {
            Err("other figures".to_owned())
        };
    }
    let trees = fs::read_to_string(folder.join(TREE_LIST)).unwrap_or_default();
    let differ = match reference(&|name| content(subject, mutation, name)) {
        Ok(expected) => figures::differences(&expected, &run.stdout, &trees),
        Err(reason) => vec![format!("the reference cannot read it: {reason}")],
    };
    let due = mutation.due;
    match (is_same, differ.is_empty(), is_told) {
        (true, true, _) => Ok(Outcome::Same),
        (false, true, true) => Ok(Outcome::RightTold),
        (false, true, false) if due == Due::Right => Ok(Outcome::Right),
        (_, false, true) => Ok(Outcome::Warned),
        (_, _, false) => Err(format!(
            "silent; {} {differ:#?}",
            if is_same {
                "same figures"
            } else {
                "other figures"
            }
        )),
    }
}

fn refused(
    mutation: &Mutation,
    run: &Run,
    new: &[&Finding],
    before: &[String],
    folder: &Path,
) -> Result<Outcome, String> {
    if mutation.due == Due::Same {
        return Err("refused".to_owned());
    }
    if !run.stdout.is_empty() || listing(folder) != before {
        return Err("refused, and something was written".to_owned());
    }
    let errors: Vec<&Finding> = run
        .findings
        .iter()
        .filter(|finding| finding.is_error())
        .collect();
    if errors.is_empty() {
        return Err("refused without an error".to_owned());
    }
    for error in &errors {
        if let Some(wrong) = misplaced(error, mutation, folder) {
            return Err(format!("{wrong}: {error:?}"));
        }
    }
    if new.iter().any(|finding| finding.tells_of(mutation)) {
        Ok(Outcome::Refused)
    } else {
        Err("refused, but not at the place".to_owned())
    }
}

/// Is the place of a finding in a file that is there, in a line that it has?
fn misplaced(finding: &Finding, mutation: &Mutation, folder: &Path) -> Option<String> {
    if finding.line == 0 {
        let names_file = [".csv", ".yaml"]
            .iter()
            .any(|end| finding.file.ends_with(end));
        let in_words = [".csv", ".yaml"]
            .iter()
            .any(|end| finding.message.contains(end));
        let is_named = names_file || in_words || mutation.words.contains(&finding.file);
        return (!is_named).then(|| "an error without a place".to_owned());
    }
    let path = folder.join(&finding.file);
    let bytes = fs::metadata(&path)
        .ok()
        .filter(fs::Metadata::is_file)
        .and(fs::read(&path).ok())?;
    let text = if bytes.starts_with(b"\xff\xfe") || bytes.starts_with(b"\xfe\xff") {
        return None;
    } else {
        String::from_utf8_lossy(&bytes)
            .replace("\r\n", "\n")
            .replace('\r', "\n")
    };
    let Some(line) = text.split('\n').nth(finding.line - 1) else {
        return Some("a line that the file has not".to_owned());
    };
    (finding.column > line.chars().count() + 1).then(|| "a column that the line has not".to_owned())
}

fn unwritten(
    subject: &Subject,
    mutation: &Mutation,
    run: &Run,
    before: &[String],
    folder: &Path,
) -> Result<Outcome, String> {
    if mutation.output == Output::Closed {
        let is_quiet = run.status == Some(0) && !run.findings.iter().any(Finding::is_error);
        return if is_quiet {
            Ok(Outcome::Unwritten)
        } else {
            Err("not quiet".to_owned())
        };
    }
    let said = run.stderr.lines().find(|line| line.starts_with("error: "));
    let Some(said) = said.filter(|_| run.status == Some(1)) else {
        return Err("not said, or exit status 0".to_owned());
    };
    let named = match mutation.output {
        Output::File(path) | Output::TreeList(path) => path.trim_start_matches("./"),
        _ => "standard output",
    };
    if !said.contains(named) {
        return Err(format!("`{named}` is not named"));
    }
    let mut after = listing(folder);
    after.retain(|name| name != TREE_LIST);
    let is_kept = |(name, text): &(String, String)| {
        fs::read_to_string(folder.join(name)).is_ok_and(|now| now == *text)
    };
    if after != before || !subject.files.iter().all(is_kept) {
        return Err(format!("something was written: {after:?}"));
    }
    Ok(Outcome::Unwritten)
}

/// Another command on the same files: it ends as `compile` did.
fn others(subject: &Subject, run: &Run, number: u64, folder: &Path) -> Result<(), String> {
    let commands: [&[&str]; 8] = [
        &["check", DESIGN],
        &["check", DESIGN, "--format", "json"],
        &["compile", DESIGN, "--format", "json"],
        &["compile", DESIGN, "--format", "csv", "--out", "again.out"],
        &["compile", DESIGN],
        &["compile", DESIGN, "--format", "html"],
        &["heights", DESIGN],
        &["batch", DESIGN, "--out", "batch"],
    ];
    let index = usize::try_from(number).unwrap() % commands.len();
    let mut command = program(folder);
    command.args(commands[index]).args(&subject.arguments);
    let other = finished(command, folder, Output::Read);
    let named = commands[index].join(" ");
    sound(&other).map_err(|fault| format!("{named}: {fault}: {}", other.stderr))?;
    // Without heights there is nothing to show.
    if other.status != run.status && commands[index][0] != "heights" {
        return Err(format!(
            "{named}: exit status {:?}: {}",
            other.status, other.stderr
        ));
    }
    let is_known = |finding: &Finding| run.findings.iter().any(|known| known.is_as(finding));
    let unknown = other
        .findings
        .iter()
        .find(|finding| finding.is_error() && !is_known(finding));
    match unknown {
        Some(finding) if index < 6 => return Err(format!("{named}: another error: {finding:?}")),
        _ => {}
    }
    if index == 3 && run.status == Some(0) {
        let again =
            fs::read_to_string(folder.join("again.out")).map_err(|error| error.to_string())?;
        if again != run.stdout {
            return Err("another table in a file".to_owned());
        }
    }
    Ok(())
}

/// The files in a folder; a pipe that takes a process to fill it.
fn lay_out(subject: &Subject, mutation: &Mutation, folder: &Path) -> Option<Child> {
    let mut pipe = None;
    for (name, text) in &subject.files {
        let path = folder.join(name);
        if *name != mutation.file {
            fs::write(path, text).unwrap();
            continue;
        }
        let link = |to: &str| std::os::unix::fs::symlink(to, &path).unwrap();
        match &mutation.content {
            Content::Bytes(bytes) => fs::write(path, bytes).unwrap(),
            Content::Link(bytes) => {
                fs::write(folder.join("elsewhere"), bytes).unwrap();
                link("elsewhere");
            }
            Content::Pipe(bytes) => {
                fs::write(folder.join("elsewhere"), bytes).unwrap();
                let made = Command::new("mkfifo").arg(&path).status();
                assert!(made.unwrap().success());
                let mut fill = Command::new("sh");
                fill.args(["-c", "cat elsewhere > \"$0\"", name])
                    .current_dir(folder);
                pipe = Some(fill.spawn().unwrap());
            }
            Content::LinkTo(to) => link(to),
            Content::Locked(bytes) => {
                fs::write(&path, bytes).unwrap();
                allow(&path, 0o000);
                allow(folder, 0o777);
            }
            Content::Folder => fs::create_dir(path).unwrap(),
            Content::Nothing => {}
        }
    }
    match mutation.output {
        Output::File("full") | Output::TreeList("full") => {
            std::os::unix::fs::symlink("/dev/full", folder.join("full")).unwrap();
        }
        Output::File("link.csv") => {
            std::os::unix::fs::symlink("trees.csv", folder.join("link.csv")).unwrap();
        }
        _ => {}
    }
    pipe
}

fn allow(path: &Path, mode: u32) {
    use std::os::unix::fs::PermissionsExt as _;
    fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
}

/// The bytes that a file of the mutated cruise has.
fn content(subject: &Subject, mutation: &Mutation, name: &str) -> Option<Vec<u8>> {
    if name != mutation.file {
        return subject.text(name).map(|text| text.as_bytes().to_vec());
    }
    match &mutation.content {
        Content::Bytes(bytes) | Content::Link(bytes) | Content::Pipe(bytes) => Some(bytes.clone()),
        _ => None,
    }
}

fn listing(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap();
    let name = |entry: io::Result<fs::DirEntry>| entry.unwrap().file_name().into_string().unwrap();
    let mut names: Vec<String> = entries
        .map(name)
        .filter(|name| !name.starts_with(".run."))
        .collect();
    names.sort();
    names
}

fn program(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_spinney"));
    command
        .current_dir(folder)
        .env("NO_COLOR", "1")
        .env("RAYON_NUM_THREADS", "1");
    command
}

fn compile(subject: &Subject, folder: &Path, output: Output, as_nobody: bool) -> Run {
    let mut command = if as_nobody && is_root() {
        let mut command = Command::new("setpriv");
        command.args([
            "--reuid=65534",
            "--clear-groups",
            env!("CARGO_BIN_EXE_spinney"),
        ]);
        command.current_dir(folder).env("NO_COLOR", "1");
        command
    } else {
        program(folder)
    };
    command
        .args(["compile", DESIGN, "--format", "csv"])
        .args(&subject.arguments);
    match output {
        Output::File(path) => command.args(["--out", path]),
        Output::TreeList(path) => command.args(["--tree-list", path]),
        _ => command.args(["--tree-list", TREE_LIST]),
    };
    finished(command, folder, output)
}

fn is_root() -> bool {
    use std::os::unix::fs::MetadataExt as _;
    fs::metadata("/proc/self").is_ok_and(|own| own.uid() == 0)
}

/// Runs a command to its end, or to the end of patience.
fn finished(mut command: Command, folder: &Path, output: Output) -> Run {
    let (out, err) = (folder.join(".run.out"), folder.join(".run.err"));
    match output {
        Output::Full => {
            command.stdout(
                fs::OpenOptions::new()
                    .write(true)
                    .open("/dev/full")
                    .unwrap(),
            );
        }
        Output::Closed => {
            let (read, write) = io::pipe().unwrap();
            drop(read);
            command.stdout(write);
        }
        _ => {
            command.stdout(fs::File::create(&out).unwrap());
        }
    }
    command
        .stdin(Stdio::null())
        .stderr(fs::File::create(&err).unwrap());
    let mut child = command.spawn().unwrap();
    let begun = Instant::now();
    let status = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break status.code();
        }
        if begun.elapsed() > LONGEST {
            child.kill().unwrap();
            child.wait().unwrap();
            break None;
        }
        sleep(Duration::from_millis(1));
    };
    let text =
        |path: &Path| String::from_utf8_lossy(&fs::read(path).unwrap_or_default()).into_owned();
    let stderr = text(&err);
    Run {
        status,
        stdout: text(&out),
        findings: Finding::all(&stderr),
        stderr,
    }
}
