//! What an [`Ear`] hears of what another program puts on the link.

use std::time::Duration;

use tonering::frame::FrameKind;
use tonering::link::{Bus as _, BusState, Ear, ErrorFrame, Heard, LinkError, Socket, facts, links};

use crate::guest::{Beside, VirtualBus, has, run, shell, until};

const PATIENCE: Duration = Duration::from_millis(500);

fn hear(ear: &mut Ear) -> Heard {
    ear.hear(Duration::from_secs(5)).unwrap().expect("a frame")
}

/// `cansend` of can-utils is the other end.
#[test]
fn every_kind_of_frame_is_heard() {
    if !has("virtual") {
        return;
    }
    let bus = VirtualBus::new("kinds");
    let mut ear = Ear::open(&bus.0).unwrap();
    assert!(ear.hear(Duration::from_millis(10)).unwrap().is_none());
    let before = ear.now();
    for frame in [
        "7DF#02010C",
        "18DAF110#0102030405060708",
        "123#R4",
        "123##1000102030405060708090A0B",
        "20000004#0001000000000000",
    ] {
        run(&format!("cansend {} {frame}", bus.0));
    }
    let first = hear(&mut ear);
    assert_eq!(first.id.to_string(), "0x7DF");
    assert_eq!(
        (first.kind, &*first.data),
        (FrameKind::Data, &[2, 1, 12][..])
    );
    // The kernel's stamp is of the moment when it came.
    let after = ear.now();
    assert!(first.time > before && first.time < after, "{first:?}");
    let second = hear(&mut ear);
    assert_eq!(second.id.to_string(), "0x18DAF110");
    assert!(second.time > first.time);
    assert_eq!(hear(&mut ear).kind, FrameKind::Remote { length: 4 });
    let fd = hear(&mut ear);
    let with_switch = FrameKind::Fd {
        bit_rate_switch: true,
        error_passive: false,
    };
    assert_eq!((fd.kind, fd.data.len(), fd.lost), (with_switch, 12, 0));
    let error = hear(&mut ear);
    assert!(ErrorFrame::of(&error).unwrap().overflow);
}

/// 5 000 frames into a buffer that nobody empties: what does not fit is counted, none is missed in the count.
#[test]
fn frames_that_the_kernel_drops_are_counted() {
    if !has("virtual") {
        return;
    }
    let bus = VirtualBus::new("drops");
    let mut ear = Ear::open(&bus.0).unwrap();
    assert!(ear.receive_buffer() >= 8 << 20);
    let mut sent: u64 = 0;
    let (mut heard, mut lost) = (0, 0);
    while lost == 0 {
        sent += 5_000;
        run(&format!("cangen {} -g 0 -n 5000 -I 123 -L 8 -D i", bus.0));
        assert!(sent < 100_000, "nothing was dropped");
        if sent < 30_000 {
            continue;
        }
        while let Some(frame) = ear.hear(PATIENCE).unwrap() {
            heard += 1;
            lost += u64::from(frame.lost);
        }
        // The count comes with the next frame that finds room.
        run(&format!("cansend {} 123#00", bus.0));
        sent += 1;
        let frame = hear(&mut ear);
        heard += 1;
        lost += u64::from(frame.lost);
    }
    assert_eq!(heard + lost, sent);
}

#[test]
fn an_interface_that_goes_down_and_away_is_heard_again_when_it_is_back() {
    if !has("virtual") {
        return;
    }
    let bus = VirtualBus::new("back");
    let mut ear = Ear::open(&bus.0).unwrap();
    run("ip link set back down");
    let down = |ear: &mut Ear| matches!(ear.hear(PATIENCE), Err(LinkError::Down { .. }));
    assert!(down(&mut ear) && down(&mut ear));
    run("ip link set back up");
    until("up", || ear.hear(PATIENCE).is_ok());
    run("cansend back 111#01");
    assert_eq!(hear(&mut ear).id.raw(), 0x111);

    run("ip link del back");
    let gone = |ear: &mut Ear| matches!(ear.hear(PATIENCE), Err(LinkError::Gone { .. }));
    assert!(gone(&mut ear) && gone(&mut ear));
    run("ip link add back type vcan");
    assert!(down(&mut ear));
    run("ip link set back up");
    until("back", || ear.hear(PATIENCE).is_ok());
    run("cansend back 222#02");
    assert_eq!(hear(&mut ear).id.raw(), 0x222);
}

