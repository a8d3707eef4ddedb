//! How the records of a channel group are laid out, as far as CAN frames need it.
//!
//! A bus log has a channel `CAN_DataFrame` (or `CAN_RemoteFrame`, `CAN_ErrorFrame`) composed of `…BusChannel`, `…ID`
//! and so on. Their places in the record, down to single bits, differ from logger to logger.
//!
//! Source: ASAM MDF 4.1, blocks DG, CG, CN and CC; ASAM's bus logging convention for the names.

use std::io;

use super::blocks::{Block, Broken, Store, block};
use crate::frame::{CanId, FrameKind, MAX_DATA, Timestamp};

/// Blocks that describe, at most: data groups, channel groups and channels together.
pub(super) const MAX_BLOCKS: u32 = 100_000;
/// How deep channels may be composed of channels.
const MAX_DEPTH: u32 = 8;
/// Longest record that is read, in bytes.
pub(super) const MAX_RECORD: u32 = 1 << 20;

const CHANNEL_FIXED: u8 = 0;
const CHANNEL_VARIABLE: u8 = 1;
const CHANNEL_MASTER: u8 = 2;
const CHANNEL_VIRTUAL_MASTER: u8 = 3;
const CHANNEL_MAXIMUM_LENGTH: u8 = 5;
const SYNC_TIME: u8 = 1;
const CONVERSION_LINEAR: u8 = 1;
const GROUP_VARIABLE: u16 = 1;

/// One number within a record.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) struct Field {
    byte: u32,
    bit: u8,
    bits: u32,
    is_big: bool,
    is_float: bool,
}

impl Field {
    /// Its value, up to 64 bits; `None` where the record is too short.
    pub(super) fn read(self, record: &[u8]) -> Option<u64> {
        let from = self.byte as usize;
        let span = (u32::from(self.bit) + self.bits).div_ceil(8) as usize;
        if self.bits == 0 || self.bits > 64 || span > 9 {
            return None;
        }
        let bytes = record.get(from..from.checked_add(span)?)?;
        let add = |sum: u128, byte: &u8| sum << 8 | u128::from(*byte);
        let raw = if self.is_big {
            bytes.iter().fold(0, add)
        } else {
            bytes.iter().rev().fold(0, add)
        };
        let mask = u128::from(u64::MAX >> (64 - self.bits));
        u64::try_from((raw >> self.bit) & mask).ok()
    }

    fn number(self, record: &[u8]) -> Option<f64> {
        let raw = self.read(record)?;
        #[expect(
            clippy::cast_precision_loss,
            reason = "ticks of a clock stay below 2^53"
        )]
        match (self.is_float, self.bits) {
            (true, 64) => Some(f64::from_bits(raw)),
            (true, 32) => Some(f64::from(f32::from_bits(u32::try_from(raw).ok()?))),
            (true, _) => None,
            (false, _) => Some(raw as f64),
        }
    }
}

/// The clock of a group: its master channel and how it becomes seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Clock {
    /// `None`: the number of the record is the value.
    field: Option<Field>,
    offset_s: f64,
    factor: f64,
}

impl Clock {
    fn read(&self, record: &[u8], index: u64) -> Option<Timestamp> {
        #[expect(clippy::cast_precision_loss, reason = "nobody counts 2^53 records")]
        let raw = match self.field {
            Some(field) => field.number(record)?,
            None => index as f64,
        };
        let seconds = self.factor.mul_add(raw, self.offset_s);
        seconds
            .is_finite()
            .then(|| Timestamp::from_seconds(seconds))
    }
}

/// What the records of a group are.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Of {
    Data,
    Remote,
    Error,
}

/// Where the bytes of a frame are.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Bytes {
    Absent,
    /// In the record: from this byte on, so many.
    Within(u32, u32),
    /// In another place; the field says where there.
    Apart(Field),
}

