//! Counterparts from outside: Mosquitto, and a Python with packages, both as independent
//! implementations. What is missing fails the test and says how to get it.

use std::fs;
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Mutex;

use crate::program::{run_command, target_folder};
use crate::wait::{free_port, wait_for};

/// A program that must be installed.
///
/// # Panics
/// When it is not, naming the Debian package.
#[track_caller]
pub fn program(name: &str, package: &str) -> PathBuf {
    let path = std::env::var_os("PATH").unwrap_or_default();
    // Debian keeps daemons where a user's PATH does not look.
    std::env::split_paths(&path)
        .chain(["/usr/sbin".into(), "/usr/local/sbin".into()])
        .map(|folder| folder.join(name))
        .find(|file| file.is_file())
        .unwrap_or_else(|| {
            panic!("{name} is not installed; tests/all installs it (Debian package {package})")
        })
}

/// A running Mosquitto with a persistent store; ended when dropped.
#[derive(Debug)]
pub struct Mosquitto {
    child: Child,
    /// Where it listens on this computer.
    pub port: u16,
    log: PathBuf,
}

impl Mosquitto {
    /// Starts one that keeps its state in `folder`, with the settings that pourbook's README
    /// recommends for a shop's broker.
    ///
    /// # Panics
    /// When it does not answer.
    #[track_caller]
    pub fn start(folder: &Path) -> Mosquitto {
        let port = free_port();
        let store = folder.join("mosquitto");
        fs::create_dir_all(&store).expect("a folder in a temporary folder");
        let settings = folder.join("mosquitto.conf");
        let log = folder.join("mosquitto.log");
        fs::write(
            &settings,
            format!(
                "{}listener {port} 127.0.0.1\nallow_anonymous true\npersistence_location {}/\n\
                 user root\nlog_dest file {}\nlog_type error\nlog_type notice\nlog_type \
                 subscribe\n",
                include_str!("../../daemon/mosquitto.conf"),
                store.display(),
                log.display()
            ),
        )
        .expect("a file in a temporary folder");
        let child = Command::new(program("mosquitto", "mosquitto"))
            .arg("-c")
            .arg(&settings)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto can be started");
        let broker = Mosquitto { child, port, log };
        wait_for("mosquitto to answer", 15, || {
            TcpStream::connect(("127.0.0.1", port)).ok()
        });
        broker
    }
}

impl Mosquitto {
    /// What it has logged: connections, subscriptions, errors.
    pub fn log(&self) -> String {
        fs::read_to_string(&self.log).unwrap_or_default()
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        // Already gone is as good.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A Python with the packages of `tests/clients/requirements.txt`, in an environment of its own
/// inside the build folder. `POURBOOK_TEST_PYTHON` names one that has them already.
///
/// # Panics
/// When it cannot be made.
#[track_caller]
pub fn python() -> PathBuf {
    static MAKING: Mutex<()> = Mutex::new(());
    if let Some(given) = std::env::var_os("POURBOOK_TEST_PYTHON") {
        return PathBuf::from(given);
    }
    // A panic of another test while making it leaves nothing that could mislead this one.
    let _making = MAKING.lock().unwrap_or_else(|broken| broken.into_inner());
    let folder = target_folder().join("test-python");
    let python = folder.join("bin").join("python");
    if !python.is_file() {
        let host = program("python3", "python3");
        run_command(Command::new(host).args(["-m", "venv"]).arg(&folder)).well();
    }
    run_command(
        Command::new(&python)
            .args([
                "-m",
                "pip",
                "install",
                "--quiet",
                "--disable-pip-version-check",
                "-r",
            ])
            .arg(concat!(
                env!("CARGO_MANIFEST_DIR"),
                "/clients/requirements.txt"
            )),
    )
    .well();
    python
}
