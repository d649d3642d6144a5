//! Reports as the bench has them written: a session's sheet and its week's report when it
//! closes, and a few of those that are due whenever the desk asks. All in children, one after
//! the other with the publications, which never wait behind more than a few reports.

use analysis::time::Micros;
use tracing::{error, info};

use crate::book::week_name;
use crate::reporting::turn::Turn;
use crate::session::bench::Bench;
use crate::session::jobs::Job;

/// How far the reports that are due have come.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Due {
    /// Nothing is asked for.
    #[default]
    Nothing,
    /// A turn is queued or being done.
    UnderWay,
    /// So it is, and the desk asked again since.
    AskedAgain,
}

impl Bench {
    /// Has a session's sheet and its week's report written.
    pub(super) fn add_reports(&mut self, session: &str, opened: Micros) {
        let now = self.now();
        self.jobs.add(Job::SessionSheet(session.to_owned(), now));
        let week = week_name(opened, &self.setup.config.shop.time_zone);
        self.jobs.add(Job::Week(week, now));
    }

    /// Has what is due written, if the desk asks.
    pub(super) fn write_what_is_due(&mut self) {
        if !self.desk.as_ref().is_some_and(|desk| desk.asks()) {
            return;
        }
        match self.due {
            Due::Nothing => self.add_due(),
            Due::UnderWay | Due::AskedAgain => self.due = Due::AskedAgain,
        }
    }

    fn add_due(&mut self) {
        self.due = Due::UnderWay;
        self.jobs.add(Job::Due(self.now()));
    }

    pub(super) fn report_done(&mut self, job: &Job, told: Result<(), String>) {
        if let Err(why) = told {
            error!("{job:?}: {why}");
            self.report_failed(&why);
        }
    }

    /// Takes what a turn came to, and has the next one done while there is more.
    pub(super) fn due_done(&mut self, told: Result<Turn, String>) {
        let asked_again = self.due == Due::AskedAgain;
        self.due = Due::Nothing;
        let left = match told {
            Ok(turn) => {
                for week in &turn.written {
                    info!("the report of {week} is written");
                }
                for (week, why) in &turn.failed {
                    error!("the report of {week}: {why}");
                    self.report_failed(why);
                }
                // A turn that wrote nothing would be followed by the same one.
                turn.left > 0 && !turn.written.is_empty()
            }
            Err(why) => {
                error!("reports that are due: {why}");
                self.report_failed(&why);
                false
            }
        };
        // Without a desk the bench is stopping, and the next start asks again.
        if self.desk.is_some() && (left || asked_again) {
            self.add_due();
        }
    }

    fn report_failed(&mut self, why: &str) {
        let reason = format!("a report could not be written: {why}");
        self.trouble("reports", "", &reason);
    }
}
