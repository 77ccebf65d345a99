//! A small calculation of its own, straight from the files: stems and basal area per hectare by
//! selection, stratum and status, and what is known of each tree.
//!
//! Fixed area: a tree stands for 1 / area; angle gauge: for the factor over its basal area; an
//! uncorrected slope widens it by 1 / cos, a part plot by 1 / share, a walkthrough tree counts
//! twice. A mean is the sum over plots by their number, strata weigh by their areas. Source: the
//! definitions (docs/methods.md, sections 8 and 9, say the same).

use std::collections::BTreeMap;
use std::f64::consts::PI;

use serde_yaml::Value;

use super::subject::DESIGN;

/// Everything as text by head, with the line of the row.
pub(super) type Row = (usize, BTreeMap<String, String>);

/// Stand, stratum, selection, status, attribute. The stand is blank where there is only one.
pub(super) type Key = (String, String, String, &'static str, &'static str);

/// What the files say.
pub(super) struct Reference {
    /// Metric, per hectare; nothing where it is zero.
    pub(super) figures: BTreeMap<Key, f64>,
    /// By line of the file of the trees.
    pub(super) trees: BTreeMap<usize, Tree>,
    /// Plots of each stand, stratum and selection.
    pub(super) plots: BTreeMap<(String, String, String), usize>,
    /// Are results printed in feet and acres?
    pub(super) imperial: bool,
}

/// A tree as it was written.
pub(super) struct Tree {
    pub(super) species: String,
    pub(super) dead: bool,
    pub(super) dbh_cm: f64,
    /// `None` where it was not measured.
    pub(super) height_m: Option<f64>,
    pub(super) trees_per_ha: f64,
}

type Read<T> = Result<T, String>;

/// Rows of fields, each with its line. Line ends: LF, CRLF, CR; quotes as in RFC 4180.
pub(super) fn rows(text: &str, delimiter: char) -> Vec<(usize, Vec<String>)> {
    let text = text.replace("\r\n", "\n").replace('\r', "\n");
    let (mut rows, mut row, mut field) = (Vec::new(), Vec::new(), String::new());
    let (mut line, mut begun, mut quoted) = (1, 1, false);
    let mut letters = text.chars().peekable();
    while let Some(letter) = letters.next() {
        line += usize::from(letter == '\n');
        match letter {
            '"' if quoted && letters.peek() == Some(&'"') => field.extend(letters.next()),
            '"' if quoted => quoted = false,
            '"' if field.is_empty() => quoted = true,
            _ if quoted => field.push(letter),
            '\n' => {
                row.push(std::mem::take(&mut field));
                rows.push((begun, std::mem::take(&mut row)));
                begun = line;
            }
            _ if letter == delimiter => row.push(std::mem::take(&mut field)),
            _ => field.push(letter),
        }
    }
    if !field.is_empty() || !row.is_empty() {
        row.push(field);
        rows.push((begun, row));
    }
    rows
}

/// What the heads are set apart by.
pub(super) fn delimiter_of(head: &str) -> char {
    let count = |of: &char| head.matches(*of).count();
    [',', ';', '\t']
        .into_iter()
        .rev()
        .max_by_key(count)
        .unwrap_or(',')
}

/// Rows as text, quoted where that is needed.
pub(super) fn written(rows: &[Vec<String>], delimiter: char) -> String {
    let field = |text: &String| {
        if text.contains([delimiter, '"', '\n']) || text.starts_with('"') {
            format!("\"{}\"", text.replace('"', "\"\""))
        } else {
            text.clone()
        }
    };
    let line = |row: &Vec<String>| row.iter().map(field).collect::<Vec<_>>();
    rows.iter()
        .map(|row| line(row).join(&delimiter.to_string()) + "\n")
        .collect()
}

pub(super) fn is_number(text: &str) -> bool {
    text.bytes().any(|byte| byte.is_ascii_digit())
        && text
            .bytes()
            .all(|byte| byte.is_ascii_digit() || matches!(byte, b'.' | b'-' | b'+' | b'e' | b'E'))
        && text.parse::<f64>().is_ok_and(f64::is_finite)
}

