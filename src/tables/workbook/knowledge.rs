//! The sheets that say where heights and volumes come from: curves and equations, with their
//! publications.

use crate::compile::Compilation;
use crate::design::FitBy;
use crate::heights::HeightCurve;
use crate::species::set::Head;
use crate::tables::curve_sources::publication;
use crate::tables::tidy::ALL;
use crate::tables::{Cell, Column, Table, biomass, curves as curve_tables, equations as volumes};

use super::stack::{Part, stacked};

/// Every curve that fills heights, by stand, with its formula and what is to be known of it.
pub(super) fn curves(compilation: &Compilation<'_>) -> Table {
    let stands = &compilation.records.stands;
    let groups: Vec<(&str, Vec<usize>)> = match compilation.design.heights.fit_by {
        FitBy::Cruise => vec![(ALL, (0..stands.len()).collect())],
        FitBy::Stand => {
            let each = stands.iter().enumerate();
            each.map(|(at, stand)| (stand.name.as_str(), vec![at]))
                .collect()
        }
    };
    let mut parts: Vec<Part> = Vec::new();
    for (name, group) in groups {
        for used in curve_tables::used(compilation, &group) {
            let mut table = curve_tables::table_of(compilation, std::slice::from_ref(&used));
            let texts = ["formula", "remarks", "publication"];
            table.columns.extend(texts.map(Column::words));
            let publication = publication(&used.curve).map_or(Cell::Empty, Cell::text);
            let formula = curve_tables::formula(compilation, &used);
            let remarks = curve_tables::remarks_on(compilation, &used);
            for (row, served) in table.rows.iter_mut().zip(&used.species) {
                // What is said of another species by name is no matter of this one.
                let is_of_another = |remark: &str| {
                    let mut others = used.species.iter().filter(|other| *other != served);
                    others.any(|other| {
                        let label = curve_tables::label(compilation, other.species);
                        remark
                            .strip_prefix(label)
                            .is_some_and(|rest| rest.starts_with(": "))
                    })
                };
                let remarks: Vec<&str> = (remarks.iter().map(String::as_str))
                    .filter(|remark| !is_of_another(remark))
                    .collect();
                row.extend([
                    Cell::text(&formula),
                    Cell::Text(remarks.join("; ")),
                    publication.clone(),
                ]);
            }
            parts.push((vec![Cell::text(name)], table));
        }
        parts.extend(without_curve(compilation, name, &group));
    }
    stacked(&["stand"], parts, |_| 0)
}

/// Species of which no tree gets a height.
fn without_curve(compilation: &Compilation<'_>, name: &str, group: &[usize]) -> Option<Part> {
    let heads = ["species", "level", "form", "remarks"].map(Column::words);
    let mut table = Table::new("", 1, heads.to_vec());
    let all = group.iter().map(|at| &compilation.stands[*at].heights);
    let mut without: Vec<_> = all.flat_map(|heights| &heights.without_curve).collect();
    without.sort_by_key(|without| without.species);
    without.dedup_by_key(|without| without.species);
    for without in without {
        table.rows.push(vec![
            Cell::text(curve_tables::label(compilation, without.species)),
            Cell::text("none"),
            Cell::Empty,
            Cell::Text(curve_tables::passed_words(compilation, &without.passed)),
        ]);
    }
    (!table.rows.is_empty()).then(|| (vec![Cell::text(name)], table))
}

/// What a row of the equations says of a set.
struct Cited<'a> {
    what: &'static str,
    name: &'a str,
    title: &'a str,
    citation: &'a str,
    obtained: &'a str,
    range: &'a str,
    error: &'a str,
}

impl<'a> Cited<'a> {
    fn of(what: &'static str, name: &'a str, head: &'a Head) -> Self {
        Cited {
            what,
            name,
            title: &head.title,
            citation: &head.citation,
            obtained: head.obtained.words(),
            range: &head.range.source,
            error: &head.error.statement,
        }
    }

    /// A row: what it is of, then how the species is served, then the set.
    fn row(&self, species: [Cell; 6]) -> Vec<Cell> {
        let [label, name, equation, region, how, doubts] = species;
        let text = |text: &str| match text {
            "" => Cell::Empty,
            text => Cell::text(text),
        };
        let first = [Cell::text(self.what), label, name, Cell::text(self.name)];
        let served = [equation, region, how, doubts];
        let of_set = [
            self.title,
            self.citation,
            self.obtained,
            self.range,
            self.error,
        ];
        first
            .into_iter()
            .chain(served)
            .chain(of_set.map(text))
            .collect()
    }
}

