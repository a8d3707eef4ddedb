//! What breaks a message, by the contract of `decode` and ISO 15765-2.

use super::*;

const FIRST: &str = "1014490201573031";
const SECOND: &str = "2130303030353154";
const THIRD: &str = "2232313233343536";
const WHOLE: &str = "7E8 4902015730313030303035315432313233343536 -";
const FLOW: &str = "300000";

fn check(lines: &[Line<'_>], expected: &[&str]) {
    assert_eq!(summary(&observe(lines)), expected);
}

#[test]
fn a_wrong_number_breaks_the_message() {
    let lines = [
        (0.0, 0x7E8, FIRST),
        (0.001, 0x7E0, FLOW),
        (0.01, 0x7E8, SECOND),
        (0.02, 0x7E8, "2332313233343536"),
        (0.03, 0x7E8, "2432313233343536"),
        (0.04, 0x7E8, "2532313233343536"),
    ];
    let messages = observe(&lines);
    assert_eq!(
        summary(&messages),
        [
            "7E8 49020157303130303030353154 sequence",
            "7E8 3231323334353632313233343536 orphan"
        ]
    );
    assert_eq!((messages[0].frames, messages[0].announced), (3, 20));
    assert_eq!(messages[0].end, Some(Timestamp::from_seconds(0.02)));
    assert_eq!(messages[1].frames, 2);
}

#[test]
fn a_repeated_frame_breaks_the_message_unless_it_is_a_copy() {
    let repeated = |gap: f64| {
        [
            (0.0, 0x7E8, FIRST),
            (0.01, 0x7E8, SECOND),
            (0.01 + gap, 0x7E8, SECOND),
            (0.02, 0x7E8, THIRD),
        ]
    };
    check(&repeated(0.000_05), &[WHOLE]);
    check(
        &repeated(0.000_051),
        &[
            "7E8 49020157303130303030353154 sequence",
            "7E8 32313233343536 orphan",
        ],
    );
    let (_, observer) = observe_with(AddressBook::new(), &repeated(0.0));
    assert_eq!(observer.tally().duplicates, 1);
}

#[test]
fn without_times_nothing_is_a_copy_and_nothing_is_late() {
    check(
        &[(-1.0, 0x7E0, "023E00"), (-1.0, 0x7E0, "023E00")],
        &["7E0 3E00 -", "7E0 3E00 -"],
    );
    let lines = [
        (-1.0, 0x7E8, FIRST),
        (-1.0, 0x7E8, SECOND),
        (-1.0, 0x7E8, THIRD),
    ];
    check(&lines, &[WHOLE]);
}

#[test]
fn more_than_a_second_is_too_long() {
    // N_Cr and N_Bs, ISO 15765-2: 1000 ms.
    let late = |gap: f64| {
        [
            (0.0, 0x7E8, FIRST),
            (0.9, 0x7E0, FLOW),
            (0.9 + gap, 0x7E8, SECOND),
            (0.95 + gap, 0x7E8, THIRD),
        ]
    };
    check(&late(1.0), &[WHOLE]);
    check(
        &late(1.000_001),
        &[
            "7E8 490201573031 timeout",
            "7E8 3030303035315432313233343536 orphan",
        ],
    );
}

#[test]
fn wait_frames_prolong_the_time() {
    let lines = [
        (0.0, 0x7E8, FIRST),
        (0.8, 0x7E0, "310000"),
        (1.6, 0x7E0, "310000"),
        (2.4, 0x7E0, FLOW),
        (2.5, 0x7E8, SECOND),
        (2.6, 0x7E8, THIRD),
    ];
    check(&lines, &[WHOLE]);
    let (_, observer) = observe_with(AddressBook::new(), &lines);
    let paces = observer.paces();
    let (_, address, partner, pace) = &paces[0];
    assert_eq!(address.to_string(), "0x7E8");
    assert_eq!(partner.unwrap().to_string(), "0x7E0");
    assert_eq!((pace.waits, pace.flow_frames, pace.first_frames), (2, 1, 1));
    assert_eq!(pace.least_gap, Some(100_000_000));
}

#[test]
fn a_time_out_comes_before_a_restart() {
    let second = "1014590201573031";
    let lines = |gap: f64| [(0.0, 0x7E8, FIRST), (gap, 0x7E8, second)];
    check(
        &lines(0.5),
        &["7E8 490201573031 restarted", "7E8 590201573031 capture-end"],
    );
    check(
        &lines(1.5),
        &["7E8 490201573031 timeout", "7E8 590201573031 capture-end"],
    );
}

#[test]
fn a_time_out_is_found_by_any_frame_of_the_bus() {
    let lines = [
        (0.0, 0x7E8, FIRST),
        (0.5, 0x123, "00"),
        (1.1, 0x123, "00"),
        (1.2, 0x7E0, "023E00"),
    ];
    check(&lines, &["7E8 490201573031 timeout", "7E0 3E00 -"]);
}

#[test]
fn a_single_frame_restarts_too() {
    let lines = [(0.0, 0x7E8, FIRST), (0.1, 0x7E8, "037F2278")];
    check(&lines, &["7E8 490201573031 restarted", "7E8 7F2278 -"]);
}

#[test]
fn an_overflow_ends_the_message() {
    let lines = [
        (0.0, 0x7E0, "1014360201573031"),
        (0.01, 0x7E8, "320000"),
        (0.5, 0x7E8, "037F3671"),
    ];
    check(&lines, &["7E0 360201573031 overflow", "7E8 7F3671 -"]);
    // Not allowed later: it counts only when the sender does stop.
    let goes_on = [
        (0.0, 0x7E8, FIRST),
        (0.01, 0x7E8, SECOND),
        (0.02, 0x7E0, "320000"),
        (0.03, 0x7E8, THIRD),
    ];
    check(&goes_on, &[WHOLE]);
    check(&goes_on[..3], &["7E8 49020157303130303030353154 overflow"]);
}

#[test]
fn consecutive_frames_without_a_first_one_are_one_entry() {
    let lines = [
        (0.0, 0x7E8, "2501020304050607"),
        (0.01, 0x7E8, "2608090A0B0C0D0E"),
        (0.02, 0x7E8, "270F"),
        (0.05, 0x7E8, "037F2231"),
    ];
    let messages = observe(&lines);
    assert_eq!(
        summary(&messages),
        ["7E8 0102030405060708090A0B0C0D0E0F orphan", "7E8 7F2231 -"]
    );
    assert_eq!((messages[0].frames, messages[0].announced), (3, 0));
}

#[test]
fn lengths_that_cannot_be() {
    // A single frame that announces more than it holds.
    check(&[(0.0, 0x7E8, "0562F190")], &["7E8 62F190 length"]);
    // A consecutive frame that is too short, and not the last.
    let lines = [
        (0.0, 0x7E8, FIRST),
        (0.01, 0x7E8, "213030"),
        (0.02, 0x7E8, THIRD),
    ];
    check(
        &lines,
        &["7E8 4902015730313030 length", "7E8 32313233343536 orphan"],
    );
}

#[test]
fn what_a_receiver_ignores_disturbs_nothing() {
    // Source: ISO 15765-2, unexpected protocol data units; the same in Linux net/can/isotp.c.
    let lines = [
        (0.00, 0x7E8, FIRST),
        (0.01, 0x7E8, "0000000000000000"),
        (0.02, 0x7E8, "1007010203040506"),
        (0.03, 0x7E8, "4000000000000000"),
        (0.04, 0x7E8, SECOND),
        (0.05, 0x7E8, "1014AA"),
        (0.06, 0x7E8, THIRD),
    ];
    check(&lines, &[WHOLE]);
    let (_, observer) = observe_with(AddressBook::new(), &lines);
    assert_eq!(observer.tally().malformed, 4);
}

#[test]
fn an_unfinished_message_ends_with_the_capture() {
    check(
        &[(0.0, 0x7E8, FIRST), (0.01, 0x7E8, SECOND)],
        &["7E8 49020157303130303030353154 capture-end"],
    );
    // Its time was over before the capture was.
    check(
        &[(0.0, 0x7E8, FIRST), (1.5, 0x123, "00")],
        &["7E8 490201573031 timeout"],
    );
}

#[test]
fn a_clock_that_goes_back_is_no_reason_to_wait_for_ever() {
    let lines = [
        (100.0, 0x7E8, FIRST),
        (10.0, 0x7E8, SECOND),
        (10.1, 0x7E8, THIRD),
        (10.2, 0x7E8, FIRST),
        (11.3, 0x123, "00"),
    ];
    check(&lines, &[WHOLE, "7E8 490201573031 timeout"]);
}

#[test]
fn a_functional_request_does_not_disturb_a_segmented_one() {
    let lines = [
        (0.00, 0x7E0, "10082EF190010203"),
        (0.01, 0x7E8, FLOW),
        (0.02, 0x7DF, "023E80"),
        (0.03, 0x7E0, "210405"),
    ];
    let messages = observe(&lines);
    assert_eq!(summary(&messages), ["7DF 3E80 -", "7E0 2EF1900102030405 -"]);
    assert!(messages[0].functional && messages[0].partner.is_none());
    assert_eq!(messages[1].partner.unwrap().to_string(), "0x7E8");
}

#[test]
fn buses_with_equal_identifiers_are_kept_apart() {
    let mut observer = Observer::new(AddressBook::new());
    let fields = ["1008620102030405", "210607"];
    for (number, field) in fields.iter().enumerate() {
        for channel in [0, 3] {
            observer.push(&Frame {
                number: number as u64,
                time: None,
                channel: Channel(channel),
                id: can_id(0x7E8),
                kind: FrameKind::Data,
                data: &bytes(field),
            });
        }
    }
    let messages: Vec<Message> = std::iter::from_fn(|| observer.next_message()).collect();
    assert_eq!(summary(&messages), ["7E8 6201020304050607 -"; 2]);
    assert_eq!(
        (messages[0].channel, messages[1].channel),
        (Channel(0), Channel(3))
    );
}

#[test]
fn a_live_link_learns_when_to_come_back() {
    let mut observer = Observer::new(AddressBook::new());
    push_line(&mut observer, 0, &(5.0, 0x7E8, FIRST));
    let deadline = observer.deadline().unwrap();
    assert_eq!(deadline, Timestamp::from_nanos(6_000_000_001));
    observer.expire(Timestamp::from_nanos(6_000_000_000));
    assert!(observer.next_message().is_none());
    observer.expire(deadline);
    assert_eq!(observer.next_message().unwrap().fault, Some(Fault::Timeout));
    assert_eq!(observer.deadline(), None);
}

#[test]
fn a_fd_message_keeps_the_length_of_its_first_frame() {
    // ISO 15765-2:2016: RX_DL is that of the first frame; a shorter frame in the middle is none of it.
    let payload: Vec<u8> = (0..150).collect();
    let cut = segment::Cut {
        extension: None,
        frame_length: segment::FrameLength::LONGEST,
        filling: None,
    };
    let fields: Vec<String> = segment::frames(&payload, cut)
        .map(|field| hex(&field))
        .collect();
    let lines: Vec<Line<'_>> = fields
        .iter()
        .map(|field| (0.0, 0x7E8, field.as_str()))
        .collect();
    let messages = observe(&lines);
    assert_eq!(messages.len(), 1);
    assert_eq!((messages[0].fault, &messages[0].payload), (None, &payload));
    let short = &fields[1][..40];
    let messages = observe(&[lines[0], (0.0, 0x7E8, short)]);
    assert_eq!(messages[0].fault, Some(Fault::Length));
}

#[test]
fn flow_control_is_given_when_asked_for() {
    let lines = [(0.0, 0x7E8, FIRST), (0.001, 0x7E0, "30020A")];
    let (_, mut observer) = observe_with(AddressBook::new(), &lines);
    let Some(Control::Flow {
        address,
        sender,
        block_size,
        separation,
        ..
    }) = observer.next_control()
    else {
        panic!("a flow control came");
    };
    assert_eq!(
        (
            address.to_string().as_str(),
            block_size,
            separation.micros()
        ),
        ("0x7E0", 2, 10_000)
    );
    assert_eq!(sender.unwrap().to_string(), "0x7E8");
}

/// Forty-eight senders announce a mebibyte each and send in turn: 48 MiB under way would be more than is kept.
#[test]
fn all_messages_under_way_together_are_bounded() {
    const SENDERS: u32 = 48;
    const LONGEST: usize = 1 << 20;
    let ids = (0..SENDERS).map(|number| CanId::extended_masked(0x18DA_1000 + number));
    let mut book = AddressBook::new();
    for id in ids.clone() {
        let address = Address::Can {
            id,
            extension: None,
        };
        book.add_functional(address, Addressing::NormalFixed);
    }
    let mut observer = Observer::new(book);
    let (mut limited, mut whole) = (0, 0);
    let mut data = [0x5A_u8; 64];
    for round in 0..=LONGEST / 63 {
        if round == 0 {
            data[..6].copy_from_slice(&[0x10, 0, 0, 0x10, 0, 0]);
        } else {
            data[0] = 0x20 | u8::try_from(round % 16).unwrap();
        }
        for id in ids.clone() {
            observer.push(&Frame {
                number: 0,
                time: None,
                channel: Channel(0),
                id,
                kind: FrameKind::Fd {
                    bit_rate_switch: false,
                    error_passive: false,
                },
                data: &data,
            });
            while let Some(message) = observer.next_message() {
                limited += u64::from(message.fault == Some(Fault::Limit));
                whole += u64::from(message.is_complete());
                observer.recycle(message);
            }
            assert!(!observer.queue.is_too_open());
        }
    }
    assert!(limited > 0 && limited < u64::from(SENDERS), "{limited}");
    assert_eq!(observer.tally().limited, limited);
    assert!(whole > 0, "those that are left go on");
}