/// A text of bytes: UTF-8, or UTF-16 with a mark.
fn decoded(bytes: &[u8]) -> Read<String> {
    let wide = |of: fn([u8; 2]) -> u16| {
        let units: Vec<u16> = bytes[2..]
            .chunks_exact(2)
            .map(|pair| of([pair[0], pair[1]]))
            .collect();
        String::from_utf16(&units).map_err(|error| error.to_string())
    };
    match bytes {
        [0xff, 0xfe, ..] => wide(u16::from_le_bytes),
        [0xfe, 0xff, ..] => wide(u16::from_be_bytes),
        _ => String::from_utf8(bytes.to_vec())
            .map(|text| text.trim_start_matches('\u{feff}').to_owned())
            .map_err(|error| error.to_string()),
    }
}

/// A quantity `stem_unit`, in the first of these units.
fn quantity(
    get: impl Fn(&str) -> Option<String>,
    stem: &str,
    units: &[(&str, f64)],
) -> Read<Option<f64>> {
    let mut found = None;
    for (unit, factor) in units {
        if let Some(text) = get(&format!("{stem}_{unit}")) {
            found = Some(number(&text)? * factor);
        }
    }
    Ok(found)
}

fn number(text: &str) -> Read<f64> {
    if is_number(text) {
        text.parse().map_err(|_| text.to_owned())
    } else {
        Err(format!("`{text}` is no number"))
    }
}

pub(super) const FOOT: f64 = 0.3048;
pub(super) const ACRE: f64 = 0.404_685_642_24;
const DIAMETER: &[(&str, f64)] = &[("cm", 1.0), ("in", 2.54), ("mm", 0.1)];
const LENGTH: &[(&str, f64)] = &[("m", 1.0), ("ft", FOOT), ("dm", 0.1), ("cm", 0.01)];
const AREA: &[(&str, f64)] = &[("ha", 1.0), ("ac", ACRE), ("m2", 0.0001)];
const FACTOR: &[(&str, f64)] = &[("m2_per_ha", 1.0), ("ft2_per_ac", FOOT * FOOT / ACRE)];

/// A selection of the design.
struct Selection {
    name: String,
    /// Least and greatest dbh in cm, area in ha; one for a plain plot.
    rings: Vec<(f64, f64, f64)>,
    /// m2/ha, of an angle gauge.
    factor: f64,
    measured: String,
    along_slope: bool,
}

impl Selection {
    fn of(name: &str, of: &Value) -> Read<Selection> {
        let get = |key: &str| scalar(&of[key]);
        let ring = |of: &Value| {
            let get = |key: &str| scalar(&of[key]);
            let radius = quantity(get, "radius", LENGTH)?.map(|m| PI * m * m / 10_000.0);
            let area = radius.or(quantity(get, "area", AREA)?).ok_or("no size")?;
            let least = quantity(get, "min_dbh", DIAMETER)?.unwrap_or(0.0);
            let most = quantity(get, "max_dbh", DIAMETER)?.unwrap_or(f64::INFINITY);
            Ok::<_, String>((least, most, area))
        };
        let factor = quantity(get, "baf", FACTOR)?;
        let rings = match (&of["rings"], factor) {
            (_, Some(_)) => vec![(
                quantity(get, "min_dbh", DIAMETER)?.unwrap_or(0.0),
                f64::INFINITY,
                1.0,
            )],
            (Value::Sequence(rings), None) => rings.iter().map(ring).collect::<Read<_>>()?,
            (_, None) => vec![ring(of)?],
        };
        Ok(Selection {
            name: name.to_owned(),
            rings,
            factor: factor.unwrap_or(0.0),
            measured: get("measured").unwrap_or_else(|| "all".to_owned()),
            along_slope: get("slope_correction").is_some_and(|word| word == "program"),
        })
    }

    /// Trees per hectare, before slope and share.
    fn per_ha(&self, dbh_cm: f64) -> f64 {
        let ring = self
            .rings
            .iter()
            .find(|(least, most, _)| *least <= dbh_cm && dbh_cm < *most);
        ring.map_or(0.0, |(_, _, area)| {
            if self.factor > 0.0 {
                self.factor / basal_area(dbh_cm)
            } else {
                1.0 / area
            }
        })
    }
}

