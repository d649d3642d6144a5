//! `pourbook record pour`: when metal really left, where the trace was read wrongly. A word by
//! hand wins over the detector from then on; it can be taken back, and each is kept.

use analysis::pour::extract::measure;
use analysis::pour::{FoundBy, Meta, PourRow};
use analysis::sample::Sample;
use analysis::time::Micros;
use anyhow::{Context, anyhow, bail};
use clap::Args;
use jiff::tz::TimeZone;
use uuid::Uuid;

use super::open::Opened;
use super::session_at::session_and_time;
use super::{BookArg, WrongUse, extract, out};
use crate::book::{local, week_name};
use crate::records::extraction::SAME_POUR_WITHIN_S;
use crate::records::hand::Said;
use crate::records::pours::{Pour, PourFilter};
use crate::records::sessions::Session;
use crate::records::words::SessionState;
use crate::session::anew::hand_mark;
use crate::session::settle::{assemble_machine, settle_hand};
use crate::write_up::WriteUp;

/// A pour this near to the time given is the one that is meant, s: what a sheet's close-up shows
/// before its pour.
const MEANT_S: f64 = 120.0;
/// The trace says nothing of a time with no reading this near, s.
const HEARD_S: f64 = 120.0;
/// A typed time this near to a pour is that pour's own time, s: people type whole seconds.
const SAME_TIME_S: f64 = analysis::pour::correction::CONFIRMS_S;

#[derive(Debug, Args)]
pub(super) struct PourArgs {
    #[command(flatten)]
    book: BookArg,
    /// When metal left: 2026-11-18T10:02:05 in the shop's time, RFC 3339, or with --session the
    /// time of day
    #[arg(long, value_name = "TIME")]
    at: String,
    /// The session, as its sheet names it [default: the one under way at that time]
    #[arg(long, value_name = "NAME")]
    session: Option<String>,
    /// The machine, when the shop has several
    #[arg(long, conflicts_with = "session")]
    machine: Option<String>,
    /// What was found at that time is no pour
    #[arg(long)]
    none: bool,
    /// Take back what was said by hand at that time: what the trace shows counts again
    #[arg(long, conflicts_with = "none")]
    undo: bool,
    /// A pour of its own, although one within two minutes of it stays where it is
    #[arg(long, conflicts_with_all = ["none", "undo"])]
    another: bool,
    /// The label of the flask that the pour at that time filled: matches the two and confirms it
    #[arg(long, value_name = "LABEL", conflicts_with_all = ["none", "undo", "another", "note"])]
    flask: Option<String>,
    /// Why
    #[arg(long)]
    note: Option<String>,
}

/// No alloy that a bench pours from graphite melts lower, °C: the silver–copper eutectic lies at
/// 779 °C (Subramanian & Perepezko, J. Phase Equilibria 14 (1993) 62, from memory), less 30 K
/// that a probe may read low.
const COLDEST_POUR_C: f64 = 749.0;

/// One session and what is known of its pours, while one of them is put right.
struct Desk<'a> {
    opened: &'a mut Opened,
    session: Session,
    /// Those that count, in order of time.
    pours: Vec<Pour>,
    /// Those that were said to be none.
    struck: Vec<Pour>,
    at: Micros,
    note: Option<String>,
}

/// Runs the command.
pub(super) fn pour(args: &PourArgs) -> anyhow::Result<()> {
    let mut opened = Opened::open(&args.book.book())?;
    let (session, at) = session_and_time(
        &opened,
        &args.at,
        args.session.as_deref(),
        args.machine.as_deref(),
    )?;
    let all = opened.records.pours(&PourFilter {
        session: Some(session.id),
        with_struck: true,
        ..PourFilter::default()
    })?;
    let (struck, rest): (Vec<Pour>, Vec<Pour>) = all.into_iter().partition(|p| p.struck);
    let mut desk = Desk {
        pours: rest.into_iter().filter(|p| p.gone_at.is_none()).collect(),
        struck,
        opened: &mut opened,
        session,
        at,
        note: args.note.clone(),
    };
    let said = if let Some(label) = &args.flask {
        desk.fill(label)?
    } else if args.none {
        desk.strike()?
    } else if args.undo {
        desk.undo()?
    } else {
        desk.place(args.another)?
    };
    desk.finish(&said)
}

