//! `explain`, as typed.

use clap::Args;

use super::DesignArgs;

/// Options of `explain`.
#[derive(Clone, Debug, Args)]
pub struct ExplainArgs {
    /// The cruise.
    #[command(flatten)]
    pub design: DesignArgs,
    /// Plot of the tree.
    #[arg(
        long,
        value_name = "PLOT",
        requires = "tree",
        conflicts_with = "estimate",
        help_heading = "One tree"
    )]
    pub plot: Option<String>,
    /// Number of the tree.
    #[arg(
        long,
        value_name = "TREE",
        requires = "plot",
        help_heading = "One tree"
    )]
    pub tree: Option<String>,
    /// Attribute of the estimate table, `volume_total` for example.
    #[arg(long, value_name = "ATTRIBUTE", help_heading = "One estimate")]
    pub estimate: Option<String>,
    /// Stand of the plot or of the estimate, when there are several.
    #[arg(long, value_name = "STAND", help_heading = "Either")]
    pub stand: Option<String>,
    /// Selection of the tree or of the estimate, when there are several.
    #[arg(long, value_name = "SELECTION", help_heading = "Either")]
    pub selection: Option<String>,
    /// Stratum of the estimate.
    #[arg(
        long,
        value_name = "STRATUM",
        requires = "estimate",
        help_heading = "One estimate"
    )]
    pub stratum: Option<String>,
    /// Status of the estimate: live, dead, or a decay class as in the estimate table.
    #[arg(
        long,
        value_name = "STATUS",
        requires = "estimate",
        help_heading = "One estimate"
    )]
    pub status: Option<String>,
    /// Species of the estimate, as in the estimate table.
    #[arg(
        long,
        value_name = "SPECIES",
        requires = "estimate",
        help_heading = "One estimate"
    )]
    pub species: Option<String>,
    /// Lower limit of the estimate's dbh class, cm.
    #[arg(
        long,
        value_name = "CM",
        requires = "estimate",
        help_heading = "One estimate"
    )]
    pub dbh_from_cm: Option<f64>,
    /// Lower limit of the estimate's dbh class, in.
    #[arg(
        long,
        value_name = "IN",
        requires = "estimate",
        conflicts_with = "dbh_from_cm",
        help_heading = "One estimate"
    )]
    pub dbh_from_in: Option<f64>,
}
