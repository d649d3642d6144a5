//! What a session's sheet says of the bench beside its melt: the kilns' burnouts and the cover
//! gas, gathered from the records and the trace.

use analysis::burnout::{BurnoutRow, plan};
use analysis::channel::Channel;
use analysis::gas::cylinder::{Cylinder, RESERVE_KPA, lasts};
use analysis::gas::room::{hours_to_deficient, if_emptied};
use analysis::pour::Row;
use analysis::sample::Sample;
use analysis::time::Micros;
use analysis::upkeep::UpkeepRow;
use analysis::upkeep::ages::gas_between;
use reports::chart::night::{FlaskOut, KilnNight};
use reports::page::GasLeft;
use reports::session_trace::SessionTrace;

use super::WriteUp;
use crate::records::pours::Pour;
use crate::records::sessions::Session;
use crate::records::words::Part;
use crate::session::kilns::{followed, programme_of};
use crate::session::settle::ROOM_C;

/// The use of gas is that of so many weeks before.
const USE_WEEKS: f64 = 4.0;
const WEEK_S: f64 = 7.0 * 86_400.0;
/// A kiln of which no more was heard than this before the machine, s, shows no burnout.
const LEAST_NIGHT_S: f64 = 3600.0;
/// A reading this near to a burnout's beginning is its beginning's, s.
const NEAR_S: f64 = 600.0;

