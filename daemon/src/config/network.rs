//! `[mqtt]` and `[pages]`: the addresses that pourbook listens on or calls, and the passwords
//! that guard them. An address that other computers can reach demands one, always.

use std::net::{Ipv4Addr, SocketAddr};

use crate::mqtt::broker::{BrokerError, BrokerSettings};
use crate::mqtt::door::{DoorSettings, Login};

use super::read::Table;
use super::secret::{self, Secret, Surroundings};

/// Environment variable for the MQTT password, of the door or of the shop's broker.
pub const MQTT_PASSWORD: &str = "POURBOOK_MQTT_PASSWORD";
/// Environment variable for the pages' password.
pub const PAGES_PASSWORD: &str = "POURBOOK_PAGES_PASSWORD";

/// Where samples come from.
#[derive(Clone, Debug)]
pub enum WayIn {
    /// Sensors publish straight to pourbook.
    Door(Door),
    /// pourbook subscribes at a broker of the shop's own.
    Broker(Broker),
}

/// `[mqtt]` with `listen`, or without anything.
#[derive(Clone, Debug)]
pub struct Door {
    /// `listen`. Default: 127.0.0.1:1883.
    pub listen: SocketAddr,
    /// Who may publish. Empty, which is the default and only allowed on this computer's own
    /// address: anyone. `user` with its password is the first, followed by each
    /// `[[mqtt.sensor]]`.
    pub sensors: Vec<Sensor>,
}

/// Someone who may publish through the door.
#[derive(Clone, Debug)]
pub struct Sensor {
    /// `user`.
    pub user: String,
    /// From `password_file` or the environment.
    pub password: Secret,
    /// `topic_prefix`: the topics it may publish begin with this. Default: empty, all.
    pub topic_prefix: String,
}

/// `[mqtt]` with `url`.
#[derive(Clone, Debug)]
pub struct Broker {
    /// `url`: `mqtt://HOST[:PORT]`.
    pub url: String,
    /// `user`. Default: none.
    pub user: Option<String>,
    /// From `password_file` or the environment. Default: none.
    pub password: Option<Secret>,
    /// `client_id`: the broker keeps our unread samples under this name, so it must not change
    /// and no two pourbooks at one broker may share it. Default: `pourbook`.
    pub client_id: String,
}

impl Door {
    /// What the door itself is opened with.
    pub fn settings(&self) -> DoorSettings {
        let mut settings = DoorSettings::on(self.listen);
        settings.logins = self
            .sensors
            .iter()
            .map(|sensor| Login {
                user: sensor.user.clone(),
                password: sensor.password.reveal().to_owned(),
                topic_prefix: sensor.topic_prefix.clone(),
            })
            .collect();
        settings
    }
}

impl Broker {
    /// What the connection is made with; `machines` are those whose status is published.
    ///
    /// # Errors
    /// [`BrokerError`] for a url that [`super::Config`] would have refused.
    pub fn settings(&self, machines: Vec<String>) -> Result<BrokerSettings, BrokerError> {
        let mut settings = BrokerSettings::at(&self.url)?;
        settings.client_id.clone_from(&self.client_id);
        settings.login = self.user.as_ref().map(|user| {
            let password = self.password.as_ref().map_or("", Secret::reveal);
            (user.clone(), password.to_owned())
        });
        settings.machines = machines;
        Ok(settings)
    }
}

/// `[pages]`.
#[derive(Clone, Debug)]
pub struct Pages {
    /// `listen`. Default: 127.0.0.1:8047.
    pub listen: SocketAddr,
    /// `public_url`: where people reach the pages through a proxy. Default: none.
    pub public_url: Option<String>,
    /// From `password_file` or the environment. Default: none, allowed on this computer only.
    pub password: Option<Secret>,
}

impl Default for Door {
    fn default() -> Self {
        Door {
            listen: SocketAddr::from((Ipv4Addr::LOCALHOST, 1883)),
            sensors: Vec::new(),
        }
    }
}

impl Default for Pages {
    fn default() -> Self {
        Pages {
            listen: SocketAddr::from((Ipv4Addr::LOCALHOST, 8047)),
            public_url: None,
            password: None,
        }
    }
}

