//! ISO 13400 (`DoIP`) as an observer: Ethernet packets in, diagnostic messages and the other payloads out.
//!
//! TCP streams are put together again from their segments, whatever the order in which the capture holds them; a capture
//! that begins in the middle of a connection is read from the first header on. Lost bytes are counted, and the message
//! they were part of is given as broken.
//! Memory: [`tcp::MAX_STREAMS`] directions of connections, each with its unfinished message and a bounded store of
//! segments that came too early.
//!
//! Source: ISO 13400-2:2019, generic header (tables "generic DoIP header structure", "payload types"); ports 13400 (plain)
//! and 3496 (TLS).

mod header;
mod packet;
mod tcp;

#[cfg(test)]
mod tests;

pub use header::PayloadType;

use std::net::SocketAddr;

use self::header::Header;
use self::packet::{Carrier, carrier};
use self::tcp::{Found, Piece, Streams};
use super::queue::{Owner, Queue};
use super::{Address, Control, Fault, Message, TransportTally};
use crate::capture::Packet;
use crate::frame::{Channel, Timestamp};

/// A payload of ISO 13400 that is no diagnostic message, or one that cannot be read as such.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct DoIpPayload {
    /// Where its first packet stands in the capture.
    pub number: u64,
    /// When its last packet was seen.
    pub time: Option<Timestamp>,
    /// On which interface.
    pub channel: Channel,
    /// Who sent it.
    pub from: SocketAddr,
    /// To whom.
    pub to: SocketAddr,
    /// Over TCP; otherwise over UDP.
    pub over_tcp: bool,
    /// The protocol version of its header.
    pub version: u8,
    /// What it is.
    pub kind: PayloadType,
    /// Its bytes, without the header; fewer than announced when it is cut off.
    pub payload: Vec<u8>,
    /// The length that its header announces, in bytes.
    pub announced: u32,
}

/// Puts ISO 13400 together.
#[derive(Debug, Default)]
pub(super) struct DoIp {
    streams: Streams,
}

/// Where finished things go.
pub(super) struct Sink<'a> {
    pub queue: &'a mut Queue,
    pub tally: &'a mut TransportTally,
    /// Takes what is no diagnostic message.
    pub control: &'a mut dyn FnMut(Control),
}

impl DoIp {
    pub(super) fn push(&mut self, packet: &Packet<'_>, sink: &mut Sink<'_>) {
        match carrier(packet.data) {
            Carrier::Other => {}
            Carrier::Unreadable => sink.tally.unreadable_packets += 1,
            Carrier::Encrypted => sink.tally.encrypted += 1,
            Carrier::Udp { from, to, payload } => {
                let place = Place::of(packet, from, to, false);
                datagram(payload, place, sink);
            }
            Carrier::Tcp(segment) => {
                let place = Place::of(packet, segment.from, segment.to, true);
                self.streams
                    .push(&segment, place, &mut |found| take(&found, sink));
            }
        }
    }

    /// The capture is over: what is under way is given as broken.
    pub(super) fn finish(&mut self, sink: &mut Sink<'_>) {
        self.streams.finish(&mut |found| take(&found, sink));
    }
}

/// Where a header's first byte came from.
#[derive(Clone, Copy, Debug)]
struct Place {
    number: u64,
    time: Option<Timestamp>,
    channel: Channel,
    from: SocketAddr,
    to: SocketAddr,
    over_tcp: bool,
}

impl Place {
    fn of(packet: &Packet<'_>, from: SocketAddr, to: SocketAddr, over_tcp: bool) -> Self {
        Self {
            number: packet.number,
            time: packet.time,
            channel: packet.channel,
            from,
            to,
            over_tcp,
        }
    }
}

/// A datagram holds one header after another, usually one.
fn datagram(mut rest: &[u8], place: Place, sink: &mut Sink<'_>) {
    while !rest.is_empty() {
        let Some((header, after)) = Header::split(rest) else {
            sink.tally.stream_bytes_lost += rest.len() as u64;
            return;
        };
        let wanted = header.length as usize;
        let (payload, next) = after.split_at(wanted.min(after.len()));
        let fault = (payload.len() < wanted).then_some(Fault::Length);
        give(
            Piece {
                header,
                payload,
                place,
                end: place.time,
                segments: 1,
                fault,
            },
            sink,
        );
        rest = next;
    }
}

fn take(found: &Found<'_>, sink: &mut Sink<'_>) {
    match found {
        Found::Piece(piece) => give(*piece, sink),
        Found::Lost(bytes) => sink.tally.stream_bytes_lost += *bytes as u64,
    }
}

/// A header with its payload becomes a message or a control.
fn give(piece: Piece<'_>, sink: &mut Sink<'_>) {
    let Piece {
        header,
        payload,
        place,
        end,
        segments,
        fault,
    } = piece;
    if header.kind == PayloadType::DIAGNOSTIC
        && let Some((&[s1, s0, t1, t0], bytes)) = payload.split_first_chunk::<4>()
    {
        let source = u16::from_be_bytes([s1, s0]);
        let target = u16::from_be_bytes([t1, t0]);
        let functional = FUNCTIONAL.contains(&target);
        let mut buffer = sink.queue.spare();
        buffer.extend_from_slice(bytes);
        let message = Message {
            number: place.number,
            start: place.time,
            end,
            channel: place.channel,
            address: Address::DoIp { source, target },
            partner: (!functional).then_some(Address::DoIp {
                source: target,
                target: source,
            }),
            functional,
            frames: segments,
            payload: buffer,
            announced: header.length.saturating_sub(4),
            fault,
        };
        sink.queue.push(Owner::NOBODY, u32::MAX, true, message);
        return;
    }
    (sink.control)(Control::DoIp(DoIpPayload {
        number: place.number,
        time: end,
        channel: place.channel,
        from: place.from,
        to: place.to,
        over_tcp: place.over_tcp,
        version: header.version,
        kind: header.kind,
        payload: payload.to_vec(),
        announced: header.length,
    }));
}

/// Logical addresses of groups of modules (ISO 13400-2, table "logical address overview").
const FUNCTIONAL: std::ops::RangeInclusive<u16> = 0xE000..=0xEFFF;
