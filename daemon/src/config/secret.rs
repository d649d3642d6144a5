//! Passwords. They come from a file of their own or from the environment, never from
//! `pourbook.toml`, which people copy into mails; and no debug output ever shows one.

use std::fmt;
use std::path::Path;

use sha2::{Digest, Sha256};

use super::error::in_words;
use super::read::Table;

/// A password file longer than this is some other file.
const LONGEST: u64 = 4096;

/// A password in memory. [`fmt::Debug`] hides it and there is no `Display`.
#[derive(Clone)]
pub struct Secret(String);

impl Secret {
    /// Wraps a password.
    pub fn new(text: impl Into<String>) -> Self {
        Secret(text.into())
    }

    /// The password itself, for the one place that sends it.
    pub fn reveal(&self) -> &str {
        &self.0
    }

    /// Whether this is what was given, in a time that does not tell how much of it was right.
    pub fn matches(&self, given: &[u8]) -> bool {
        let own = Sha256::digest(self.0.as_bytes());
        let given = Sha256::digest(given);
        own.iter().zip(given).fold(0, |acc, (a, b)| acc | (a ^ b)) == 0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(hidden)")
    }
}

/// What a configuration is read against besides its own text.
pub struct Surroundings<'a> {
    /// Relative file names start here.
    pub folder: &'a Path,
    /// Reads an environment variable.
    pub environment: &'a dyn Fn(&str) -> Option<String>,
}

impl<'a> Surroundings<'a> {
    /// The environment of this process.
    pub fn of_this_process(folder: &'a Path) -> Self {
        Surroundings {
            folder,
            environment: &|name| std::env::var(name).ok(),
        }
    }
}

/// The password that `password_file` names, or else that of the environment variable, where
/// one is allowed; `None` when neither is given or when it cannot be used, which is reported.
pub(super) fn read(
    table: &Table<'_>,
    variable: Option<&str>,
    around: &Surroundings<'_>,
) -> Option<Secret> {
    let Some(file) = table.text("password_file", "mqtt-password.txt") else {
        if table.has("password_file") {
            return None; // not text, which was reported
        }
        let variable = variable?;
        let text = (around.environment)(variable)?;
        return match checked(&text) {
            Ok(secret) => Some(secret),
            Err(why) => {
                table.wrong(format!("the password in {variable} {why}"));
                None
            }
        };
    };
    let path = around.folder.join(&file.value);
    match read_file(&path) {
        Ok((secret, private)) => {
            if !private {
                table.problems.warn(
                    &file.span,
                    format!(
                        "everyone on this computer may read {}; take that right away",
                        path.display()
                    ),
                );
            }
            Some(secret)
        }
        Err(why) => {
            table.problems.add(
                &file.span,
                format!("cannot use the password file {}: {why}", path.display()),
            );
            None
        }
    }
}

/// The password in a file, and whether the file is closed to strangers.
fn read_file(path: &Path) -> Result<(Secret, bool), String> {
    let about = std::fs::metadata(path).map_err(|e| in_words(&e))?;
    if !about.is_file() {
        return Err("it is not a plain file".to_owned());
    }
    if about.len() > LONGEST {
        return Err(format!("it is longer than {LONGEST} bytes"));
    }
    let bytes = std::fs::read(path).map_err(|e| in_words(&e))?;
    let text = String::from_utf8(bytes).map_err(|_| "it is not UTF-8 text".to_owned())?;
    let secret = checked(&text).map_err(|why| format!("it {why}"))?;
    #[cfg(unix)]
    let private = {
        use std::os::unix::fs::PermissionsExt;
        about.permissions().mode() & 0o004 == 0
    };
    #[cfg(not(unix))]
    let private = true;
    Ok((secret, private))
}

/// One line, which editors end with a newline.
fn checked(text: &str) -> Result<Secret, String> {
    let text = text.trim_end_matches(['\r', '\n']);
    if text.is_empty() {
        Err("is empty; write the password as its only line".to_owned())
    } else if text.contains(['\n', '\r', '\0']) {
        Err("has more than one line; write the password as its only line".to_owned())
    } else {
        Ok(Secret::new(text))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_password_is_compared_and_never_shown() {
        let secret = Secret::new("burnished copper");
        assert!(secret.matches(b"burnished copper"));
        assert!(!secret.matches(b"burnished coppeR"));
        assert!(!secret.matches(b""));
        assert!(!format!("{secret:?}").contains("copper"));
    }
}
