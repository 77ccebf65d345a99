//! What a stand adds to all stands together, as bytes and back, so that it need not be compiled
//! again. Exact; limits of ratios are left out, as the whole does not use them.
//!
//! Little endian; counts and lengths as u32; of an estimate only what differs from the estimate of
//! nothing found in the same group.

use std::collections::BTreeMap;

use super::group::{Cell, Group};
use super::metrics::BASE;
use super::stand::{SelectionGroups, StandGroups};
use super::top_height::TopHeight;
use super::{Estimate, NoInterval};
use crate::plot_sums::{Column, Domain, StatusDomain};

/// Where selections, species and decay classes of one design stand in lists shared by several.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Renumbering {
    /// By selection of the design.
    pub selections: Vec<usize>,
    /// By species of the cruise.
    pub species: Vec<usize>,
    /// By decay class of the design.
    pub decay_classes: Vec<usize>,
    /// Are dbh classes the same?
    pub same_classes: bool,
}

impl StandGroups {
    /// Appends the bytes.
    pub fn store(&self, out: &mut Vec<u8>) {
        let mut out = Writer(out);
        out.text(&self.name);
        out.count(self.strata.len());
        for name in &self.strata {
            out.text(name);
        }
        out.flag(self.without_area);
        out.count(self.selections.len());
        for selection in &self.selections {
            out.count(selection.strata.len());
            let groups = selection.strata.iter().chain([&selection.stand]);
            for group in groups {
                out.flag(group.is_some());
                if let Some(group) = group {
                    out.group(group);
                }
            }
        }
    }

    /// Reads them back, from the front of `bytes`; `None` where they are not whole.
    pub fn restore(bytes: &mut &[u8]) -> Option<StandGroups> {
        let mut input = Reader(bytes);
        let name = input.text()?;
        let strata = (0..input.count()?).map(|_| input.text());
        let strata = strata.collect::<Option<Vec<String>>>()?;
        let without_area = input.flag()?;
        let mut selections = Vec::new();
        for _ in 0..input.count()? {
            let n_strata = input.count()?;
            let mut groups = Vec::new();
            for _ in 0..=n_strata {
                groups.push(if input.flag()? {
                    Some(input.group(&name)?)
                } else {
                    None
                });
            }
            let stand = groups.pop()?;
            selections.push(SelectionGroups {
                strata: groups,
                stand,
            });
        }
        Some(StandGroups {
            name,
            strata,
            without_area,
            selections,
        })
    }

    /// The same groups in the numbers of shared lists; `None` where a number is in no list.
    pub fn renumbered(self, how: &Renumbering, n_selections: usize) -> Option<StandGroups> {
        let of_group = |group: Group| -> Option<Group> {
            Some(Group {
                selection: *how.selections.get(group.selection)?,
                cells: group
                    .cells
                    .into_iter()
                    .filter(|(domain, _)| how.same_classes || domain.dbh_class.is_none())
                    .map(|(domain, cell)| Some((how.domain(domain)?, cell)))
                    .collect::<Option<_>>()?,
                ..group
            })
        };
        // `None` for a group that cannot be renumbered, not for one that is not there.
        let of_maybe = |group: Option<Group>| group.map_or(Some(None), |g| of_group(g).map(Some));
        let none = SelectionGroups {
            strata: vec![None; self.strata.len()],
            stand: None,
        };
        let mut selections = vec![none; n_selections];
        for (at, groups) in self.selections.into_iter().enumerate() {
            let place = selections.get_mut(*how.selections.get(at)?)?;
            *place = SelectionGroups {
                strata: (groups.strata.into_iter())
                    .map(of_maybe)
                    .collect::<Option<_>>()?,
                stand: of_maybe(groups.stand)?,
            };
        }
        Some(StandGroups { selections, ..self })
    }
}

impl Renumbering {
    fn domain(&self, domain: Domain) -> Option<Domain> {
        Some(Domain {
            status: match domain.status {
                StatusDomain::DecayClass(Some(class)) => {
                    StatusDomain::DecayClass(Some(*self.decay_classes.get(class)?))
                }
                other => other,
            },
            species: match domain.species {
                Some(species) => Some(*self.species.get(species)?),
                None => None,
            },
            dbh_class: domain.dbh_class,
        })
    }
}

