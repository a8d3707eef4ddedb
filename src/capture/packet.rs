//! What stands inside a captured packet, by its link type: a CAN frame of SocketCAN, bare or in a Linux cooked
//! capture, or an Ethernet packet.
//!
//! The byte order of the CAN identifier differs: big-endian in a bare frame (`CAN_SOCKETCAN`), that of the machine
//! that captured in a cooked one. The file's own byte order tells the latter.
//! Left out: CAN XL; other protocols in cooked captures.
//!
//! Source: the link-layer header types of tcpdump.org, `LINKTYPE_CAN_SOCKETCAN`, `LINKTYPE_LINUX_SLL` and
//! `LINKTYPE_LINUX_SLL2`; `linux/can.h` for the flags.

use std::ops::Range;

use super::Remark;
use crate::frame::{CanId, FrameKind, MAX_DATA};

/// Link types that are read, as numbers of tcpdump.org.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum LinkType {
    /// 1
    Ethernet,
    /// 113
    Cooked,
    /// 227
    SocketCan,
    /// 276
    Cooked2,
    Other(u32),
}

impl From<u32> for LinkType {
    fn from(number: u32) -> Self {
        match number {
            1 => Self::Ethernet,
            113 => Self::Cooked,
            227 => Self::SocketCan,
            276 => Self::Cooked2,
            other => Self::Other(other),
        }
    }
}

/// The byte order of a file.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum ByteOrder {
    Little,
    Big,
}

impl ByteOrder {
    /// The number at `at`; `None` where `bytes` ends before.
    #[inline]
    pub(super) fn u32_at(self, bytes: &[u8], at: usize) -> Option<u32> {
        bytes.get(at..)?.first_chunk().map(|bytes| self.u32(*bytes))
    }

    /// The number at `at`; `None` where `bytes` ends before.
    #[inline]
    pub(super) fn u16_at(self, bytes: &[u8], at: usize) -> Option<u16> {
        bytes.get(at..)?.first_chunk().map(|bytes| self.u16(*bytes))
    }

    #[inline]
    pub(super) const fn u16(self, bytes: [u8; 2]) -> u16 {
        match self {
            Self::Little => u16::from_le_bytes(bytes),
            Self::Big => u16::from_be_bytes(bytes),
        }
    }

    #[inline]
    pub(super) const fn u32(self, bytes: [u8; 4]) -> u32 {
        match self {
            Self::Little => u32::from_le_bytes(bytes),
            Self::Big => u32::from_be_bytes(bytes),
        }
    }
}

/// What a packet holds.
#[derive(Clone, Debug, Eq, PartialEq)]
pub(super) enum Content {
    Can(CanPacket),
    Ethernet,
}

/// A CAN frame within a packet.
#[derive(Clone, Debug, Eq, PartialEq)]
pub(super) struct CanPacket {
    pub(super) id: CanId,
    pub(super) kind: FrameKind,
    /// Where its data is in the packet.
    pub(super) data: Range<usize>,
    /// The interface's number on the machine that captured, where the packet says it (cooked version 2).
    pub(super) interface: Option<u32>,
}

/// Looks into a packet of which `bytes` were captured.
#[inline]
pub(super) fn look(link: LinkType, order: ByteOrder, bytes: &[u8]) -> Result<Content, Remark> {
    match link {
        LinkType::SocketCan => frame(bytes, ByteOrder::Big, false, 0).map(Content::Can),
        LinkType::Ethernet => Ok(Content::Ethernet),
        LinkType::Cooked => cooked(bytes, order),
        LinkType::Cooked2 => cooked2(bytes, order),
        LinkType::Other(_) => Err(Remark::OtherLinkType),
    }
}

const COOKED_HEADER: usize = 16;
const COOKED2_HEADER: usize = 20;
/// Protocol numbers of Linux (`linux/if_ether.h`).
const PROTOCOL_CAN: u16 = 0x000C;
const PROTOCOL_CAN_FD: u16 = 0x000D;
const PROTOCOL_CAN_XL: u16 = 0x000E;

fn cooked(bytes: &[u8], order: ByteOrder) -> Result<Content, Remark> {
    let (header, rest) = bytes
        .split_at_checked(COOKED_HEADER)
        .ok_or(Remark::CutOff)?;
    let protocol = header.last_chunk().copied().map_or(0, u16::from_be_bytes);
    let is_fd = cooked_protocol(protocol)?;
    frame(rest, order, is_fd, COOKED_HEADER).map(Content::Can)
}

