//! How many figures a table of flasks can carry before a model describes its accidents. The rarer
//! of bad and good pieces counts, in independent pieces, and so do sessions and flasks.

use super::rows::{Bound, Row, totals};

/// Independent events for each figure (Peduzzi et al. 1996, J. Clinical Epidemiology 49:1373–1379).
const EVENTS_EACH: f64 = 10.0;
/// Sessions for each figure: with fewer the standard errors by session are not to be had (common
/// practice; to be confirmed by calibration).
const SESSIONS_EACH: usize = 5;
/// Flasks for each figure (likewise).
const FLASKS_EACH: usize = 8;

/// What a table can carry.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Budget {
    /// E: the rarer of bad and good pieces ÷ design effect, at the worse bound.
    pub effective_events: f64,
    pub sessions: usize,
    pub flasks: usize,
    /// Clustered pieces that are worth one independent piece.
    pub design_effect: f64,
    /// Most figures beside the intercept: min(⌊E/10⌋, ⌊sessions/5⌋, ⌊flasks/8⌋).
    pub most_df: usize,
}

impl Budget {
    /// Of these flasks; `pooled` is the design effect of a wider table, for where these cannot
    /// tell.
    pub(super) fn of(rows: &[&Row], pooled: Option<f64>) -> Budget {
        let (fewest, most) = (totals(rows, Bound::Fewest), totals(rows, Bound::Most));
        let effective_events = fewest
            .effective_events(pooled)
            .min(most.effective_events(pooled));
        let design_effect = most
            .design_effect()
            .unwrap_or_else(|| most.assumed_design_effect(pooled));
        Budget {
            effective_events,
            sessions: most.sessions,
            flasks: most.flasks,
            design_effect,
            most_df: ((effective_events / EVENTS_EACH) as usize)
                .min(most.sessions / SESSIONS_EACH)
                .min(most.flasks / FLASKS_EACH),
        }
    }
}
