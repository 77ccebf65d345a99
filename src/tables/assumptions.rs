//! What was compiled, what was taken for granted, what to note, and the cautions.

use std::collections::BTreeMap;

use crate::compile::Compilation;
use crate::design::{Design, Fill, FitBy, FitWeights, Method, SlopeCorrection};
use crate::diagnostic::{Diagnostic, counted};
use crate::heights::{HeightSource, Level, OneHeight, StandHeights, Why};
use crate::records::{HeightRecord, Stand};
use crate::tables::logs::BOARD_FEET_CAUTION;
use crate::tables::report::method_words;
use crate::tables::sampling::sampling_assumptions;
use crate::tables::{Block, percent, plain, stands_of};
use crate::tables::{broken, heights_audit};

/// What was compiled: stands, areas, plots, trees.
pub fn compiled(compilation: &Compilation<'_>, one: Option<usize>) -> Vec<Block> {
    let (design, records) = (compilation.design, compilation.records);
    let stands: Vec<&Stand> = match one {
        Some(at) => vec![&records.stands[at]],
        None => records.stands.iter().collect(),
    };
    let mut facts = Vec::new();
    if let [stand] = stands[..] {
        facts.push(format!("stand {}{}", stand.name, area_words(design, stand)));
    } else {
        facts.push(counted(stands.len(), "stand"));
    }
    for (selection, rule) in design.selections.iter().enumerate() {
        let visits = || {
            stands
                .iter()
                .flat_map(|stand| &stand.plots)
                .flat_map(|plot| &plot.visits)
                .filter(move |visit| visit.selection == selection)
        };
        let empty = visits()
            .filter(|v| v.trees.is_empty() && v.counts.is_empty())
            .count();
        let trees = || visits().flat_map(|visit| &visit.trees);
        let only_counted: f64 = visits()
            .flat_map(|visit| &visit.counts)
            .map(|c| c.count)
            .sum();
        let dead = trees().filter(|tree| !tree.status.is_live()).count();
        let mut words = format!(
            "selection {}: {}; {}",
            rule.name,
            method_words(design, selection),
            counted(visits().count(), "plot")
        );
        if empty > 0 {
            words += &format!(", {empty} of them without trees");
        }
        if trees().count() > 0 {
            words += &format!(
                "; {} ({dead} dead)",
                counted(trees().count(), "tree record")
            );
        }
        if only_counted > 0.0 {
            words += &format!("; {only_counted} trees only counted");
        }
        let excluded = trees().filter(|tree| tree.excluded).count();
        if excluded > 0 {
            words += &format!("; {excluded} outside the dbh limits, left out");
        }
        facts.push(words);
    }
    vec![Block::List(facts)]
}

fn area_words(design: &Design, stand: &Stand) -> String {
    let unit = design.units.area();
    let one = |area_ha: f64| {
        format!(
            "{} {}",
            plain((area_ha * unit.from_metric * 1e4).round() / 1e4),
            unit.label
        )
    };
    match &stand.strata[..] {
        [stratum] => stratum.area_ha.map_or_else(
            || ", area not given: no totals".to_owned(),
            |area_ha| format!(", {}", one(area_ha)),
        ),
        strata => {
            let words: Vec<String> = strata
                .iter()
                .map(|s| {
                    s.area_ha.map_or_else(
                        || format!("{} (area not given)", s.name),
                        |a| format!("{} {}", s.name, one(a)),
                    )
                })
                .collect();
            format!(", {} strata: {}", strata.len(), words.join(", "))
        }
    }
}

