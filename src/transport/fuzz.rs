//! The entry of the fuzzer: any bytes as frames and packets of a capture.

use super::{AddressBook, Observer};
use crate::capture::Packet;
use crate::frame::{CanId, Channel, Frame, FrameKind, Timestamp};

/// Reads `input` as a list of frames and packets, observes them, and takes what comes out.
///
/// Each entry: a byte (bit 0: Ethernet, bit 1: 29-bit, bits 2–3: bus, bits 4–7: time step), two bytes of identifier, one of
/// length, then the data.
pub fn fuzz(input: &[u8]) {
    let mut observer = Observer::new(AddressBook::new());
    observer.keep_control(true);
    let mut rest = input;
    let mut number = 0;
    let mut nanos = 0_i64;
    while let Some((&[kind, high, low, length], after)) = rest.split_first_chunk::<4>() {
        let (data, next) = after.split_at(usize::from(length).min(after.len()));
        rest = next;
        number += 1;
        // From 50 µs back to some 10 s on.
        let step = 1_i64 << ((kind >> 4) * 2 + 4);
        nanos = nanos.saturating_add(step - 50_000);
        let time = Some(Timestamp::from_nanos(nanos));
        let channel = Channel(u16::from(kind >> 2) & 0x03);
        if kind & 0x01 != 0 {
            observer.push_packet(&Packet {
                number,
                time,
                channel,
                data,
            });
        } else {
            let raw = u32::from(high) << 8 | u32::from(low);
            let id = if kind & 0x02 != 0 {
                CanId::extended_masked(0x18DA_0000 | raw)
            } else {
                CanId::standard_masked(raw)
            };
            observer.push(&Frame {
                number,
                time,
                channel,
                id,
                kind: FrameKind::Data,
                data,
            });
        }
        while let Some(message) = observer.next_message() {
            observer.recycle(message);
        }
    }
    observer.finish();
    while observer.next_message().is_some() || observer.next_control().is_some() {}
}
