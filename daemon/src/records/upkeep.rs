//! How worn the bench was at a pour, and which probe read it, as columns of the table of pours:
//! which figure stands in which column. What they mean is [`PartsAtPour`]'s to say.

use analysis::upkeep::PartsAtPour;
use rusqlite::Row;
use rusqlite::types::Value;

macro_rules! figures {
    (
        counts: $($count:ident),+;
        figures: $($figure:ident),+;
        texts: $($text:ident),+ $(,)?
    ) => {
        /// The columns, in the order in which [`read`] wants them.
        pub(crate) const COLUMNS: &[&str] =
            &[$(stringify!($count)),+, $(stringify!($figure)),+, $(stringify!($text)),+];

        /// The values, in the order of [`COLUMNS`].
        pub(crate) fn values(parts: &PartsAtPour) -> Vec<Value> {
            let count = |n: Option<u32>| n.map_or(Value::Null, |n| Value::from(i64::from(n)));
            let figure = |v: Option<f64>| {
                v.filter(|v| v.is_finite()).map_or(Value::Null, Value::from)
            };
            let text = |t: &Option<String>| t.clone().map_or(Value::Null, Value::from);
            vec![
                $(count(parts.$count)),+,
                $(figure(parts.$figure)),+,
                $(text(&parts.$text)),+
            ]
        }

        /// Reads [`COLUMNS`] from a row in which they begin at `from`.
        pub(crate) fn read(row: &Row<'_>, from: usize) -> rusqlite::Result<PartsAtPour> {
            let mut at = from..;
            let mut next = || at.next().unwrap_or(from);
            Ok(PartsAtPour {
                $($count: row.get(next())?,)+
                $($figure: row.get(next())?,)+
                $($text: row.get(next())?,)+
            })
        }
    };
}

figures!(
    counts: seal_ring_age_pours, stopper_rod_age_pours, stirring_rod_age_pours,
    crucible_age_pours, thermocouple_age_pours, pump_oil_age_pours, gas_cylinder_age_pours,
    gasket_pulls;
    figures: session_gas_l, session_gas_unsure_l, session_bare_hot_s, cylinder_used_l,
    cylinder_left_l, cylinder_unsure_l, crucible_bare_hot_min, stopper_rod_bare_hot_min,
    stirring_rod_bare_hot_min, gasket_share_first, gasket_share_lately, probe_offset_k,
    probe_offset_sd_k;
    texts: probe_series,
);
