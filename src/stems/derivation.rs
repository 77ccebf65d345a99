//! How the volume of one stem comes about, in lines of plain text: the publication, the formula,
//! the coefficients as printed, the numbers put in, the result, and every doubt.
//!
//! In: a set, the chosen equations, a tree. Out: lines for people; the numbers are those of
//! `volume`, worked out by the same code.

use crate::math::digits::six_digits;
use crate::species::choose::{Chosen, MerchantableBy, RegionMatch, SpeciesMatch};
use crate::species::equation::Quantity;
use crate::species::set::VolumeSet;
use crate::stems::volume::StemInput;

/// A number rounded to some significant digits.
fn rounded(value: f64, digits: usize) -> f64 {
    let decimals = digits.saturating_sub(1);
    format!("{value:.decimals$e}").parse().unwrap_or(value)
}

pub(super) fn choice_line(chosen: &Chosen) -> String {
    let how = match chosen.species_match {
        SpeciesMatch::Own => "of the species itself",
        SpeciesMatch::PublishedGroup => "of the group that the publication puts it in",
        SpeciesMatch::Genus => "of its genus, as the design allows",
        SpeciesMatch::SpeciesGroup => "of its species group, as the design allows",
    };
    let region = match (&chosen.region, chosen.region_match) {
        (Some(region), RegionMatch::Parent) => {
            format!(", region {region} (the zone asked for has no row)")
        }
        (Some(region), _) => format!(", region {region}"),
        (None, RegionMatch::AllRegions) => {
            ", all regions (the region asked for has no row)".to_owned()
        }
        (None, _) => String::new(),
    };
    let title = chosen
        .title
        .as_ref()
        .map(|title| format!(" ({title})"))
        .unwrap_or_default();
    format!("equation `{}`{title}, {how}{region}", chosen.label)
}

impl VolumeSet {
    /// The derivation of [`VolumeSet::stem`] for the same arguments.
    pub fn derivation(&self, chosen: &Chosen, tree: &StemInput) -> Vec<String> {
        let mut lines = vec![format!(
            "volume set: {}, {}; {}",
            self.name,
            self.head.title,
            self.head.bark.words()
        )];
        lines.push(choice_line(chosen));
        self.equation_lines(chosen.main, &mut lines);
        let volume = self.stem(chosen, tree);
        let units = &self.head.units;
        lines.push(format!(
            "put in: D = {} {}, H = {} {}",
            six_digits(tree.dbh_cm * units.dbh_per_cm),
            units.dbh,
            six_digits(tree.height_m * units.height_per_m),
            units.height
        ));
        if self.equations[chosen.main].quantity == Quantity::Profile {
            self.profile_lines(chosen, tree, &mut lines);
        } else if let Some(whole_m3) = self.evaluate(chosen.main, tree) {
            lines.push(self.result_line("V", whole_m3));
        }
        if let Some(index) = chosen.bark {
            self.equation_lines(index, &mut lines);
            if let Some(bark_m3) = self.evaluate(index, tree) {
                lines.push(self.result_line("bark", bark_m3));
            }
        }
        if let Some(break_m) = tree.break_m() {
            self.break_lines(chosen, tree, break_m, &mut lines);
        }
        if let Some(total_m3) = volume.total_m3 {
            lines.push(format!("total volume: {} m3", six_digits(total_m3)));
        }
        if let Some(bark_m3) = volume.bark_m3 {
            lines.push(format!("bark volume: {} m3", six_digits(bark_m3)));
        }
        self.bark_lines(chosen, tree, &mut lines);
        self.merchantable_lines(chosen, tree, volume.merchantable_m3, &mut lines);
        if volume.out_of_range {
            lines.push(format!(
                "outside the range of the equation ({}): extrapolated",
                self.range_of(&self.equations[chosen.main]).source
            ));
        }
        let of_break = tree.break_m().map_or(&[][..], |_| &chosen.break_marks);
        for mark in chosen.marks.iter().chain(of_break) {
            lines.push(format!("doubt: {mark}"));
        }
        lines
    }

    /// Source, formula and coefficients of an equation; what an earlier line says is not repeated.
    pub(super) fn equation_lines(&self, index: usize, lines: &mut Vec<String>) {
        let equation = &self.equations[index];
        let units = &self.head.units;
        let mut told = vec![
            format!(
                "source: {} ({})",
                self.head.citation,
                self.head.obtained.words()
            ),
            format!(
                "{}: {}; D dbh ({}), H total height ({})",
                equation.quantity.name(),
                equation.formula(),
                units.dbh,
                units.height
            ),
            format!(
                "coefficients (line {} of the table): {}",
                equation.line,
                equation.coefficients_text()
            ),
        ];
        told.extend(equation.note.iter().map(|note| format!("note: {note}")));
        told.retain(|line| !lines.contains(line));
        lines.extend(told);
    }

    fn result_line(&self, symbol: &str, value_m3: f64) -> String {
        let units = &self.head.units;
        if units.result == "m3" {
            return format!("{symbol} = {} m3", six_digits(value_m3));
        }
        format!(
            "{symbol} = {} {} x {} m3 = {} m3",
            six_digits(value_m3 / units.m3_per_result),
            units.result,
            rounded(units.m3_per_result, 10),
            six_digits(value_m3)
        )
    }

