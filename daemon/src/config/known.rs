//! The nearest known word to one that is not known, for errors that say how to mend.

/// The nearest of `known`, if it is near enough to be what was meant.
pub(super) fn nearest<'a>(word: &str, known: &[&'a str]) -> Option<&'a str> {
    let lower = word.to_lowercase();
    known
        .iter()
        .map(|k| (strsim::damerau_levenshtein(&lower, &k.to_lowercase()), *k))
        // A third of the letters may be wrong, and at least one; beyond that it is a guess.
        .filter(|(distance, k)| *distance <= (k.chars().count() / 3).max(1))
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, k)| k)
}

/// The part of an error that says how to mend a wrong word.
pub(super) fn advice(word: &str, known: &[&str], kind: &str) -> String {
    match nearest(word, known) {
        Some(k) => format!("did you mean \"{k}\"?"),
        None if known.is_empty() => format!("there are no {kind} here"),
        None => format!("the {kind} here are {}", known.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_the_finger_is_recognised_and_a_strange_word_is_not() {
        let known = ["topic", "unit", "stale_after_s"];
        assert_eq!(nearest("tpoic", &known), Some("topic"));
        assert_eq!(nearest("Unit", &known), Some("unit"));
        assert_eq!(nearest("stale_after", &known), Some("stale_after_s"));
        assert_eq!(nearest("colour", &known), None);
    }
}
