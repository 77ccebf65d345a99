//! The Canadian families beside each other: ratios that an independent implementation printed for
//! the same trees, and the rules that single families follow. Bases of bark are never mixed, except
//! where a ratio between them is what is checked.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use spinney::design::{Fallback, Merchantable};
use spinney::species::SpeciesId;
use spinney::species::choose::{Chosen, MerchantableBy, Wanted};
use spinney::species::set::{BarkBasis, VolumeSet};
use spinney::stems::volume::StemVolume;

use crate::volumes::{SPECIES, choose, id, set, tree};

fn limits(stump_m: f64, top_diameter_cm: f64) -> Merchantable {
    Merchantable {
        stump_m,
        top_diameter_cm,
        top_inside_bark: true,
        min_dbh_cm: None,
    }
}

fn chosen(name: &str, code: &str, region: Option<&str>, merch: Option<Merchantable>) -> Chosen {
    choose(name, code, region, Fallback::None, merch).unwrap()
}

fn total_m3(name: &str, code: &str, region: Option<&str>, dbh_cm: f64, height_m: f64) -> f64 {
    let chosen = chosen(name, code, region, None);
    set(name)
        .stem(&chosen, &tree(dbh_cm, height_m))
        .total_m3
        .unwrap()
}

fn merchantable(
    name: &str,
    code: &str,
    asked: Merchantable,
    dbh_cm: f64,
    height_m: f64,
) -> StemVolume {
    let chosen = chosen(name, code, None, Some(asked));
    set(name).stem(&chosen, &tree(dbh_cm, height_m))
}

/// Species, sizes, one set with region, the other, and their ratio as printed.
type Case = (
    &'static str,
    f64,
    f64,
    (&'static str, Option<&'static str>),
    (&'static str, Option<&'static str>),
    &'static str,
);

/// Ratios printed to three decimals by an independent implementation of the same publications.
#[test]
fn ratios_between_families_are_those_printed() {
    const NIGH: &str = "ca-bc-volume-2016";
    const BC: (&str, Option<&str>) = ("ca-bc-taper-1988", None);
    const ALBERTA: (&str, Option<&str>) = ("ca-alberta-taper-1994", None);
    const HONER: (&str, Option<&str>) = ("ca-central-eastern-volume-1983", None);
    const UNG: (&str, Option<&str>) = ("ca-taper-2013", None);
    const ONTARIO: (&str, Option<&str>) = ("ca-ontario-taper-2013", None);
    let cases: [Case; 23] = [
        // Profiles of 1988 over direct equations of British Columbia, all inside bark.
        ("Fd", 40.0, 30.0, BC, (NIGH, Some("Coast")), "0.954"),
        ("Cw", 40.0, 24.0, BC, (NIGH, Some("Coast")), "0.948"),
        ("Pl", 25.0, 22.0, BC, (NIGH, Some("Interior")), "0.980"),
        ("Act", 60.0, 32.0, BC, (NIGH, Some("Coast")), "0.958"),
        // Alberta over British Columbia, inside bark.
        ("Sw", 30.0, 24.0, ALBERTA, (NIGH, Some("Interior")), "0.992"),
        ("Pl", 25.0, 20.0, ALBERTA, (NIGH, Some("Interior")), "0.998"),
        ("At", 25.0, 20.0, ALBERTA, (NIGH, Some("BWBS")), "1.030"),
        // Inside bark over a profile that is probably outside bark: below 1 as a rule.
        ("PICE.MAR", 20.0, 17.0, HONER, UNG, "0.930"),
        ("ABIE.BAL", 20.0, 15.0, HONER, UNG, "0.904"),
        ("PINU.BAN", 25.0, 20.0, HONER, UNG, "0.977"),
        ("PINU.STR", 40.0, 28.0, HONER, UNG, "1.095"),
        ("PINU.RES", 30.0, 22.0, HONER, UNG, "1.043"),
        ("PICE.GLA", 30.0, 24.0, HONER, UNG, "0.906"),
        ("BETU.PAP", 25.0, 20.0, HONER, UNG, "0.940"),
        ("POPU.TRE", 25.0, 20.0, HONER, UNG, "0.961"),
        ("QUER.RUB", 35.0, 22.0, HONER, UNG, "0.999"),
        ("ACER.SAH", 35.0, 22.0, HONER, UNG, "0.903"),
        // Ontario over central and eastern Canada, inside bark.
        ("PINU.BAN", 25.0, 20.0, ONTARIO, HONER, "1.017"),
        ("PICE.MAR", 20.0, 17.0, ONTARIO, HONER, "1.040"),
        ("PINU.STR", 40.0, 28.0, ONTARIO, HONER, "0.974"),
        ("ACER.SAH", 35.0, 22.0, ONTARIO, HONER, "0.989"),
        ("QUER.RUB", 35.0, 22.0, ONTARIO, HONER, "1.075"),
        ("POPU.TRE", 25.0, 20.0, ONTARIO, HONER, "1.056"),
    ];
    for (code, dbh_cm, height_m, (above, in_region), (below, of_region), printed) in cases {
        let ratio = total_m3(above, code, in_region, dbh_cm, height_m)
            / total_m3(below, code, of_region, dbh_cm, height_m);
        assert_eq!(
            format!("{ratio:.3}"),
            printed,
            "{code}, {above} over {below}"
        );
    }
}