impl WriteUp<'_> {
    /// The burnouts that fed a session, each with its programme and its flasks.
    pub(super) fn nights(
        &self,
        session: &Session,
        samples: &[Sample],
        trace: &SessionTrace,
        pours: &[Pour],
    ) -> anyhow::Result<Vec<KilnNight>> {
        let kept = self.records.burnouts_of_session(session.id)?;
        let kilns = self.records.kilns_of_session(session.id)?;
        let mut nights = Vec::new();
        for (number, kiln) in (0_u8..).zip(&kilns) {
            let Some((_, readings)) = trace.kilns_c.iter().find(|(name, _)| name == kiln) else {
                continue;
            };
            let (Some((first, _)), Some((last, _))) = (readings.first(), readings.last()) else {
                continue;
            };
            let fed = |began: Micros| began <= session.opened_at;
            let own = kept
                .iter()
                .filter(|row| row.kiln == *kiln && row.last_at >= *first && fed(row.began_at))
                .max_by_key(|row| row.began_at);
            let burnout = match own {
                Some(row) => Some(row.clone()),
                // Brought in as a whole: nobody followed the kiln while it burned out.
                None => followed(self.config, self.records, kiln, of_kiln(samples, number))?
                    .into_iter()
                    .rfind(|row| fed(row.began_at)),
            };
            let heard_before_s = session.opened_at.seconds_since(*first);
            if own.is_none() && heard_before_s < LEAST_NIGHT_S {
                continue;
            }
            let programme = match &burnout {
                Some(row) if !row.joined_late => row
                    .programme
                    .as_deref()
                    .and_then(|_| {
                        programme_of(self.config, self.records, kiln, row.began_at).transpose()
                    })
                    .transpose()?
                    .filter(|p| Some(p.name()) == row.programme.as_deref())
                    .map(|programme| (programme, row.began_at)),
                _ => None,
            };
            let plan_c = programme.map_or_else(Vec::new, |(programme, began)| {
                let from_c = begins_at_c(burnout.as_ref(), readings, began);
                plan(&programme, began, from_c, readings, *last)
            });
            nights.push(KilnNight {
                kiln: kiln.clone(),
                kiln_c: readings.clone(),
                burnout,
                plan_c,
                out: self.flasks_out(kiln, kilns.len(), pours)?,
            });
        }
        Ok(nights)
    }

    /// The flasks that came out of a kiln. Of several kilns, a card must say which.
    fn flasks_out(
        &self,
        kiln: &str,
        kilns: usize,
        pours: &[Pour],
    ) -> anyhow::Result<Vec<FlaskOut>> {
        let mut out = Vec::new();
        for pour in pours {
            let Some(transfer_s) = pour.row.transfer_s else {
                continue;
            };
            let card = match pour.row.flask.as_deref().map(str::parse) {
                Some(Ok(id)) => self.records.flask(id)?.card.kiln,
                _ => None,
            };
            if card.as_deref().map_or(kilns == 1, |named| named == kiln) {
                out.push(FlaskOut {
                    at: pour.row.at.plus_seconds(-transfer_s),
                    pour: pour.row.number,
                    kiln_c: pour.row.kiln_temperature_c,
                    soak_min: pour.row.soak_min,
                    transfer_s: Some(transfer_s),
                });
            }
        }
        out.sort_by_key(|o| o.at);
        Ok(out)
    }

    /// The cover gas of a session and what its cylinder still holds; none without a gas sensor.
    pub(super) fn gas_left(&self, session: &Session) -> anyhow::Result<Option<GasLeft>> {
        let machine = session.machine.as_str();
        let looked_from = session.opened_at.plus_seconds(-USE_WEEKS * WEEK_S);
        // The changes come oldest first.
        let cylinder = self
            .records
            .part_changes()?
            .into_iter()
            .map(|(_, change)| change)
            .rfind(|c| {
                c.part == Part::GasCylinder
                    && c.machine.as_deref() == Some(machine)
                    && c.at <= session.closed_at.unwrap_or(self.now)
            });
        let from = cylinder
            .as_ref()
            .map_or(looked_from, |c| c.at.min(looked_from));
        let mut upkeep: Vec<UpkeepRow> = self
            .records
            // A session that was under way then counts with its rest.
            .features_of(machine, from.plus_seconds(-3.0 * 86_400.0))?
            .into_iter()
            .flat_map(|f| f.rows)
            .filter_map(|row| match row {
                Row::Upkeep(upkeep) if upkeep.from <= session.closed_at.unwrap_or(self.now) => {
                    Some(upkeep)
                }
                _ => None,
            })
            .collect();
        let Some(this) = upkeep.iter().find(|u| u.session == session.name).cloned() else {
            return Ok(None);
        };
        let Some(used_l) = this.course.last().and_then(|p| p.gas_used_l) else {
            return Ok(None);
        };
        upkeep.retain(|u| u.from <= this.from);
        let air_kpa = self.config.shop.ambient_kpa();
        let since = cylinder
            .as_ref()
            .and_then(|c| gas_between(&[], &upkeep, c.at, this.to));
        let holds = |reserve_kpa: f64| {
            let content = cylinder.as_ref()?.content.as_ref()?;
            Cylinder::at_room(content.volume_l, content.pressure_kpa, ROOM_C).content_l(
                reserve_kpa,
                air_kpa,
                ROOM_C,
            )
        };
        let left = |reserve_kpa: f64| {
            let (content_l, (gone_l, _)) = holds(reserve_kpa).zip(since)?;
            Some((content_l - gone_l).max(0.0))
        };
        let left_l = left(0.0);
        let looked_from = this.to.plus_seconds(-USE_WEEKS * WEEK_S);
        let lately = gas_between(&[], &upkeep, looked_from, this.to);
        let recent = || upkeep.iter().filter(|u| u.from >= looked_from);
        let flowing_h: f64 = recent().map(|u| u.to.seconds_since(u.from) / 3600.0).sum();
        // A young book has not seen four weeks yet.
        let weeks = recent()
            .map(|u| this.to.seconds_since(u.from) / WEEK_S)
            .fold(1.0, f64::max);
        let room_m3 = self.config.shop.room_m3;
        let hours = this.to.seconds_since(this.from) / 3600.0;
        Ok(Some(GasLeft {
            used_l,
            left_l,
            unsure_l: since.map_or(0.0, |(_, unsure_l)| unsure_l),
            lasts: left(RESERVE_KPA)
                .zip(lately)
                .and_then(|(usable_l, (week_l, _))| lasts(usable_l, week_l, flowing_h, weeks)),
            room_m3,
            emptied: room_m3
                .zip(left_l)
                .and_then(|(room_m3, left_l)| if_emptied(left_l, room_m3)),
            deficient_h: room_m3
                .and_then(|room_m3| hours_to_deficient(used_l / (60.0 * hours), room_m3)),
        }))
    }
}

/// How warm a kiln was when its burnout began, °C: a session's trace may claim it from where it
/// was hot. A kiln that nobody heard then is taken to have been at room temperature.
fn begins_at_c(burnout: Option<&BurnoutRow>, readings: &[(Micros, f64)], began: Micros) -> f64 {
    let near = |at: Micros| at.seconds_since(began).abs() <= NEAR_S;
    let ramp = burnout.and_then(|row| row.spells.first());
    let read = readings.iter().find(|(at, _)| near(*at)).map(|(_, c)| *c);
    ramp.filter(|ramp| near(ramp.from_at))
        .map(|ramp| ramp.from_c)
        .or(read)
        .unwrap_or(ROOM_C)
}

/// A kiln's samples as if it were the only one.
fn of_kiln(samples: &[Sample], number: u8) -> Vec<Sample> {
    samples
        .iter()
        .filter(|s| {
            matches!(
                s.channel,
                Channel::KilnTemperature(n) | Channel::KilnDoor(n) if n == number
            )
        })
        .map(|s| Sample {
            channel: s.channel.of_kiln(0),
            ..*s
        })
        .collect()
}
