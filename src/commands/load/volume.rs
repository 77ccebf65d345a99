//! The volume set of a design or an alternative, and the plan for logs that rests on it.

use super::{Change, keep, override_curve};
use crate::cli::DesignArgs;
use crate::compile::means;
use crate::design::{Design, Volume};
use crate::diagnostic::{Diagnostic, Problems, seen};
use crate::logs::bucking::LogPlan;
use crate::logs::inside_bark_profiles;
use crate::logs::rules::LogRule;
use crate::read::design::{place_if_given, place_of, read_merchantable_limits};
use crate::read::source::Source;
use crate::read::tables::Tables;
use crate::species::SpeciesTable;
use crate::species::set::VolumeSet;

/// Where equations come from, and who asked for them.
pub(super) struct Sources<'a> {
    pub(super) source: &'a Source,
    pub(super) tables: &'a Tables,
    pub(super) species: &'a SpeciesTable,
    pub(super) arguments: &'a DesignArgs,
}

impl Sources<'_> {
    /// Makes the design of an alternative.
    pub(super) fn change(&self, design: &mut Design, change: &Change<'_>, problems: &mut Problems) {
        let Some(volume) = &mut design.volume else {
            let message = "the design names no volume set, so there are no volumes to compare";
            problems.push(
                Diagnostic::error("nothing-to-compare", message)
                    .hint("give the design a `volume` section"),
            );
            return;
        };
        match change {
            Change::VolumeSet(wanted) => {
                volume.set.clone_from(&wanted.set);
                if wanted.region.is_some() {
                    volume.region.clone_from(&wanted.region);
                } else if let Ok(set) = self.tables.volume_set(&wanted.set, self.species)
                    && set.check_region(volume.region.as_deref()).is_err()
                    && !set.needs_region()
                {
                    volume.region = None;
                }
            }
            Change::Curve(name) => override_curve(design, name, problems),
            Change::Merchantable(text) => match read_merchantable_limits("--merchantable", text) {
                Ok(limits) => volume.merchantable = Some(limits),
                Err(found) => problems.append(found),
            },
        }
    }

    /// Was the volume set named on the command line?
    fn set_is_typed(&self, change: Option<&Change<'_>>) -> bool {
        matches!(change, Some(Change::VolumeSet(_)))
            || self.arguments.overrides.volume_set.is_some()
    }

    /// The volume set of a design, if it can serve its region and limits. A set that was only
    /// named on the command line may lack merchantable volume: it is left out, and that is said.
    pub(super) fn volume_set(
        &self,
        design: &mut Design,
        change: Option<&Change<'_>>,
        problems: &mut Problems,
    ) -> Option<VolumeSet> {
        let volume = design.volume.as_mut()?;
        let mut set = keep(self.tables.volume_set(&volume.set, self.species), problems)?;
        if let Some(warning) = self.tables.untested("volume", &set) {
            problems.push(warning);
        }
        if let Some(name) = &volume.bark {
            let bark = keep(self.tables.bark_set(name, self.species), problems)?;
            if let Some(warning) = self.tables.untested("bark", bark.set()) {
                problems.push(warning);
            }
            set.bark_set = Some(Box::new(bark));
        }
        self.leave_region_out(volume, &set, problems);
        let other_set = matches!(change, Some(Change::VolumeSet(_)));
        let named = self.set_is_typed(change);
        let region = volume.region.as_deref();
        if let Err(message) = set.check_region(region) {
            let (site, hint) = if other_set {
                let hint = format!("write it behind the set: {}@REGION", volume.set);
                (None, hint)
            } else if named || self.arguments.overrides.region.is_some() {
                (None, "give one with --region".to_owned())
            } else {
                let hint = "correct `region` under `volume`".to_owned();
                (Some(place_of(self.source, &["volume", "region"])), hint)
            };
            let error = Diagnostic::error("volume-region", message).hint(hint);
            problems.push(Diagnostic { site, ..error });
            return None;
        }
        if let Some(limits) = &volume.merchantable
            && let Err(message) = set.check_merchantable(limits, region)
        {
            if !named {
                let place = || Some(place_of(self.source, &["volume", "merchantable"]));
                let (site, hint) = if let Some(Change::Merchantable(text)) = change {
                    (None, format!("--merchantable {text} cannot be served"))
                } else if set.top_crosses_bark(limits) {
                    let hint = "or name a bark set (`volume: bark`), by which it is turned";
                    (place(), hint.to_owned())
                } else {
                    (
                        place(),
                        "correct `merchantable` under `volume`, or name another set".to_owned(),
                    )
                };
                let error = Diagnostic::error("merchantable-limits", message).hint(hint);
                problems.push(Diagnostic { site, ..error });
                return None;
            }
            let warning = Diagnostic::warning("merchantable-limits", message);
            problems.push(warning.hint("total volume only is given"));
            volume.merchantable = None;
        }
        if !set.crosses_bark(volume.merchantable.as_ref(), design.logs.is_some()) {
            self.leave_bark_out(&mut set, problems);
        }
        self.check_origin(design, &set, problems);
        Some(set)
    }

    /// Drops the region of the design where a set was named on the command line that knows none.
    fn leave_region_out(&self, volume: &mut Volume, set: &VolumeSet, problems: &mut Problems) {
        let typed = &self.arguments.overrides;
        if typed.volume_set.as_ref() == Some(&volume.set)
            && typed.region.is_none()
            && !set.needs_region()
            && set.check_region(volume.region.as_deref()).is_err()
            && let Some(region) = volume.region.take()
        {
            let message = format!(
                "region {} of the design is left out: volume set `{}` has no such region and needs \
                 none",
                seen(&region),
                set.name
            );
            problems.push(Diagnostic::note("volume-region", message));
        }
    }

    /// Says that a bark set which the design names has nothing to do.
    fn leave_bark_out(&self, set: &mut VolumeSet, problems: &mut Problems) {
        let Some(bark) = set.bark_set.take() else {
            return;
        };
        let message = format!(
            "bark set `{}` has no use: with volume set `{}` neither logs nor the top diameter go \
             from one bark basis to the other",
            bark.set().name,
            set.name
        );
        problems.push(
            Diagnostic::warning("bark-set-unused", message)
                .at(place_of(self.source, &["volume", "bark"]))
                .hint("remove `bark`, or check which basis is meant"),
        );
    }

    /// Says which origin of the stand is assumed, if the set tells origins apart.
    fn check_origin(&self, design: &mut Design, set: &VolumeSet, problems: &mut Problems) {
        let planted = design.volume.as_ref().is_some_and(|volume| volume.planted);
        let planted_rows = set.equations.iter().any(|row| row.planted);
        match place_if_given(self.source, &["volume", "stand_origin"]) {
            None if planted_rows => design.defaults.push(
                "stand_origin: natural; the equations for planted stands are not used".to_owned(),
            ),
            Some(place) if planted && !planted_rows => {
                let message = format!(
                    "volume set `{}` has no equations for planted stands",
                    set.name
                );
                let warning = Diagnostic::warning("stand-origin", message).at(place);
                problems.push(warning.hint("those for any stand are used"));
            }
            _ => {}
        }
    }

    /// The plan for logs, if the volume set has the profiles for it. A set that was only named on the
    /// command line may lack them: logs are left out, and that is said.
    pub(super) fn log_plan(
        &self,
        design: &mut Design,
        change: Option<&Change<'_>>,
        volume: Option<&VolumeSet>,
        problems: &mut Problems,
    ) -> Option<LogPlan> {
        let wanted = design.logs.as_ref()?;
        let rules: Vec<Option<LogRule>> = wanted
            .board_feet
            .iter()
            .map(|rule| keep(self.tables.log_rule(&rule.rule), problems))
            .collect();
        let rules: Vec<LogRule> = rules.into_iter().collect::<Option<_>>()?;
        let means = |name: &str| means(&design.species_aliases, self.species, name);
        let plan = LogPlan::new(wanted, &rules, means);
        let plan = match plan {
            Ok(plan) => Some(plan),
            Err(found) => {
                for problem in found {
                    let place = place_of(self.source, &["logs", problem.key]);
                    problems.push(
                        Diagnostic::error("log-rules", problem.message)
                            .at(place)
                            .hint(problem.hint),
                    );
                }
                None
            }
        };
        if let Err(message) = inside_bark_profiles(volume?) {
            if self.set_is_typed(change) {
                let warning = Diagnostic::warning("log-profiles", message);
                problems.push(warning.hint("no logs are given"));
                design.logs = None;
            } else {
                let place = place_of(self.source, &["logs"]);
                problems.push(Diagnostic::error("log-profiles", message).at(place).hint(
                    "name a volume set with stem profiles inside bark, or a bark set \
                             (`volume: bark`) for profiles outside bark, or remove `logs`",
                ));
            }
            return None;
        }
        plan
    }
}
