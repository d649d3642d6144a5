//! Reports from a book: gathers what the records and traces say, hands it to `reports`, and
//! puts the pages in place whole or not at all. Run in a child process by the daemon, so that a
//! damaged file can never stop the logging.

mod bench;
mod gas;
mod week;

use std::collections::BTreeMap;
use std::path::PathBuf;

use analysis::alloy::Alloys;
use analysis::channel::Channel;
use analysis::evidence::{Evidence, Question};
use analysis::pour::{Detector, Event, PourRow};
use analysis::probe::drift::{DO_A_CHECK, drifts};
use analysis::sample::Sample;
use analysis::time::Micros;
use analysis::trace::{Trace, TraceError, read_trace};
use anyhow::anyhow;
use reports::moment::ByHand;
use reports::page::{
    Entry, Index, Machine, Part, SessionSheet, Shop, Trouble, Week, render_index, render_session,
    render_week, render_week_anew,
};
use reports::session_trace::{Readings, SessionTrace, StageSpan};

use crate::book::{Book, week_name};
use crate::config::Config;
use crate::records::Records;
use crate::records::beneath::Digests;
use crate::records::extraction::SAME_POUR_WITHIN_S;
use crate::records::pours::PourFilter;
use crate::records::sessions::Session;
use crate::reporting::answers::evidence_kept;
use crate::reporting::calendar::{self, Calendar};
use crate::reporting::kept::{Kept, PutError, ReportsLock};
use crate::reporting::turn::making;
use crate::session::metadata::meta;
use crate::session::settle::apart;
use crate::storage::{RealDisk, replace_file};

/// A report that was written.
#[derive(Clone, Debug, PartialEq)]
pub struct Written {
    /// The page.
    pub path: PathBuf,
    /// What it says in short, one sentence per alloy and section, or one for a session.
    pub sentences: Vec<String>,
}

/// What writing reports needs.
#[derive(Debug)]
pub struct WriteUp<'a> {
    book: &'a Book,
    config: &'a Config,
    records: &'a Records,
    disk: RealDisk,
    now: Micros,
}

impl<'a> WriteUp<'a> {
    /// Reports of this book, made at `now`.
    pub fn new(book: &'a Book, config: &'a Config, records: &'a Records, now: Micros) -> Self {
        WriteUp {
            book,
            config,
            records,
            disk: RealDisk::new(book.root()),
            now,
        }
    }

    /// Writes a week's report, for `2026-W47`, and the index.
    ///
    /// # Errors
    /// When the text names no week, or the records or the disk fail.
    pub fn week(&self, name: &str) -> anyhow::Result<Written> {
        let calendar = Calendar::new(self.config.shop.time_zone.clone(), self.config.reports);
        let week = calendar
            .week(name)
            .ok_or_else(|| anyhow!("\"{name}\" is no ISO week; write it like 2026-W47"))?;
        // Before anything is read for the page: what comes in meanwhile is then seen as a change.
        let beneath = self.records.beneath()?.at(&[week.until]).remove(0);
        self.week_resting_on(&week, &beneath)
    }

    /// Writes the report of a week, beneath which lies what has these digests, and the index.
    ///
    /// # Errors
    /// As [`WriteUp::week`].
    pub fn week_resting_on(
        &self,
        of: &calendar::Week,
        beneath: &Digests,
    ) -> anyhow::Result<Written> {
        let _lock = ReportsLock::take(self.book)?;
        let mut kept = Kept::read(self.book)?;
        let name = of.name.as_str();
        let before = kept.weeks.get(name);
        let mut made = making(self.records, before, of, beneath, self.now)?;
        let wrong = || anyhow!("\"{name}\" is no ISO week");
        let (from, until) = (of.from, of.until);
        let (year, week) = name.split_once("-W").ok_or_else(wrong)?;
        let flasks = self.records.flasks_table(None, Some(until))?;
        let found = self.evidence_of(&flasks, until)?;
        let sentences = sentences_of(&found);
        let filter = PourFilter {
            since: Some(from),
            until: Some(until),
            ..PourFilter::default()
        };
        let sessions = self.records.sessions(Some(from), Some(until))?;
        let mut troubles = self.troubles(Some(from), Some(until), None)?;
        troubles.extend(self.drifting_probes(from, until)?);
        let week = Week {
            shop: self.shop()?,
            year: year.parse().map_err(|_| wrong())?,
            week: week.parse().map_err(|_| wrong())?,
            made_at: self.now,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            pours: self
                .records
                .pours(&filter)?
                .into_iter()
                .map(|p| p.row)
                .collect(),
            pulls: self.records.pulls(Some(from), Some(until), None)?,
            kinds: self.config.defect_kinds.clone(),
            alloys: Alloys::standard(),
            machines: self.machines(),
            facts: self.facts(from, until, &flasks, &found)?,
            evidence: found,
            parts: self.parts(until)?,
            troubles,
            sheets: sessions
                .iter()
                .filter(|s| self.book.session_report(&s.name).is_file())
                .map(|s| (s.name.clone(), format!("sessions/{}.html", s.name)))
                .collect(),
            flasks,
        };
        let page = match &made.anew {
            None => render_week(&week),
            Some(why) => render_week_anew(&week, why),
        }?;
        let path = self.put(&format!("reports/{name}.html"), &page)?;
        made.entry.sentences.clone_from(&sentences);
        kept.weeks.insert(name.to_owned(), made.entry);
        self.index(&kept)?;
        Ok(Written { path, sentences })
    }

