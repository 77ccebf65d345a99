//! Which equation of a set serves a species, and what is refused.

use spinney::design::{Fallback, Merchantable};
use spinney::species::choose::{RegionMatch, SpeciesMatch};
use spinney::species::equation::Quantity;

use crate::volumes::{SPECIES, TOP_10_CM, choose, id, set, tree};

const TOP_4_CM: Merchantable = Merchantable {
    top_diameter_cm: 4.0,
    min_dbh_cm: None,
    ..TOP_10_CM
};

#[test]
fn a_species_takes_its_own_row_then_its_groups() {
    let own = choose("ca-bc-volume-2016", "Fd", Some("cwh"), Fallback::None, None).unwrap();
    assert_eq!(own.species_match, SpeciesMatch::Own);
    assert_eq!(
        (own.region.as_deref(), own.region_match),
        (Some("CWH"), RegionMatch::AsGiven)
    );

    // Amabilis fir of the Coast is one of the coastal true firs; subalpine fir has a row of its
    // own in the Interior only.
    for (code, region, label, how) in [
        ("Ba", "MH", "B", SpeciesMatch::PublishedGroup),
        ("Bl", "CWH", "B", SpeciesMatch::PublishedGroup),
        ("Bl", "ESSF", "Bl", SpeciesMatch::Own),
        ("Acb", "BWBS", "Ac", SpeciesMatch::PublishedGroup),
        ("Sx", "SBS", "S", SpeciesMatch::PublishedGroup),
    ] {
        let chosen = choose(
            "ca-bc-volume-2016",
            code,
            Some(region),
            Fallback::None,
            None,
        )
        .unwrap();
        assert_eq!(
            (chosen.label.as_str(), chosen.species_match),
            (label, how),
            "{code}"
        );
    }

    // Lodgepole pine is by region only, so a zone takes the row of its region.
    let pine = choose("ca-bc-volume-2016", "Pl", Some("SBS"), Fallback::None, None).unwrap();
    assert_eq!(
        (pine.region.as_deref(), pine.region_match),
        (Some("Interior"), RegionMatch::Parent)
    );

    // Published order of GTR WO-104: species and division, species, species group.
    let national = |code, region| choose("us-national-2024", code, region, Fallback::None, None);
    let exact = national("202", Some("M240")).unwrap();
    assert_eq!(exact.region.as_deref(), Some("M240"));
    let anywhere = national("202", Some("M220")).unwrap();
    assert_eq!(
        (anywhere.region, anywhere.region_match),
        (None, RegionMatch::AllRegions)
    );
    let yew = national("231", Some("M240")).unwrap();
    assert_eq!(
        (yew.label.as_str(), yew.species_match),
        ("group 3", SpeciesMatch::PublishedGroup)
    );
    assert!(
        national("66", None).is_err(),
        "juniper of the woodlands has no equation"
    );
}

#[test]
fn nothing_stands_in_unless_the_design_allows_it() {
    let missing = choose("ca-bc-volume-2016", "Ra", Some("CWH"), Fallback::None, None).unwrap_err();
    assert_eq!(
        missing.message,
        "volume set `ca-bc-volume-2016` has no equation for Pacific madrone (Ra) in region `CWH`"
    );
    // Same species group first (mixed hardwoods have none here), then the other hardwoods.
    let first: Vec<String> = missing
        .candidates
        .iter()
        .take(3)
        .map(|id| SPECIES.get(*id).short_code())
        .collect();
    assert_eq!(first, ["Act", "Dr", "Mb"]);
    assert!(
        missing.hint.starts_with("name a substitute in the design"),
        "{}",
        missing.hint
    );

    // Black spruce: the generic row of the genus.
    let spruce = |fallback| choose("ca-bc-volume-2016", "Sb", Some("SBS"), fallback, None);
    assert!(spruce(Fallback::None).is_err());
    let chosen = spruce(Fallback::Genus).unwrap();
    assert_eq!(
        (chosen.label.as_str(), chosen.species_match),
        ("S", SpeciesMatch::Genus)
    );
    // Mountain hemlock: the only hemlock with a row.
    let hemlock = choose("ca-bc-volume-2016", "Hm", Some("MH"), Fallback::Genus, None).unwrap();
    assert_eq!(
        (hemlock.label.as_str(), hemlock.species_match),
        ("Hw", SpeciesMatch::Genus)
    );
    // Yellow birch: the only birch. Grand fir of the Interior: the only true fir there.
    for (code, region, label) in [("371", "SBS", "Ep"), ("Bg", "ICH", "Bl")] {
        let chosen = choose(
            "ca-bc-volume-2016",
            code,
            Some(region),
            Fallback::Group,
            None,
        )
        .unwrap();
        assert_eq!(
            (chosen.label.as_str(), chosen.species_match),
            (label, SpeciesMatch::Genus)
        );
    }
    // Red maple is of the group of soft maples and birches, of which only paper birch has a row.
    let maple = |fallback| choose("ca-bc-volume-2016", "316", Some("SBS"), fallback, None);
    assert!(maple(Fallback::Genus).is_err());
    let chosen = maple(Fallback::Group).unwrap();
    assert_eq!(
        (chosen.label.as_str(), chosen.species_match),
        ("Ep", SpeciesMatch::SpeciesGroup)
    );
    // Bigtooth aspen: cottonwood or aspen? Incense-cedar: redcedar or larch? Nothing is guessed.
    for (code, region, first) in [("POGR4", "IDF", ["Act", "At"]), ("81", "ICH", ["Lw", "Cw"])] {
        let missing = choose(
            "ca-bc-volume-2016",
            code,
            Some(region),
            Fallback::Group,
            None,
        );
        let candidates = missing.unwrap_err().candidates;
        let named: Vec<String> = candidates
            .iter()
            .take(2)
            .map(|id| SPECIES.get(*id).short_code())
            .collect();
        assert_eq!(named, first, "{code}");
    }
    // Where nothing is of the same group, the group does not help.
    assert!(
        choose(
            "ca-bc-volume-2016",
            "431",
            Some("CWH"),
            Fallback::Group,
            None
        )
        .is_err()
    );
}

