//! How well pulls of vacuum are judged: benches with a known truth ([`sample_data::drawn::pulls`])
//! go through a live detector that is told the usual pull which the sessions before gave, as a
//! daemon tells it, and through an extraction, and every verdict is held against the truth.

use std::collections::BTreeMap;
use std::fmt::{self, Display};

use analysis::pour::assemble::{Context, assemble};
use analysis::pour::usual::usuals;
use analysis::pour::{Detector, Event, Meta, PullRow, Row, Setup, UsualPull, Verdict, extract};
use analysis::time::Micros;
use analysis::upkeep::{Part, PartChange};
use sample_data::chamber::Seating;
use sample_data::drawn::{DrawnPull, DrawnSession, PullBench, Trouble, Worth};
use serde_json::{Value, json};

/// The daemon looks at the time this often, s.
const TICK_S: f64 = 0.2;
/// The promise, s after the valve opened.
const BY_S: f64 = 5.0;
/// What a reading takes on its way, s.
const ON_ITS_WAY_S: f64 = 0.1;
/// A told pull this close to a true one is that one, s; a slow sensor puts it further off.
const SAME_PULL_S: f64 = 3.0;
const MACHINE: &str = "bench-1";

/// What kind of pull it truly was.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// At least 95 % of what is usual on a fresh gasket.
    Good,
    /// A leak or a worn seal that takes this many per cent, from and to.
    Short(u32, u32),
    /// Not seated.
    Unseated,
    /// Nothing pulls.
    Missing,
}

/// The bands of shortfall, %.
const BANDS: [(u32, u32); 7] = [
    (5, 8),
    (8, 12),
    (12, 16),
    (16, 20),
    (20, 25),
    (25, 30),
    (30, 45),
];

impl Kind {
    fn of(pull: &DrawnPull) -> Kind {
        let short = 100.0 * (1.0 - pull.end_kpa / pull.usual_kpa);
        match pull.seating {
            Seating::Open => Kind::Missing,
            Seating::Unseated => Kind::Unseated,
            _ if pull.worth == Worth::Good => Kind::Good,
            _ => BANDS
                .into_iter()
                .find(|band| short < f64::from(band.1))
                .map_or(Kind::Short(30, 45), |band| Kind::Short(band.0, band.1)),
        }
    }

    fn words(self) -> String {
        match self {
            Kind::Good => "good, under 5 % short".to_owned(),
            Kind::Short(from, to) => format!("{from}–{to} % short"),
            Kind::Unseated => "not seated".to_owned(),
            Kind::Missing => "nothing moves".to_owned(),
        }
    }

    /// Whether it is truly weak: the flask should go back to the kiln.
    fn is_weak(self) -> bool {
        matches!(self, Kind::Unseated) || matches!(self, Kind::Short(from, _) if from >= 12)
    }
}

/// Pulls of one kind and what was said of them.
#[derive(Clone, Copy, Debug, Default)]
pub struct Said {
    /// How many there were.
    pub pulls: usize,
    /// Verdict in force 5 s after the valve opened: good, weak, missing, unknown, none.
    pub at_5_s: [usize; 5],
    /// … when metal left or the pull was called off.
    pub at_the_end: [usize; 5],
    /// … in the row.
    pub in_the_row: [usize; 5],
    /// Weak or missing was said at any time before the pour.
    pub ever_stopped: usize,
}

impl Said {
    fn add(&mut self, other: &Said) {
        self.pulls += other.pulls;
        self.ever_stopped += other.ever_stopped;
        for (mine, theirs) in [
            (&mut self.at_5_s, &other.at_5_s),
            (&mut self.at_the_end, &other.at_the_end),
            (&mut self.in_the_row, &other.in_the_row),
        ] {
            for (mine, theirs) in mine.iter_mut().zip(theirs) {
                *mine += theirs;
            }
        }
    }
}

/// Everything said of one rate, with or without a valve's switch.
#[derive(Clone, Debug, Default)]
pub struct PullTally {
    /// By kind.
    pub said: BTreeMap<Kind, Said>,
    /// Truly weak pulls together, however they came about.
    pub weak: Said,
    /// True pulls that no row tells of.
    pub not_found: usize,
}

/// A pull whose verdict was wrong, for whoever looks into it.
#[derive(Clone, Debug)]
pub struct Miss(pub String);

