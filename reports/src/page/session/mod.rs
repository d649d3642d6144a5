//! The session sheet: one day at one machine. Its trace, a close-up of each pour, what was
//! measured, every pull, and what was off.

use std::collections::BTreeMap;

use analysis::pour::{FlaskTemperatureFrom, PourRow, PullRow};
use analysis::time::Micros;
use serde::Serialize;

mod bench;
mod close_ups;

use super::sheet::{Block, Section};
use super::shop::{Shop, Trouble};
use super::week::trouble;
use super::{PageError, cautions};
use crate::chart::night::KilnNight;
use crate::chart::trace;
use crate::moment::{ByHand, moments};
use crate::session_trace::SessionTrace;
use crate::table::{Cell, Table};
use crate::{verdicts, wording};

/// What the session sheet is made from.
#[derive(Clone, Debug)]
pub struct SessionSheet {
    /// The shop.
    pub shop: Shop,
    /// The session's name.
    pub session: String,
    /// The machine's name.
    pub machine: String,
    /// When it opened.
    pub opened_at: Micros,
    /// When it closed; none while it is open.
    pub closed_at: Option<Micros>,
    /// When the sheet was made.
    pub made_at: Micros,
    /// The version of pourbook that made it.
    pub version: String,
    /// Its readings and stages.
    pub trace: SessionTrace,
    /// The burnouts of the kilns that fed it.
    pub nights: Vec<KilnNight>,
    /// Its cover gas; none if nothing is known of it.
    pub gas: Option<GasLeft>,
    /// Its pours, in order of time.
    pub pours: Vec<PourRow>,
    /// Its pulls, in order of time.
    pub pulls: Vec<PullRow>,
    /// What people said of where metal left.
    pub by_hand: Vec<ByHand>,
    /// The command that puts a pour of this session right, up to its `--at`.
    pub correct_with: String,
    /// Labels of flask cards by id, for the flasks that pours are matched to.
    pub labels: BTreeMap<String, String>,
    /// Flasks that the records say were cast in it, whether or not a pour was found for them.
    pub flasks_cast: u64,
    /// What was wrong with its data.
    pub troubles: Vec<Trouble>,
}

pub use bench::GasLeft;

#[derive(Serialize)]
pub(super) struct SessionView {
    title: String,
    shop: String,
    invented: bool,
    machine: String,
    name: String,
    days: String,
    made: String,
    sentence: String,
    sections: Vec<Section>,
    cautions: Vec<String>,
    defer: String,
}

/// What a quality word of a pour means, in words a caster would use.
fn quality_words(word: &str) -> String {
    match word {
        "no-vacuum-sensor" => "no vacuum sensor".to_owned(),
        "no-gas-sensor" => "no gas sensor".to_owned(),
        "gap-before-pour" => "readings missing just before the pour".to_owned(),
        other => wording::shortened(&other.replace('-', " ")),
    }
}

impl SessionSheet {
    pub(super) fn view(&self) -> Result<SessionView, PageError> {
        let zone = &self.shop.zone;
        let from = wording::clock(self.opened_at, zone);
        let days = match self.closed_at.map(|t| wording::clock(t, zone)) {
            // Records on paper often give the day alone; a span of nothing would mislead.
            _ if self.on_paper() => "from records on paper".to_owned(),
            Some(until) => format!("{from} to {until}"),
            None => format!("{from} to still open"),
        };
        Ok(SessionView {
            title: format!(
                "{}, {}",
                wording::full_day(self.opened_at, zone),
                wording::shortened(&self.machine)
            ),
            shop: wording::shortened(&self.shop.name),
            invented: self.shop.invented,
            machine: wording::shortened(&self.machine),
            name: wording::shortened(&self.session),
            days,
            made: format!(
                "Made {} by pourbook {}",
                wording::local(self.made_at, zone).strftime("%a %-d %b %Y, %H:%M"),
                self.version
            ),
            sentence: self.sentence(),
            sections: [
                Some(self.day()?),
                Some(self.close_ups()?),
                Some(self.measures()),
                Some(self.pulls()),
                self.nights()?,
                self.bench(),
                Some(self.off()),
            ]
            .into_iter()
            .flatten()
            .collect(),
            cautions: cautions::CAUTIONS.iter().map(|c| (*c).to_owned()).collect(),
            defer: cautions::DEFER.to_owned(),
        })
    }

