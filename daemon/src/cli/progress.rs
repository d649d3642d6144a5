//! Progress of long work on standard error: a bar on a terminal, a line at the start elsewhere.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// A bar of `length` things, called `what`.
pub fn progress(length: u64, what: &'static str) -> ProgressBar {
    let bar = ProgressBar::with_draw_target(Some(length), ProgressDrawTarget::stderr());
    if bar.is_hidden() {
        eprintln!("pourbook: {length} {what}");
    }
    // The template is fixed text and known to parse.
    if let Ok(style) = ProgressStyle::with_template("{bar:32} {pos} of {len} {msg}") {
        bar.set_style(style);
    }
    bar.with_message(what)
}
