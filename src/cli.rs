//! The command line, as typed: clap structs whose doc comments are the manual.

use std::path::PathBuf;

use clap::{ArgAction, Args, Parser, Subcommand, ValueEnum};

use crate::units::UnitSystem;

mod asking;
mod batch;
mod compare;
mod explain;
mod knowledge;
mod new;
pub mod plan;

pub use asking::{CheckArgs, CheckFormat, CompletionsArgs, ManualArgs};
pub use batch::{BatchArgs, BatchFormat, MergeArgs, ReportForm};
pub use compare::{CompareArgs, SetInRegion};
pub use explain::ExplainArgs;
pub use knowledge::{EquationsArgs, SpeciesArgs, TreeArgs};
pub use new::{HeightRule, Instrument, NewArgs, RingSize, SchemaArgs, Sweep, TallyArgs};

/// Compile timber cruises: plot and tree records in, stand tables with confidence intervals out.
#[derive(Clone, Debug, Parser)]
#[command(
    name = "spinney",
    version,
    max_term_width = 100,
    disable_help_flag = true,
    disable_version_flag = true,
    after_help = "Example: spinney compile examples/marrow-creek/design.yaml"
)]
pub struct Cli {
    /// Print help: the options with `-h`, all that there is to say with `--help`.
    #[arg(short, long, global = true, action = ArgAction::Help, help_heading = "Help")]
    pub help: Option<bool>,
    /// Print the version.
    #[arg(short = 'V', long, action = ArgAction::Version, help_heading = "Help")]
    pub version: Option<bool>,
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Clone, Debug, Subcommand)]
pub enum Command {
    /// Plan a cruise: number of plots, plot size or factor, limiting distances.
    #[command(
        long_about = "Plan a cruise before going out: how many plots an allowable error takes and \
                      where to put them, which plot size or basal area factor suits the trees, and \
                      tables of limiting distances for the field.",
        after_help = "Examples:\n  \
            spinney plan plots --cv-pct 40 --error-pct 10\n  \
            spinney plan size --trees-per-ha 800 --dbh-cm 24\n  \
            spinney plan distances --baf-m2-per-ha 7 --dbh-cm 10-60:5"
    )]
    Plan(plan::PlanArgs),
    /// Begin a cruise: a design, empty record files, field sheets.
    #[command(
        long_about = "Begin a cruise: write a commented design, record files with the right heads and \
                      field sheets to be printed into a folder. On a terminal it asks for what the \
                      options do not say; elsewhere the units, a plot, sweep or full tally and, where \
                      trees are measured, the height rule must be there. Nothing is overwritten.",
        after_help = "Examples:\n  \
            spinney new creek\n  \
            spinney new creek --units metric --fixed-radius-m 7.98 --min-dbh-cm 10 \\\n    \
            --baf-m2-per-ha 7 --sweep counted --height-rule first-per-species:2 \\\n    \
            --volume-set ca-bc-volume-2016 --region CWH --species Fd,Cw,Hw\n  \
            spinney new flat --units imperial --baf-ft2-per-ac 20 --sweep measured --height-rule every:5"
    )]
    New(NewArgs),
    /// Print field sheets for a design, a page for each plot and selection.
    #[command(
        long_about = "Make field sheets to be printed (HTML, on A4 or Letter): for each plot and \
                      selection a page with the columns of the design's record files, marks or boxes \
                      for the trees that need a height, boxes for counts, and distances for trees near \
                      the edge. Columns are those of the trees file where there is one, so that sheets \
                      are typed as they stand.",
        after_help = "Examples:\n  \
            spinney tally design.yaml --plots 20 --out tally.html\n  \
            spinney tally design.yaml --plot-names 7,8,9 --species Fd,Cw,Hw --out tally.html"
    )]
    Tally(TallyArgs),
    /// Look for errors and suspicious values, by line, without compiling.
    #[command(
        long_about = "Read the design and all records and list every error and every suspicious \
                      value with its file, line and column. Findings go to standard error, a count \
                      of what was read to standard output. Exit status 1 if there is an error.\n\n\
                      The JSON, on standard output, has title, stands (stand, n_plots, \
                      n_plots_without_trees, n_tree_records, n_trees_counted), findings, and how \
                      many errors, warnings and notes these are. A finding has severity, code, \
                      file, line and column (or sheet, row and field in a file of rows), message, and \
                      hint, what to do; what does not apply is null. All findings are in it, where \
                      the terminal folds many of one kind.",
        after_help = "Examples:\n  \
            spinney check examples/marrow-creek/design.yaml\n  \
            spinney check design.yaml --format json"
    )]
    Check(CheckArgs),
    /// Compile a cruise: heights, volumes, estimates, tables.
    #[command(
        long_about = "Compile a cruise: fill missing heights, apply volume equations, expand the \
                      trees of every plot, and print stand tables with confidence intervals.\n\n\
                      Results go to standard output, findings to standard error. Exit status 0: \
                      done; 1: the input is wrong; 2: the command line is wrong.",
        after_help = "Examples:\n  \
            spinney compile examples/marrow-creek/design.yaml\n  \
            spinney compile design.yaml --format csv --out estimates.csv --tree-list trees.csv\n  \
            spinney compile design.yaml --volume-set ca-bc-taper-1994 --curve naslund"
    )]
    Compile(CompileArgs),
    /// Report on the height curves: forms tried, errors, bias, heights that stand out.
    #[command(
        long_about = "Report on the height-diameter curves that `compile` fills heights from, and on \
                      those of species that miss no height: every form that was tried with its \
                      parameters and errors, or why it was refused; the mean of the heights less \
                      those of the curve, by dbh class; a picture of heights and curve; and the \
                      heights that stand out, to be looked up in the field book.\n\n\
                      The CSV has one row for each curve and form. The JSON carries the same rows \
                      under `curves`, mean residuals under `bias`, species without a curve of their \
                      own under `without_curve`, heights that stand out under `standing_out` and \
                      every height under `heights`.",
        after_help = "Examples:\n  \
            spinney heights examples/marrow-creek/design.yaml\n  \
            spinney heights examples/marrow-creek/design.yaml --species Fd --data heights.csv\n  \
            spinney heights design.yaml --stand 12 --curve naslund --format csv --out forms.csv"
    )]
    Heights(HeightsArgs),
    /// Compile a cruise in two or more ways and show the paired differences.
    #[command(
        long_about = "Compile the same records by the design as it stands and by each alternative: \
                      another volume set, another form of the height curve, other merchantable \
                      limits. Each option adds one alternative that differs from the design in \
                      that one thing; sets come first, then curves, then limits.\n\n\
                      The difference of an estimate is taken tree by tree on the same plots, and \
                      its interval from the differences by plot: it says whether the choice \
                      matters on this ground, not which choice is right. The terminal report adds \
                      the trees that make most of the difference.\n\n\
                      Columns of the CSV: stand, stratum, selection, status, species, \
                      dbh_from_cm, dbh_to_cm, attribute, unit, base, alternative, base_per_ha, \
                      alternative_per_ha, difference_per_ha, std_error, ci_lower, ci_upper, \
                      difference_pct, df, n_plots; `all` names a margin, differences are \
                      alternative less base, std_error to ci_upper are those of the difference, \
                      difference_pct is in percent of the base. In imperial results the columns \
                      are dbh_from_in, dbh_to_in, base_per_ac and so on. The JSON carries the same \
                      rows under `differences`, the trees under `trees`, and what the two do not \
                      define alike under `remarks`.",
        after_help = "Examples:\n  \
            spinney compare examples/marrow-creek/design.yaml --volume-set ca-bc-taper-1994\n  \
            spinney compare design.yaml --curve naslund --curve power --format csv --out curves.csv\n  \
            spinney compare design.yaml --merchantable stump_m=0.3,top_dib_cm=15,min_dbh_cm=17.5",
        override_usage = "spinney compare [OPTIONS] <DESIGN>\n           \
            <--volume-set <SET[@REGION]>|--curve <FORM>|--merchantable <KEY=VALUE,...>>",
        group = clap::ArgGroup::new("alternative").required(true).multiple(true)
    )]
    Compare(CompareArgs),
    /// Show how the figures of one tree, or one estimate, come about.
    #[command(
        long_about = "Show the whole derivation for one tree: its height and where that comes \
                      from, the volume equation with citation and coefficients, how many trees it \
                      stands for, and what it adds per hectare.\n\n\
                      Or, with --estimate, for one row of the estimate table: the value of every \
                      plot, means, variances, strata with their weights, borrowed ratios, degrees \
                      of freedom, the interval. What is not said stands for all (stands, strata, \
                      species, sizes) and for live trees.",
        after_help = "Examples:\n  \
            spinney explain examples/marrow-creek/design.yaml --plot 3 --tree 2 --selection fixed\n  \
            spinney explain examples/marrow-creek/design.yaml --estimate volume_total --selection sweep",
        group = clap::ArgGroup::new("what").required(true).args(["tree", "estimate"])
    )]
    Explain(ExplainArgs),
    /// Compile many stands, from many designs or one, side by side.
    #[command(
        long_about = "Compile many stands: of many designs, or of one whose files hold many stands. \
                      Stands are compiled side by side, and one that cannot be compiled does not \
                      stop the others.\n\n\
                      The folder of results gets estimates.csv (the rows that `compile --format csv` \
                      gives, with a first column `design` if there are several), summary.csv (a row \
                      for each stand and selection), findings.csv (errors, warnings and notes with \
                      file, line and column), and on demand trees.csv and a report of each stand. \
                      The rows with stand `all` are all stands together, by their areas. \
                      batch.journal keeps every finished stand: after a kill, or a change of some \
                      records, --resume compiles only what is missing and gives the same files.\n\n\
                      Exit status 0: done; 1: some stand or design failed; 2: the command line is \
                      wrong.",
        after_help = "Examples:\n  \
            spinney batch inventory/design.yaml --out results\n  \
            spinney batch 'stands/*/design.yaml' --out results --reports\n  \
            find . -name design.yaml | spinney batch --list - --out results --resume"
    )]
    Batch(BatchArgs),
    /// Put the results of several batch runs together.
    #[command(
        long_about = "Put the results of several batch runs together, for example of parts of an \
                      inventory that were compiled on several machines. The files are those that \
                      one run over all of their stands would give; estimates of all stands together \
                      are made from sums, not from averages of averages.",
        after_help = "Example: spinney merge part1 part2 part3 --out results"
    )]
    Merge(MergeArgs),
    /// Find a species by any code or name, or list them all.
    #[command(after_help = "Examples:\n  spinney species cedar\n  spinney species PSME")]
    Species(SpeciesArgs),
    /// List equation sets, show one, try a tree under all of them, or run their check values.
    #[command(
        long_about = "List the equation sets, show one in full, run their published check values, \
                      or evaluate one tree under every set that covers its species.",
        after_help = "Examples:\n  spinney equations\n  spinney equations ca-bc-volume-2016\n  \
            spinney equations --species Fd --dbh-cm 42 --height-m 31\n  \
            spinney equations --species PSME --dbh-in 16 --height-ft 100 --region M240\n  \
            spinney equations --verify"
    )]
    Equations(EquationsArgs),
    /// Print the JSON Schema of the cruise design, for editors and other programs.
    #[command(
        long_about = "Print the JSON Schema (draft 2020-12) of the cruise design: every key with its \
                      words, units and limits. An editor that knows schemas completes keys and marks \
                      slips while a design is typed; the first line of the design names the file:\n\n  \
                      # yaml-language-server: $schema=design.schema.json\n\n\
                      What a schema cannot see (species, names that refer to each other, records) is \
                      left to `check`.",
        after_help = "Example: spinney schema --out design.schema.json"
    )]
    Schema(SchemaArgs),
    /// Print a script by which a shell completes commands and options.
    #[command(
        long_about = "Print a script by which a shell completes commands and options. Where it is \
                      to be put depends on the shell; bash, for one, reads it from the folder \
                      bash-completion/completions of the user's data when the name is typed.",
        after_help = "Examples:\n  \
            spinney completions bash > ~/.local/share/bash-completion/completions/spinney\n  \
            spinney completions fish > ~/.config/fish/completions/spinney.fish"
    )]
    Completions(CompletionsArgs),
    /// Write the manual as pages for `man`.
    #[command(
        long_about = "Write the manual as pages for `man`: spinney.1, and one for each command, \
                      spinney-compile.1 for example.",
        after_help = "Examples:\n  \
            spinney manual --out ~/.local/share/man/man1\n  \
            spinney manual > spinney.1"
    )]
    Manual(ManualArgs),
}