#[test]
fn what_is_no_can_interface_is_refused() {
    if !has("virtual") {
        return;
    }
    let refused = |link: &str| Ear::open(link).unwrap_err();
    assert!(matches!(refused("can77"), LinkError::NoSuchLink { .. }));
    assert!(matches!(refused("lo"), LinkError::NotCan { .. }));
    assert!(matches!(refused("../lo"), LinkError::NoSuchLink { .. }));
    assert!(links().contains(&"vcan0".to_owned()));
    assert!(!links().contains(&"lo".to_owned()));
}

/// A full queue: `tc` makes the virtual bus as slow as a real one (400 frames a second, room for ten).
#[test]
fn sending_waits_for_room_in_the_queue() {
    if !has("virtual") {
        return;
    }
    let bus = VirtualBus::new("slow");
    run("tc qdisc add dev slow root tbf rate 51200bit burst 32 limit 160");
    let mut ear = Ear::open(&bus.0).unwrap();
    let mut socket = Socket::open(&bus.0).unwrap();
    let id = tonering::frame::CanId::standard_masked(0x100);
    for count in 0..200_u8 {
        socket.put(id, &[count]).unwrap();
    }
    let heard: Vec<u8> = (0..200).map(|_| hear(&mut ear).data[0]).collect();
    assert_eq!(heard, (0..200).collect::<Vec<u8>>());
    // One's own frames are not heard.
    assert!(socket.hear(PATIENCE).unwrap().is_none());
}

/// `ip` of iproute2 says the same.
#[test]
fn facts_of_a_virtual_bus() {
    if !has("virtual") {
        return;
    }
    let bus = VirtualBus::new("facts");
    run("cangen facts -g 0 -n 25");
    let found = facts(&bus.0).unwrap();
    assert_eq!((found.kind.as_str(), found.up), ("vcan", true));
    assert_eq!(
        (found.mtu, found.bit_rate, found.state),
        (Some(72), None, None)
    );
    assert_eq!(found.received, 25);
    run("ip link set facts down txqueuelen 77");
    let found = facts(&bus.0).unwrap();
    assert_eq!((found.up, found.queue), (false, Some(77)));
    assert!(matches!(facts("can77"), Err(LinkError::NoSuchLink { .. })));
}

/// Two controllers on one bus; `ip` of iproute2 sets what is read.
#[test]
fn facts_of_a_controller() {
    if !has("controllers") {
        return;
    }
    run("ip link set can1 down");
    run("ip link set can1 type can bitrate 250000 listen-only on berr-reporting on restart-ms 100");
    run("ip link set can1 up");
    let found = facts("can1").unwrap();
    assert_eq!((found.kind.as_str(), found.up), ("can", true));
    assert_eq!((found.bit_rate, found.mtu), (Some(250_000), Some(16)));
    assert_eq!(
        (found.listen_only, found.reports_errors),
        (Some(true), Some(true))
    );
    assert_eq!(
        (found.restart_ms, found.state),
        (Some(100), Some(BusState::Active))
    );
    let shown = run("ip -d link show can1");
    let point = f64::from(found.sample_point.unwrap()) / 1_000.0;
    assert!(
        shown.contains(&format!("sample-point {point:.3}")),
        "{shown}"
    );
    run("ip link set can1 down");
    assert_eq!(facts("can1").unwrap().state, Some(BusState::Stopped));
    run("ip link set can1 type can bitrate 500000 listen-only off berr-reporting off restart-ms 0");
    run("ip link set can1 up");
}

/// The other controller counts what comes from this one: nothing does.
#[test]
fn hearing_sends_nothing() {
    if !has("controllers") {
        return;
    }
    let before = (facts("can0").unwrap(), facts("can1").unwrap());
    let mut ear = Ear::open("can0").unwrap();
    let talk = Beside::shell("cangen can1 -g 1 -n 500");
    let mut heard = 0;
    while heard < 500 {
        let frame = hear(&mut ear);
        heard += u32::from(frame.kind.is_data());
    }
    drop(talk);
    let after = (facts("can0").unwrap(), facts("can1").unwrap());
    assert_eq!(after.0.sent, before.0.sent);
    assert_eq!(after.1.received, before.1.received);
    assert_eq!(after.0.received - before.0.received, 500);
    assert!(shell("ip -s link show can0").status.success());
}
