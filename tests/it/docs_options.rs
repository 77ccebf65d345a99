//! Options stand in the documents under their command and under no other, and command lines in
//! running text exist.

use clap::{Arg, Command, CommandFactory as _};
use spinney::cli::Cli;

use crate::docs::pages;
use crate::docs_names::{Words, page, section, sections, ticked};

fn command_at(path: &[&str]) -> Option<Command> {
    let mut command = Cli::command();
    for name in path {
        command = command.find_subcommand(name)?.clone();
    }
    Some(command)
}

fn longs(command: &Command) -> Words {
    let long = command.get_arguments().filter_map(Arg::get_long);
    long.map(|long| format!("--{long}")).collect()
}

/// Options of a command and of all below it.
fn all_longs(command: &Command) -> Words {
    let mut found = longs(command);
    found.extend(command.get_subcommands().flat_map(all_longs));
    found
}

/// Options in a text, `--out` of `--out FILE`.
fn options_in(text: &str) -> Words {
    let words = ticked(text).flat_map(|tick| tick.split([' ', '=']));
    let options = words.filter(|word| word.starts_with("--"));
    options.map(str::to_owned).collect()
}

#[test]
fn options_stand_under_their_command_and_under_no_other() {
    let text = page("docs/commands.md");
    let from_a_design = section(&text, "From a design");
    let shared = options_in(&from_a_design);
    let planning = section(&text, "Planning");
    let everywhere = options_in(&section(&text, "Commands"));
    let readers: Words = ticked(&from_a_design).map(str::to_owned).collect();
    let mut faults = Vec::new();
    let mut described = Words::new();
    for (heading, body) in sections(&text) {
        let Some(name) = heading.strip_prefix("spinney ") else {
            continue;
        };
        // What is written large is an argument.
        let words = name.split(' ');
        let path: Vec<&str> = words
            .take_while(|word| **word == word.to_lowercase())
            .collect();
        let Some(command) = command_at(&path) else {
            faults.push(format!("{heading}: no such command"));
            continue;
        };
        described.insert(path.join(" "));
        let has = longs(&command);
        let mut says = options_in(&body);
        faults.extend(
            says.difference(&has)
                .map(|o| format!("{heading}: {o} is not there")),
        );
        if readers.contains(&path.join(" ")) {
            faults.extend(
                shared
                    .difference(&has)
                    .map(|o| format!("{heading} lacks {o}")),
            );
            says.extend(shared.clone());
        }
        says.extend(options_in(if path[0] == "plan" { &planning } else { "" }));
        says.extend(everywhere.clone());
        faults.extend(
            has.difference(&says)
                .map(|o| format!("{heading}: {o} is not told")),
        );
    }
    for (heading, commands) in [
        ("Looking up", ["species", "equations"].as_slice()),
        ("Shell and manual", &["completions", "manual"]),
    ] {
        let commands = commands.iter().map(|name| command_at(&[name]).unwrap());
        let has: Words = commands.flat_map(|command| longs(&command)).collect();
        let says = options_in(&section(&text, heading));
        let (known, told) = (&has | &everywhere, &says | &everywhere);
        let extra = says.difference(&known).filter(|option| *option != "--help");
        faults.extend(extra.map(|o| format!("{heading}: {o}")));
        faults.extend(
            has.difference(&told)
                .map(|o| format!("{heading} lacks {o}")),
        );
    }
    assert!(described.len() >= 11, "{described:?}");
    assert!(faults.is_empty(), "{faults:#?}");
}

/// Does a command line in a text (`compile --format csv`) exist as it is written?
fn fault_of_line(line: &str) -> Option<String> {
    let words: Vec<&str> = line.split_whitespace().collect();
    let mut path = Vec::new();
    let mut command = Cli::command();
    for word in &words {
        let Some(below) = command.find_subcommand(word) else {
            break;
        };
        path.push(*word);
        command = below.clone();
    }
    let rest = &words[path.len()..];
    if path.is_empty() && rest.first().is_some_and(|word| is_small(word)) {
        return Some(format!("`{line}`: no such command"));
    }
    // Without a command the option may be any command's.
    let has = if path.is_empty() {
        all_longs(&command)
    } else {
        longs(&command)
    };
    let mut rest = rest.iter().flat_map(|word| word.split('=')).peekable();
    while let Some(word) = rest.next() {
        if !word.starts_with("--") || ["--help", "--version"].contains(&word) {
            continue;
        }
        if !has.contains(word) {
            return Some(format!("`{line}`: no option {word}"));
        }
        let value = rest.peek().filter(|value| is_small(value));
        let argument = command.get_arguments().find(|argument| {
            argument
                .get_long()
                .is_some_and(|long| word == format!("--{long}"))
        });
        if let (Some(value), Some(argument)) = (value, argument) {
            let possible = argument.get_possible_values();
            if !possible.is_empty() && !possible.iter().any(|one| one.get_name() == *value) {
                return Some(format!("`{line}`: no value {value}"));
            }
        }
    }
    None
}

fn is_small(word: &str) -> bool {
    word.starts_with(|mark: char| mark.is_ascii_lowercase())
        && word
            .chars()
            .all(|mark| mark.is_ascii_lowercase() || mark == '-')
}

#[test]
fn command_lines_in_running_text_exist() {
    let commands: Vec<String> = {
        let cli = Cli::command();
        cli.get_subcommands()
            .map(|command| command.get_name().to_owned())
            .collect()
    };
    let mut faults = Vec::new();
    let mut seen = 0;
    let mut pages = pages();
    let more = ["DEVELOPERS.md", "species-tables/README.md"];
    pages.extend(more.map(|name| (name.to_owned(), page(name))));
    for (name, text) in pages {
        for (_, body) in sections(&text) {
            for tick in ticked(&body) {
                let line = tick.strip_prefix("spinney ").unwrap_or(tick);
                let first = line.split(' ').next().unwrap();
                let is_line = line != tick
                    || tick.starts_with("--") && tick.chars().nth(2) != Some(' ')
                    || tick.contains(" --") && commands.iter().any(|name| name == first);
                if is_line {
                    seen += 1;
                    let fault = fault_of_line(line).filter(|_| !line.starts_with("COMMAND"));
                    faults.extend(fault.map(|fault| format!("{name}: {fault}")));
                }
            }
        }
    }
    assert!(seen > 100, "{seen} command lines");
    assert!(faults.is_empty(), "{faults:#?}");
}
