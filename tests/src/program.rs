//! The built program: finds and runs it, and keeps a daemon that never outlives its test.

use std::ffi::OsStr;
use std::fs::File;
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::OnceLock;

use rustix::process::{Pid, Signal, kill_process};

use crate::wait::wait_for;

/// The program `pourbook`, of the same profile as the running test. `POURBOOK_BIN` names
/// another one; otherwise it is built first, so that a test never runs a stale one.
///
/// # Panics
/// When it cannot be built.
pub fn pourbook() -> &'static Path {
    static PROGRAM: OnceLock<PathBuf> = OnceLock::new();
    PROGRAM.get_or_init(|| {
        if let Some(given) = std::env::var_os("POURBOOK_BIN") {
            return PathBuf::from(given);
        }
        let folder = target_folder();
        let profile = match folder.file_name().and_then(OsStr::to_str) {
            Some("debug") => "dev",
            Some(name) => name,
            None => panic!("{} is no build folder", folder.display()),
        };
        // The whole workspace is named because its packages' features are then those of the
        // running test: nothing but a changed program is built.
        let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
        let build = Command::new(cargo)
            .args([
                "build",
                "--quiet",
                "--workspace",
                "--bin",
                "pourbook",
                "--profile",
                profile,
            ])
            .arg("--manifest-path")
            .arg(workspace().join("Cargo.toml"))
            .stdin(Stdio::null())
            .output()
            .expect("cargo can be run");
        assert!(
            build.status.success(),
            "pourbook does not build:\n{}",
            String::from_utf8_lossy(&build.stderr)
        );
        folder.join("pourbook")
    })
}

/// The folder of the whole project.
pub fn workspace() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .parent()
        .expect("this package lies inside the workspace")
}

/// The build folder of the running test's profile, such as `target/release`.
///
/// # Panics
/// When the test was copied elsewhere.
pub fn target_folder() -> PathBuf {
    let test = std::env::current_exe().expect("a running test has a path");
    test.ancestors()
        .find(|folder| folder.join("deps").is_dir())
        .unwrap_or_else(|| panic!("{} lies in no build folder", test.display()))
        .to_owned()
}

/// What a command printed and how it ended.
#[derive(Clone, Debug)]
pub struct Ran {
    /// How it ended.
    pub status: ExitStatus,
    /// Standard output.
    pub out: String,
    /// Standard error.
    pub err: String,
}

impl Ran {
    /// The exit code; a command ended by a signal has none.
    pub fn code(&self) -> Option<i32> {
        self.status.code()
    }

    /// Itself, if it ended well.
    ///
    /// # Panics
    /// With both outputs otherwise.
    #[track_caller]
    pub fn well(self) -> Ran {
        assert!(
            self.status.success(),
            "ended with {}\nstdout:\n{}\nstderr:\n{}",
            self.status,
            self.out,
            self.err
        );
        self
    }

    /// Each line of standard output as JSON.
    ///
    /// # Panics
    /// When a line is none.
    #[track_caller]
    pub fn json_lines(&self) -> Vec<serde_json::Value> {
        self.out
            .lines()
            .map(|line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {line}")))
            .collect()
    }
}

/// Runs `pourbook` with these arguments to its end.
#[track_caller]
pub fn run<S: AsRef<OsStr>>(arguments: impl IntoIterator<Item = S>) -> Ran {
    run_command(command().args(arguments))
}

/// Runs any command to its end.
///
/// # Panics
/// When it cannot be started.
#[track_caller]
pub fn run_command(command: &mut Command) -> Ran {
    let done = command
        .stdin(Stdio::null())
        .output()
        .unwrap_or_else(|e| panic!("{command:?} cannot be started: {e}"));
    Ran {
        status: done.status,
        out: String::from_utf8_lossy(&done.stdout).into_owned(),
        err: String::from_utf8_lossy(&done.stderr).into_owned(),
    }
}

/// `pourbook` without the settings of whoever runs the tests.
pub fn command() -> Command {
    let mut command = Command::new(pourbook());
    for name in [
        "POURBOOK_DIR",
        "POURBOOK_MQTT_PASSWORD",
        "POURBOOK_PAGES_PASSWORD",
    ] {
        command.env_remove(name);
    }
    command
}

/// A running `pourbook run`. It is killed when dropped.
#[derive(Debug)]
pub struct Daemon {
    child: Child,
    log: PathBuf,
}

impl Daemon {
    /// Starts it on a book and waits until something answers on `port`. Its output goes to
    /// `daemon.log` beside the book.
    ///
    /// # Panics
    /// When it ends or stays silent, with its output.
    #[track_caller]
    pub fn start(book: &Path, port: Option<u16>) -> Daemon {
        let log = book.with_extension("log");
        let out = File::options()
            .create(true)
            .append(true)
            .open(&log)
            .expect("a log file beside the book");
        let child = command()
            .args(["run", "--book"])
            .arg(book)
            .stdin(Stdio::null())
            .stdout(out.try_clone().expect("a second handle of the log"))
            .stderr(out)
            .spawn()
            .expect("pourbook can be started");
        let mut daemon = Daemon { child, log };
        if let Some(port) = port {
            wait_for("the door to open", 30, || {
                if let Ok(Some(status)) = daemon.child.try_wait() {
                    panic!("the daemon ended with {status}:\n{}", daemon.log());
                }
                TcpStream::connect(("127.0.0.1", port)).ok()
            });
        }
        daemon
    }

    /// What it has printed so far, over all its lives on this book.
    pub fn log(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// Ends it at once, as a power cut of the process would.
    ///
    /// # Panics
    /// When it had ended already.
    #[track_caller]
    pub fn kill(mut self) {
        let ended = self.child.try_wait().expect("its state can be asked for");
        assert_eq!(ended, None, "it ended by itself:\n{}", self.log());
        self.signal(Signal::KILL);
        self.child
            .wait()
            .expect("a killed process can be waited for");
    }

    /// Asks it to stop with a signal and gives how it ended.
    ///
    /// # Panics
    /// When it does not within 30 s.
    #[track_caller]
    pub fn stop(mut self, signal: Signal) -> ExitStatus {
        self.signal(signal);
        wait_for("the daemon to stop", 30, || {
            self.child.try_wait().expect("its state can be asked for")
        })
    }

    /// Waits until it ends by itself.
    ///
    /// # Panics
    /// When it does not within 30 s.
    #[track_caller]
    pub fn ended(&mut self) -> ExitStatus {
        wait_for("the daemon to end", 30, || {
            self.child.try_wait().expect("its state can be asked for")
        })
    }

    fn signal(&self, signal: Signal) {
        let pid = i32::try_from(self.child.id()).ok().and_then(Pid::from_raw);
        kill_process(pid.expect("a child has an id"), signal).expect("a child can be signalled");
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // Already gone is as good.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
