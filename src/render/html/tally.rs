//! Field sheets to be printed: a page for each plot and selection.

use maud::{Markup, html};

use super::page::page;
use crate::tables::tally::{Body, Boxes, Column, Distances, Field, Page, Sheets};

const STYLE: &str = include_str!("tally.css");
/// Boxes for live and for dead trees, ten trees in each.
const LIVE_BOXES: usize = 7;
const DEAD_BOXES: usize = 3;

/// The sheets as one page of HTML, made to be printed on A4 or Letter.
pub fn render(sheets: &Sheets) -> String {
    let body = html! {
        main {
            @for page in &sheets.pages { (one_page(&sheets.title, page)) }
        }
    };
    page(&format!("{}: field sheets", sheets.title), STYLE, &body)
}

fn one_page(title: &str, page: &Page) -> Markup {
    let (number, of) = page.number;
    let has_plot = page.fields.iter().any(|field| field.label == "Plot");
    html! {
        section {
            header {
                h1 { (title) }
                h2 {
                    @if !page.plot.is_empty() { "Plot " (page.plot) " \u{2013} " }
                    (page.selection)
                    @if of > 1 { " (" (number) " of " (of) ")" }
                }
            }
            dl {
                @for field in &page.fields { (field_of(field)) }
            }
            p.method { (page.method) }
            @if has_plot {
                p.unsafe {
                    span.box {} " not measured (not safe, not reached): write why; the plot is then left \
                                 out of the records, not entered as empty"
                }
            }
            @for order in &page.orders { p { (order) } }
            @if !page.boxes.is_empty() { (boxes(&page.boxes)) }
            @match &page.body {
                Body::Lines { columns, lines } => (lines_of(columns, lines)),
                Body::Counts { species } => (counts(species)),
            }
            @if let Some(distances) = &page.distances { (distances_of(distances)) }
            footer {
                p {
                    "Snags and damaged trees near a plot are danger trees: look up before entering, and \
                     stay out where a plot is not safe."
                }
            }
        }
    }
}

fn field_of(field: &Field) -> Markup {
    html! {
        div.wide[!field.choices.is_empty()] {
            dt { (field.label) }
            dd {
                @if field.choices.is_empty() { (field.value) }
                @for choice in &field.choices { span.choice { span.box {} (choice) } " " }
            }
        }
    }
}

fn boxes(boxes: &[Boxes]) -> Markup {
    html! {
        ul.boxes aria-label="heights taken" {
            @for one in boxes {
                li {
                    span.name { (one.label) }
                    @for _ in 0..one.number { span.box {} }
                }
            }
        }
    }
}

fn lines_of(columns: &[Column], lines: &[(usize, bool)]) -> Markup {
    let whole: u16 = columns.iter().map(|column| column.width).sum();
    let share = |column: &Column| {
        let share = 100.0 * f64::from(column.width) / f64::from(whole.max(1));
        format!("width: {share:.1}%")
    };
    let is_number = |column: &Column| column.label == "Tree";
    html! {
        table.lines {
            colgroup { @for column in columns { col style=(share(column)); } }
            thead {
                tr {
                    @for column in columns {
                        th scope="col" {
                            (column.label)
                            @if !column.unit.is_empty() { small { (column.unit) } }
                        }
                    }
                }
            }
            tbody {
                @for (number, due) in lines {
                    tr.due[*due] {
                        @for column in columns {
                            @if is_number(column) {
                                th scope="row" { (number) @if *due { " \u{25b2}" } }
                            } @else {
                                td {}
                            }
                        }
                    }
                }
            }
        }
    }
}

fn counts(species: &[String]) -> Markup {
    html! {
        table.counts {
            colgroup { col.species; col span=(LIVE_BOXES + DEAD_BOXES + 2); }
            thead {
                tr {
                    th scope="col" rowspan="2" { "Species" }
                    th scope="colgroup" colspan=(LIVE_BOXES + 1) { "Live trees, ten in a box" }
                    th scope="colgroup" colspan=(DEAD_BOXES + 1) { "Dead trees" }
                }
                tr {
                    @for _ in 0..LIVE_BOXES { th scope="col" { "10" } }
                    th.total scope="col" { "all" }
                    @for _ in 0..DEAD_BOXES { th scope="col" { "10" } }
                    th.total scope="col" { "all" }
                }
            }
            tbody {
                @for one in species {
                    tr {
                        th scope="row" { (one) }
                        @for _ in 0..LIVE_BOXES { td {} }
                        td.total {}
                        @for _ in 0..DEAD_BOXES { td {} }
                        td.total {}
                    }
                }
            }
        }
    }
}

fn distances_of(distances: &Distances) -> Markup {
    html! {
        table.distances {
            caption { (distances.caption) }
            colgroup { col.by; col span=(distances.heads.len()); }
            thead {
                tr {
                    th scope="col" { (distances.by) }
                    @for head in &distances.heads { th scope="col" { (head) } }
                }
            }
            tbody {
                @for (name, values) in &distances.rows {
                    tr {
                        th scope="row" { (name) }
                        @for value in values { td { (value) } }
                    }
                }
            }
        }
    }
}