fn basal_area(dbh_cm: f64) -> f64 {
    PI * dbh_cm * dbh_cm / 40_000.0
}

fn scalar(value: &Value) -> Option<String> {
    match value {
        Value::String(text) => Some(text.clone()),
        Value::Number(number) => Some(number.to_string()),
        Value::Bool(is) => Some(is.to_string()),
        _ => None,
    }
}

/// A plot: stand, stratum, factor of slope (of selections along the slope) and of its share.
struct Plot {
    stand: String,
    stratum: String,
    slope: f64,
    share: f64,
}

/// What a design and its files say; why they say nothing.
pub(super) fn reference(file: &dyn Fn(&str) -> Option<Vec<u8>>) -> Read<Reference> {
    let text = decoded(&file(DESIGN).ok_or("no design")?)?;
    let design: Value = serde_yaml::from_str(&text).map_err(|error| error.to_string())?;
    let table = |input: &str| -> Read<Option<Vec<Row>>> {
        let input = &design["inputs"][input];
        let Some(path) = scalar(input).or_else(|| scalar(&input["path"])) else {
            return Ok(None);
        };
        let text = decoded(&file(&path).ok_or_else(|| format!("no {path}"))?)?;
        Ok(Some(table(&text, &input["columns"])?))
    };
    let (stands, plot_rows) = (table("stands")?.unwrap_or_default(), table("plots")?);
    let (trees, counts) = (table("trees")?, table("counts")?);
    if trees.is_none() && counts.is_none() {
        return Err("no trees".to_owned());
    }
    let (trees, counts) = (trees.unwrap_or_default(), counts.unwrap_or_default());
    let text_of = |row: &Row, head: &str| row.1.get(head).cloned().unwrap_or_default();
    let mut selections = Vec::new();
    for (name, of) in design["selections"].as_mapping().ok_or("no selections")? {
        selections.push(Selection::of(&scalar(name).ok_or("no name")?, of)?);
    }
    let is_listed = plot_rows.is_some();
    let mut plots: BTreeMap<(String, String), Plot> = BTreeMap::new();
    let unlisted: Vec<Row> = trees.iter().chain(&counts).cloned().collect();
    for row in plot_rows.as_ref().unwrap_or(&unlisted) {
        let slope = row
            .1
            .get("slope_pct")
            .map_or(Ok(0.0), |text| number(text))?
            / 100.0;
        let share = row
            .1
            .get("plot_fraction")
            .map_or(Ok(1.0), |text| number(text))?;
        let plot = Plot {
            stand: text_of(row, "stand"),
            stratum: text_of(row, "stratum"),
            slope: (1.0 + slope * slope).sqrt(),
            share,
        };
        let key = (plot.stand.clone(), text_of(row, "plot"));
        if key.1.is_empty() || (plots.insert(key, plot).is_some() && is_listed) {
            return Err("a plot without a name, or twice".to_owned());
        }
    }
    let place = |row: &Row| {
        let (stand, name) = (text_of(row, "stand"), text_of(row, "plot"));
        let mut fitting = plots.iter().filter(|((of, plot), _)| {
            *plot == name && (stand.is_empty() || of.is_empty() || *of == stand)
        });
        fitting
            .next()
            .map(|(_, plot)| plot)
            .ok_or_else(|| format!("no plot `{name}`"))
    };
    let mut sums: BTreeMap<Key, f64> = BTreeMap::new();
    let mut add = |plot: &Plot, of: &Selection, dead: bool, attribute, value: f64| {
        let status = if dead { "dead" } else { "live" };
        let key = (
            plot.stand.clone(),
            plot.stratum.clone(),
            of.name.clone(),
            status,
            attribute,
        );
        *sums.entry(key).or_default() += value;
    };
    let chosen = |row: &Row, fits: &dyn Fn(&Selection) -> bool| {
        let named = row.1.get("selection");
        let mut fitting = selections.iter().filter(|of| fits(of));
        match named {
            Some(name) => fitting.find(|of| of.name.eq_ignore_ascii_case(name)),
            None => fitting.next(),
        }
    };
    let mut known = BTreeMap::new();
    for row in &trees {
        if !["species", "dbh_cm", "dbh_in", "dbh_mm"]
            .iter()
            .any(|head| row.1.contains_key(*head))
        {
            continue;
        }
        let get = |head: &str| row.1.get(head).cloned();
        let species = get("species").ok_or("no species")?;
        let dbh_cm = quantity(get, "dbh", DIAMETER)?.ok_or("no dbh")?;
        let of = chosen(row, &|of| of.measured != "none").ok_or("no selection")?;
        let plot = place(row)?;
        let times = match get("walkthrough").as_deref() {
            Some("2" | "yes") => 2.0,
            _ => 1.0,
        };
        let like = get("count").map_or(Ok(1.0), |text| number(&text))?;
        let slope = if of.along_slope { plot.slope } else { 1.0 };
        let trees_per_ha = of.per_ha(dbh_cm) * slope * times * like / plot.share;
        let dead = is_dead(row, &design)?;
        if of.measured == "all" {
            add(plot, of, dead, "trees", trees_per_ha);
        }
        add(
            plot,
            of,
            dead,
            "basal_area",
            trees_per_ha * basal_area(dbh_cm),
        );
        let height_m = height(row)?;
        known.insert(
            row.0,
            Tree {
                species,
                dead,
                dbh_cm,
                height_m,
                trees_per_ha,
            },
        );
    }
    for row in &counts {
        let count = row.1.get("count").map_or(Ok(0.0), |text| number(text))?;
        if count <= 0.0 && !row.1.contains_key("species") {
            continue;
        }
        let of = chosen(row, &|of| of.measured != "all").ok_or("no selection")?;
        let plot = place(row)?;
        let slope = if of.along_slope { plot.slope } else { 1.0 };
        let value = count * of.factor * slope / plot.share;
        add(plot, of, is_dead(row, &design)?, "basal_area", value);
    }
    let mut numbers: BTreeMap<(String, String, String), usize> = BTreeMap::new();
    for (plot, of) in plots
        .values()
        .flat_map(|plot| selections.iter().map(move |of| (plot, of)))
    {
        *numbers
            .entry((plot.stand.clone(), plot.stratum.clone(), of.name.clone()))
            .or_default() += 1;
    }
    for (key, sum) in &mut sums {
        *sum /= numbers[&(key.0.clone(), key.1.clone(), key.2.clone())] as f64;
    }
    let imperial = scalar(&design["units"]).is_some_and(|word| word == "imperial");
    let areas = areas(&stands)?;
    Ok(Reference {
        figures: with_wholes(sums, &numbers, &areas),
        trees: known,
        plots: numbers,
        imperial,
    })
}

