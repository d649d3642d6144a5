//! An alloy as people write it: known ones get the table's name, others stay as they are written,
//! with a warning that says which known ones come nearest.

use analysis::alloy::Alloys;

/// How many known names a warning offers.
const OFFERED: usize = 3;

/// The alloy's name as the records keep it, and the warning when it is not a known one.
pub fn read_alloy(text: &str, alloys: &Alloys) -> (String, Option<String>) {
    let text = text.trim();
    if let Some(alloy) = alloys.get(text) {
        return (alloy.name.clone(), None);
    }
    let wanted = text.to_lowercase();
    let mut names: Vec<(f64, &str)> = alloys
        .iter()
        .map(|a| {
            (
                strsim::jaro_winkler(&a.name.to_lowercase(), &wanted),
                a.name.as_str(),
            )
        })
        .collect();
    names.sort_by(|a, b| b.0.total_cmp(&a.0));
    let nearest: Vec<&str> = names.into_iter().take(OFFERED).map(|(_, n)| n).collect();
    let warning = format!(
        "\"{text}\" is no known alloy and is kept as it is written; the nearest are {}",
        nearest.join(", ")
    );
    (text.to_owned(), Some(warning))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_known_alloy_gets_its_name_and_another_stays_with_three_offered() {
        let alloys = Alloys::standard();
        let known = |text: &str| read_alloy(text, &alloys);
        for text in ["Sterling", "sterling925", "925", " sterling-925 "] {
            assert_eq!(known(text), ("sterling-925".to_owned(), None), "{text}");
        }
        let (kept, warning) = known("Stirling 925");
        let warning = warning.unwrap();
        assert_eq!(kept, "Stirling 925");
        let offered = warning.split_once("the nearest are ").unwrap().1;
        assert!(offered.starts_with("sterling-925, "), "{warning}");
        assert_eq!(offered.split(", ").count(), 3, "{warning}");
    }
}