/// A design and what overrides it.
#[derive(Clone, Debug, Args)]
pub struct DesignArgs {
    /// The cruise design (YAML); `-` reads it from standard input.
    #[arg(value_name = "DESIGN")]
    pub design: PathBuf,
    /// What the command line says in its place.
    #[command(flatten)]
    pub overrides: Overrides,
}

/// What stands in place of something in the design.
#[derive(Clone, Debug, Default, Args)]
pub struct Overrides {
    /// Volume set to use instead of the design's.
    #[arg(long, value_name = "SET", help_heading = "Equations and curves")]
    pub volume_set: Option<String>,
    /// Region or zone of the volume set, instead of the design's.
    #[arg(long, value_name = "REGION", help_heading = "Equations and curves")]
    pub region: Option<String>,
    /// Biomass set to use instead of the design's; several in order of preference with commas.
    #[arg(
        long,
        value_name = "SET",
        value_delimiter = ',',
        help_heading = "Equations and curves"
    )]
    pub biomass_set: Vec<String>,
    /// Height-diameter curve form instead of the design's (`best` or a form's name).
    #[arg(long, value_name = "FORM", help_heading = "Equations and curves")]
    pub curve: Option<String>,
    /// Confidence level of the intervals, for example 0.9.
    #[arg(long, value_name = "LEVEL", value_parser = confidence, help_heading = "Result")]
    pub confidence: Option<f64>,
    /// Units of the results.
    #[arg(long, value_enum, value_name = "SYSTEM", help_heading = "Result")]
    pub units: Option<Units>,
    /// Folder of your own species tables, added to the built-in ones.
    #[arg(long, value_name = "FOLDER", help_heading = "Equations and curves")]
    pub tables: Option<PathBuf>,
}

