//! Ethernet packets: is there ISO 13400 inside?

use std::net::{IpAddr, SocketAddr};

use etherparse::{LaxNetSlice, LaxSlicedPacket, TransportSlice};

/// What a packet carries.
#[derive(Debug)]
pub(super) enum Carrier<'a> {
    /// Nothing of ISO 13400.
    Other,
    /// Cut off, or damaged, before its ports.
    Unreadable,
    /// On the port for encrypted connections.
    Encrypted,
    /// A datagram.
    Udp {
        from: SocketAddr,
        to: SocketAddr,
        payload: &'a [u8],
    },
    /// A piece of a connection.
    Tcp(Segment<'a>),
}

/// A TCP segment.
#[derive(Clone, Copy, Debug)]
pub(super) struct Segment<'a> {
    pub from: SocketAddr,
    pub to: SocketAddr,
    pub sequence: u32,
    /// A connection begins.
    pub begins: bool,
    /// A connection ends.
    pub ends: bool,
    pub payload: &'a [u8],
}

/// Takes a packet apart: VLAN tags, IPv4, IPv6, TCP, UDP.
pub(super) fn carrier(packet: &[u8]) -> Carrier<'_> {
    let Ok(sliced) = LaxSlicedPacket::from_ethernet(packet) else {
        return Carrier::Unreadable;
    };
    let (from, to): (IpAddr, IpAddr) = match &sliced.net {
        Some(LaxNetSlice::Ipv4(ip)) => (
            ip.header().source_addr().into(),
            ip.header().destination_addr().into(),
        ),
        Some(LaxNetSlice::Ipv6(ip)) => (
            ip.header().source_addr().into(),
            ip.header().destination_addr().into(),
        ),
        None if sliced.stop_err.is_some() => return Carrier::Unreadable,
        Some(LaxNetSlice::Arp(_)) | None => return Carrier::Other,
    };
    match &sliced.transport {
        Some(TransportSlice::Udp(udp)) => {
            let ports = [udp.source_port(), udp.destination_port()];
            if !ports.contains(&PORT) {
                return Carrier::Other;
            }
            Carrier::Udp {
                from: SocketAddr::new(from, udp.source_port()),
                to: SocketAddr::new(to, udp.destination_port()),
                payload: udp.payload(),
            }
        }
        Some(TransportSlice::Tcp(tcp)) => {
            let ports = [tcp.source_port(), tcp.destination_port()];
            if ports.contains(&ENCRYPTED_PORT) {
                return if tcp.payload().is_empty() {
                    Carrier::Other
                } else {
                    Carrier::Encrypted
                };
            }
            if !ports.contains(&PORT) {
                return Carrier::Other;
            }
            Carrier::Tcp(Segment {
                from: SocketAddr::new(from, tcp.source_port()),
                to: SocketAddr::new(to, tcp.destination_port()),
                sequence: tcp.sequence_number(),
                begins: tcp.syn(),
                ends: tcp.fin() || tcp.rst(),
                payload: tcp.payload(),
            })
        }
        None if sliced.stop_err.is_some() => Carrier::Unreadable,
        Some(_) | None => Carrier::Other,
    }
}

/// Plain ISO 13400, TCP and UDP.
const PORT: u16 = 13_400;
/// ISO 13400 over TLS.
const ENCRYPTED_PORT: u16 = 3_496;
