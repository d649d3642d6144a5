//! Where the shop's broker is and who we are to it.

use std::fmt;
use std::time::Duration;

/// Settings for a broker of the shop's own. `Debug` does not show the password.
#[derive(Clone)]
pub struct BrokerSettings {
    /// Host name or address.
    pub host: String,
    /// Port.
    pub port: u16,
    /// Our client id; fixed, since the broker keeps what we have not acknowledged under it.
    pub client_id: String,
    /// User and password.
    pub login: Option<(String, String)>,
    /// The machines whose status is published.
    pub machines: Vec<String>,
    /// Filters to hear besides the topics that have a channel, as for finding new sensors.
    pub also: Vec<String>,
    /// How often a sign of life is sent.
    pub keep_alive: Duration,
    /// The first wait before connecting again …
    pub back_off_least: Duration,
    /// … which doubles up to this.
    pub back_off_most: Duration,
    /// How long a message may wait for the writer before the connection is given up; must be
    /// below the keep-alive.
    pub patience: Duration,
    /// Time for outstanding acknowledgements at the end.
    pub drain_within: Duration,
}

/// Why the settings cannot work.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BrokerError {
    /// Not an address.
    #[error("[mqtt] url = \"{url}\": write it like mqtt://broker.lan:1883")]
    NotAnUrl {
        /// What was read.
        url: String,
    },
    /// TLS is asked for.
    #[error(
        "[mqtt] url = \"{url}\": this build speaks no TLS; use mqtt:// to a broker on this \
         computer or on a network of your own, or to a TLS tunnel on this computer"
    )]
    NoTls {
        /// What was read.
        url: String,
    },
    /// A client id that would not do.
    #[error("[mqtt] client_id = \"{client_id}\": give it 1 to 128 printable characters")]
    ClientId {
        /// What was read.
        client_id: String,
    },
    /// A keep-alive that the protocol cannot say or that our own waiting would break.
    #[error("[mqtt] the keep-alive must be from 1 s to 18 h and longer than the patience")]
    KeepAlive,
}

impl BrokerSettings {
    /// Settings for `mqtt://HOST[:PORT]` with the usual waits.
    ///
    /// # Errors
    /// [`BrokerError`] for anything else.
    ///
    /// ```
    /// # use pourbook::mqtt::broker::BrokerSettings;
    /// let settings = BrokerSettings::at("mqtt://broker.lan").unwrap();
    /// assert_eq!((settings.host.as_str(), settings.port), ("broker.lan", 1883));
    /// ```
    pub fn at(url: &str) -> Result<BrokerSettings, BrokerError> {
        let not = || BrokerError::NotAnUrl {
            url: url.to_owned(),
        };
        if url.starts_with("mqtts://") || url.starts_with("ssl://") {
            return Err(BrokerError::NoTls {
                url: url.to_owned(),
            });
        }
        let rest = url
            .strip_prefix("mqtt://")
            .or_else(|| url.strip_prefix("tcp://"))
            .ok_or_else(not)?;
        let rest = rest.strip_suffix('/').unwrap_or(rest);
        let (host, port) = if let Some(inside) = rest.strip_prefix('[') {
            // An IPv6 address stands in brackets, which the resolver wants to keep.
            let (address, after) = inside.split_once(']').ok_or_else(not)?;
            address.parse::<std::net::Ipv6Addr>().map_err(|_| not())?;
            (format!("[{address}]"), after.strip_prefix(':'))
        } else {
            match rest.split_once(':') {
                Some((host, port)) => (host.to_owned(), Some(port)),
                None => (rest.to_owned(), None),
            }
        };
        let port = match port {
            Some(port) => port.parse().map_err(|_| not())?,
            None => 1883,
        };
        let odd =
            |c: char| c.is_whitespace() || c.is_control() || matches!(c, '/' | '@' | '?' | '#');
        if host.is_empty() || host.contains(odd) || port == 0 {
            return Err(not());
        }
        Ok(BrokerSettings {
            host,
            port,
            client_id: "pourbook".to_owned(),
            login: None,
            machines: Vec::new(),
            also: Vec::new(),
            keep_alive: Duration::from_secs(30),
            back_off_least: Duration::from_millis(200),
            back_off_most: Duration::from_secs(10),
            patience: Duration::from_secs(10),
            drain_within: Duration::from_secs(5),
        })
    }

    /// # Errors
    /// [`BrokerError`]: the client library panics on these instead.
    pub(super) fn check(&self) -> Result<(), BrokerError> {
        if self.client_id.is_empty()
            || self.client_id.len() > 128
            || self.client_id.chars().any(char::is_control)
        {
            return Err(BrokerError::ClientId {
                client_id: self.client_id.clone(),
            });
        }
        let seconds = self.keep_alive.as_secs();
        if !(1..=u64::from(u16::MAX)).contains(&seconds) || self.patience >= self.keep_alive {
            return Err(BrokerError::KeepAlive);
        }
        Ok(())
    }
}

impl fmt::Debug for BrokerSettings {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("BrokerSettings")
            .field("host", &self.host)
            .field("port", &self.port)
            .field("client_id", &self.client_id)
            .field("user", &self.login.as_ref().map(|(user, _)| user))
            .field("machines", &self.machines)
            .finish_non_exhaustive()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn the_address_of_a_broker_is_read() {
        let at = |url: &str| BrokerSettings::at(url).map(|s| (s.host, s.port));
        assert_eq!(at("mqtt://broker.lan"), Ok(("broker.lan".into(), 1883)));
        assert_eq!(at("tcp://10.0.0.2:1884/"), Ok(("10.0.0.2".into(), 1884)));
        assert_eq!(at("mqtt://[::1]:1885"), Ok(("[::1]".into(), 1885)));
        for url in [
            "broker.lan",
            "mqtt://",
            "mqtt://host:port",
            "mqtt://a/b",
            "mqtt://user:pw@host:1883",
            "mqtt://[::1",
            "mqtt://host:0",
        ] {
            assert!(
                matches!(at(url), Err(BrokerError::NotAnUrl { .. })),
                "{url}"
            );
        }
        assert!(matches!(
            at("mqtts://broker.lan"),
            Err(BrokerError::NoTls { .. })
        ));
    }

    #[test]
    fn what_the_library_would_panic_on_is_refused() {
        let good = BrokerSettings::at("mqtt://broker.lan").unwrap();
        assert_eq!(good.check(), Ok(()));
        let mut nameless = good.clone();
        nameless.client_id.clear();
        assert!(nameless.check().is_err());
        let mut hasty = good;
        hasty.keep_alive = Duration::from_millis(500);
        assert_eq!(hasty.check(), Err(BrokerError::KeepAlive));
    }

    #[test]
    fn a_password_is_never_printed() {
        let mut settings = BrokerSettings::at("mqtt://broker.lan").unwrap();
        settings.login = Some(("bench".into(), "hunter2".into()));
        let printed = format!("{settings:?}");
        assert!(printed.contains("bench") && !printed.contains("hunter2"));
    }
}