/// Options of `compile`.
#[derive(Clone, Debug, Args)]
pub struct CompileArgs {
    /// The cruise.
    #[command(flatten)]
    pub design: DesignArgs,
    /// Form of the result.
    #[arg(long, value_enum, default_value_t = Format::Terminal, help_heading = "Result")]
    pub format: Format,
    /// File to write the result to; an existing folder gets a file named after the design.
    #[arg(long, value_name = "FILE-or-DIR", help_heading = "Result")]
    pub out: Option<PathBuf>,
    /// File to write every tree to, with its height, volumes and expansion (CSV; Parquet or a
    /// workbook if its name ends in `.parquet` or `.xlsx`).
    #[arg(long, value_name = "FILE", help_heading = "Result")]
    pub tree_list: Option<PathBuf>,
    /// File to write every log to, with its product, diameters and volumes (CSV, `.parquet` or
    /// `.xlsx`); the design says how stems are cut.
    #[arg(long, value_name = "FILE", help_heading = "Result")]
    pub log_list: Option<PathBuf>,
    /// File to write where the error of each volume and mass comes from (CSV, `.parquet` or
    /// `.xlsx`): sampling, height curves, measurement of heights, equations, and their total.
    ///
    /// One row for each stand, stratum and selection (all live trees): standard errors per hectare
    /// or acre by source, empty where nothing is known; their total and its interval; the tree
    /// records of which curves, heights or equations have no known error; what heights that scatter
    /// about their curves would add to the estimate, and the most that it can be.
    #[arg(long, value_name = "FILE", help_heading = "Result")]
    pub sources_of_error: Option<PathBuf>,
    /// Show one stand of several in full.
    #[arg(long, value_name = "NAME", help_heading = "Result")]
    pub stand: Option<String>,
    /// Width of the terminal report in columns; that of the terminal, from 80 to 120, if not given.
    #[arg(long, value_name = "COLUMNS", value_parser = clap::value_parser!(u16).range(40..), help_heading = "Result")]
    pub width: Option<u16>,
}

