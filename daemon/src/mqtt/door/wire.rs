//! From bytes to packets at the door: the client library's MQTT 3.1.1 codec, which was written
//! for the other side, with what a listener needs in front of it. A PUBLISH too large to read
//! is passed over piece by piece without being held, so that it can be refused and acknowledged
//! rather than sent again for ever.

use bytes::{Buf, Bytes, BytesMut};
use rumqttc::mqttbytes::{self, v4};
use tokio_util::codec::{Decoder, Encoder};

use super::settings::Limits;

const CONNECT: u8 = 1;
const PUBLISH: u8 = 3;
/// The level of MQTT 3.1.1 in CONNECT.
const LEVEL_3_1_1: u8 = 4;
/// Bytes of an oversize payload that are kept.
const START_KEPT: usize = 64;

/// What came.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Frame {
    /// A packet.
    Packet(v4::Packet),
    /// A PUBLISH that was too large and was passed over.
    PassedOver(PassedOver),
    /// A CONNECT of another version of MQTT.
    OtherVersion(u8),
}

/// What is known of a PUBLISH that was passed over.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct PassedOver {
    pub(super) topic: String,
    /// 0 for QoS 0.
    pub(super) packet: u16,
    pub(super) dup: bool,
    pub(super) bytes: usize,
    pub(super) start: Bytes,
}

/// Why the bytes are not MQTT as the door speaks it.
#[derive(Debug, thiserror::Error)]
pub(super) enum WireError {
    #[error("a packet of {bytes} bytes")]
    TooLarge { bytes: usize },
    #[error("not MQTT 3.1.1: {0}")]
    NotMqtt(#[from] mqttbytes::Error),
    #[error("the connection broke: {0}")]
    Io(#[from] std::io::Error),
}

/// The codec of one connection.
#[derive(Debug)]
pub(super) struct Wire {
    codec: v4::Codec,
    passed_over_bytes: usize,
    topic_bytes: usize,
    /// The first packet must be CONNECT; until it came, nothing else is worth reading.
    first: bool,
    passing: Option<(PassedOver, usize)>,
}

impl Wire {
    pub(super) fn new(limits: &Limits) -> Wire {
        Wire {
            codec: v4::Codec {
                max_incoming_size: limits.packet_bytes,
                max_outgoing_size: limits.packet_bytes,
            },
            passed_over_bytes: limits.passed_over_bytes,
            topic_bytes: limits.topic_bytes,
            first: true,
            passing: None,
        }
    }

    /// The head of a PUBLISH too large to read; `None` until enough of it came.
    fn head(&self, src: &BytesMut, header: &Header) -> Result<Option<PassedOver>, WireError> {
        let malformed = || WireError::NotMqtt(mqttbytes::Error::MalformedPacket);
        let rest = &src[header.length..];
        let Some(topic_bytes) = rest.first_chunk::<2>() else {
            return Ok(None);
        };
        let topic_bytes = usize::from(u16::from_be_bytes(*topic_bytes));
        if topic_bytes > self.topic_bytes {
            return Err(WireError::TooLarge {
                bytes: header.remaining,
            });
        }
        let qos = (header.first >> 1) & 0b11;
        let id_bytes = if qos == 0 { 0 } else { 2 };
        let payload_at = 2 + topic_bytes + id_bytes;
        // The packet is larger than any packet that is read, so these bytes will come.
        if rest.len() < payload_at + START_KEPT {
            return Ok(None);
        }
        let topic = std::str::from_utf8(&rest[2..2 + topic_bytes]).map_err(|_| malformed())?;
        let packet = match qos {
            0 => 0,
            1 => u16::from_be_bytes([rest[2 + topic_bytes], rest[3 + topic_bytes]]),
            _ => return Err(malformed()),
        };
        if qos == 1 && packet == 0 {
            return Err(malformed());
        }
        Ok(Some(PassedOver {
            topic: topic.to_owned(),
            packet,
            dup: header.first & 0b1000 != 0,
            bytes: header.remaining,
            start: Bytes::copy_from_slice(&rest[payload_at..payload_at + START_KEPT]),
        }))
    }
}

/// A packet's fixed header.
struct Header {
    first: u8,
    /// Of the header itself, bytes.
    length: usize,
    /// Of what follows, bytes.
    remaining: usize,
}

/// Reads a fixed header (MQTT 3.1.1 section 2.2); `None` until all of it came.
fn header(src: &[u8]) -> Result<Option<Header>, WireError> {
    let Some((first, rest)) = src.split_first() else {
        return Ok(None);
    };
    let mut remaining = 0;
    for (i, byte) in rest.iter().take(4).enumerate() {
        remaining |= usize::from(byte & 0x7f) << (7 * i);
        if byte & 0x80 == 0 {
            return Ok(Some(Header {
                first: *first,
                length: i + 2,
                remaining,
            }));
        }
    }
    if rest.len() < 4 {
        Ok(None)
    } else {
        Err(WireError::NotMqtt(
            mqttbytes::Error::MalformedRemainingLength,
        ))
    }
}

impl Decoder for Wire {
    type Item = Frame;
    type Error = WireError;

    fn decode(&mut self, src: &mut BytesMut) -> Result<Option<Frame>, WireError> {
        if let Some((passed, left)) = self.passing.take() {
            let now = left.min(src.len());
            src.advance(now);
            if now < left {
                self.passing = Some((passed, left - now));
                return Ok(None);
            }
            return Ok(Some(Frame::PassedOver(passed)));
        }
        let Some(header) = header(src)? else {
            return Ok(None);
        };
        let kind = header.first >> 4;
        if self.first && kind != CONNECT {
            return Err(WireError::NotMqtt(mqttbytes::Error::NotConnect(
                mqttbytes::PacketType::Connect,
            )));
        }
        if header.remaining > self.codec.max_incoming_size {
            if kind != PUBLISH || header.remaining > self.passed_over_bytes {
                return Err(WireError::TooLarge {
                    bytes: header.remaining,
                });
            }
            if let Some(passed) = self.head(src, &header)? {
                self.passing = Some((passed, header.length + header.remaining));
                return self.decode(src);
            }
            return Ok(None);
        }
        if kind == CONNECT {
            // Other versions lay out the rest differently, so they are told apart first.
            let level_at = header.length + 6;
            if src.len() > level_at
                && &src[header.length..level_at] == b"\0\x04MQTT"
                && src[level_at] != LEVEL_3_1_1
            {
                return Ok(Some(Frame::OtherVersion(src[level_at])));
            }
        }
        let packet = self.codec.decode(src)?;
        if packet.is_some() {
            self.first = false;
        }
        Ok(packet.map(Frame::Packet))
    }
}

impl Encoder<v4::Packet> for Wire {
    type Error = WireError;

    fn encode(&mut self, packet: v4::Packet, dst: &mut BytesMut) -> Result<(), WireError> {
        Ok(self.codec.encode(packet, dst)?)
    }
}