fn table(text: &str, renames: &Value) -> Read<Vec<Row>> {
    let first = text
        .split(['\n', '\r'])
        .find(|line| !line.trim().is_empty());
    let delimiter = delimiter_of(first.unwrap_or_default());
    let is_blank = |row: &(usize, Vec<String>)| row.1.iter().all(|text| text.trim().is_empty());
    let mut rows = rows(text, delimiter)
        .into_iter()
        .filter(|row| !is_blank(row));
    let heads = rows.next().ok_or("no heads")?.1;
    let heads: Vec<String> = heads
        .iter()
        .map(|head| {
            let head = head.trim().to_lowercase();
            scalar(&renames[head.as_str()]).unwrap_or(head)
        })
        .collect();
    let mut table = Vec::new();
    for (line, fields) in rows {
        if fields
            .iter()
            .skip(heads.len())
            .any(|text| !text.trim().is_empty())
        {
            return Err("more fields than heads".to_owned());
        }
        let mut row = BTreeMap::new();
        for (head, text) in heads.iter().zip(fields) {
            let text = text.trim();
            let text = match delimiter {
                ',' => text.to_owned(),
                _ if is_number(&text.replace(',', ".")) => text.replace(',', "."),
                _ => text.to_owned(),
            };
            if !text.is_empty() && row.insert(head.clone(), text).is_some() {
                return Err(format!("`{head}` twice"));
            }
        }
        if !row.is_empty() {
            table.push((line, row));
        }
    }
    Ok(table)
}

