//! How one estimate comes about: plot values, strata, the mean and its error, the interval.
//!
//! In: a compilation and which estimate. Out: a report of the derivation, metric as it is
//! computed, that ends in the figures of the tidy table.

use super::borrowed::borrowed_blocks;
use super::plot_values::{combined, plots};
use super::{held_unit, interval};
use crate::compile::Compilation;
use crate::diagnostic::{Diagnostic, seen};
use crate::estimates::stratified::{Part, Together, together};
use crate::estimates::{
    Attribute, Estimate, EstimateRow, Quantity, StandDerivation, derive_stand, metrics,
};
use crate::math::digits::six_digits;
use crate::plot_sums::Column as Summed;
use crate::records::Stand;
use crate::tables::figures::species_label;
use crate::tables::report::method_words;
use crate::tables::tidy::{ALL, class_limits, status_word};
use crate::tables::{Block, Report, plain};
use crate::units::CO2_PER_CARBON;

/// Which estimate is asked for; what is not said is `all`, and live trees.
#[derive(Clone, Copy, Debug)]
pub struct Asked<'a> {
    /// Attribute, named as in the tidy table.
    pub attribute: &'a str,
    /// Stand.
    pub stand: Option<&'a str>,
    /// Stratum.
    pub stratum: Option<&'a str>,
    /// Selection; need not be said when there is one.
    pub selection: Option<&'a str>,
    /// Status, as in the tidy table.
    pub status: Option<&'a str>,
    /// Species, as in the tidy table.
    pub species: Option<&'a str>,
    /// Lower limit of the dbh class, in the units of the results.
    pub dbh_from: Option<f64>,
}

/// The derivation of one estimate.
pub fn explain(compilation: &Compilation<'_>, asked: &Asked<'_>) -> Result<Report, Diagnostic> {
    let row = find(compilation, asked)?;
    let mut report = Report::new(format!(
        "{}: {}",
        compilation.design.title,
        row.attribute.words()
    ));
    report.section(
        "What is estimated",
        vec![Block::Lines(what(compilation, row))],
    );
    match parts_of(row.attribute) {
        Parts::Sum(column) => sum(compilation, row, Quantity::Sum(column), &mut report),
        Parts::Co2Equivalent => {
            let lines = co2_equivalent(compilation, row);
            report.section("From carbon", vec![Block::Lines(lines)]);
        }
        Parts::TopHeight => sum(compilation, row, Quantity::TopHeight, &mut report),
        Parts::Ratio(parts) => {
            let lines = ratio(compilation, row, parts);
            report.section("Ratio of means", vec![Block::Lines(lines)]);
        }
    }
    report.section("Interval", interval::steps(compilation, row));
    report.section(
        "In the estimate table",
        interval::in_the_table(compilation, row),
    );
    Ok(report)
}