impl PullTally {
    /// Adds another tally.
    pub fn add(&mut self, other: &PullTally) {
        self.weak.add(&other.weak);
        self.not_found += other.not_found;
        for (kind, theirs) in &other.said {
            self.said.entry(*kind).or_default().add(theirs);
        }
    }

    /// Plays a bench through; `misses` takes a line for each wrong verdict.
    pub fn play(&mut self, bench: &PullBench, misses: &mut Vec<Miss>) {
        let context = Context {
            part_changes: vec![PartChange::new(
                MACHINE,
                Part::Gasket,
                bench.gasket_changed_at,
            )],
            ..Context::default()
        };
        let mut rows: Vec<Row> = Vec::new();
        for (number, session) in bench.sessions.iter().enumerate() {
            let begins = session.arrivals.first().map_or(Micros(0), |a| a.at);
            let usual = usuals(&rows, &context, MACHINE, begins).of(None);
            let name = format!("pulls-{}", session.seed);
            rows.extend(extract(
                &session.trace(),
                &Meta {
                    session: name.clone(),
                    machine: MACHINE.to_owned(),
                    setup: session.setup,
                },
            ));
            rows = assemble(rows, &context);
            if number < bench.learnt_from || usual.is_none() {
                continue;
            }
            let told = live(session, usual);
            for pull in &session.truth.pulls {
                let row = rows.iter().find_map(|row| match row {
                    Row::Pull(p) if p.session == name && same(p.opened_at, pull, session) => {
                        Some(p)
                    }
                    _ => None,
                });
                self.judge(session, pull, &told, row, usual, misses);
            }
        }
    }

    fn judge(
        &mut self,
        session: &DrawnSession,
        pull: &DrawnPull,
        told: &[Told],
        row: Option<&PullRow>,
        usual: Option<UsualPull>,
        misses: &mut Vec<Miss>,
    ) {
        let kind = Kind::of(pull);
        // What moves nothing can only be told where a switch says that it was meant.
        if kind == Kind::Missing && session.truth.troubles.contains(&Trouble::NoValveSwitch) {
            return;
        }
        let settled = row.and_then(|p| Some((p.settled_kpa?, p.settled_se_kpa?, p.rest_kpa?)));
        let row = row.map(|p| p.verdict);
        let end = pull.poured_at.unwrap_or(pull.closed_at);
        let of_this: Vec<&Told> = told
            .iter()
            .filter(|t| same(t.opened_at, pull, session) && t.at <= end)
            .collect();
        let within = |t: &&&Told| {
            let after = t.at.seconds_since(pull.opened_at);
            after <= BY_S + ON_ITS_WAY_S
        };
        let at_5_s = of_this.iter().rfind(within).map(|t| t.verdict);
        let at_the_end = of_this.last().map(|t| t.verdict);
        let stops = |v: Verdict| matches!(v, Verdict::Weak | Verdict::Missing);
        let ever = of_this.iter().any(|t| stops(t.verdict));
        let wrong = match kind {
            Kind::Good => ever || !matches!(row, Some(Verdict::Good)),
            _ if kind.is_weak() => !at_5_s.is_some_and(stops),
            _ => false,
        };
        if wrong {
            let told: Vec<String> = of_this
                .iter()
                .map(|t| {
                    let after = t.at.seconds_since(pull.opened_at);
                    format!("{after:.1} s {} to {:.1}", word(t.verdict), t.heading_kpa)
                })
                .collect();
            misses.push(Miss(format!(
                "{} {}: ends at {:.1} of {:.1} kPa, tau {:.2} s, poured after {:.1} s; {}; row \
                 {row:?}, settled, error and rest {settled:.2?}; usual {usual:.3?}",
                session.seed,
                kind.words(),
                pull.end_kpa,
                pull.usual_kpa,
                pull.tau_s,
                end.seconds_since(pull.opened_at),
                told.join(", "),
            )));
        }
        self.not_found += usize::from(row.is_none());
        let said = self.said.entry(kind).or_default();
        for said in std::iter::once(said).chain(kind.is_weak().then_some(&mut self.weak)) {
            said.pulls += 1;
            said.at_5_s[place(at_5_s)] += 1;
            said.at_the_end[place(at_the_end)] += 1;
            said.in_the_row[place(row)] += 1;
            said.ever_stopped += usize::from(ever);
        }
    }

