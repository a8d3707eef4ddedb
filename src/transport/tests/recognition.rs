//! Identifiers that nobody named: sessions among broadcasts, and broadcasts alone.
//!
//! The traffic is made here; what must come out is what went in.

use super::super::segment::{Cut, FrameLength, frames};
use super::*;

/// A small generator of numbers that look random; the same seed gives the same traffic.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        self.0 >> 33
    }

    fn below(&mut self, limit: u64) -> u64 {
        self.next() % limit
    }

    fn byte(&mut self) -> u8 {
        u8::try_from(self.below(256)).unwrap()
    }
}

#[derive(Clone, Debug)]
struct Made {
    nanos: i64,
    channel: u16,
    id: CanId,
    data: Vec<u8>,
}

/// One side of a conversation.
#[derive(Clone, Copy, Debug)]
struct Side {
    id: CanId,
    extension: Option<u8>,
}

const fn plain(id: CanId) -> Side {
    Side {
        id,
        extension: None,
    }
}

#[derive(Debug, Default)]
struct Traffic {
    frames: Vec<Made>,
    /// What must come out, in the order of its last frame: time, channel, address and payload.
    expected: Vec<(i64, u16, String)>,
    now: i64,
    channel: u16,
}

const MILLISECOND: i64 = 1_000_000;

impl Traffic {
    fn put(&mut self, id: CanId, data: Vec<u8>) {
        self.frames.push(Made {
            nanos: self.now,
            channel: self.channel,
            id,
            data,
        });
    }

    fn say(&mut self, from: Side, to: Side, payload: &[u8]) {
        let cut = Cut {
            extension: from.extension,
            frame_length: FrameLength::CLASSIC,
            filling: Some(0xAA),
        };
        for (place, field) in frames(payload, cut).enumerate() {
            if place == 1 {
                let flow = to.extension.into_iter().chain([0x30, 0x00, 0x05]).collect();
                self.put(to.id, flow);
                self.now += MILLISECOND;
            }
            self.put(from.id, field);
            self.now += 2 * MILLISECOND;
        }
        let address = Address::Can {
            id: from.id,
            extension: from.extension,
        };
        self.expected.push((
            self.now - 2 * MILLISECOND,
            self.channel,
            format!("{address} {} -", hex(payload)),
        ));
    }

    fn exchange(&mut self, tester: Side, module: Side, request: &str, answer: &str) {
        self.say(tester, module, &bytes(request));
        self.now += 8 * MILLISECOND;
        if !answer.is_empty() {
            self.say(module, tester, &bytes(answer));
        }
        self.now += 40 * MILLISECOND;
    }

    /// A session as a tester has it with a module of the newer protocol.
    fn session(&mut self, tester: Side, module: Side) {
        self.exchange(tester, module, "1003", "5003003201F4");
        self.exchange(tester, module, "1902FF", "5902FF4031132F4034622C");
        self.exchange(
            tester,
            module,
            "22F190",
            "62F1905730303030303030303030303030303132",
        );
        self.exchange(tester, module, "222B10", "7F2231");
        self.exchange(tester, module, "3E00", "7E00");
        self.exchange(tester, module, "2EF15A18100800000100162F", "6EF15A");
        self.exchange(tester, module, "14FFFFFF", "54");
    }

    /// A session of KWP 2000 on CAN.
    fn older_session(&mut self, tester: Side, module: Side) {
        self.exchange(tester, module, "1081", "5081");
        self.exchange(tester, module, "1A87", "5A870102030405060708");
        self.exchange(tester, module, "18020000", "5801403120");
        for _ in 0..5 {
            self.exchange(tester, module, "2101", "610100FF00112233445566778899");
        }
        self.exchange(tester, module, "14FF00", "54FF00");
    }

