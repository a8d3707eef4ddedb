//! The asker against scripted partners on a clock that the test moves.

use proptest::prelude::*;

use super::*;
use crate::link::permit;
use crate::signal::profile::Protocol;
use crate::transport::Addressing;

fn at(millis: i64) -> Timestamp {
    Timestamp::from_nanos(millis * MILLI)
}

fn id(raw: u32) -> CanId {
    CanId::standard(raw).unwrap()
}

fn pair(request: u32, response: u32) -> Conversation {
    Conversation {
        request: Address::can(id(request)),
        response: Address::can(id(response)),
        addressing: Addressing::Normal,
    }
}

fn brakes() -> Target {
    Target::Module(pair(0x740, 0x748))
}

fn request(bytes: &[u8]) -> Permitted {
    permit(bytes, Protocol::Uds, None).unwrap()
}

/// Everything that is to be sent now.
fn sent(asker: &mut Asker, now: Timestamp) -> Vec<(u32, Vec<u8>)> {
    let mut frames = Vec::new();
    while let Action::Put { id, data } = asker.poll(now) {
        frames.push((id.raw(), data.to_vec()));
    }
    frames
}

#[test]
fn a_short_question_and_its_answer() {
    let mut asker = Asker::new(Manner::default());
    let ticket = asker.ask(&brakes(), &request(&[0x22, 0xF1, 0x86])).unwrap();
    let frames = sent(&mut asker, at(0));
    assert_eq!(
        frames,
        [(0x740, vec![3, 0x22, 0xF1, 0x86, 0xCC, 0xCC, 0xCC, 0xCC])]
    );
    // Another tester's answer of the same module, another module, then ours.
    asker.hear(id(0x748), &[4, 0x62, 0x2B, 0x10, 0x80], at(4));
    asker.hear(id(0x728), &[4, 0x62, 0xF1, 0x86, 0x01], at(5));
    assert_eq!(asker.next_outcome(), None);
    asker.hear(id(0x748), &[4, 0x62, 0xF1, 0x86, 0x01], at(6));
    let outcome = asker.next_outcome().unwrap();
    assert_eq!((outcome.ticket, outcome.ending), (ticket, Ending::Answered));
    assert_eq!(
        outcome.positive().unwrap().payload,
        [0x62, 0xF1, 0x86, 0x01]
    );
    assert!(asker.is_idle());
}

#[test]
fn what_came_before_the_question_is_no_answer_to_it() {
    let mut asker = Asker::new(Manner::default());
    asker.ask(&brakes(), &request(&[0x22, 0xF1, 0x86])).unwrap();
    sent(&mut asker, at(100));
    // It waited in the kernel while the question went out.
    asker.hear(id(0x748), &[3, 0x7F, 0x22, 0x31], at(99));
    assert_eq!(asker.next_outcome(), None);
    asker.hear(id(0x748), &[4, 0x62, 0xF1, 0x86, 0x01], at(101));
    let outcome = asker.next_outcome().unwrap();
    assert!(outcome.positive().is_some() && !outcome.contested);
}

#[test]
fn who_else_asks_the_same_module_for_the_same_service_is_noticed() {
    let contested = |before: &[(u32, &[u8])], during: &[(u32, &[u8])]| {
        let mut asker = Asker::new(Manner::default());
        // So that the module's address is known.
        asker.ask(&brakes(), &request(&[0x3E, 0x80])).unwrap();
        sent(&mut asker, at(0));
        assert_eq!(asker.next_outcome().unwrap().ending, Ending::Sent);
        for (from, data) in before {
            asker.hear(id(*from), data, at(60));
        }
        asker.ask(&brakes(), &request(&[0x22, 0xF1, 0x86])).unwrap();
        sent(&mut asker, at(100));
        for (from, data) in during {
            asker.hear(id(*from), data, at(110));
        }
        asker.hear(id(0x748), &[3, 0x7F, 0x22, 0x31], at(120));
        asker.next_outcome().unwrap().contested
    };
    assert!(!contested(&[], &[]));
    assert!(contested(&[], &[(0x740, &[3, 0x22, 0x12, 0x34])]));
    assert!(contested(&[(0x740, &[3, 0x22, 0x12, 0x34])], &[]));
    // A first frame; ISO 15765-2, 9.6.1.
    assert!(contested(
        &[],
        &[(0x740, &[0x10, 9, 0x22, 0x12, 0x34, 0x12, 0x35, 0x12])]
    ));
    // The same question, another service, another module, flow control, nonsense.
    let harmless: [(u32, &[u8]); 6] = [
        (0x740, &[3, 0x22, 0xF1, 0x86, 0x55]),
        (0x740, &[2, 0x3E, 0x00]),
        (0x726, &[3, 0x22, 0x12, 0x34]),
        (0x740, &[0x30, 0, 0]),
        (0x740, &[]),
        (0x740, &[7, 0x22]),
    ];
    assert!(!contested(&harmless, &harmless));
}