fn cooked2(bytes: &[u8], order: ByteOrder) -> Result<Content, Remark> {
    let (header, rest) = bytes
        .split_at_checked(COOKED2_HEADER)
        .ok_or(Remark::CutOff)?;
    let protocol = header.first_chunk().copied().map_or(0, u16::from_be_bytes);
    let is_fd = cooked_protocol(protocol)?;
    let mut packet = frame(rest, order, is_fd, COOKED2_HEADER)?;
    packet.interface = ByteOrder::Big.u32_at(header, 4);
    Ok(Content::Can(packet))
}

/// Whether it is CAN FD.
const fn cooked_protocol(protocol: u16) -> Result<bool, Remark> {
    match protocol {
        PROTOCOL_CAN => Ok(false),
        PROTOCOL_CAN_FD => Ok(true),
        PROTOCOL_CAN_XL => Err(Remark::UnknownPart),
        _ => Err(Remark::OtherLinkType),
    }
}

/// Identifier, length, flags, and two more bytes before the data.
const FRAME_HEADER: usize = 8;
const MAX_CLASSIC: u8 = 8;

const ID_EXTENDED: u32 = 0x8000_0000;
const ID_REMOTE: u32 = 0x4000_0000;
const ID_ERROR: u32 = 0x2000_0000;

const FD_BIT_RATE_SWITCH: u8 = 0x01;
const FD_ERROR_PASSIVE: u8 = 0x02;
const FD_FORMAT: u8 = 0x04;
/// In place of the length: CAN XL.
const XL_FORMAT: u8 = 0x80;

