//! The report that people read: what was compiled and how, then figures, tables, curves,
//! equations, findings and cautions.

use crate::compile::Compilation;
use crate::design::{Design, Method, SelectionIndex};
use crate::diagnostic::Problems;
use crate::estimates::{Attribute, NoInterval, StatusDomain};
use crate::records::Stand;
use crate::tables::lookup::{Lookup, Scope};
use crate::tables::{
    Block, Report, Table, assumptions, biomass, charts, curves, double_sampling, equations,
    figures, heights_audit, logs, measured_heights, paired, plots, stand, systematic, three_p,
    whole_error,
};

/// Heading of what was found noteworthy.
pub const TO_NOTE: &str = "To note";
/// Heading of the usual cautions.
pub const CAUTIONS: &str = "Cautions";

/// Heading of what the readers found.
pub const IN_THE_RECORDS: &str = "Found in the records";

/// Findings in the records that a report lists.
const MOST_FINDINGS: usize = 100;
/// Plots of a stand up to which the report lists each.
const MOST_PLOTS: usize = 40;

/// The report of a cruise: the stand in full when there is one (or one is asked for), else one
/// line per stand and the whole.
pub fn report(compilation: &Compilation<'_>, asked: Option<&str>) -> Report {
    written(compilation, asked, false)
}

/// The same for readers who see nothing but the report: the main figures first, the charts each
/// where its figures are told, and what was found in the records (`findings`).
pub fn illustrated(
    compilation: &Compilation<'_>,
    asked: Option<&str>,
    findings: &Problems,
) -> Report {
    let mut report = written(compilation, asked, true);
    if let Some(stand) = asked.filter(|stand| *stand != report.title) {
        report.title = format!("{}: stand {stand}", report.title);
    }
    let at = report
        .sections
        .iter()
        .position(|one| one.heading == CAUTIONS);
    let at = at.unwrap_or(report.sections.len());
    report.section(IN_THE_RECORDS, vec![Block::List(shortened(findings))]);
    report.sections[at..].rotate_right(usize::from(!findings.is_empty()));
    report
}

/// Not more than a reader will read; the rest is counted.
fn shortened(findings: &Problems) -> Vec<String> {
    let first = findings.iter().take(MOST_FINDINGS);
    let mut points: Vec<String> = first.map(ToString::to_string).collect();
    let rest = findings.len() - points.len();
    if rest > 0 {
        points.push(format!(
            "{rest} more; the program lists them all when it reads the records"
        ));
    }
    points
}

fn written(compilation: &Compilation<'_>, asked: Option<&str>, with_charts: bool) -> Report {
    let stands = &compilation.records.stands;
    let one = match asked {
        Some(name) => stands.iter().position(|stand| stand.name == name),
        None if stands.len() == 1 => Some(0),
        None => None,
    };
    let mut report = Report::new(&compilation.design.title);
    if with_charts {
        report.section("Main figures", main_figures(compilation, one));
    }
    report.section("What was compiled", assumptions::compiled(compilation, one));
    report.section("How it was compiled", assumptions::how(compilation, one));
    match one {
        Some(at) => one_stand(compilation, at, with_charts, &mut report),
        None => many_stands(compilation, with_charts, &mut report),
    }
    let errors = whole_error::blocks(compilation, one, with_charts);
    report.section("Sources of error", errors);
    let stands: Vec<usize> = one.map_or_else(|| (0..stands.len()).collect(), |at| vec![at]);
    logs::sections(compilation, &stands, &mut report);
    let mut of_curves = curves::blocks(compilation, one);
    if with_charts {
        of_curves.splice(0..0, charts::heights::blocks(compilation, one));
    }
    report.section("Height curves", of_curves);
    report.section(
        "Measured heights",
        measured_heights::blocks(compilation, one),
    );
    report.section("Height trees", heights_audit::blocks(compilation, one));
    report.section("Volume equations", equations::blocks(compilation, one));
    report.section("Biomass equations", biomass::equations(compilation));
    report.section(TO_NOTE, assumptions::notes(compilation, one));
    report.section(
        CAUTIONS,
        vec![Block::List(assumptions::cautions(compilation))],
    );
    report
}