/// Reads `[mqtt]`; `None` if it is wrong, which was reported.
pub(super) fn read_mqtt(root: &Table<'_>, around: &Surroundings<'_>) -> Option<WayIn> {
    let Some(table) = root.table("mqtt") else {
        return (!root.has("mqtt")).then(|| WayIn::Door(Door::default()));
    };
    let way_in = if table.has("url") {
        if table.has("listen") {
            table.problems.add(
                &table.key_span("listen"),
                "\"listen\" and \"url\" are both set; keep \"listen\" for sensors that publish \
                 straight to pourbook, or \"url\" for a broker of the shop's own",
            );
        }
        for sensor in table.tables("sensor") {
            sensor.wrong(
                "[[mqtt.sensor]] is for sensors that publish straight to pourbook; with \"url\", \
                 the broker decides who may publish: take it out",
            );
        }
        read_broker(&table, around).map(WayIn::Broker)
    } else {
        for key in ["ca_file", "client_id"] {
            if table.has(key) {
                let what = format!("\"{key}\" is only for a broker; set \"url\" or take it out");
                table.problems.add(&table.key_span(key), what);
            }
        }
        read_door(&table, around).map(WayIn::Door)
    };
    // So that a slip in any of these finds its neighbour, whichever way in was meant.
    for key in [
        "url",
        "listen",
        "user",
        "password_file",
        "ca_file",
        "client_id",
    ] {
        table.known(key);
    }
    table.known("sensor");
    table.finish();
    way_in
}

fn read_door(table: &Table<'_>, around: &Surroundings<'_>) -> Option<Door> {
    let listen = match table.has("listen") {
        false => Some(Door::default().listen),
        true => read_address(table, "127.0.0.1:1883"),
    };
    let mut sensors = Vec::new();
    let mut whole = true;
    if table.has("user") || table.has("password_file") {
        match read_sensor(table, around, Some(MQTT_PASSWORD), false) {
            Some(sensor) => sensors.push(sensor),
            None => whole = false,
        }
    }
    for sensor_table in table.tables("sensor") {
        match read_sensor(&sensor_table, around, None, true) {
            Some(sensor) if sensors.iter().any(|s: &Sensor| s.user == sensor.user) => {
                sensor_table.problems.add(
                    &sensor_table.key_span("user"),
                    format!(
                        "the user \"{}\" is given twice; choose another name",
                        sensor.user.escape_debug()
                    ),
                );
                whole = false;
            }
            Some(sensor) => sensors.push(sensor),
            None => whole = false,
        }
        sensor_table.finish();
    }
    let listen = listen?;
    if whole && !listen.ip().is_loopback() && sensors.is_empty() {
        table.problems.add(
            &table.key_span("listen"),
            format!(
                "{listen} can be reached from other computers, so it needs \"user\" and \
                 \"password_file\" (or [[mqtt.sensor]]); or listen on 127.0.0.1"
            ),
        );
        return None;
    }
    whole.then_some(Door { listen, sensors })
}

fn read_sensor(
    table: &Table<'_>,
    around: &Surroundings<'_>,
    variable: Option<&str>,
    with_prefix: bool,
) -> Option<Sensor> {
    let user = table.needed_text("user", "bench-sensor");
    let before = table.problems.count();
    let password = secret::read(table, variable, around);
    if user.is_some() && password.is_none() && table.problems.count() == before {
        let or = variable.map_or_else(String::new, |v| format!(" (or {v} in the environment)"));
        table.wrong(format!(
            "{} has a \"user\" but no password; add password_file = \"mqtt-password.txt\"{or}",
            table.title
        ));
    }
    let topic_prefix = if with_prefix {
        table
            .text("topic_prefix", "shop/bench-1/")
            .map_or_else(String::new, |t| t.value)
    } else {
        String::new()
    };
    Some(Sensor {
        user: user?.value,
        password: password?,
        topic_prefix,
    })
}

