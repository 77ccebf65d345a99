//! The two files that a plan may read: strata, and the stand table that is expected.

use crate::diagnostic::{Diagnostic, Problems, seen};
use crate::planning::size::{Class, Expected};
use crate::read::csv::{Column, Row, Table};
use crate::read::source::Source;
use crate::read::table_head::nearest_word;
use crate::units::{Dimension, HA_PER_AC};

/// What a file of strata holds.
pub(super) struct StrataFile {
    /// Unit of means and standard deviations, as in the heads: `m3_per_ha`.
    pub(super) unit: Option<String>,
    /// The rows.
    pub(super) strata: Vec<StrataRow>,
}

/// A row of it; what one row has, all have.
pub(super) struct StrataRow {
    pub(super) name: String,
    pub(super) area_ha: Option<f64>,
    pub(super) listed_units: Option<f64>,
    pub(super) mean: Option<f64>,
    pub(super) std_dev: f64,
    pub(super) cost: Option<f64>,
}

/// A kind of number: what it may be, in words and as a test.
#[derive(Clone, Copy)]
struct Kind {
    words: &'static str,
    allows: fn(f64) -> bool,
}

const POSITIVE: Kind = Kind {
    words: "above 0",
    allows: |value| value > 0.0,
};
const NOT_NEGATIVE: Kind = Kind {
    words: "0 or more",
    allows: |value| value >= 0.0,
};
const TWO_OR_MORE: Kind = Kind {
    words: "2 or more",
    allows: |value| value >= 2.0,
};
const DBH: Kind = Kind {
    words: "above 0 and at most 1500 cm",
    allows: |value| value > 0.0 && value <= 1500.0,
};

/// A number that a row must have where the file has its column.
fn value(
    table: &Table<'_>,
    row: &Row,
    column: Option<Column>,
    kind: Kind,
    problems: &mut Problems,
) -> Option<f64> {
    let column = column?;
    let head = &table.heads()[column.index];
    let at = || table.site(row, column);
    let Some(text) = row.text(Some(column)) else {
        let message = format!("`{head}` is blank in this row");
        let hint = format!("it must be {}", kind.words);
        problems.push(
            Diagnostic::error("missing-value", message)
                .at(at())
                .hint(hint),
        );
        return None;
    };
    let number = table.figure(row, Some(column), problems)?;
    if (kind.allows)(number) {
        return Some(number);
    }
    let message = format!("`{head}` is not possible ({})", seen(text));
    let hint = format!("it must be {}", kind.words);
    problems.push(
        Diagnostic::error("out-of-range", message)
            .at(at())
            .hint(hint),
    );
    None
}

fn missing_column(table: &Table<'_>, what: &str, hint: &str) -> Diagnostic {
    Diagnostic::error("missing-column", format!("there is no column for {what}"))
        .at(table.head_site(0))
        .hint(hint)
}

/// Says that a column of this name lacks its unit, or else that there is none.
fn say_missing(table: &Table<'_>, bare: &str, what: &str, hint: &str, problems: &mut Problems) {
    let place = table.heads().iter().position(|head| head == bare);
    problems.push(match place {
        Some(index) => {
            let message = format!("the column `{bare}` does not say its unit");
            Diagnostic::error("column-without-unit", message)
                .at(table.head_site(index))
                .hint(hint)
        }
        None => missing_column(table, what, hint),
    });
}

/// A column whose head is a stem and any unit: the column and its unit.
fn with_unit(table: &Table<'_>, stem: &str, problems: &mut Problems) -> Option<(Column, String)> {
    let mut found: Option<(Column, String)> = None;
    for (index, head) in table.heads().iter().enumerate() {
        let Some(rest) = head.strip_prefix(stem) else {
            continue;
        };
        let unit = rest.strip_prefix('_').filter(|unit| !unit.is_empty());
        let Some(unit) = unit else {
            if rest.is_empty() {
                let message = format!("the column `{head}` does not say its unit");
                problems.push(
                    Diagnostic::error("column-without-unit", message)
                        .at(table.head_site(index))
                        .hint(format!("name it `{stem}_m3_per_ha`, for example")),
                );
                // It is there all the same; that it is missing need not be said too.
                found.get_or_insert((
                    Column {
                        index,
                        to_held: 1.0,
                    },
                    String::new(),
                ));
            }
            continue;
        };
        if let Some((first, _)) = &found {
            let message = format!(
                "`{stem}` is given twice, as `{}` and as `{head}`",
                table.heads()[first.index]
            );
            problems.push(
                Diagnostic::error("quantity-twice", message)
                    .at(table.head_site(index))
                    .hint("keep one of the two columns"),
            );
            continue;
        }
        found = Some((
            Column {
                index,
                to_held: 1.0,
            },
            unit.to_owned(),
        ));
    }
    found
}