/// Narrows the rows down, one property after the other; what fits none is an error that names
/// what there is.
fn find<'a>(
    compilation: &'a Compilation<'_>,
    asked: &Asked<'_>,
) -> Result<&'a EstimateRow, Diagnostic> {
    let (design, records) = (compilation.design, compilation.records);
    let mut rows: Vec<&EstimateRow> = compilation.estimates.rows.iter().collect();
    let or_all = |name: &Option<String>| name.clone().unwrap_or_else(|| ALL.to_owned());
    let sole = |names: Vec<&str>| match names[..] {
        [name] => Some(name.to_owned()),
        _ => None,
    };
    let said =
        |text: Option<&str>, otherwise: Option<String>| text.map(str::to_owned).or(otherwise);
    let all = || Some(ALL.to_owned());
    let stands = records.stands.iter().map(|stand| stand.name.as_str());
    let selections = design.selections.iter().map(|rule| rule.name.as_str());
    narrow(
        &mut rows,
        "stand",
        said(asked.stand, sole(stands.collect()).or_else(all)),
        |row| or_all(&row.stand),
    )?;
    narrow(
        &mut rows,
        "selection",
        said(asked.selection, sole(selections.collect())),
        |row| design.selections[row.selection].name.clone(),
    )?;
    narrow(&mut rows, "stratum", said(asked.stratum, all()), |row| {
        or_all(&row.stratum)
    })?;
    narrow(
        &mut rows,
        "status",
        said(asked.status, Some("live".to_owned())),
        |row| status_word(row.domain.status, design).into_owned(),
    )?;
    narrow(&mut rows, "species", said(asked.species, all()), |row| {
        species_label(row.domain.species, records)
    })?;
    let from = asked.dbh_from.map_or_else(|| ALL.to_owned(), plain);
    narrow(&mut rows, "dbh class from", Some(from), |row| {
        let class = row.domain.dbh_class;
        class.map_or_else(
            || ALL.to_owned(),
            |class| plain(class_limits(class, design).0),
        )
    })?;
    narrow(
        &mut rows,
        "attribute",
        Some(asked.attribute.to_owned()),
        |row| row.attribute.name().to_owned(),
    )?;
    rows.first().copied().ok_or_else(|| {
        Diagnostic::error("no-such-estimate", "there is no estimate at all".to_owned())
            .hint("look at what `spinney compile` makes of the design")
    })
}

/// Keeps the rows with this property.
fn narrow(
    rows: &mut Vec<&EstimateRow>,
    what: &str,
    wanted: Option<String>,
    property: impl Fn(&EstimateRow) -> String,
) -> Result<(), Diagnostic> {
    let mut there: Vec<String> = Vec::new();
    for row in rows.iter() {
        let this = property(row);
        if there.last() != Some(&this) && !there.contains(&this) {
            there.push(this);
        }
    }
    let hint = format!("there are: {}", there.join(", "));
    let Some(wanted) = wanted else {
        let message = format!("there are several estimates: which {what}?");
        return Err(Diagnostic::error("which-estimate", message).hint(hint));
    };
    rows.retain(|row| property(row).eq_ignore_ascii_case(&wanted));
    if rows.is_empty() {
        let message = format!("there is no such estimate for {what} {}", seen(&wanted));
        return Err(Diagnostic::error("no-such-estimate", message).hint(hint));
    }
    Ok(())
}

fn what(compilation: &Compilation<'_>, row: &EstimateRow) -> Vec<String> {
    let design = compilation.design;
    let name = |name: &Option<String>| name.clone().unwrap_or_else(|| ALL.to_owned());
    let sizes = row.domain.dbh_class.map_or_else(
        || "all sizes".to_owned(),
        |class| {
            let (from, to) = class_limits(class, design);
            let unit = design.units.diameter().label;
            format!("dbh from {} to under {} {unit}", plain(from), plain(to))
        },
    );
    vec![
        format!("{}, in {}", row.attribute.words(), held_unit(row.attribute)),
        format!("stand {}, stratum {}", name(&row.stand), name(&row.stratum)),
        format!(
            "selection {}: {}",
            design.selections[row.selection].name,
            method_words(design, row.selection)
        ),
        format!(
            "trees: {}, species {}, {sizes}",
            status_word(row.domain.status, design),
            species_label(row.domain.species, compilation.records)
        ),
    ]
}

