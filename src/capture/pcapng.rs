//! pcapng: blocks with their length at both ends; sections in either byte order; any number of interfaces.
//!
//! Read: section header, interface description (name, resolution and offset of its clock), enhanced, simple and
//! obsolete packet blocks. Known blocks without packets are passed over, unknown ones are counted. Where the two
//! lengths of a block differ, the next sound block is looked for.
//! The bus of a packet is its interface's name, or its number within the section (`0`, `1`…).
//! Limits: [`MAX_BLOCK`] for a packet's block, [`MAX_INTERFACES`] for a section.
//!
//! Source: draft-ietf-opsawg-pcapng.

use std::io;
use std::ops::Range;

use super::input::Input;
use super::packet::{ByteOrder, CanPacket, Content, LinkType, look};
use super::{Buses, Found, Remark, Tally, intern};
use crate::frame::{Channel, Channels, Timestamp};

/// Longest block that is looked into, in bytes; longer ones are passed over.
pub(super) const MAX_BLOCK: usize = 128 << 10;
/// Most interfaces of a section.
pub(super) const MAX_INTERFACES: usize = 4_096;

/// The type of a section header block: the same in both byte orders.
pub(super) const SECTION_HEADER: [u8; 4] = [0x0A, 0x0D, 0x0D, 0x0A];

const SECTION: u32 = 0x0A0D_0D0A;
const INTERFACE: u32 = 1;
const OBSOLETE_PACKET: u32 = 2;
const SIMPLE_PACKET: u32 = 3;
const NAMES: u32 = 4;
const STATISTICS: u32 = 5;
const ENHANCED_PACKET: u32 = 6;
const JOURNAL: u32 = 9;
const SECRETS: u32 = 10;
const CUSTOM: u32 = 0x0BAD;
const CUSTOM_NOT_COPIED: u32 = 0x4000_0BAD;

const OPTION_END: u16 = 0;
const OPTION_NAME: u16 = 2;
const OPTION_RESOLUTION: u16 = 9;
const OPTION_OFFSET: u16 = 14;

/// Type and length in front, and the length again at the end.
const BLOCK_OVERHEAD: usize = 12;
const MAX_NAME: usize = 64;

/// Walks the blocks of one file.
#[derive(Debug)]
pub(super) struct Blocks {
    order: ByteOrder,
    interfaces: Vec<Interface>,
    buses: Buses,
    /// Packets taken so far.
    number: u64,
}

/// One interface of the section at hand.
#[derive(Clone, Copy, Debug)]
struct Interface {
    link: LinkType,
    channel: Channel,
    /// Bytes of a packet that are kept; 0 for all.
    snap_length: u32,
    resolution: Resolution,
    offset_nanos: i64,
}

/// What a tick of an interface's clock is.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Resolution {
    /// So many nanoseconds.
    Nanos(u64),
    /// So many ticks are one nanosecond.
    PerNano(u64),
    /// Two to the power of so many are a second.
    Binary(u32),
}

impl Resolution {
    const MICROSECONDS: Self = Self::Nanos(1_000);

    /// By the option's byte: a power of ten, or of two where the top bit is set.
    fn new(byte: u8) -> Option<Self> {
        let power = u32::from(byte & 0x7F);
        if byte & 0x80 != 0 {
            return (power < 64).then_some(Self::Binary(power));
        }
        match power {
            0..=9 => 10_u64.checked_pow(9 - power).map(Self::Nanos),
            _ => 10_u64.checked_pow(power - 9).map(Self::PerNano),
        }
    }

    #[inline]
    fn nanos(self, ticks: u64) -> Option<i64> {
        let nanos = match self {
            Self::Nanos(nanos) => ticks.checked_mul(nanos)?,
            Self::PerNano(ticks_per_nano) => ticks.checked_div(ticks_per_nano)?,
            Self::Binary(power) => {
                let nanos = (u128::from(ticks) * 1_000_000_000) >> power;
                u64::try_from(nanos).ok()?
            }
        };
        i64::try_from(nanos).ok()
    }
}

