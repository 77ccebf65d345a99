//! `plan plots`: from what is expected to a number of plots.

use super::{Planned, files, open};
use crate::cli::plan::PlotsArgs;
use crate::cli::{DesignArgs, Overrides};
use crate::commands::load;
use crate::compile::{Compilation, compile};
use crate::diagnostic::{Diagnostic, Problems, seen};
use crate::planning::allocation::{Allocation, Rule, Stratum, allocate, costs_known, weights};
use crate::planning::counting::{self, measuring};
use crate::planning::pilot::{self, PilotStratum};
use crate::planning::{Goal, MOST_PLOTS, Unmet};
use crate::plot_sums::Column;
use crate::read::excerpts::Named;
use crate::tables::planning::{counting as counting_tables, plots as tables};
use crate::units::HA_PER_AC;

/// Confidence where none is said.
const CONFIDENCE: f64 = 0.95;

/// Plans; what goes wrong is in `problems`, with the files that it is about.
pub(super) fn plan(
    arguments: &PlotsArgs,
    problems: &mut Problems,
    named: &mut Named,
) -> Option<Planned> {
    let planned = if arguments.count_cv_pct.is_some() {
        counted(arguments)
    } else if let Some(path) = &arguments.strata {
        let source = open(path, problems)?;
        let file = files::read_strata(&source, problems)?;
        of_strata_file(arguments, source.name(), file)
    } else if arguments.pilot.is_some() {
        return of_pilot(arguments, problems, named);
    } else {
        guessed(arguments)
    };
    planned.map_err(|problem| problems.push(problem)).ok()
}

/// The goal, with the mean that a percentage is of.
fn goal(arguments: &PlotsArgs, mean: Option<f64>) -> Result<Goal, Diagnostic> {
    if let Some(pct) = arguments.error_pct {
        let mean = mean.filter(|mean| *mean > 0.0).ok_or_else(|| {
            Diagnostic::error("no-mean", "a percentage of the mean needs a mean above 0")
                .hint("give the means, or the half-width itself by --error")
        })?;
        return Ok(Goal::HalfWidth(pct / 100.0 * mean));
    }
    let of_plots = arguments
        .plots
        .and_then(|plots| usize::try_from(plots).ok());
    let goals = [
        arguments.error.map(Goal::HalfWidth),
        of_plots.map(Goal::Plots),
        arguments.budget.map(Goal::Budget),
    ];
    goals.into_iter().flatten().next().ok_or_else(|| {
        Diagnostic::error("no-goal", "nothing is wanted").hint("give --error-pct, for example")
    })
}

/// Why there is no plan, in words.
fn unmet(unmet: Unmet) -> Diagnostic {
    let (message, hint) = match unmet {
        Unmet::TooManyPlots => (
            format!("that takes more than {MOST_PLOTS} plots"),
            "allow a larger error".to_owned(),
        ),
        Unmet::NotEnoughUnits { units } => (
            format!("there are only {units} units to sample"),
            "ask for fewer plots, or correct the areas or listed units".to_owned(),
        ),
        Unmet::FewerThanTwoEach { plots } => (
            "there are too few plots for the strata".to_owned(),
            format!("two for each stratum make {plots}"),
        ),
        Unmet::BudgetTooSmall { cost } => (
            "the budget does not pay for two plots in each stratum".to_owned(),
            format!("these cost {cost}"),
        ),
        Unmet::NoCosts => (
            "a budget needs costs".to_owned(),
            "give --plot-cost (and --tree-cost), or a column `cost` in the strata file".to_owned(),
        ),
    };
    Diagnostic::error("no-plan", message).hint(hint)
}

fn plot_area_ha(arguments: &PlotsArgs) -> Option<f64> {
    let of_acres = arguments.plot_area_ac.map(|acres| acres * HA_PER_AC);
    arguments.plot_area_ha.or(of_acres)
}

/// Plots that tile an area.
fn tiles(area_ha: f64, plot_area_ha: f64, place: &str) -> Result<f64, Diagnostic> {
    let units = area_ha / plot_area_ha;
    if units >= 2.0 {
        Ok(units)
    } else {
        Err(Diagnostic::error(
            "area-too-small",
            format!("{place} is smaller than two plots"),
        )
        .hint("correct the areas, or leave the plot area out"))
    }
}