/// What was said, to be told once the records have it.
enum Told {
    Placed { pour: Uuid, before: Option<PourRow> },
    Struck { before: PourRow },
    TakenBack { pour: Uuid, before: PourRow },
    Filled { pour: Uuid, label: String },
}

impl Desk<'_> {
    fn place(&mut self, another: bool) -> anyhow::Result<Told> {
        let reach = if another { SAME_POUR_WITHIN_S } else { MEANT_S };
        let held = nearest(&self.pours, self.at, reach).cloned();
        let back = nearest(&self.struck, self.at, SAME_POUR_WITHIN_S).cloned();
        // Of a pour that counts and one that was struck out, the nearer is meant.
        let held = match (held, back) {
            (Some(held), Some(back)) => Some(if apart(&back, self.at) < apart(&held, self.at) {
                back
            } else {
                held
            }),
            (held, back) => held.or(back),
        };
        if another && let Some(held) = held.as_ref().filter(|p| !p.struck) {
            return Err(WrongUse(format!(
                "--another: {} is less than {SAME_POUR_WITHIN_S:.0} s away, which is the same pour",
                self.name(held)
            ))
            .into());
        }
        if let Some(held) = &held {
            let by_hand = self.opened.records.hand_pour(held.id)?;
            let found_at = by_hand.as_ref().and_then(|h| h.found_at);
            let own = [Some(held.row.at), found_at].into_iter().flatten();
            if let Some(exact) = own
                .filter(|t| t.seconds_since(self.at).abs() <= SAME_TIME_S)
                .min_by_key(|t| t.0.abs_diff(self.at.0))
            {
                self.at = exact;
            }
            if let Some(said) = by_hand.filter(|h| h.poured_at == Some(self.at)) {
                bail!(
                    "{} stands there by hand already, said {}; --undo takes it back",
                    self.name(held),
                    self.minute(said.said_at)
                );
            }
        }
        let row = self.measured()?;
        let said = Said {
            at: self.at,
            row,
            note: self.note.clone(),
        };
        let (records, now) = (&mut self.opened.records, self.opened.now);
        Ok(match held {
            Some(held) => {
                records.move_pour_by_hand(held.id, &said, now)?;
                Told::Placed {
                    pour: held.id,
                    before: Some(held.row),
                }
            }
            None => Told::Placed {
                pour: records.add_pour_by_hand(self.session.id, &said, now)?,
                before: None,
            },
        })
    }

    /// Matches the pour there to the flask that it filled.
    fn fill(&mut self, label: &str) -> anyhow::Result<Told> {
        let Some(held) = nearest(&self.pours, self.at, MEANT_S).cloned() else {
            return Err(self.no_pour_there());
        };
        let (records, now) = (&mut self.opened.records, self.opened.now);
        let flask = records.find_flask(label, Some(self.session.day), self.session.day)?;
        records.match_pour(held.id, flask, now)?;
        Ok(Told::Filled {
            pour: held.id,
            label: label.to_owned(),
        })
    }

    fn strike(&mut self) -> anyhow::Result<Told> {
        let Some(held) = nearest(&self.pours, self.at, MEANT_S).cloned() else {
            if let Some(gone) = nearest(&self.struck, self.at, MEANT_S) {
                bail!(
                    "the pour at {} is struck out already; --undo takes it back",
                    self.clock(gone.row.at)
                );
            }
            return Err(self.no_pour_there());
        };
        let note = self.note.clone();
        let (records, now) = (&mut self.opened.records, self.opened.now);
        records.strike_pour(held.id, note.as_deref(), now)?;
        Ok(Told::Struck { before: held.row })
    }

    fn undo(&mut self) -> anyhow::Result<Told> {
        let mut said = Vec::new();
        for hand in self.opened.records.hand_pours_of_session(self.session.id)? {
            // By where the hand put it, or by where the detector had it.
            let away = [hand.poured_at, hand.found_at]
                .into_iter()
                .flatten()
                .map(|t| t.seconds_since(self.at).abs())
                .fold(f64::INFINITY, f64::min);
            if away <= MEANT_S {
                said.push((away, hand.pour));
            }
        }
        said.sort_by(|a, b| a.0.total_cmp(&b.0));
        let Some((_, pour)) = said.first().copied() else {
            bail!(
                "nothing was said by hand of a pour within {MEANT_S:.0} s of {} in session {}",
                self.clock(self.at),
                self.session.name
            );
        };
        let before = self.opened.records.pour(pour)?.row;
        let note = self.note.clone();
        let (records, now) = (&mut self.opened.records, self.opened.now);
        records.unsay_pour(pour, note.as_deref(), now)?;
        Ok(Told::TakenBack { pour, before })
    }

    /// The figures at that time; none while the session is open.
    fn measured(&self) -> anyhow::Result<Option<PourRow>> {
        let session = &self.session;
        let Some(published) = &session.published else {
            if session.state != SessionState::Open {
                bail!(
                    "session {} has no trace, so there is nothing to take a pour's figures from",
                    session.name
                );
            }
            if self.at > self.opened.now {
                bail!("{} is still to come", self.clock(self.at));
            }
            return Ok(None);
        };
        let path = self.opened.book.below(&published.trace);
        let trace = extract::read(&path)?;
        self.heard(&trace.samples)?;
        self.measured_in(&trace.samples, &trace.told.meta).map(Some)
    }

    fn measured_in(&self, samples: &[Sample], meta: &Meta) -> anyhow::Result<PourRow> {
        measure(samples, meta, hand_mark(self.at)).with_context(|| {
            format!(
                "the trace of session {} has no usable reading",
                self.session.name
            )
        })
    }

    /// Refuses a time of which the machine's trace says nothing.
    fn heard(&self, samples: &[Sample]) -> anyhow::Result<()> {
        use analysis::channel::Channel;
        let own = samples.iter().filter(|s| {
            !matches!(
                s.channel,
                Channel::KilnTemperature(_) | Channel::KilnDoor(_) | Channel::Barometer
            ) && s.quality.usable()
        });
        let times = own.map(|s| s.time);
        if times
            .clone()
            .any(|t| t.seconds_since(self.at).abs() <= HEARD_S)
        {
            return Ok(());
        }
        let (first, last) = (times.clone().min(), times.max());
        let (Some(first), Some(last)) = (first, last) else {
            bail!(
                "the trace of session {} has no reading of its machine",
                self.session.name
            );
        };
        bail!(
            "the trace of session {} has no reading within {HEARD_S:.0} s of {}; it runs from {} \
             to {}",
            self.session.name,
            self.clock(self.at),
            self.clock(first),
            self.clock(last)
        )
    }

    /// Takes the word into the pours, says what came of it, and sets the sheet anew.
    fn finish(self, told: &Told) -> anyhow::Result<()> {
        let now = self.opened.now;
        let session = self.session.clone();
        let opened = self.opened;
        settle_hand(&mut opened.records, session.id, now)?;
        assemble_machine(
            &mut opened.records,
            &opened.config,
            &session.machine,
            session.opened_at,
            now,
        )?;
        if let Told::Placed { pour, .. } = told
            && let Some(c) = opened.records.pour(*pour)?.row.pour_temperature_c
            && c < COLDEST_POUR_C
        {
            let c = opened.config.shop.shown_in.temperature(c);
            eprintln!(
                "pourbook: the melt read {c} then, too cold to pour; is the time right? --undo \
                 takes it back"
            );
        }
        for line in says(opened, &session, told)? {
            out::line(&line)?;
        }
        if session.state == SessionState::Open {
            return out::line("its figures and its sheet come when the session closes");
        }
        let write_up = WriteUp::new(&opened.book, &opened.config, &opened.records, now);
        let sheet = write_up
            .session(&session.name)
            .context("the correction is kept, but the sheet could not be set")?;
        out::line(&format!("the sheet is set anew: {}", sheet.path.display()))?;
        let week = week_name(session.opened_at, &opened.config.shop.time_zone);
        out::line(&format!(
            "pourbook report --week {week} takes it into the week's report"
        ))
    }

    fn name(&self, pour: &Pour) -> String {
        format!("pour {} at {}", pour.row.number, self.clock(pour.row.at))
    }

    fn clock(&self, at: Micros) -> String {
        clock(at, &self.opened.config.shop.time_zone)
    }

    fn minute(&self, at: Micros) -> String {
        local(at, &self.opened.config.shop.time_zone)
            .strftime("%Y-%m-%d %H:%M")
            .to_string()
    }

    fn no_pour_there(&self) -> anyhow::Error {
        let times: Vec<String> = self.pours.iter().map(|p| self.clock(p.row.at)).collect();
        let has = if times.is_empty() {
            "it has none".to_owned()
        } else {
            format!("its pours are at {}", times.join(", "))
        };
        anyhow!(
            "session {} has no pour within {MEANT_S:.0} s of {}; {has}",
            self.session.name,
            self.clock(self.at)
        )
    }
}