/// What is asked for first: the figures of all live trees by each selection.
fn main_figures(compilation: &Compilation<'_>, one: Option<usize>) -> Vec<Block> {
    let design = compilation.design;
    let name = one.map(|at| compilation.records.stands[at].name.as_str());
    let live = StatusDomain::Live;
    let lookup = Lookup::new(&compilation.estimates.rows, |row| {
        row.stand.as_deref() == name && row.stratum.is_none()
    });
    let wanted = figures::BY_SPECIES.iter().chain(figures::MASSES_BY_SPECIES);
    let wanted: Vec<Attribute> = wanted.copied().collect();
    let mut blocks = Vec::new();
    for (selection, rule) in design.selections.iter().enumerate() {
        let scope = (name, None);
        let mut table = figures::stand_figures(&lookup, design, scope, selection, live, &wanted);
        table.caption = format!("Live trees, selection {}", rule.name);
        blocks.push(Block::Table(table.without_empty_columns()));
    }
    blocks
}

fn one_stand(compilation: &Compilation<'_>, at: usize, with_charts: bool, report: &mut Report) {
    let design = compilation.design;
    let this = &compilation.records.stands[at];
    let lookup = Lookup::new(&compilation.estimates.rows, |row| {
        row.stand.as_deref() == Some(&this.name)
    });
    let whole: Scope<'_> = (Some(&this.name), None);
    // Strata without known areas cannot be combined: each is shown by itself.
    let scopes = if has_rows(&lookup, design, whole) {
        vec![whole]
    } else {
        strata(this)
    };
    for scope in scopes {
        let of_stratum = scope
            .1
            .map_or(String::new(), |name| format!(", stratum {name}"));
        for (selection, rule) in design.selections.iter().enumerate() {
            let heading = format!(
                "Selection {}: {}{of_stratum}",
                rule.name,
                method_words(design, selection)
            );
            report.section(
                heading,
                selection_blocks(compilation, &lookup, scope, selection, with_charts),
            );
            report.section(
                format!("Biomass and carbon, selection {}{of_stratum}", rule.name),
                biomass::blocks(compilation, &lookup, scope, selection),
            );
        }
    }
    if design.selections.len() > 1 {
        let table = figures::side_by_side(&lookup, design, whole);
        report.section(
            "Selections side by side",
            vec![Block::Table(table.without_empty_columns())],
        );
    }
    report.section("Fixed plots and sweep", paired::blocks(compilation, at));
    report.section("Systematic layout", systematic::blocks(compilation, at));
    report.section("Double sampling", double_sampling::blocks(compilation, at));
    if this.strata.len() > 1 {
        report.section("Strata", strata_blocks(&lookup, design, this, with_charts));
    }
    let mut of_plots = plot_blocks(compilation, this);
    if with_charts {
        of_plots.splice(0..0, charts::plots::blocks(compilation, &lookup, this));
    }
    report.section("Plots", of_plots);
}

fn has_rows(lookup: &Lookup<'_>, design: &Design, scope: Scope<'_>) -> bool {
    let domain = figures::everything(StatusDomain::Live);
    (0..design.selections.len())
        .any(|selection| !lookup.attributes(scope, selection, domain).is_empty())
}

fn strata(stand: &Stand) -> Vec<Scope<'_>> {
    stand
        .strata
        .iter()
        .map(|stratum| (Some(stand.name.as_str()), Some(stratum.name.as_str())))
        .collect()
}

