//! Connections as captures hold them: in order, out of order, twice, with holes, from the middle on.

use etherparse::PacketBuilder;
use proptest::prelude::*;

use super::super::{AddressBook, Control, Message, Observer};
use crate::capture::Packet;
use crate::frame::{Channel, Timestamp};

/// A diagnostic message of `0x0E80` to `0x1010`.
fn diagnostic(payload: &[u8]) -> Vec<u8> {
    let length = u32::try_from(payload.len() + 4).unwrap().to_be_bytes();
    [
        &[0x02, 0xFD, 0x80, 0x01][..],
        &length,
        &[0x0E, 0x80, 0x10, 0x10],
        payload,
    ]
    .concat()
}

fn tcp(sequence: u32, payload: &[u8]) -> Vec<u8> {
    let builder = PacketBuilder::ethernet2([2, 0, 0, 0, 0, 1], [2, 0, 0, 0, 0, 2])
        .ipv4([10, 0, 0, 1], [10, 0, 0, 2], 64)
        .tcp(50_000, 13_400, sequence, 8_192);
    let mut packet = Vec::new();
    builder.write(&mut packet, payload).unwrap();
    packet
}

fn observe(packets: &[Vec<u8>]) -> (Vec<Message>, Observer) {
    let mut observer = Observer::new(AddressBook::new());
    observer.keep_control(true);
    for (number, data) in (1..).zip(packets) {
        observer.push_packet(&Packet {
            number,
            time: Some(Timestamp::from_micros(
                i64::try_from(number).unwrap() * 1_000,
            )),
            channel: Channel(0),
            data,
        });
    }
    observer.finish();
    let messages = std::iter::from_fn(|| observer.next_message()).collect();
    (messages, observer)
}

fn texts(messages: &[Message]) -> Vec<(Vec<u8>, Option<&'static str>)> {
    let text = |message: &Message| (message.payload.clone(), message.fault.map(super::Fault::id));
    messages.iter().map(text).collect()
}

#[test]
fn several_messages_in_a_segment_and_one_over_several() {
    let long = diagnostic(&[7; 40]);
    let (head, tail) = long.split_at(17);
    let first = [
        diagnostic(&[0x3E, 0x00]),
        diagnostic(&[0x22, 0xF1, 0x90]),
        head.to_vec(),
    ]
    .concat();
    let next = 1_000 + u32::try_from(first.len()).unwrap();
    let (messages, _) = observe(&[tcp(1_000, &first), tcp(next, tail)]);
    assert_eq!(
        texts(&messages),
        [
            (vec![0x3E, 0x00], None),
            (vec![0x22, 0xF1, 0x90], None),
            (vec![7; 40], None)
        ]
    );
    assert_eq!(messages[1].address.to_string(), "0x0E80>0x1010");
    assert_eq!(messages[1].partner.unwrap().to_string(), "0x1010>0x0E80");
    assert_eq!(
        (
            messages[2].frames,
            messages[2].number,
            messages[2].announced
        ),
        (2, 1, 40)
    );
    assert_eq!(messages[2].start, Some(Timestamp::from_micros(1_000)));
    assert_eq!(messages[2].end, Some(Timestamp::from_micros(2_000)));
}

#[test]
fn a_hole_costs_one_message() {
    let parts = [
        diagnostic(&[1; 30]),
        diagnostic(&[2; 30]),
        diagnostic(&[3; 30]),
    ]
    .concat();
    let packet = |from: usize, until: usize| tcp(u32::try_from(from).unwrap(), &parts[from..until]);
    // Bytes 56 to 65 are in the second message and never come.
    let (messages, observer) = observe(&[packet(0, 56), packet(66, 126)]);
    assert_eq!(
        texts(&messages),
        [
            (vec![1; 30], None),
            (vec![2, 2], Some("sequence")),
            (vec![3; 30], None)
        ]
    );
    assert_eq!(observer.tally().stream_bytes_lost, 18);
}

#[test]
fn a_capture_from_the_middle_of_a_message_on() {
    let all = [diagnostic(&[9; 30]), diagnostic(&[0x3E, 0x00])].concat();
    let (messages, observer) = observe(&[tcp(20, &all[20..])]);
    assert_eq!(texts(&messages), [(vec![0x3E, 0x00], None)]);
    assert_eq!(observer.tally().stream_bytes_lost, 22);
}

#[test]
fn an_unfinished_message_ends_with_the_capture() {
    let all = diagnostic(&[9; 30]);
    let (messages, _) = observe(&[tcp(0, &all[..20])]);
    assert_eq!(texts(&messages), [(vec![9; 8], Some("capture-end"))]);
}