fn is_dead(row: &Row, design: &Value) -> Read<bool> {
    let Some(status) = row.1.get("status") else {
        return Ok(row.1.contains_key("decay_class"));
    };
    let own = design["status_codes"].as_mapping();
    let own = own
        .into_iter()
        .flatten()
        .find(|(code, _)| scalar(code).is_some_and(|code| code.eq_ignore_ascii_case(status)));
    if let Some((_, meaning)) = own {
        return Ok(meaning["dead"]
            .as_bool()
            .unwrap_or_else(|| scalar(meaning).is_some_and(|word| word == "dead")));
    }
    match status.to_lowercase().as_str() {
        "live" | "l" | "alive" | "living" => Ok(false),
        "dead" | "d" | "snag" | "standing dead" => Ok(true),
        other => Err(format!("no status `{other}`")),
    }
}

/// Written, or from sights in percent and a distance.
fn height(row: &Row) -> Read<Option<f64>> {
    let get = |head: &str| row.1.get(head).cloned();
    let written = quantity(get, "height", LENGTH)?.filter(|height| *height > 0.0);
    let broken = quantity(get, "broken_height", LENGTH)?;
    let (Some(top), Some(base)) = (get("top_pct"), get("base_pct")) else {
        // The height of the break is none of the whole stem.
        return Ok(
            written.filter(|height| broken.is_none_or(|broken| (height - broken).abs() > 0.05))
        );
    };
    let (top, base) = (number(&top)? / 100.0, number(&base)? / 100.0);
    let flat = quantity(get, "distance", LENGTH)?;
    let along = quantity(get, "slope_distance", LENGTH)?;
    let distance = flat.or(along.map(|length| length / (1.0 + base * base).sqrt()));
    let hidden = quantity(get, "hidden_top", LENGTH)?.unwrap_or(0.0);
    Ok(written.or(distance.map(|distance| distance * (top - base) + hidden)))
}

/// Area in ha by stand and stratum; nothing where one is missing.
fn areas(stands: &[Row]) -> Read<BTreeMap<(String, String), f64>> {
    let mut areas = BTreeMap::new();
    for row in stands {
        let get = |head: &str| row.1.get(head).cloned();
        let Some(area) = quantity(get, "area", AREA)? else {
            return Ok(BTreeMap::new());
        };
        let text = |head: &str| get(head).unwrap_or_default();
        areas.insert((text("stand"), text("stratum")), area);
    }
    Ok(areas)
}

/// Strata by name, and stands as wholes under `all`: weighted by area.
fn with_wholes(
    sums: BTreeMap<Key, f64>,
    numbers: &BTreeMap<(String, String, String), usize>,
    areas: &BTreeMap<(String, String), f64>,
) -> BTreeMap<Key, f64> {
    let mut figures = BTreeMap::new();
    for ((stand, stratum, selection, status, attribute), mean) in sums {
        if mean <= 0.0 {
            continue;
        }
        let strata: Vec<&String> = numbers
            .keys()
            .filter(|(of, _, by)| *of == stand && *by == selection)
            .map(|(_, stratum, _)| stratum)
            .collect();
        let key = |stratum: &str| {
            (
                stand.clone(),
                stratum.to_owned(),
                selection.clone(),
                status,
                attribute,
            )
        };
        if strata.len() == 1 {
            figures.insert(key("all"), mean);
            if !stratum.is_empty() {
                figures.insert(key(&stratum), mean);
            }
            continue;
        }
        let area = |stratum: &String| {
            let area = areas.get(&(stand.clone(), stratum.clone()));
            area.or_else(|| areas.get(&(String::new(), stratum.clone())))
        };
        let all: Option<Vec<&f64>> = strata.iter().map(|stratum| area(stratum)).collect();
        if let (Some(all), Some(own)) = (all, area(&stratum)) {
            let whole: f64 = all.into_iter().sum();
            *figures.entry(key("all")).or_default() += mean * own / whole;
        }
        figures.insert(key(&stratum), mean);
    }
    figures
}