    /// The same as JSON: counts by kind, each as good, weak, missing, unknown, none.
    pub fn json(&self) -> Value {
        let of = |said: &Said| {
            json!({
                "pulls": said.pulls,
                "at_5_s": said.at_5_s,
                "at_the_end": said.at_the_end,
                "in_the_row": said.in_the_row,
                "ever_stopped": said.ever_stopped,
            })
        };
        let mut all: serde_json::Map<String, Value> = self
            .said
            .iter()
            .map(|(kind, said)| (kind.words(), of(said)))
            .collect();
        all.insert("truly weak".to_owned(), of(&self.weak));
        Value::Object(all)
    }
}

/// A verdict as it was told.
struct Told {
    at: Micros,
    opened_at: Micros,
    verdict: Verdict,
    heading_kpa: f64,
}

/// The provisional feed, with time passing as in the daemon.
fn live(session: &DrawnSession, usual: Option<UsualPull>) -> Vec<Told> {
    let mut detector = Detector::new(Setup {
        usual,
        ..session.setup
    });
    let mut told = Vec::new();
    let mut tick = Micros(i64::MIN);
    for arrival in &session.arrivals {
        let waits = detector.now().pull.is_some();
        tick = tick.max(arrival.at.plus_seconds(-10.0));
        while tick.plus_seconds(TICK_S) < arrival.at {
            tick = tick.plus_seconds(TICK_S);
            if waits {
                note(&mut told, tick, detector.advance(tick));
            }
        }
        note(&mut told, arrival.at, detector.push(&arrival.sample));
    }
    told
}

fn note(told: &mut Vec<Told>, at: Micros, events: Vec<Event>) {
    for event in events {
        if let Event::PullJudged {
            opened_at,
            verdict,
            settles_at_kpa,
            ..
        } = event
        {
            told.push(Told {
                at,
                opened_at,
                verdict,
                heading_kpa: settles_at_kpa.unwrap_or(f64::NAN),
            });
        }
    }
}

fn same(opened_at: Micros, pull: &DrawnPull, session: &DrawnSession) -> bool {
    let reach = SAME_PULL_S.max(2.5 / session.vacuum_hz);
    opened_at.seconds_since(pull.opened_at).abs() <= reach
}

fn word(verdict: Verdict) -> &'static str {
    ["good", "weak", "missing", "unknown"][place(Some(verdict))]
}

fn place(verdict: Option<Verdict>) -> usize {
    match verdict {
        Some(Verdict::Good) => 0,
        Some(Verdict::Weak) => 1,
        Some(Verdict::Missing) => 2,
        Some(Verdict::Unknown) => 3,
        None => 4,
    }
}

impl Display for PullTally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "| truth | pulls | stopped within 5 s | unknown within 5 s | none yet | stopped at the \
             pour | unknown at the pour | ever stopped | stopped in the row | unknown in the row |"
        )?;
        writeln!(f, "|---|---|---|---|---|---|---|---|---|---|")?;
        for (kind, said) in &self.said {
            line(f, &kind.words(), said, *kind == Kind::Missing)?;
        }
        line(
            f,
            "truly weak: not seated, or 12 % short or more",
            &self.weak,
            false,
        )
    }
}

/// A line; of pulls that are missing, "stopped" asks for that very word.
fn line(f: &mut fmt::Formatter<'_>, words: &str, said: &Said, missing: bool) -> fmt::Result {
    let stopped = |v: &[usize; 5]| if missing { v[2] } else { v[1] + v[2] };
    let percent = |n: usize| {
        let share = 100.0 * n as f64 / said.pulls.max(1) as f64;
        match n {
            0 => "0".to_owned(),
            _ if n == said.pulls => "100 %".to_owned(),
            _ => format!("{share:.1} %"),
        }
    };
    writeln!(
        f,
        "| {words} | {} | {} | {} | {} | {} | {} | {} | {} | {} |",
        said.pulls,
        percent(stopped(&said.at_5_s)),
        percent(said.at_5_s[3]),
        percent(said.at_5_s[4]),
        percent(stopped(&said.at_the_end)),
        percent(said.at_the_end[3]),
        percent(said.ever_stopped),
        percent(stopped(&said.in_the_row)),
        percent(said.in_the_row[3]),
    )
}
