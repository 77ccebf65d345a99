//! What the backend of plotters draws, in pixels and with few colours.

use plotters::prelude::{
    Color as _, DrawingBackend as _, IntoTextStyle as _, RGBColor, SVGBackend, ShapeStyle,
};
use plotters::style::FontStyle;
use plotters::style::text_anchor::{HPos, Pos, VPos};

/// Units of a drawing to the pixel: the backend rounds to whole units.
pub const UNITS: f64 = 4.0;
/// The backend writes letters smaller by this factor than it is told: 50 units.
const SMALLER: f64 = 1.24;

/// A colour; the page knows them by what they are on white paper.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ink {
    /// Words and values.
    Text,
    /// What is less important.
    Quiet,
    /// Rules behind the values.
    Rule,
    /// One of [`PALETTE`].
    Palette(usize),
}

/// Colours that the colour-blind tell apart, without the yellow that is too pale on paper.
///
/// Source: Okabe, M., Ito, K. 2008. Color universal design (CUD): how to make figures and
/// presentations that are friendly to colorblind people.
pub(super) const PALETTE: [RGBColor; 7] = [
    RGBColor(0x00, 0x72, 0xb2),
    RGBColor(0xd5, 0x5e, 0x00),
    RGBColor(0x00, 0x9e, 0x73),
    RGBColor(0xcc, 0x79, 0xa7),
    RGBColor(0xe6, 0x9f, 0x00),
    RGBColor(0x56, 0xb4, 0xe9),
    RGBColor(0x00, 0x00, 0x00),
];

impl Ink {
    fn colour(self) -> RGBColor {
        match self {
            Ink::Text => RGBColor(0x1b, 0x1f, 0x1d),
            Ink::Quiet => RGBColor(0x55, 0x60, 0x5a),
            Ink::Rule => RGBColor(0xc9, 0xd0, 0xcc),
            Ink::Palette(at) => PALETTE[at % PALETTE.len()],
        }
    }
}

/// On which side of its place a text stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// A drawing in the making. Writing to text cannot fail, so that what the backend returns is let
/// go.
pub(super) struct Canvas<'t> {
    backend: SVGBackend<'t>,
}

impl Canvas<'_> {
    /// The elements of a drawing of a size in pixels.
    pub(super) fn draw(width: f64, height: f64, with: impl FnOnce(&mut Canvas<'_>)) -> String {
        let mut text = String::new();
        let size = (units(width).unsigned_abs(), units(height).unsigned_abs());
        let mut canvas = Canvas {
            backend: SVGBackend::with_string(&mut text, size),
        };
        with(&mut canvas);
        let _ = canvas.backend.present();
        drop(canvas);
        // The page writes the element around them, with a title.
        let inside = text.split_once('\n').map_or("", |(_, inside)| inside);
        inside.trim_end().trim_end_matches("</svg>").to_owned()
    }

    /// A line through points.
    pub(super) fn line(&mut self, points: &[(f64, f64)], ink: Ink, width: f64) {
        let points: Vec<(i32, i32)> = points.iter().map(|point| place(*point)).collect();
        let style = stroke(ink, width);
        match points.as_slice() {
            [from, to] => drop(self.backend.draw_line(*from, *to, &style)),
            _ => drop(self.backend.draw_path(points, &style)),
        }
    }

    /// A filled polygon.
    pub(super) fn polygon(&mut self, points: &[(f64, f64)], ink: Ink, opacity: f64) {
        let points: Vec<(i32, i32)> = points.iter().map(|point| place(*point)).collect();
        let _ = self
            .backend
            .fill_polygon(points, &ink.colour().mix(opacity));
    }

    /// A filled rectangle.
    pub(super) fn rectangle(&mut self, from: (f64, f64), to: (f64, f64), ink: Ink, opacity: f64) {
        let style = ink.colour().mix(opacity);
        let _ = self.backend.draw_rect(place(from), place(to), &style, true);
    }

    /// A filled circle.
    pub(super) fn circle(&mut self, centre: (f64, f64), radius: f64, ink: Ink, opacity: f64) {
        let style = ink.colour().mix(opacity);
        let radius = units(radius).unsigned_abs();
        let _ = self
            .backend
            .draw_circle(place(centre), radius, &style, true);
    }

    /// Words, their middle at the height of `at`.
    pub(super) fn text(
        &mut self,
        words: &str,
        at: (f64, f64),
        anchor: Anchor,
        ink: Ink,
        bold: bool,
    ) {
        let size = super::LETTERS * UNITS * SMALLER;
        let (h_pos, style) = match anchor {
            Anchor::Start => (HPos::Left, FontStyle::Normal),
            Anchor::Middle => (HPos::Center, FontStyle::Normal),
            Anchor::End => (HPos::Right, FontStyle::Normal),
        };
        let style = if bold { FontStyle::Bold } else { style };
        let colour = ink.colour();
        let style = ("sans-serif", size, style, &colour)
            .into_text_style(&(1, 1))
            .pos(Pos::new(h_pos, VPos::Center));
        let _ = self.backend.draw_text(words, &style, place(at));
    }
}

fn stroke(ink: Ink, width: f64) -> ShapeStyle {
    ShapeStyle {
        color: ink.colour().to_rgba(),
        filled: false,
        stroke_width: units(width).unsigned_abs(),
    }
}

fn place((x, y): (f64, f64)) -> (i32, i32) {
    (units(x), units(y))
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "held within the range of sizes"
)]
fn units(pixels: f64) -> i32 {
    const MOST: f64 = 1e6;
    (pixels * UNITS).round().clamp(-MOST, MOST) as i32
}

/// About how wide a text is, pixels: the fonts of the reader are not known.
pub(super) fn width_of(text: &str) -> f64 {
    let one = |c: char| match c {
        'i' | 'j' | 'l' | 't' | 'f' | 'I' | '.' | ',' | ':' | ';' | '\'' | '|' | ' ' | '('
        | ')' => 0.33,
        'm' | 'w' | 'M' | 'W' => 0.88,
        'A'..='Z' => 0.69,
        c if c.is_ascii() => 0.57,
        c => 0.6 * unicode_width::UnicodeWidthChar::width(c).unwrap_or(0) as f64,
    };
    text.chars().map(one).sum::<f64>() * super::LETTERS
}

/// As much of a text as has room, an ellipsis in place of the rest.
pub(super) fn cut(text: &str, room: f64) -> String {
    if width_of(text) <= room {
        return text.to_owned();
    }
    let mut kept = String::new();
    for c in text.chars() {
        kept.push(c);
        if width_of(&kept) + super::LETTERS > room {
            kept.pop();
            break;
        }
    }
    kept.trim_end().to_owned() + "\u{2026}"
}
