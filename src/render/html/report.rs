//! A report as one page: what a client, a regulator or a class is handed.

use maud::{Markup, html};

use super::page::page;
use super::{figure, table};
use crate::tables::report::{CAUTIONS, IN_THE_RECORDS, TO_NOTE};
use crate::tables::{Block, Report, Section};

/// Style of the page.
const STYLE: &str = include_str!("report.css");

/// Draws a report.
pub fn render(report: &Report) -> String {
    let sections = with_ids(&report.sections);
    let mut figures = 0;
    let body = html! {
        a class="skip" href="#report" { "Skip to the report" }
        div class="sheet" {
            header { h1 { (report.title) } (first_word(&sections)) }
            nav aria-label="Contents" {
                ol {
                    @for (id, section) in &sections {
                        li { a href={ "#" (id) } { (section.heading) } }
                    }
                }
            }
            main id="report" {
                @for (id, one) in &sections { (section(id, one, &mut figures)) }
            }
            footer { p { "Compiled by spinney " (env!("CARGO_PKG_VERSION")) "." } }
        }
    };
    page(&report.title, STYLE, &body)
}

/// Where cautions and notes stand, before any figure.
fn first_word(sections: &[(String, &Section)]) -> Markup {
    let find = |heading: &str| sections.iter().find(|(_, one)| one.heading == heading);
    let told = [
        (CAUTIONS, "the cautions"),
        (TO_NOTE, "what is to note"),
        (IN_THE_RECORDS, "what was found in the records"),
    ];
    let told = told.map(|(heading, words)| find(heading).map(|(id, _)| (id, words)));
    let told: Vec<(&String, &str)> = told.into_iter().flatten().collect();
    html! {
        @if !told.is_empty() {
            p class="first-word" {
                "Before these figures are used, read "
                @for (at, (id, words)) in told.iter().enumerate() {
                    @if at > 0 { @if at + 1 == told.len() { " and " } @else { ", " } }
                    a href={ "#" (id) } { (words) }
                }
                "."
            }
        }
    }
}

fn section(id: &str, section: &Section, figures: &mut usize) -> Markup {
    let heading = format!("{id}-heading");
    html! {
        section id=(id) aria-labelledby=(heading) {
            h2 id=(heading) { (section.heading) }
            @for one in &section.blocks { (block(one, &section.heading, figures)) }
        }
    }
}

fn block(block: &Block, heading: &str, figures: &mut usize) -> Markup {
    if let Block::Chart(chart) = block {
        *figures += 1;
        return figure::draw(chart, *figures);
    }
    html! {
        @match block {
            Block::Paragraph(words) => p { (words) },
            Block::List(points) => ul { @for point in points { li { (point) } } },
            Block::Lines(lines) | Block::Picture(lines) => pre tabindex="0" { (lines.join("\n")) },
            Block::Table(one) => (table::draw(one, heading)),
            Block::Chart(_) => {},
        }
    }
}

/// The sections with names for links: their headings, numbered where they are alike.
fn with_ids(sections: &[Section]) -> Vec<(String, &Section)> {
    let mut found: Vec<(String, &Section)> = Vec::new();
    for (at, section) in sections.iter().enumerate() {
        let words = section
            .heading
            .split(|c: char| !c.is_ascii_alphanumeric())
            .filter(|word| !word.is_empty())
            .map(str::to_ascii_lowercase);
        let id = words.collect::<Vec<_>>().join("-");
        // An id that a heading may share with another, or with the page itself, gets its number.
        let taken = id.is_empty() || id == "report" || found.iter().any(|(other, _)| *other == id);
        let id = if taken {
            format!("section-{}", at + 1)
        } else {
            id
        };
        found.push((id, section));
    }
    found
}
