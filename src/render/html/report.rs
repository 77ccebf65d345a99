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

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance of a colour written `#rrggbb`.
    ///
    /// Source: W3C, Web Content Accessibility Guidelines 2.2, definition of relative luminance.
    fn luminance(colour: &str) -> f64 {
        let channel = |at: usize| {
            let byte = u8::from_str_radix(&colour[at..at + 2], 16).unwrap();
            let share = f64::from(byte) / 255.0;
            if share <= 0.04045 {
                share / 12.92
            } else {
                ((share + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
    }

    /// Contrast ratio, by the same source.
    fn contrast(a: &str, b: &str) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// Colours of the light page and of the dark one, by name.
    fn themes() -> [Vec<(&'static str, &'static str)>; 2] {
        let mut roots = STYLE.split(":root {").skip(1);
        [(); 2].map(|()| {
            let inside = roots.next().unwrap().split('}').next().unwrap();
            let rules = inside
                .split(';')
                .filter_map(|rule| rule.trim().split_once(": "));
            rules.collect()
        })
    }

    #[test]
    fn contrast_of_black_on_white() {
        assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
    }

    /// Words have a contrast of 4.5 at least, marks of 3 (WCAG 2.2, success criteria 1.4.3 and
    /// 1.4.11), on either page.
    #[test]
    fn words_and_marks_stand_out() {
        for theme in themes() {
            let of = |name: &str| theme.iter().find(|(other, _)| *other == name).unwrap().1;
            for ground in ["--page", "--faint", "--notice"] {
                for words in ["--text", "--link"] {
                    let ratio = contrast(of(words), of(ground));
                    assert!(ratio >= 4.5, "{words} on {ground}: {ratio}");
                }
            }
            let ratio = contrast(of("--quiet"), of("--page"));
            assert!(ratio >= 4.5, "--quiet: {ratio}");
            for mark in ["--c1", "--c2", "--c3", "--c4", "--c5", "--c6"] {
                let ratio = contrast(of(mark), of("--page"));
                assert!(ratio >= 3.0, "{mark}: {ratio}");
            }
        }
    }

    /// Every colour of the drawings is one that the page knows, in the letters that plotters writes.
    #[test]
    fn the_page_knows_the_colours_of_the_drawings() {
        use crate::tables::chart::{Mark, Sign};
        let mut signs = vec![Sign::Line, Sign::Tick];
        signs.extend((0..=Mark::KINDS).map(|mark| Sign::Point(Mark(mark))));
        for sign in signs {
            let elements = crate::render::svg::sign(sign).elements;
            let mut colours = elements
                .split('#')
                .skip(1)
                .map(|part| &part[..6])
                .peekable();
            assert!(colours.peek().is_some(), "{elements}");
            for colour in colours {
                for part in ["fill", "stroke"] {
                    let rule = format!("svg [{part}=\"#{colour}\"]");
                    assert!(STYLE.contains(&rule), "{rule}");
                }
            }
        }
    }

    #[test]
    fn sections_have_ids_of_their_own() {
        let section = |heading: &str| Section {
            heading: heading.to_owned(),
            blocks: Vec::new(),
        };
        let all = ["Plots", "plots", "<&>", "Report"].map(section);
        let ids: Vec<String> = with_ids(&all).into_iter().map(|(id, _)| id).collect();
        assert_eq!(ids, ["plots", "section-2", "section-3", "section-4"]);
    }
}