#[test]
fn regions_and_limits_that_a_set_cannot_serve_are_refused_with_what_it_can() {
    let nigh = set("ca-bc-volume-2016");
    let refusal = |result: Result<(), String>| result.unwrap_err();
    assert_eq!(
        refusal(nigh.check_region(None)),
        "volume set `ca-bc-volume-2016` needs a region: one of Coast, Interior, AT, BG, BWBS, CDF, \
         CWH, ESSF, ICH, IDF, MH, MS, PP, SBPS, SBS, SWB"
    );
    assert!(refusal(nigh.check_region(Some("CWX"))).contains("has no region `CWX`"));
    assert!(nigh.check_region(Some("coast")).is_ok());
    assert!(set("us-national-2024").check_region(None).is_ok());
    assert!(refusal(set("ca-taper-2013").check_region(Some("CWH"))).contains("has no regions"));

    assert!(nigh.check_merchantable(&TOP_4_CM, Some("Coast")).is_ok());
    assert!(nigh.check_merchantable(&TOP_10_CM, Some("CWH")).is_ok());
    let refused = refusal(nigh.check_merchantable(&TOP_10_CM, Some("Coast")));
    assert_eq!(
        refused,
        "volume set `ca-bc-volume-2016` takes limits other than stump 0.3 m and top 4 cm inside \
         bark from the stem profiles of `ca-bc-taper-1994`: volume set `ca-bc-taper-1994` has no \
         region `Coast`; it has AT, BWBS, CWH, CDF, ESSF, ICH, IDF, MH, MS, PP, BG, SBS, SBPS, SWB"
    );
    let outside_bark = Merchantable {
        top_inside_bark: false,
        ..TOP_10_CM
    };
    assert!(refusal(nigh.check_merchantable(&outside_bark, Some("CWH"))).contains("`top_dib_cm`"));
    assert!(
        set("ca-taper-2013")
            .check_merchantable(&outside_bark, None)
            .is_ok()
    );
    for limits in [TOP_10_CM, outside_bark] {
        let national = set("us-national-2024").check_merchantable(&limits, None);
        assert!(national.is_ok(), "any top by volume and ratio");
    }
    let board_feet = set("inland-empire-board-feet-1982");
    let refused = refusal(board_feet.check_merchantable(&TOP_10_CM, None));
    assert!(
        refused.contains("gives no merchantable volume"),
        "{refused}"
    );

    // The unsound merchantable row of the coastal true firs is out, and the Coast has no profile.
    let missing = choose(
        "ca-bc-volume-2016",
        "Ba",
        Some("Coast"),
        Fallback::None,
        Some(TOP_4_CM),
    )
    .unwrap_err();
    assert!(
        missing
            .message
            .contains("Pacific silver fir (Ba) in `Coast`"),
        "{missing:?}"
    );
    assert!(missing.hint.contains("CWH"), "{missing:?}");
    // A zone without a profile of the species says which zones have one.
    let missing = choose("ca-bc-volume-2016", "Dr", Some("MS"), Fallback::None, None).unwrap_err();
    assert!(
        missing.hint.starts_with("it has one in Coast, CWH; "),
        "{}",
        missing.hint
    );
    let missing = choose(
        "ca-bc-volume-2016",
        "Py",
        Some("SBS"),
        Fallback::None,
        Some(TOP_10_CM),
    )
    .unwrap_err();
    assert_eq!(missing.hint, "give a zone that has one as region: ICH, IDF");
}

#[test]
fn coverage_lists_species_and_regions() {
    let set = set("ca-bc-volume-2016");
    let coverage = set.coverage();
    assert_eq!(coverage.len(), set.entries.len());
    let fir = coverage.iter().find(|entry| entry.label == "B").unwrap();
    assert_eq!(fir.regions, ["Coast", "CWH", "MH"]);
    assert!(fir.species.contains(&id("Bg")));
    assert!(set.species(&SPECIES).contains(&id("Sx")));
    assert!(!set.species(&SPECIES).contains(&id("Sb")));
    assert_eq!(set.main_quantity(), Quantity::Total);
}

/// Two sets have a top of 4 in of which the basis is not known: a design may ask for it on either.
#[test]
fn limits_on_an_unknown_basis_serve_a_top_on_either() {
    for (name, code) in [
        ("us-western-juniper-1984", "64"),
        ("us-california-volume-to-4-inches-1976", "202"),
    ] {
        let merchantable_m3 = |top_diameter_cm, top_inside_bark| {
            let limits = Merchantable {
                stump_m: 0.3048,
                top_diameter_cm,
                top_inside_bark,
                min_dbh_cm: None,
            };
            let chosen = choose(name, code, None, Fallback::None, Some(limits)).ok()?;
            set(name).stem(&chosen, &tree(40.0, 12.0)).merchantable_m3
        };
        let inside = merchantable_m3(10.16, true);
        assert!(inside.is_some_and(|m3| m3 > 0.0), "{name}");
        assert_eq!(inside, merchantable_m3(10.16, false), "{name}");
        assert_eq!(merchantable_m3(10.0, true), None, "{name}");
    }
}
