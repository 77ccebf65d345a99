//! Biomass sets: check values, choice among sets, what holds for every tree.

use std::sync::LazyLock;

use proptest::prelude::*;
use spinney::design::{Fallback, Merchantable};
use spinney::read::tables::Tables;
use spinney::records::Status;
use spinney::species::biomass::{
    BiomassEquation, BiomassRows, BiomassSet, BiomassWanted, ComponentRows, choose_biomass,
};
use spinney::species::choose::{Missing, SpeciesMatch};
use spinney::species::set::VolumeSet;
use spinney::stems::biomass::{BiomassInput, StemBiomass};
use spinney::stems::volume::StemInput;

use crate::cruise::repository;
use crate::volumes::{SPECIES, choose, id, set as volume_set};

static SETS: LazyLock<Vec<BiomassSet>> = LazyLock::new(|| {
    let tables = Tables::builtin();
    let names = tables.folders("biomass");
    let read = |name: &String| match tables.biomass_set(name, &SPECIES) {
        Ok(set) => set,
        Err(problems) => panic!("{problems:#?}"),
    };
    names.iter().map(read).collect()
});

fn sets(names: &[&str]) -> Vec<BiomassSet> {
    let find = |name: &&str| SETS.iter().find(|set| set.name() == *name).unwrap().clone();
    names.iter().map(find).collect()
}

fn table(set: &BiomassSet) -> &VolumeSet {
    set.equations()
}

fn component_rows(equation: &BiomassEquation) -> ComponentRows {
    match &equation.rows {
        BiomassRows::Components(rows) => *rows,
        BiomassRows::National { .. } => panic!("{} is no component set", equation.set),
    }
}

const WANTED: BiomassWanted = BiomassWanted {
    region: None,
    province: None,
    planted: false,
    fallback: Fallback::None,
    carbon_fraction: None,
};

fn chosen(sets: &[BiomassSet], code: &str) -> Result<BiomassEquation, Missing> {
    choose_biomass(sets, id(code), &WANTED, &SPECIES)
}

const LIVE: Status = Status::Live;
const DEAD: Status = Status::Dead { decay_class: None };

fn input(dbh_cm: f64, height_m: f64, status: Status) -> BiomassInput {
    BiomassInput {
        status,
        ..BiomassInput::sound(dbh_cm, Some(height_m))
    }
}

fn tree(name: &str, code: &str, input: &BiomassInput) -> StemBiomass {
    let sets = sets(&[name]);
    let equation = chosen(&sets, code).unwrap();
    sets[0].tree(&equation, input).unwrap()
}

#[test]
fn every_set_reproduces_its_check_values() {
    let mut checked = 0;
    for set in SETS.iter() {
        let results = table(set).verify(&SPECIES);
        assert!(!results.is_empty(), "{} has no check values", set.name());
        let mut worst: f64 = 0.0;
        for result in &results {
            let check = result.check;
            let (name, line) = (set.name(), check.line);
            assert!(result.pass, "{name}, line {line}: {:?}", result.ours);
            worst = worst.max(result.relative_error.abs());
        }
        checked += results.len();
        println!(
            "{}: {} values, worst {worst:.1e}",
            set.name(),
            results.len()
        );
    }
    assert_eq!(checked, 152);
}

#[test]
fn species_groups_have_the_coefficients_of_another_document() {
    let folder = repository().join("tests/check-values/fia-2023-species-groups");
    let mut reader = csv::Reader::from_path(folder.join("coefficients.csv")).unwrap();
    let sets = sets(&["us-species-groups-2003"]);
    let mut groups = 0;
    for row in reader.records().map(Result::unwrap) {
        let equation = chosen(&sets, &row[0]).unwrap();
        let total = &table(&sets[0]).equations[component_rows(&equation).total.unwrap()];
        assert_eq!(equation.chosen.label, format!("group {}", &row[2]));
        let figures: Vec<f64> = total.printed.iter().map(|f| f.parse().unwrap()).collect();
        let printed: [f64; 2] = [row[3].parse().unwrap(), row[4].parse().unwrap()];
        assert_eq!(figures, printed, "{}", &row[1]);
        groups += 1;
    }
    assert_eq!(groups, 9);
}

#[test]
fn stem_wood_over_stem_volume_is_the_density_of_the_wood() {
    // Douglas-fir of 40 cm by 30 m: 571 kg of stem wood (Ung et al. 2008) over 1.285 m3 inside
    // bark (Kozak 1994, Coastal Western Hemlock), 444 kg/m3. Basic density 0.45 (species reference
    // table of 2023, after Miles & Smith 2009).
    let wood_kg = tree(
        "ca-national-2008-height",
        "PSEU.MEN",
        &input(40.0, 30.0, LIVE),
    )
    .biomass
    .wood_kg
    .unwrap();
    let limits: Option<Merchantable> = None;
    let equation = choose(
        "ca-bc-taper-1994",
        "Fd",
        Some("CWH"),
        Fallback::None,
        limits,
    )
    .unwrap();
    let stem = StemInput {
        dbh_cm: 40.0,
        height_m: 30.0,
        broken_height_m: None,
    };
    let volume_m3 = volume_set("ca-bc-taper-1994")
        .stem(&equation, &stem)
        .total_m3;
    let density = wood_kg / volume_m3.unwrap();
    assert_eq!(format!("{density:.0}"), "444");
    assert!((density / 450.0 - 1.0).abs() < 0.05);
}