/// A packet within its block.
struct Packet {
    interface: usize,
    ticks: Option<u64>,
    /// Where its bytes are in the block's body.
    data: Range<usize>,
}

impl Blocks {
    /// Before the first block, which must be a section header.
    pub(super) fn new() -> Self {
        Self {
            order: ByteOrder::Little,
            interfaces: Vec::new(),
            buses: Buses::default(),
            number: 0,
        }
    }

    /// The next frame or packet; `None` at the end.
    #[inline]
    pub(super) fn next(
        &mut self,
        input: &mut Input,
        channels: &mut Channels,
        tally: &mut Tally,
    ) -> io::Result<Option<Found>> {
        loop {
            if !input.ensure(BLOCK_OVERHEAD)? {
                let left = input.window().len();
                if left > 0 {
                    tally.add(Remark::CutOff, self.number + 1, input.offset());
                    input.take(left);
                }
                return Ok(None);
            }
            let offset = input.offset();
            let Some((kind, size)) = self.block_head(input.window()) else {
                if self.resume(input, tally)? {
                    continue;
                }
                return Ok(None);
            };
            // A packet's block of that size has a damaged length rather than such a packet.
            if size > MAX_BLOCK && !is_read(kind) {
                if !is_passed_over(kind) {
                    tally.add(Remark::UnknownPart, self.number + 1, offset);
                }
                if input.skip(size as u64)? < size as u64 {
                    tally.add(Remark::CutOff, self.number + 1, offset);
                }
                continue;
            }
            if size > MAX_BLOCK || !input.ensure(size)? || !self.is_closed(input.window(), size) {
                if self.resume(input, tally)? {
                    continue;
                }
                return Ok(None);
            }
            let place = input.take(size);
            let body = place.start + 8..place.end - 4;
            if kind == ENHANCED_PACKET || kind == SIMPLE_PACKET || kind == OBSOLETE_PACKET {
                self.number += 1;
                let bytes = input.bytes(body.clone());
                match self.packet(kind, bytes, channels, tally, offset) {
                    Ok(found) => {
                        return Ok(Some(Found {
                            data: body.start + found.data.start..body.start + found.data.end,
                            ..found
                        }));
                    }
                    Err(remark) => tally.add(remark, self.number, offset),
                }
            } else if let Err(remark) =
                self.describe(kind, input.bytes(body), channels, tally, offset)
            {
                tally.add(remark, self.number + 1, offset);
            }
        }
    }

    /// Type and size of the block at the start of the window; a section header also sets the byte order.
    #[inline]
    fn block_head(&mut self, window: &[u8]) -> Option<(u32, usize)> {
        let head = window.first_chunk::<BLOCK_OVERHEAD>()?;
        let (kind, rest) = head.split_first_chunk()?;
        if *kind == SECTION_HEADER {
            self.order = match rest.last_chunk()? {
                [0x4D, 0x3C, 0x2B, 0x1A] => ByteOrder::Little,
                [0x1A, 0x2B, 0x3C, 0x4D] => ByteOrder::Big,
                _ => return None,
            };
        }
        // A length that is no multiple of four is rounded up, as the draft says readers should.
        let size = self.order.u32_at(head, 4)? as usize;
        let size = size.checked_next_multiple_of(4)?;
        (size >= BLOCK_OVERHEAD).then_some((self.order.u32(*kind), size))
    }

    /// Whether the length stands at the end of the block again.
    #[inline]
    fn is_closed(&self, window: &[u8], size: usize) -> bool {
        let last = self.order.u32_at(window, size - 4);
        last.and_then(|last| (last as usize).checked_next_multiple_of(4)) == Some(size)
    }

