//! Field sheets: for each plot and selection what the crew fills in, as plain values.

mod distances;
mod heights;
mod room;

use crate::design::{Design, Measured, Method, Selection, SelectionIndex};
use crate::tables::plain;
use crate::units::UnitSystem;
use distances::distances;
use heights::Heights;

/// Lines for trees on a page at most; fewer where there is no room.
const LINES_OF_A_PAGE: usize = 20;
/// Heights of a line for a tree and of one for counts: there is room to write by hand.
const LINE_MM: f64 = 7.7;
const COUNT_MM: f64 = 9.2;
/// Lines of counts beside the species that were named.
const SPARE_COUNTS: usize = 2;

/// What is wanted beside the design.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Names of the plots; blanks for names to be written in.
    pub plots: Vec<String>,
    /// Species of the counts and of the height boxes.
    pub species: Vec<String>,
    /// Strata to choose from; a blank where there are none.
    pub strata: Vec<String>,
    /// Lines for trees; as many as a page holds unless said.
    pub lines: Option<usize>,
    /// Heads of the trees file.
    pub tree_heads: Vec<String>,
    /// Heads of the plots file; empty without one.
    pub plot_heads: Vec<String>,
}

/// All sheets.
#[derive(Clone, Debug, PartialEq)]
pub struct Sheets {
    /// Title of the cruise.
    pub title: String,
    /// In the order in which they are used.
    pub pages: Vec<Page>,
}

/// One page.
#[derive(Clone, Debug, PartialEq)]
pub struct Page {
    /// The plot: `plot 3`, or blank where its name is to be written in.
    pub plot: String,
    /// Name of the selection.
    pub selection: String,
    /// Which of the pages of this plot and selection, and how many there are.
    pub number: (usize, usize),
    /// What is to be done: the method with its size.
    pub method: String,
    /// To be filled in at the head.
    pub fields: Vec<Field>,
    /// What the crew was told, a line each.
    pub orders: Vec<String>,
    /// Boxes to tick as heights are taken.
    pub boxes: Vec<Boxes>,
    /// The lines.
    pub body: Body,
    /// How far a tree may be.
    pub distances: Option<Distances>,
}

/// Something to be filled in.
#[derive(Clone, Debug, PartialEq)]
pub struct Field {
    /// What it is.
    pub label: String,
    /// What is known of it.
    pub value: String,
    /// Words to choose from.
    pub choices: Vec<String>,
}

/// Boxes to tick for one species or class.
#[derive(Clone, Debug, PartialEq)]
pub struct Boxes {
    /// Its name; empty to be written in.
    pub label: String,
    /// How many.
    pub number: usize,
}

/// What fills the page.
#[derive(Clone, Debug, PartialEq)]
pub enum Body {
    /// A line for each tree.
    Lines {
        /// The columns.
        columns: Vec<Column>,
        /// The lines: number, and whether a height is due.
        lines: Vec<(usize, bool)>,
    },
    /// Trees counted by species; blanks for names to be written in.
    Counts {
        /// The species.
        species: Vec<String>,
    },
}

/// A column of a sheet.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// What is written in it.
    pub label: String,
    /// Its unit, where it has one.
    pub unit: String,
    /// Its part of the width.
    pub width: u16,
}

/// How far a tree may be from the plot centre, by dbh or by slope.
#[derive(Clone, Debug, PartialEq)]
pub struct Distances {
    /// What they are.
    pub caption: String,
    /// Dbh or slope, with its unit.
    pub by: String,
    /// Its values.
    pub heads: Vec<String>,
    /// For each ring or gauge its name and the distances.
    pub rows: Vec<(String, Vec<String>)>,
}

/// The sheets of a design.
pub fn sheets(design: &Design, wanted: &Wanted) -> Sheets {
    let mut pages = Vec::new();
    for plot in &wanted.plots {
        for at in 0..design.selections.len() {
            pages.extend(pages_of(design, at, plot, wanted));
        }
    }
    Sheets {
        title: design.title.clone(),
        pages,
    }
}