    /// Broadcasts of a common vehicle all the while: constants, counters, measurements, multiplexed frames.
    fn broadcast(&mut self, seed: u64, until: i64) {
        let mut dice = Dice(seed);
        for raw in 0..90_u32 {
            let id = can_id(0x020 + raw * 21 + u32::try_from(dice.below(20)).unwrap());
            let is_taken = |side: &Made| side.id == id;
            if self.frames.iter().any(is_taken) {
                continue;
            }
            let period = [10, 20, 50, 100, 500, 1_000][usize::try_from(dice.below(6)).unwrap()]
                * MILLISECOND;
            let kind = dice.below(7);
            let fixed: Vec<u8> = (0..8).map(|_| dice.byte()).collect();
            let small: Vec<u8> = (0..8)
                .map(|_| u8::try_from(dice.below(8)).unwrap())
                .collect();
            let length = usize::try_from(3 + dice.below(6)).unwrap();
            let mut now = period / 3;
            let mut count = 0_u8;
            while now < until {
                let mut data = match kind {
                    0 => fixed.clone(),
                    1 => small.clone(),
                    2 => (0..8).map(|_| dice.byte()).collect(),
                    // A counter first, a counter last.
                    3 => [&[count % 16], &fixed[1..]].concat(),
                    4 => [&small[..7], &[count]].concat(),
                    // A multiplexer from 0 to 3, and from 0x10.
                    5 => [&[count % 4], &fixed[1..]].concat(),
                    _ => [&[0x10 + count % 4, 0x20], &small[2..]].concat(),
                };
                data.truncate(length);
                self.frames.push(Made {
                    nanos: now,
                    channel: self.channel,
                    id,
                    data,
                });
                count = count.wrapping_add(1);
                now += period;
            }
        }
    }

    fn observe(&mut self) -> (Vec<String>, Observer) {
        self.frames.sort_by_key(|made| made.nanos);
        let mut observer = Observer::new(AddressBook::new());
        let mut messages = Vec::new();
        for (number, made) in (1..).zip(&self.frames) {
            observer.push(&Frame {
                number,
                time: Some(Timestamp::from_nanos(made.nanos)),
                channel: Channel(made.channel),
                id: made.id,
                kind: FrameKind::Data,
                data: &made.data,
            });
            messages.extend(std::iter::from_fn(|| observer.next_message()));
        }
        observer.finish();
        messages.extend(std::iter::from_fn(|| observer.next_message()));
        let texts = messages
            .iter()
            .map(|message| {
                let fault = message.fault.map_or("-", Fault::id);
                format!("{} {} {fault}", message.address, hex(&message.payload))
            })
            .collect();
        (texts, observer)
    }

    fn check(&mut self) -> Observer {
        let (messages, observer) = self.observe();
        self.expected.sort_by_key(|(nanos, ..)| *nanos);
        let expected: Vec<&str> = self
            .expected
            .iter()
            .map(|(_, _, text)| text.as_str())
            .collect();
        assert_eq!(messages, expected);
        observer
    }
}

fn pairs(observer: &Observer) -> Vec<String> {
    let pairs = observer.conversations();
    pairs
        .iter()
        .map(|pair| format!("{} {} {:?}", pair.request, pair.response, pair.addressing))
        .collect()
}

fn with_byte(raw: u32, byte: u8) -> Side {
    Side {
        id: can_id(raw),
        extension: Some(byte),
    }
}

#[test]
fn broadcasts_alone_give_nothing() {
    for seed in 0..20 {
        let mut traffic = Traffic::default();
        traffic.broadcast(seed, 20_000 * MILLISECOND);
        assert!(traffic.frames.len() > 10_000);
        traffic.check();
    }
}

#[test]
fn sessions_on_unlisted_identifiers_come_out_whole_and_in_order() {
    let long = |raw| plain(CanId::extended(raw).unwrap());
    let short = |raw| plain(can_id(raw));
    let cases = [
        (short(0x740), short(0x748), "Normal"),
        (short(0x714), short(0x77E), "Normal"),
        (short(0x241), short(0x641), "Normal"),
        (short(0x6A8), short(0x688), "Normal"),
        (long(0x17FC_0076), long(0x17FE_0076), "Normal"),
        (long(0x14DA_10F1), long(0x14DA_F110), "NormalFixed"),
        (long(0x18DA_20F9), long(0x18DA_F920), "NormalFixed"),
        (long(0x1D01_0040), long(0x1D01_0041), "Normal"),
        (with_byte(0x6F1, 0x12), with_byte(0x612, 0xF1), "Extended"),
        (with_byte(0x760, 0x99), with_byte(0x768, 0x99), "Extended"),
        (
            with_byte(0x18CE_55AA, 0x99),
            with_byte(0x18CE_AA55, 0x99),
            "Mixed",
        ),
    ];
    for (tester, module, addressing) in cases {
        for older in [false, true] {
            let mut traffic = Traffic {
                now: 500 * MILLISECOND,
                ..Traffic::default()
            };
            if older {
                traffic.older_session(tester, module);
            } else {
                traffic.session(tester, module);
            }
            traffic.broadcast(7, traffic.now);
            let observer = traffic.check();
            let address = |side: Side| Address::Can {
                id: side.id,
                extension: side.extension,
            };
            let expected = format!("{} {} {addressing}", address(tester), address(module));
            assert_eq!(pairs(&observer), [expected]);
        }
    }
}

