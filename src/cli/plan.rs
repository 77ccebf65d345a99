//! Options of `plan`.

use std::path::PathBuf;
use std::str::FromStr;

use clap::{ArgGroup, Args, Subcommand, ValueEnum};

use super::{Units, confidence, size};

/// Options of `plan`.
#[derive(Clone, Debug, Args)]
pub struct PlanArgs {
    /// What to plan.
    #[command(subcommand)]
    pub what: PlanCommand,
}

/// What is planned.
#[derive(Clone, Debug, Subcommand)]
pub enum PlanCommand {
    /// How many plots, and how many in each stratum.
    #[command(
        long_about = "How many plots an error takes, or what error a number of plots or a budget \
                      gives; with strata also how the plots are divided among them: in proportion \
                      to area, by Neyman's rule, and for the least cost.\n\n\
                      What is expected comes from one of four places: a guessed coefficient of \
                      variation of plot values (several with commas), a CSV file of strata, a \
                      pilot cruise, or the coefficients of variation of a sweep in which trees are \
                      counted and some are measured. All of it holds for fixed plots and for \
                      angle gauges.\n\n\
                      Columns of the strata file: stratum; area_ha or area_ac, or listed_units \
                      (plots that tile the stratum, or units in its list), or both; mean_UNIT and \
                      either std_dev_UNIT or cv_pct, where UNIT is the unit of the plot values, \
                      m3_per_ha for example; if they are known cost, of one plot.",
        after_help = "Examples:\n  \
            spinney plan plots --cv-pct 30,40,50 --error-pct 10\n  \
            spinney plan plots --strata strata.csv --error-pct 10 --plot-area-ha 0.04\n  \
            spinney plan plots --strata strata.csv --budget 4000\n  \
            spinney plan plots --pilot examples/marrow-creek/design.yaml --selection fixed --error-pct 10\n  \
            spinney plan plots --count-cv-pct 50 --vbar-cv-pct 18 --plot-cost 12 --tree-cost 3 --error-pct 10",
        override_usage = "spinney plan plots [OPTIONS]\n           \
            <--cv-pct <PCT>|--strata <FILE>|--pilot <DESIGN>|--count-cv-pct <PCT>>\n           \
            <--error-pct <PCT>|--error <VALUE>|--plots <N>|--budget <COST>>",
        group = ArgGroup::new("source").required(true).args(["cv_pct", "strata", "pilot", "count_cv_pct"]),
        group = ArgGroup::new("goal").required(true).args(["error_pct", "error", "plots", "budget"])
    )]
    Plots(Box<PlotsArgs>),
    /// Which plot area and which basal area factor for the trees expected.
    #[command(
        long_about = "The plot area and the basal area factor that tally a wanted number of trees, \
                      and what customary areas and factors would tally.\n\n\
                      Columns of the stand table: dbh_cm or dbh_in, the middle of the class; \
                      trees_per_ha or trees_per_ac.",
        after_help = "Examples:\n  \
            spinney plan size --trees-per-ha 800 --dbh-cm 24\n  \
            spinney plan size --stand-table expected.csv --trees 6",
        override_usage = "spinney plan size [OPTIONS]\n           \
            <--stand-table <FILE>|--trees-per-ha <TREES>|--trees-per-ac <TREES>>",
        group = ArgGroup::new("stand").required(true).args(["stand_table", "trees_per_ha", "trees_per_ac"])
    )]
    Size(SizeArgs),
    /// Limiting distances for a basal area factor.
    #[command(
        after_help = "Examples:\n  \
            spinney plan distances --baf-m2-per-ha 7 --dbh-cm 10-60:5\n  \
            spinney plan distances --baf-ft2-per-ac 20 --dbh-in 8,10,12.5 --to face --slope-pct 20,40",
        override_usage = "spinney plan distances [OPTIONS]\n           \
            <--baf-m2-per-ha <M2/HA>|--baf-ft2-per-ac <FT2/AC>>\n           \
            <--dbh-cm <LIST>|--dbh-in <LIST>>",
        group = ArgGroup::new("factor").required(true).args(["baf_m2_per_ha", "baf_ft2_per_ac"]),
        group = ArgGroup::new("diameters").required(true).args(["dbh_cm", "dbh_in"])
    )]
    Distances(DistancesArgs),
}

/// Forms of a plan.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum PlanFormat {
    /// A report as text.
    Terminal,
    /// The rows as CSV.
    Csv,
}

