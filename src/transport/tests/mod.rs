//! Tests of the whole room: published frames, faults, properties, and the corpus.

mod corpus;
mod faults;
mod properties;
mod published;
mod recognition;

use std::fmt::Write as _;

use super::*;
use crate::frame::{Frame, FrameKind};

/// A line of a bus: seconds, identifier (29-bit above 0x7FF), data in hexadecimal.
type Line<'a> = (f64, u32, &'a str);

fn can_id(raw: u32) -> CanId {
    if raw > CanId::MAX_STANDARD {
        CanId::extended(raw).unwrap()
    } else {
        CanId::standard(raw).unwrap()
    }
}

fn bytes(hex: &str) -> Vec<u8> {
    let digits: Vec<u8> = hex
        .bytes()
        .filter(u8::is_ascii_hexdigit)
        .map(|digit| u8::try_from(char::from(digit).to_digit(16).unwrap()).unwrap())
        .collect();
    digits
        .chunks(2)
        .map(|pair| (pair[0] << 4) | pair[1])
        .collect()
}

fn push_line(observer: &mut Observer, number: usize, &(seconds, raw, hex): &Line<'_>) {
    let data = bytes(hex);
    observer.push(&Frame {
        number: number as u64 + 1,
        time: (seconds >= 0.0).then(|| Timestamp::from_seconds(seconds)),
        channel: Channel(0),
        id: can_id(raw),
        kind: if data.len() > 8 {
            FrameKind::Fd {
                bit_rate_switch: true,
                error_passive: false,
            }
        } else {
            FrameKind::Data
        },
        data: &data,
    });
}

fn observe_with(book: AddressBook, lines: &[Line<'_>]) -> (Vec<Message>, Observer) {
    let mut observer = Observer::new(book);
    observer.keep_control(true);
    for (number, line) in lines.iter().enumerate() {
        push_line(&mut observer, number, line);
    }
    observer.finish();
    let messages = std::iter::from_fn(|| observer.next_message()).collect();
    (messages, observer)
}

fn observe(lines: &[Line<'_>]) -> Vec<Message> {
    observe_with(AddressBook::new(), lines).0
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        write!(text, "{byte:02X}").unwrap();
        text
    })
}

/// `7E8 59020940 -` or `7E8 5902 sequence`.
fn summary(messages: &[Message]) -> Vec<String> {
    messages
        .iter()
        .map(|message| {
            let fault = message.fault.map_or("-", Fault::id);
            let address = message.address.to_string().replacen("0x", "", 1);
            format!("{address} {} {fault}", hex(&message.payload))
        })
        .collect()
}