/// Heads that are not ours: a slip of one that is, or kept and not used.
fn say_unknown(
    table: &Table<'_>,
    used: &[Option<Column>],
    known: &[&str],
    problems: &mut Problems,
) {
    let mut ignored = Vec::new();
    for (index, head) in table.heads().iter().enumerate() {
        let is_used = used.iter().flatten().any(|column| column.index == index);
        let is_said = ["area", "dbh", "trees", "note"].contains(&head.as_str());
        if is_used || is_said || head.is_empty() {
            continue;
        }
        let near = nearest_word(head, known.iter().copied());
        match near.filter(|near| strsim::osa_distance(head, near) <= 2) {
            Some(near) => problems.push(
                Diagnostic::warning(
                    "column-ignored",
                    format!("the column {} is not known and ignored", seen(head)),
                )
                .at(table.head_site(index))
                .hint(format!("did you mean `{near}`?")),
            ),
            None => ignored.push(seen(head)),
        }
    }
    if !ignored.is_empty() {
        let message = format!("columns kept but not used: {}", ignored.join(", "));
        problems.push(Diagnostic::note("columns-ignored", message).at(table.head_site(0)));
    }
}

/// The columns of a file of strata.
struct StrataColumns {
    stratum: Option<Column>,
    area: Option<Column>,
    listed_units: Option<Column>,
    mean: Option<Column>,
    std_dev: Option<Column>,
    cv_pct: Option<Column>,
    cost: Option<Column>,
    unit: Option<String>,
}

impl StrataColumns {
    fn find(table: &Table<'_>, problems: &mut Problems) -> Self {
        let mean = with_unit(table, "mean", problems);
        let std_dev = with_unit(table, "std_dev", problems);
        let columns = StrataColumns {
            stratum: table.column("stratum"),
            area: table.quantity("area", Dimension::Area, problems),
            listed_units: table.column("listed_units"),
            cv_pct: table.column("cv_pct"),
            cost: table.column("cost"),
            mean: mean.as_ref().map(|(column, _)| *column),
            std_dev: std_dev.as_ref().map(|(column, _)| *column),
            unit: mean
                .iter()
                .chain(&std_dev)
                .map(|(_, unit)| unit.clone())
                .find(|unit| !unit.is_empty()),
        };
        if let (Some((_, of_mean)), Some((column, of_std_dev))) = (&mean, &std_dev)
            && !of_mean.is_empty()
            && !of_std_dev.is_empty()
            && of_mean != of_std_dev
        {
            let message =
                format!("means are in `{of_mean}` and standard deviations in `{of_std_dev}`");
            problems.push(
                Diagnostic::error("two-units", message)
                    .at(table.head_site(column.index))
                    .hint("give both in one unit"),
            );
        }
        columns.check(table, problems);
        columns
    }

    fn check(&self, table: &Table<'_>, problems: &mut Problems) {
        if self.stratum.is_none() {
            problems.push(missing_column(table, "the strata", "name it `stratum`"));
        }
        if self.area.is_none() && self.listed_units.is_none() {
            let hint = "name it `area_ha`, `area_ac` or `listed_units`";
            say_missing(table, "area", "the size of the strata", hint, problems);
        }
        match (self.std_dev, self.cv_pct) {
            (None, None) => problems.push(missing_column(
                table,
                "the spread of plot values",
                "name it `std_dev_m3_per_ha` (or another unit), or `cv_pct`",
            )),
            (Some(_), Some(cv_pct)) => problems.push(
                Diagnostic::error(
                    "quantity-twice",
                    "the spread is given twice, as standard deviation and as `cv_pct`",
                )
                .at(table.head_site(cv_pct.index))
                .hint("keep one of the two columns"),
            ),
            (None, Some(_)) if self.mean.is_none() => problems.push(missing_column(
                table,
                "the means, which `cv_pct` is a percentage of",
                "name it `mean_m3_per_ha`, or another unit",
            )),
            _ => {}
        }
        let used = [
            self.stratum,
            self.area,
            self.listed_units,
            self.mean,
            self.std_dev,
            self.cv_pct,
            self.cost,
        ];
        let known = [
            "stratum",
            "area_ha",
            "area_ac",
            "listed_units",
            "cv_pct",
            "cost",
        ];
        say_unknown(table, &used, &known, problems);
    }