    /// Writes a session's sheet, and the index.
    ///
    /// # Errors
    /// When there is no such session, or its trace, the records or the disk fail.
    pub fn session(&self, name: &str) -> anyhow::Result<Written> {
        let session = self.records.session_named(name)?;
        let sheet = self.sheet(&session)?;
        let sentence = sheet.sentence();
        let page = render_session(&sheet)?;
        let _lock = ReportsLock::take(self.book)?;
        let path = self.put(&format!("reports/sessions/{name}.html"), &page)?;
        let mut kept = Kept::read(self.book)?;
        kept.sessions
            .insert(name.to_owned(), vec![sentence.clone()]);
        self.index(&kept)?;
        Ok(Written {
            path,
            sentences: vec![sentence],
        })
    }

    /// The week's name of an instant, as reports are named.
    pub fn week_of(&self, at: Micros) -> String {
        week_name(at, &self.config.shop.time_zone)
    }

    /// What the flasks say in answer to the report's own question.
    fn evidence_of(
        &self,
        flasks: &[analysis::flask::Flask],
        until: Micros,
    ) -> anyhow::Result<Evidence> {
        let mut ask = Question {
            until: Some(until),
            shown_in: self.config.shop.shown_in,
            kinds: self.config.defect_kinds.clone(),
            alloys: Alloys::standard(),
            meant: self.records.meant_at(until.min(self.now))?,
            ..Question::default()
        };
        if !self.records.trials()?.is_empty() {
            // A trial may have flasks of a later week; then it was not complete in this one.
            let all = self.records.flasks_table(None, None)?;
            ask.trials = crate::trials::said(self.records, &all, &ask, self.now)?;
        }
        evidence_kept(self.book, &self.disk, flasks, &ask)
    }

    fn sheet(&self, session: &Session) -> anyhow::Result<SessionSheet> {
        let filter = PourFilter {
            session: Some(session.id),
            ..PourFilter::default()
        };
        let pours = self.records.pours(&filter)?;
        let mut labels = BTreeMap::new();
        for id in pours.iter().filter_map(|p| p.row.flask.as_deref()) {
            if let Ok(flask) = id
                .parse()
                .map_err(anyhow::Error::from)
                .and_then(|id| self.records.flask(id).map_err(anyhow::Error::from))
            {
                labels.insert(id.to_owned(), flask.card.label);
            }
        }
        let mut troubles = self.troubles(
            Some(session.opened_at),
            session.closed_at,
            Some(&session.name),
        )?;
        let (trace, nights) = match &session.published {
            None => Default::default(),
            Some(published) => match self.read(&published.trace) {
                Ok(trace) => {
                    let kilns = self.records.kilns_of_session(session.id)?;
                    let shown = session_trace(&trace, &session.name, &kilns);
                    let nights = self.nights(session, &trace.samples, &shown, &pours)?;
                    (shown, nights)
                }
                Err(e) => {
                    // The sheet still says what the records know, and that this is missing.
                    troubles.push(Trouble {
                        at: published.trace.clone(),
                        what: format!("the trace cannot be read: {e:#}"),
                        times: 1,
                        mend: Some("restore the file from a backup".to_owned()),
                    });
                    Default::default()
                }
            },
        };
        // Flasks that came in from paper have no pour; they are still what was cast.
        let cast = self.records.flasks_table(None, None)?;
        let flasks_cast = cast.iter().filter(|f| f.session == session.name).count() as u64;
        Ok(SessionSheet {
            flasks_cast,
            shop: self.shop()?,
            session: session.name.clone(),
            machine: session.machine.clone(),
            opened_at: session.opened_at,
            closed_at: session.closed_at,
            made_at: self.now,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            trace,
            nights,
            gas: self.gas_left(session)?,
            pours: pours.into_iter().map(|p| p.row).collect(),
            pulls: self.records.pulls(None, None, Some(session.id))?,
            by_hand: self.by_hand(session)?,
            correct_with: self.correct_with(&session.name),
            labels,
            troubles,
        })
    }