/// Options of `heights`.
#[derive(Clone, Debug, Args)]
pub struct HeightsArgs {
    /// The cruise.
    #[command(flatten)]
    pub design: DesignArgs,
    /// Show one stand of several in full.
    #[arg(long, value_name = "NAME", help_heading = "Result")]
    pub stand: Option<String>,
    /// Show only the curve that serves this species (any code or name).
    #[arg(long, value_name = "SPECIES", help_heading = "Result")]
    pub species: Option<String>,
    /// File to write every height and its curve to (CSV).
    ///
    /// One row for each height and each curve that it is behind: stand, plot, tree, line, species,
    /// dbh, height and its standard error where known, source (measured or instrument), height by
    /// the curve at that place, residual, leverage (without effects of places; empty where the
    /// curve was not fitted here), externally studentised residual (with effects: over the standard
    /// deviation about the curve), level, form, and the effect of the place where there is one.
    #[arg(long, value_name = "FILE", help_heading = "Result")]
    pub data: Option<PathBuf>,
    /// Form of the result.
    #[arg(long, value_enum, default_value_t = TableFormat::Terminal, help_heading = "Result")]
    pub format: TableFormat,
    /// File to write the result to.
    #[arg(long, value_name = "FILE", help_heading = "Result")]
    pub out: Option<PathBuf>,
    /// Width of the terminal report in columns; that of the terminal, from 80 to 120, if not given.
    #[arg(long, value_name = "COLUMNS", value_parser = clap::value_parser!(u16).range(40..), help_heading = "Result")]
    pub width: Option<u16>,
}

