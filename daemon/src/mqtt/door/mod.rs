//! The door: a small MQTT 3.1.1 listener that sensors publish straight to. Its PUBACK means
//! "on our disk", which no broker promises. It takes CONNECT, PUBLISH at QoS 0 and 1, PINGREQ
//! and DISCONNECT; it keeps nothing for anybody and delivers nothing to anybody. It is not a
//! broker and must not grow into one.
//!
//! What it does with the rest of MQTT:
//!
//! | it gets | it does |
//! |---|---|
//! | SUBSCRIBE | SUBACK with failure for each filter; UNSUBSCRIBE is simply acknowledged |
//! | a will, a retain flag | accepted and ignored |
//! | PUBLISH at QoS 2 | closes: MQTT 3.1.1 has no other way to say no, and QoS 1 loses nothing here |
//! | a payload that cannot be read, a topic its sender may not use | journals it as refused and acknowledges it, else it would come again for ever |
//! | a packet over the limit | a PUBLISH up to 1 MiB is passed over, journaled as refused and acknowledged; anything larger closes |
//! | another protocol version | CONNACK with code 1, closes |
//! | a topic with a wildcard, a second CONNECT, any packet that only servers send | closes |
//! | a client id that is connected already | closes the older connection, once it is certain that nothing more is taken from it |
//!
//! Session state: the only state a sender's session has here is that it exists. CONNACK says
//! "session present" to a client that asked for a lasting session and is remembered, since some
//! clients throw away what was not acknowledged if it is not.

mod connection;
mod settings;
mod wire;

#[cfg(test)]
mod tests;

use std::collections::{HashMap, VecDeque};
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::net::TcpListener;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

pub use settings::{DoorError, DoorSettings, Limits, Login};

use super::ingest::{DOOR, Ingest};
use crate::shutdown::Shutdown;

/// Client ids whose kind of session is remembered.
const MOST_SESSIONS: usize = 4096;

/// A door that is bound and not yet open.
#[derive(Debug)]
pub struct Door {
    listener: TcpListener,
    address: SocketAddr,
    settings: DoorSettings,
}

impl Door {
    /// Takes the address.
    ///
    /// # Errors
    /// [`DoorError`] if the address is open to others without a password, or cannot be taken.
    pub async fn bind(settings: DoorSettings) -> Result<Door, DoorError> {
        settings.check()?;
        let taken = |source| DoorError::Bind {
            address: settings.listen,
            source,
        };
        let listener = TcpListener::bind(settings.listen).await.map_err(taken)?;
        let address = listener.local_addr().map_err(taken)?;
        Ok(Door {
            listener,
            address,
            settings,
        })
    }

    /// The address it was given, with the port that was really taken.
    pub fn local_addr(&self) -> SocketAddr {
        self.address
    }

    /// Lets sensors in until told to stop; then takes nothing more, waits for what is not yet
    /// acknowledged (for a bounded time, so the writer must still be running) and closes.
    pub async fn run(self, ingest: Ingest, mut shutdown: Shutdown) {
        let drain_within = self.settings.limits.drain_within;
        let house = Arc::new(House {
            ingest,
            source: DOOR.into(),
            settings: self.settings,
            waiting: Mutex::default(),
            guests: Mutex::default(),
            sessions: Mutex::default(),
        });
        let mut connections = JoinSet::new();
        loop {
            tokio::select! {
                () = shutdown.told() => break,
                Some(ended) = connections.join_next() => {
                    if ended.is_err() {
                        house.ingest.count("door: a connection failed inside");
                    }
                }
                accepted = self.listener.accept() => match accepted {
                    Ok((stream, peer)) => {
                        let seat = house.clone().wait();
                        connections.spawn(connection::serve(
                            house.clone(),
                            stream,
                            peer,
                            seat,
                            shutdown.clone(),
                        ));
                    }
                    Err(error) => {
                        house.ingest.count("door: could not accept a connection");
                        tracing::warn!(%error, "the door could not accept a connection");
                        // Out of file handles: let others end before trying again.
                        tokio::time::sleep(Duration::from_millis(50)).await;
                    }
                },
            }
        }
        drop(self.listener);
        let drained = async { while connections.join_next().await.is_some() {} };
        let _ = tokio::time::timeout(drain_within + Duration::from_secs(1), drained).await;
        connections.shutdown().await;
    }
}