/// The layout of a group of CAN frames.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Layout {
    of: Of,
    clock: Option<Clock>,
    bus: Option<Field>,
    id: Option<Field>,
    extended: Option<Field>,
    code: Option<Field>,
    length: Option<Field>,
    bytes: Bytes,
    fd: Option<Field>,
    bit_rate_switch: Option<Field>,
    error_passive: Option<Field>,
    error: Option<Field>,
    /// Where the bytes are that are not in the record: a signal-data block, or a group's block.
    pub(super) apart: Option<u64>,
}

/// A frame as its record gives it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Record {
    pub(super) time: Option<Timestamp>,
    pub(super) bus: u64,
    pub(super) id: CanId,
    pub(super) kind: FrameKind,
    pub(super) data: [u8; MAX_DATA],
    /// `length <= MAX_DATA`
    pub(super) length: usize,
    /// Where the data is to be fetched, instead of `data`.
    pub(super) apart: Option<u64>,
}

/// One channel group of a data group.
#[derive(Debug)]
pub(super) struct Group {
    /// Offset of its block: signal data of unsorted files are linked to it.
    pub(super) offset: u64,
    pub(super) record_id: u64,
    /// Bytes of a record, without its record id.
    pub(super) size: u32,
    pub(super) content: Content,
}

/// What the records of a group hold.
#[derive(Debug)]
pub(super) enum Content {
    Frames(Box<Layout>),
    /// Bytes of other groups' records, each with its length in front.
    Variable,
    Other,
}

impl Layout {
    /// Reads one record; `None` where it cannot be a frame. `index` counts the group's records from 0.
    pub(super) fn read(&self, record: &[u8], index: u64) -> Option<Record> {
        let number = |field: Option<Field>| field.and_then(|field| field.read(record));
        let is_set = |field| number(field).is_some_and(|value| value != 0);
        let time = match &self.clock {
            Some(clock) => Some(clock.read(record, index)?),
            None => None,
        };
        let mut found = Record {
            time,
            bus: number(self.bus).unwrap_or(0),
            id: CanId::standard_masked(0),
            kind: FrameKind::Data,
            data: [0; MAX_DATA],
            length: 0,
            apart: None,
        };
        if self.of == Of::Error {
            found.kind = FrameKind::Error;
            found.length = 8;
            let (class, details) = error_class(number(self.error).unwrap_or(0));
            found.id = CanId::extended_masked(class);
            for (to, from) in found.data.iter_mut().zip(details) {
                *to = from;
            }
            return Some(found);
        }
        let raw = u32::try_from(number(self.id)?).ok()?;
        let is_extended = match self.extended {
            Some(_) => is_set(self.extended),
            None => raw > CanId::MAX_STANDARD,
        };
        found.id = if is_extended {
            CanId::extended_masked(raw)
        } else {
            CanId::standard(raw).ok()?
        };
        let length = number(self.length).or_else(|| number(self.code).map(length_of_code))?;
        let length = usize::try_from(length)
            .ok()
            .filter(|length| *length <= MAX_DATA)?;
        if self.of == Of::Remote {
            let length = u8::try_from(length).ok()?;
            found.kind = FrameKind::Remote { length };
            return Some(found);
        }
        if length > 8 || is_set(self.fd) {
            found.kind = FrameKind::Fd {
                bit_rate_switch: is_set(self.bit_rate_switch),
                error_passive: is_set(self.error_passive),
            };
        }
        found.length = length;
        match self.bytes {
            Bytes::Absent if length == 0 => {}
            Bytes::Absent => return None,
            Bytes::Within(from, most) => {
                if length > most as usize {
                    return None;
                }
                let from = from as usize;
                let bytes = record.get(from..from.checked_add(length)?)?;
                for (to, byte) in found.data.iter_mut().zip(bytes) {
                    *to = *byte;
                }
            }
            Bytes::Apart(field) => found.apart = Some(field.read(record)?),
        }
        Some(found)
    }
}