    /// Passes over damage to the next sound packet or section. `false`: there is none.
    fn resume(&mut self, input: &mut Input, tally: &mut Tally) -> io::Result<bool> {
        let (number, offset) = (self.number + 1, input.offset());
        let order = self.order;
        let mut passed = 0;
        loop {
            input.take(1);
            passed += 1;
            if !input.ensure(BLOCK_OVERHEAD)? {
                let remark = if input.is_ended() && passed < MAX_BLOCK {
                    Remark::CutOff
                } else {
                    Remark::Malformed
                };
                tally.add(remark, number, offset);
                let left = input.window().len();
                input.take(left);
                return Ok(false);
            }
            let Some((kind, size)) = self.block_head(input.window()) else {
                self.order = order;
                continue;
            };
            let is_known = kind == SECTION || kind <= SECRETS && kind > 0;
            if is_known
                && size <= MAX_BLOCK
                && input.ensure(size)?
                && self.is_closed(input.window(), size)
            {
                tally.add(Remark::Malformed, number, offset);
                return Ok(true);
            }
            self.order = order;
        }
    }

    /// Reads a block without a packet.
    fn describe(
        &mut self,
        kind: u32,
        body: &[u8],
        channels: &mut Channels,
        tally: &mut Tally,
        offset: u64,
    ) -> Result<(), Remark> {
        match kind {
            SECTION => {
                self.interfaces.clear();
                Ok(())
            }
            INTERFACE => {
                if self.interfaces.len() == MAX_INTERFACES {
                    return Err(Remark::UnknownPart);
                }
                let interface = self.interface(body, channels, tally, offset);
                self.interfaces.push(interface.ok_or(Remark::Malformed)?);
                Ok(())
            }
            _ if is_passed_over(kind) => Ok(()),
            _ => Err(Remark::UnknownPart),
        }
    }

    fn interface(
        &self,
        body: &[u8],
        channels: &mut Channels,
        tally: &mut Tally,
        offset: u64,
    ) -> Option<Interface> {
        let (head, mut options) = body.split_first_chunk::<8>()?;
        let mut name = None;
        let mut resolution = Resolution::MICROSECONDS;
        let mut offset_nanos = 0;
        while let Some((option, rest)) = options.split_first_chunk::<4>() {
            let code = self.order.u16_at(option, 0)?;
            let length = usize::from(self.order.u16_at(option, 2)?);
            let Some(value) = rest.get(..length) else {
                break;
            };
            match (code, value) {
                (OPTION_END, _) => break,
                (OPTION_NAME, text) => name = clean_name(text),
                (OPTION_RESOLUTION, &[byte]) => resolution = Resolution::new(byte)?,
                (OPTION_OFFSET, value) => offset_nanos = self.offset(value).unwrap_or(0),
                _ => {}
            }
            options = rest.get(length.next_multiple_of(4)..).unwrap_or_default();
        }
        let name = name.unwrap_or_else(|| self.interfaces.len().to_string());
        Some(Interface {
            link: LinkType::from(u32::from(self.order.u16_at(head, 0)?)),
            channel: intern(channels, &name, tally, self.number + 1, offset),
            snap_length: self.order.u32_at(head, 4)?,
            resolution,
            offset_nanos,
        })
    }

    /// Seconds to be added to every stamp, as nanoseconds.
    fn offset(&self, value: &[u8]) -> Option<i64> {
        let bytes = *value.first_chunk()?;
        let seconds = match self.order {
            ByteOrder::Little => i64::from_le_bytes(bytes),
            ByteOrder::Big => i64::from_be_bytes(bytes),
        };
        seconds.checked_mul(1_000_000_000)
    }

