//! Each machine's cover gas for the weekly report: what every session let out, what the cylinder
//! held after it, and how long the rest lasts.

use analysis::gas::cylinder::{Cylinder, RESERVE_KPA, lasts};
use analysis::pour::Row;
use analysis::time::Micros;
use analysis::upkeep::UpkeepRow;
use analysis::upkeep::ages::gas_between;
use reports::page::week::facts::{GasOfMachine, GasOfSession};

use super::WriteUp;
use super::week::BEFORE_WEEK_S;
use crate::records::parts::PartChange;
use crate::records::words::Part;
use crate::session::settle::ROOM_C;

const WEEK_S: f64 = 7.0 * 86_400.0;
/// The use that a cylinder is reckoned by is that of so many weeks, s.
const USE_S: f64 = 4.0 * WEEK_S;
/// A session that began so long before may still let gas out, s.
const LONGEST_S: f64 = 3.0 * 86_400.0;

impl WriteUp<'_> {
    /// The gas of every machine up to `end`: the sessions of the week from `from` on and of the
    /// eight weeks before. Machines without a gas sensor are left out.
    pub(super) fn gas_of_week(
        &self,
        from: Micros,
        end: Micros,
    ) -> anyhow::Result<Vec<GasOfMachine>> {
        let mut all = Vec::new();
        for machine in self.records.machines()? {
            all.extend(self.gas_of_machine(&machine, from, end)?);
        }
        Ok(all)
    }

    fn gas_of_machine(
        &self,
        machine: &str,
        from: Micros,
        end: Micros,
    ) -> anyhow::Result<Option<GasOfMachine>> {
        let shown_from = from.plus_seconds(-BEFORE_WEEK_S);
        let cylinders: Vec<PartChange> = self
            .records
            .part_changes()?
            .into_iter()
            .map(|(_, change)| change)
            .filter(|c| c.part == Part::GasCylinder && c.machine.as_deref() == Some(machine))
            .filter(|c| c.at < end)
            .collect();
        let fitted_by = |at: Micros| cylinders.iter().rfind(|c| c.at <= at);
        // The cylinder that was in use as the first session shown ended.
        let heard_from = fitted_by(shown_from).map_or(shown_from, |c| c.at.min(shown_from));
        let mut upkeep: Vec<UpkeepRow> = self
            .records
            .features_of(machine, heard_from.plus_seconds(-LONGEST_S))?
            .into_iter()
            .flat_map(|f| f.rows)
            .filter_map(|row| match row {
                Row::Upkeep(upkeep) if upkeep.from < end => Some(upkeep),
                _ => None,
            })
            .collect();
        upkeep.sort_by_key(|u| u.from);
        let content = |change: &PartChange, reserve_kpa: f64| {
            let content = change.content.as_ref()?;
            Cylinder::at_room(content.volume_l, content.pressure_kpa, ROOM_C).content_l(
                reserve_kpa,
                self.config.shop.ambient_kpa(),
                ROOM_C,
            )
        };
        let left = |at: Micros, reserve_kpa: f64| {
            let cylinder = fitted_by(at)?;
            let held_l = content(cylinder, reserve_kpa)?;
            let (used_l, _) = gas_between(&[], &upkeep, cylinder.at, at)?;
            Some((held_l - used_l).max(0.0))
        };
        let sessions: Vec<GasOfSession> = upkeep
            .iter()
            .filter(|u| u.from >= shown_from)
            .filter_map(|u| {
                let last = u.course.last()?;
                Some(GasOfSession {
                    session: u.session.clone(),
                    at: u.from,
                    until: u.to,
                    used_l: last.gas_used_l?,
                    unsure_l: last.gas_unsure_l,
                    left_l: left(u.to, 0.0),
                })
            })
            .collect();
        let Some(last) = sessions.last() else {
            return Ok(None);
        };
        let use_from = last.until.plus_seconds(-USE_S);
        let lately = || sessions.iter().filter(|s| s.at >= use_from);
        let used_l: f64 = lately().map(|s| s.used_l).sum();
        let flowing_h: f64 = lately().map(|s| s.until.seconds_since(s.at) / 3600.0).sum();
        // A young book has not seen four weeks yet.
        let weeks = lately()
            .map(|s| last.until.seconds_since(s.at) / WEEK_S)
            .fold(1.0, f64::max);
        let lasts = left(last.until, RESERVE_KPA)
            .and_then(|usable_l| lasts(usable_l, used_l, flowing_h, weeks));
        Ok(Some(GasOfMachine {
            machine: machine.to_owned(),
            fitted_at: fitted_by(end).map(|c| c.at),
            lasts,
            sessions,
        }))
    }
}