/// Where a plan goes.
#[derive(Clone, Debug, Args)]
pub struct OutputArgs {
    /// Form of the result.
    #[arg(long, value_enum, default_value_t = PlanFormat::Terminal, help_heading = "Result")]
    pub format: PlanFormat,
    /// File to write the result to.
    #[arg(long, value_name = "FILE", help_heading = "Result")]
    pub out: Option<PathBuf>,
    /// Width of the terminal report in columns; that of the terminal, from 80 to 120, if not given.
    #[arg(long, value_name = "COLUMNS", value_parser = clap::value_parser!(u16).range(40..), help_heading = "Result")]
    pub width: Option<u16>,
}

/// Options of `plan plots`.
#[derive(Clone, Debug, Args)]
pub struct PlotsArgs {
    /// Guessed coefficient of variation of plot values, percent; several with commas.
    #[arg(long, value_name = "PCT", value_delimiter = ',', value_parser = size, allow_negative_numbers = true, help_heading = "What is expected")]
    pub cv_pct: Vec<f64>,
    /// Strata with what is expected of each (CSV).
    #[arg(long, value_name = "FILE", help_heading = "What is expected")]
    pub strata: Option<PathBuf>,
    /// Design of a pilot cruise (YAML), whose strata and plot values are taken.
    #[arg(long, value_name = "DESIGN", help_heading = "What is expected")]
    pub pilot: Option<PathBuf>,
    /// Coefficient of variation of the basal area counted at a point, percent.
    #[arg(long, value_name = "PCT", value_parser = size, requires = "vbar_cv_pct", allow_negative_numbers = true, help_heading = "What is expected")]
    pub count_cv_pct: Option<f64>,
    /// Half-width of the interval wanted, in percent of the mean.
    #[arg(long, value_name = "PCT", value_parser = error_pct, allow_negative_numbers = true, help_heading = "What is wanted")]
    pub error_pct: Option<f64>,
    /// Half-width of the interval wanted, in the unit of the plot values.
    #[arg(long, value_name = "VALUE", value_parser = size, conflicts_with_all = ["cv_pct", "count_cv_pct"], help_heading = "What is wanted")]
    pub error: Option<f64>,
    /// Plots (or points) in all.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(2..=1_000_000), help_heading = "What is wanted")]
    pub plots: Option<u32>,
    /// Money or time in all, in the unit of the costs.
    #[arg(long, value_name = "COST", value_parser = size, help_heading = "What is wanted")]
    pub budget: Option<f64>,
    /// Confidence level of the interval; 0.95, or the pilot's, if not given.
    #[arg(long, value_name = "LEVEL", value_parser = confidence, help_heading = "What is wanted")]
    pub confidence: Option<f64>,
    /// Cost of a plot, or of a counted point.
    #[arg(long, value_name = "COST", value_parser = size, conflicts_with = "strata", help_heading = "Forest and plots")]
    pub plot_cost: Option<f64>,
    /// Area of the forest, ha; with the plot area it makes the population finite.
    #[arg(long, value_name = "HA", value_parser = size, requires = "cv_pct", help_heading = "Forest and plots")]
    pub area_ha: Option<f64>,
    /// Area of the forest, acres.
    #[arg(long, value_name = "AC", value_parser = size, requires = "cv_pct", conflicts_with = "area_ha", help_heading = "Forest and plots")]
    pub area_ac: Option<f64>,
    /// Area of a plot, ha; with the areas of the strata it makes the population finite.
    #[arg(long, value_name = "HA", value_parser = size, conflicts_with = "count_cv_pct", help_heading = "Forest and plots")]
    pub plot_area_ha: Option<f64>,
    /// Area of a plot, acres.
    #[arg(long, value_name = "AC", value_parser = size, conflicts_with_all = ["plot_area_ha", "count_cv_pct"], help_heading = "Forest and plots")]
    pub plot_area_ac: Option<f64>,
    /// Plots that tile the forest, or units in its list.
    #[arg(long, value_name = "N", value_parser = two_or_more, requires = "cv_pct", conflicts_with_all = ["area_ha", "area_ac", "plot_area_ha", "plot_area_ac"], help_heading = "Forest and plots")]
    pub listed_units: Option<f64>,
    /// Coefficient of variation of the volume per basal area of a tree, percent.
    #[arg(long, value_name = "PCT", value_parser = size, requires = "count_cv_pct", allow_negative_numbers = true, help_heading = "Trees measured at counted points")]
    pub vbar_cv_pct: Option<f64>,
    /// Cost of measuring a tree.
    #[arg(long, value_name = "COST", value_parser = size, requires = "count_cv_pct", help_heading = "Trees measured at counted points")]
    pub tree_cost: Option<f64>,
    /// Trees to measure per point; the number of least cost if not given.
    #[arg(long, value_name = "TREES", value_parser = size, requires = "count_cv_pct", help_heading = "Trees measured at counted points")]
    pub trees_per_point: Option<f64>,
    /// Stand of the pilot, when it has several.
    #[arg(
        long,
        value_name = "NAME",
        requires = "pilot",
        help_heading = "Pilot cruise"
    )]
    pub stand: Option<String>,
    /// Selection of the pilot, when it has several.
    #[arg(
        long,
        value_name = "SELECTION",
        requires = "pilot",
        help_heading = "Pilot cruise"
    )]
    pub selection: Option<String>,
    /// Attribute of the estimate table; `volume_total` if not given.
    #[arg(
        long,
        value_name = "ATTRIBUTE",
        requires = "pilot",
        help_heading = "Pilot cruise"
    )]
    pub attribute: Option<String>,
    /// Units of the pilot's figures, instead of its design's.
    #[arg(
        long,
        value_enum,
        value_name = "SYSTEM",
        requires = "pilot",
        help_heading = "Pilot cruise"
    )]
    pub units: Option<Units>,
    /// Folder of your own species tables, added to the built-in ones.
    #[arg(
        long,
        value_name = "FOLDER",
        requires = "pilot",
        help_heading = "Pilot cruise"
    )]
    pub tables: Option<PathBuf>,
    /// The result.
    #[command(flatten)]
    pub output: OutputArgs,
}

