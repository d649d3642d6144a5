//! The session sheet's close-ups: each pour, and what was taken for one, with who says so, how
//! sure that is, and the very command that puts it right.

use analysis::pour::PullRow;

use super::SessionSheet;
use crate::chart::close_up;
use crate::moment::{Moment, Standing, found_by, moments};
use crate::page::PageError;
use crate::page::sheet::{Block, Command, Drawn, Section};
use crate::table::{Cell, Table};
use crate::{verdicts, wording};

impl SessionSheet {
    pub(super) fn close_ups(&self) -> Result<Section, PageError> {
        let moments = moments(&self.pours, &self.by_hand);
        let mut blocks = Vec::new();
        if !moments.is_empty() {
            blocks.push(Block::Table {
                table: self.at_a_glance(&moments),
            });
        }
        let mut figures: Vec<Drawn> = Vec::new();
        if let Some(scales) = close_up::scales(&self.trace, &moments) {
            let mut struck = 0;
            for moment in &moments {
                let id = if moment.is_struck() {
                    struck += 1;
                    format!("no-pour-{struck}")
                } else {
                    format!("pour-{}", moment.pour.number)
                };
                let figure = close_up::draw(
                    &id,
                    &self.title_of(moment),
                    &self.trace,
                    moment,
                    &self.pulls,
                    &scales,
                    &self.shop.shown,
                )?;
                let doubtful = moment.standing == Standing::Doubtful;
                figures.push(Drawn::from(figure).with_word(
                    moment.says(&self.shop.shown, &self.shop.zone),
                    self.commands(moment),
                    !doubtful,
                ));
            }
        }
        if figures.is_empty() {
            blocks.push(Block::text("No pour with readings around it."));
        } else {
            blocks.push(Block::text(
                "Two minutes before and one after, all on the same scales. The copper line is \
                 the pour, shading the pull; a dotted line is where the detector had it.",
            ));
            blocks.push(Block::Figures { figures });
        }
        if self.trace.extent().is_some() {
            blocks.push(Block::Commands {
                intro: "A pour is missing here? Write when metal left, by the shop's clock:"
                    .to_owned(),
                commands: vec![Command {
                    what: String::new(),
                    line: format!("{} --at HH:MM:SS", self.correct_with),
                }],
            });
        }
        Ok(Section {
            id: "pours",
            title: "Each pour".to_owned(),
            blocks,
        })
    }

    fn title_of(&self, moment: &Moment<'_>) -> String {
        let mut title = format!(
            "{}, {}",
            moment.name(),
            wording::clock_seconds(moment.pour.at, &self.shop.zone)
        );
        if !moment.is_struck()
            && let Some(label) = self.flask_of(moment.pour)
        {
            title += &format!(", flask {}", wording::isolated(&label));
        }
        title
    }

    /// The pull that a pour went into, the few seconds being those a turn may be late.
    fn pull_of(&self, moment: &Moment<'_>) -> Option<&PullRow> {
        let at = moment.pour.at;
        self.pulls.iter().find(|pull| {
            at >= pull.opened_at && pull.closed_at.is_none_or(|c| at <= c.plus_seconds(3.0))
        })
    }

    fn at_a_glance(&self, moments: &[Moment<'_>]) -> Table {
        let (shown, zone) = (&self.shop.shown, &self.shop.zone);
        let degrees = shown.temperature(0.0).unit;
        let mut table = Table::new(
            "The pours and who says so",
            &[
                "pour",
                "at",
                &format!("#poured at [{degrees}]"),
                "flask",
                "pull",
                "says",
                "look",
            ],
        );
        for moment in moments {
            let pour = moment.pour;
            let says = match moment.standing {
                Standing::ByHand(_) => "by hand".to_owned(),
                Standing::Struck(_) => "by hand: no pour".to_owned(),
                Standing::Sure | Standing::Doubtful => found_by(pour),
            };
            let look = match moment.standing {
                Standing::Doubtful => "the trace cannot tell; look and correct",
                _ => "",
            };
            let melt = pour
                .pour_temperature_c
                .filter(|c| c.is_finite() && !moment.is_struck());
            table.push(vec![
                Cell::plain(moment.name().to_lowercase()),
                Cell::plain(wording::clock_seconds(pour.at, zone)),
                Cell::plain(
                    melt.map(|c| shown.temperature(c).number())
                        .unwrap_or_default(),
                ),
                Cell::typed(
                    &self
                        .flask_of(pour)
                        .filter(|_| !moment.is_struck())
                        .unwrap_or_default(),
                ),
                Cell::plain(self.pull_of(moment).map_or("none", verdicts::word)),
                Cell::plain(says),
                Cell::plain(look).strong_if(true),
            ]);
        }
        table.without_empty_columns()
    }

    fn commands(&self, moment: &Moment<'_>) -> Vec<Command> {
        let at = |time| {
            format!(
                "{} --at {}",
                self.correct_with,
                wording::clock_seconds(time, &self.shop.zone)
            )
        };
        let here = at(moment.pour.at);
        let command = |what: &str, line: String| Command {
            what: what.to_owned(),
            line,
        };
        let elsewhere = || {
            command(
                "Metal left at another moment (write its time)",
                format!("{} --at HH:MM:SS", self.correct_with),
            )
        };
        let none = || command("No metal left here", format!("{here} --none"));
        match moment.standing {
            Standing::Sure => vec![none(), elsewhere()],
            Standing::Doubtful => vec![command("It is right", here.clone()), none(), elsewhere()],
            Standing::ByHand(_) => vec![
                command("Take back what was said by hand", format!("{here} --undo")),
                none(),
                elsewhere(),
            ],
            Standing::Struck(_) => vec![command(
                "Take back what was said by hand",
                format!("{here} --undo"),
            )],
        }
    }
}