/// What an attribute is made from.
enum Parts {
    Sum(Summed),
    TopHeight,
    Co2Equivalent,
    Ratio([(&'static str, Summed); 2]),
}

fn parts_of(attribute: Attribute) -> Parts {
    let stems = ("N", Summed::Trees);
    let basal_area = ("G", Summed::BasalArea);
    match attribute {
        Attribute::TopHeight => Parts::TopHeight,
        Attribute::Co2Equivalent => Parts::Co2Equivalent,
        Attribute::MeanHeight => Parts::Ratio([("sum w h", Summed::Height), stems]),
        Attribute::LoreyHeight => {
            Parts::Ratio([("sum w g h", Summed::BasalAreaHeight), basal_area])
        }
        _ => match Summed::of_attribute(attribute) {
            Some(column) => Parts::Sum(column),
            None => Parts::Ratio([stems, basal_area]),
        },
    }
}

/// Carbon dioxide is carbon times a constant, its error too.
fn co2_equivalent(compilation: &Compilation<'_>, row: &EstimateRow) -> Vec<String> {
    let carbon = derivations(compilation, row, Quantity::Sum(Summed::Carbon));
    let Some(carbon) = carbon.map(|found| whole_of(compilation, row, &found)) else {
        return Vec::new();
    };
    let ratio = six_digits(CO2_PER_CARBON);
    let times = |name: &str, value: f64| {
        format!(
            "{name} {} kg/ha x {ratio} = {} kg/ha",
            six_digits(value),
            six_digits(value * CO2_PER_CARBON)
        )
    };
    let mut lines = vec![format!("carbon (ask for carbon to see how), times {ratio}")];
    lines.push(times("mean:", carbon.mean));
    lines.extend(
        carbon
            .std_error
            .map(|error| times("standard error:", error)),
    );
    lines
}

/// The parts of a stand-level ratio and the formula with the numbers put in.
fn ratio(
    compilation: &Compilation<'_>,
    row: &EstimateRow,
    parts: [(&'static str, Summed); 2],
) -> Vec<String> {
    let mut lines = Vec::new();
    let means = parts.map(|(symbol, column)| {
        let mean = derivations(compilation, row, Quantity::Sum(column))
            .map_or(f64::NAN, |found| whole_of(compilation, row, &found).mean);
        let ask = column.attribute().map_or(String::new(), |attribute| {
            format!(" (ask for {} to see how)", attribute.name())
        });
        lines.push(format!("{symbol} = {} per ha{ask}", six_digits(mean)));
        mean
    });
    let [first, second] = means;
    let (a, b) = (six_digits(first), six_digits(second));
    let value = six_digits(row.estimate.mean);
    let dbh = || metrics::quadratic_mean_dbh_cm(second, first);
    if matches!(
        row.attribute,
        Attribute::StandDensityIndex | Attribute::RelativeDensity
    ) {
        lines.push(format!(
            "Q = sqrt(40000 G / (pi N)) = {} cm",
            six_digits(dbh())
        ));
    }
    lines.push(match row.attribute {
        Attribute::QuadraticMeanDbh => {
            format!("Q = sqrt(40000 G / (pi N)) = sqrt(40000 x {b} / (pi x {a})) = {value} cm")
        }
        Attribute::StandDensityIndex => format!(
            "N (Q / 25.4)^1.605 = {a} x ({} / 25.4)^1.605 = {value} per ha",
            six_digits(dbh())
        ),
        Attribute::RelativeDensity => {
            format!("G / sqrt(Q) = {b} / sqrt({}) = {value}", six_digits(dbh()))
        }
        Attribute::LoreyHeight => format!("sum w g h / G = {a} / {b} = {value} m"),
        _ => format!("sum w h / N = {a} / {b} = {value} m"),
    });
    if let Some(std_error) = row.estimate.std_error {
        lines.push(format!(
            "standard error: {}, of the ratio linearised in both means, with their covariance over \
             the plots",
            six_digits(std_error)
        ));
    }
    lines
}

/// A stand's derivation and its area.
pub(super) struct Derived<'a> {
    pub(super) stand: &'a Stand,
    /// Index into `Records::stands`.
    pub(super) at: usize,
    area_ha: Option<f64>,
    derivation: StandDerivation<'a>,
}

/// The derivation of every stand that the row is about.
fn derivations<'a>(
    compilation: &'a Compilation<'_>,
    row: &EstimateRow,
    quantity: Quantity,
) -> Option<Vec<Derived<'a>>> {
    let records = compilation.records;
    let mut found = Vec::new();
    for (at, stand) in records.stands.iter().enumerate() {
        let of_row = row.stand.as_ref().is_none_or(|name| *name == stand.name);
        let stratum = match &row.stratum {
            None => None,
            Some(name) => match stand.strata.iter().position(|s| s.name == *name) {
                None => continue,
                there => there,
            },
        };
        if !of_row {
            continue;
        }
        let derivation = derive_stand(
            compilation.design,
            records,
            (at, stratum),
            &compilation.stands[at].values,
            row.selection,
            (row.domain, quantity),
        );
        let strata = match stratum {
            Some(h) => &stand.strata[h..=h],
            None => &stand.strata[..],
        };
        found.push(Derived {
            stand,
            at,
            area_ha: strata.iter().map(|s| s.area_ha).sum(),
            // A stand without live trees has no top height; it has no weight then.
            derivation: match derivation {
                None if quantity == Quantity::TopHeight => continue,
                other => other?,
            },
        });
    }
    Some(found)
}

/// How stands make the whole.
fn of_stands(compilation: &Compilation<'_>) -> Together {
    let listed = compilation.design.sampling.listed;
    listed.map_or(Together::Strata, Together::Listed)
}

fn whole_of(compilation: &Compilation<'_>, row: &EstimateRow, found: &[Derived<'_>]) -> Estimate {
    let part = |derived: &Derived<'_>| Part {
        area_ha: derived.area_ha.unwrap_or(1.0),
        estimate: derived.derivation.estimate(),
    };
    let how = if row.stand.is_some() {
        Together::Strata
    } else {
        of_stands(compilation)
    };
    together(how, &found.iter().map(part).collect::<Vec<_>>())
}