/// Forms of the result.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// The report as text.
    Terminal,
    /// The tidy estimate table as CSV.
    Csv,
    /// The tidy estimate table as JSON.
    Json,
    /// The tidy estimate table as Parquet: words, doubles, `n_plots` as int64; null where the CSV is
    /// empty, and in the limits of dbh classes for `all`.
    Parquet,
    /// A workbook (Excel) of all results, a table on each sheet: summary, stand and stock tables,
    /// trees, logs, plots, curves, equations, estimates, sources of error, warnings, report.
    Xlsx,
    /// The report as Markdown.
    Markdown,
    /// The report with charts as one HTML page that needs no network and no script.
    Html,
}

/// Forms of a result that is a few tables.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum TableFormat {
    /// A report as text.
    Terminal,
    /// The rows as CSV.
    Csv,
    /// The rows as JSON.
    Json,
}

/// Unit systems.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Units {
    /// cm, m, ha.
    Metric,
    /// in, ft, ac.
    Imperial,
}

impl From<Units> for UnitSystem {
    fn from(units: Units) -> Self {
        match units {
            Units::Metric => UnitSystem::Metric,
            Units::Imperial => UnitSystem::Imperial,
        }
    }
}

/// A positive size.
fn size(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(size) if size > 0.0 && size.is_finite() => Ok(size),
        _ => Err("it must be a positive number".to_owned()),
    }
}

/// A confidence level strictly between 0.5 and 1.
pub(crate) fn confidence(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(level) if level > 0.5 && level < 1.0 => Ok(level),
        Ok(level) if level > 50.0 && level < 100.0 => {
            Err(format!("write it as a fraction: {}", level / 100.0))
        }
        _ => Err("it must be a number between 0.5 and 1, such as 0.95".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory as _;

    #[test]
    fn the_definitions_are_sound() {
        Cli::command().debug_assert();
    }

    #[test]
    fn confidence_levels() {
        assert_eq!(confidence("0.9"), Ok(0.9));
        assert_eq!(
            confidence("95").unwrap_err(),
            "write it as a fraction: 0.95"
        );
        assert!(confidence("nan").is_err());
        assert!(confidence("1").is_err());
    }
}