/// Source: ISO 14229-2:2013, 7.2: P2 50 ms, P2* 5 s; 100 ms for the way are ours.
#[test]
fn answers_are_waited_for_as_long_as_the_standard_says() {
    let mut asker = Asker::new(Manner::default());
    asker.ask(&brakes(), &request(&[0x19, 0x02, 0xFF])).unwrap();
    sent(&mut asker, at(0));
    assert_eq!(
        asker.poll(at(149)),
        Action::Wait(Timestamp::from_nanos(150 * MILLI + 1))
    );
    assert_eq!(asker.next_outcome(), None);
    asker.poll(at(151));
    assert_eq!(asker.next_outcome().unwrap().ending, Ending::Silent);

    asker.ask(&brakes(), &request(&[0x19, 0x02, 0xFF])).unwrap();
    sent(&mut asker, at(1_000));
    asker.hear(id(0x748), &[3, 0x7F, 0x19, 0x78], at(1_100));
    asker.poll(at(6_100));
    assert_eq!(asker.next_outcome(), None);
    asker.hear(id(0x748), &[3, 0x59, 0x02, 0xFF], at(6_150));
    let outcome = asker.next_outcome().unwrap();
    assert_eq!(outcome.answers[0].pending, 1);

    // Pending and nothing more; pending for ever.
    asker.ask(&brakes(), &request(&[0x19, 0x02, 0xFF])).unwrap();
    sent(&mut asker, at(10_000));
    asker.hear(id(0x748), &[3, 0x7F, 0x19, 0x78], at(10_100));
    asker.poll(at(15_300));
    assert_eq!(asker.next_outcome().unwrap().ending, Ending::StillPending);
    asker.ask(&brakes(), &request(&[0x19, 0x02, 0xFF])).unwrap();
    sent(&mut asker, at(20_000));
    for count in 0..=20 {
        assert_eq!(asker.next_outcome(), None);
        asker.hear(id(0x748), &[3, 0x7F, 0x19, 0x78], at(20_100 + count * 100));
    }
    assert_eq!(asker.next_outcome().unwrap().ending, Ending::StillPending);
}

#[test]
fn a_modules_own_times_are_kept_and_never_shortened() {
    let mut asker = Asker::new(Manner::default());
    asker.ask(&brakes(), &request(&[0x10, 0x01])).unwrap();
    sent(&mut asker, at(0));
    // P2 500 ms, P2* 2 s.
    asker.hear(id(0x748), &[6, 0x50, 0x01, 0x01, 0xF4, 0x00, 0xC8], at(10));
    asker.next_outcome().unwrap();
    asker.ask(&brakes(), &request(&[0x22, 0xF1, 0x90])).unwrap();
    sent(&mut asker, at(1_000));
    asker.poll(at(1_590));
    assert_eq!(asker.next_outcome(), None);
    asker.hear(id(0x748), &[3, 0x7F, 0x22, 0x78], at(1_595));
    asker.poll(at(6_600));
    assert_eq!(asker.next_outcome(), None, "not less than the usual 5 s");
}

