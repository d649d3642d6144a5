//! What a machine's advice topic stands at: one piece of advice at a time, the most pressing
//! first, and silence after the pour. Verdicts on pulls, cover gas and the gasket each have a place
//! of their own here; only this decides which of them is heard.

/// A piece of advice.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Said {
    /// What it is about: `pull`, `gas`, `seal`.
    pub about: &'static str,
    /// `good`, `look`, `stop` or `over`.
    pub level: &'static str,
    /// The sentence.
    pub sentence: String,
}

impl Said {
    pub fn new(about: &'static str, level: &'static str, sentence: String) -> Said {
        Said {
            about,
            level,
            sentence,
        }
    }

    /// A smaller number goes first.
    fn rank(&self) -> u8 {
        match (self.about, self.level) {
            ("pull", "stop") => 0,
            ("gas", _) => 1,
            ("pull", "look") => 2,
            _ => 3,
        }
    }
}

/// A session's alarms.
#[derive(Clone, Debug, Default)]
pub(super) struct Alarms {
    pull: Option<Said>,
    gas: Option<Said>,
    /// What stands on the topic and is not over.
    shown: Option<Said>,
    seal: Seal,
}

#[derive(Clone, Debug, Default)]
enum Seal {
    #[default]
    NotDue,
    Due(String),
    Said,
}

impl Alarms {
    /// A verdict on the pull under way; what is to be said, if anything.
    pub fn pull(&mut self, said: Said) -> Option<Said> {
        self.pull = Some(said);
        self.change(None)
    }

    /// The pull under way is over.
    pub fn pull_over(&mut self, sentence: &str) -> Option<Said> {
        self.pull = None;
        self.change(Some(sentence))
    }

    /// The cover gas is low.
    pub fn gas(&mut self, said: Said) -> Option<Said> {
        self.gas = Some(said);
        self.change(None)
    }

    /// The cover gas is back, or no longer needed.
    pub fn gas_over(&mut self, sentence: &str) -> Option<Said> {
        self.gas = None;
        self.change(Some(sentence))
    }

    /// Metal left: nothing more can be done for this flask.
    pub fn poured(&mut self) -> Option<Said> {
        (self.pull, self.gas) = (None, None);
        self.change(Some("Poured."))
    }

    /// The gasket is due, or is not after all; it is said once a session, when all is quiet.
    pub fn seal(&mut self, sentence: Option<String>) {
        self.seal = match (std::mem::take(&mut self.seal), sentence) {
            (Seal::Said, _) => Seal::Said,
            (_, Some(sentence)) => Seal::Due(sentence),
            (_, None) => Seal::NotDue,
        };
    }

    /// Nothing is going on: what has waited for that.
    pub fn quiet(&mut self) -> Option<Said> {
        if self.shown.is_some() || self.pull.is_some() || self.gas.is_some() {
            return None;
        }
        match std::mem::take(&mut self.seal) {
            Seal::Due(sentence) => {
                self.seal = Seal::Said;
                Some(Said::new("seal", "look", sentence))
            }
            other => {
                self.seal = other;
                None
            }
        }
    }

    /// What the topic changes to, once something came or went.
    fn change(&mut self, gone: Option<&str>) -> Option<Said> {
        let first = [&self.pull, &self.gas]
            .into_iter()
            .flatten()
            .min_by_key(|said| said.rank())
            .cloned();
        if first == self.shown {
            return None;
        }
        match std::mem::replace(&mut self.shown, first.clone()) {
            Some(before) if first.is_none() => {
                let sentence = gone.unwrap_or_default().to_owned();
                Some(Said::new(before.about, "over", sentence))
            }
            _ => first,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn weak() -> Said {
        Said::new("pull", "stop", "Vacuum 620. Don't pour.".into())
    }

    fn good() -> Said {
        Said::new("pull", "good", "Vacuum 850.".into())
    }

    fn gas() -> Said {
        Said::new("gas", "stop", "Gas 0.4. Don't pour.".into())
    }

    fn over(about: &'static str, sentence: &str) -> Option<Said> {
        Some(Said::new(about, "over", sentence.into()))
    }

    #[test]
    fn a_weak_pull_is_not_talked_over_by_the_gas() {
        let mut alarms = Alarms::default();
        assert_eq!(alarms.pull(weak()), Some(weak()));
        assert_eq!(alarms.gas(gas()), None);
        assert_eq!(alarms.pull_over("The pull is over."), Some(gas()));
        assert_eq!(
            alarms.gas_over("Gas 3.2 L/min again."),
            over("gas", "Gas 3.2 L/min again.")
        );
    }

    #[test]
    fn lost_gas_goes_before_a_good_pull_which_is_told_once_the_gas_is_back() {
        let mut alarms = Alarms::default();
        assert_eq!(alarms.pull(good()), Some(good()));
        assert_eq!(alarms.gas(gas()), Some(gas()));
        assert_eq!(alarms.gas_over("Gas 3.2 L/min again."), Some(good()));
    }

    #[test]
    fn the_pour_silences_everything_at_once() {
        let mut alarms = Alarms::default();
        alarms.pull(weak());
        alarms.gas(gas());
        assert_eq!(alarms.poured(), over("pull", "Poured."));
        assert_eq!(alarms.pull_over("The pull is over."), None);
        assert_eq!(alarms.gas_over(""), None);
    }

    #[test]
    fn a_seal_that_is_due_waits_for_quiet_and_is_said_once() {
        let mut alarms = Alarms::default();
        alarms.seal(Some("Seal 795, when new 850.".into()));
        alarms.pull(good());
        assert_eq!(alarms.quiet(), None);
        alarms.poured();
        let said = Said::new("seal", "look", "Seal 795, when new 850.".into());
        assert_eq!(alarms.quiet(), Some(said));
        alarms.seal(Some("Seal 790, when new 850.".into()));
        assert_eq!(alarms.quiet(), None);
    }

    #[test]
    fn a_seal_that_turns_out_sound_is_not_told() {
        let mut alarms = Alarms::default();
        alarms.seal(Some("Seal 795, when new 850.".into()));
        alarms.seal(None);
        assert_eq!(alarms.quiet(), None);
    }
}