#[test]
fn the_closest_row_of_several_sets_serves() {
    let both = sets(&["ca-national-2008-height", "ca-national-2005-height"]);
    for (code, set, label, how, marked) in [
        // In both: the first. Only in the second: the second, not the first's general softwoods.
        ("PICE.GLA", 0, "PICE.GLA", SpeciesMatch::Own, false),
        ("ABIE.BAL", 1, "ABIE.BAL", SpeciesMatch::Own, false),
        ("PSEU.MEN", 0, "PSEU.MEN", SpeciesMatch::Own, true),
        // Hickories have a row for the genus in the second.
        (
            "CARY.SPP",
            1,
            "CARY.SPP",
            SpeciesMatch::PublishedGroup,
            false,
        ),
        (
            "shagbark hickory",
            1,
            "CARY.SPP",
            SpeciesMatch::PublishedGroup,
            false,
        ),
        // In neither: the general equations of the first.
        (
            "LARI.OCC",
            0,
            "UNKN.SWD",
            SpeciesMatch::PublishedGroup,
            true,
        ),
        (
            "ACER.MAC",
            0,
            "UNKN.HWD",
            SpeciesMatch::PublishedGroup,
            true,
        ),
        ("UNKN.SPP", 0, "UNKN.SPP", SpeciesMatch::Own, true),
    ] {
        let equation = chosen(&both, code).unwrap();
        let got = (equation.set, equation.chosen.label.as_str());
        assert_eq!(got, (set, label), "{code}");
        assert_eq!(equation.chosen.species_match, how, "{code}");
        assert_eq!(!equation.chosen.marks.is_empty(), marked, "{code}");
    }
}

#[test]
fn a_species_without_an_equation_is_named_with_what_could_serve() {
    let taxa = sets(&["us-taxa-2014"]);
    let missing = chosen(&taxa, "TSHE").unwrap_err();
    assert_eq!(
        missing.message,
        "biomass set `us-taxa-2014` has no equation for western hemlock (Hw)"
    );
    assert!(
        missing
            .hint
            .starts_with("name a substitute in the design (`biomass: substitute`"),
        "{}",
        missing.hint
    );
    let several = sets(&["us-taxa-2014", "ca-national-2005-dbh"]);
    let missing = chosen(&several, "QUEM").unwrap_err();
    assert_eq!(
        missing.message,
        "none of the biomass sets `us-taxa-2014`, `ca-national-2005-dbh` has an equation for \
         Emory oak (QUEM)"
    );
    // The only group of the genus that is there: the design must allow it.
    let wanted = BiomassWanted {
        fallback: Fallback::Genus,
        ..WANTED
    };
    let oak = choose_biomass(&taxa, id("QUEM"), &wanted, &SPECIES).unwrap();
    assert_eq!(oak.chosen.label, "Fagaceae deciduous");
    assert_eq!(oak.chosen.species_match, SpeciesMatch::Genus);
}

#[test]
fn wood_density_decides_between_the_rows_of_a_taxon() {
    // Specific gravity of the species reference table of 2023: subalpine fir 0.31, grand fir 0.35,
    // ponderosa pine 0.38, loblolly pine 0.47, Engelmann spruce 0.33, black spruce 0.38.
    let taxa = sets(&["us-taxa-2014"]);
    for (code, label) in [
        ("ABLA", "Abies, light"),
        ("ABGR", "Abies, dense"),
        ("PIPO", "Pinus, light"),
        ("PITA", "Pinus, dense"),
        ("PIEN", "Picea, light"),
        ("PIMA", "Picea, dense"),
    ] {
        assert_eq!(chosen(&taxa, code).unwrap().chosen.label, label, "{code}");
    }
    // Aspen is at 0.35, whose row was not read; junipers of the woodlands are by root collar.
    for code in ["POTR5", "JUOS", "PINUS", "QUVI"] {
        assert!(chosen(&taxa, code).is_err(), "{code}");
    }
}