#[test]
fn one_exchange_is_enough_where_makers_put_diagnostics() {
    let cases = [
        ("22F190", "62F19041"),
        ("1003", "5003003201F4"),
        ("2101", "610101"),
        ("190209", "7F1978"),
        ("3E00", "7E00"),
    ];
    for (request, answer) in cases {
        let mut traffic = Traffic {
            now: 500 * MILLISECOND,
            ..Traffic::default()
        };
        traffic.exchange(plain(can_id(0x760)), plain(can_id(0x768)), request, answer);
        traffic.broadcast(3, 3_000 * MILLISECOND);
        traffic.check();
    }
}

#[test]
fn a_tester_with_an_address_byte_talks_to_many_modules() {
    let mut traffic = Traffic {
        now: 500 * MILLISECOND,
        ..Traffic::default()
    };
    for module in [0x12_u8, 0x18, 0x29, 0x40, 0x60, 0x72] {
        traffic.session(
            with_byte(0x6F1, module),
            with_byte(0x600 + u32::from(module), 0xF1),
        );
    }
    // One that is not there, and one to all.
    traffic.exchange(with_byte(0x6F1, 0x77), with_byte(0x677, 0xF1), "22F190", "");
    traffic.exchange(with_byte(0x6F1, 0xDF), with_byte(0x612, 0xF1), "3E80", "");
    traffic.broadcast(11, traffic.now);
    let observer = traffic.check();
    assert_eq!(pairs(&observer).len(), 6);
}

#[test]
fn a_silent_module_is_seen_by_the_requests_to_it() {
    let mut traffic = Traffic {
        now: 500 * MILLISECOND,
        ..Traffic::default()
    };
    for _ in 0..8 {
        for request in ["3E00", "1902FF", "22F190", "1003"] {
            traffic.exchange(plain(can_id(0x750)), plain(can_id(0x758)), request, "");
            traffic.now += 900 * MILLISECOND;
        }
    }
    traffic.broadcast(5, traffic.now);
    traffic.check();
}

#[test]
fn answers_without_requests_are_seen() {
    let mut traffic = Traffic {
        now: 500 * MILLISECOND,
        ..Traffic::default()
    };
    for value in 0..40_u8 {
        traffic.say(
            plain(can_id(0x72E)),
            plain(can_id(0x726)),
            &[0x62, 0x41, 0xA9, value, 0, 0, 0],
        );
        traffic.now += 100 * MILLISECOND;
    }
    traffic.broadcast(6, traffic.now);
    traffic.check();
}

#[test]
fn an_identifier_to_all_is_told_by_its_many_answers() {
    let mut traffic = Traffic {
        now: 500 * MILLISECOND,
        ..Traffic::default()
    };
    let all = plain(can_id(0x701));
    let modules = [0x778, 0x780, 0x7A8, 0x7B8].map(|raw| plain(can_id(raw)));
    for request in ["22F187", "22F188", "1902AF"] {
        traffic.say(all, modules[0], &bytes(request));
        for module in modules {
            traffic.now += 3 * MILLISECOND;
            let answer = if request.starts_with("19") {
                "5902FF".to_owned()
            } else {
                request.replacen('2', "6", 1) + "31"
            };
            traffic.say(module, all, &bytes(&answer));
        }
        traffic.now += 100 * MILLISECOND;
    }
    traffic.broadcast(8, traffic.now);
    let observer = traffic.check();
    assert_eq!(pairs(&observer), Vec::<String>::new());
    assert!(
        observer
            .streams
            .iter()
            .any(|stream| stream.functional && !stream.is_free)
    );
}

