//! A batch run is killed at any moment and taken up again: the results are those of a run that
//! nothing disturbed, to the byte.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use crate::cruise::{Cruise, Run};
use crate::random::Random;
use crate::split_inventory::{SplitInventory, Wanted};

const STANDS: usize = 60;
const MOMENTS: u32 = 20;
/// The stand that cannot be compiled.
const WRONG: usize = 22;
const JOURNAL: &str = "batch.journal";
const RESUME: [&str; 1] = ["--resume"];

/// Sixty small stands, one of them wrong.
fn inventory() -> (SplitInventory, Cruise) {
    let mut inventory = SplitInventory::new(Wanted {
        stands: STANDS,
        seed: 20_261_126,
        without_area: 0.1,
        stratified: 0.3,
    });
    inventory.add_tree(WRONG, "no such plot");
    let cruise = Cruise::new();
    write(&inventory, &cruise);
    (inventory, cruise)
}

fn write(inventory: &SplitInventory, cruise: &Cruise) {
    let all: Vec<usize> = (0..inventory.len()).collect();
    inventory.write(&cruise.path(""), &all);
}

fn arguments<'a>(out: &'a str, more: &[&'a str]) -> Vec<&'a str> {
    let batch = ["batch", "design.yaml", "--out", out, "--threads", "2"];
    let outputs = ["--tree-list", "--reports"];
    [&batch[..], &outputs[..], more].concat()
}

fn batch(cruise: &Cruise, out: &str, more: &[&str]) -> Run {
    let run = cruise.run(&arguments(out, more));
    assert_eq!(run.status, 1, "one stand fails: {}", run.stderr);
    run
}

fn start(cruise: &Cruise, out: &str, more: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_spinney"))
        .args(arguments(out, more))
        .current_dir(cruise.path(""))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// Starts a run and kills it after a while; was it still at work?
fn killed(cruise: &Cruise, out: &str, more: &[&str], after: Duration) -> bool {
    let child = start(cruise, out, more);
    sleep(after);
    kill(child)
}

/// Starts a run and kills it when its journal has grown to a length; was it still at work? On a busy
/// machine this comes between two stands where a time does not.
fn killed_in_journal(cruise: &Cruise, out: &str, bytes: u64) -> bool {
    let mut child = start(cruise, out, &[]);
    let journal = cruise.path(out).join(JOURNAL);
    while child.try_wait().unwrap().is_none()
        && !fs::metadata(&journal).is_ok_and(|file| file.len() >= bytes)
    {
        sleep(Duration::from_micros(200));
    }
    kill(child)
}

fn kill(mut child: Child) -> bool {
    let at_work = child.try_wait().unwrap().is_none();
    child.kill().unwrap();
    child.wait().unwrap();
    at_work
}

/// Every file of results, by its place in the folder. The journal is none: its records lie in the
/// order in which the stands were done.
fn results(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = BTreeMap::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if path.is_dir() {
            let inner = results(&path).into_iter();
            files.extend(inner.map(|(file, bytes)| (format!("{name}/{file}"), bytes)));
        } else if name != JOURNAL {
            files.insert(name, fs::read(path).unwrap());
        }
    }
    files
}

/// The results of a folder must be these.
fn assert_same(expected: &BTreeMap<String, Vec<u8>>, cruise: &Cruise, out: &str, when: &str) {
    let found = results(&cruise.path(out));
    let names = |files: &BTreeMap<String, Vec<u8>>| files.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&found), names(expected), "{when}");
    for (name, bytes) in expected {
        assert!(found[name] == *bytes, "{when}: {name} is not the same");
    }
}

/// How many stands the run says were kept.
fn kept(run: &Run) -> usize {
    let end = format!(" of {STANDS} kept from an earlier run");
    let Some((before, _)) = run.stderr.split_once(&end) else {
        return 0;
    };
    let number = before.rsplit('(').next().unwrap();
    number.parse().unwrap()
}

#[test]
fn a_killed_run_is_taken_up_where_it_was() {
    let (_, cruise) = inventory();
    let started = Instant::now();
    batch(&cruise, "whole", &[]);
    let duration = started.elapsed();
    let expected = results(&cruise.path("whole"));
    assert_eq!(expected.len(), 4 + STANDS - 1, "{:?}", expected.keys());

    let journal = fs::metadata(cruise.path("whole").join(JOURNAL)).unwrap();

    let mut random = Random(7);
    let (mut at_work, mut part_kept) = (0, 0);
    for moment in 0..MOMENTS {
        let place = (f64::from(moment) + random.unit()) / f64::from(MOMENTS);
        let out = format!("killed-{moment}");
        let was_at_work = if moment % 2 == 0 {
            killed(&cruise, &out, &[], duration.mul_f64(place))
        } else {
            killed_in_journal(
                &cruise,
                &out,
                journal.len() * u64::from(moment) / u64::from(MOMENTS),
            )
        };
        at_work += u32::from(was_at_work);
        let again = batch(&cruise, &out, &RESUME);
        let n_kept = kept(&again);
        part_kept += u32::from((1..STANDS).contains(&n_kept));
        let when = format!("killed at {place:.3} of the time, {n_kept} stands kept");
        assert_same(&expected, &cruise, &out, &when);
    }
    println!(
        "{at_work} of {MOMENTS} were at work, {part_kept} were taken up with some stands done"
    );
    assert!(
        at_work >= MOMENTS / 4,
        "{at_work}: the moments are too late"
    );
    assert!(part_kept >= 1, "no run was killed between two stands");
}