/// The length that a data length code means (ISO 11898-1:2015, table 5).
const fn length_of_code(code: u64) -> u64 {
    match code {
        0..=8 => code,
        9 => 12,
        10 => 16,
        11 => 20,
        12 => 24,
        13 => 32,
        14 => 48,
        _ => 64,
    }
}

/// Linux's error classes and details for the types of error that a bus log tells apart.
const fn error_class(kind: u64) -> (u32, [u8; 4]) {
    const PROTOCOL: u32 = 0x08;
    const ACKNOWLEDGE: u32 = 0x20;
    match kind {
        1 => (PROTOCOL, [0, 0, 0x01, 0]),
        2 => (PROTOCOL, [0, 0, 0x02, 0]),
        3 => (PROTOCOL, [0, 0, 0x04, 0]),
        4 => (PROTOCOL, [0, 0, 0, 0x08]),
        5 => (ACKNOWLEDGE, [0; 4]),
        _ => (PROTOCOL, [0; 4]),
    }
}

/// Reads descriptions, within a budget of blocks.
#[derive(Debug)]
pub(super) struct Walk {
    pub(super) budget: u32,
}

/// One channel, as far as it is needed.
struct Channel {
    name: String,
    kind: u8,
    field: Field,
    /// Signal data.
    apart: Option<u64>,
}

impl Walk {
    /// The block at `offset`, if it is of this kind and the budget holds.
    pub(super) fn block(
        &mut self,
        store: &mut Store,
        offset: u64,
        kind: [u8; 4],
    ) -> io::Result<Result<Block, Broken>> {
        let Some(budget) = self.budget.checked_sub(1) else {
            return Ok(Err(Broken));
        };
        self.budget = budget;
        Ok(match block(store, offset)? {
            Ok(block) if block.kind == kind => Ok(block),
            _ => Err(Broken),
        })
    }

    /// The channel group at `offset`, and the offset of the next.
    pub(super) fn group(
        &mut self,
        store: &mut Store,
        offset: u64,
    ) -> io::Result<Result<(Group, Option<u64>), Broken>> {
        let Ok(block) = self.block(store, offset, *b"##CG")? else {
            return Ok(Err(Broken));
        };
        let size = block.u32(24).checked_add(block.u32(28));
        let Some(size) = size.filter(|size| *size <= MAX_RECORD) else {
            return Ok(Err(Broken));
        };
        let content = if block.u16(16) & GROUP_VARIABLE != 0 {
            Content::Variable
        } else {
            let mut clock = None;
            let mut channels = Vec::new();
            self.channels(store, block.link(1), 0, &mut clock, &mut channels)?;
            layout(clock, &channels)
        };
        let group = Group {
            offset,
            record_id: block.u64(0),
            size,
            content,
        };
        Ok(Ok((group, block.link(0))))
    }

    /// Collects a list of channels and those they are composed of.
    fn channels(
        &mut self,
        store: &mut Store,
        first: Option<u64>,
        depth: u32,
        clock: &mut Option<Clock>,
        found: &mut Vec<Channel>,
    ) -> io::Result<()> {
        let mut next = first;
        while let Some(offset) = next {
            let Ok(block) = self.block(store, offset, *b"##CN")? else {
                return Ok(());
            };
            next = block.link(0);
            let data_type = block.u8(2);
            let field = Field {
                bit: block.u8(3) & 7,
                byte: block.u32(4),
                bits: block.u32(8),
                is_big: matches!(data_type, 1 | 3 | 5),
                is_float: matches!(data_type, 4 | 5),
            };
            let kind = block.u8(0);
            if matches!(kind, CHANNEL_MASTER | CHANNEL_VIRTUAL_MASTER) && block.u8(1) == SYNC_TIME {
                let (offset_s, factor) = self.conversion(store, block.link(4))?;
                *clock = Some(Clock {
                    field: (kind == CHANNEL_MASTER).then_some(field),
                    offset_s,
                    factor,
                });
                continue;
            }
            let name = match block.link(2) {
                Some(name) => self.block(store, name, *b"##TX")?.map(|block| block.text()),
                None => Err(Broken),
            };
            found.push(Channel {
                name: name.unwrap_or_default(),
                kind,
                field,
                apart: block.link(5),
            });
            if depth < MAX_DEPTH && block.link(1).is_some() {
                self.channels(store, block.link(1), depth + 1, clock, found)?;
            }
        }
        Ok(())
    }