/// The document that carries the equations of Quebec says of four trees that they hold 4 to 24 %
/// more than by the equations of 1983 to the same stump and top.
#[test]
fn quebec_holds_more_than_the_equations_of_1983() {
    let asked = limits(0.15, 9.0);
    let mut ratios = Vec::new();
    for (code, dbh_cm, height_m) in [
        ("BETU.PAP", 20.0, 20.0),
        ("PICE.MAR", 20.0, 20.0),
        ("ABIE.BAL", 20.0, 15.0),
        ("ACER.SAH", 35.0, 22.0),
    ] {
        let quebec = merchantable("ca-quebec-volume-2007", code, asked, dbh_cm, height_m);
        let honer = merchantable(
            "ca-central-eastern-volume-1983",
            code,
            asked,
            dbh_cm,
            height_m,
        );
        ratios.push(quebec.merchantable_m3.unwrap() / honer.merchantable_m3.unwrap());
    }
    ratios.sort_by(f64::total_cmp);
    assert_eq!(format!("{:.2} {:.2}", ratios[0], ratios[3]), "1.04 1.24");
}

#[test]
fn quebec_gives_no_total_and_serves_its_own_limits_only() {
    let name = "ca-quebec-volume-2007";
    let volume = merchantable(name, "ABIE.BAL", limits(0.15, 9.0), 20.0, 15.0);
    assert_eq!(volume.total_m3, None);
    // The basis of its top is not known: a top outside bark is served as well.
    let outside = Merchantable {
        top_inside_bark: false,
        ..limits(0.15, 9.0)
    };
    assert_eq!(merchantable(name, "ABIE.BAL", outside, 20.0, 15.0), volume);
    let small = merchantable(name, "ABIE.BAL", limits(0.15, 9.0), 9.0, 7.0);
    assert_eq!(small.merchantable_m3, Some(0.0));
    let refused = choose(
        name,
        "ABIE.BAL",
        None,
        Fallback::None,
        Some(limits(0.15, 7.0)),
    );
    assert!(
        refused
            .unwrap_err()
            .message
            .contains("stump 0.15 m and top 9 cm")
    );
}

/// Wood and bark of a tree hold more than its wood, and merchantable wood is a part of the wood.
/// Rows with a mark are those of which the document that carries them says that they fail this.
#[test]
fn the_three_tables_of_2021_fit_together_where_no_mark_says_otherwise() {
    let (inside, outside) = (
        set("ca-east-volume-2021-inside"),
        set("ca-east-volume-2021-outside"),
    );
    let mut compared = 0;
    for entry in &inside.entries {
        let code = &entry.label;
        let wood = chosen(&inside.name, code, None, Some(limits(0.3, 7.0)));
        let both = chosen(&outside.name, code, None, None);
        if !(wood.marks.is_empty() && both.marks.is_empty()) {
            continue;
        }
        assert!(matches!(
            wood.merchantable,
            Some((_, MerchantableBy::Equation(_)))
        ));
        for (dbh_cm, height_m) in [(12.0, 10.0), (20.0, 16.0), (35.0, 22.0)] {
            let tree = tree(dbh_cm, height_m);
            let with_bark_m3 = outside.stem(&both, &tree).total_m3.unwrap();
            let volume = inside.stem(&wood, &tree);
            let wood_m3 = volume.total_m3.unwrap();
            assert!(
                with_bark_m3 > wood_m3,
                "{code} {dbh_cm}: {with_bark_m3} {wood_m3}"
            );
            assert!(
                volume.merchantable_m3.unwrap() <= wood_m3,
                "{code} {dbh_cm}"
            );
        }
        compared += 1;
    }
    assert_eq!(compared, 18);
}

#[test]
fn a_subregion_of_alberta_takes_its_own_row_then_the_province() {
    let name = "ca-alberta-taper-1994";
    // The upper boreal highlands have no rows: those of the lower serve.
    let upper = chosen(name, "Sw", Some("UB"), None);
    assert_eq!(upper.main, chosen(name, "Sw", Some("LBH"), None).main);
    assert_eq!(upper.region.as_deref(), Some("LBH"));
    // Jack pine has one equation for the province.
    let pine = chosen(name, "Pj", Some("CM"), None);
    assert_eq!(
        (pine.region, pine.main),
        (None, chosen(name, "Pj", None, None).main)
    );
    // The groups of unrecorded species exist by subregion only.
    assert!(choose(name, "UNKN.HWD", None, Fallback::None, None).is_err());
    assert_eq!(
        chosen(name, "UNKN.HWD", Some("CM"), None).region.as_deref(),
        Some("CM")
    );
}

