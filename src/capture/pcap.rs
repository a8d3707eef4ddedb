//! pcap: a header of 24 bytes, then records of 16 bytes and a packet, in either byte order, with micro- or nanoseconds.
//!
//! A record whose head cannot be true is counted, and the next sound one is looked for byte by byte: the head and
//! the one behind it must both be plausible. A plain pcap has one bus, named `0`; a cooked capture of several
//! interfaces (version 2) adds `0.7` and so on for the second and later interface numbers.
//!
//! Source: draft-ietf-opsawg-pcap.

use std::io;

use super::input::Input;
use super::packet::{ByteOrder, CanPacket, Content, LinkType, look};
use super::{Buses, Found, Remark, Tally};
use crate::frame::{Channel, Channels, Timestamp};

/// Longest packet that is believed, in bytes.
pub(super) const MAX_PACKET: u32 = 128 << 10;

const FILE_HEADER: usize = 24;
const RECORD_HEADER: usize = 16;
/// Only a record this near to the one before, in seconds, is taken up again after damage.
const RESUME_WITHIN_S: u32 = 30 * 24 * 3_600;

/// How the numbers of a pcap file are written.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) struct Form {
    order: ByteOrder,
    nanos_per_tick: u32,
}

/// The form that the first four bytes announce, if they are pcap's.
pub(super) const fn form(head: [u8; 4]) -> Option<Form> {
    let (order, nanos_per_tick) = match head {
        [0xD4, 0xC3, 0xB2, 0xA1] => (ByteOrder::Little, 1_000),
        [0xA1, 0xB2, 0xC3, 0xD4] => (ByteOrder::Big, 1_000),
        [0x4D, 0x3C, 0xB2, 0xA1] => (ByteOrder::Little, 1),
        [0xA1, 0xB2, 0x3C, 0x4D] => (ByteOrder::Big, 1),
        _ => return None,
    };
    Some(Form {
        order,
        nanos_per_tick,
    })
}

/// Walks the records of one file.
#[derive(Debug)]
pub(super) struct Records {
    form: Form,
    link: LinkType,
    channel: Channel,
    buses: Buses,
    /// Records taken so far.
    number: u64,
    last_second: Option<u32>,
}

/// The head of a record.
#[derive(Clone, Copy, Debug)]
struct Head {
    second: u32,
    tick: u32,
    captured: u32,
    original: u32,
}

impl Head {
    #[inline]
    fn read(bytes: &[u8], order: ByteOrder) -> Option<Self> {
        let head = bytes.first_chunk::<RECORD_HEADER>()?;
        Some(Self {
            second: order.u32_at(head, 0)?,
            tick: order.u32_at(head, 4)?,
            captured: order.u32_at(head, 8)?,
            original: order.u32_at(head, 12)?,
        })
    }

    #[inline]
    const fn is_plausible(&self, form: Form) -> bool {
        self.captured <= MAX_PACKET && self.tick < 1_000_000_000 / form.nanos_per_tick
    }

    /// Plausible, and near enough to the last sound record to go on from here.
    fn resumes(&self, form: Form, last_second: Option<u32>) -> bool {
        self.is_plausible(form)
            && self.captured > 0
            && self.captured <= self.original
            && self.original <= MAX_PACKET
            && last_second.is_none_or(|last| last.abs_diff(self.second) <= RESUME_WITHIN_S)
    }
}

impl Records {
    /// Reads the file's header. `None`: there are not even its 24 bytes.
    pub(super) fn open(
        form: Form,
        input: &mut Input,
        channels: &mut Channels,
    ) -> io::Result<Option<Self>> {
        if !input.ensure(FILE_HEADER)? {
            return Ok(None);
        }
        let place = input.take(FILE_HEADER);
        let network = input.bytes(place).last_chunk().copied().unwrap_or_default();
        // The upper half tells whether a frame check sequence follows each packet.
        let link = LinkType::from(form.order.u32(network) & 0xFFFF);
        Ok(Some(Self {
            form,
            link,
            channel: channels.intern("0"),
            buses: Buses::default(),
            number: 0,
            last_second: None,
        }))
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
            if !input.ensure(RECORD_HEADER)? {
                self.cut_off(input, tally);
                return Ok(None);
            }
            let head = match Head::read(input.window(), self.form.order) {
                Some(head) if head.is_plausible(self.form) => head,
                _ => {
                    if self.resume(input, tally)? {
                        continue;
                    }
                    return Ok(None);
                }
            };
            let size = RECORD_HEADER + head.captured as usize;
            if !input.ensure(size)? {
                // A length that runs past the end is a cut-off file, or a damaged length with more records behind it.
                if self.resume(input, tally)? {
                    continue;
                }
                return Ok(None);
            }
            let offset = input.offset();
            let place = input.take(size);
            self.number += 1;
            self.last_second = Some(head.second);
            let start = place.start + RECORD_HEADER;
            let packet = start..place.end;
            let time = Timestamp::from_nanos(
                i64::from(head.second) * 1_000_000_000
                    + i64::from(head.tick) * i64::from(self.form.nanos_per_tick),
            );
            let bytes = input.bytes(packet.clone());
            match look(self.link, self.form.order, bytes) {
                Ok(Content::Can(CanPacket {
                    id,
                    kind,
                    data,
                    interface,
                })) => {
                    let channel = match interface {
                        None => self.channel,
                        Some(interface) => {
                            let at = (self.number, offset);
                            self.buses
                                .channel(self.channel, interface, channels, tally, at)
                        }
                    };
                    return Ok(Some(Found {
                        number: self.number,
                        time: Some(time),
                        channel,
                        can: Some((id, kind)),
                        data: start + data.start..start + data.end,
                    }));
                }
                Ok(Content::Ethernet) => {
                    return Ok(Some(Found {
                        number: self.number,
                        time: Some(time),
                        channel: self.channel,
                        can: None,
                        data: packet,
                    }));
                }
                Err(remark) => tally.add(remark, self.number, offset),
            }
        }
    }

    /// Counts the bytes that are left over at the end.
    fn cut_off(&mut self, input: &mut Input, tally: &mut Tally) {
        let left = input.window().len();
        if left > 0 {
            tally.add(Remark::CutOff, self.number + 1, input.offset());
            input.take(left);
        }
    }

    /// Passes over damage to the next sound record. `false`: there is none.
    fn resume(&mut self, input: &mut Input, tally: &mut Tally) -> io::Result<bool> {
        let (number, offset) = (self.number + 1, input.offset());
        let mut passed = 0_u64;
        loop {
            input.take(1);
            passed += 1;
            if !input.ensure(RECORD_HEADER)? {
                let remark = if input.is_ended() && passed < u64::from(MAX_PACKET) {
                    Remark::CutOff
                } else {
                    Remark::Malformed
                };
                tally.add(remark, number, offset);
                let left = input.window().len();
                input.take(left);
                return Ok(false);
            }
            let Some(head) = Head::read(input.window(), self.form.order) else {
                continue;
            };
            if !head.resumes(self.form, self.last_second) {
                continue;
            }
            let size = RECORD_HEADER + head.captured as usize;
            let is_followed = if input.ensure(size + RECORD_HEADER)? {
                let behind = input.window().get(size..).unwrap_or_default();
                Head::read(behind, self.form.order)
                    .is_some_and(|next| next.resumes(self.form, Some(head.second)))
            } else {
                input.window().len() == size
            };
            if is_followed {
                self.number += 1;
                tally.add(Remark::Malformed, number, offset);
                return Ok(true);
            }
        }
    }
}
