//! Whatever is cut into frames is put together again; whatever comes over the wire is taken.

use proptest::prelude::*;

use super::super::segment::{Cut, FrameLength, frames};
use super::*;

type Mode = (u32, Option<u8>, u32, Option<u8>, Addressing);

/// The tester's side of a conversation in each addressing mode, the module's, and the mode.
const MODES: [Mode; 4] = [
    (0x714, None, 0x77E, None, Addressing::Normal),
    (
        0x18DA_10F9,
        None,
        0x18DA_F910,
        None,
        Addressing::NormalFixed,
    ),
    (0x6F1, Some(0x12), 0x612, Some(0xF1), Addressing::Extended),
    (0x740, Some(0x99), 0x748, Some(0x99), Addressing::Mixed),
];

fn address(raw: u32, extension: Option<u8>) -> Address {
    Address::Can {
        id: can_id(raw),
        extension,
    }
}

fn book() -> AddressBook {
    let mut book = AddressBook::new();
    for (request, request_byte, response, response_byte, addressing) in MODES {
        let request = address(request, request_byte);
        let response = address(response, response_byte);
        book.add(Conversation {
            request,
            response,
            addressing,
        })
        .unwrap();
    }
    book
}

fn lengths() -> impl Strategy<Value = FrameLength> {
    prop::sample::select(vec![8_usize, 12, 16, 20, 24, 32, 48, 64])
        .prop_map(|bytes| FrameLength::new(bytes).unwrap())
}

proptest! {
    /// Messages of all modes and lengths, their frames shuffled into each other.
    #[test]
    fn cut_and_interleaved_messages_come_out_as_they_went_in(
        messages in prop::collection::vec(
            (0..MODES.len(), any::<bool>(), prop::collection::vec(any::<u8>(), 1..400), lengths(), any::<Option<u8>>()),
            1..12,
        ),
        order in prop::collection::vec(any::<prop::sample::Index>(), 800),
    ) {
        // What each sender says stays in order; who speaks next is a matter of chance.
        let mut senders: std::collections::BTreeMap<(u32, Option<u8>), std::collections::VecDeque<Vec<u8>>> =
            std::collections::BTreeMap::new();
        let mut expected: std::collections::BTreeMap<String, Vec<Vec<u8>>> = std::collections::BTreeMap::new();
        for (mode, asks, payload, frame_length, filling) in messages {
            let (request, request_byte, response, response_byte, _) = MODES[mode];
            let sender = if asks { (request, request_byte) } else { (response, response_byte) };
            let cut = Cut { extension: sender.1, frame_length, filling };
            senders.entry(sender).or_default().extend(frames(&payload, cut));
            expected.entry(address(sender.0, sender.1).to_string()).or_default().push(payload);
        }
        let mut observer = Observer::new(book());
        let mut number = 0;
        let mut order = order.iter().cycle();
        while !senders.is_empty() {
            let at = order.next().unwrap().index(senders.len());
            let key = *senders.keys().nth(at).unwrap();
            let queue = senders.get_mut(&key).unwrap();
            let field = queue.pop_front().unwrap();
            if queue.is_empty() {
                senders.remove(&key);
            }
            number += 1;
            observer.push(&Frame {
                number,
                time: Some(Timestamp::from_micros(i64::try_from(number).unwrap() * 100)),
                channel: Channel(0),
                id: can_id(key.0),
                kind: FrameKind::Data,
                data: &field,
            });
        }
        observer.finish();
        let mut got: std::collections::BTreeMap<String, Vec<Vec<u8>>> = std::collections::BTreeMap::new();
        while let Some(message) = observer.next_message() {
            prop_assert_eq!(message.fault, None);
            prop_assert!(message.partner.is_some());
            got.entry(message.address.to_string()).or_default().push(message.payload);
        }
        prop_assert_eq!(got, expected);
    }

    /// No frame makes it fail, and what it holds back stays within its limits.
    #[test]
    fn any_frames_are_taken(
        lines in prop::collection::vec(
            (any::<i32>(), 0_u16..3, prop::sample::select(vec![0x7E0_u32, 0x7E8, 0x7DF, 0x740, 0x748, 0x6F1, 0x612, 0x18DA_F110, 0x123]),
             0_u8..0x40, prop::collection::vec(any::<u8>(), 0..12)),
            0..300,
        ),
    ) {
        let mut observer = Observer::new(book());
        observer.keep_control(true);
        let mut frames_of_messages = 0;
        for (number, (micros, channel, raw, first, rest)) in (1..).zip(&lines) {
            let data = [&[*first], &rest[..]].concat();
            observer.push(&Frame {
                number,
                time: Some(Timestamp::from_micros(i64::from(*micros))),
                channel: Channel(*channel),
                id: can_id(*raw),
                kind: FrameKind::Data,
                data: &data,
            });
        }
        observer.finish();
        while let Some(message) = observer.next_message() {
            frames_of_messages += message.frames as usize;
            prop_assert!(message.is_complete() != message.fault.is_some());
            if message.is_complete() {
                prop_assert_eq!(message.payload.len(), message.announced as usize);
            }
        }
        // An undecided frame may be read twice, but only one reading is believed.
        prop_assert!(frames_of_messages <= lines.len());
        observer.conversations();
        observer.paces();
    }
}

#[test]
fn an_announced_length_costs_no_memory() {
    let mut observer = Observer::new(AddressBook::new());
    push_line(&mut observer, 0, &(0.0, 0x7E8, "1000FFFFFFFF0102"));
    for number in 1..200_000_usize {
        let data = format!("2{:X}01020304050607", number % 16);
        push_line(&mut observer, number, &(0.001, 0x7E8, &data));
        if let Some(message) = observer.next_message() {
            // 32-bit lengths exist, but no vehicle sends so much.
            assert_eq!(message.fault, Some(Fault::Length));
            assert!(message.payload.len() < 1_100_000);
            return;
        }
    }
    panic!("it never ended");
}

#[test]
fn ever_new_identifiers_are_taken_up_to_a_limit() {
    let mut observer = Observer::new(AddressBook::new());
    for number in 0..60_000_usize {
        let raw = 0x1000_0000 + u32::try_from(number).unwrap();
        push_line(&mut observer, number, &(-1.0, raw, "023E000000000000"));
    }
    observer.finish();
    assert!(
        std::iter::from_fn(|| observer.next_message())
            .next()
            .is_none()
    );
    assert!(observer.tally().unwatched > 0);
}
