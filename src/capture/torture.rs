//! The body of the fuzz target: reads any bytes as a capture and checks what every capture must keep.
//!
//! It stands in the library so that a plain test can replay the corpus of `fuzz/` without the fuzzer.

use std::io::Cursor;

use super::{Capture, Item};
use crate::frame::{FrameKind, MAX_DATA};

/// Reads `bytes` to the end.
///
/// # Panics
///
/// When a promise is broken: numbers that rise, data that fit their frame, a tally that counts every item.
pub fn read_anything(bytes: &[u8]) {
    let Ok(mut capture) = Capture::from_reader(Box::new(Cursor::new(bytes.to_vec())), "bytes")
    else {
        return;
    };
    let mut count = 0;
    let mut last = 0;
    loop {
        let item = capture.next_item().expect("memory does not fail");
        let (number, channel) = match item {
            None => break,
            Some(Item::Can(frame)) => {
                let most = match frame.kind {
                    FrameKind::Data | FrameKind::Error => 8,
                    FrameKind::Fd { .. } => MAX_DATA,
                    FrameKind::Remote { .. } => 0,
                };
                assert!(frame.data.len() <= most, "{frame:?}");
                (frame.number, frame.channel)
            }
            Some(Item::Ethernet(packet)) => (packet.number, packet.channel),
        };
        assert!(number > last, "{number} after {last}");
        assert!(
            !capture.channels().name(channel).is_empty(),
            "a bus without a name"
        );
        last = number;
        count += 1;
    }
    assert_eq!(capture.tally().frames, count, "the tally counts every item");
    assert!(
        matches!(capture.next_item(), Ok(None)),
        "the end stays the end"
    );
}