#[test]
fn two_testers_at_once_and_two_buses_with_equal_identifiers() {
    let mut traffic = Traffic::default();
    let pairs_of = [(0x740, 0x748), (0x750, 0x758), (0x7A0, 0x7A8)];
    for (index, (tester, module)) in pairs_of.into_iter().enumerate() {
        traffic.now = 500 * MILLISECOND + i64::try_from(index).unwrap() * 3 * MILLISECOND + 333;
        traffic.session(plain(can_id(tester)), plain(can_id(module)));
    }
    traffic.channel = 1;
    traffic.now = 501 * MILLISECOND + 100;
    traffic.older_session(plain(can_id(0x740)), plain(can_id(0x748)));
    let observer = traffic.check();
    assert_eq!(
        pairs(&observer),
        [
            "0x740 0x748 Normal",
            "0x750 0x758 Normal",
            "0x7A0 0x7A8 Normal"
        ]
    );
}

#[test]
fn lost_frames_cost_only_their_own_messages() {
    for seed in 0..40 {
        let mut traffic = Traffic {
            now: 500 * MILLISECOND,
            ..Traffic::default()
        };
        for _ in 0..4 {
            traffic.session(plain(can_id(0x714)), plain(can_id(0x77E)));
        }
        traffic.broadcast(seed, traffic.now);
        let (all, _) = traffic.observe();
        let mut dice = Dice(seed);
        traffic.frames.retain(|_| dice.below(40) != 0);
        let (some, _) = traffic.observe();
        let whole = some.iter().filter(|text| text.ends_with('-'));
        let mut rest = all.iter();
        for text in whole {
            assert!(
                rest.any(|known| known == text),
                "{text} was never sent (seed {seed})"
            );
        }
        assert!(
            some.len() * 10 > all.len() * 8,
            "{} of {} (seed {seed})",
            some.len(),
            all.len()
        );
    }
}

/// SAE J1939 traffic as a truck has it: engine data, addresses, requests, and both kinds of transport.
/// Source: SAE J1939-21 (parameter groups 0xEA00, 0xEB00, 0xEC00, 0xE800), -71, -73, -81; from memory.
#[test]
fn truck_traffic_gives_nothing_and_is_counted() {
    let mut traffic = Traffic::default();
    let mut dice = Dice(1);
    let id = |raw| CanId::extended(raw).unwrap();
    for step in 0..3_000_i64 {
        traffic.now = step * 10 * MILLISECOND;
        let value = dice.byte();
        traffic.put(
            id(0x0CF0_0400),
            vec![0xF0, 0x7D, 0x7D, value, 0x13, 0x00, 0xF4, 0x7D],
        );
        traffic.put(id(0x18FE_F100), vec![0x03, value, 0x00, 0x10, 0, 0, 0, 0]);
        traffic.put(
            id(0x18FE_BF0B),
            vec![0x02, 0x10, 0x7D, 0x7D, 0x7D, 0x7D, 0xFF, 0xFF],
        );
        if step % 10 == 0 {
            traffic.put(id(0x18EA_FFF9), vec![0x00, 0xEE, 0x00]);
            traffic.put(id(0x18EA_00F9), vec![0xE5, 0xFE, 0x00]);
            traffic.put(
                id(0x18EE_FF00),
                vec![0x01, 0x00, 0x20, 0x22, 0x00, 0x00, 0x00, 0x80],
            );
            traffic.put(
                id(0x18FE_CA00),
                vec![0x03, 0xFF, 0x5B, 0x00, 0x03, 0x01, 0xFF, 0xFF],
            );
            traffic.put(
                id(0x18E8_FF00),
                vec![0x01, 0xFF, 0xFF, 0xFF, 0xFF, 0xE5, 0xFE, 0x00],
            );
            // To one: request to send, clear to send, data, acknowledgement; to all: announcement, data.
            traffic.put(
                id(0x1CEC_F900),
                vec![0x10, 0x17, 0x00, 0x04, 0xFF, 0xEB, 0xFE, 0x00],
            );
            traffic.put(
                id(0x1CEC_00F9),
                vec![0x11, 0x04, 0x01, 0xFF, 0xFF, 0xEB, 0xFE, 0x00],
            );
            for number in 1..=4 {
                traffic.put(
                    id(0x1CEB_F900),
                    vec![number, 0x22, 0xF1, 0x90, 0x41, 0x42, 0x43, 0x44],
                );
            }
            traffic.put(
                id(0x1CEC_00F9),
                vec![0x13, 0x17, 0x00, 0x04, 0xFF, 0xEB, 0xFE, 0x00],
            );
            traffic.put(
                id(0x18EC_FF00),
                vec![0x20, 0x0E, 0x00, 0x02, 0xFF, 0xCA, 0xFE, 0x00],
            );
            traffic.put(
                id(0x18EB_FF00),
                vec![0x01, 0x03, 0xFF, 0x5B, 0x00, 0x03, 0x01, 0x64],
            );
            traffic.put(
                id(0x18EB_FF00),
                vec![0x02, 0x00, 0x04, 0x02, 0xFF, 0xFF, 0xFF, 0xFF],
            );
            // Proprietary, to one and to all.
            traffic.put(
                id(0x18EF_0B00),
                vec![0x02, 0x3E, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF],
            );
            traffic.put(
                id(0x18FF_5500),
                vec![0x10, 0x20, value, 0x00, 0xFF, 0xFF, 0xFF, 0xFF],
            );
        }
    }
    let observer = traffic.check();
    assert!(observer.tally().j1939 > 7_000, "{:?}", observer.tally());
}

