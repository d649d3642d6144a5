//! What the evidence said when it was last asked for reports, in a file beside them: whole answers
//! for the same flasks and question, and what formal looks said for later ones. It saves most of a
//! report's time and changes none of its figures: whatever went into an answer is in its digest.
//! Who deletes the file loses nothing.

use std::fmt::{self, Write as _};

use analysis::evidence::{Evidence, Past, Question, evidence_after};
use analysis::flask::Flask;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::kept::PutError;
use crate::book::Book;
use crate::checksum::hex;
use crate::storage::{RealDisk, replace_file};

/// Where it lies below the book.
const FILE: &str = "reports/answers.json";
/// Whole answers kept: of the running week and the one before, each before and after a change.
const KEPT: usize = 4;

/// All that is kept.
#[derive(Debug, Default, Serialize, Deserialize)]
struct Answers {
    /// The build that gave them: another may judge otherwise.
    program: String,
    past: Past,
    /// Newest first.
    whole: Vec<Answer>,
}

/// One answer with the digest of what was asked about.
#[derive(Debug, Serialize, Deserialize)]
struct Answer {
    digest: String,
    evidence: Evidence,
}

/// Answers `ask` as [`analysis::evidence::evidence`] does, from what is kept where that was asked
/// before, and keeps the answer.
///
/// # Errors
/// When the disk refuses to keep it.
pub fn evidence_kept(
    book: &Book,
    disk: &RealDisk,
    flasks: &[Flask],
    ask: &Question,
) -> anyhow::Result<Evidence> {
    let digest = digest(flasks, ask);
    let mut kept = read(book);
    if let Some(answer) = kept.whole.iter().find(|a| a.digest == digest) {
        return Ok(answer.evidence.clone());
    }
    let evidence = evidence_after(flasks, ask, &mut kept.past);
    // Not kept if a figure would not come back to the last digit.
    if comes_back(&evidence) {
        let answer = Answer {
            digest,
            evidence: evidence.clone(),
        };
        kept.whole.insert(0, answer);
        kept.whole.truncate(KEPT);
    }
    let text = serde_json::to_string(&kept)?;
    replace_file::<PutError>(disk, FILE, |out| {
        use std::io::Write as _;
        Ok(out.write_all(text.as_bytes())?)
    })?;
    Ok(evidence)
}

/// What this build of the program has kept; nothing if there is none, or it cannot be read.
fn read(book: &Book) -> Answers {
    let program = program();
    std::fs::read(book.below(FILE))
        .ok()
        .and_then(|bytes| serde_json::from_slice::<Answers>(&bytes).ok())
        .filter(|kept| kept.program == program)
        .unwrap_or(Answers {
            program,
            ..Answers::default()
        })
}

fn comes_back(evidence: &Evidence) -> bool {
    serde_json::to_string(evidence)
        .and_then(|text| serde_json::from_str::<Evidence>(&text))
        .is_ok_and(|again| again == *evidence)
}

/// Of everything that an answer is made from, as it is printed for debugging: every field, floats
/// to the last digit.
fn digest(flasks: &[Flask], ask: &Question) -> String {
    struct Sum(Sha256);
    impl fmt::Write for Sum {
        fn write_str(&mut self, text: &str) -> fmt::Result {
            self.0.update(text);
            Ok(())
        }
    }
    let mut sum = Sum(Sha256::new());
    // A sum takes whatever it is given.
    let _ = writeln!(sum, "{ask:?}");
    for flask in flasks {
        let _ = writeln!(sum, "{flask:?}");
    }
    hex(&sum.0.finalize())
}

/// Which build this is: its version, and its file's size and date, which differ between two
/// builds of one version.
fn program() -> String {
    let file = std::env::current_exe().and_then(|path| path.metadata());
    let built = file.ok().and_then(|file| {
        let since = file.modified().ok()?;
        let since = since.duration_since(std::time::UNIX_EPOCH).ok()?;
        Some(format!("{} bytes of {}", file.len(), since.as_nanos()))
    });
    format!(
        "{} {}",
        env!("CARGO_PKG_VERSION"),
        built.unwrap_or_default()
    )
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use analysis::evidence::evidence;
    use analysis::time::Micros;

    use super::*;

    /// Sessions of two flasks over a few temperatures.
    fn flasks(sessions: u32) -> Vec<Flask> {
        (0..2 * sessions)
            .map(|n| Flask {
                id: format!("flask-{n}"),
                session: format!("session-{}", n / 2),
                cast_at: Micros(1_770_000_000_000_000 + i64::from(n) * 3_600_000_000),
                alloy: Some("sterling-925".to_owned()),
                section: Some("medium".to_owned()),
                pieces: Some(20),
                defective: Some(n % 5),
                defective_steering: Some(n % 5),
                pour_temperature_c: Some(950.0 + f64::from(n * 7 % 40) / 3.0),
                ..Flask::default()
            })
            .collect()
    }

    #[test]
    fn an_answer_that_is_kept_is_the_answer_and_is_used_for_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        let book = Book::at(folder.path());
        let disk = RealDisk::new(book.root());
        let ask = Question::default();
        let told = |flasks: &[Flask]| evidence_kept(&book, &disk, flasks, &ask).unwrap();
        let mut poured = flasks(25);
        let fresh = evidence(&poured, &ask);
        assert_eq!(told(&poured), fresh);
        assert_eq!(told(&poured), fresh);
        // That the second was kept: a figure that was changed in the file comes back.
        let file = book.below(FILE);
        let text = std::fs::read_to_string(&file).unwrap();
        let forged = text.replacen("\"flasks\":50", "\"flasks\":51", 1);
        assert_ne!(forged, text);
        std::fs::write(&file, forged).unwrap();
        assert_eq!(told(&poured).flasks, 51);
        // Another count of one flask, and it is worked out.
        poured[3].defective_steering = Some(0);
        assert_eq!(told(&poured), evidence(&poured, &ask));
    }

    #[test]
    fn what_another_build_said_or_a_damaged_file_counts_for_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let book = Book::at(folder.path());
        let disk = RealDisk::new(book.root());
        let ask = Question::default();
        let poured = flasks(6);
        let fresh = evidence(&poured, &ask);
        evidence_kept(&book, &disk, &poured, &ask).unwrap();
        let file = book.below(FILE);
        let text = std::fs::read_to_string(&file).unwrap();
        for bad in [
            text.replacen("\"flasks\":12", "\"flasks\":13", 1).replacen(
                " bytes of ",
                " bytes from ",
                1,
            ),
            text[..text.len() / 2].to_owned(),
            String::new(),
        ] {
            std::fs::write(&file, bad).unwrap();
            assert_eq!(evidence_kept(&book, &disk, &poured, &ask).unwrap(), fresh);
        }
    }
}