fn read_broker(table: &Table<'_>, around: &Surroundings<'_>) -> Option<Broker> {
    let url = table.needed_text("url", "mqtt://broker.lan:1883");
    let before = table.problems.count();
    let user = table.text("user", "pourbook").map(|u| u.value);
    let password = secret::read(table, Some(MQTT_PASSWORD), around);
    if user.is_none() && password.is_some() && table.has("password_file") {
        let what = "there is a \"password_file\" but no \"user\"; add user = \"pourbook\"";
        table.problems.add(&table.key_span("password_file"), what);
    }
    let client_id = table
        .text("client_id", "pourbook")
        .map(|id| {
            // MQTT 3.1.1 section 3.1.3.1: what every server must take.
            let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_');
            if id.value.is_empty() || id.value.len() > 64 || !id.value.chars().all(plain) {
                table.problems.add(
                    &id.span,
                    "\"client_id\" must be 1 to 64 letters, digits, - or _",
                );
            }
            id.value
        })
        .unwrap_or_else(|| "pourbook".to_owned());
    if table.has("ca_file") {
        let what = "\"ca_file\" is for TLS, which this build does not speak; take it out, and use \
                    a broker on this computer or on a network of your own";
        table.problems.add(&table.key_span("ca_file"), what);
    }
    let url = url?;
    if url.value.contains('@') {
        // The text is not repeated: it may hold a password.
        let what = "\"url\" holds a user or password; set \"user\" and \"password_file\" instead";
        table.problems.add(&url.span, what);
    } else if let Err(error) = BrokerSettings::at(&url.value) {
        table.problems.add(&url.span, error.to_string());
    }
    (table.problems.count() == before).then_some(Broker {
        url: url.value,
        user,
        password,
        client_id,
    })
}

/// Reads `[pages]`; `None` if it is wrong, which was reported.
pub(super) fn read_pages(root: &Table<'_>, around: &Surroundings<'_>) -> Option<Pages> {
    let Some(table) = root.table("pages") else {
        return (!root.has("pages")).then(Pages::default);
    };
    let before = table.problems.count();
    let listen = match table.has("listen") {
        false => Some(Pages::default().listen),
        true => read_address(&table, "127.0.0.1:8047"),
    };
    let public_url = table
        .text("public_url", "https://bench.example/")
        .map(|url| {
            let good = ["http://", "https://"].iter().any(|scheme| {
                url.value
                    .strip_prefix(scheme)
                    .is_some_and(|h| !h.is_empty())
            });
            if !good {
                let what = "\"public_url\" must begin with https:// or http:// and name a host";
                table.problems.add(&url.span, what);
            }
            url.value
        });
    let password = secret::read(&table, Some(PAGES_PASSWORD), around);
    table.known("listen");
    table.finish();
    let listen = listen?;
    // A password that was named and could not be read was reported already.
    if password.is_none() && !table.has("password_file") {
        let why = if !listen.ip().is_loopback() {
            Some(format!("{listen} can be reached from other computers"))
        } else if public_url.is_some() {
            Some("\"public_url\" lets other computers in".to_owned())
        } else {
            None
        };
        if let Some(why) = why {
            let at = match public_url {
                Some(_) if listen.ip().is_loopback() => table.key_span("public_url"),
                _ => table.key_span("listen"),
            };
            table.problems.add(
                &at,
                format!("{why}, so [pages] needs \"password_file\"; or listen on 127.0.0.1 only"),
            );
        }
    }
    (table.problems.count() == before).then_some(Pages {
        listen,
        public_url,
        password,
    })
}

fn read_address(table: &Table<'_>, example: &str) -> Option<SocketAddr> {
    let text = table.needed_text("listen", example)?;
    let numeric = match text.value.strip_prefix("localhost:") {
        Some(port) => format!("127.0.0.1:{port}"),
        None => text.value.clone(),
    };
    match numeric.parse::<SocketAddr>() {
        Ok(address) => Some(address),
        Err(_) => {
            table.problems.add(
                &text.span,
                format!(
                    "\"listen\" is \"{}\"; write an address and a port, like \"{example}\" (this \
                     computer only) or \"0.0.0.0:{}\" (the whole network)",
                    text.value.escape_debug(),
                    example.rsplit(':').next().unwrap_or_default()
                ),
            );
            None
        }
    }
}
