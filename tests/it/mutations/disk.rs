//! What stands at the place of a file, and where results go.

use super::subject::{Content, Dice, Due, Mutation, Output, Subject};

pub(super) const FULL: &[Output] = &[Output::Full];
pub(super) const CLOSED: &[Output] = &[Output::Closed];
/// `full` is a link to the device that is always full.
pub(super) const FILE_FULL: &[Output] = &[Output::File("full"), Output::TreeList("full")];
/// Records and designs are not written over.
pub(super) const OVER_INPUT: &[Output] = &[
    Output::File("trees.csv"),
    Output::File("./design.yaml"),
    Output::File("link.csv"),
    Output::TreeList("trees.csv"),
    Output::TreeList("design.yaml"),
];
pub(super) const UNDER_FILE: &[Output] = &[
    Output::File("design.yaml/out.csv"),
    Output::TreeList("trees.csv/out.csv"),
];
pub(super) const NOWHERE: &[Output] = &[
    Output::File("nowhere/out.csv"),
    Output::TreeList("nowhere/out.csv"),
];

fn placed(subject: &Subject, dice: &mut Dice, due: Due, of: fn(&str) -> Content) -> Mutation {
    let (file, text) = subject.any_file(dice);
    let content = of(text);
    let kind: String = format!("{content:?}")
        .chars()
        .take_while(|c| c.is_alphabetic())
        .collect();
    Mutation {
        content,
        ..Mutation::text(file, "", due, &kind)
    }
}

pub(super) fn linked(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    Some(placed(subject, dice, Due::Same, |text| {
        Content::Link(text.into())
    }))
}

pub(super) fn piped(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    Some(placed(subject, dice, Due::Same, |text| {
        Content::Pipe(text.into())
    }))
}

pub(super) fn locked(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    Some(placed(subject, dice, Due::Told, |text| {
        Content::Locked(text.into())
    }))
}

pub(super) fn folder(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    Some(placed(subject, dice, Due::Told, |_| Content::Folder))
}

pub(super) fn missing(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    Some(placed(subject, dice, Due::Told, |_| Content::Nothing))
}

pub(super) fn link_to(subject: &Subject, dice: &mut Dice, path: &'static str) -> Option<Mutation> {
    let (file, _) = subject.any_file(dice);
    let mutation = Mutation::text(file, "", Due::Told, &format!("a link to {path}"));
    Some(Mutation {
        content: Content::LinkTo(path),
        ..mutation
    })
}

pub(super) fn link_loop(subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
    let (file, _) = subject.any_file(dice);
    let names = [
        "trees.csv",
        "plots.csv",
        "counts.csv",
        "stands.csv",
        "design.yaml",
    ];
    let own = names.into_iter().find(|name| *name == file)?;
    link_to(subject, dice, own).map(|mutation| Mutation {
        file: own.to_owned(),
        ..mutation
    })
}

pub(super) fn output(subject: &Subject, dice: &mut Dice, to: &[Output]) -> Option<Mutation> {
    let output = *dice.of_all(to);
    let mutation = Mutation::text("design.yaml", "", Due::Unwritten, &format!("{output:?}"));
    let content = Content::Bytes(subject.text("design.yaml")?.into());
    Some(Mutation {
        content,
        output,
        ..mutation
    })
}