/// The same as above, but the identifier to all speaks first and more often than the module's own.
#[test]
fn a_module_with_two_askers_belongs_to_the_one_that_it_answers_more() {
    let mut traffic = Traffic {
        now: 500 * MILLISECOND,
        ..Traffic::default()
    };
    let (all, own, module) = (
        with_byte(0x101, 0xFE),
        plain(can_id(0x241)),
        plain(can_id(0x641)),
    );
    for (request, answer) in [("1002", "50"), ("28", "68"), ("A2", "E200"), ("A501", "E5")] {
        traffic.say(all, module, &bytes(request));
        traffic.now += 10 * MILLISECOND;
        traffic.say(module, all, &bytes(answer));
        traffic.now += 10 * MILLISECOND;
    }
    traffic.session(own, module);
    let observer = traffic.check();
    assert_eq!(pairs(&observer), ["0x241 0x641 Normal"]);
    assert_eq!(observer.tally().stray_flow, 0);
}

#[test]
fn the_book_and_recognition_agree() {
    let mut traffic = Traffic {
        now: 500 * MILLISECOND,
        ..Traffic::default()
    };
    traffic.session(plain(can_id(0x714)), plain(can_id(0x77E)));
    traffic.session(with_byte(0x6F1, 0x12), with_byte(0x612, 0xF1));
    traffic.broadcast(2, traffic.now);
    let recognised = traffic.check();
    let mut book = AddressBook::new();
    for pair in recognised.conversations() {
        book.add(pair).unwrap();
    }
    let mut observer = Observer::new(book);
    for (number, made) in (1..).zip(&traffic.frames) {
        observer.push(&Frame {
            number,
            time: Some(Timestamp::from_nanos(made.nanos)),
            channel: Channel(made.channel),
            id: made.id,
            kind: FrameKind::Data,
            data: &made.data,
        });
    }
    observer.finish();
    let messages: Vec<Message> = std::iter::from_fn(|| observer.next_message()).collect();
    let mut again = Observer::new(AddressBook::new());
    for (number, made) in (1..).zip(&traffic.frames) {
        again.push(&Frame {
            number,
            time: Some(Timestamp::from_nanos(made.nanos)),
            channel: Channel(made.channel),
            id: made.id,
            kind: FrameKind::Data,
            data: &made.data,
        });
    }
    again.finish();
    let learned: Vec<Message> = std::iter::from_fn(|| again.next_message()).collect();
    assert_eq!(messages, learned);
    assert!(messages.iter().all(|message| message.partner.is_some()));
}

