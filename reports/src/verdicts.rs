//! What is said of a pull, in words and in the order of how much it matters.

use analysis::pour::{PullRow, Verdict};

/// The verdict as a word.
pub fn word(pull: &PullRow) -> &'static str {
    match pull.verdict {
        Verdict::Good => "good",
        Verdict::Weak => "weak",
        Verdict::Missing => "missing",
        Verdict::Unknown => "cannot tell",
    }
}

/// Whether the pull asks for attention.
pub fn is_bad(pull: &PullRow) -> bool {
    matches!(pull.verdict, Verdict::Weak | Verdict::Missing)
}
