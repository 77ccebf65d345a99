//! How many lines fit on a page of A4 and of Letter, below and above what else stands on it.
//!
//! Millimetres are those of the drawing (`render/html/tally.css`), letters per line those of a wide
//! sans-serif face, both on the safe side.

use super::{Body, Boxes, Page};

/// Height inside the margins of Letter, the lower of the two, less a little.
const PAGE_MM: f64 = 257.0;
/// Width inside the margins of A4, the narrower of the two.
const WIDTH_MM: f64 = 186.0;
/// Letters in a line of ordinary, bold and small text.
const LETTERS: usize = 96;
const BOLD_LETTERS: usize = 82;
const SMALL_LETTERS: usize = 108;
/// Letters of a title and of a head beside it.
const TITLE_LETTERS: usize = 48;

/// Lines of this height that fit on the page.
pub(super) fn lines(page: &Page, title: &str, line_mm: f64) -> usize {
    let mut left = PAGE_MM - used_mm(page, title);
    let mut lines = 0;
    while left >= line_mm {
        left -= line_mm;
        lines += 1;
    }
    lines.max(1)
}

/// Everything but the lines.
fn used_mm(page: &Page, title: &str) -> f64 {
    let head = rows(title, TITLE_LETTERS).max(rows(&page.selection, 20)) as f64 * 6.0 + 3.0;
    let (wide, narrow): (Vec<_>, Vec<_>) =
        (page.fields.iter()).partition(|field| !field.choices.is_empty());
    let fields = narrow.len().div_ceil(4) as f64 * 8.0 + 3.0;
    let choices: f64 = wide
        .iter()
        .map(|field| {
            let letters: usize = field
                .choices
                .iter()
                .map(|choice| choice.chars().count() + 6)
                .sum();
            letters.div_ceil(BOLD_LETTERS).max(1) as f64 * 6.0 + 2.0
        })
        .sum();
    let method = text_mm(&page.method, BOLD_LETTERS);
    let not_measured = 7.0;
    let orders: f64 = page
        .orders
        .iter()
        .map(|order| text_mm(order, LETTERS))
        .sum();
    let table_head = match page.body {
        Body::Lines { .. } => 12.0,
        Body::Counts { .. } => 18.0,
    };
    let distances = page.distances.as_ref().map_or(0.0, |distances| {
        rows(&distances.caption, SMALL_LETTERS) as f64 * 4.0
            + (1 + distances.rows.len()) as f64 * 5.2
            + 3.0
    });
    let caution = 8.0;
    head + fields
        + choices
        + method
        + not_measured
        + orders
        + boxes_mm(&page.boxes)
        + table_head
        + distances
        + caution
}

fn rows(text: &str, letters: usize) -> usize {
    text.chars().count().div_ceil(letters).max(1)
}

/// A paragraph.
fn text_mm(text: &str, letters: usize) -> f64 {
    rows(text, letters) as f64 * 4.1 + 1.4
}

fn boxes_mm(boxes: &[Boxes]) -> f64 {
    let width = |one: &Boxes| {
        let name = (one.label.chars().count() as f64 * 2.2).max(14.0);
        name + one.number as f64 * 5.5 + 6.0
    };
    let (mut lines, mut at) = (0.0, WIDTH_MM);
    for one in boxes {
        at += width(one);
        if at > WIDTH_MM {
            lines += 1.0;
            at = width(one);
        }
    }
    lines * 6.2 + if boxes.is_empty() { 0.0 } else { 3.0 }
}