/// Two segmented requests at the same time, one frame a flow control: while the other receiver seems to steer both, this
/// one's flow control is no sign against it.
/// Found by the cross-check with can-isotp 2.0.7 (block size 1, fourteen conversations on a bus).
#[test]
fn flow_control_that_seems_astray_among_others_is_no_fault() {
    let mut lines = vec![
        (0.0, 0x6A1, "10 40 2E 12 34 00 00 00".to_owned()),
        (0.001, 0x6B1, "10 40 2E 56 78 00 00 00".to_owned()),
    ];
    let mut now = 0.002;
    for number in 1..=9 {
        for (id, data) in [
            (0x6B9, "30 01 00 AA AA AA AA AA".to_owned()),
            (0x6A9, "30 01 00 AA AA AA AA AA".to_owned()),
            (0x6A1, format!("2{number:X} 00 00 00 00 00 00 00")),
            (0x6B1, format!("2{number:X} 00 00 00 00 00 00 00")),
        ] {
            lines.push((now, id, data));
            now += 0.001;
        }
    }
    for (id, data) in [
        (0x6A9, "03 6E 12 34 AA AA AA AA"),
        (0x6B9, "03 6E 56 78 AA AA AA AA"),
        (0x6A1, "03 22 F1 8C AA AA AA AA"),
        (0x6A9, "06 62 F1 8C 31 32 33 AA"),
        (0x6B1, "03 22 F1 90 AA AA AA AA"),
        (0x6B9, "06 62 F1 90 34 35 36 AA"),
    ] {
        lines.push((now, id, data.to_owned()));
        now += 0.005;
    }
    let lines: Vec<Line<'_>> = lines
        .iter()
        .map(|(time, id, data)| (*time, *id, data.as_str()))
        .collect();
    let shown = summary(&observe(&lines));
    let long = |did: &str| format!("2E{did}{}", "00".repeat(61));
    assert_eq!(
        shown,
        [
            format!("6A1 {} -", long("1234")),
            format!("6B1 {} -", long("5678")),
            "6A9 6E1234 -".to_owned(),
            "6B9 6E5678 -".to_owned(),
            "6A1 22F18C -".to_owned(),
            "6A9 62F18C313233 -".to_owned(),
            "6B1 22F190 -".to_owned(),
            "6B9 62F190343536 -".to_owned(),
        ]
    );
}

/// A cyclic frame that happens to look like "overflow" says nothing to a sender, however often it comes between.
#[test]
fn overflow_from_a_broadcast_is_not_believed() {
    let lines = [
        (0.000, 0x241, "02 10 03"),
        (0.005, 0x641, "06 50 03 00 32 01 F4"),
        (0.020, 0x241, "10 0B 2E 01 6D 45 E8 31"),
        (0.021, 0x5A1, "32 00 11 00 00 00 00 00"),
        (0.022, 0x641, "30 00 00"),
        (0.023, 0x241, "21 5D 02 9B 71 50"),
        (0.030, 0x641, "03 6E 01 6D"),
        (0.040, 0x241, "10 0B 2E 01 6E 45 E8 31"),
        (0.041, 0x5A1, "32 00 11 00 00 00 00 00"),
        (0.042, 0x641, "30 00 00"),
        (0.043, 0x241, "21 5D 02 9B 71 50"),
        (0.050, 0x641, "03 6E 01 6E"),
    ];
    assert_eq!(
        summary(&observe(&lines)),
        [
            "241 1003 -",
            "641 5003003201F4 -",
            "241 2E016D45E8315D029B7150 -",
            "641 6E016D -",
            "241 2E016E45E8315D029B7150 -",
            "641 6E016E -",
        ]
    );
}

/// A first frame of 259 bytes reads, with an address byte, as a whole message: `03 59 02 FF`. What would fill it up
/// does not look like filling.
#[test]
fn a_long_first_answer_is_not_read_with_an_address_byte() {
    let lines = [
        (0.000, 0x704, "03 19 02 FF"),
        (0.005, 0x784, "11 03 59 02 FF 40 31 13"),
        (0.006, 0x704, "30 00 00"),
        (0.007, 0x784, "21 2F 40 34 13 2F 40 37"),
    ];
    assert_eq!(
        summary(&observe(&lines)),
        ["704 1902FF -", "784 5902FF4031132F4034132F4037 capture-end",]
    );
}