/// A frame as SocketCAN lays it out, which begins `at` bytes into its packet.
#[inline]
fn frame(bytes: &[u8], order: ByteOrder, is_fd: bool, at: usize) -> Result<CanPacket, Remark> {
    let Some(header) = bytes.first_chunk::<FRAME_HEADER>() else {
        return Err(Remark::CutOff);
    };
    let &[id @ .., length, flags, _, _] = header;
    let id = order.u32(id);
    if length > MAX_CLASSIC && length & XL_FORMAT != 0 {
        return Err(Remark::UnknownPart);
    }
    let is_fd = is_fd
        || flags & FD_FORMAT != 0
        || length > MAX_CLASSIC
        || bytes.len() == FRAME_HEADER + MAX_DATA;
    let size = usize::from(length);
    if size > MAX_DATA {
        return Err(Remark::Malformed);
    }
    let kind = if id & ID_ERROR != 0 {
        FrameKind::Error
    } else if is_fd {
        FrameKind::Fd {
            bit_rate_switch: flags & FD_BIT_RATE_SWITCH != 0,
            error_passive: flags & FD_ERROR_PASSIVE != 0,
        }
    } else if id & ID_REMOTE != 0 {
        FrameKind::Remote { length }
    } else {
        FrameKind::Data
    };
    let id = if id & (ID_EXTENDED | ID_ERROR) != 0 {
        CanId::extended_masked(id)
    } else if id & CanId::MAX_EXTENDED <= CanId::MAX_STANDARD {
        CanId::standard_masked(id)
    } else {
        return Err(Remark::Malformed);
    };
    let from = at + FRAME_HEADER;
    let data = match kind {
        FrameKind::Remote { .. } => from..from,
        FrameKind::Error if length > MAX_CLASSIC => return Err(Remark::Malformed),
        _ if bytes.len() < FRAME_HEADER + size => return Err(Remark::CutOff),
        _ => from..from + size,
    };
    Ok(CanPacket {
        id,
        kind,
        data,
        interface: None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Case {
        source: &'static str,
        link: LinkType,
        order: ByteOrder,
        packet: &'static [u8],
        id: u32,
        kind: FrameKind,
        data: &'static [u8],
    }

    const FD: FrameKind = FrameKind::Fd {
        bit_rate_switch: true,
        error_passive: false,
    };

    const CASES: &[Case] = &[
        Case {
            source: "tcpdump.org, LINKTYPE_CAN_SOCKETCAN: big-endian whatever the file",
            link: LinkType::SocketCan,
            order: ByteOrder::Little,
            packet: &[0, 0, 0x07, 0xDF, 3, 0, 0, 0, 0x02, 0x01, 0x0C],
            id: 0x7DF,
            kind: FrameKind::Data,
            data: &[0x02, 0x01, 0x0C],
        },
        Case {
            source: "linux/can.h: bit 31 is a 29-bit identifier",
            link: LinkType::SocketCan,
            order: ByteOrder::Little,
            packet: &[
                0x98, 0xDA, 0xF1, 0x10, 1, 0, 0, 0, 0xAA, 0, 0, 0, 0, 0, 0, 0,
            ],
            id: 0x18DA_F110,
            kind: FrameKind::Data,
            data: &[0xAA],
        },
        Case {
            source: "linux/can.h: bit 30 is a remote frame",
            link: LinkType::SocketCan,
            order: ByteOrder::Little,
            packet: &[0x40, 0, 0x01, 0x23, 4, 0, 0, 0],
            id: 0x123,
            kind: FrameKind::Remote { length: 4 },
            data: &[],
        },
        Case {
            source: "linux/can.h and can/error.h: bit 29 is an error frame, 0x004 a problem of the controller",
            link: LinkType::SocketCan,
            order: ByteOrder::Little,
            packet: &[0x20, 0, 0, 4, 8, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0],
            id: 0x4,
            kind: FrameKind::Error,
            data: &[0, 1, 0, 0, 0, 0, 0, 0],
        },
        Case {
            source: "tcpdump.org: the CAN FD flag 0x04 with a short frame",
            link: LinkType::SocketCan,
            order: ByteOrder::Big,
            packet: &[0, 0, 0x07, 0xE8, 2, 5, 0, 0, 1, 2],
            id: 0x7E8,
            kind: FD,
            data: &[1, 2],
        },
        Case {
            source: "tcpdump.org, LINKTYPE_LINUX_SLL: the order of the machine; protocol 0x000C",
            link: LinkType::Cooked,
            order: ByteOrder::Little,
            packet: &[
                0, 1, 1, 0x18, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0x0C, 0x10, 0x07, 0, 0, 2, 0, 0, 0,
                1, 2,
            ],
            id: 0x710,
            kind: FrameKind::Data,
            data: &[1, 2],
        },
        Case {
            source: "the same from a big-endian machine, protocol 0x000D is CAN FD",
            link: LinkType::Cooked,
            order: ByteOrder::Big,
            packet: &[
                0, 1, 1, 0x18, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0x0D, 0, 0, 0x07, 0x10, 2, 1, 0, 0,
                1, 2,
            ],
            id: 0x710,
            kind: FD,
            data: &[1, 2],
        },
        Case {
            source: "tcpdump.org, LINKTYPE_LINUX_SLL2: protocol first, then the interface",
            link: LinkType::Cooked2,
            order: ByteOrder::Little,
            packet: &[
                0, 0x0C, 0, 0, 0, 0, 0, 7, 1, 0x18, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0x10, 0x07, 0, 0,
                1, 0, 0, 0, 9,
            ],
            id: 0x710,
            kind: FrameKind::Data,
            data: &[9],
        },
    ];

    #[test]
    fn frames_are_found_in_every_link_type() {
        for case in CASES {
            let content = look(case.link, case.order, case.packet);
            let Ok(Content::Can(found)) = content else {
                panic!("{}: {content:?}", case.source);
            };
            assert_eq!(found.id.raw(), case.id, "{}", case.source);
            assert_eq!(found.kind, case.kind, "{}", case.source);
            assert_eq!(&case.packet[found.data], case.data, "{}", case.source);
            let expected = (case.link == LinkType::Cooked2).then_some(7);
            assert_eq!(found.interface, expected, "{}", case.source);
        }
    }

    #[test]
    fn a_packet_cut_anywhere_is_told() {
        for case in CASES {
            let has_data = !case.data.is_empty();
            let needed = case.packet.len()
                - usize::from(case.packet.len() == 16 && case.id == 0x18DA_F110) * 7;
            for length in 0..needed {
                let found = look(case.link, case.order, &case.packet[..length]);
                assert_eq!(
                    found,
                    Err(Remark::CutOff),
                    "{} at {length}, {has_data}",
                    case.source
                );
            }
        }
    }

    #[test]
    fn other_things_are_told_apart() {
        let look = |link, packet: &[u8]| look(link, ByteOrder::Little, packet).unwrap_err();
        assert_eq!(
            look(LinkType::from(101), &[0x45; 40]),
            Remark::OtherLinkType
        );
        let mut cooked_ip = [0; 40];
        cooked_ip[14] = 0x08;
        assert_eq!(look(LinkType::Cooked, &cooked_ip), Remark::OtherLinkType);
        let too_long = [0, 0, 1, 0, 65, 0, 0, 0];
        assert_eq!(look(LinkType::SocketCan, &too_long), Remark::Malformed);
        let wide_id = [0, 0, 8, 0, 0, 0, 0, 0];
        assert_eq!(look(LinkType::SocketCan, &wide_id), Remark::Malformed);
        let xl = [0, 0, 1, 0, 0x80, 0, 4, 0];
        assert_eq!(look(LinkType::SocketCan, &xl), Remark::UnknownPart);
    }
}
