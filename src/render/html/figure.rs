//! A chart with its caption, its key and words for those who cannot see it.

use maud::{Markup, PreEscaped, html};

use crate::render::svg::{self, Drawing, UNITS};
use crate::tables::chart::Chart;

/// Panels of a figure that is printed on one page.
const ON_ONE_PAGE: usize = 4;

/// Draws a chart; `number` is what it is called by.
pub(super) fn draw(chart: &Chart, number: usize) -> Markup {
    let id = format!("figure-{number}");
    let description = format!("{id}-text");
    let drawings = svg::draw(chart);
    html! {
        figure id=(id) class=[(drawings.len() > ON_ONE_PAGE).then_some("long")] {
            figcaption { b { "Figure " (number) ". " } (chart.title) }
            @if !chart.key.is_empty() {
                ul class="key" {
                    @for key in &chart.key {
                        li { (sign(&svg::sign(key.sign))) span { (key.words) } }
                    }
                }
            }
            div class="panels" {
                @for (panel, drawing) in chart.panels.iter().zip(&drawings) {
                    @let name = if panel.title.is_empty() { &chart.title } else { &panel.title };
                    svg role="img" aria-describedby=(description) viewBox=(view(drawing)) {
                        title { (name) @if panel.title.is_empty() && drawings.len() > 1 { ": " (panel.x.label) } }
                        (PreEscaped(&drawing.elements))
                    }
                }
            }
            p id=(description) class="for-ears" { (chart.description) }
            @for note in &chart.notes { p class="remark" { (note) } }
        }
    }
}

/// A sign says nothing that its words do not.
fn sign(drawing: &Drawing) -> Markup {
    html! {
        svg class="sign" role="img" aria-hidden="true" viewBox=(view(drawing)) {
            title { "sign" }
            (PreEscaped(&drawing.elements))
        }
    }
}

fn view(drawing: &Drawing) -> String {
    format!("0 0 {} {}", drawing.width * UNITS, drawing.height * UNITS)
}