/// Options of `plan size`.
#[derive(Clone, Debug, Args)]
pub struct SizeArgs {
    /// Trees expected by dbh class (CSV).
    #[arg(long, value_name = "FILE", help_heading = "What is expected")]
    pub stand_table: Option<PathBuf>,
    /// Trees expected per hectare.
    #[arg(long, value_name = "TREES", value_parser = size, requires = "mean_dbh", help_heading = "What is expected")]
    pub trees_per_ha: Option<f64>,
    /// Trees expected per acre.
    #[arg(long, value_name = "TREES", value_parser = size, requires = "mean_dbh", help_heading = "What is expected")]
    pub trees_per_ac: Option<f64>,
    /// Their quadratic mean dbh, cm.
    #[arg(long, value_name = "CM", value_parser = dbh_cm, conflicts_with = "stand_table", group = "mean_dbh", help_heading = "What is expected")]
    pub dbh_cm: Option<f64>,
    /// Their quadratic mean dbh, in.
    #[arg(long, value_name = "IN", value_parser = dbh_in, conflicts_with = "stand_table", group = "mean_dbh", help_heading = "What is expected")]
    pub dbh_in: Option<f64>,
    /// Trees wanted on a plot.
    #[arg(long, value_name = "TREES", default_value_t = 8.0, value_parser = size, help_heading = "What is wanted")]
    pub trees: f64,
    /// Units of the results; those of the input if not given.
    #[arg(long, value_enum, value_name = "SYSTEM", help_heading = "Result")]
    pub units: Option<Units>,
    /// The result.
    #[command(flatten)]
    pub output: OutputArgs,
}

/// Options of `plan distances`.
#[derive(Clone, Debug, Args)]
pub struct DistancesArgs {
    /// Basal area factor, m2/ha.
    #[arg(long, value_name = "M2/HA", value_parser = baf_m2_per_ha, help_heading = "Trees and gauge")]
    pub baf_m2_per_ha: Option<f64>,
    /// Basal area factor, ft2/acre.
    #[arg(long, value_name = "FT2/AC", value_parser = baf_ft2_per_ac, help_heading = "Trees and gauge")]
    pub baf_ft2_per_ac: Option<f64>,
    /// Diameters in cm, a list (10,15,20) or a range (10-60:5).
    #[arg(long, value_name = "LIST", help_heading = "Trees and gauge")]
    pub dbh_cm: Option<Diameters>,
    /// Diameters in inches; distances are then in feet.
    #[arg(long, value_name = "LIST", help_heading = "Trees and gauge")]
    pub dbh_in: Option<Diameters>,
    /// Where the tape ends: the centre of the tree or its near face.
    #[arg(long, value_enum, default_value_t = To::Centre, help_heading = "Trees and gauge")]
    pub to: To,
    /// Slopes for which the distance along the slope is given too, percent; several with commas.
    #[arg(long, value_name = "PCT", value_delimiter = ',', value_parser = slope_pct, help_heading = "Trees and gauge")]
    pub slope_pct: Vec<f64>,
    /// Units of the results; those of the diameters if not given.
    #[arg(long, value_enum, value_name = "SYSTEM", help_heading = "Result")]
    pub units: Option<Units>,
    /// The result.
    #[command(flatten)]
    pub output: OutputArgs,
}