#[test]
fn a_negative_answer_is_an_answer() {
    let mut asker = Asker::new(Manner::default());
    asker.ask(&brakes(), &request(&[0x22, 0xF1, 0x90])).unwrap();
    sent(&mut asker, at(0));
    asker.hear(id(0x748), &[3, 0x7F, 0x10, 0x12], at(3));
    assert_eq!(asker.next_outcome(), None, "of another service");
    asker.hear(id(0x748), &[3, 0x7F, 0x22, 0x31], at(5));
    let outcome = asker.next_outcome().unwrap();
    assert_eq!(
        (outcome.ending, outcome.refusal()),
        (Ending::Answered, Some(0x31))
    );
    assert_eq!(outcome.positive(), None);
}

/// Several answer at once, one of them in pieces: each gets its own flow control, at its own address.
#[test]
fn all_are_asked_and_several_answer() {
    let mut asker = Asker::new(Manner::default());
    let all = Target::All {
        address: Address::can(id(0x7DF)),
        responders: (0..8).map(|n| pair(0x7E0 + n, 0x7E8 + n)).collect(),
    };
    asker.ask(&all, &request(&[0x09, 0x02])).unwrap();
    assert_eq!(sent(&mut asker, at(0))[0].0, 0x7DF);
    asker.hear(
        id(0x7E8),
        &[0x10, 0x14, 0x49, 0x02, 0x01, b'0', b'0', b'0'],
        at(5),
    );
    asker.hear(
        id(0x7EA),
        &[0x10, 0x14, 0x49, 0x02, 0x01, b'0', b'0', b'0'],
        at(6),
    );
    asker.hear(id(0x7EB), &[3, 0x7F, 0x09, 0x11], at(7));
    let flows = sent(&mut asker, at(8));
    assert_eq!(
        flows,
        [
            (0x7E0, vec![0x30, 0, 0, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC]),
            (0x7E2, vec![0x30, 0, 0, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC])
        ]
    );
    for raw in [0x7E8, 0x7EA] {
        asker.hear(id(raw), b"\x21TRA1N1N", at(20));
        asker.hear(id(raw), b"\x22G000007", at(200));
    }
    assert_eq!(asker.next_outcome(), None, "the others still have time");
    asker.poll(at(201));
    let outcome = asker.next_outcome().unwrap();
    let codes: Vec<Option<u8>> = outcome.answers.iter().map(Reply::refusal).collect();
    assert_eq!(codes, [Some(0x11), None, None]);
    assert_eq!(
        &outcome.positive().unwrap().payload[3..],
        b"000TRA1N1NG000007"
    );
}

#[test]
fn one_conversation_for_each_module_at_a_time() {
    let mut asker = Asker::new(Manner::default());
    asker.ask(&brakes(), &request(&[0x10, 0x01])).unwrap();
    let busy = asker.ask(&brakes(), &request(&[0x3E, 0x00]));
    assert_eq!(
        busy.unwrap_err().to_string(),
        "a conversation with 0x740 is going on"
    );
    let body = Target::Module(pair(0x726, 0x72E));
    asker.ask(&body, &request(&[0x10, 0x01])).unwrap();
    let mut to: Vec<u32> = sent(&mut asker, at(0)).iter().map(|sent| sent.0).collect();
    to.sort_unstable();
    assert_eq!(to, [0x726, 0x740]);
    asker.hear(id(0x72E), &[6, 0x50, 1, 0, 50, 1, 0xF4], at(9));
    asker.hear(id(0x748), &[6, 0x50, 1, 0, 50, 1, 0xF4], at(9));
    assert!(asker.next_outcome().is_some() && asker.next_outcome().is_some());
    // Nothing is due after tester present without answer.
    asker.ask(&body, &request(&[0x3E, 0x80])).unwrap();
    sent(&mut asker, at(10));
    assert_eq!(asker.next_outcome().unwrap().ending, Ending::Sent);
    // Too long for all.
    let all = Target::All {
        address: Address::can(id(0x7DF)),
        responders: Vec::new(),
    };
    let long = request(&[0x22, 1, 2, 3, 4, 5, 6, 7, 8]);
    assert_eq!(asker.ask(&all, &long), Err(AskError::TooLong { length: 9 }));
}

