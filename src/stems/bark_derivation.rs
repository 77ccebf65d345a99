//! How the bark ratio of one stem comes about and what it does, in lines of plain text.
//!
//! In: a set with its bark set, the chosen equations, a tree. Out: lines for people; none where
//! nothing asked for needs a ratio.

use crate::math::digits::six_digits;
use crate::species::choose::Chosen;
use crate::species::set::VolumeSet;
use crate::stems::volume::StemInput;

fn basis(inside: bool) -> &'static str {
    if inside {
        "inside bark"
    } else {
        "outside bark"
    }
}

impl VolumeSet {
    /// The bark set, its row, the ratio, and what becomes of the top diameter.
    pub(super) fn bark_lines(&self, chosen: &Chosen, tree: &StemInput, lines: &mut Vec<String>) {
        let (Some((bark, row)), Some(stem)) = (
            self.bark_set.as_ref().zip(chosen.bark_ratio),
            self.stem_bark(chosen, tree.dbh_cm),
        ) else {
            return;
        };
        let set = bark.set();
        let entry = &set.entries[set.equations[row].entry];
        let title = entry.title.as_ref();
        lines.push(format!(
            "bark set: {}, {}; row `{}`{}",
            set.name,
            set.head.title,
            entry.label,
            title.map_or(String::new(), |title| format!(" ({title})"))
        ));
        set.equation_lines(row, lines);
        let units = &set.head.units;
        let dbh = tree.dbh_cm * units.dbh_per_cm;
        let range = set.range_of(&set.equations[row]);
        let Some(ratio) = stem.dib_over_dob else {
            lines.push(format!(
                "for D = {} {} it gives no ratio between 0 and 1: the stem holds nothing {}",
                six_digits(dbh),
                units.dbh,
                basis(!stem.taper_inside)
            ));
            return;
        };
        lines.push(format!(
            "at breast height D = {} {}, dib = {} {}; k = dib/D = {}, held along the stem (common \
             practice, no source)",
            six_digits(dbh),
            units.dbh,
            six_digits(dbh * ratio),
            units.dbh,
            six_digits(ratio)
        ));
        if !range.contains(tree.dbh_cm, tree.height_m) {
            lines.push(format!(
                "outside the range of the bark set ({}): extrapolated",
                range.source
            ));
        }
        let limits = chosen.merchantable.map(|(limits, _)| limits);
        if let Some(limits) = limits.filter(|limits| self.top_crosses_bark(limits))
            && let Some(per_taper) = stem.per_taper(limits.top_inside_bark)
        {
            let (asked, taken) = (limits.top_inside_bark, stem.taper_inside);
            lines.push(format!(
                "top diameter of {} cm {} {} k is {} cm {}, the basis of the profile",
                six_digits(limits.top_diameter_cm),
                basis(asked),
                if asked { "over" } else { "times" },
                six_digits(limits.top_diameter_cm / per_taper),
                basis(taken)
            ));
        }
    }

    /// How logs come from a stem outside bark; `None` where its profile is inside bark.
    pub fn log_bark_line(&self, chosen: &Chosen, tree: &StemInput) -> Option<String> {
        let stem = self.stem_bark(chosen, tree.dbh_cm)?;
        if stem.taper_inside {
            return None;
        }
        Some(match stem.dib_over_dob {
            Some(ratio) => format!(
                "diameters inside bark: those of the profile outside bark times k = {}; volumes \
                 times {}, its square",
                six_digits(ratio),
                six_digits(ratio * ratio)
            ),
            None => "the bark set gives no ratio for this dbh: no logs".to_owned(),
        })
    }
}