fn guessed(arguments: &PlotsArgs) -> Result<Planned, Diagnostic> {
    let of_acres = arguments.area_ac.map(|acres| acres * HA_PER_AC);
    let areas = (arguments.area_ha.or(of_acres), plot_area_ha(arguments));
    let units = match (arguments.listed_units, areas) {
        (Some(units), _) => Some(units),
        (None, (Some(area_ha), Some(plot_ha))) => Some(tiles(area_ha, plot_ha, "the area")?),
        (None, (None, None)) => None,
        (None, _) => {
            let message = "a finite population needs the area and the area of a plot";
            return Err(Diagnostic::error("half-an-area", message)
                .hint("give both, or --listed-units, or neither"));
        }
    };
    let confidence = arguments.confidence.unwrap_or(CONFIDENCE);
    // The mean is taken as 100, so that everything is in percent.
    let goal = goal(arguments, Some(100.0))?;
    let mut found = Vec::new();
    for cv_pct in &arguments.cv_pct {
        let forest = [Stratum {
            name: String::new(),
            size: 1.0,
            std_dev: *cv_pct,
            units,
            cost: arguments.plot_cost,
        }];
        let allocation = allocate(&forest, Rule::Proportional, goal, confidence);
        found.push((*cv_pct, allocation.map_err(unmet)?));
    }
    let guess = tables::Guess {
        found: &found,
        goal,
        confidence,
        units,
    };
    Ok((tables::guess_report(&guess), tables::guess_rows(&guess)))
}

fn counted(arguments: &PlotsArgs) -> Result<Planned, Diagnostic> {
    let count_cv_pct = arguments.count_cv_pct.unwrap_or_default();
    let vbar_cv_pct = arguments.vbar_cv_pct.unwrap_or_default();
    let best = arguments
        .plot_cost
        .zip(arguments.tree_cost)
        .map(|(point, tree)| counting::trees_per_point(count_cv_pct, vbar_cv_pct, point, tree));
    let trees_per_point = arguments.trees_per_point.or(best).ok_or_else(|| {
        let message = "how many trees to measure per point cannot be told";
        Diagnostic::error("no-trees-per-point", message)
            .hint("give --plot-cost and --tree-cost, or --trees-per-point")
    })?;
    let expected = counting::Expected {
        count_cv_pct,
        vbar_cv_pct,
        trees_per_point,
        point_cost: arguments.plot_cost,
        tree_cost: arguments.tree_cost,
    };
    let confidence = arguments.confidence.unwrap_or(CONFIDENCE);
    let goal = goal(arguments, Some(100.0))?;
    let plan = counting_tables::Counted {
        expected,
        best_trees_per_point: best,
        is_best: arguments.trees_per_point.is_none(),
        found: measuring(&expected, goal, confidence).map_err(unmet)?,
        goal,
        confidence,
    };
    Ok((counting_tables::report(&plan), counting_tables::rows(&plan)))
}

/// Allocates by every rule that the costs allow.
fn by_rules(
    strata: &[Stratum],
    goal: Goal,
    confidence: f64,
) -> Result<Vec<(Rule, Allocation)>, Diagnostic> {
    let rules = Rule::ALL.into_iter().filter(|rule| match rule {
        Rule::Proportional => true,
        Rule::Neyman => strata.len() > 1,
        Rule::CostOptimum => strata.len() > 1 && costs_known(strata),
    });
    rules
        .map(|rule| {
            let allocation = allocate(strata, rule, goal, confidence).map_err(unmet)?;
            Ok((rule, allocation))
        })
        .collect()
}

fn weighted_mean(strata: &[Stratum], means: &[f64]) -> f64 {
    let weighted = weights(strata).into_iter().zip(means);
    weighted.map(|(weight, mean)| weight * mean).sum()
}

fn of_strata_file(
    arguments: &PlotsArgs,
    name: &str,
    file: files::StrataFile,
) -> Result<Planned, Diagnostic> {
    let plot_ha = plot_area_ha(arguments);
    let no_area = |row: &files::StrataRow| row.area_ha.is_none();
    if plot_ha.is_some() && file.strata.iter().any(no_area) {
        let message = "the plot area needs the areas of the strata";
        return Err(Diagnostic::error("half-an-area", message)
            .hint("add a column `area_ha` to the strata file, or leave the plot area out"));
    }
    let mut strata = Vec::new();
    for row in &file.strata {
        let tiled = match (row.listed_units, row.area_ha.zip(plot_ha)) {
            (None, Some((area_ha, plot_ha))) => {
                let place = format!("stratum {}", seen(&row.name));
                Some(tiles(area_ha, plot_ha, &place)?)
            }
            (listed, _) => listed,
        };
        strata.push(Stratum {
            name: row.name.clone(),
            // The reader has seen to it that there is one.
            size: row.area_ha.or(row.listed_units).unwrap_or_default(),
            std_dev: row.std_dev,
            units: tiled,
            cost: row.cost,
        });
    }
    let means: Option<Vec<f64>> = file.strata.iter().map(|row| row.mean).collect();
    let mean = means.as_ref().map(|means| weighted_mean(&strata, means));
    let goal = goal(arguments, mean)?;
    let confidence = arguments.confidence.unwrap_or(CONFIDENCE);
    let label = |unit: String| unit.replace("_per_", "/");
    let plan = tables::StrataPlan {
        source: tables::From::Strata(name.to_owned()),
        unit: file.unit.map(label).unwrap_or_default(),
        allocations: by_rules(&strata, goal, confidence)?,
        strata,
        means,
        mean,
        pilot_plots: None,
        goal,
        confidence,
    };
    Ok((tables::strata_report(&plan), tables::strata_rows(&plan)))
}