const REASONS: [NoInterval; 7] = [
    NoInterval::OnePlot,
    NoInterval::OneCluster,
    NoInterval::OneStand,
    NoInterval::StratumWithOnePlot,
    NoInterval::FullTally,
    NoInterval::OneTree,
    NoInterval::Ratio,
];

/// Has it the same sample as the estimate of nothing found?
fn same_sample(estimate: &Estimate, zero: &Estimate) -> bool {
    let of_sample = |of: &Estimate| Estimate {
        mean: 0.0,
        std_error: None,
        ..*of
    };
    of_sample(estimate) == of_sample(zero)
}

struct Writer<'o>(&'o mut Vec<u8>);

impl Writer<'_> {
    fn flag(&mut self, flag: bool) {
        self.0.push(u8::from(flag));
    }

    fn count(&mut self, count: usize) {
        let count = u32::try_from(count).unwrap_or(u32::MAX);
        self.0.extend(count.to_le_bytes());
    }

    fn number(&mut self, number: f64) {
        self.0.extend(number.to_le_bytes());
    }

    fn maybe(&mut self, number: Option<f64>) {
        self.flag(number.is_some());
        if let Some(number) = number {
            self.number(number);
        }
    }

    /// A count, or none as 0.
    fn maybe_count(&mut self, count: Option<usize>) {
        self.count(count.map_or(0, |count| count + 1));
    }

    fn text(&mut self, text: &str) {
        self.count(text.len());
        self.0.extend(text.as_bytes());
    }

    fn mask(&mut self, is_in: impl Fn(usize) -> bool) {
        let mask = (0..Column::COUNT).fold(0_u32, |mask, at| mask | (u32::from(is_in(at)) << at));
        self.0.extend(mask.to_le_bytes());
    }

    fn estimate(&mut self, estimate: &Estimate, zero: &Estimate) {
        self.number(estimate.mean);
        self.maybe(estimate.std_error);
        let same = same_sample(estimate, zero);
        self.flag(same);
        if !same {
            self.maybe(estimate.df);
            self.count(estimate.n_plots);
            self.count(estimate.n_units);
            self.number(estimate.list_share);
            self.maybe(estimate.limits.map(|(lower, _)| lower));
            self.maybe(estimate.limits.map(|(_, upper)| upper));
            let reason = |why| REASONS.iter().position(|reason| *reason == why);
            self.maybe_count(estimate.no_interval.and_then(reason));
        }
    }

    fn group(&mut self, group: &Group) {
        self.flag(group.stratum.is_some());
        self.text(group.stratum.as_deref().unwrap_or_default());
        self.count(group.selection);
        self.maybe(group.area_ha);
        self.mask(|at| group.given[at]);
        self.estimate(&group.zero, &Estimate::of(f64::NAN));
        match &group.top_height {
            TopHeight::NoTrees => self.count(0),
            TopHeight::Unknown => self.count(1),
            TopHeight::Known(estimate) => {
                self.count(2);
                self.estimate(estimate, &group.zero);
            }
        }
        self.count(group.cells.len());
        for (domain, cell) in &group.cells {
            self.domain(*domain);
            self.mask(|at| cell.columns[at].is_some());
            for estimate in cell.columns.iter().flatten() {
                self.estimate(estimate, &group.zero);
            }
            self.flag(cell.covariances.is_some());
            for value in cell.covariances.iter().flatten().flatten() {
                self.number(*value);
            }
        }
    }

    fn domain(&mut self, domain: Domain) {
        let (status, class) = match domain.status {
            StatusDomain::Live => (0, None),
            StatusDomain::Dead => (1, None),
            StatusDomain::DecayClass(class) => (2, class),
        };
        self.count(status);
        self.maybe_count(class);
        self.maybe_count(domain.species);
        self.maybe_count(domain.dbh_class.map(|class| class as usize));
    }
}

