//! Why a figure cannot be given, as one plain sentence each. Nothing in the statistics panics or
//! returns a number it cannot stand for: it returns one of these, and the caller prints it.

/// Why there is no answer.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum StatsError {
    /// No rows at all.
    #[error("there are no flasks to look at")]
    Empty,
    /// Lists that belong together differ in length.
    #[error("{what} has {given} rows where the table has {expected}")]
    Rows {
        /// Which list.
        what: String,
        /// Its length.
        given: usize,
        /// The length of the table.
        expected: usize,
    },
    /// A value is missing or infinite. Rows without a value have to be left out, and said to be.
    #[error("{what}, row {row}, is not a number; leave that flask out or fill the value in")]
    NotFinite {
        /// The column.
        what: String,
        /// The row, from 1.
        row: usize,
    },
    /// A count that cannot be.
    #[error(
        "row {row}: {events} of {trials} pieces is no count; events lie between 0 and the pieces, and there is at least one piece"
    )]
    Count {
        /// The row, from 1.
        row: usize,
        /// Pieces with the outcome.
        events: f64,
        /// Pieces.
        trials: f64,
    },
    /// Columns that say nothing the earlier ones have not said.
    #[error(
        "{} cannot be told apart from the other settings in these flasks; leave it out or vary it by itself",
        .terms.join(" and ")
    )]
    Aliased {
        /// Their names.
        terms: Vec<String>,
    },
    /// A setting splits the flasks so that its effect has no finite estimate.
    #[error(
        "{} separates the defective pieces from the good ones completely, so its effect has no finite estimate; use the penalised fit",
        .terms.join(" with ")
    )]
    Separated {
        /// The terms along which the flasks separate.
        terms: Vec<String>,
    },
    /// Every piece came out the same.
    #[error("{} of the pieces is defective, so nothing tells what makes the difference", if *.all { "every one" } else { "none" })]
    NoContrast {
        /// All defective, else none.
        all: bool,
    },
    /// Fewer rows than columns, or as many.
    #[error("{rows} flasks are too few for {columns} figures")]
    TooFewRows {
        /// Rows.
        rows: usize,
        /// Columns, the intercept included.
        columns: usize,
    },
    /// Too few sessions for what depends on how they differ.
    #[error("the flasks are from {sessions} session(s); at least {needed} are needed")]
    TooFewSessions {
        /// Sessions.
        sessions: usize,
        /// The least that does.
        needed: usize,
    },
    /// The search for the best fit did not settle.
    #[error("the {what} did not settle in {steps} steps, so it is not shown")]
    NotSettled {
        /// Which fit.
        what: &'static str,
        /// Steps taken.
        steps: usize,
    },
    /// Pieces that share something always come out the same.
    #[error(
        "the pieces of each {what} all came out alike, so how much one {what} differs from another has no finite estimate"
    )]
    AllAlike {
        /// What they share: flask or session.
        what: &'static str,
    },
    /// An argument outside its range.
    #[error("{0}")]
    Argument(String),
}