/// The pages of one plot and selection: first the counts, then the measured trees.
fn pages_of(design: &Design, at: SelectionIndex, plot: &str, wanted: &Wanted) -> Vec<Page> {
    let selection = &design.selections[at];
    let mut pages = Vec::new();
    if matches!(selection.method, Method::ThreeP { .. }) {
        let page = empty_page(design, at, plot, wanted, lines_in(predictions()));
        pages.extend(with_lines(&page, &design.title, wanted, |_| false));
    } else if selection.measured != Measured::All {
        let counts = Body::Counts {
            species: Vec::new(),
        };
        let page = empty_page(design, at, plot, wanted, counts);
        pages.extend(with_counts(&page, &design.title, wanted));
    }
    if selection.measured != Measured::None {
        let heights = Heights::of(design, at);
        let page = empty_page(
            design,
            at,
            plot,
            wanted,
            lines_in(columns(selection, wanted)),
        );
        let is_due = |line| heights.is_some_and(|heights| heights.is_due(line));
        pages.extend(with_lines(&page, &design.title, wanted, is_due));
    }
    let all = pages.len();
    for (page, number) in pages.iter_mut().zip(1..) {
        page.number = (number, all);
    }
    pages
}

fn lines_in(columns: Vec<Column>) -> Body {
    Body::Lines {
        columns,
        lines: Vec::new(),
    }
}

/// A page with everything but its lines.
fn empty_page(
    design: &Design,
    at: SelectionIndex,
    plot: &str,
    wanted: &Wanted,
    body: Body,
) -> Page {
    let selection = &design.selections[at];
    let heights = Heights::of(design, at).filter(|_| has_dbh(&body));
    Page {
        plot: if selection.method.visits_all() {
            String::new()
        } else {
            plot.to_owned()
        },
        selection: selection.name.clone(),
        number: (1, 1),
        method: method(design, selection),
        fields: fields(selection, plot, wanted),
        orders: orders(design, selection, &body, heights),
        boxes: heights.map_or_else(Vec::new, |heights| heights.boxes(wanted)),
        distances: distances(design, selection),
        body,
    }
}

/// The page with lines for trees, and as many more as they need.
fn with_lines(
    page: &Page,
    title: &str,
    wanted: &Wanted,
    is_due: impl Fn(usize) -> bool,
) -> Vec<Page> {
    let room = room::lines(page, title, LINE_MM).min(LINES_OF_A_PAGE);
    let number = wanted.lines.unwrap_or(room).max(1);
    let all: Vec<(usize, bool)> = (1..=number).map(|line| (line, is_due(line))).collect();
    let with = |part: &[(usize, bool)]| {
        let mut page = page.clone();
        if let Body::Lines { lines, .. } = &mut page.body {
            *lines = part.to_vec();
        }
        page
    };
    all.chunks(room).map(with).collect()
}

/// The page with counts by species, and as many more as they need.
fn with_counts(page: &Page, title: &str, wanted: &Wanted) -> Vec<Page> {
    let mut species = wanted.species.clone();
    let spare = SPARE_COUNTS.max(8_usize.saturating_sub(species.len()));
    species.extend(std::iter::repeat_n(String::new(), spare));
    let room = room::lines(page, title, COUNT_MM);
    let with = |part: &[String]| Page {
        body: Body::Counts {
            species: part.to_vec(),
        },
        ..page.clone()
    };
    species.chunks(room).map(with).collect()
}

/// A length, diameter or area in the units of the design.
struct Shown(UnitSystem);

impl Shown {
    fn number(value: f64, digits: i32) -> String {
        let scale = 10.0_f64.powi(digits);
        plain((value * scale).round() / scale)
    }

    fn length(&self, metres: f64) -> String {
        let unit = self.0.length();
        format!(
            "{} {}",
            Self::number(metres * unit.from_metric, 2),
            unit.label
        )
    }

    fn diameter(&self, cm: f64) -> String {
        let unit = self.0.diameter();
        format!("{} {}", Self::number(cm * unit.from_metric, 1), unit.label)
    }