    /// Whether the session is known by its flasks alone, without readings.
    fn on_paper(&self) -> bool {
        self.closed_at.is_some()
            && self.flasks_cast > 0
            && self.pours.is_empty()
            && self.trace.extent().is_none()
    }

    /// The session in one sentence, as the index and the head of the sheet have it.
    pub fn sentence(&self) -> String {
        if self.on_paper() {
            return format!(
                "{} cast, from records on paper; no readings.",
                wording::count(self.flasks_cast, "flask")
            );
        }
        let shown = &self.shop.shown;
        let pours = self.pours.len() as u64;
        let temperatures: Vec<f64> = self
            .pours
            .iter()
            .filter_map(|p| p.pour_temperature_c)
            .filter(|c| c.is_finite())
            .collect();
        let (low, high) = temperatures
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), c| {
                (l.min(*c), h.max(*c))
            });
        let bad = self.pulls.iter().filter(|p| verdicts::is_bad(p)).count() as u64;
        let called_off = self.pulls.iter().filter(|p| !p.poured).count() as u64;
        let mut text = if pours == 0 {
            "No pour".to_owned()
        } else {
            wording::count(pours, "pour")
        };
        if low <= high {
            let (low, high) = (shown.temperature(low), shown.temperature(high));
            text += &if low.number() == high.number() {
                format!(" at {high}")
            } else {
                format!(" at {} to {high}", low.number())
            };
        }
        text += &match self.pulls.len() as u64 {
            0 if pours == 0 => " and no pull".to_owned(),
            0 => ", no pull".to_owned(),
            n => format!(", {}", wording::count(n, "pull")),
        };
        let mut asides = Vec::new();
        if called_off > 0 {
            asides.push(format!("{called_off} called off"));
        }
        if bad > 0 {
            asides.push(format!("{bad} weak or missing"));
        }
        if !asides.is_empty() {
            text += &format!(" ({})", asides.join(", "));
        }
        text + "."
    }

    fn day(&self) -> Result<Section, PageError> {
        let figure = trace::draw(&trace::Day {
            id: "day",
            trace: &self.trace,
            pulls: &self.pulls,
            moments: &moments(&self.pours, &self.by_hand),
            shown: &self.shop.shown,
            zone: &self.shop.zone,
        })?;
        let mut blocks = match figure {
            Some(f) => vec![Block::Figures {
                figures: vec![f.into()],
            }],
            None => vec![Block::missing(
                "This session has no readings: it was imported, or nothing was heard.",
                "Readings come from the sensors named in pourbook.toml; pourbook check shows what arrives.",
            )],
        };
        let silent: Vec<String> = [
            ("melt temperature", self.trace.melt_c.is_empty()),
            ("vacuum", self.trace.vacuum_kpa.is_empty()),
            ("cover gas", self.trace.gas_l_min.is_empty()),
        ]
        .into_iter()
        .filter(|(_, empty)| *empty)
        .map(|(name, _)| name.to_owned())
        .collect();
        if !silent.is_empty() && silent.len() < 3 {
            blocks.push(Block::missing(
                format!("Not heard in this session: {}.", wording::list(&silent)),
                "If there is a sensor, look at its power and topic with pourbook check; if not, name one in pourbook.toml.",
            ));
        }
        Ok(Section {
            id: "trace",
            title: "The day".to_owned(),
            blocks,
        })
    }

    pub(super) fn flask_of(&self, pour: &PourRow) -> Option<String> {
        let id = pour.flask.as_ref()?;
        Some(wording::shortened(self.labels.get(id).unwrap_or(id)))
    }

    fn measures(&self) -> Section {
        let shown = &self.shop.shown;
        let degrees = shown.temperature(0.0).unit;
        let mut table = Table::new(
            "What was measured of each pour",
            &[
                "pour",
                "at",
                "flask",
                &format!("#poured at [{degrees}]"),
                &format!("#target [{degrees}]"),
                &format!("#superheat [{degrees}]"),
                &format!(
                    "#heating before the pour [{}]",
                    shown.heating_rate(0.0).unit
                ),
                &format!("#highest since charging [{degrees}]"),
                "#molten for",
                &format!("#vacuum [{}]", shown.vacuum(0.0).unit),
                "#vacuum, of what the air allows",
                "#vacuum on before the pour",
                &format!("#gas, mean [{}]", shown.flow(0.0).unit),
                &format!("#gas, least [{}]", shown.flow(0.0).unit),
                &format!("#kiln as the flask left [{degrees}]"),
                &format!("#flask temperature [{degrees}]"),
                "flask temperature from",
                "#out of kiln",
                "#gasket age",
            ],
        );
        let number = |v: Option<f64>, show: &dyn Fn(f64) -> String| {
            Cell::plain(v.filter(|v| v.is_finite()).map(show).unwrap_or_default())
        };
        for p in &self.pours {
            let from = match p.flask_temperature_from {
                Some(FlaskTemperatureFrom::Measured) => "measured",
                Some(FlaskTemperatureFrom::Cooled) => "kiln, cooled",
                Some(FlaskTemperatureFrom::Card) => "card",
                None => "",
            };
            table.push(vec![
                Cell::plain(format!("pour {}", p.number)),
                Cell::plain(wording::clock_seconds(p.at, &self.shop.zone)),
                Cell::typed(&self.flask_of(p).unwrap_or_default()),
                number(p.pour_temperature_c, &|c| shown.temperature(c).number()),
                number(p.target_c, &|c| shown.temperature(c).number()),
                number(p.superheat_k, &|k| shown.difference(k).number()),
                number(p.heating_rate_k_s, &|r| shown.heating_rate(r).number()),
                number(p.peak_melt_c, &|c| shown.temperature(c).number()),
                number(p.time_molten_s, &wording::span),
                number(p.vacuum_kpa, &|k| shown.vacuum(k).number()),
                number(p.vacuum_share, &|s| shown.share(s).to_string()),
                number(p.vacuum_lead_s, &wording::span),
                number(p.gas_flow_l_min, &|f| shown.flow(f).number()),
                number(p.gas_flow_least_l_min, &|f| shown.flow(f).number()),
                number(p.kiln_temperature_c, &|c| shown.temperature(c).number()),
                number(p.flask_temperature_c, &|c| {
                    let spread = p
                        .flask_temperature_sd_k
                        .filter(|k| k.is_finite())
                        .map(|k| format!(" ± {}", shown.difference(k).number()));
                    shown.temperature(c).number() + &spread.unwrap_or_default()
                }),
                Cell::plain(from),
                number(p.transfer_s, &wording::span),
                Cell::plain(
                    p.seal_age_pours
                        .map(|n| wording::count(u64::from(n), "pour"))
                        .unwrap_or_default(),
                ),
            ]);
        }
        Section {
            id: "measures",
            title: "Measures".to_owned(),
            blocks: vec![if self.pours.is_empty() {
                Block::text("No pour was found in this session.")
            } else {
                Block::Table {
                    table: table.without_empty_columns().turned("measure"),
                }
            }],
        }
    }

    fn pulls(&self) -> Section {
        Section {
            id: "pulls",
            title: "Pulls of vacuum".to_owned(),
            blocks: if self.pulls.is_empty() {
                vec![Block::text("No pull was found in this session.")]
            } else {
                vec![
                    Block::Table {
                        table: verdicts::table(
                            &self.pulls,
                            &self.shop.shown,
                            &self.shop.zone,
                            false,
                        ),
                    },
                    Block::small(verdicts::READING),
                ]
            },
        }
    }

    fn off(&self) -> Section {
        let mut items = self.set_aside();
        for p in &self.pours {
            if !p.quality.is_empty() {
                // What sets it aside was said above.
                let said = |q: &&String| !p.faults.contains(q);
                let words = p.quality.iter().filter(said).map(|q| quality_words(q));
                let words: Vec<String> = words.collect();
                if words.is_empty() {
                    continue;
                }
                items.push(format!("Pour {}: {}.", p.number, words.join("; ")));
            }
        }
        for p in self.pulls.iter().filter(|p| verdicts::is_bad(p)) {
            items.push(format!(
                "Pull at {}: {}{}{}.",
                wording::clock(p.opened_at, &self.shop.zone),
                verdicts::word(p),
                p.depth_kpa
                    .map(|d| format!(", {} below air", self.shop.shown.vacuum(d)))
                    .unwrap_or_default(),
                if p.poured { ", and poured into" } else { "" },
            ));
        }
        let mut blocks = Vec::new();
        if !items.is_empty() {
            blocks.push(Block::List { items });
        }
        blocks.extend(trouble::blocks(&self.troubles, "in this session"));
        Section {
            id: "off",
            title: "What was off".to_owned(),
            blocks,
        }
    }
}
