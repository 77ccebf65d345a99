//! What the fuzz targets have in common: the knowledge of the program, a bound on memory, the way
//! findings are printed, folders in memory, and cruises made of choices.

use std::fs;
use std::path::Path;
use std::sync::OnceLock;

use peak_alloc::PeakAlloc;
use spinney::design::Design;
use spinney::diagnostic::Problems;
use spinney::heights::curve::Form;
use spinney::read::design::{Known, read_design};
use spinney::read::excerpts::Excerpts;
use spinney::read::source::Source;
use spinney::read::tables::Tables;
use spinney::render::{excerpt, findings};
use spinney::species::SpeciesTable;
use tempfile::TempDir;

pub mod cruise;
pub mod outputs;
pub mod records;
pub mod tables;

#[global_allocator]
static HEAP: PeakAlloc = PeakAlloc;

/// Bytes of memory that one byte of input may cost, beyond what an ordinary run takes.
const BYTES_PER_BYTE: usize = 50;

/// Runs `work` and fails if it held more memory at any time than `base_mb` (what an ordinary run
/// costs) and 50 times its input.
pub fn within(base_mb: usize, input: &[u8], work: impl FnOnce()) {
    let before = HEAP.current_usage();
    HEAP.reset_peak_usage();
    work();
    let held = HEAP.peak_usage().saturating_sub(before);
    let allowed = base_mb * 1_000_000 + BYTES_PER_BYTE * input.len();
    if std::env::var_os("SPINNEY_FUZZ_MEMORY").is_some() {
        eprintln!("{held} bytes held for {} of input", input.len());
    }
    assert!(
        held <= allowed,
        "{held} bytes held for {} of input; {allowed} are allowed",
        input.len()
    );
}

/// Called once before a target runs: what is read once and kept is no part of its memory, and one
/// thread gives the same coverage each time.
pub fn prepare() {
    // A second pool is refused, and the first has one thread too.
    let _ = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build_global();
    world();
}

/// What the program knows.
pub struct World {
    pub species: SpeciesTable,
    volume_sets: Vec<String>,
    biomass_sets: Vec<String>,
    bark_sets: Vec<String>,
    height_sets: Vec<String>,
    log_rules: Vec<String>,
}

/// The built-in tables, read once.
pub fn world() -> &'static World {
    static WORLD: OnceLock<World> = OnceLock::new();
    WORLD.get_or_init(|| {
        let tables = Tables::builtin();
        World {
            species: tables.species().expect("the built-in table is sound"),
            volume_sets: tables.volume_sets(),
            biomass_sets: tables.biomass_sets(),
            bark_sets: tables.bark_sets(),
            height_sets: tables.folders("height-curves"),
            log_rules: tables.log_rules(),
        }
    })
}

/// Reads a design; it is there if and only if no error was found.
pub fn design_of(source: &Source, base: &Path) -> (Option<Design>, Problems) {
    let world = world();
    let known = Known {
        curve_forms: &Form::NAMES,
        volume_sets: &world.volume_sets,
        biomass_sets: &world.biomass_sets,
        bark_sets: &world.bark_sets,
        height_sets: &world.height_sets,
        log_rules: &world.log_rules,
    };
    let (design, problems) = read_design(source, base, &known);
    assert_eq!(design.is_none(), problems.has_errors(), "{problems:?}");
    (design, problems)
}

/// Prints findings in each form, with the lines of these texts that they speak of.
pub fn print(problems: &Problems, sources: &[&Source]) {
    let folded = problems.clone().folded();
    let excerpts = Excerpts::of(&folded, |name| {
        let source = sources.iter().find(|source| source.name() == name)?;
        Some((source.text().as_bytes(), name.ends_with(".yaml")))
    });
    for one in &folded {
        let text = excerpt::finding(one, &excerpts, false);
        let first = text.lines().next().unwrap_or_default();
        assert!(first.contains(one.code), "{text:?}");
        excerpt::finding(one, &excerpts, true);
    }
    findings::json(Some("fuzz"), &[], problems).expect("findings are JSON");
}

/// A folder in memory, where there is such a place.
pub fn folder() -> TempDir {
    let memory = Path::new("/dev/shm");
    let folder = if memory.is_dir() {
        TempDir::new_in(memory)
    } else {
        TempDir::new()
    };
    folder.expect("a folder can be made")
}

/// Writes a file.
pub fn write(path: &Path, content: impl AsRef<[u8]>) {
    fs::write(path, content).expect("a file can be written");
}