    fn area(&self, ha: f64) -> String {
        let unit = self.0.area();
        format!("{} {}", Self::number(ha * unit.from_metric, 4), unit.label)
    }
}

/// The method with its size: `circle of radius 7.98 m (0.02 ha), trees from 10 cm dbh`.
fn method(design: &Design, selection: &Selection) -> String {
    let shown = Shown(design.units);
    let circle = |radius_m: f64, area_ha: f64| {
        format!(
            "circle of radius {} ({})",
            shown.length(radius_m),
            shown.area(area_ha)
        )
    };
    let mut words = match &selection.method {
        Method::FixedArea { area_ha, radius_m } => circle(*radius_m, *area_ha),
        Method::NestedRings(rings) => {
            let ring = |ring: &crate::design::Ring| {
                let sizes = match ring.max_dbh_cm {
                    Some(max) => format!(
                        "{} to under {} dbh",
                        shown.diameter(ring.min_dbh_cm),
                        shown.diameter(max)
                    ),
                    None => format!("from {} dbh", shown.diameter(ring.min_dbh_cm)),
                };
                format!("{} {sizes}", circle(ring.radius_m, ring.area_ha))
            };
            rings.iter().map(ring).collect::<Vec<_>>().join("; ")
        }
        Method::Strip { length_m, width_m } => format!(
            "strip {} long and {} wide",
            shown.length(*length_m),
            shown.length(*width_m)
        ),
        Method::FullTally => String::from("every tree of the stand"),
        Method::ThreeP { largest_number } => format!(
            "predict every tree, draw a random number up to {}, and measure the tree if its \
             prediction is not less",
            plain(*largest_number)
        ),
        Method::AngleGauge { baf_m2_per_ha } => {
            let unit = design.units.basal_area_per_area();
            format!(
                "angle gauge, basal area factor {} {}",
                Shown::number(baf_m2_per_ha * unit.from_metric, 3),
                unit.label
            )
        }
    };
    if let Some(min) = selection.min_dbh_cm {
        words += &format!(", trees from {} dbh", shown.diameter(min));
    }
    words
}

/// What is filled in at the head of a page.
fn fields(selection: &Selection, plot: &str, wanted: &Wanted) -> Vec<Field> {
    let blank = |label: &str| Field {
        label: label.to_owned(),
        value: String::new(),
        choices: Vec::new(),
    };
    let stratum = Field {
        choices: wanted.strata.clone(),
        ..blank("Stratum")
    };
    // Words to choose from take a line of their own.
    let mut fields = if stratum.choices.is_empty() {
        vec![blank("Stand"), stratum]
    } else {
        vec![stratum, blank("Stand")]
    };
    if selection.method.visits_all() {
        fields.extend([blank("Sheet"), blank("Date"), blank("Crew")]);
        return fields;
    }
    fields.push(Field {
        value: plot.to_owned(),
        ..blank("Plot")
    });
    fields.extend([blank("Date"), blank("Crew")]);
    for head in &wanted.plot_heads {
        if !["plot", "stand", "stratum", "selection", "note"].contains(&head.as_str()) {
            let (label, unit) = label_of(head);
            fields.push(blank(&with_unit(&label, &unit)));
        }
    }
    fields
}

fn with_unit(label: &str, unit: &str) -> String {
    if unit.is_empty() {
        label.to_owned()
    } else {
        format!("{label} ({unit})")
    }
}