    fn profile_lines(&self, chosen: &Chosen, tree: &StemInput, lines: &mut Vec<String>) {
        let Some(profile) = self.profile_of(chosen.main, tree) else {
            lines.push("the tree is outside the domain of the form".to_owned());
            return;
        };
        let stump_m = self.head.stump_m.unwrap_or_default();
        if !profile.in_domain() {
            lines
                .push("the tree is outside the domain of the form; see the set's notes".to_owned());
        }
        let below = if stump_m > 0.0 {
            ", with a cylinder below"
        } else {
            ""
        };
        let whole = profile.volume(0.0, tree.height_m);
        lines.push(format!(
            "d({} m) = {} cm, d(1.3 m) = {} cm; integral of pi/40000 d^2 from {} m to the tip{below}: \
             {} m3 (numerical error below {:.0e})",
            six_digits(stump_m),
            six_digits(profile.diameter_cm(stump_m)),
            six_digits(profile.diameter_cm(1.3)),
            six_digits(stump_m),
            six_digits(whole.value),
            whole.error.max(1e-15)
        ));
    }

    fn break_lines(
        &self,
        chosen: &Chosen,
        tree: &StemInput,
        break_m: f64,
        lines: &mut Vec<String>,
    ) {
        let Some(share) = self.share_below(chosen, tree, break_m) else {
            lines.push(format!(
                "broken at {} m, but neither the set nor a set it borrows from tells where the \
                 volume lies: volume of the whole stem",
                six_digits(break_m)
            ));
            return;
        };
        if let Some(index) = chosen.ratio {
            self.equation_lines(index, lines);
        } else if let (Some(profiles), Some(index)) = (&self.profiles, chosen.borrowed) {
            profiles.equation_lines(index, lines);
        }
        lines.push(format!(
            "broken at {} m: {} of the stem volume lies below",
            six_digits(break_m),
            six_digits(share)
        ));
    }

    fn merchantable_lines(
        &self,
        chosen: &Chosen,
        tree: &StemInput,
        merchantable_m3: Option<f64>,
        lines: &mut Vec<String>,
    ) {
        let (Some((limits, by)), Some(merchantable_m3)) = (chosen.merchantable, merchantable_m3)
        else {
            return;
        };
        let least = limits
            .min_dbh_cm
            .map(|dbh_cm| format!(", least dbh {} cm", six_digits(dbh_cm)))
            .unwrap_or_default();
        lines.push(format!(
            "merchantable from stump {} m to top {} cm {}{least}",
            six_digits(limits.stump_m),
            six_digits(limits.top_diameter_cm),
            if limits.top_inside_bark {
                "inside bark"
            } else {
                "outside bark"
            }
        ));
        if let MerchantableBy::Equation(index) = by {
            self.equation_lines(index, lines);
            if let Some(whole_m3) = self.evaluate(index, tree) {
                lines.push(self.result_line("V", whole_m3));
            }
            if tree.break_m().is_some() && self.profile(chosen, tree).is_some() {
                let kept = self.merchantable_kept(chosen, &limits, tree);
                lines.push(format!("of this {} lies below the break", six_digits(kept)));
            }
        }
        if let (MerchantableBy::Share(index), Some(whole_m3)) =
            (by, self.evaluate(chosen.main, tree))
        {
            self.equation_lines(index, lines);
            lines.push(format!(
                "share between these limits: {}",
                six_digits(self.limits_share(index, tree, whole_m3, &limits))
            ));
        }
        if by == MerchantableBy::VolumeRatio {
            for index in [chosen.outside, chosen.ratio_outside, chosen.ratio] {
                index.inspect(|index| self.equation_lines(*index, lines));
            }
            lines.push(
                "diameter outside bark by the slope of the volume outside bark: d(h)^2 = V R'(h/H) \
                 / (0.005454154 H) in inches and feet; volume by the ratio inside bark"
                    .to_owned(),
            );
        }
        if let (MerchantableBy::BorrowedShare, Some(profiles), Some(index)) =
            (by, &self.profiles, chosen.borrowed)
        {
            lines.push(format!(
                "total volume times merchantable over total volume by the profile of {}",
                profiles.name
            ));
            profiles.equation_lines(index, lines);
        }
        if let (false, Some(profile)) = (
            matches!(by, MerchantableBy::Equation(_) | MerchantableBy::Share(_)),
            self.profile(chosen, tree),
        ) {
            let whole_m3 = profile.volume(0.0, tree.height_m).value;
            let inside_bark = limits.top_inside_bark;
            match profile.height_of_basis_diameter(limits.top_diameter_cm, inside_bark) {
                Some(limit_m) => {
                    let limit_m = tree.break_m().unwrap_or(limit_m).min(limit_m);
                    lines.push(format!(
                        "by the profile: d = {} cm at {} m; {} m3 from the stump up to there of \
                         {} m3 in all",
                        six_digits(profile.diameter_on_basis_cm(limit_m, inside_bark)),
                        six_digits(limit_m),
                        six_digits(profile.volume(limits.stump_m, limit_m).value),
                        six_digits(whole_m3)
                    ));
                }
                None => lines.push(format!(
                    "by the profile the stem is nowhere {} cm thick",
                    six_digits(limits.top_diameter_cm)
                )),
            }
        }
        lines.push(format!(
            "merchantable volume: {} m3",
            six_digits(merchantable_m3)
        ));
    }
}
