//! Finds estimate rows by what they are about.

use std::collections::BTreeMap;

use crate::design::SelectionIndex;
use crate::estimates::{Attribute, Domain, Estimate, EstimateRow, StatusDomain};
use crate::records::CruiseSpeciesIndex;

/// Stand and stratum; `None` is all of them.
pub type Scope<'a> = (Option<&'a str>, Option<&'a str>);

type Key<'a> = (SelectionIndex, Domain, Attribute, Scope<'a>);

/// Rows by scope, selection, domain and attribute.
#[derive(Debug)]
pub struct Lookup<'a> {
    rows: BTreeMap<Key<'a>, &'a EstimateRow>,
}

impl<'a> Lookup<'a> {
    /// Indexes the rows that `wanted` keeps.
    pub fn new(rows: &'a [EstimateRow], wanted: impl Fn(&EstimateRow) -> bool) -> Self {
        let rows = rows
            .iter()
            .filter(|row| wanted(row))
            .map(|row| {
                let scope = (row.stand.as_deref(), row.stratum.as_deref());
                ((row.selection, row.domain, row.attribute, scope), row)
            })
            .collect();
        Lookup { rows }
    }

    /// One row.
    pub fn row(
        &self,
        scope: Scope<'a>,
        selection: SelectionIndex,
        domain: Domain,
        attribute: Attribute,
    ) -> Option<&'a EstimateRow> {
        self.rows
            .get(&(selection, domain, attribute, scope))
            .copied()
    }

    /// One estimate.
    pub fn estimate(
        &self,
        scope: Scope<'a>,
        selection: SelectionIndex,
        domain: Domain,
        attribute: Attribute,
    ) -> Option<&'a Estimate> {
        self.row(scope, selection, domain, attribute)
            .map(|row| &row.estimate)
    }

    /// The species of a scope, selection and status that have an estimate of their own.
    pub fn species(
        &self,
        scope: Scope<'a>,
        selection: SelectionIndex,
        status: StatusDomain,
    ) -> Vec<CruiseSpeciesIndex> {
        let mut species: Vec<_> = self
            .keys(scope, selection, status)
            .filter_map(|domain| domain.species)
            .collect();
        species.sort_unstable();
        species.dedup();
        species
    }

    /// The dbh classes of a scope, selection and status that hold anything.
    pub fn classes(
        &self,
        scope: Scope<'a>,
        selection: SelectionIndex,
        status: StatusDomain,
    ) -> Vec<u32> {
        let mut classes: Vec<_> = self
            .keys(scope, selection, status)
            .filter_map(|domain| domain.dbh_class)
            .collect();
        classes.sort_unstable();
        classes.dedup();
        classes
    }

    /// The decay classes of a scope and selection, those not recorded last.
    pub fn decay_classes(&self, scope: Scope<'a>, selection: SelectionIndex) -> Vec<Option<usize>> {
        let mut classes: Vec<_> = self
            .rows
            .keys()
            .filter(|key| key.0 == selection && key.3 == scope)
            .filter_map(|key| match key.1.status {
                StatusDomain::DecayClass(class) => Some(class),
                StatusDomain::Live | StatusDomain::Dead => None,
            })
            .collect();
        classes.sort_unstable_by_key(|class| (class.is_none(), *class));
        classes.dedup();
        classes
    }

    /// The attributes of a scope, selection and domain, in their own order.
    pub fn attributes(
        &self,
        scope: Scope<'a>,
        selection: SelectionIndex,
        domain: Domain,
    ) -> Vec<Attribute> {
        self.rows
            .keys()
            .filter(|key| key.0 == selection && key.3 == scope && key.1 == domain)
            .map(|key| key.2)
            .collect()
    }

    fn keys(
        &self,
        scope: Scope<'a>,
        selection: SelectionIndex,
        status: StatusDomain,
    ) -> impl Iterator<Item = Domain> {
        self.rows
            .keys()
            .filter(move |key| key.0 == selection && key.3 == scope && key.1.status == status)
            .map(|key| key.1)
    }
}