/// A head of a file as words and unit: `Top` and `%` for `top_pct`.
fn label_of(head: &str) -> (String, String) {
    const UNITS: [(&str, &str); 17] = [
        ("_m2_per_ha", "m2/ha"),
        ("_ft2_per_ac", "ft2/ac"),
        ("_per_66", "per 66"),
        ("_per_20", "per 20"),
        ("_per_15", "per 15"),
        ("_pct", "%"),
        ("_deg", "deg"),
        ("_cm", "cm"),
        ("_mm", "mm"),
        ("_dm", "dm"),
        ("_in", "in"),
        ("_ft", "ft"),
        ("_m2", "m2"),
        ("_ha", "ha"),
        ("_ac", "ac"),
        ("_m", "m"),
        ("_fraction", "0 to 1"),
    ];
    let found = UNITS.iter().find_map(|(suffix, unit)| {
        let stem = head.strip_suffix(suffix)?;
        Some((stem, *unit))
    });
    let (stem, unit) = found.unwrap_or((head, ""));
    let mut label = match (stem, unit) {
        ("plot", "0 to 1") => String::from("part of plot inside"),
        _ => stem.replace(['_', '.'], " "),
    };
    if let Some(first) = label.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    (label, unit.to_owned())
}

/// Columns for trees: those of the trees file, but for what stands at the head of the page.
fn columns(selection: &Selection, wanted: &Wanted) -> Vec<Column> {
    let is_sweep = matches!(selection.method, Method::AngleGauge { .. });
    let is_three_p = matches!(selection.method, Method::ThreeP { .. });
    let has_use = |head: &&String| match head.as_str() {
        "plot" | "stand" | "selection" => false,
        "prediction" => is_three_p,
        head if head.starts_with("baf_") => is_sweep,
        head if head.starts_with("distance_to_centre_") => !selection.method.visits_all(),
        _ => true,
    };
    let column = |head: &String| {
        let (label, unit) = label_of(head);
        let width = match head.as_str() {
            "tree" => 8,
            "note" => 22,
            "species" => 14,
            "decay_class" | "status" | "walkthrough" | "count" => 10,
            _ => 12,
        };
        // Words of a head are not broken.
        let longest = label.split(' ').map(str::len).max().unwrap_or_default();
        let width = width.max(u16::try_from(longest + 6).unwrap_or(width));
        Column { label, unit, width }
    };
    wanted
        .tree_heads
        .iter()
        .filter(has_use)
        .map(column)
        .collect()
}

/// Columns for the predictions of a 3P sample.
fn predictions() -> Vec<Column> {
    let column = |(label, width): (&str, u16)| Column {
        label: label.to_owned(),
        unit: String::new(),
        width,
    };
    [
        ("Tree", 8),
        ("Species", 20),
        ("Status", 14),
        ("Prediction", 20),
        ("Random number", 20),
        ("Measured", 14),
    ]
    .map(column)
    .to_vec()
}

/// What the crew was told.
fn orders(
    design: &Design,
    selection: &Selection,
    body: &Body,
    heights: Option<Heights<'_>>,
) -> Vec<String> {
    let mut orders = heights.map_or_else(Vec::new, |heights| heights.orders());
    if let Body::Counts { .. } = body {
        let what = if selection.measured == Measured::Some {
            "Count the trees that are in and get no line of their own."
        } else {
            "Count every tree that is in."
        };
        orders.push(format!(
            "{what} One box takes ten trees: four dots, four sides, two diagonals."
        ));
    }
    if !matches!(selection.method, Method::ThreeP { .. }) || has_dbh(body) {
        orders.push(codes(design));
    }
    orders
}

fn has_dbh(body: &Body) -> bool {
    matches!(body, Body::Lines { columns, .. } if columns.iter().any(|c| c.label == "Dbh"))
}

/// The words for live and dead, and the decay classes.
fn codes(design: &Design) -> String {
    let classes = design.decay_classes.join(", ");
    let words: Vec<String> = if design.status_codes.is_empty() {
        vec![String::from("live, dead")]
    } else {
        let word = |(code, status): &(String, crate::design::StatusCode)| {
            let class = status.decay_class.map_or_else(String::new, |class| {
                format!(", decay class {}", design.decay_classes[class])
            });
            let life = if status.dead { "dead" } else { "live" };
            format!("{} = {life}{class}", code.to_uppercase())
        };
        design.status_codes.iter().map(word).collect()
    };
    format!(
        "Status: {}. Decay class of dead trees: {classes}.",
        words.join("; ")
    )
}