/// How it was compiled: defaults, heights, sampling.
pub fn how(compilation: &Compilation<'_>, one: Option<usize>) -> Vec<Block> {
    let design = compilation.design;
    let (length, diameter) = (design.units.length(), design.units.diameter());
    let mut facts = vec![format!(
        "intervals at {} % confidence; dbh at {} {}; dbh classes of {} {}, the lower limit in the class",
        percent(design.confidence),
        plain((design.heights.breast_height_m * length.from_metric * 1e2).round() / 1e2),
        length.label,
        plain((design.dbh_class_cm * diameter.from_metric * 1e6).round() / 1e6),
        diameter.label
    )];
    for rule in &design.selections {
        if rule.slope_correction == SlopeCorrection::Program {
            facts.push(format!(
                "{}: distances along the slope, corrected here",
                rule.name
            ));
        }
        let borrowed = [
            design.volume.as_ref().map(|_| "volume"),
            design.biomass.as_ref().map(|_| "biomass"),
        ];
        for what in borrowed.into_iter().flatten() {
            if let Some(donor) = rule.volume_ratio_from {
                facts.push(format!(
                    "{}: {what} of counted trees by the {what}/basal-area ratio of {}",
                    rule.name, design.selections[donor].name
                ));
            }
        }
        if let (Method::AngleGauge { .. }, Some(min)) = (&rule.method, rule.min_dbh_cm) {
            facts.push(format!(
                "{}: trees under {} {} dbh are not part of it",
                rule.name,
                plain((min * diameter.from_metric * 1e2).round() / 1e2),
                diameter.label
            ));
        }
    }
    facts.extend(bark(compilation));
    facts.extend(heights(compilation, one));
    facts.extend(sampling_assumptions(
        compilation.design,
        compilation.records,
    ));
    let mut blocks = vec![Block::List(facts)];
    if !design.defaults.is_empty() {
        blocks.push(Block::Paragraph(
            "Taken because the design does not say:".to_owned(),
        ));
        blocks.push(Block::List(design.defaults.clone()));
    }
    blocks
}

/// How stems go from one bark basis to the other, where they do.
fn bark(compilation: &Compilation<'_>) -> Option<String> {
    let set = compilation.knowledge.volume.as_ref()?;
    let bark = set.bark_set.as_ref()?.set();
    let limits = compilation.design.volume.as_ref()?.merchantable.as_ref();
    let uses: Vec<&str> = [
        (
            set.crosses_bark(None, compilation.knowledge.logs.is_some()),
            "logs from stem profiles outside bark",
        ),
        (
            limits.is_some_and(|limits| set.top_crosses_bark(limits)),
            "the top diameter of merchantable wood on the basis of the stem profiles",
        ),
    ]
    .into_iter()
    .filter_map(|(used, what)| used.then_some(what))
    .collect();
    Some(format!(
        "{}: by the ratio of the diameters inside and outside bark at breast height, from {} ({}; \
         {}); the ratio of a tree is held constant along its stem (common practice, no source)",
        uses.join("; "),
        bark.name,
        bark.head.citation,
        bark.head.obtained.words()
    ))
}