/// Where the tape ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum To {
    /// The centre of the stem.
    Centre,
    /// The near face of the stem.
    Face,
}

/// A list of diameters: `10,15,20`, `10-60:5`, or both mixed; in the order written.
#[derive(Clone, Debug, PartialEq)]
pub struct Diameters(pub Vec<f64>);

/// More than these are refused.
const MOST_DIAMETERS: usize = 1000;

impl FromStr for Diameters {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let mut all = Vec::new();
        for part in text.split(',') {
            match part.split_once('-') {
                Some((from, rest)) if !from.trim().is_empty() => {
                    all.extend(range(part, from, rest)?);
                }
                _ => all.push(diameter(part)?),
            }
            if all.len() > MOST_DIAMETERS {
                return Err(format!("at most {MOST_DIAMETERS} diameters at once"));
            }
        }
        Ok(Diameters(all))
    }
}

/// The widest tree, in the unit it is written in; a slip rather than a tree above.
const WIDEST: f64 = 1500.0;

fn diameter(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(value) if value > 0.0 && value <= WIDEST => Ok(value),
        _ => Err(format!(
            "`{}` is no diameter: it must be above 0 and at most {WIDEST}",
            text.trim()
        )),
    }
}

/// `from-to:step`; the last is the largest that does not pass `to`.
fn range(whole: &str, from: &str, rest: &str) -> Result<Vec<f64>, String> {
    let Some((to, step)) = rest.split_once(':') else {
        return Err(format!(
            "`{whole}` has no step: write a range as FROM-TO:STEP, 10-60:5 for example"
        ));
    };
    let (from, to, step) = (diameter(from)?, diameter(to)?, diameter(step)?);
    if to < from {
        return Err(format!("`{whole}` runs backwards"));
    }
    // A step such as 0.1 is not exact; the end must not be lost for that.
    let steps = ((to - from) / step + 1e-9).floor();
    if steps >= MOST_DIAMETERS as f64 {
        return Err(format!(
            "`{whole}` has more than {MOST_DIAMETERS} diameters"
        ));
    }
    let mut all = Vec::new();
    let mut at = 0.0;
    while at <= steps {
        all.push(from + at * step);
        at += 1.0;
    }
    Ok(all)
}

/// A number within limits.
fn within(text: &str, low: f64, high: f64, words: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value > low && value <= high => Ok(value),
        _ => Err(format!("it must be {words}")),
    }
}

fn error_pct(text: &str) -> Result<f64, String> {
    within(text, 0.0, 100.0, "a number above 0 and at most 100")
}

fn dbh_cm(text: &str) -> Result<f64, String> {
    within(text, 0.0, WIDEST, "above 0 and at most 1500 cm")
}

fn dbh_in(text: &str) -> Result<f64, String> {
    within(text, 0.0, 600.0, "above 0 and at most 600 in")
}

fn baf_m2_per_ha(text: &str) -> Result<f64, String> {
    within(text, 0.0, 100.0, "above 0 and at most 100 m2/ha")
}

fn baf_ft2_per_ac(text: &str) -> Result<f64, String> {
    within(text, 0.0, 435.0, "above 0 and at most 435 ft2/ac")
}

fn slope_pct(text: &str) -> Result<f64, String> {
    within(text, 0.0, 500.0, "above 0 and at most 500 %")
}

fn two_or_more(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value >= 2.0 && value.is_finite() => Ok(value),
        _ => Err("it must be a number from 2 up".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn diameters_are_lists_and_ranges() {
        let read = |text: &str| Diameters::from_str(text).map(|list| list.0);
        assert_eq!(read("10,15"), Ok(vec![10.0, 15.0]));
        assert_eq!(read("4-6:1, 9.5"), Ok(vec![4.0, 5.0, 6.0, 9.5]));
        assert_eq!(read("1-1.3:0.1").map(|list| list.len()), Ok(4));
        assert_eq!(read("10-14:5"), Ok(vec![10.0]));
        for wrong in ["", "0", "-5", "10-5:1", "10-20", "1-1500:0.001", "x", "nan"] {
            assert!(read(wrong).is_err(), "{wrong}");
        }
    }
}
