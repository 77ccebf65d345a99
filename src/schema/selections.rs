//! `selections`: the methods by which trees are chosen.

use serde_json::{Value, json};

use super::build::{Object, absent, any_of, list, named, number, only, text, unit_keys, word};
use crate::read::design::selections::{
    MEASURED, METHODS, RATIO_BY, RATIO_ERRORS, SLOPE_CORRECTIONS, Word,
};
use crate::read::limits;
use crate::units::Dimension;

pub(super) fn selections() -> Value {
    let methods: Vec<Value> = METHODS
        .iter()
        .map(|(name, word)| method(name, *word))
        .collect();
    let mut schema = named(
        "The rules by which trees were chosen, each under a name of your own: `fixed`, `sweep`. The \
         names are used in the record files.",
        &json!({
            "description": "One rule by which trees were chosen; its method says which keys it has.",
            "type": "object",
            "required": ["method"],
            "oneOf": methods,
        }),
    );
    schema["minProperties"] = json!(1);
    schema["propertyNames"] = json!({
        "description": "`all` is the word for totals in results; names have no marks in them.",
        "pattern": "^[^.,;\\t\\n\"]+$",
        "not": { "pattern": "^[aA][lL][lL]$" },
    });
    schema
}

fn method(name: &str, word: Word) -> Value {
    match word {
        Word::FixedArea => fixed_area(name),
        Word::Strip => strip(name),
        Word::FullTally => {
            let about = "Every tree of the stand has a record.";
            with_min_dbh(beginning(about, name)).done()
        }
        Word::ThreeP => {
            let about = "Every tree of the stand is visited and a value predicted for it; trees are \
                         measured with probability in proportion to that (3P sampling).";
            let largest = number(
                "The largest random number, in the unit of the predictions.",
                &limits::PREDICTION,
            );
            beginning(about, name)
                .required("largest_number", largest)
                .done()
        }
        Word::AngleGauge => angle_gauge(name),
    }
}

/// What every method has.
fn beginning(about: &str, name: &str) -> Object {
    let slope = super::build::word(
        "Who corrects for slope: `field` where distances are horizontal or were corrected by the \
         crew (so unless said), `program` where they were taken along the slope.",
        &SLOPE_CORRECTIONS,
    );
    Object::new(about)
        .required("method", only(about, name))
        .key("slope_correction", slope)
}

fn with_min_dbh(object: Object) -> Object {
    object.quantity(
        "min_dbh",
        Dimension::Diameter,
        &limits::DBH_LIMIT,
        "Least dbh: thinner trees are not part of the selection",
    )
}

/// Radius or area of a circle.
fn circle(object: Object) -> (Object, Vec<String>) {
    let object = object
        .way(
            "radius",
            Dimension::Length,
            &limits::RADIUS,
            "Radius of the circle; give it or the area, whichever was laid out",
        )
        .way(
            "area",
            Dimension::Area,
            &limits::PLOT_AREA,
            "Area of the circle; give it or the radius, whichever was laid out",
        );
    let keys = [
        unit_keys("radius", Dimension::Length),
        unit_keys("area", Dimension::Area),
    ];
    (object, keys.concat())
}

fn fixed_area(name: &str) -> Value {
    let about = "A plot of fixed size: a circle, or nested rings.";
    let (ring, size) = circle(Object::new(
        "A ring: a circle and the sizes of trees that are taken in it.",
    ));
    let limit = &limits::DBH_LIMIT;
    let ring = ring
        .exactly_one(&size)
        .quantity(
            "min_dbh",
            Dimension::Diameter,
            limit,
            "Least dbh of the ring, part of it",
        )
        .quantity(
            "max_dbh",
            Dimension::Diameter,
            limit,
            "Greatest dbh of the ring, not part of it",
        )
        .done();
    let (object, mut size) = circle(with_min_dbh(beginning(about, name)));
    size.push(String::from("rings"));
    object
        .key(
            "rings",
            list(
                "Rings of a nested plot: small trees in a small circle, large ones in a large one.",
                &ring,
            ),
        )
        .exactly_one(&size)
        .done()
}

fn strip(name: &str) -> Value {
    let length = Dimension::Length;
    with_min_dbh(beginning("A strip of a length and a width.", name))
        .required_quantity("length", length, &limits::STRIP, "Length of the strip")
        .required_quantity("width", length, &limits::STRIP, "Full width of the strip")
        .done()
}

fn angle_gauge(name: &str) -> Value {
    let about = "A sweep with an angle gauge (prism, relascope).";
    let of_counted = ["volume_ratio_from", "volume_ratio_by", "volume_ratio_error"];
    with_min_dbh(beginning(about, name))
        .required_quantity(
            "baf",
            Dimension::BasalAreaFactor,
            &limits::FACTOR,
            "Basal area factor",
        )
        .key(
            "measured",
            word(
                "Which trees have records of their own: `all` (so unless said), `none` (they are \
                 only counted), or `some` (the others are counted).",
                &MEASURED,
            ),
        )
        .key(
            "volume_ratio_from",
            text(
                "The selection whose volume per basal area the counted trees take; it must have \
                 measured trees.",
            ),
        )
        .key(
            "volume_ratio_by",
            word(
                "Whose ratio the counted trees take: `species` (their own, so unless said) or \
                 `pooled`.",
                &RATIO_BY,
            ),
        )
        .key(
            "volume_ratio_error",
            word(
                "How the error of borrowed volume is found: from the `plots` (so unless said), or \
                 by the `product` rule from the errors of counts and ratios.",
                &RATIO_ERRORS,
            ),
        )
        .rule(json!({
            "if": { "properties": { "measured": { "const": "all" } } },
            "then": absent(&of_counted),
        }))
        .done()
}

/// Names of two selections that are estimated together.
pub(super) fn pair() -> Value {
    json!({
        "description": "Two selections at the same plots that make one estimate together.",
        "type": "array",
        "items": text("Name of a selection."),
        "minItems": 2,
        "maxItems": 2,
        "uniqueItems": true,
    })
}

/// A species, or several.
pub(super) fn species(description: &str) -> Value {
    let one = text("Any code or name of the species table, or a code of your own.");
    any_of(description, &[one.clone(), list(description, &one)])
}