fn heights(compilation: &Compilation<'_>, one: Option<usize>) -> Vec<String> {
    let design = compilation.design;
    let mut measured = 0;
    let mut read = 0;
    let mut fitted = 0;
    let mut published = 0;
    let mut by_ratio = 0;
    let mut steep = 0;
    let mut none = 0;
    for (stand, compiled) in stands_of(compilation, one) {
        for ((_, _, tree), height) in stand.trees().zip(&compiled.heights.trees) {
            match height.source {
                HeightSource::Measured => measured += 1,
                HeightSource::Instrument => read += 1,
                HeightSource::SpeciesCurve(_) | HeightSource::PooledCurve(_) => fitted += 1,
                HeightSource::RegionalCurve(_) => published += 1,
                HeightSource::RatioCurve(_) => by_ratio += 1,
                HeightSource::None => none += 1,
            }
            if let HeightRecord::Instrument(reading) = tree.height {
                steep += usize::from(reading.is_steep());
            }
        }
    }
    let mut words = format!("heights: {measured} recorded, {read} from instrument readings");
    if steep > 0 {
        words += &format!(" ({steep} of them steeper than 100 %)");
    }
    words +=
        &format!(", {fitted} filled from curves fitted here, {published} from published curves");
    if by_ratio > 0 {
        words += &format!(", {by_ratio} by their ratio to another species");
    }
    if none > 0 {
        words += &format!(", {none} none");
    }
    let mut facts = vec![words];
    if fitted > 0 {
        let by = match design.heights.fit_by {
            FitBy::Stand => "each stand",
            FitBy::Cruise => "the whole cruise",
        };
        let weights = match design.heights.weights {
            FitWeights::Equal => "all heights alike",
            FitWeights::InverseDbh => "weights 1/dbh",
            FitWeights::Precision => {
                "weights 1/(variance about the curve + variance of the measurement)"
            }
        };
        facts.push(format!(
            "curves fitted to live, unbroken trees of {by}, {weights}; the error of the curves is not part of the intervals"
        ));
        facts.push(
            "curves fitted to the heights themselves, not to their logarithms: nothing is \
             transformed back, so that nothing is to be corrected for it"
                .to_owned(),
        );
    }
    if fitted + published > 0 {
        facts.push(match design.heights.fill {
            Fill::Mean if fitted == 0 => "a filled height is the mean height of its dbh".to_owned(),
            Fill::Mean => "a filled height is the mean height of its dbh; what that does to volumes \
                           and masses stands under sources of error"
                .to_owned(),
            Fill::Draws { number, seed } => format!(
                "missing heights drawn {number} times about their curves (seed {seed}), never below \
                 breast height or a break: volumes and masses are means over the draws; heights in \
                 lists, mean and top heights, and logs are those of the mean height"
            ),
        });
        if published > 0 && design.heights.fill != Fill::Mean {
            facts.push(format!(
                "{} from published curves not drawn, as the scatter about these is not known: the \
                 mean height is taken",
                counted(published, "height")
            ));
        }
    }
    if let Some(subsample) = &design.heights.subsample {
        facts.push(format!(
            "the crew was to measure {}; how far it did stands under height trees",
            heights_audit::rule_words(design, subsample)
        ));
    }
    let left_out: usize = stands_of(compilation, one)
        .map(|(_, compiled)| compiled.heights.left_out)
        .sum();
    if left_out > 0 {
        facts.push(format!(
            "{} of trees outside the dbh limits left out of the curves: they are no part of what \
             the curves serve",
            counted(left_out, "height")
        ));
    }
    facts.extend(broken::facts(compilation, one));
    facts
}

/// Notes of the estimates and trees without a height.
pub fn notes(compilation: &Compilation<'_>, one: Option<usize>) -> Vec<Block> {
    let mut notes = folded(&compilation.estimates.notes);
    let stands = match one {
        Some(at) => at..at + 1,
        None => 0..compilation.records.stands.len(),
    };
    for at in stands {
        for (species, count) in compilation.without_height(at) {
            notes.push(without_height(compilation, at, species, count));
        }
        for one_height in &compilation.stands[at].heights.one_height {
            let words = one_value(compilation, at, *one_height);
            // Stands fitted together share theirs.
            if !notes.contains(&words) {
                notes.push(words);
            }
        }
    }
    vec![Block::List(notes)]
}

/// The messages; of more than 20 notes of one kind the first 5, and how many more there are.
fn folded(notes: &[Diagnostic]) -> Vec<String> {
    const MOST: usize = 20;
    const SHOWN: usize = 5;
    let mut all: BTreeMap<&str, usize> = BTreeMap::new();
    for note in notes {
        *all.entry(note.code).or_default() += 1;
    }
    let mut so_far: BTreeMap<&str, usize> = BTreeMap::new();
    let mut messages = Vec::new();
    for note in notes {
        let (all, before) = (all[note.code], so_far.entry(note.code).or_default());
        if all <= MOST || *before < SHOWN {
            messages.push(note.message.clone());
        } else if *before == SHOWN {
            let rest = all - SHOWN;
            messages.push(format!("{rest} more of this kind ({})", note.code));
        }
        *before += 1;
    }
    messages
}

