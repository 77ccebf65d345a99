//! How the logs of one stem come about, one step a line, metric.

use crate::logs::bucking::{Bucked, LogPlan, net};

impl LogPlan {
    /// The logs of a stem with their diameters and volumes, and where the rest of it goes.
    pub fn derivation(&self, bucked: &Bucked, defect_pct: Option<f64>) -> Vec<String> {
        let mut lines = Vec::new();
        for (at, log) in bucked.logs.iter().enumerate() {
            lines.push(format!(
                "log {}, {}: {:.2} to {:.2} m, trim {:.2} m; inside bark {:.2} cm at the top, {:.2} \
                 in the middle, {:.2} at the bottom",
                at + 1,
                self.products[log.product].name,
                log.bottom_m,
                log.bottom_m + log.length_m,
                log.trim_m,
                log.d_small_cm,
                log.d_mid_cm,
                log.d_large_cm
            ));
            lines.push(format!(
                "  {}: {} = {:.5} m3",
                self.cubic_rule.name(),
                self.cubic_rule.formula(),
                log.volume_m3
            ));
            let (dib_in, length_ft) = self.taken(log.d_small_cm, log.length_m);
            for (rule, board_feet) in self.board_feet.iter().zip(&log.board_feet) {
                let value = board_feet.map_or_else(
                    || "beyond the table of the rule".to_owned(),
                    |value| format!("{value:.2} board feet"),
                );
                lines.push(format!(
                    "  {}: {dib_in:.3} in and {length_ft:.3} ft give {value}",
                    rule.name
                ));
            }
        }
        if bucked.logs.is_empty() {
            lines.push("no product fits".to_owned());
        }
        let gross_m3: f64 = bucked.logs.iter().map(|log| log.volume_m3).sum();
        lines.push(format!("all logs: {gross_m3:.5} m3"));
        if let Some(defect_pct) = defect_pct {
            lines.push(format!(
                "less {defect_pct} % defect: {:.5} m3",
                net(gross_m3, defect_pct)
            ));
        }
        lines.push(format!(
            "by integration of the profile: stump {:.5}, logs {:.5}, trim {:.5}, top {:.5} m3",
            bucked.stump_m3, bucked.logs_m3, bucked.trim_m3, bucked.top_m3
        ));
        lines
    }
}