    /// Offset and factor of a linear conversion; those of none otherwise.
    fn conversion(&mut self, store: &mut Store, link: Option<u64>) -> io::Result<(f64, f64)> {
        let Some(link) = link else {
            return Ok((0.0, 1.0));
        };
        Ok(match self.block(store, link, *b"##CC")? {
            Ok(block) if block.u8(0) == CONVERSION_LINEAR => (block.f64(24), block.f64(32)),
            _ => (0.0, 1.0),
        })
    }
}

/// The layout that these channels make.
fn layout(clock: Option<Clock>, channels: &[Channel]) -> Content {
    const KINDS: [(&str, Of); 3] = [
        ("CAN_DataFrame", Of::Data),
        ("CAN_RemoteFrame", Of::Remote),
        ("CAN_ErrorFrame", Of::Error),
    ];
    let named = |prefix: &str| {
        channels
            .iter()
            .any(|channel| channel.name.starts_with(prefix))
    };
    let Some((_, of)) = KINDS.into_iter().find(|(prefix, _)| named(prefix)) else {
        return Content::Other;
    };
    let channel = |part: &str| {
        channels.iter().find(|channel| {
            let last = channel.name.rsplit('.').next();
            last == Some(part)
        })
    };
    let field = |part| channel(part).map(|channel| channel.field);
    let data = channel("DataBytes");
    let bytes = match data {
        Some(data) if data.kind == CHANNEL_VARIABLE => Bytes::Apart(data.field),
        Some(data) if matches!(data.kind, CHANNEL_FIXED | CHANNEL_MAXIMUM_LENGTH) => {
            Bytes::Within(data.field.byte, data.field.bits / 8)
        }
        _ => Bytes::Absent,
    };
    Content::Frames(Box::new(Layout {
        of,
        clock,
        bus: field("BusChannel"),
        id: field("ID"),
        extended: field("IDE"),
        code: field("DLC"),
        length: field("DataLength"),
        bytes,
        fd: field("EDL"),
        bit_rate_switch: field("BRS"),
        error_passive: field("ESI"),
        error: field("ErrorType"),
        apart: data
            .filter(|data| data.kind == CHANNEL_VARIABLE)
            .and_then(|data| data.apart),
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_cut_out_to_the_bit() {
        let field = |byte, bit, bits, is_big| Field {
            byte,
            bit,
            bits,
            is_big,
            is_float: false,
        };
        let record = [0x12, 0x34, 0x56, 0x78, 0x9A, 0xBC, 0xDE, 0xF0, 0x55];
        assert_eq!(field(0, 0, 8, false).read(&record), Some(0x12));
        assert_eq!(field(0, 0, 16, false).read(&record), Some(0x3412));
        assert_eq!(field(0, 0, 16, true).read(&record), Some(0x1234));
        assert_eq!(field(1, 3, 5, false).read(&record), Some(0x34 >> 3));
        assert_eq!(field(0, 3, 29, false).read(&record), Some(0x7856_3412 >> 3));
        assert_eq!(
            field(0, 4, 64, false).read(&record),
            Some(0x5F0D_EBC9_A785_6341)
        );
        assert_eq!(field(8, 1, 8, false).read(&record), None);
        assert_eq!(field(0, 0, 65, false).read(&record), None);
        assert_eq!(field(u32::MAX, 7, 64, true).read(&record), None);
    }
}