    /// What people said of where metal left, beside what the detector finds there now.
    fn by_hand(&self, session: &Session) -> anyhow::Result<Vec<ByHand>> {
        let found: Vec<PourRow> = self
            .records
            .features_of_session(session.id)?
            .map_or(Vec::new(), |f| apart(f.rows).1);
        let near = |at: Micros| {
            let away = |p: &&PourRow| p.at.0.abs_diff(at.0);
            found
                .iter()
                .filter(|p| p.at.seconds_since(at).abs() <= SAME_POUR_WITHIN_S)
                .min_by_key(away)
                .cloned()
        };
        Ok(self
            .records
            .hand_pours_of_session(session.id)?
            .into_iter()
            .map(|said| ByHand {
                at: said.poured_at,
                found: said.found_at.and_then(near),
                said_at: said.said_at,
                note: said.note,
            })
            .collect())
    }

    /// The command that puts a pour of a session right, as it is to be typed on this machine.
    fn correct_with(&self, session: &str) -> String {
        let root = self.book.root();
        let root = std::fs::canonicalize(root).unwrap_or_else(|_| root.to_owned());
        format!(
            "pourbook record pour --book {} --session {session}",
            as_argument(&root.display().to_string())
        )
    }

    fn read(&self, relative: &str) -> Result<Trace, TraceError> {
        read_trace(std::fs::File::open(self.book.below(relative))?)
    }

    fn shop(&self) -> anyhow::Result<Shop> {
        Ok(Shop {
            name: self.config.shop.name.clone(),
            zone: self.config.shop.time_zone.clone(),
            shown: self.config.shop.shown_in,
            invented: self.records.book()?.demo,
        })
    }

    fn machines(&self) -> Vec<Machine> {
        let machines = self.config.machines.iter();
        machines
            .map(|machine| {
                let own = machine.channels.iter().map(|h| h.channel);
                let kilns = (0u8..).zip(&machine.kilns).flat_map(|(number, name)| {
                    let heard = self.config.kiln(name).map_or(&[][..], |k| &k.channels);
                    heard.iter().map(move |h| h.channel.of_kiln(number))
                });
                let shop = self.config.shop_channels.iter().map(|h| h.channel);
                Machine {
                    name: machine.name.to_string(),
                    senses: own.chain(kilns).chain(shop).collect(),
                }
            })
            .collect()
    }

    /// The parts in use at `at`: the last change of each.
    fn parts(&self, at: Micros) -> anyhow::Result<Vec<Part>> {
        let mut latest = BTreeMap::new();
        for (_, change) in self.records.part_changes()? {
            let owner = change.machine.clone().or(change.kiln.clone());
            if let Some(owner) = owner.filter(|_| change.at < at) {
                // The changes come oldest first.
                latest.insert(
                    (owner, change.part.to_string(), change.channel.clone()),
                    change,
                );
            }
        }
        latest
            .into_iter()
            .map(|((owner, kind, _), change)| {
                let pours_since = match &change.machine {
                    Some(machine) => self.records.pours_since_change(machine, change.part, at)?,
                    None => None,
                };
                Ok(Part {
                    machine: owner,
                    kind: kind.replace('-', " "),
                    changed_at: change.at,
                    pours_since,
                    note: change.note,
                })
            })
            .collect()
    }

    fn troubles(
        &self,
        since: Option<Micros>,
        until: Option<Micros>,
        session: Option<&str>,
    ) -> anyhow::Result<Vec<Trouble>> {
        let all = self.records.troubles(since, until)?;
        Ok(all
            .into_iter()
            .filter(|t| session.is_none_or(|s| t.session.as_deref().is_none_or(|of| of == s)))
            .map(|t| Trouble {
                at: if t.channel.is_empty() {
                    t.place
                } else {
                    format!("{} {}", t.place, t.channel)
                },
                what: t.reason,
                times: t.count,
                mend: None,
            })
            .collect())
    }

