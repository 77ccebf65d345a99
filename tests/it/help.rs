//! What the program says of itself: help, completions, manual pages.

use std::collections::BTreeSet;
use std::process::Command as Process;

use clap::{Command, CommandFactory as _};
use spinney::cli::Cli;

use crate::cruise::{Cruise, run};

/// Every command by its words, the program first.
fn commands() -> Vec<(Vec<String>, Command)> {
    fn add(words: &[String], command: &Command, all: &mut Vec<(Vec<String>, Command)>) {
        all.push((words.to_vec(), command.clone()));
        for below in command.get_subcommands() {
            if below.get_name() != "help" {
                let words = [words, &[below.get_name().to_owned()]].concat();
                add(&words, below, all);
            }
        }
    }
    let mut program = Cli::command();
    program.build();
    let mut all = Vec::new();
    add(&[], &program, &mut all);
    all
}

fn help(words: &[String], flag: &str) -> String {
    let mut arguments: Vec<&str> = words.iter().map(String::as_str).collect();
    arguments.push(flag);
    let run = run(&arguments);
    assert_eq!((run.status, run.stderr.as_str()), (0, ""), "{words:?}");
    run.stdout
}

#[test]
fn every_command_has_a_short_and_a_long_help() {
    for (words, _) in commands() {
        let (short, long) = (help(&words, "-h"), help(&words, "--help"));
        for line in short.lines().chain(long.lines()) {
            assert!(line.chars().count() <= 100, "{words:?}: {line}");
        }
        assert!(short.lines().count() <= 60, "{words:?}");
        assert!(long.lines().count() >= short.lines().count(), "{words:?}");
        assert!(long.contains("Example"), "{words:?}");
        let name = [vec!["help".to_owned()], words].concat().join("-");
        insta::assert_snapshot!(name, format!("{short}\n======== --help\n\n{long}"));
    }
}

#[test]
fn without_a_command_the_help_is_printed() {
    let nothing = run(&[]);
    assert_eq!(nothing.status, 2);
    assert!(nothing.stderr.contains("compile"), "{}", nothing.stderr);
    let slip = run(&["compil"]);
    assert_eq!(slip.status, 2);
    assert!(slip.stderr.contains("'compile'"), "{}", slip.stderr);
    assert!(run(&["-V"]).stdout.starts_with("spinney "));
}

#[test]
fn shells_get_their_completions() {
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let script = run(&["completions", shell]);
        assert_eq!(script.status, 0, "{}", script.stderr);
        for word in ["compile", "tree-list", "distances"] {
            assert!(script.stdout.contains(word), "{shell}: {word}");
        }
        let cruise = Cruise::new().file("script", &script.stdout);
        match Process::new(shell)
            .arg("-n")
            .arg(cruise.path("script"))
            .output()
        {
            Ok(_) if shell == "powershell" || shell == "elvish" => {}
            Ok(checked) => assert!(checked.status.success(), "{shell}: {checked:?}"),
            Err(_) => println!("skipped: there is no {shell} to read its script"),
        }
    }
}

#[test]
fn every_command_has_a_page_that_names_its_options() {
    let cruise = Cruise::new();
    let written = cruise.run(&["manual", "--out", "man1"]);
    assert_eq!(written.status, 0, "{}", written.stderr);
    let mut pages = BTreeSet::new();
    for (words, command) in commands() {
        let name = [vec!["spinney".to_owned()], words].concat().join("-") + ".1";
        let page = cruise.read(&format!("man1/{name}"));
        for option in command.get_arguments().filter_map(|one| one.get_long()) {
            let escaped = format!("\\-\\-{}", option.replace('-', "\\-"));
            assert!(page.contains(&escaped), "{name}: {option}");
        }
        let path = cruise.path("man1").join(&name);
        match Process::new("groff")
            .args(["-man", "-ww", "-Tutf8"])
            .arg(path)
            .output()
        {
            Ok(drawn) => {
                let complaints = String::from_utf8_lossy(&drawn.stderr);
                assert!(
                    drawn.status.success() && complaints.is_empty(),
                    "{name}: {complaints}"
                );
            }
            Err(_) => println!("skipped: there is no groff to draw {name}"),
        }
        pages.insert(name);
    }
    let there = std::fs::read_dir(cruise.path("man1")).unwrap();
    let there = there.map(|entry| entry.unwrap().file_name().into_string().unwrap());
    assert_eq!(there.collect::<BTreeSet<_>>(), pages);
    let main = cruise.run(&["manual"]);
    assert_eq!(main.stdout, cruise.read("man1/spinney.1"));
}
