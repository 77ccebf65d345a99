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
use super::table::{
    AREA, DIAMETER, FACTOR, LENGTH, Read, Row, decoded, number, quantity, scalar, table,
};

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

/// A plot.
struct Plot {
    stand: String,
    stratum: String,
    /// 1 / cos of the slope.
    slope: f64,
    /// Share inside the stand.
    share: f64,
}

impl Plot {
    /// By stand and name; listed ones only once.
    fn all(rows: &[Row], is_listed: bool) -> Read<BTreeMap<(String, String), Plot>> {
        let mut plots = BTreeMap::new();
        for row in rows {
            let slope = number_of(row, "slope_pct", 0.0)? / 100.0;
            let plot = Plot {
                stand: text_of(row, "stand"),
                stratum: text_of(row, "stratum"),
                slope: (1.0 + slope * slope).sqrt(),
                share: number_of(row, "plot_fraction", 1.0)?,
            };
            let key = (plot.stand.clone(), text_of(row, "plot"));
            if key.1.is_empty() || (plots.insert(key, plot).is_some() && is_listed) {
                return Err("a plot without a name, or twice".to_owned());
            }
        }
        Ok(plots)
    }

    /// How many more trees one stands for, by slope and share.
    fn widened(&self, of: &Selection) -> f64 {
        (if of.along_slope { self.slope } else { 1.0 }) / self.share
    }
}

/// All that the files hold.
struct Files {
    design: Value,
    selections: Vec<Selection>,
    stands: Vec<Row>,
    trees: Vec<Row>,
    counts: Vec<Row>,
    /// By stand and name.
    plots: BTreeMap<(String, String), Plot>,
}

fn text_of(row: &Row, head: &str) -> String {
    row.1.get(head).cloned().unwrap_or_default()
}

fn number_of(row: &Row, head: &str, usual: f64) -> Read<f64> {
    row.1.get(head).map_or(Ok(usual), |text| number(text))
}

impl Files {
    fn read(file: &dyn Fn(&str) -> Option<Vec<u8>>) -> Read<Files> {
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
        let (stands, plots) = (table("stands")?.unwrap_or_default(), table("plots")?);
        let (trees, counts) = (table("trees")?, table("counts")?);
        if trees.is_none() && counts.is_none() {
            return Err("no trees".to_owned());
        }
        let (trees, counts) = (trees.unwrap_or_default(), counts.unwrap_or_default());
        let mut selections = Vec::new();
        for (name, of) in design["selections"].as_mapping().ok_or("no selections")? {
            selections.push(Selection::of(&scalar(name).ok_or("no name")?, of)?);
        }
        let plots = match plots {
            Some(rows) => Plot::all(&rows, true)?,
            None => Plot::all(&[&trees[..], &counts[..]].concat(), false)?,
        };
        Ok(Files {
            design,
            selections,
            stands,
            trees,
            counts,
            plots,
        })
    }

    /// The plot of a row.
    fn plot(&self, row: &Row) -> Read<&Plot> {
        let (stand, name) = (text_of(row, "stand"), text_of(row, "plot"));
        let mut fitting = self.plots.iter().filter(|((of, plot), _)| {
            *plot == name && (stand.is_empty() || of.is_empty() || *of == stand)
        });
        fitting
            .next()
            .map(|(_, plot)| plot)
            .ok_or_else(|| format!("no plot `{name}`"))
    }

    /// The selection that a row names, or the first that fits.
    fn selection(&self, row: &Row, fits: fn(&Selection) -> bool) -> Read<&Selection> {
        let named = row.1.get("selection");
        let is_named =
            |of: &&Selection| named.is_none_or(|name| of.name.eq_ignore_ascii_case(name));
        let mut fitting = self
            .selections
            .iter()
            .filter(|of| fits(of))
            .filter(is_named);
        fitting.next().ok_or_else(|| "no selection".to_owned())
    }

    /// Adds the trees that have records of their own.
    fn add_trees(&self, sums: &mut Sums) -> Read<BTreeMap<usize, Tree>> {
        let mut known = BTreeMap::new();
        for row in &self.trees {
            let heads = ["species", "dbh_cm", "dbh_in", "dbh_mm"];
            if !heads.iter().any(|head| row.1.contains_key(*head)) {
                continue;
            }
            let species = row.1.get("species").ok_or("no species")?.clone();
            let dbh_cm = quantity(|head| row.1.get(head).cloned(), "dbh", DIAMETER)?;
            let dbh_cm = dbh_cm.ok_or("no dbh")?;
            let of = self.selection(row, |of| of.measured != "none")?;
            let plot = self.plot(row)?;
            let walkthrough = row.1.get("walkthrough").map(String::as_str);
            let times = if matches!(walkthrough, Some("2" | "yes")) {
                2.0
            } else {
                1.0
            };
            let like = number_of(row, "count", 1.0)?;
            let trees_per_ha = of.per_ha(dbh_cm) * plot.widened(of) * times * like;
            let dead = is_dead(row, &self.design)?;
            if of.measured == "all" {
                sums.add(plot, of, dead, "trees", trees_per_ha);
            }
            sums.add(
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
        Ok(known)
    }

    /// Adds the trees that were only counted: each adds the factor.
    fn add_counts(&self, sums: &mut Sums) -> Read<()> {
        for row in &self.counts {
            let count = number_of(row, "count", 0.0)?;
            if count <= 0.0 && !row.1.contains_key("species") {
                continue;
            }
            let of = self.selection(row, |of| of.measured != "all")?;
            let plot = self.plot(row)?;
            let value = count * of.factor * plot.widened(of);
            sums.add(plot, of, is_dead(row, &self.design)?, "basal_area", value);
        }
        Ok(())
    }
}

/// Sums over the plots of a stratum.
#[derive(Default)]
struct Sums(BTreeMap<Key, f64>);

impl Sums {
    fn add(
        &mut self,
        plot: &Plot,
        of: &Selection,
        dead: bool,
        attribute: &'static str,
        value: f64,
    ) {
        let status = if dead { "dead" } else { "live" };
        let (stand, stratum) = (plot.stand.clone(), plot.stratum.clone());
        let key = (stand, stratum, of.name.clone(), status, attribute);
        *self.0.entry(key).or_default() += value;
    }
}

/// What a design and its files say; why they say nothing.
pub(super) fn reference(file: &dyn Fn(&str) -> Option<Vec<u8>>) -> Read<Reference> {
    let files = Files::read(file)?;
    let mut sums = Sums::default();
    let trees = files.add_trees(&mut sums)?;
    files.add_counts(&mut sums)?;
    let mut plots: BTreeMap<(String, String, String), usize> = BTreeMap::new();
    for plot in files.plots.values() {
        for of in &files.selections {
            let key = (plot.stand.clone(), plot.stratum.clone(), of.name.clone());
            *plots.entry(key).or_default() += 1;
        }
    }
    let mut means = sums.0;
    for (key, sum) in &mut means {
        *sum /= plots[&(key.0.clone(), key.1.clone(), key.2.clone())] as f64;
    }
    let figures = with_wholes(means, &plots, &areas(&files.stands)?);
    Ok(Reference {
        figures,
        trees,
        plots,
    })
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