    /// Probes whose melting arrests had moved by `until`, if charges since `from` show it.
    fn drifting_probes(&self, from: Micros, until: Micros) -> anyhow::Result<Vec<Trouble>> {
        let shown = &self.config.shop.shown_in;
        let arrests = self.records.arrests(Some(until))?;
        let found = drifts(&arrests, &self.records.accepted_checks()?);
        Ok(found
            .into_iter()
            .filter(|drift| drift.at >= from)
            .map(|drift| Trouble {
                at: format!("{} melt_temperature", drift.machine),
                what: drift.what(&shown.difference(drift.shift_k.abs()).to_string()),
                times: 1,
                mend: Some(DO_A_CHECK.to_owned()),
            })
            .collect())
    }

    fn index(&self, kept: &Kept) -> anyhow::Result<()> {
        kept.write(&self.disk)?;
        let entry = |name: &String, folder: &str, sentences: &[String]| Entry {
            name: name.clone(),
            href: format!("{folder}{name}.html"),
            sentences: sentences.to_vec(),
        };
        let page = render_index(&Index {
            shop: self.shop()?,
            weeks: kept
                .weeks
                .iter()
                .map(|(name, week)| entry(name, "", &week.sentences))
                .collect(),
            sessions: kept
                .sessions
                .iter()
                .map(|(name, said)| entry(name, "sessions/", said))
                .collect(),
        })?;
        self.put("reports/index.html", &page)?;
        Ok(())
    }

    fn put(&self, relative: &str, text: &str) -> anyhow::Result<PathBuf> {
        replace_file::<PutError>(&self.disk, relative, |out| {
            use std::io::Write as _;
            Ok(out.write_all(text.as_bytes())?)
        })?;
        Ok(self.book.below(relative))
    }
}

/// A text as one argument of a POSIX shell (IEEE Std 1003.1, Shell Command Language, 2.2.2).
fn as_argument(text: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "/._-+=:@%".contains(c);
    if !text.is_empty() && text.chars().all(plain) {
        text.to_owned()
    } else {
        format!("'{}'", text.replace('\'', "'\\''"))
    }
}

/// One sentence per alloy and section.
pub fn sentences_of(evidence: &Evidence) -> Vec<String> {
    evidence
        .strata
        .iter()
        .map(|s| s.advice.sentence.clone())
        .collect()
}

/// What the charts of a session are drawn from: the usable readings of its channels, and the
/// stages as the detector tells them.
fn session_trace(trace: &Trace, name: &str, kilns: &[String]) -> SessionTrace {
    let mut samples: Vec<Sample> = trace.samples.clone();
    samples.sort_by(Sample::total_cmp);
    let of = |channel: Channel| -> Readings {
        samples
            .iter()
            .filter(|s| s.channel == channel && s.quality.usable())
            .map(|s| (s.time, s.value))
            .collect()
    };
    let mut detector = Detector::new(meta(&trace.metadata, name).setup);
    let mut events: Vec<Event> = samples.iter().flat_map(|s| detector.push(s)).collect();
    events.extend(detector.finish());
    let mut stages: Vec<StageSpan> = Vec::new();
    // The kiln's night before the melt's first reading is no stage of the melt.
    let melt = of(Channel::MeltTemperature);
    let first = melt.first().map(|r| r.0);
    let last = samples.last().map(|s| s.time);
    for event in events {
        if let Event::StageChanged { at, stage } = event {
            if let Some(open) = stages.last_mut() {
                open.until = at;
            }
            stages.push(StageSpan {
                name: stage.word().to_owned(),
                from: at,
                until: at,
            });
        }
    }
    if let (Some(open), Some(last)) = (stages.last_mut(), last) {
        open.until = last;
    }
    stages.retain(|s| first.is_some_and(|f| s.until > f));
    if let (Some(span), Some(first)) = (stages.first_mut(), first) {
        span.from = span.from.max(first);
    }
    SessionTrace {
        melt_c: melt,
        vacuum_kpa: of(Channel::Vacuum),
        gas_l_min: of(Channel::GasFlow),
        kilns_c: (0u8..)
            .zip(kilns)
            .map(|(n, name)| (name.clone(), of(Channel::KilnTemperature(n))))
            .filter(|(_, readings)| !readings.is_empty())
            .collect(),
        stages,
    }
}
