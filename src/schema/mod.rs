//! JSON Schema (draft 2020-12) of the cruise design, made of the words, limits and units that the
//! reader itself uses.
//!
//! What a schema cannot see (names that refer to each other, species, record files) is left to the
//! reader. Names of built-in sets are suggestions: own tables may add others.
//!
//! Source: JSON Schema draft 2020-12, core and validation (json-schema.org; from memory).

mod build;
mod heights;
mod selections;
#[cfg(test)]
mod tests;
mod wood;

use serde_json::{Value, json};

use crate::read::design::intervals::RATIOS;
use crate::read::design::sampling::{AVERAGES, LAYOUTS, STRATA, VARIANCES};
use crate::read::design::{Known, SPECIES_CODES, STATUS, UNITS};
use crate::read::limits;
use crate::units::Dimension;
use build::{Object, any_of, boolean, list, named, number, present, text, unit_keys, whole, word};

/// The schema of a design; `known` are the names that editors suggest.
pub fn design(known: &Known) -> Value {
    let mut schema = root(known);
    schema["$schema"] = json!("https://json-schema.org/draft/2020-12/schema");
    schema["title"] = json!("Cruise design");
    schema
}

fn root(known: &Known) -> Value {
    Object::new("How a timber cruise was laid out, where its records are, and how it is compiled.")
        .key("title", text("Title of the cruise; it names the stand where records name none."))
        .key("units", word("Units of the results: cm, m, ha or in, ft, ac.", &UNITS))
        .key(
            "confidence",
            number("Confidence level of the intervals, as a share: 0.95.", &limits::CONFIDENCE),
        )
        .key(
            "allowable_error_pct",
            number(
                "Wanted half-width of the interval in percent of the mean; for advice on the number \
                 of plots.",
                &limits::ALLOWABLE_ERROR_PCT,
            ),
        )
        .required("inputs", inputs())
        .required("selections", selections::selections())
        .key("sampling", sampling())
        .key("decay_classes", decay_classes())
        .key("status_codes", status_codes())
        .key(
            "species_aliases",
            named(
                "The crew's own species codes.",
                &text("Any code or name of the species table."),
            ),
        )
        .key(
            "species_codes",
            word("How results name species; as recorded unless said.", &SPECIES_CODES),
        )
        .key("heights", heights::heights(known))
        .key("volume", wood::volume(known))
        .key("biomass", wood::biomass(known))
        .key("logs", wood::logs(known))
        .key("tables", tables())
        .key("intervals", intervals())
        .rule(json!({ "dependentRequired": { "logs": ["volume"] } }))
        .done()
}

fn inputs() -> Value {
    let file = |description: &str| {
        let path =
            text("Path relative to the design (CSV; Parquet or a workbook by its ending), or `-`.");
        let with_columns = Object::new("A file with column heads of the crew's own.")
            .required("path", path.clone())
            .key(
                "sheet",
                text(
                    "Sheet of a workbook (.xlsx); else that which is called as this key, or the \
                     only one.",
                ),
            )
            .rule(json!({
                "if": present("sheet"),
                "then": {
                    "properties": {
                        "path": { "type": "string", "pattern": "\\.[xX][lL][sS][xX]\\s*$" },
                    },
                },
            }))
            .key(
                "columns",
                named(
                    "The crew's own column heads, and what they are called here: `diameter: dbh_cm`.",
                    &text("The column as it is called here."),
                ),
            )
            .done();
        any_of(description, &[path, with_columns])
    };
    Object::new("The record files.")
        .key("stands", file("Stands and strata with their areas."))
        .key("plots", file("Every plot visited, with or without trees."))
        .key("trees", file("The measured trees."))
        .key("counts", file("The trees that were only counted."))
        .key(
            "species_tables",
            text("Folder of your own species tables, added to the built-in ones."),
        )
        .rule(json!({ "anyOf": [present("trees"), present("counts")] }))
        .done()
}

fn decay_classes() -> Value {
    let mut classes = list(
        "Names of the decay classes from sound to rotten; 1 to 5 unless said.",
        &text("A decay class."),
    );
    classes["uniqueItems"] = json!(true);
    classes
}

fn status_codes() -> Value {
    let with_class = Object::new("Dead or not, and the decay class.")
        .required("dead", boolean("Is such a tree dead?"))
        .key(
            "decay_class",
            text("One of the decay classes; of dead trees only."),
        )
        .rule(json!({
            "if": { "properties": { "dead": { "const": false } }, "required": ["dead"] },
            "then": build::absent(&["decay_class"]),
        }))
        .done();
    named(
        "The crew's own tree classes: `L: live`, `\"5\": {dead: true, decay_class: 5}`.",
        &any_of(
            "What the code means.",
            &[word("Live or dead.", &STATUS), with_class],
        ),
    )
}

fn sampling() -> Value {
    let differences: Vec<&str> = VARIANCES.iter().skip(1).map(|(word, _)| *word).collect();
    let mut object = Object::new("How plots were laid out; everything in it is optional.")
        .key("layout", word("How plots were placed: at random, or on a grid or along lines.", &LAYOUTS))
        .key(
            "variance",
            word(
                "How the variance of a mean is found; `simple` unless said. On a grid with map \
                 positions also from differences along lines or of neighbours.",
                &VARIANCES,
            ),
        )
        .key(
            "average",
            word(
                "How plots are averaged; `ratio-of-means` weighs them by their area inside the stand.",
                &AVERAGES,
            ),
        )
        .key(
            "strata",
            word(
                "What strata weigh: their known `areas` (so unless said), sorted into them \
                 `after-sampling`, or `estimated` from the points of a first sample.",
                &STRATA,
            ),
        )
        .key(
            "listed_units",
            whole("Plots or clusters in the list they were drawn from.", &limits::LISTED_UNITS),
        )
        .key(
            "listed_stands",
            whole("Stands in the list they were drawn from.", &limits::LISTED_STANDS),
        )
        .quantity(
            "listed_area",
            Dimension::Area,
            &limits::STAND_AREA,
            "Area of all the listed stands",
        )
        .key("combine", selections::pair())
        .rule(json!({
            "if": {
                "properties": { "variance": { "enum": differences } },
                "required": ["variance"],
            },
            "then": {
                "not": {
                    "properties": { "layout": { "const": "random" } },
                    "required": ["layout"],
                },
            },
        }));
    for key in unit_keys("listed_area", Dimension::Area) {
        object = object.rule(json!({ "dependentRequired": { key: ["listed_stands"] } }));
    }
    object.done()
}

fn tables() -> Value {
    Object::new("The tables of the report.")
        .quantity(
            "dbh_class",
            Dimension::Diameter,
            &limits::DBH_CLASS,
            "Width of a dbh class; 5 cm or 2 in unless said",
        )
        .done()
}

fn intervals() -> Value {
    Object::new(
        "How limits of ratios (quadratic mean dbh, mean heights, density indices) are found.",
    )
    .key(
        "ratios",
        word(
            "By drawing the plots again (`bca`, so unless said, or `percentile`), by `t`, or \
                 `none`.",
            &RATIOS,
        ),
    )
    .key(
        "resamples",
        whole("How many times the plots are drawn.", &limits::RESAMPLES),
    )
    .key("seed", whole("Seed of the random numbers.", &limits::SEED))
    .done()
}
