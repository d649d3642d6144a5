//! `pourbook extract --all` and `--assemble`: a book's pulls and pours found anew, in its own
//! traces or by other machines in copies of them, and taken into its records.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufReader, stdin};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::sync_channel;

use analysis::pour::{PourRow, Row};
use anyhow::{Context, anyhow, bail};
use serde::Serialize;
use uuid::Uuid;

use super::extract::read;
use super::extract_rows::{Lines, TraceRows};
use super::open::Opened;
use super::out;
use super::progress::progress;
use crate::book::{Book, week_name};
use crate::records::hand::HandPour;
use crate::records::sessions::{Published, Session};
use crate::session::anew::{assemble_anew, by_hand, keep_anew};
use crate::session::settle::EXTRACTOR;
use crate::session::trace_rows::rows_of;

/// More readers than this only wait for the one that writes the records.
const MOST_READERS: usize = 8;

/// More changed sessions than this are counted and not named; `--json` names all.
const MOST_NAMED: usize = 10;

/// What was found in a trace of the book.
struct Found {
    rows: Vec<Row>,
    by_hand: Vec<(Uuid, PourRow)>,
}

/// A session that was read anew, as `--json` prints it.
#[derive(Debug, Serialize)]
struct Told {
    session: String,
    machine: String,
    pulls: usize,
    pours: usize,
    changed: bool,
}

/// Finds every published trace of the book anew.
pub(super) fn whole_book(book: &Book, json: bool) -> anyhow::Result<()> {
    let mut opened = Opened::open(book)?;
    let sessions = published(&opened)?;
    let bar = progress(sessions.len() as u64, "traces read anew");
    let next = AtomicUsize::new(0);
    let readers = std::thread::available_parallelism().map_or(1, usize::from);
    let mut anew = Anew::default();
    std::thread::scope(|scope| {
        // Bounded, so that memory stays flat when reading is quicker than writing.
        let (tell, told) = sync_channel(2);
        for _ in 0..readers.min(MOST_READERS) {
            let (tell, next, sessions) = (tell.clone(), &next, &sessions);
            scope.spawn(move || {
                while let Some(one) = sessions.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let (session, published, said) = one;
                    // A damaged file that a library panics on costs its own session.
                    let found = catch_unwind(AssertUnwindSafe(|| found(book, published, said)))
                        .unwrap_or_else(|_| Err(anyhow!("{} cannot be read", published.trace)));
                    if tell.send((session, published, found)).is_err() {
                        return;
                    }
                }
            });
        }
        drop(tell);
        for (session, published, found) in told {
            let kept = found.and_then(|found| {
                // Late samples may have made its next generation meanwhile, which the daemon
                // has taken in already.
                let now = opened.records.session(session.id)?.published;
                if now
                    .as_ref()
                    .is_some_and(|now| now.sha256 == published.sha256)
                {
                    anew.take(&mut opened, session, found, &published.sha256)?;
                }
                Ok(())
            });
            if let Err(e) = kept {
                anew.wrong
                    .push(format!("session {}: {}", session.name, out::in_words(&e)));
            }
            bar.inc(1);
        }
    });
    bar.finish();
    anew.finish(&mut opened, json)
}

/// Sessions with a trace, and what was said of them by hand.
fn published(opened: &Opened) -> anyhow::Result<Vec<(Session, Published, Vec<HandPour>)>> {
    let mut sessions = Vec::new();
    for session in opened.records.sessions(None, None)? {
        if let Some(published) = session.published.clone() {
            let said = opened.records.hand_pours_of_session(session.id)?;
            sessions.push((session, published, said));
        }
    }
    Ok(sessions)
}

fn found(book: &Book, published: &Published, said: &[HandPour]) -> anyhow::Result<Found> {
    let trace = read(&book.below(&published.trace))?;
    if trace.sha256 != published.sha256 {
        bail!(
            "{} is not the trace that the records know (its checksum is another); restore it \
             from a backup",
            published.trace
        );
    }
    Ok(Found {
        rows: rows_of(&trace.samples, &trace.told),
        by_hand: by_hand(&trace.samples, &trace.told, said),
    })
}