/// Extended addressing: the address byte stands before everything, also in flow control.
#[test]
fn the_address_byte_of_extended_addressing_is_sent_and_wanted() {
    let with = Conversation {
        request: Address::Can {
            id: id(0x6F1),
            extension: Some(0x28),
        },
        response: Address::Can {
            id: id(0x628),
            extension: Some(0xF1),
        },
        addressing: Addressing::Extended,
    };
    let mut asker = Asker::new(Manner {
        filling: None,
        ..Manner::default()
    });
    asker
        .ask(&Target::Module(with), &request(&[0x22, 0xF1, 0x90]))
        .unwrap();
    assert_eq!(
        sent(&mut asker, at(0)),
        [(0x6F1, vec![0x28, 3, 0x22, 0xF1, 0x90])]
    );
    asker.hear(id(0x628), &[0xF2, 0x10, 20, 0x62, 0xF1, 0x90, 0, 0], at(1));
    assert!(sent(&mut asker, at(2)).is_empty(), "not for this tester");
    asker.hear(id(0x628), &[0xF1, 0x10, 8, 0x62, 0xF1, 0x90, 1, 2], at(3));
    assert_eq!(sent(&mut asker, at(4)), [(0x6F1, vec![0x28, 0x30, 0, 0])]);
    asker.hear(id(0x628), &[0xF1, 0x21, 3, 4, 5], at(5));
    let outcome = asker.next_outcome().unwrap();
    assert_eq!(
        outcome.answers[0].payload,
        [0x62, 0xF1, 0x90, 1, 2, 3, 4, 5]
    );
}

proptest! {
    /// Against a partner with its own block size, separation time and padding: a question in pieces gets there, and an
    /// answer of any length comes back.
    #[test]
    fn questions_and_answers_in_pieces(
        identifiers in prop::collection::vec(1_u16.., 1..=8),
        told in prop::collection::vec(any::<u8>(), 0..300),
        block_size in 0_u8..4,
        separation in 0_u8..20,
        own_block in 0_u8..4,
        filling in any::<Option<u8>>(),
    ) {
        let mut bytes = vec![0x22];
        bytes.extend(identifiers.iter().flat_map(|did| did.to_be_bytes()));
        let mut asker = Asker::new(Manner { filling, block_size: own_block, ..Manner::default() });
        asker.ask(&brakes(), &request(&bytes)).unwrap();
        let settings = Reception { block_size, separation: Separation(separation), ..Reception::default() };
        let mut receiver = Receiver::new(settings);
        let mut sender: Option<Sender> = None;
        let mut got = None;
        let mut last = at(0);
        for millis in 0..4_000 {
            let now = at(millis);
            while let Action::Put { id: to, data } = asker.poll(now) {
                prop_assert_eq!(to.raw(), 0x740);
                if got.is_none() && data[0] >> 4 == 2 {
                    // The separation time is kept within a block; flow control lets the first of a block go at once.
                    let least = i64::from(Separation(separation).micros()) * 1_000;
                    let before = (data[0] & 0x0F) - 1;
                    let first = before == 0 || block_size != 0 && before.is_multiple_of(block_size);
                    prop_assert!(now.nanos_since(last) >= least || first);
                    last = now;
                }
                if let Some(sender) = &mut sender {
                    sender.take(&data, now);
                }
                match receiver.take(&data, now) {
                    Received::Flow(flow) => asker.hear(id(0x748), &flow, now),
                    Received::Message(message) => {
                        let mut answer = vec![0x62, message[1], message[2]];
                        answer.extend(&told);
                        sender = Some(Sender::new(&answer, Cut::classic(None)));
                        got = Some(message);
                    }
                    Received::Nothing => {}
                    Received::Broken(fault) => panic!("{fault:?}"),
                }
            }
            if let Some(sender) = &mut sender
                && let Next::Send(field) = sender.poll(now)
            {
                asker.hear(id(0x748), &field, now);
            }
            if let Some(outcome) = asker.next_outcome() {
                prop_assert_eq!(outcome.ending, Ending::Answered);
                prop_assert_eq!(&outcome.answers[0].payload[3..], &told[..]);
                prop_assert_eq!(got, Some(bytes));
                return Ok(());
            }
        }
        prop_assert!(false, "no outcome");
    }
}
