//! Field sheets: for each plot and selection what the crew fills in, as plain values.

use crate::design::{
    ClassOver, CountOver, Design, Measured, Method, Selection, SelectionIndex, SlopeCorrection,
    Subsample, SubsampleRule,
};
use crate::planning::gauge::{MeasuredTo, limiting_distance_m, slope_distance_m};
use crate::tables::heights_audit::rule_words;
use crate::tables::plain;
use crate::units::UnitSystem;

/// Lines of a page of trees that fit on A4 and on Letter, with everything else of the page.
const LINES_OF_A_PAGE: usize = 18;
/// Lines of a page of counts, likewise.
const COUNTS_OF_A_PAGE: usize = 12;
/// Lines of counts beside the species that were named.
const SPARE_COUNTS: usize = 2;
/// Species without a name for which there are boxes of height trees.
const SPARE_SPECIES: usize = 2;

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
    /// Which of the pages of this plot and selection.
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

/// The pages of one plot and selection.
fn pages_of(design: &Design, at: SelectionIndex, plot: &str, wanted: &Wanted) -> Vec<Page> {
    let selection = &design.selections[at];
    let mut bodies = Vec::new();
    if has_counts(selection) {
        bodies.extend(counts(selection, wanted));
    }
    if selection.measured != Measured::None {
        bodies.extend(lines(design, at, wanted));
    }
    let all = bodies.len();
    let page = |(index, body): (usize, Body)| {
        let rule = match (&body, &design.heights.subsample) {
            (Body::Lines { .. }, Some(rule)) if is_about(rule, at) => Some(rule),
            _ => None,
        };
        Page {
            plot: if selection.method.visits_all() {
                String::new()
            } else {
                plot.to_owned()
            },
            selection: selection.name.clone(),
            number: (index + 1, all),
            method: method(design, selection),
            fields: fields(selection, plot, wanted),
            orders: orders(design, selection, &body, rule),
            boxes: rule.map_or_else(Vec::new, |rule| boxes(rule, wanted)),
            distances: distances(design, selection),
            body,
        }
    };
    bodies.into_iter().enumerate().map(page).collect()
}

fn has_counts(selection: &Selection) -> bool {
    selection.measured != Measured::All || matches!(selection.method, Method::ThreeP { .. })
}