/// A mean of plot values, or a borrowed volume.
fn sum(compilation: &Compilation<'_>, row: &EstimateRow, quantity: Quantity, report: &mut Report) {
    let Some(found) = derivations(compilation, row, quantity) else {
        return;
    };
    let several =
        found.len() > 1 || row.stand.is_none() && compilation.design.sampling.listed.is_some();
    for derived in &found {
        let of_stand = if several {
            format!(" of stand {}", derived.stand.name)
        } else {
            String::new()
        };
        match &derived.derivation {
            StandDerivation::Plots {
                strata,
                estimate,
                together,
            } => {
                for part in strata {
                    let name = &derived.stand.strata[part.stratum].name;
                    let of_stratum = if name.is_empty() {
                        String::new()
                    } else {
                        format!(", stratum {name}")
                    };
                    let blocks = plots(compilation, row, quantity, derived, part);
                    report.section(format!("Plots{of_stand}{of_stratum}"), blocks);
                }
                if strata.len() > 1 {
                    let parts: Vec<(String, Part)> = strata
                        .iter()
                        .map(|part| {
                            let name = derived.stand.strata[part.stratum].name.clone();
                            let part = Part {
                                area_ha: part.weight.unwrap_or(1.0),
                                estimate: part.estimate,
                            };
                            (name, part)
                        })
                        .collect();
                    report.section(
                        format!("Strata{of_stand} together"),
                        combined("stratum", &parts, estimate, *together),
                    );
                }
            }
            StandDerivation::Borrowed {
                donor,
                borrowed,
                product,
            } => {
                let donor = &compilation.design.selections[*donor].name;
                let blocks =
                    borrowed_blocks(compilation, derived.stand, donor, (borrowed, *product));
                report.section(format!("Borrowed volume{of_stand}"), blocks);
            }
        }
    }
    if several {
        let parts: Vec<(String, Part)> = found
            .iter()
            .map(|derived| {
                let part = Part {
                    area_ha: derived.area_ha.unwrap_or(1.0),
                    estimate: derived.derivation.estimate(),
                };
                (derived.stand.name.clone(), part)
            })
            .collect();
        report.section(
            "Stands together",
            combined(
                "stand",
                &parts,
                &whole_of(compilation, row, &found),
                of_stands(compilation),
            ),
        );
    }
}
