//! `heights`: how they were taken and are filled.

use serde_json::{Value, json};

use super::build::{
    Object, any_of, list, named, number, only, suggested, text, unit_keys, whole, word,
};
use crate::read::design::Known;
use crate::read::design::heights_volume::{CALIBRATE, FIT_BY, WEIGHTS};
use crate::read::design::subsample::{CLASS_OVER, COUNT_OVER, RULES, Word};
use crate::read::limits::{self, Limits};
use crate::units::Dimension;

pub(super) fn heights(known: &Known) -> Value {
    let mut forms = vec!["best"];
    forms.extend(known.curve_forms);
    Object::new("How heights were taken, and how missing ones are filled.")
        .quantity(
            "breast_height",
            Dimension::Length,
            &limits::BREAST_HEIGHT,
            "Height at which dbh was taken; 1.3 m unless said",
        )
        .key("subsample", subsample())
        .key(
            "curve",
            json!({
                "description": "Form of the height-diameter curve; `best` (so unless said) chooses.",
                "enum": forms,
            }),
        )
        .key(
            "min_trees",
            whole(
                "Species with fewer measured heights use the shared curve of their kind.",
                &limits::MIN_TREES,
            ),
        )
        .key(
            "weights",
            word(
                "What a height weighs in the fit: all `equal` (so unless said), `inverse-dbh`, or by \
                 the `precision` of each.",
                &WEIGHTS,
            ),
        )
        .key(
            "fit_by",
            word(
                "Curves for each `stand` apart (so unless said), or for the whole `cruise`.",
                &FIT_BY,
            ),
        )
        .key(
            "calibrate",
            word(
                "Does the curve of a species differ from plot to plot, or stand to stand? `best` (so \
                 unless said): where it fits better so.",
                &CALIBRATE,
            ),
        )
        .key(
            "regional",
            suggested(
                "A set of published height curves, for species with too few heights of their own.",
                known.height_sets,
            ),
        )
        .key("ratio_to", ratio_to())
        .key("instrument", instrument())
        .key("fill", fill())
        .done()
}

fn subsample() -> Value {
    let rules: Vec<Value> = RULES.iter().map(|(name, word)| rule(name, *word)).collect();
    json!({
        "description": "What the crew was told about which trees get a height; the records are held \
                        against it.",
        "type": "object",
        "required": ["rule"],
        "oneOf": rules,
    })
}

fn rule(name: &str, word: Word) -> Value {
    let (object, is_listed) = match word {
        Word::FirstPerSpecies => (first_per_species(name), true),
        Word::EveryNth => (every_nth(name), true),
        Word::PerDbhClass => (per_dbh_class(name), true),
        Word::AllIn => {
            let about = "Every tree of one selection.";
            let object = Object::new(about)
                .required("rule", only(about, name))
                .required("selection", text("Name of the selection."));
            (object, false)
        }
    };
    if !is_listed {
        return object.done();
    }
    let selections = list(
        "The selections that the rule is about; all with measured trees unless said.",
        &text("Name of a selection."),
    );
    object.key("selections", selections).done()
}

fn first_per_species(name: &str) -> Object {
    let about = "The first trees of each species on each plot.";
    Object::new(about)
        .required("rule", only(about, name))
        .required(
            "per_plot",
            whole("How many trees of each species.", &limits::PER_PLOT),
        )
}

fn every_nth(name: &str) -> Object {
    let about = "Every nth tree.";
    Object::new(about)
        .required("rule", only(about, name))
        .required(
            "every",
            whole("The n: 5 for every fifth tree.", &limits::EVERY),
        )
        .key(
            "count_over",
            super::build::word(
                "Where the count begins anew: on every `plot` (so unless said), or never (`cruise`).",
                &COUNT_OVER,
            ),
        )
}

fn per_dbh_class(name: &str) -> Object {
    let about = "Some trees of each dbh class, all species together.";
    Object::new(about)
        .required("rule", only(about, name))
        .required_quantity(
            "class",
            Dimension::Diameter,
            &limits::DBH_CLASS,
            "Width of the classes",
        )
        .required(
            "per_class",
            whole("How many trees of each class.", &limits::PER_PLOT),
        )
        .required(
            "over",
            super::build::word("Taken from each plot, or from each stand.", &CLASS_OVER),
        )
}

fn ratio_to() -> Value {
    let with_ratio = Object::new("The other species and the ratio.")
        .required("species", text("The species whose curve it takes."))
        .key(
            "ratio",
            number(
                "Height above breast height in that of the other; found from heights unless said.",
                &limits::HEIGHT_RATIO,
            ),
        )
        .done();
    let other = text("The species whose curve it takes; the ratio is found from heights.");
    named(
        "Species that take another's height curve: `Cw: Hw`, or `Cw: {species: Hw, ratio: 0.92}`.",
        &any_of("The other species.", &[other, with_ratio]),
    )
}

/// A standard error that is a length or a share.
fn length_sd(object: Object, stem: &str, description: &str) -> Object {
    let percent = format!("{description}, in percent of what is measured.");
    let key = format!("{stem}_pct");
    let mut keys = unit_keys(stem, Dimension::Length);
    keys.push(key.clone());
    object
        .way(stem, Dimension::Length, &limits::LENGTH_SD, description)
        .key(&key, number(&percent, &limits::LENGTH_SD_PCT))
        .at_most_one(&keys)
}

fn instrument() -> Value {
    let sight = |unit: &str, limits: &Limits| {
        number(&format!("Standard error of a sight, in {unit}."), limits)
    };
    let object = Object::new("How well heights were measured, as standard errors.")
        .key("angle_sd_deg", sight("degrees", &limits::SIGHT_SD_DEG))
        .key("angle_sd_pct", sight("percent", &limits::SIGHT_SD_PCT))
        .at_most_one(&["angle_sd_deg", "angle_sd_pct"].map(String::from))
        .key(
            "hidden_top_sd_pct",
            number(
                "Standard error of an estimated length out of sight, in percent of it.",
                &limits::ESTIMATE_SD_PCT,
            ),
        );
    let object = length_sd(object, "distance_sd", "Standard error of a distance");
    length_sd(
        object,
        "height_sd",
        "Standard error of heights that were written down",
    )
    .done()
}

fn fill() -> Value {
    let draws = Object::new("Heights drawn about the curve, over and over.")
        .required(
            "draws",
            whole(
                "How many times each height is drawn.",
                &limits::HEIGHT_DRAWS,
            ),
        )
        .key("seed", whole("Seed of the random numbers.", &limits::SEED))
        .done();
    any_of(
        "What a curve gives to a tree without a height: the `mean` height of its dbh (so unless \
         said), or heights drawn about it: `{draws: 20, seed: 1}`.",
        &[only("The mean height of its dbh.", "mean"), draws],
    )
}