#[test]
fn sequence_numbers_wrap() {
    let all = diagnostic(&[5; 60]);
    let start = u32::MAX - 20;
    let (messages, _) = observe(&[
        tcp(start, &all[..40]),
        tcp(start.wrapping_add(40), &all[40..]),
    ]);
    assert_eq!(texts(&messages), [(vec![5; 60], None)]);
}

#[test]
fn vlan_ipv6_and_datagrams() {
    // ISO 13400-2: an entity status request has no payload.
    let status = [0x02, 0xFD, 0x40, 0x01, 0, 0, 0, 0];
    let both = [&status[..], &diagnostic(&[0x3E, 0x80])].concat();
    let mut packet = Vec::new();
    PacketBuilder::ethernet2([2, 0, 0, 0, 0, 1], [2, 0, 0, 0, 0, 2])
        .single_vlan(5.try_into().unwrap())
        .ipv6([0xFE; 16], [0xFD; 16], 64)
        .udp(13_400, 50_000)
        .write(&mut packet, &both)
        .unwrap();
    let (messages, mut observer) = observe(&[packet]);
    assert_eq!(texts(&messages), [(vec![0x3E, 0x80], None)]);
    let Some(Control::DoIp(payload)) = observer.next_control() else {
        panic!("an entity status request came");
    };
    assert_eq!(payload.kind.name(), Some("entity status request"));
    assert!(!payload.over_tcp && payload.from.is_ipv6());
}

#[test]
fn what_is_encrypted_or_damaged_is_counted() {
    let mut packet = Vec::new();
    PacketBuilder::ethernet2([2, 0, 0, 0, 0, 1], [2, 0, 0, 0, 0, 2])
        .ipv4([10, 0, 0, 1], [10, 0, 0, 2], 64)
        .tcp(50_000, 3_496, 1, 8_192)
        .write(&mut packet, &[0x17, 0x03, 0x03])
        .unwrap();
    let (messages, observer) = observe(&[packet, vec![0; 5]]);
    assert!(messages.is_empty());
    assert_eq!(
        (
            observer.tally().encrypted,
            observer.tally().unreadable_packets
        ),
        (1, 1)
    );
}

proptest! {
    /// Cut anywhere, in any order within reach, with repetitions: the same messages.
    #[test]
    fn any_order_gives_the_same(
        payloads in prop::collection::vec(prop::collection::vec(any::<u8>(), 1..60), 1..8),
        cuts in prop::collection::vec(1_usize..40, 1..30),
        order in prop::collection::vec(any::<u16>(), 60),
        start in any::<u32>(),
    ) {
        let all = payloads.iter().map(|payload| diagnostic(payload)).collect::<Vec<_>>().concat();
        let mut packets = Vec::new();
        let (mut at, mut cuts) = (0, cuts.iter().cycle());
        while at < all.len() {
            let until = (at + cuts.next().unwrap()).min(all.len());
            let sequence = start.wrapping_add(u32::try_from(at).unwrap());
            packets.push((sequence, all[at..until].to_vec()));
            at = until;
        }
        // The first stays first: it says where the connection begins. Every third comes twice.
        let mut rest: Vec<_> = packets.iter().skip(1).chain(packets.iter().step_by(3)).cloned().collect();
        prop_assume!(rest.len() < 60);
        let mut keys = order.iter();
        rest.sort_by_cached_key(|_| keys.next().copied().unwrap_or(0));
        let packets: Vec<Vec<u8>> = packets
            .iter()
            .take(1)
            .chain(&rest)
            .map(|(sequence, payload)| tcp(*sequence, payload))
            .collect();
        let (messages, observer) = observe(&packets);
        let got: Vec<Vec<u8>> = messages.iter().map(|message| message.payload.clone()).collect();
        prop_assert_eq!(got, payloads);
        prop_assert_eq!(observer.tally().stream_bytes_lost, 0);
    }

    /// Nothing that comes over the wire makes it fail.
    #[test]
    fn any_bytes_are_taken(
        pieces in prop::collection::vec((any::<u16>(), prop::collection::vec(any::<u8>(), 0..40)), 0..20),
        raw in prop::collection::vec(any::<u8>(), 0..80),
    ) {
        let mut packets: Vec<Vec<u8>> = pieces
            .iter()
            .map(|(sequence, payload)| tcp(u32::from(*sequence % 64), payload))
            .collect();
        packets.push(raw);
        observe(&packets);
    }
}