fn of_pilot(arguments: &PlotsArgs, problems: &mut Problems, named: &mut Named) -> Option<Planned> {
    let loaded = load::load(&DesignArgs {
        design: arguments.pilot.clone()?,
        overrides: Overrides {
            confidence: arguments.confidence,
            units: arguments.units,
            tables: arguments.tables.clone(),
            ..Overrides::default()
        },
    });
    problems.append(loaded.problems);
    *named = loaded.named;
    let cruise = loaded.cruise?;
    let planned = compile(&cruise.design, &cruise.records, &cruise.knowledge)
        .map_err(|missing| Diagnostic::error("no-equation", missing.message).hint(missing.hint))
        .and_then(|compilation| from_compilation(arguments, &compilation));
    planned.map_err(|problem| problems.push(problem)).ok()
}

/// The place of a name among others; the only one where none is asked for.
fn choose<'n>(
    what: &str,
    asked: Option<&str>,
    names: impl Iterator<Item = &'n str>,
) -> Result<usize, Diagnostic> {
    let names: Vec<&str> = names.collect();
    let hint = format!("there are: {}", names.join(", "));
    match asked {
        None if names.len() == 1 => Ok(0),
        None => {
            let message = format!("the pilot has several: which {what}?");
            Err(Diagnostic::error("which-pilot", message).hint(hint))
        }
        Some(asked) => names
            .iter()
            .position(|name| name.eq_ignore_ascii_case(asked))
            .ok_or_else(|| {
                let message = format!("the pilot has no {what} {}", seen(asked));
                Diagnostic::error("which-pilot", message).hint(hint)
            }),
    }
}

fn from_compilation(
    arguments: &PlotsArgs,
    compilation: &Compilation<'_>,
) -> Result<Planned, Diagnostic> {
    let (design, records) = (compilation.design, compilation.records);
    let stands = records.stands.iter().map(|stand| stand.name.as_str());
    let stand = choose("stand", arguments.stand.as_deref(), stands)?;
    let selections = design.selections.iter().map(|rule| rule.name.as_str());
    let selection = choose("selection", arguments.selection.as_deref(), selections)?;
    let columns = || {
        let all = Column::ALL.into_iter();
        all.filter_map(|column| Some((column, column.attribute()?)))
    };
    let asked = arguments.attribute.as_deref().unwrap_or("volume_total");
    let names = columns().map(|(_, attribute)| attribute.name());
    let at = choose("attribute", Some(asked), names)?;
    let (column, attribute) = columns().nth(at).ok_or_else(|| {
        Diagnostic::error("which-pilot", "the pilot has no such attribute")
            .hint("name one of its estimate table with --attribute")
    })?;
    let found = pilot::strata(compilation, stand, selection, column)?;
    let unit = attribute.unit(design.units);
    let mut strata = Vec::new();
    for stratum in &found {
        strata.push(pilot_stratum(
            arguments,
            stratum,
            found.len(),
            unit.from_metric,
        )?);
    }
    let means: Vec<f64> = found.iter().map(|s| s.mean * unit.from_metric).collect();
    let mean = weighted_mean(&strata, &means);
    let goal = goal(arguments, Some(mean))?;
    let plan = tables::StrataPlan {
        source: tables::From::Pilot {
            title: design.title.clone(),
            stand: (records.stands.len() > 1).then(|| records.stands[stand].name.clone()),
            selection: design.selections[selection].name.clone(),
            attribute: attribute.words(),
        },
        unit: unit.label.to_owned(),
        allocations: by_rules(&strata, goal, design.confidence)?,
        strata,
        means: Some(means),
        mean: Some(mean),
        pilot_plots: Some(found.iter().map(|stratum| stratum.n_plots).collect()),
        goal,
        confidence: design.confidence,
    };
    Ok((tables::strata_report(&plan), tables::strata_rows(&plan)))
}

fn pilot_stratum(
    arguments: &PlotsArgs,
    stratum: &PilotStratum,
    strata: usize,
    from_metric: f64,
) -> Result<Stratum, Diagnostic> {
    let plot_ha = plot_area_ha(arguments);
    if stratum.area_ha.is_none() && (strata > 1 || plot_ha.is_some()) {
        let message = format!("the area of stratum {} is not known", seen(&stratum.name));
        return Err(
            Diagnostic::error("no-area", message).hint("give it in the stands file of the pilot")
        );
    }
    let units = match stratum.area_ha.zip(plot_ha) {
        Some((area_ha, plot_ha)) => Some(tiles(area_ha, plot_ha, "a stratum")?),
        None => None,
    };
    Ok(Stratum {
        name: stratum.name.clone(),
        size: stratum.area_ha.unwrap_or(1.0),
        std_dev: stratum.std_dev * from_metric,
        units,
        cost: arguments.plot_cost,
    })
}