fn selection_blocks(
    compilation: &Compilation<'_>,
    lookup: &Lookup<'_>,
    scope: Scope<'_>,
    selection: SelectionIndex,
    with_charts: bool,
) -> Vec<Block> {
    let (design, records) = (compilation.design, compilation.records);
    let live = StatusDomain::Live;
    let all = figures::everything(live);
    let mut there = lookup.attributes(scope, selection, all);
    there.retain(|attribute| !attribute.is_mass());
    let mut blocks = Vec::new();
    let three_p = matches!(design.selections[selection].method, Method::ThreeP { .. });
    if let Some(reason) = no_interval_words(lookup, three_p, scope, selection) {
        blocks.push(Block::Paragraph(reason.to_owned()));
    }
    let with_caption = |caption: &str, mut table: Table| {
        table.caption = match table.caption.as_str() {
            "" => caption.to_owned(),
            more => format!("{caption}: {more}"),
        };
        Block::Table(table.without_empty_columns())
    };
    let stand_figures = figures::stand_figures(lookup, design, scope, selection, live, &there);
    blocks.push(with_caption("Live trees", stand_figures));
    blocks.push(Block::Table(figures::totals(
        lookup, design, scope, selection, &there,
    )));
    let stock = [
        Attribute::VolumeMerch,
        Attribute::VolumeTotal,
        Attribute::BasalArea,
    ]
    .into_iter()
    .find(|attribute| there.contains(attribute));
    if let Some(stock) = stock {
        blocks.extend(three_p::blocks(compilation, scope, selection, stock));
    }
    let by_species = |status| {
        let wanted = figures::BY_SPECIES;
        figures::by_species(lookup, design, records, scope, selection, status, wanted)
    };
    if with_charts {
        let chart = charts::species::blocks(lookup, design, records, scope, selection);
        blocks.extend(chart);
    }
    blocks.push(with_caption("Live trees by species", by_species(live)));
    let by_class = |attribute| {
        stand::by_class_and_species(lookup, design, records, scope, selection, attribute)
    };
    // A sweep that was only counted has no diameters.
    if !lookup.classes(scope, selection, live).is_empty() {
        if with_charts {
            let chart = charts::diameters::blocks(lookup, design, records, scope, selection);
            blocks.extend(chart);
        }
        blocks.push(with_caption(
            "Stand table, live",
            by_class(Attribute::Trees),
        ));
        if let Some(attribute) = stock {
            blocks.push(with_caption("Stock table, live", by_class(attribute)));
        }
    }
    if !lookup
        .species(scope, selection, StatusDomain::Dead)
        .is_empty()
    {
        blocks.push(with_caption(
            "Snags (standing dead trees) by species",
            by_species(StatusDomain::Dead),
        ));
    }
    if !lookup
        .classes(scope, selection, StatusDomain::Dead)
        .is_empty()
    {
        let table = stand::snags(lookup, design, scope, selection);
        blocks.push(with_caption("Snag table", table));
    }
    blocks
}

/// Why the figures of a scope have no interval.
fn no_interval_words(
    lookup: &Lookup<'_>,
    three_p: bool,
    scope: Scope<'_>,
    selection: SelectionIndex,
) -> Option<&'static str> {
    let domain = figures::everything(StatusDomain::Live);
    let estimate = lookup.estimate(scope, selection, domain, Attribute::BasalArea)?;
    match estimate.no_interval? {
        NoInterval::OnePlot if three_p => Some(
            "One sample tree: how much the ratios vary is not known, so there is no standard error \
             and no interval; two or more are needed.",
        ),
        NoInterval::StratumWithOnePlot if three_p => Some(
            "A stratum has a single sample tree: its variance is unknown, so the combined figures \
             have no standard error and no interval.",
        ),
        NoInterval::FullTally if three_p => {
            Some("Every tree was measured: there is no sampling error.")
        }
        NoInterval::OnePlot => Some(
            "One plot: the figures are those of this one spot. It cannot tell how much the stand \
             varies, so there is no standard error and no interval; two or more plots are needed.",
        ),
        NoInterval::OneCluster => Some(
            "One cluster: its plots lie together and cannot tell how much the stand varies, so there \
             is no standard error and no interval; two or more clusters are needed.",
        ),
        NoInterval::OneStand => Some(
            "One stand of a list: it cannot tell how much the stands vary, so there is no standard \
             error and no interval.",
        ),
        NoInterval::StratumWithOnePlot => Some(
            "A stratum has a single plot: its variance is unknown, so the combined figures have no \
             standard error and no interval.",
        ),
        NoInterval::FullTally => Some("Every tree was tallied: there is no sampling error."),
        NoInterval::OneTree | NoInterval::Ratio => None,
    }
}

