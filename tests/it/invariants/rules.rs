//! What the design of a drawn cruise says, and its text.

use proptest::prelude::*;
use proptest::sample::select;
use spinney::units::{CM_PER_IN, M_PER_FT, M2_PER_HA_PER_FT2_PER_AC};

/// What the design says.
#[derive(Clone, Debug)]
pub(super) struct Rules {
    pub(super) radius_m: f64,
    pub(super) ring_radii_m: [f64; 2],
    pub(super) prism_m2_per_ha: f64,
    pub(super) sweep_m2_per_ha: f64,
    pub(super) confidence: f64,
    pub(super) volume: bool,
    pub(super) merchantable: bool,
    pub(super) biomass: bool,
    /// `bca`, `percentile`, `t`, `none`.
    pub(super) ratios: &'static str,
    /// Further lines under `sampling`, `heights` and `volume`, and at the left margin.
    pub(super) sampling: Vec<String>,
    pub(super) heights: Vec<String>,
    pub(super) volume_keys: Vec<String>,
    pub(super) further: Vec<String>,
}

/// In which units a cruise is written down.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Written {
    Metric,
    Imperial,
}

impl Rules {
    /// Fixed plots, rings and sweeps with total volumes and masses.
    pub(super) fn usual() -> Rules {
        Rules {
            radius_m: 7.98,
            ring_radii_m: [4.0, 9.0],
            prism_m2_per_ha: 5.0,
            sweep_m2_per_ha: 4.0,
            confidence: 0.95,
            volume: true,
            merchantable: false,
            biomass: true,
            ratios: "t",
            sampling: Vec::new(),
            heights: Vec::new(),
            volume_keys: Vec::new(),
            further: Vec::new(),
        }
    }

    /// The text of the design.
    pub(super) fn text(&self, written: Written) -> String {
        let imperial = written == Written::Imperial;
        let length = |m: f64| if imperial { m / M_PER_FT } else { m };
        let diameter = |cm: f64| if imperial { cm / CM_PER_IN } else { cm };
        let factor = |f: f64| {
            if imperial {
                f / M2_PER_HA_PER_FT2_PER_AC
            } else {
                f
            }
        };
        let (m, cm, baf) = if imperial {
            ("ft", "in", "baf_ft2_per_ac")
        } else {
            ("m", "cm", "baf_m2_per_ha")
        };
        let [inner, outer] = self.ring_radii_m.map(length);
        let mut text = format!(
            "title: Whole\n\
             inputs: {{stands: stands.csv, plots: plots.csv, trees: trees.csv, counts: counts.csv}}\n\
             confidence: {confidence}\n\
             selections:\n  \
             circle: {{method: fixed-area, radius_{m}: {circle}, slope_correction: program}}\n  \
             rings: {{method: fixed-area, rings: [{{radius_{m}: {inner}, max_dbh_{cm}: {limit}}}, \
             {{radius_{m}: {outer}, min_dbh_{cm}: {limit}}}]}}\n  \
             prism: {{method: angle-gauge, {baf}: {prism}, min_dbh_{cm}: {least}}}\n  \
             sweep: {{method: angle-gauge, {baf}: {sweep}, measured: none, volume_ratio_from: circle}}\n\
             intervals: {{ratios: {ratios}, resamples: 200}}\n\
             tables: {{dbh_class_{cm}: {class}}}\n\
             heights:\n  breast_height_{m}: {breast}\n",
            confidence = self.confidence,
            circle = length(self.radius_m),
            limit = diameter(20.0),
            least = diameter(8.0),
            prism = factor(self.prism_m2_per_ha),
            sweep = factor(self.sweep_m2_per_ha),
            ratios = self.ratios,
            class = diameter(20.0),
            breast = length(1.3),
        );
        let indented = |lines: &[String]| -> String {
            lines
                .iter()
                .map(|line| ["  ", line, "\n"].concat())
                .collect()
        };
        text += &indented(&self.heights);
        if !self.sampling.is_empty() {
            text += &format!("sampling:\n{}", indented(&self.sampling));
        }
        let keys = indented(&self.volume_keys);
        if self.volume {
            text += &format!("volume:\n  set: ca-bc-volume-2016\n  region: CWH\n{keys}");
        }
        if self.volume && self.merchantable {
            text += &format!(
                "  merchantable: {{stump_{m}: {}, top_dib_{cm}: {}, min_dbh_{cm}: {}}}\n",
                length(0.3),
                diameter(10.0),
                diameter(15.0)
            );
        }
        if self.biomass {
            text += &format!("biomass:\n  set: ca-national-2005-height\n{keys}");
        }
        text + &self.further.join("\n") + "\n"
    }
}

/// Rules of many kinds, those with random numbers among them.
pub(super) fn rules() -> impl Strategy<Value = Rules> {
    let heights = select(
        &[
            "curve: best",
            "curve: naslund\n  fit_by: cruise",
            "fill: {draws: 3, seed: 7}",
            "regional: us-coastal-northwest-1999",
            "curve: power\n  calibrate: plots\n  weights: inverse-dbh",
            "min_trees: 3\n  weights: precision\n  instrument: {height_sd_m: 0.4}",
            "ratio_to: {Hw: {species: Fd, ratio: 0.9}}\n  fit_by: cruise\n  calibrate: stands",
        ][..],
    );
    let sampling = select(
        &[
            "",
            "average: ratio-of-means",
            "combine: [circle, sweep]",
            "listed_units: 60",
        ][..],
    );
    (
        select(&["bca", "percentile", "t", "none"][..]),
        heights,
        sampling,
        prop::bool::weighted(0.7),
        prop::bool::weighted(0.3),
        prop::bool::weighted(0.5),
        select(
            &[
                "",
                "units: imperial",
                "species_codes: scientific",
                "allowable_error_pct: 10",
            ][..],
        ),
    )
        .prop_map(
            |(ratios, heights, sampling, volume, merchantable, biomass, further)| Rules {
                volume,
                merchantable,
                biomass,
                ratios,
                heights: vec![heights.to_owned()],
                sampling: Some(sampling.to_owned())
                    .filter(|line| !line.is_empty())
                    .into_iter()
                    .collect(),
                further: vec![further.to_owned()],
                ..Rules::usual()
            },
        )
}
