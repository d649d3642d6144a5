//! What a drawn shop is like before chance: its size, what it casts, how it scatters. Every
//! figure says where it comes from; `invented` means that nobody has published one.

use super::Nature;
use super::truth::{CENTRE_C, Heat};
use crate::dice::Dice;

/// One alloy and section that a shop casts.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// The alloy's name.
    pub alloy: &'static str,
    /// The section.
    pub section: &'static str,
    /// Its share of the flasks, in any unit.
    pub share: f64,
    /// Pieces in a flask: fewest, usual, most.
    pub pieces: (u32, f64, u32),
    /// Where the pour temperature is aimed at in the long run, °C.
    pub usual_c: f64,
    /// Where the flask temperature is aimed at, °C.
    pub flask_c: f64,
    /// What heat does.
    pub heat: Heat,
}

impl Line {
    /// Medium sterling aimed at `usual_c`: 8 to 60 pieces a flask, usually 20 (common practice;
    /// 20 is also what published sample-size examples take). Flasks of 555 °C are within the
    /// published 510 to 566 °C of medium work.
    pub fn medium(usual_c: f64, heat: Heat) -> Line {
        Line {
            alloy: "sterling-925",
            section: "medium",
            share: 1.0,
            pieces: (8, 20.0, 60),
            usual_c,
            flask_c: 555.0,
            heat,
        }
    }

    /// Thin work: more and lighter pieces, in hotter flasks (published 566 to 621 °C).
    pub fn thin(usual_c: f64, heat: Heat) -> Line {
        Line {
            section: "thin",
            pieces: (10, 26.0, 60),
            flask_c: 605.0,
            ..Line::medium(usual_c, heat)
        }
    }

    /// Heavy work: few pieces, in cooler flasks (published 399 to 482 °C).
    pub fn heavy(usual_c: f64, heat: Heat) -> Line {
        Line {
            section: "heavy",
            pieces: (8, 12.0, 24),
            flask_c: 470.0,
            ..Line::medium(usual_c, heat)
        }
    }

    /// This line with another share of the flasks.
    pub fn share(self, share: f64) -> Line {
        Line { share, ..self }
    }
}

/// When a shop stops.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Size {
    /// After the session in which this many flasks are poured; the rest of it is not poured.
    Flasks(usize),
    /// After this many weeks.
    Weeks(u32),
}

/// A kind of shop, of which seeds draw one after another.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// How long it goes on.
    pub size: Size,
    /// What it casts.
    pub lines: Vec<Line>,
    /// SD of the session effect on the logit, between these. Sessions share investment,
    /// burnout, weather and people. Published advice for such simulations is 0.6 to 1.0 for
    /// session and flask together; with the flasks' own share below this makes 0.6 to 0.9.
    pub session_sd: (f64, f64),
    /// How much of one session's effect is left in the next: 0 for sessions that have nothing
    /// in common, as the models assume.
    pub session_memory: f64,
    /// Correlation of pieces of one flask beside the session, between these: published planning
    /// figures are 0.05 to 0.2 for all that a flask shares, the session included.
    pub flask_correlation: (f64, f64),
    /// SD of the target's wandering between sessions, K, between these (invented; habits move
    /// by a step or two of 5 K).
    pub target_sd_k: (f64, f64),
    /// How much of the target's distance from usual is left in the next session (invented: a
    /// habit lasts for some ten sessions).
    pub target_memory: f64,
    /// SD of pours around the session's target, K, between these: furnaces near the pour move
    /// by 3 to 12 K a minute and the stopper is lifted by hand (common practice).
    pub within_sd_k: (f64, f64),
    /// Share of flasks with a failed pull or lost gas, set aside (common practice: some few in
    /// a hundred). Their pieces fail more often.
    pub set_aside: f64,
    /// Share of flasks that nobody looked at.
    pub uninspected: f64,
}

impl Plan {
    /// A shop with these lines.
    pub fn of(size: Size, lines: Vec<Line>) -> Plan {
        Plan {
            size,
            lines,
            session_sd: (0.4, 0.6),
            session_memory: 0.0,
            flask_correlation: (0.02, 0.06),
            target_sd_k: (6.0, 8.0),
            target_memory: 0.9,
            within_sd_k: (4.0, 6.0),
            set_aside: 0.04,
            uninspected: 0.05,
        }
    }

    /// Medium sterling alone, aimed this far above or below the truth's centre, K.
    pub fn medium(size: Size, off_centre_k: f64, heat: Heat) -> Plan {
        Plan::of(size, vec![Line::medium(CENTRE_C + off_centre_k, heat)])
    }

    /// Thin, medium and heavy sterling in the shares of a usual bench (invented): half medium,
    /// three in ten thin, one in five heavy.
    pub fn three_sections(size: Size, heat: Heat) -> Plan {
        Plan::of(
            size,
            vec![
                Line::medium(CENTRE_C - 4.0, heat).share(0.5),
                Line::thin(CENTRE_C + 16.0, heat).share(0.3),
                Line::heavy(CENTRE_C - 16.0, heat).share(0.2),
            ],
        )
    }

    /// How the shop of this seed scatters.
    pub fn nature(&self, seed: u64) -> Nature {
        let mut dice = Dice::new(seed, 40);
        let mut within = |(low, high)| dice.between(low, high);
        Nature {
            session_sd: within(self.session_sd),
            flask_correlation: within(self.flask_correlation),
            target_sd_k: within(self.target_sd_k),
            within_sd_k: within(self.within_sd_k),
        }
    }
}