#[test]
fn a_run_may_be_killed_twice() {
    let (_, cruise) = inventory();
    let started = Instant::now();
    batch(&cruise, "whole", &[]);
    let duration = started.elapsed();
    let expected = results(&cruise.path("whole"));
    for (moment, (first, second)) in [(0.5, 0.2), (0.6, 0.3), (0.7, 0.1)].iter().enumerate() {
        let out = format!("killed-{moment}");
        killed(&cruise, &out, &[], duration.mul_f64(*first));
        killed(&cruise, &out, &RESUME, duration.mul_f64(*second));
        batch(&cruise, &out, &RESUME);
        assert_same(
            &expected,
            &cruise,
            &out,
            &format!("killed at {first}, then at {second}"),
        );
    }
}

#[test]
fn results_that_were_not_yet_written_or_only_in_part_are_made_again() {
    let (_, cruise) = inventory();
    batch(&cruise, "out", &[]);
    let expected = results(&cruise.path("out"));
    // As a run leaves it that is killed while it writes: one file in place, one in part.
    fs::remove_file(cruise.path("out/summary.csv")).unwrap();
    fs::rename(
        cruise.path("out/estimates.csv"),
        cruise.path("out/estimates.csv.part"),
    )
    .unwrap();
    fs::write(cruise.path("out/findings.csv"), "of another run").unwrap();
    let again = batch(&cruise, "out", &RESUME);
    assert_eq!(kept(&again), STANDS);
    assert_same(&expected, &cruise, "out", "results gone");
}

#[test]
fn a_journal_with_a_torn_end_is_read_up_to_there() {
    let (_, cruise) = inventory();
    batch(&cruise, "out", &[]);
    let expected = results(&cruise.path("out"));
    let journal = fs::read(cruise.path("out").join(JOURNAL)).unwrap();
    let mut random = Random(11);
    for length in (0..12)
        .map(|_| below(journal.len(), &mut random))
        .chain([0, 5])
    {
        fs::write(cruise.path("out").join(JOURNAL), &journal[..length]).unwrap();
        let again = batch(&cruise, "out", &RESUME);
        let share = length as f64 / journal.len() as f64;
        let when = format!("cut at {length} of {} bytes", journal.len());
        // Stands differ in size, so that their number is known roughly only.
        let n_kept = kept(&again) as f64 / STANDS as f64;
        assert!((n_kept - share).abs() < 0.25, "{when}: {}", again.stderr);
        assert_same(&expected, &cruise, "out", &when);
    }
}

#[test]
fn a_flipped_byte_of_the_journal_is_seen() {
    let (_, cruise) = inventory();
    batch(&cruise, "out", &[]);
    let expected = results(&cruise.path("out"));
    let journal = fs::read(cruise.path("out").join(JOURNAL)).unwrap();
    let mut random = Random(13);
    // Behind the first line, which says that it is a journal.
    let first_line = 1 + journal.iter().position(|byte| *byte == b'\n').unwrap();
    for _ in 0..12 {
        let at = first_line + below(journal.len() - first_line, &mut random);
        let mut flipped = journal.clone();
        flipped[at] ^= 1 << below(8, &mut random);
        fs::write(cruise.path("out").join(JOURNAL), &flipped).unwrap();
        let again = batch(&cruise, "out", &RESUME);
        let when = format!("a bit of byte {at} of {} is flipped", journal.len());
        assert!(at > journal.len() - 2000 || kept(&again) < STANDS, "{when}");
        assert_same(&expected, &cruise, "out", &when);
    }
}

#[test]
fn only_the_stand_that_was_changed_is_compiled_again() {
    let (mut inventory, cruise) = inventory();
    batch(&cruise, "out", &[]);
    assert_eq!(kept(&batch(&cruise, "out", &RESUME)), STANDS);
    inventory.add_tree(40, "1");
    write(&inventory, &cruise);
    batch(&cruise, "fresh", &[]);
    let expected = results(&cruise.path("fresh"));
    let plain = ["batch", "design.yaml", "--out", "plain"];
    // Tree lists hold lines, which move behind the new row; other outputs do not.
    let before = |kept: usize| format!("{kept} stands before the row stay");
    let again = batch(&cruise, "out", &RESUME);
    assert_eq!(kept(&again), 40, "{}: {}", before(40), again.stderr);
    assert_same(&expected, &cruise, "out", "a tree was added");

    assert_eq!(cruise.run(&plain).status, 1);
    inventory.add_tree(10, "2");
    write(&inventory, &cruise);
    let again = cruise.run(&[&plain[..], &RESUME].concat());
    assert_eq!(kept(&again), STANDS - 1, "{}", again.stderr);
    assert_eq!(
        cruise
            .run(&["batch", "design.yaml", "--out", "plain-fresh"])
            .status,
        1
    );
    let fresh = results(&cruise.path("plain-fresh"));
    assert_same(&fresh, &cruise, "plain", "a tree was added, no tree list");
}

/// A whole number below `n`.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "small and not negative"
)]
fn below(n: usize, random: &mut Random) -> usize {
    (n as f64 * random.unit()) as usize
}
