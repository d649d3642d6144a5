//! An MQTT 3.1.1 sender written from the standard (OASIS MQTT 3.1.1, sections 3.1, 3.3 and
//! 3.4), on purpose without the library that pourbook uses, so that the two check each other.
//! It keeps an in-flight window, and on a new connection sends again, marked as sent before,
//! what was not acknowledged.

use std::collections::VecDeque;
use std::io::{self, Read, Write};
use std::net::TcpStream;
use std::time::Duration;

/// A message that was sent and not yet acknowledged.
#[derive(Clone, Debug)]
struct Pending {
    packet: u16,
    topic: String,
    payload: Vec<u8>,
    tag: usize,
}

/// A sender with a name, a window and what it still waits for.
#[derive(Debug)]
pub struct Sensor {
    client_id: String,
    login: Option<(String, String)>,
    window: usize,
    stream: Option<TcpStream>,
    next_packet: u16,
    in_flight: VecDeque<Pending>,
    acknowledged: Vec<usize>,
}

impl Sensor {
    /// A sender that lets at most `window` messages wait for their acknowledgement.
    pub fn new(client_id: &str, window: usize) -> Sensor {
        Sensor {
            client_id: client_id.to_owned(),
            login: None,
            window,
            stream: None,
            next_packet: 0,
            in_flight: VecDeque::new(),
            acknowledged: Vec::new(),
        }
    }

    /// Gives a user and password at the next connection.
    pub fn with_login(mut self, user: &str, password: &str) -> Sensor {
        self.login = Some((user.to_owned(), password.to_owned()));
        self
    }

    /// Connects, keeping the session, and sends again what is still in flight.
    ///
    /// # Errors
    /// When the other side is not there, refuses, or breaks the protocol.
    pub fn connect(&mut self, port: u16) -> io::Result<()> {
        let mut stream = TcpStream::connect(("127.0.0.1", port))?;
        stream.set_nodelay(true)?;
        stream.set_read_timeout(Some(Duration::from_secs(30)))?;
        stream.write_all(&self.connect_packet())?;
        let (first, body) = read_packet(&mut stream)?;
        if first != 0x20 || body.len() != 2 {
            return Err(broken("the answer to CONNECT is no CONNACK"));
        }
        if body[1] != 0 {
            return Err(io::Error::new(
                io::ErrorKind::PermissionDenied,
                format!("refused with code {}", body[1]),
            ));
        }
        for pending in &self.in_flight {
            stream.write_all(&publish_packet(pending, true))?;
        }
        self.stream = Some(stream);
        Ok(())
    }

    /// Sends one message at QoS 1, after waiting for room in the window. `tag` comes back in
    /// [`Sensor::acknowledged`].
    ///
    /// # Errors
    /// When the connection breaks; the message is then in flight and goes out again after the
    /// next [`Sensor::connect`].
    pub fn publish(&mut self, topic: &str, payload: &[u8], tag: usize) -> io::Result<()> {
        while self.in_flight.len() >= self.window {
            self.take_acknowledgement()?;
        }
        // Packet ids run from 1 to 65,535 and zero is none.
        self.next_packet = self.next_packet.checked_add(1).unwrap_or(1);
        let pending = Pending {
            packet: self.next_packet,
            topic: topic.to_owned(),
            payload: payload.to_vec(),
            tag,
        };
        let bytes = publish_packet(&pending, false);
        self.in_flight.push_back(pending);
        self.stream()?.write_all(&bytes)
    }

    /// Waits until nothing is in flight.
    ///
    /// # Errors
    /// When the connection breaks before.
    pub fn drain(&mut self) -> io::Result<()> {
        while !self.in_flight.is_empty() {
            self.take_acknowledgement()?;
        }
        Ok(())
    }

    /// The tags of acknowledged messages, in the order of their acknowledgements.
    pub fn acknowledged(&self) -> &[usize] {
        &self.acknowledged
    }

    /// How many wait for theirs.
    pub fn waiting(&self) -> usize {
        self.in_flight.len()
    }

    /// Says goodbye and hangs up.
    ///
    /// # Errors
    /// When the connection is broken.
    pub fn disconnect(mut self) -> io::Result<()> {
        self.stream()?.write_all(&[0xE0, 0])
    }

    fn take_acknowledgement(&mut self) -> io::Result<()> {
        let (first, body) = read_packet(self.stream()?)?;
        let [high, low] = body[..] else {
            return Err(broken("a PUBACK must hold two bytes"));
        };
        if first != 0x40 {
            return Err(broken("only PUBACK is expected here"));
        }
        let packet = u16::from_be_bytes([high, low]);
        // MQTT-4.6.0-2: acknowledgements come in the order of the messages.
        match self.in_flight.pop_front() {
            Some(pending) if pending.packet == packet => {
                self.acknowledged.push(pending.tag);
                Ok(())
            }
            _ => Err(broken("an acknowledgement out of order")),
        }
    }

    fn stream(&mut self) -> io::Result<&mut TcpStream> {
        self.stream
            .as_mut()
            .ok_or_else(|| io::ErrorKind::NotConnected.into())
    }

    fn connect_packet(&self) -> Vec<u8> {
        let mut body = Vec::new();
        text(&mut body, "MQTT");
        body.push(4); // protocol level of 3.1.1
        // Clean session 0; bits 7 and 6 tell of a user and a password.
        body.push(if self.login.is_some() { 0xC0 } else { 0 });
        body.extend([0, 60]); // keep alive, s
        text(&mut body, &self.client_id);
        if let Some((user, password)) = &self.login {
            text(&mut body, user);
            text(&mut body, password);
        }
        packet(0x10, &body)
    }
}

fn publish_packet(pending: &Pending, dup: bool) -> Vec<u8> {
    let mut body = Vec::new();
    text(&mut body, &pending.topic);
    body.extend(pending.packet.to_be_bytes());
    body.extend(&pending.payload);
    packet(if dup { 0x3A } else { 0x32 }, &body)
}

/// Fixed header with the remaining length of section 2.2.3, then the body.
fn packet(first: u8, body: &[u8]) -> Vec<u8> {
    let mut bytes = vec![first];
    let mut length = body.len();
    loop {
        let digit = (length % 128) as u8;
        length /= 128;
        bytes.push(if length > 0 { digit | 0x80 } else { digit });
        if length == 0 {
            break;
        }
    }
    bytes.extend(body);
    bytes
}

fn text(body: &mut Vec<u8>, text: &str) {
    let length = u16::try_from(text.len()).expect("texts of tests are short");
    body.extend(length.to_be_bytes());
    body.extend(text.as_bytes());
}

fn read_packet(stream: &mut TcpStream) -> io::Result<(u8, Vec<u8>)> {
    let mut byte = [0];
    stream.read_exact(&mut byte)?;
    let first = byte[0];
    let mut length = 0usize;
    for shift in [0, 7, 14, 21] {
        stream.read_exact(&mut byte)?;
        length |= usize::from(byte[0] & 0x7F) << shift;
        if byte[0] & 0x80 == 0 {
            let mut body = vec![0; length];
            stream.read_exact(&mut body)?;
            return Ok((first, body));
        }
    }
    Err(broken("a remaining length of more than four bytes"))
}

fn broken(what: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, what)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The standard's own example: 321 is encoded as 0xC1 0x02 (section 2.2.3).
    #[test]
    fn the_remaining_length_is_that_of_the_standard() {
        assert_eq!(packet(0x30, &[0; 321])[..3], [0x30, 0xC1, 0x02]);
        assert_eq!(packet(0xC0, &[]), [0xC0, 0]);
    }
}