/// Which equation serves which species, with its publication; then bark, profiles, published curves
/// and log rules.
pub(super) fn equations(compilation: &Compilation<'_>) -> Table {
    let heads = [
        "of",
        "species",
        "name",
        "set",
        "equation",
        "region",
        "how",
        "doubts",
        "title",
        "citation",
        "coefficients",
        "valid range",
        "error",
    ];
    let mut table = Table::new("", 2, heads.map(Column::words).to_vec());
    let knowledge = &compilation.knowledge;
    if let Some(set) = &knowledge.volume {
        let cited = Cited::of("volume", &set.name, &set.head);
        let rows = volumes::by_species(compilation).rows.into_iter();
        for (row, equation) in rows.zip(&compilation.equations) {
            let doubts = marks(&equation.chosen.marks);
            if let Ok([label, name, equation, region, how]) = <[Cell; 5]>::try_from(row) {
                table
                    .rows
                    .push(cited.row([label, name, equation, region, how, doubts]));
            }
        }
    }
    let rows = biomass::by_species(compilation).rows.into_iter();
    for (row, equation) in rows.zip(&compilation.biomass_equations) {
        let doubts = marks(&equation.chosen.marks);
        let Some(set) = knowledge.biomass.get(equation.set) else {
            continue;
        };
        let equations = set.equations();
        let cited = Cited::of("biomass", &equations.name, &equations.head);
        if let Ok([label, name, _, equation, how]) = <[Cell; 5]>::try_from(row) {
            let of_species = [label, name, equation, Cell::Empty, how, doubts];
            table.rows.push(cited.row(of_species));
        }
    }
    let others = others(compilation);
    let nothing = || [const { Cell::Empty }; 6];
    table
        .rows
        .extend(others.iter().map(|cited| cited.row(nothing())));
    table
}

fn marks(marks: &[String]) -> Cell {
    if marks.is_empty() {
        Cell::Empty
    } else {
        Cell::Text(marks.join("; "))
    }
}

/// The sets that serve no species by themselves.
fn others<'c>(compilation: &'c Compilation<'_>) -> Vec<Cited<'c>> {
    let knowledge = &compilation.knowledge;
    let mut cited = Vec::new();
    if let Some(set) = &knowledge.volume {
        if let Some(bark) = set.bark_set.as_ref().map(|bark| bark.set()) {
            cited.push(Cited {
                what: "bark",
                name: &bark.name,
                title: &bark.head.title,
                citation: &bark.head.citation,
                obtained: bark.head.obtained.words(),
                range: "",
                error: "",
            });
        }
        if let Some(profiles) = &set.profiles {
            cited.push(Cited::of("stem profiles", &profiles.name, &profiles.head));
        }
    }
    let mut curves: Vec<Cited<'c>> = Vec::new();
    let all = compilation
        .stands
        .iter()
        .flat_map(|stand| &stand.heights.curves);
    let serving = all.filter(|used| used.species.iter().any(|served| served.filled > 0));
    for used in serving {
        if let Some(curve) = published(&used.curve)
            && curves.iter().all(|known| known.citation != curve.citation)
        {
            curves.push(curve);
        }
    }
    cited.extend(curves);
    let rules = knowledge.logs.iter().flat_map(|plan| &plan.board_feet);
    cited.extend(rules.map(|rule| Cited {
        what: "log rule",
        name: &rule.name,
        title: "",
        citation: &rule.citation,
        obtained: "",
        range: "",
        error: "",
    }));
    cited
}

fn published(curve: &HeightCurve) -> Option<Cited<'_>> {
    match curve {
        HeightCurve::Fitted(_) => None,
        HeightCurve::Ratio(ratio) => published(&ratio.curve),
        HeightCurve::Published(published) => {
            let curve = &published.curve;
            Some(Cited {
                what: "height curve",
                name: &curve.name,
                title: &curve.head.title,
                citation: curve.citation(),
                obtained: curve.head.obtained.words(),
                range: &curve.head.range.source,
                error: "",
            })
        }
    }
}