/// A species without heights, and what to do about it.
pub fn without_height(
    compilation: &Compilation<'_>,
    stand: usize,
    species: usize,
    count: usize,
) -> String {
    let at = species;
    let heights = &compilation.stands[stand].heights;
    let (stand, species) = (
        &compilation.records.stands[stand].name,
        &compilation.records.species[species].label,
    );
    let (have, them) = if count == 1 {
        ("has", "it")
    } else {
        ("have", "them")
    };
    let what = match (
        compilation.knowledge.volume.is_some(),
        compilation.biomass_needs_height(at),
    ) {
        (true, true) => "volume and no biomass",
        (false, true) => "biomass",
        _ => "volume",
    };
    format!(
        "stand {stand}: {} of {species} {have} no height and no curve serves, so no {what} is given \
         for {them}; {}, or name {}published curves under heights: regional",
        counted(count, "tree"),
        what_to_measure(compilation, heights, at),
        compilation
            .design
            .heights
            .regional
            .as_ref()
            .map_or("", |_| "other ")
    )
}

/// What would give a species a curve of its own.
fn what_to_measure(
    compilation: &Compilation<'_>,
    heights: &StandHeights,
    species: usize,
) -> String {
    let mut without = heights.without_curve.iter();
    let without = without.find(|without| without.species == species);
    let mut passed = without.into_iter().flat_map(|without| &without.passed);
    let own = passed.find(|passed| passed.level == Level::Species);
    match own.map(|passed| &passed.why) {
        Some(Why::OneHeight { n, .. }) => {
            format!("all {n} heights of it are the same: measure each tree")
        }
        Some(Why::OneDbh { n, .. }) => format!(
            "all {n} heights of it are of trees of one dbh: measure thinner and thicker ones"
        ),
        Some(Why::NoForm { n, .. }) => format!(
            "no form of curve suits its {n} heights (why not stands under height curves): look for \
             slips"
        ),
        _ => format!(
            "measure at least {} heights",
            compilation.design.heights.min_trees
        ),
    }
}

/// Heights that are all the same, and what that means.
pub fn one_value(compilation: &Compilation<'_>, stand: usize, found: OneHeight) -> String {
    let length = compilation.design.units.length();
    let of_species = found.species.map_or(String::new(), |species| {
        format!(" of {}", compilation.records.species[species].label)
    });
    let place = match compilation.design.heights.fit_by {
        FitBy::Stand => format!("stand {}", compilation.records.stands[stand].name),
        FitBy::Cruise => "all stands".to_owned(),
    };
    format!(
        "{place}: all {} usable heights{of_species} are the same, {:.2} {}; one value for every \
         tree is no measurement of each, so no curve is fitted to them alone: they only count among \
         those of other species or raise or lower a published curve. Were they measured?",
        found.n,
        found.height_m * length.from_metric,
        length.label
    )
}

/// The usual cautions.
pub fn cautions(compilation: &Compilation<'_>) -> Vec<String> {
    let mut cautions = vec![
        "Intervals in the tables cover sampling error only; what is known of the errors of heights, \
         height curves and equations stands under sources of error. Errors of dbh, plot boundaries \
         and stand area come on top."
            .to_owned(),
    ];
    if compilation.knowledge.volume.is_some() {
        cautions.push(
            "Volumes for sale, appraisal or permits follow local rules and a licensed \
             professional's judgement. An equation used outside its range is a guess. Volumes are \
             gross unless defect was recorded."
                .to_owned(),
        );
    }
    if compilation.knowledge.logs.is_some() {
        cautions.push(BOARD_FEET_CAUTION.to_owned());
    }
    if !compilation.biomass_equations.is_empty() {
        cautions.push(
            "Biomass and carbon are those of standing trees above ground: without roots, shrubs, \
             downed wood, litter and soil."
                .to_owned(),
        );
    }
    let dead = compilation
        .records
        .stands
        .iter()
        .flat_map(Stand::trees)
        .any(|(_, _, tree)| !tree.status.is_live());
    if dead {
        cautions.push(
            "Snags near a plot are danger trees: look up before going back in. Snag volumes are \
             the least certain."
                .to_owned(),
        );
    }
    cautions
}
