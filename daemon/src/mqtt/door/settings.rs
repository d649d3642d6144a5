//! Who may come through the door, and how much of everything. Limits are settings, so that
//! tests need not wait; the configuration offers only the address and the logins.

use std::fmt;
use std::net::SocketAddr;
use std::time::Duration;

use sha2::{Digest, Sha256};

/// The door's settings.
#[derive(Debug, Clone)]
pub struct DoorSettings {
    /// Where to listen.
    pub listen: SocketAddr,
    /// Who may publish; empty: anybody, which only loopback allows.
    pub logins: Vec<Login>,
    /// How much of everything.
    pub limits: Limits,
}

/// A sensor's login. Its `Debug` does not show the password.
#[derive(Clone, PartialEq, Eq)]
pub struct Login {
    /// The user name.
    pub user: String,
    /// The password.
    pub password: String,
    /// Topics must start with this; empty: any topic.
    pub topic_prefix: String,
}

/// How much of everything.
#[derive(Debug, Clone)]
pub struct Limits {
    /// Clients connected at once.
    pub connections: usize,
    /// Connections that have not yet said who they are.
    pub waiting: usize,
    /// Time for CONNECT.
    pub connect_within: Duration,
    /// Silence after which a client that asked for no keep-alive is let go; MQTT 3.1.1 section
    /// 3.1.2.10 allows it.
    pub idle_without_keep_alive: Duration,
    /// Largest packet that is read, bytes.
    pub packet_bytes: usize,
    /// Largest PUBLISH that is passed over, refused and acknowledged, bytes.
    pub passed_over_bytes: usize,
    /// Longest topic that is read, bytes.
    pub topic_bytes: usize,
    /// Longest client id, bytes.
    pub client_id_bytes: usize,
    /// Unacknowledged messages of one client; beyond, it is not read from until some are.
    pub in_flight: usize,
    /// Time for a client to take an answer; one that does not read is let go.
    pub write_within: Duration,
    /// Wait before a wrong password is answered.
    pub wrong_password_wait: Duration,
    /// Time for outstanding acknowledgements at the end.
    pub drain_within: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            connections: 64,
            waiting: 32,
            connect_within: Duration::from_secs(5),
            idle_without_keep_alive: Duration::from_secs(3600),
            packet_bytes: 64 * 1024,
            passed_over_bytes: 1024 * 1024,
            topic_bytes: 512,
            client_id_bytes: 128,
            in_flight: 4096,
            write_within: Duration::from_secs(10),
            wrong_password_wait: Duration::from_secs(1),
            drain_within: Duration::from_secs(5),
        }
    }
}

/// Why the door cannot be opened.
#[derive(Debug, thiserror::Error)]
pub enum DoorError {
    /// Others could reach it and nobody would be asked who they are.
    #[error(
        "[mqtt] listen = \"{address}\" can be reached from other computers: give it a user and a \
         password_file, or listen on 127.0.0.1"
    )]
    Open {
        /// The address.
        address: SocketAddr,
    },
    /// A login without a user or password.
    #[error("[mqtt] a login for \"{user}\" has an empty user or password; give it both")]
    EmptyLogin {
        /// The user, perhaps empty.
        user: String,
    },
    /// The address cannot be taken.
    #[error("[mqtt] listen = \"{address}\" cannot be taken: {source}; is another program on it?")]
    Bind {
        /// The address.
        address: SocketAddr,
        /// What the system says.
        source: std::io::Error,
    },
}

impl DoorSettings {
    /// A door for this computer only, open to every program on it.
    pub fn on(listen: SocketAddr) -> DoorSettings {
        DoorSettings {
            listen,
            logins: Vec::new(),
            limits: Limits::default(),
        }
    }

    /// # Errors
    /// [`DoorError`] for an address open to others without a login, or an empty login.
    pub(super) fn check(&self) -> Result<(), DoorError> {
        if self.logins.is_empty() && !self.listen.ip().to_canonical().is_loopback() {
            return Err(DoorError::Open {
                address: self.listen,
            });
        }
        match self
            .logins
            .iter()
            .find(|login| login.user.is_empty() || login.password.is_empty())
        {
            Some(login) => Err(DoorError::EmptyLogin {
                user: login.user.clone(),
            }),
            None => Ok(()),
        }
    }

    /// The login that user and password fit.
    pub(super) fn login(&self, user: &str, password: &str) -> Option<&Login> {
        // Digests are compared, so that the time it takes says nothing about how much of a
        // password was right.
        let given = Sha256::digest(password.as_bytes());
        let mut found = None;
        for login in &self.logins {
            let fits = Sha256::digest(login.password.as_bytes()) == given;
            if fits && login.user == user {
                found = Some(login);
            }
        }
        found
    }
}

impl fmt::Debug for Login {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Login")
            .field("user", &self.user)
            .field("topic_prefix", &self.topic_prefix)
            .finish_non_exhaustive()
    }
}
