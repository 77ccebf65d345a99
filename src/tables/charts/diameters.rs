//! Trees by dbh class: all species together, and species by species.

use super::{MOST_PANELS, in_words, label, note_cut, note_left, shown, whisker_words};
use crate::design::{Design, SelectionIndex};
use crate::estimates::{Attribute, Domain, StatusDomain};
use crate::records::Records;
use crate::tables::chart::{Axis, Bar, Chart, Drawn, Interval, Mark, Panel, Plane};
use crate::tables::figures::species_label;
use crate::tables::lookup::{Lookup, Scope};
use crate::tables::tidy::class_limits;
use crate::tables::{Block, plain};

/// The charts of one scope and selection: two, or one where there is a single species.
pub fn blocks(
    lookup: &Lookup<'_>,
    design: &Design,
    records: &Records,
    scope: Scope<'_>,
    selection: SelectionIndex,
) -> Vec<Block> {
    let of =
        |species: Option<usize>, mark: Mark| bars(lookup, design, scope, selection, species, mark);
    let all = of(None, Mark::PLAIN);
    if all.is_empty() {
        return Vec::new();
    }
    let mut charts = vec![chart(
        design,
        "Diameter distribution, live trees",
        vec![(String::new(), all)],
    )];
    let mut species = lookup.species(scope, selection, StatusDomain::Live);
    let trees = |at: usize| {
        let domain = Domain {
            status: StatusDomain::Live,
            species: Some(at),
            dbh_class: None,
        };
        let estimate = lookup.estimate(scope, selection, domain, Attribute::Trees);
        estimate.map_or(0.0, |estimate| estimate.mean)
    };
    species.sort_by(|a, b| trees(*b).total_cmp(&trees(*a)).then(a.cmp(b)));
    let left = species.split_off(species.len().min(MOST_PANELS));
    species.sort_unstable();
    if species.len() > 1 {
        let panels = species.iter().map(|at| {
            (
                species_label(Some(*at), records),
                of(Some(*at), Mark::of(*at)),
            )
        });
        let mut by_species = chart(
            design,
            "Diameter distribution by species, live trees",
            panels.collect(),
        );
        note_left(&mut by_species, &left, records, "fewer trees");
        charts.push(by_species);
    }
    charts
        .into_iter()
        .map(|chart| Block::Chart(Box::new(chart)))
        .collect()
}

fn bars(
    lookup: &Lookup<'_>,
    design: &Design,
    scope: Scope<'_>,
    selection: SelectionIndex,
    species: Option<usize>,
    mark: Mark,
) -> Vec<Bar> {
    let status = StatusDomain::Live;
    let classes = lookup.classes(scope, selection, status);
    let one = |class: &u32| {
        let domain = Domain {
            status,
            species,
            dbh_class: Some(*class),
        };
        let estimate = lookup.estimate(scope, selection, domain, Attribute::Trees)?;
        let (from, to) = class_limits(*class, design);
        let value = shown(estimate, Attribute::Trees, design);
        Some(Bar {
            from,
            to,
            value,
            mark,
        })
    };
    classes.iter().filter_map(one).collect()
}

fn chart(design: &Design, title: &str, panels: Vec<(String, Vec<Bar>)>) -> Chart {
    let intervals: Vec<Interval> = panels
        .iter()
        .flat_map(|panel| &panel.1)
        .map(|bar| bar.value)
        .collect();
    let any = intervals.iter().any(|interval| interval.limits.is_some());
    let digits = Attribute::Trees.digits(design.units);
    let unit = design.units.diameter().label;
    let tell = |(name, bars): &(String, Vec<Bar>)| {
        let bars: Vec<String> = bars
            .iter()
            .map(|bar| {
                format!(
                    "{} to {} {unit} {}",
                    plain(bar.from),
                    plain(bar.to),
                    in_words(bar.value, digits)
                )
            })
            .collect();
        let name = if name.is_empty() {
            String::new()
        } else {
            format!("{name}: ")
        };
        format!("{name}{}", bars.join(", "))
    };
    let told: Vec<String> = panels.iter().map(tell).collect();
    let mut chart = Chart {
        title: format!(
            "{title}: {} by dbh class{}",
            label(Attribute::Trees, design),
            whisker_words(design, any)
        ),
        description: format!(
            "{title}, {}. {}.",
            label(Attribute::Trees, design),
            told.join(". ")
        ),
        shared_axes: true,
        ..Chart::default()
    };
    for (title, bars) in panels {
        let mut plane = Plane::new(Axis::from_zero(label(Attribute::Trees, design)));
        plane.bars = bars;
        let x = Axis::over(format!("dbh, {unit}"));
        chart.panels.push(Panel {
            title,
            x,
            drawn: Drawn::Plane(plane),
        });
    }
    note_cut(&mut chart, intervals);
    chart
}