/// A balsam fir of 30 cm x 15.5 m has the pole of its profile 5 cm below the ground.
#[test]
fn trees_with_the_pole_at_their_butt_are_told() {
    let name = "ca-ontario-taper-2013";
    let chosen = chosen(name, "ABIE.BAL", None, None);
    let told = |height_m: f64| set(name).stem(&chosen, &tree(30.0, height_m)).out_of_range;
    assert_eq!(
        [15.0, 15.5, 17.0, 20.0].map(told),
        [false, true, false, false]
    );
}

/// The parabola of 1983 and 1986 is the share between limits: it falls as the top grows, and is
/// nothing where the top is not thinner than the stem.
#[test]
fn less_is_merchantable_to_a_larger_top() {
    for (name, code, region) in [
        ("ca-central-eastern-volume-1983", "PICE.MAR", None),
        ("ca-newfoundland-volume-1974", "PICE.MAR", None),
        ("ca-newfoundland-volume-1986", "PICE.MAR", Some("12")),
    ] {
        let mut before = f64::INFINITY;
        for top_cm in [6.0, 8.0, 10.0, 12.0, 14.0] {
            let chosen = chosen(name, code, region, Some(limits(0.3, top_cm)));
            assert!(matches!(
                chosen.merchantable,
                Some((_, MerchantableBy::Share(_)))
            ));
            let volume = set(name).stem(&chosen, &tree(18.0, 14.0));
            let merchantable_m3 = volume.merchantable_m3.unwrap();
            assert!(
                merchantable_m3 < before.min(volume.total_m3.unwrap()),
                "{name} {top_cm}"
            );
            before = merchantable_m3;
        }
        let chosen = chosen(name, code, region, Some(limits(0.3, 18.0)));
        let volume = set(name).stem(&chosen, &tree(18.0, 14.0));
        assert_eq!(volume.merchantable_m3, Some(0.0), "{name}");
    }
}

fn first_row(set: &'static VolumeSet, species: SpeciesId, region: Option<&str>) -> Option<Chosen> {
    let wanted = Wanted {
        region,
        fallback: Fallback::None,
        merchantable: None,
        planted: false,
    };
    set.choose(species, &wanted, &SPECIES).ok()
}

/// Every row inside bark lies within the bark: the diameter at breast height is 0.80 to 1.00 of dbh
/// for a tree of 25 cm and 20 m, and the exponent of the 1988 form stays positive at the tip, so
/// that the stem closes.
#[test]
fn stems_inside_bark_stay_within_their_bark_and_close_at_the_tip() {
    for name in [
        "ca-bc-taper-1988",
        "ca-alberta-taper-1994",
        "ca-ontario-taper-2013",
    ] {
        let set = set(name);
        assert_eq!(set.head.bark, BarkBasis::Inside);
        for row in &set.equations {
            let region = row.region.map(|index| set.regions[index].name.as_str());
            let species = set.entries[row.entry].covers[0];
            let chosen = first_row(set, species, region).unwrap();
            let profile = set.profile(&chosen, &tree(25.0, 20.0)).unwrap();
            let ratio = profile.diameter_cm(1.3) / 25.0;
            assert!(
                (0.80..=1.0).contains(&ratio),
                "{name} line {}: {ratio}",
                row.line
            );
            assert!(
                profile.diameter_cm(19.999) < 0.5,
                "{name} line {}",
                row.line
            );
        }
    }
}

#[test]
fn doubts_of_these_sets_are_never_silent() {
    for (name, code, region, doubt) in [
        (
            "ca-saskatchewan-taper-1994",
            "PINU.BAN",
            None,
            "bark basis not known",
        ),
        (
            "ca-saskatchewan-taper-1994",
            "LARI.LAR",
            None,
            "b4 repaired",
        ),
        (
            "ca-manitoba-taper-2007",
            "PICE.MAR",
            None,
            "inflection point not settled",
        ),
        (
            "ca-newfoundland-volume-1986",
            "ABIE.BAL",
            Some("19"),
            "behaves strangely",
        ),
        (
            "ca-ontario-taper-2013",
            "ABIE.BAL",
            None,
            "pole just below the ground",
        ),
        (
            "ca-east-volume-2021-inside",
            "PINU.BAN",
            None,
            "alpha in doubt",
        ),
        (
            "ca-quebec-volume-2007",
            "PINU.BAN",
            None,
            "fixed effects only",
        ),
    ] {
        let marks = chosen(name, code, region, None).marks;
        assert!(
            marks.iter().any(|mark| mark.contains(doubt)),
            "{name}: {marks:?}"
        );
    }
    // Rows that fail their own companion tables are not there at all.
    assert!(first_row(set("ca-east-volume-2021-inside"), id("POPU.BAL"), None).is_none());
}