    fn row(&self, table: &Table<'_>, row: &Row, problems: &mut Problems) -> Option<StrataRow> {
        let mut number = |column, kind: Kind| value(table, row, column, kind, problems);
        let area_ha = number(self.area, POSITIVE);
        let listed_units = number(self.listed_units, TWO_OR_MORE);
        let of_mean = if self.cv_pct.is_some() {
            POSITIVE
        } else {
            NOT_NEGATIVE
        };
        let mean = number(self.mean, of_mean);
        let std_dev = number(self.std_dev, NOT_NEGATIVE);
        let cv_pct = number(self.cv_pct, NOT_NEGATIVE);
        let cost = number(self.cost, POSITIVE);
        let of_cv = cv_pct.zip(mean).map(|(cv_pct, mean)| cv_pct / 100.0 * mean);
        Some(StrataRow {
            name: row.text(self.stratum)?.to_owned(),
            area_ha,
            listed_units,
            mean,
            std_dev: std_dev.or(of_cv)?,
            cost,
        })
    }
}

/// Reads a file of strata.
pub(super) fn read_strata(source: &Source, problems: &mut Problems) -> Option<StrataFile> {
    let mut table = Table::open(source, &[], problems)?;
    let columns = StrataColumns::find(&table, problems);
    let mut strata: Vec<StrataRow> = Vec::new();
    let mut names: Vec<String> = Vec::new();
    while let Some(row) = table.next_row(problems) {
        if let Some(stratum) = columns.stratum {
            let name = row.text(Some(stratum)).unwrap_or_default().to_owned();
            if name.is_empty() {
                problems.push(
                    Diagnostic::error("missing-value", "this row names no stratum")
                        .at(table.row_site(&row))
                        .hint("name it in the column `stratum`, or remove the row"),
                );
            } else if names.contains(&name) {
                let message = format!("stratum {} is listed twice", seen(&name));
                problems.push(
                    Diagnostic::error("stratum-twice", message)
                        .at(table.site(&row, stratum))
                        .hint("keep one row for each stratum"),
                );
            }
            names.push(name);
        }
        strata.extend(columns.row(&table, &row, problems));
    }
    table.finish(problems);
    if strata.is_empty() && !problems.has_errors() {
        problems.push(no_rows(source, "stratum"));
    }
    (!problems.has_errors()).then_some(StrataFile {
        unit: columns.unit,
        strata,
    })
}

fn no_rows(source: &Source, what: &str) -> Diagnostic {
    Diagnostic::error("no-rows", format!("there is no {what} in the file"))
        .at(source.whole())
        .hint(format!("write a row for each {what} under the heads"))
}

/// Reads a stand table; is it imperial?
pub(super) fn read_stand_table(
    source: &Source,
    problems: &mut Problems,
) -> Option<(Expected, bool)> {
    let mut table = Table::open(source, &[], problems)?;
    let dbh = table.quantity("dbh", Dimension::Diameter, problems);
    if dbh.is_none() {
        let hint = "name it `dbh_cm` or `dbh_in`";
        say_missing(&table, "dbh", "the dbh classes", hint, problems);
    }
    let per_ha = table.column("trees_per_ha");
    let per_ac = table.column("trees_per_ac");
    let trees = match (per_ha, per_ac) {
        (Some(_), Some(per_ac)) => {
            problems.push(
                Diagnostic::error("quantity-twice", "trees are given per hectare and per acre")
                    .at(table.head_site(per_ac.index))
                    .hint("keep one of the two columns"),
            );
            None
        }
        (None, None) => {
            let hint = "name it `trees_per_ha` or `trees_per_ac`";
            say_missing(&table, "trees", "the trees", hint, problems);
            None
        }
        (per_ha, Some(per_ac)) => per_ha.or(Some(Column {
            to_held: 1.0 / HA_PER_AC,
            ..per_ac
        })),
        (per_ha, None) => per_ha,
    };
    let known = ["dbh_cm", "dbh_in", "trees_per_ha", "trees_per_ac"];
    say_unknown(&table, &[dbh, per_ha, per_ac], &known, problems);
    let mut classes: Vec<Class> = Vec::new();
    while let Some(row) = table.next_row(problems) {
        let dbh_cm = value(&table, &row, dbh, DBH, problems);
        let trees_per_ha = value(&table, &row, trees, NOT_NEGATIVE, problems);
        let (Some(dbh_cm), Some(trees_per_ha)) = (dbh_cm, trees_per_ha) else {
            continue;
        };
        let same = classes
            .iter_mut()
            .find(|class| class.dbh_cm.to_bits() == dbh_cm.to_bits());
        match same {
            // A row for each species, say.
            Some(class) => class.trees_per_ha += trees_per_ha,
            None => classes.push(Class {
                dbh_cm,
                trees_per_ha,
            }),
        }
    }
    table.finish(problems);
    if problems.has_errors() {
        return None;
    }
    classes.sort_by(|a, b| a.dbh_cm.total_cmp(&b.dbh_cm));
    let expected = Expected { classes };
    if expected.trees_per_ha() <= 0.0 {
        problems.push(no_rows(source, "class with trees"));
        return None;
    }
    let imperial = per_ac.is_some() && dbh.is_some_and(|dbh| table.heads()[dbh.index] == "dbh_in");
    Some((expected, imperial))
}