/// Is the rule for height trees about a selection?
fn is_about(subsample: &Subsample, selection: SelectionIndex) -> bool {
    match subsample.rule {
        SubsampleRule::AllIn { selection: only } => selection == only,
        _ => subsample.selections.is_empty() || subsample.selections.contains(&selection),
    }
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
    let mut fields = vec![blank("Stand"), stratum];
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

/// Pages of lines for measured trees.
fn lines(design: &Design, at: SelectionIndex, wanted: &Wanted) -> Vec<Body> {
    let columns = columns(&design.selections[at], wanted);
    let due = every_nth(design, at);
    let number = wanted.lines.unwrap_or(LINES_OF_A_PAGE).max(1);
    let all: Vec<(usize, bool)> = (1..=number)
        .map(|line| (line, due.is_some_and(|every| line.is_multiple_of(every))))
        .collect();
    let page = |lines: &[(usize, bool)]| Body::Lines {
        columns: columns.clone(),
        lines: lines.to_vec(),
    };
    all.chunks(LINES_OF_A_PAGE).map(page).collect()
}

/// The n, where a rule lets it be marked on the lines: the count begins with the page.
fn every_nth(design: &Design, at: SelectionIndex) -> Option<usize> {
    let rule = design.heights.subsample.as_ref()?;
    let SubsampleRule::EveryNth { every, count_over } = rule.rule else {
        return None;
    };
    let about =
        |at: &usize| design.selections[*at].measured != Measured::None && is_about(rule, *at);
    let is_first = (0..design.selections.len()).find(about) == Some(at);
    let goes_on = count_over == CountOver::Cruise && !design.selections[at].method.visits_all();
    (is_first && !goes_on).then_some(every)
}

/// Pages of counts by species.
fn counts(selection: &Selection, wanted: &Wanted) -> Vec<Body> {
    if matches!(selection.method, Method::ThreeP { .. }) {
        return predictions(wanted);
    }
    let mut species = wanted.species.clone();
    let spare = SPARE_COUNTS.max(8_usize.saturating_sub(species.len()));
    species.extend(std::iter::repeat_n(String::new(), spare));
    let page = |species: &[String]| Body::Counts {
        species: species.to_vec(),
    };
    species.chunks(COUNTS_OF_A_PAGE).map(page).collect()
}

/// The list of predictions of a 3P sample.
fn predictions(wanted: &Wanted) -> Vec<Body> {
    let column = |label: &str, width: u16| Column {
        label: label.to_owned(),
        unit: String::new(),
        width,
    };
    let columns = [
        column("Tree", 8),
        column("Species", 20),
        column("Status", 14),
        column("Prediction", 20),
        column("Random number", 20),
        column("Measured", 14),
    ];
    let number = wanted.lines.unwrap_or(LINES_OF_A_PAGE).max(1);
    let all: Vec<(usize, bool)> = (1..=number).map(|line| (line, false)).collect();
    let page = |lines: &[(usize, bool)]| Body::Lines {
        columns: columns.to_vec(),
        lines: lines.to_vec(),
    };
    all.chunks(LINES_OF_A_PAGE).map(page).collect()
}

/// What the crew was told.
fn orders(
    design: &Design,
    selection: &Selection,
    body: &Body,
    rule: Option<&Subsample>,
) -> Vec<String> {
    let mut orders = Vec::new();
    if let Some(rule) = rule {
        orders.push(format!("Heights: {}.", rule_words(design, rule)));
        orders.extend(how_to_choose(rule));
    }
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

fn how_to_choose(rule: &Subsample) -> Option<String> {
    let words = match rule.rule {
        SubsampleRule::FirstPerSpecies { .. } => {
            "Tick a box for each height; when the boxes of a species are full, it needs no more."
        }
        SubsampleRule::EveryNth {
            count_over: CountOver::Plot,
            ..
        } => {
            "\u{25b2} marks the lines that need a height. Only live, unbroken trees count: the mark \
             moves down a line for each dead or broken tree above it."
        }
        SubsampleRule::EveryNth { .. } => {
            "The count goes on from plot to plot: write the last count of live, unbroken trees here: \
             before ______ after ______."
        }
        SubsampleRule::PerDbhClass {
            over: ClassOver::Stand,
            ..
        } => "Keep one list of the classes for the whole stand; take them over from plot to plot.",
        SubsampleRule::PerDbhClass { .. } => {
            "Write each class beside its boxes, tick for each height."
        }
        SubsampleRule::AllIn { .. } => return None,
    };
    Some(words.to_owned())
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

/// Boxes for height trees.
fn boxes(rule: &Subsample, wanted: &Wanted) -> Vec<Boxes> {
    match rule.rule {
        SubsampleRule::FirstPerSpecies { per_plot } => {
            let spare = SPARE_SPECIES.max(4_usize.saturating_sub(wanted.species.len()));
            let blank = std::iter::repeat_n(String::new(), spare);
            let labels = wanted.species.iter().cloned().chain(blank);
            let box_of = |label| Boxes {
                label,
                number: per_plot.min(10),
            };
            labels.map(box_of).collect()
        }
        SubsampleRule::PerDbhClass { per_class, .. } => (0..6)
            .map(|_| Boxes {
                label: String::new(),
                number: per_class.min(10),
            })
            .collect(),
        SubsampleRule::EveryNth { .. } | SubsampleRule::AllIn { .. } => Vec::new(),
    }
}

/// How far a tree may be, for trees near the line.
fn distances(design: &Design, selection: &Selection) -> Option<Distances> {
    const SLOPES_PCT: [f64; 9] = [0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0];
    let shown = Shown(design.units);
    let unit = design.units.length();
    let metres = |value: f64| format!("{:.2}", value * unit.from_metric);
    let circles: Vec<(String, f64)> = match &selection.method {
        Method::AngleGauge { baf_m2_per_ha } => {
            return Some(gauge_distances(design.units, *baf_m2_per_ha));
        }
        Method::FixedArea { radius_m, .. } => vec![(String::from("in within"), *radius_m)],
        Method::NestedRings(rings) => rings
            .iter()
            .map(|ring| {
                let from = format!("from {} dbh", shown.diameter(ring.min_dbh_cm));
                (from, ring.radius_m)
            })
            .collect(),
        Method::Strip { .. } | Method::FullTally | Method::ThreeP { .. } => return None,
    };
    if selection.slope_correction == SlopeCorrection::Program {
        return None;
    }
    let row = |(name, radius_m): (String, f64)| {
        let along = SLOPES_PCT.map(|slope| metres(slope_distance_m(radius_m, slope)));
        (name, along.to_vec())
    };
    Some(Distances {
        caption: format!(
            "Trees near the edge: a tree is in if its centre at breast height is within this \
             distance of the plot centre, {} along the slope.",
            unit.label
        ),
        by: String::from("slope %"),
        heads: SLOPES_PCT.iter().map(|slope| plain(*slope)).collect(),
        rows: circles.into_iter().map(row).collect(),
    })
}

fn gauge_distances(units: UnitSystem, baf_m2_per_ha: f64) -> Distances {
    let (length, diameter) = (units.length(), units.diameter());
    let dbhs: [f64; 10] = match units {
        UnitSystem::Metric => [10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0],
        UnitSystem::Imperial => [4.0, 6.0, 8.0, 10.0, 12.0, 16.0, 20.0, 24.0, 32.0, 40.0],
    };
    let distance = |dbh: &f64| {
        let dbh_cm = dbh / diameter.from_metric;
        let metres = limiting_distance_m(baf_m2_per_ha, dbh_cm, MeasuredTo::Centre);
        format!("{:.2}", metres * length.from_metric)
    };
    Distances {
        caption: format!(
            "Borderline trees: a tree is in if its centre at breast height is within this \
             horizontal distance of the point, {}; in proportion for dbh between.",
            length.label
        ),
        by: format!("dbh {}", diameter.label),
        heads: dbhs.iter().map(|dbh| plain(*dbh)).collect(),
        rows: vec![(
            String::from("in within"),
            dbhs.iter().map(distance).collect(),
        )],
    }
}
