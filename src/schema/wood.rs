//! `volume`, `biomass` and `logs`: which equations, and how stems are cut.

use serde_json::{Value, json};

use super::build::{
    Object, any_of, boolean, list, named, number, suggested, text, unit_keys, word,
};
use super::selections::species;
use crate::design::CubicRule;
use crate::read::design::Known;
use crate::read::design::heights_volume::{FALLBACKS, STAND_ORIGINS};
use crate::read::design::logs::{SCALE_DIAMETER, SCALE_LENGTH};
use crate::read::limits;
use crate::units::Dimension;

pub(super) fn volume(known: &Known) -> Value {
    let object = Object::new(
        "Which volume equations; without, there are trees and basal area only.",
    )
    .required(
        "set",
        suggested(
            "A set of volume equations: `spinney equations` lists them.",
            known.volume_sets,
        ),
    )
    .key(
        "bark",
        suggested(
            "A set of bark ratios, where profiles are on the other bark basis than the limits.",
            known.bark_sets,
        ),
    )
    .key("merchantable", merchantable());
    with_choices(object).done()
}

pub(super) fn biomass(known: &Known) -> Value {
    let set = "A set of biomass equations; of several, in order of preference, the closest to the \
               species serves it.";
    let one = suggested(set, known.biomass_sets);
    let mut sets = list(set, &one);
    sets["uniqueItems"] = json!(true);
    let object =
        Object::new("Which biomass equations; without, there is no biomass and no carbon.")
            .required("set", any_of(set, &[one, sets]))
            .key(
                "province",
                text("Ecological province, for sets that use one."),
            )
            .key(
                "carbon_fraction",
                number(
                    "Carbon in a unit of oven-dry mass, in place of the sets' own.",
                    &limits::CARBON_FRACTION,
                ),
            );
    with_choices(object).done()
}

/// What sets of volume and of biomass equations have in common.
fn with_choices(object: Object) -> Object {
    object
        .key(
            "region",
            text("Region or zone of the set: `spinney equations SET` lists them."),
        )
        .key(
            "stand_origin",
            word(
                "Natural or planted stands, where the set has both.",
                &STAND_ORIGINS,
            ),
        )
        .key(
            "substitute",
            named(
                "Species without an equation, and the species that stands in.",
                &text("The species that stands in."),
            ),
        )
        .key(
            "fallback",
            word(
                "For a species without an equation or a substitute: `none` is an error (so unless \
                 said), `genus` takes the equation of its genus, `group` else that of its group.",
                &FALLBACKS,
            ),
        )
}

fn merchantable() -> Value {
    let diameter = Dimension::Diameter;
    let top = [
        unit_keys("top_dib", diameter),
        unit_keys("top_dob", diameter),
    ]
    .concat();
    Object::new("Limits of merchantable wood.")
        .required_quantity(
            "stump",
            Dimension::Length,
            &limits::STUMP,
            "Height of the stump",
        )
        .way(
            "top_dib",
            diameter,
            &limits::TOP_DIAMETER,
            "Top diameter inside bark; give it or the one outside bark",
        )
        .way(
            "top_dob",
            diameter,
            &limits::TOP_DIAMETER,
            "Top diameter outside bark; give it or the one inside bark",
        )
        .exactly_one(&top)
        .quantity(
            "min_dbh",
            diameter,
            &limits::DBH_LIMIT,
            "Least dbh: thinner trees have no merchantable wood",
        )
        .done()
}

pub(super) fn logs(known: &Known) -> Value {
    Object::new("How stems are cut into logs and scaled; it needs `volume`, for the profiles.")
        .required_quantity(
            "stump",
            Dimension::Length,
            &limits::STUMP,
            "Height of the stump, where the first log begins",
        )
        .key(
            "cubic_rule",
            word(
                "Rule for the cubic volume of a log: from both ends (`smalian`, so unless said), the \
                 middle (`huber`), or all three (`newton`).",
                &CubicRule::NAMES,
            ),
        )
        .key("board_feet", board_feet(known))
        .key(
            "scale_diameter",
            word(
                "How the small-end diameter is taken for board feet; `nearest-inch` unless said.",
                &SCALE_DIAMETER,
            ),
        )
        .key(
            "scale_length",
            word(
                "How the length is taken for board feet; `as-is` unless said.",
                &SCALE_LENGTH,
            ),
        )
        .quantity(
            "class",
            Dimension::Diameter,
            &limits::SMALL_END_CLASS,
            "Width of a class of small-end diameters; as for dbh unless said",
        )
        .required("products", list("Products in order of preference.", &product()))
        .done()
}

fn board_feet(known: &Known) -> Value {
    let name = suggested("A log rule.", known.log_rules);
    let rounded = Object::new("A log rule, and how each log is rounded.")
        .required("rule", name.clone())
        .key(
            "round_to_bf",
            any_of(
                "Multiple to which the board feet of a log are rounded, or `none`; as the tables of \
                 the rule are unless said.",
                &[
                    number("The multiple.", &limits::BOARD_FEET_ROUNDING),
                    json!({ "description": "Not rounded.", "const": "none" }),
                ],
            ),
        )
        .done();
    json!({
        "description": "Rules for board feet, each a table of its own.",
        "type": "array",
        "items": any_of("A log rule.", &[name, rounded]),
    })
}

fn product() -> Value {
    let (diameter, length) = (Dimension::Diameter, Dimension::Length);
    Object::new("A product: what a log must be to be one.")
        .required("name", text("Its name."))
        .required_quantities(
            "lengths",
            length,
            &limits::LOG_LENGTH,
            "Nominal lengths of its logs",
        )
        .quantity(
            "trim",
            length,
            &limits::TRIM,
            "Length left on top of the nominal length; it scales as nothing",
        )
        .required_quantity(
            "min_top_dib",
            diameter,
            &limits::SMALL_END,
            "Least small-end diameter inside bark",
        )
        .quantity(
            "min_dbh",
            diameter,
            &limits::DBH_LIMIT,
            "Least dbh: thinner trees give none",
        )
        .key(
            "species",
            species("The species that give it; all unless said."),
        )
        .key("live_only", boolean("Do dead trees give none?"))
        .done()
}