#[test]
fn dead_trees_have_no_foliage_and_broken_ones_are_whole_and_both_say_so() {
    let live = tree(
        "ca-national-2005-height",
        "PICE.MAR",
        &input(20.0, 17.0, LIVE),
    );
    assert!(!live.decay_ignored && !live.break_ignored && !live.out_of_range);
    let broken = BiomassInput {
        broken_height_m: Some(6.0),
        ..input(20.0, 17.0, DEAD)
    };
    let dead = tree("ca-national-2005-height", "PICE.MAR", &broken);
    assert!(dead.decay_ignored && dead.break_ignored);
    // Wood 100.565, bark 13.674, branches 11.647, foliage 9.458 kg (check values of the sources,
    // computed from the published coefficients).
    assert_eq!(format!("{:.3}", dead.biomass.total_kg), "125.886");
    assert_eq!(dead.biomass.foliage_kg, Some(0.0));
    assert_eq!(dead.biomass.wood_kg, live.biomass.wood_kg);
    assert!((dead.biomass.carbon_kg - 0.5 * dead.biomass.total_kg).abs() < 1e-12);
    // Total less the share of foliage: 100 % - exp(-2.9584 + 4.4766/35.5), Douglas-fir.
    let (live, dead) = (input(35.5, 30.0, LIVE), input(35.5, 30.0, DEAD));
    let [live, dead] = [live, dead].map(|tree_| tree("us-species-groups-2003", "PSME", &tree_));
    let kept = dead.biomass.total_kg / live.biomass.total_kg;
    let share = (-2.9584_f64 + 4.4766 / 35.5).exp();
    assert!((kept - (1.0 - share)).abs() < 1e-12);
    // Without components nothing can be left out.
    let total = |status| tree("us-taxa-2014", "PSME", &input(40.0, 30.0, status));
    assert_eq!(total(LIVE).biomass, total(DEAD).biomass);
    assert!(total(DEAD).decay_ignored);
    assert_eq!(total(LIVE).biomass.wood_kg, None);
}

#[test]
fn a_height_is_needed_only_where_the_equations_have_it() {
    let no_height = BiomassInput {
        height_m: None,
        ..input(20.0, 17.0, LIVE)
    };
    let both = sets(&["ca-national-2005-dbh", "ca-national-2005-height"]);
    let equation = |set: usize| chosen(&both[set..=set], "PICE.MAR").unwrap();
    let by_dbh = both[0].tree(&equation(0), &no_height).unwrap();
    assert_eq!(format!("{:.3}", by_dbh.biomass.total_kg), "127.540");
    assert!(!both[0].needs_height(&equation(0)));
    assert!(both[1].needs_height(&equation(1)));
    assert_eq!(both[1].tree(&equation(1), &no_height), None);
}

#[test]
fn sizes_beyond_those_of_the_publication_are_flagged() {
    // Lambert et al. 2005, table 2: black spruce 1.6 to 37.2 cm and 1.8 to 23.5 m.
    for (dbh_cm, height_m, outside) in [
        (37.2, 23.5, false),
        (37.3, 20.0, true),
        (1.5, 2.0, true),
        (30.0, 23.6, true),
    ] {
        let flagged = tree(
            "ca-national-2005-height",
            "PICE.MAR",
            &input(dbh_cm, height_m, LIVE),
        );
        assert_eq!(flagged.out_of_range, outside, "{dbh_cm} cm, {height_m} m");
    }
    // Shares of a seedling add up to more than the whole.
    let seedling = tree("us-species-groups-2003", "PSME", &input(1.0, 1.5, LIVE));
    assert!(seedling.out_of_range);
    assert_eq!(seedling.biomass.branch_kg, Some(0.0));
}

fn cases() -> Vec<(usize, u16)> {
    let of_set = |at: usize| {
        let set = table(&SETS[at]);
        set.species(&SPECIES).into_iter().map(move |id| (at, id.0))
    };
    (0..SETS.len()).flat_map(of_set).collect()
}

proptest! {
    #[test]
    fn components_add_up_to_the_total_and_carbon_is_its_share(
        case in proptest::sample::select(cases()),
        dbh_cm in 0.5_f64..150.0,
        height_m in 1.4_f64..70.0,
        dead in any::<bool>(),
    ) {
        let set = &SETS[case.0];
        let own = std::slice::from_ref(set);
        let species = spinney::species::SpeciesId(case.1);
        let equation = choose_biomass(own, species, &WANTED, &SPECIES).unwrap();
        let status = if dead { DEAD } else { LIVE };
        let found = set.tree(&equation, &input(dbh_cm, height_m, status)).unwrap();
        let mass = found.biomass;
        prop_assert!(mass.total_kg.is_finite() && mass.total_kg > 0.0);
        prop_assert!((mass.carbon_kg - 0.5 * mass.total_kg).abs() <= 1e-12 * mass.total_kg);
        let parts = [mass.wood_kg, mass.bark_kg, mass.branch_kg, mass.foliage_kg];
        if set.name() == "us-taxa-2014" {
            prop_assert_eq!(parts, [None; 4]);
        } else {
            let sum: f64 = parts.iter().map(|part| part.unwrap()).sum();
            prop_assert!(parts.iter().flatten().all(|kg| *kg >= 0.0));
            // What is left of a dead seedling without its foliage is a small difference of large
            // masses: the scale of rounding is that of the live tree.
            let live = set.tree(&equation, &input(dbh_cm, height_m, LIVE)).unwrap();
            let rounding = 1e-12 * live.biomass.total_kg;
            prop_assert!((sum - mass.total_kg).abs() <= rounding, "{} {}", sum, mass.total_kg);
        }
    }
}