/// What all connections share.
struct House {
    ingest: Ingest,
    source: Arc<str>,
    settings: DoorSettings,
    /// Connections that have not said who they are, oldest first.
    waiting: Mutex<VecDeque<(u64, CancellationToken)>>,
    guests: Mutex<HashMap<Arc<str>, Guest>>,
    /// Client id to whether its last connection asked for a lasting session.
    sessions: Mutex<HashMap<Arc<str>, bool>>,
}

/// A connected client.
#[derive(Clone)]
struct Guest {
    connection: u64,
    user: Option<Arc<str>>,
    /// Asks it to leave for a newer connection.
    leave: CancellationToken,
    /// Says that it has: nothing more will be taken from it.
    gone: CancellationToken,
}

/// Why a client may not come in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum NotIn {
    Full,
    /// Another user's client has the id.
    NotYours,
    /// The older connection with the id did not leave.
    Stuck,
}

impl House {
    /// A seat among those who have not said who they are. If all are taken, whoever has sat
    /// longest goes: a sensor says who it is at once, someone who means harm does not.
    fn wait(self: Arc<House>) -> Seat {
        let connection = self.ingest.next_connection();
        let turned_away = CancellationToken::new();
        let mut waiting = lock(&self.waiting);
        if waiting.len() >= self.settings.limits.waiting
            && let Some((_, longest)) = waiting.pop_front()
        {
            longest.cancel();
            self.ingest.count("door: turned away, too many waiting");
        }
        waiting.push_back((connection, turned_away.clone()));
        drop(waiting);
        Seat {
            house: self,
            connection,
            turned_away,
        }
    }

    /// Lets a client in, after any older connection of the same client has left.
    async fn enter(
        self: &Arc<House>,
        client: &Arc<str>,
        user: Option<Arc<str>>,
        connection: u64,
    ) -> Result<Stay, NotIn> {
        // Twice is the rule: once to find the older one, once to take its place. More only if
        // several newcomers race for one id.
        for _ in 0..8 {
            let older = {
                let mut guests = lock(&self.guests);
                match guests.get(client) {
                    Some(older) if older.user != user => return Err(NotIn::NotYours),
                    Some(older) => older.clone(),
                    None if guests.len() >= self.settings.limits.connections => {
                        return Err(NotIn::Full);
                    }
                    None => {
                        let guest = Guest {
                            connection,
                            user,
                            leave: CancellationToken::new(),
                            gone: CancellationToken::new(),
                        };
                        guests.insert(client.clone(), guest.clone());
                        return Ok(Stay {
                            house: self.clone(),
                            client: client.clone(),
                            guest,
                        });
                    }
                }
            };
            older.leave.cancel();
            let left = older.gone.cancelled();
            if tokio::time::timeout(self.settings.limits.write_within, left)
                .await
                .is_err()
            {
                return Err(NotIn::Stuck);
            }
        }
        Err(NotIn::Stuck)
    }

    /// Whether to say "session present", and remembers the kind of session now asked for.
    fn session(&self, client: &Arc<str>, lasting: bool) -> bool {
        let mut sessions = lock(&self.sessions);
        let present = lasting
            && sessions
                .get(client)
                .copied()
                .unwrap_or_else(|| self.ingest.knows_client(&self.source, client));
        if sessions.len() >= MOST_SESSIONS {
            // What the journal remembers still counts.
            sessions.clear();
        }
        sessions.insert(client.clone(), lasting);
        present
    }
}

/// A seat in the waiting room; given up when dropped.
struct Seat {
    house: Arc<House>,
    connection: u64,
    turned_away: CancellationToken,
}

impl Drop for Seat {
    fn drop(&mut self) {
        lock(&self.house.waiting).retain(|(connection, _)| *connection != self.connection);
    }
}

/// A client's stay; ends when dropped.
struct Stay {
    house: Arc<House>,
    client: Arc<str>,
    guest: Guest,
}

impl Drop for Stay {
    fn drop(&mut self) {
        let mut guests = lock(&self.house.guests);
        if guests
            .get(&self.client)
            .is_some_and(|guest| guest.connection == self.guest.connection)
        {
            guests.remove(&self.client);
        }
        drop(guests);
        self.guest.gone.cancel();
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // Every change under these locks is a single insert or remove: valid at every step.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
