//! Wood properties: what the embedded set holds, and what is said of a faulty one.

use std::fs;

use spinney::read::tables::Tables;
use spinney::species::Kind;

use crate::volumes::{SPECIES, id};

#[test]
fn figures_stand_as_published() {
    let wood = Tables::builtin()
        .wood_properties("us-national-2024", &SPECIES)
        .unwrap();
    // Species with a figure each, two kinds times five decay classes, provinces and kinds
    // (GTR WO-104, supplement S10 and S11; reference table of species 2023).
    let count = |has: &dyn Fn(&spinney::species::wood::SpeciesWood) -> bool| {
        wood.species
            .iter()
            .filter(|(_, figures)| has(figures))
            .count()
    };
    assert_eq!(wood.species.len(), 2_677);
    assert_eq!(count(&|figures| figures.carbon_pct.is_some()), 2_676);
    assert_eq!((wood.decay.len(), wood.crown_ratios.len()), (10, 87));
    // Worked example 1 prints the carbon fraction of Douglas-fir; table 1 the decay of hardwoods.
    let fir = wood.live_carbon_fraction(id("202"), &SPECIES).unwrap();
    assert!((fir - 0.515_595_833_333).abs() < 1e-10);
    let class_2 = wood.decay(Kind::Hardwood, 2).unwrap();
    assert!((class_2.density - 0.8).abs() < 1e-12 && (class_2.branch - 0.5).abs() < 1e-12);
    let crown = wood.crown_ratio("m242", Kind::Hardwood).unwrap();
    assert!((0.1..0.9).contains(&crown));
    // Every native species that the volume set serves has what its biomass needs.
    let set = crate::volumes::set("us-national-2024");
    let without: Vec<_> = set
        .species(&SPECIES)
        .into_iter()
        .filter(|species| wood.wood_specific_gravity(*species, &SPECIES).is_err())
        .collect();
    // Hybrids without a number of their own, and cultivated species beyond the native list.
    println!("{} species without a specific gravity", without.len());
    let of_the_list = |number: Option<u16>| number.is_some_and(|number| number < 5_000);
    for species in without {
        let entry = SPECIES.get(species);
        assert!(!of_the_list(entry.fia), "{}", entry.label());
    }
}

#[test]
fn every_fault_of_wood_properties_is_told_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let own = folder.path().join("wood/mine");
    fs::create_dir_all(&own).unwrap();
    for (file, text) in [
        (
            "set.yaml",
            "title: mine\nobtained: by telephone\nspecific_gravity: x\ndensity: 1\n",
        ),
        (
            "species.csv",
            "species,wood_specific_gravity,bark,carbon_pct\n202,0.45,,50\nFd,4.5,,50\nPSMX,0.4,,50\n12,x,,120\n",
        ),
        (
            "decay.csv",
            "kind,decay_class,density,bark,branch,carbon_pct\nsoftwood,1,1,1,1,50\nsoftwood,1,1,1,1,50\nconifer,6,1.2,,1,50\n",
        ),
        (
            "crown-ratio.csv",
            "province,kind,crown_ratio_pct\nM242,softwood,45\nM242,softwood,45\n,hardwood,0\n",
        ),
    ] {
        fs::write(own.join(file), text).unwrap();
    }
    let tables = Tables::with_overlay(folder.path()).unwrap();
    let problems = tables.wood_properties("mine", &SPECIES).unwrap_err();
    let lines: Vec<String> = problems
        .iter()
        .map(|line| line.to_string().rsplit_once("mine/").unwrap().1.to_owned())
        .collect();
    insta::assert_snapshot!(lines.join("\n"));
    let unknown = tables
        .wood_properties("us-national-2042", &SPECIES)
        .unwrap_err();
    let text: Vec<String> = unknown.iter().map(ToString::to_string).collect();
    assert_eq!(
        text,
        [
            "error: there is no set of wood properties `us-national-2042`; did you mean `us-national-2024`? [unknown-set]"
        ]
    );
    fs::remove_file(own.join("decay.csv")).unwrap();
    let tables = Tables::with_overlay(folder.path()).unwrap();
    let missing = tables.wood_properties("mine", &SPECIES).unwrap_err();
    let text: Vec<String> = missing.iter().map(ToString::to_string).collect();
    assert_eq!(
        text,
        [
            "error: the wood properties `mine` have no file `decay.csv`; add the file to the folder of the set [file-missing]"
        ]
    );
}
