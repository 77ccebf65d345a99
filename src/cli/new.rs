//! `new`, `tally` and `schema`, as typed.

use std::path::PathBuf;

use clap::Args;

/// Options of `schema`.
#[derive(Clone, Debug, Args)]
pub struct SchemaArgs {
    /// File to write the schema to.
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Folder of your own species tables: their sets are suggested too.
    #[arg(long, value_name = "FOLDER")]
    pub tables: Option<PathBuf>,
}