fn says(opened: &Opened, session: &Session, told: &Told) -> anyhow::Result<Vec<String>> {
    let zone = &opened.config.shop.time_zone;
    let shown = &opened.config.shop.shown_in;
    let figure = |row: &PourRow| match row.pour_temperature_c {
        Some(c) => format!("{}, {}", clock(row.at, zone), shown.temperature(c)),
        None => format!("{}, no melt reading", clock(row.at, zone)),
    };
    let how = |row: &PourRow| match row.found_by {
        FoundBy::Switch => "by the stopper's switch",
        FoundBy::Tap => "by a tap",
        FoundBy::Trace => "in the trace",
        FoundBy::Hand => "by hand before",
    };
    let name = &session.name;
    Ok(match told {
        Told::Placed { pour, before } => {
            let now = opened.records.pour(*pour)?;
            let had = match before {
                Some(row) if row.at == now.row.at => "the detector was right".to_owned(),
                Some(row) => format!("{} it was {}", how(row), figure(row)),
                None => "the trace shows none there".to_owned(),
            };
            let mut lines = vec![format!(
                "pour {} of {name} is by hand now: {} ({had})",
                now.row.number,
                figure(&now.row)
            )];
            if let Some(id) = now.row.flask.as_deref().and_then(|f| f.parse().ok()) {
                let label = opened.records.flask(id)?.card.label;
                lines.push(format!("its flask is {label}"));
            }
            lines
        }
        Told::Struck { before } => {
            let mut lines = vec![format!(
                "no pour of {name}: {} ({} it was one)",
                figure(before),
                how(before)
            )];
            if let Some(id) = before.flask.as_deref().and_then(|f| f.parse().ok()) {
                let flask = opened.records.flask(id)?;
                if flask.pour.is_none() {
                    let label = &flask.card.label;
                    lines.push(format!(
                        "flask {label} was its flask and is free again; --at TIME --flask {label} \
                         matches it to the pour that filled it"
                    ));
                }
            }
            lines
        }
        Told::Filled { pour, label } => {
            let now = opened.records.pour(*pour)?;
            vec![format!(
                "pour {} of {name}, {}, filled flask {label}",
                now.row.number,
                figure(&now.row)
            )]
        }
        Told::TakenBack { pour, before } => {
            let now = opened.records.pour(*pour)?;
            let back = if now.struck || now.gone_at.is_some() {
                "the trace shows no pour there".to_owned()
            } else {
                format!("pour {} is {} again", now.row.number, figure(&now.row))
            };
            vec![format!(
                "what was said by hand at {} of {name} is taken back; {back}",
                clock(before.at, zone)
            )]
        }
    })
}

fn clock(at: Micros, zone: &TimeZone) -> String {
    local(at, zone).strftime("%H:%M:%S").to_string()
}

fn apart(pour: &Pour, at: Micros) -> f64 {
    pour.row.at.seconds_since(at).abs()
}

fn nearest(pours: &[Pour], at: Micros, reach_s: f64) -> Option<&Pour> {
    pours
        .iter()
        .filter(|p| apart(p, at) <= reach_s)
        .min_by(|a, b| apart(a, at).total_cmp(&apart(b, at)))
}