    /// Reads a block with a packet; the place of the data is within `body`.
    #[inline]
    fn packet(
        &mut self,
        kind: u32,
        body: &[u8],
        channels: &mut Channels,
        tally: &mut Tally,
        offset: u64,
    ) -> Result<Found, Remark> {
        let packet = match kind {
            ENHANCED_PACKET => self.enhanced(body),
            SIMPLE_PACKET => self.simple(body),
            _ => self.obsolete(body),
        };
        let packet = packet.ok_or(Remark::Malformed)?;
        let interface = self
            .interfaces
            .get(packet.interface)
            .ok_or(Remark::Malformed)?;
        let bytes = body.get(packet.data.clone()).ok_or(Remark::CutOff)?;
        let time = match packet.ticks {
            None => None,
            Some(ticks) => {
                let nanos = interface
                    .resolution
                    .nanos(ticks)
                    .and_then(|nanos| nanos.checked_add(interface.offset_nanos));
                Some(Timestamp::from_nanos(nanos.ok_or(Remark::Malformed)?))
            }
        };
        let start = packet.data.start;
        match look(interface.link, self.order, bytes)? {
            Content::Can(CanPacket {
                id,
                kind,
                data,
                interface: inner,
            }) => {
                let base = interface.channel;
                let channel = match inner {
                    None => base,
                    Some(inner) => {
                        let at = (self.number, offset);
                        self.buses.channel(base, inner, channels, tally, at)
                    }
                };
                Ok(Found {
                    number: self.number,
                    time,
                    channel,
                    can: Some((id, kind)),
                    data: start + data.start..start + data.end,
                })
            }
            Content::Ethernet => Ok(Found {
                number: self.number,
                time,
                channel: interface.channel,
                can: None,
                data: packet.data,
            }),
        }
    }

    #[inline]
    fn enhanced(&self, body: &[u8]) -> Option<Packet> {
        let interface = self.order.u32_at(body, 0)? as usize;
        self.stamped(interface, body)
    }

    /// Behind its interface's number it is an enhanced one.
    fn obsolete(&self, body: &[u8]) -> Option<Packet> {
        let interface = usize::from(self.order.u16_at(body, 0)?);
        self.stamped(interface, body)
    }

    /// Time (its upper half first, in every byte order), captured and original length, bytes.
    #[inline]
    fn stamped(&self, interface: usize, body: &[u8]) -> Option<Packet> {
        let head = body.first_chunk::<20>()?;
        let (upper, lower) = (self.order.u32_at(head, 4)?, self.order.u32_at(head, 8)?);
        let captured = self.order.u32_at(head, 12)? as usize;
        Some(Packet {
            interface,
            ticks: Some(u64::from(upper) << 32 | u64::from(lower)),
            data: 20..captured.checked_add(20)?,
        })
    }

    /// Its length on the wire may be more than was kept: the interface's limit and the block's end count as well.
    fn simple(&self, body: &[u8]) -> Option<Packet> {
        let (&original, _) = body.split_first_chunk()?;
        let original = self.order.u32(original) as usize;
        let limit = match self.interfaces.first()?.snap_length {
            0 => usize::MAX,
            limit => limit as usize,
        };
        let captured = original.min(limit).min(body.len() - 4);
        Some(Packet {
            interface: 0,
            ticks: None,
            data: 4..4 + captured,
        })
    }
}

/// Blocks that are looked into.
const fn is_read(kind: u32) -> bool {
    matches!(
        kind,
        SECTION | INTERFACE | ENHANCED_PACKET | SIMPLE_PACKET | OBSOLETE_PACKET
    )
}

/// Blocks that are known and hold no packet.
const fn is_passed_over(kind: u32) -> bool {
    matches!(
        kind,
        NAMES | STATISTICS | JOURNAL | SECRETS | CUSTOM | CUSTOM_NOT_COPIED
    )
}

/// An interface's name without its padding, cut to [`MAX_NAME`] characters; `None` where nothing is left.
fn clean_name(text: &[u8]) -> Option<String> {
    let text = text.split(|&byte| byte == 0).next().unwrap_or_default();
    let name: String = String::from_utf8_lossy(text.trim_ascii())
        .chars()
        .take(MAX_NAME)
        .collect();
    (!name.is_empty()).then_some(name)
}