/// Takes rows that were found elsewhere into the book.
pub(super) fn assemble_files(book: &Book, files: &[PathBuf], json: bool) -> anyhow::Result<()> {
    let mut opened = Opened::open(book)?;
    let mut lines = Lines::default();
    for file in files {
        let name = file.display().to_string();
        if name == "-" {
            lines.take("standard input", stdin().lock())?;
        } else {
            let open = File::open(file).with_context(|| name.clone())?;
            lines.take(&name, BufReader::new(open))?;
        }
    }
    let (whole, wrong) = lines.whole();
    let mut anew = Anew {
        wrong,
        ..Anew::default()
    };
    let known: BTreeMap<String, (Session, Published, Vec<HandPour>)> = published(&opened)?
        .into_iter()
        .map(|one| (one.0.name.clone(), one))
        .collect();
    for TraceRows { trace, rows } in whole {
        let name = &trace.session;
        let Some((session, published, said)) = known.get(name) else {
            anew.wrong.push(format!(
                "session {name}: the book {} has no trace of that name",
                book.root().display()
            ));
            continue;
        };
        if trace.sha256 != published.sha256 || trace.machine != session.machine {
            anew.wrong.push(format!(
                "session {name}: its rows were found in another file than {}; extract that",
                published.trace
            ));
            continue;
        }
        if trace.extractor != EXTRACTOR {
            anew.wrong.push(format!(
                "session {name}: its rows were found by pourbook {}, and this is {EXTRACTOR}; \
                 use one version everywhere",
                trace.extractor
            ));
            continue;
        }
        // Whoever found the rows knows nothing of what was said by hand; that is few traces.
        let measured = if said.is_empty() {
            Ok(Vec::new())
        } else {
            found(book, published, said).map(|found| found.by_hand)
        };
        match measured {
            Ok(by_hand) => {
                let found = Found { rows, by_hand };
                anew.take(&mut opened, session, found, &trace.sha256)?;
            }
            Err(e) => anew.wrong.push(format!(
                "session {name}: what was said by hand cannot be measured anew: {}",
                out::in_words(&e)
            )),
        }
    }
    anew.finish(&mut opened, json)
}

/// Sessions that were read anew, so far.
#[derive(Default)]
struct Anew {
    sessions: Vec<Session>,
    told: Vec<Told>,
    wrong: Vec<String>,
}

impl Anew {
    fn take(
        &mut self,
        opened: &mut Opened,
        session: &Session,
        found: Found,
        sha256: &str,
    ) -> anyhow::Result<()> {
        let count = |is: fn(&Row) -> bool| found.rows.iter().filter(|row| is(row)).count();
        let mut told = Told {
            session: session.name.clone(),
            machine: session.machine.clone(),
            pulls: count(|row| matches!(row, Row::Pull(_))),
            pours: count(|row| matches!(row, Row::Pour(_))),
            changed: false,
        };
        told.changed = keep_anew(
            &mut opened.records,
            session,
            sha256,
            found.rows,
            &found.by_hand,
        )?;
        self.sessions.push(session.clone());
        self.told.push(told);
        Ok(())
    }

    /// Adds what spans sessions and says what came of it all.
    fn finish(mut self, opened: &mut Opened, json: bool) -> anyhow::Result<()> {
        assemble_anew(
            &mut opened.records,
            &opened.config,
            &self.sessions,
            opened.now,
        )?;
        self.told.sort_by(|a, b| a.session.cmp(&b.session));
        if json {
            out::json_lines(&self.told)?;
        } else {
            self.say(opened)?;
        }
        match self.wrong.as_slice() {
            [] => Ok(()),
            [one] => bail!("{one}"),
            [first, rest @ ..] => {
                for other in rest {
                    out::complain(other);
                }
                bail!("{first}")
            }
        }
    }

    fn say(&self, opened: &Opened) -> anyhow::Result<()> {
        let all = |of: fn(&Told) -> usize| self.told.iter().map(of).sum::<usize>() as u64;
        out::line(&format!(
            "{} read anew: {}, {}",
            out::count(self.told.len() as u64, "session"),
            out::count(all(|t| t.pulls), "pull"),
            out::count(all(|t| t.pours), "pour"),
        ))?;
        let changed: Vec<&str> = self
            .told
            .iter()
            .filter(|t| t.changed)
            .map(|t| t.session.as_str())
            .collect();
        if changed.is_empty() {
            return out::line("nothing was found in them that was not known");
        }
        let more = changed.len().saturating_sub(MOST_NAMED);
        out::line(&format!(
            "{} otherwise than before: {}{}",
            out::count(changed.len() as u64, "session"),
            changed[..changed.len() - more].join(", "),
            if more > 0 {
                format!(" and {more} more")
            } else {
                String::new()
            }
        ))?;
        let zone = &opened.config.shop.time_zone;
        let weeks = self
            .sessions
            .iter()
            .filter(|s| changed.contains(&s.name.as_str()))
            .map(|s| week_name(s.opened_at, zone));
        let Some(latest) = weeks.max() else {
            return Ok(());
        };
        out::line(&format!(
            "pourbook report --week {latest} takes them into the week's report, and pourbook \
             report --session NAME into a sheet"
        ))
    }
}