struct Reader<'r, 'b>(&'r mut &'b [u8]);

#[expect(
    clippy::option_option,
    reason = "the outer one tells that bytes are missing"
)]
impl Reader<'_, '_> {
    fn bytes<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (bytes, rest) = self.0.split_first_chunk()?;
        *self.0 = rest;
        Some(*bytes)
    }

    fn flag(&mut self) -> Option<bool> {
        self.bytes::<1>().map(|[flag]| flag != 0)
    }

    fn count(&mut self) -> Option<usize> {
        let count = u32::from_le_bytes(self.bytes()?);
        usize::try_from(count).ok()
    }

    fn number(&mut self) -> Option<f64> {
        self.bytes().map(f64::from_le_bytes)
    }

    fn maybe(&mut self) -> Option<Option<f64>> {
        Some(if self.flag()? {
            Some(self.number()?)
        } else {
            None
        })
    }

    fn maybe_count(&mut self) -> Option<Option<usize>> {
        Some(self.count()?.checked_sub(1))
    }

    fn text(&mut self) -> Option<String> {
        let length = self.count()?;
        let (text, rest) = self.0.split_at_checked(length)?;
        *self.0 = rest;
        String::from_utf8(text.to_vec()).ok()
    }

    fn mask(&mut self) -> Option<[bool; Column::COUNT]> {
        let mask = u32::from_le_bytes(self.bytes()?);
        Some(std::array::from_fn(|at| mask >> at & 1 == 1))
    }

    fn estimate(&mut self, zero: &Estimate) -> Option<Estimate> {
        let (mean, std_error) = (self.number()?, self.maybe()?);
        if self.flag()? {
            return Some(Estimate {
                mean,
                std_error,
                ..*zero
            });
        }
        Some(Estimate {
            mean,
            std_error,
            df: self.maybe()?,
            n_plots: self.count()?,
            n_units: self.count()?,
            list_share: self.number()?,
            limits: self.maybe()?.zip(self.maybe()?),
            no_interval: match self.maybe_count()? {
                Some(reason) => Some(*REASONS.get(reason)?),
                None => None,
            },
        })
    }

    fn group(&mut self, stand: &str) -> Option<Group> {
        let has_stratum = self.flag()?;
        let stratum = self.text()?;
        let selection = self.count()?;
        let area_ha = self.maybe()?;
        let given = self.mask()?;
        let zero = self.estimate(&Estimate::of(f64::NAN))?;
        let top_height = match self.count()? {
            0 => TopHeight::NoTrees,
            1 => TopHeight::Unknown,
            _ => TopHeight::Known(self.estimate(&zero)?),
        };
        let mut cells = BTreeMap::new();
        for _ in 0..self.count()? {
            let domain = self.domain()?;
            let mut columns = [None; Column::COUNT];
            for (column, is_in) in columns.iter_mut().zip(self.mask()?) {
                if is_in {
                    *column = Some(self.estimate(&zero)?);
                }
            }
            let mut covariances = None;
            if self.flag()? {
                let mut values = [[0.0; BASE.len()]; BASE.len()];
                for value in values.iter_mut().flatten() {
                    *value = self.number()?;
                }
                covariances = Some(values);
            }
            let cell = Cell {
                columns,
                covariances,
                limits: Vec::new(),
            };
            cells.insert(domain, cell);
        }
        Some(Group {
            stand: Some(stand.to_owned()),
            stratum: has_stratum.then_some(stratum),
            selection,
            area_ha,
            given,
            zero,
            cells,
            top_height,
        })
    }

    fn domain(&mut self) -> Option<Domain> {
        let (status, class) = (self.count()?, self.maybe_count()?);
        Some(Domain {
            status: match status {
                0 => StatusDomain::Live,
                1 => StatusDomain::Dead,
                _ => StatusDomain::DecayClass(class),
            },
            species: self.maybe_count()?,
            dbh_class: match self.maybe_count()? {
                Some(class) => Some(u32::try_from(class).ok()?),
                None => None,
            },
        })
    }
}
