//! Progress on a terminal; nothing in a pipe.

use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Redrawn so often at most, per second.
const PER_SECOND: u8 = 10;

/// A bar over the units of work; hidden when quiet, or where standard error is no terminal.
pub(super) fn bar(units: usize, quiet: bool) -> ProgressBar {
    let target = if quiet {
        ProgressDrawTarget::hidden()
    } else {
        ProgressDrawTarget::stderr_with_hz(PER_SECOND)
    };
    let bar = ProgressBar::with_draw_target(Some(units as u64), target);
    let template = "{bar:30} {pos} of {len} stands, {per_sec}, {eta} left";
    if let Ok(style) = ProgressStyle::with_template(template) {
        bar.set_style(style);
    }
    if !bar.is_hidden() {
        bar.enable_steady_tick(Duration::from_secs(1));
    }
    bar
}