/// A selection's rule in words.
pub fn method_words(design: &Design, selection: SelectionIndex) -> String {
    let units = design.units;
    let length = |m: f64| {
        format!(
            "{:.2} {}",
            m * units.length().from_metric,
            units.length().label
        )
    };
    let area = |ha: f64| {
        format!(
            "{:.4} {}",
            ha * units.area().from_metric,
            units.area().label
        )
    };
    match &design.selections[selection].method {
        Method::FixedArea { area_ha, radius_m } => {
            format!(
                "fixed plots of {} (radius {})",
                area(*area_ha),
                length(*radius_m)
            )
        }
        Method::NestedRings(rings) => format!("nested plots of {} rings", rings.len()),
        Method::Strip { length_m, width_m } => {
            format!("strips of {} by {}", length(*length_m), length(*width_m))
        }
        Method::FullTally => "full tally".to_owned(),
        Method::ThreeP { largest_number } => {
            format!("3P sample, largest number {largest_number}")
        }
        Method::AngleGauge { baf_m2_per_ha } => {
            let unit = units.basal_area_per_area();
            let factor = (baf_m2_per_ha * unit.from_metric * 1e4).round() / 1e4;
            format!("angle gauge, basal area factor {factor} {}", unit.label)
        }
    }
}

fn strata_blocks(
    lookup: &Lookup<'_>,
    design: &Design,
    this: &Stand,
    with_charts: bool,
) -> Vec<Block> {
    let mut scopes: Vec<(String, Scope<'_>)> = strata(this)
        .into_iter()
        .map(|scope| (scope.1.unwrap_or_default().to_owned(), scope))
        .collect();
    scopes.push(("all".to_owned(), (Some(&this.name), None)));
    scope_blocks(lookup, design, "stratum", &scopes, with_charts)
}

fn scope_blocks<'a>(
    lookup: &Lookup<'a>,
    design: &Design,
    head: &str,
    scopes: &[(String, Scope<'a>)],
    with_charts: bool,
) -> Vec<Block> {
    let one = |(selection, rule): (usize, &crate::design::Selection), wanted| {
        let mut table = figures::by_scope(lookup, design, head, scopes, selection, wanted);
        table.caption = format!(
            "{}, live trees per {}, with half the width of the {} interval",
            rule.name,
            design.units.area().label,
            figures::confidence_words(design)
        );
        Block::Table(table)
    };
    let rules = || design.selections.iter().enumerate();
    let mut blocks = if with_charts {
        charts::stands::blocks(lookup, design, head, scopes)
    } else {
        Vec::new()
    };
    blocks.extend(rules().map(|rule| one(rule, figures::BY_SPECIES)));
    if design.biomass.is_some() {
        blocks.extend(rules().map(|rule| one(rule, figures::MASSES_BY_SPECIES)));
    }
    blocks
}

fn many_stands(compilation: &Compilation<'_>, with_charts: bool, report: &mut Report) {
    let design = compilation.design;
    let live = StatusDomain::Live;
    let lookup = Lookup::new(&compilation.estimates.rows, |row| {
        row.stratum.is_none() && row.domain == figures::everything(live)
    });
    let mut scopes: Vec<(String, Scope<'_>)> = compilation
        .records
        .stands
        .iter()
        .map(|stand| (stand.name.clone(), (Some(stand.name.as_str()), None)))
        .collect();
    scopes.push(("all".to_owned(), (None, None)));
    let blocks = scope_blocks(&lookup, design, "stand", &scopes, with_charts);
    report.section("Stands", blocks);
    let whole = Lookup::new(&compilation.estimates.rows, |row| row.stand.is_none());
    if has_rows(&whole, design, (None, None)) {
        for (selection, rule) in design.selections.iter().enumerate() {
            let heading = format!("All stands, selection {}", rule.name);
            report.section(
                heading,
                selection_blocks(compilation, &whole, (None, None), selection, with_charts),
            );
            report.section(
                format!("Biomass and carbon, all stands, selection {}", rule.name),
                biomass::blocks(compilation, &whole, (None, None), selection),
            );
        }
    }
}

fn plot_blocks(compilation: &Compilation<'_>, this: &Stand) -> Vec<Block> {
    if this.plots.len() > MOST_PLOTS {
        return Vec::new();
    }
    plots::tables(compilation, this)
        .into_iter()
        .map(Block::Table)
        .collect()
}
