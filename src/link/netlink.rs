//! How the kernel is asked about an interface, and how it answers (rtnetlink).
//!
//! A message is a head of 16 bytes and a body; here the body is a head of its own and attributes: length and number (two
//! bytes each), value, filled up to four bytes. Numbers are in the byte order of the machine. Attributes that are not known
//! here are passed over, and values that are too short are not taken.
//!
//! Source: Linux `include/uapi/linux/netlink.h`, `rtnetlink.h`, `if_link.h`, `can/netlink.h`; netlink(7), rtnetlink(7).

use super::interface::{BusState, Facts};

const GET_LINK: u16 = 18;
const NEW_LINK: u16 = 16;
const REQUEST: u16 = 1;
const MESSAGE_HEAD: usize = 16;
const LINK_HEAD: usize = 16;

/// The question about the interface of this number.
pub(super) fn request(index: u32) -> [u8; MESSAGE_HEAD + LINK_HEAD] {
    let mut bytes = [0; MESSAGE_HEAD + LINK_HEAD];
    let length = u32::try_from(bytes.len()).unwrap_or_default().to_ne_bytes();
    let mut place = bytes.iter_mut();
    let kind = GET_LINK.to_ne_bytes();
    let flags = REQUEST.to_ne_bytes();
    let head = length.into_iter().chain(kind).chain(flags);
    // Number of the question and of the asker, then family and kind of the interface: all zero.
    let rest = [0; 8 + 4].into_iter().chain(index.to_ne_bytes());
    for byte in head.chain(rest) {
        if let Some(place) = place.next() {
            *place = byte;
        }
    }
    bytes
}

/// The facts in an answer; `None` when it is none about an interface.
pub(super) fn read(answer: &[u8]) -> Option<Facts> {
    let length = usize::try_from(number(answer, 0)?).ok()?;
    let answer = answer.get(..length)?;
    if u16::from_ne_bytes(*answer.get(4..)?.first_chunk()?) != NEW_LINK {
        return None;
    }
    let body = answer.get(MESSAGE_HEAD..)?;
    let mut facts = Facts {
        up: number(body, 8)? & 1 != 0,
        ..Facts::default()
    };
    for (kind, value) in attributes(body.get(LINK_HEAD..)?) {
        match kind {
            4 => facts.mtu = number(value, 0),
            13 => facts.queue = number(value, 0),
            18 => read_kind(value, &mut facts),
            23 => read_counts(value, &mut facts),
            _ => {}
        }
    }
    Some(facts)
}

/// `IFLA_LINKINFO`.
fn read_kind(bytes: &[u8], facts: &mut Facts) {
    for (kind, value) in attributes(bytes) {
        match kind {
            1 => {
                let name = value.split(|&byte| byte == 0).next().unwrap_or_default();
                facts.kind = String::from_utf8_lossy(name).into_owned();
            }
            2 if facts.kind == "can" => read_controller(value, facts),
            // `struct can_device_stats`: bus errors, warnings, passive, bus-off.
            3 if facts.kind == "can" => facts.bus_off_count = number(value, 12).unwrap_or(0),
            _ => {}
        }
    }
}

/// `IFLA_INFO_DATA` of a controller.
fn read_controller(bytes: &[u8], facts: &mut Facts) {
    const LISTEN_ONLY: u32 = 0x02;
    const REPORTS_ERRORS: u32 = 0x10;
    for (kind, value) in attributes(bytes) {
        match kind {
            1 => {
                facts.bit_rate = number(value, 0).filter(|&rate| rate > 0);
                facts.sample_point = number(value, 4).filter(|&point| point > 0);
            }
            4 => facts.state = number(value, 0).and_then(BusState::from_number),
            5 => {
                let flags = number(value, 4);
                facts.listen_only = flags.map(|flags| flags & LISTEN_ONLY != 0);
                facts.reports_errors = flags.map(|flags| flags & REPORTS_ERRORS != 0);
            }
            6 => facts.restart_ms = number(value, 0),
            8 => {
                facts.send_errors = short(value, 0);
                facts.receive_errors = short(value, 2);
            }
            9 => facts.data_bit_rate = number(value, 0).filter(|&rate| rate > 0),
            _ => {}
        }
    }
}

/// `struct rtnl_link_stats64`: eight bytes each.
fn read_counts(bytes: &[u8], facts: &mut Facts) {
    let count = |index: usize| {
        let place = bytes.get(index * 8..).and_then(<[u8]>::first_chunk);
        place.map_or(0, |bytes| u64::from_ne_bytes(*bytes))
    };
    facts.received = count(0);
    facts.sent = count(1);
    // rx_over_errors: after the eight first, collisions and length errors.
    facts.overruns = count(11);
}

fn number(bytes: &[u8], at: usize) -> Option<u32> {
    let bytes = bytes.get(at..)?.first_chunk()?;
    Some(u32::from_ne_bytes(*bytes))
}

fn short(bytes: &[u8], at: usize) -> Option<u16> {
    let bytes = bytes.get(at..)?.first_chunk()?;
    Some(u16::from_ne_bytes(*bytes))
}

/// The attributes in these bytes: number and value of each, as far as they are whole.
fn attributes(mut bytes: &[u8]) -> impl Iterator<Item = (u16, &[u8])> {
    const HEAD: usize = 4;
    /// Two upper bits say how to read the value.
    const NUMBER: u16 = 0x3FFF;
    std::iter::from_fn(move || {
        let length = usize::from(short(bytes, 0)?);
        let kind = short(bytes, 2)? & NUMBER;
        let value = bytes.get(HEAD..length)?;
        bytes = bytes.get(length.next_multiple_of(4)..).unwrap_or_default();
        Some((kind, value))
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn attribute(kind: u16, value: &[u8]) -> Vec<u8> {
        let length = u16::try_from(4 + value.len()).unwrap();
        let mut bytes = Vec::new();
        bytes.extend(length.to_ne_bytes());
        bytes.extend(kind.to_ne_bytes());
        bytes.extend(value);
        bytes.resize(bytes.len().next_multiple_of(4), 0);
        bytes
    }

    fn numbers<const N: usize>(numbers: [u32; N]) -> Vec<u8> {
        numbers.into_iter().flat_map(u32::to_ne_bytes).collect()
    }

    /// An answer as the kernel makes it, put together after the headers named above.
    fn answer() -> Vec<u8> {
        let controller = [
            attribute(1, &numbers([500_000, 875, 125, 6, 7, 2, 1, 1])),
            attribute(4, &numbers([2])),
            attribute(5, &numbers([0xFF, 0x12])),
            attribute(6, &numbers([100])),
            attribute(8, &[7_u16.to_ne_bytes(), 130_u16.to_ne_bytes()].concat()),
            attribute(9, &numbers([2_000_000, 750])),
            attribute(77, &[1]),
        ]
        .concat();
        let info = [
            attribute(1, b"can\0"),
            attribute(2, &controller),
            attribute(3, &numbers([9, 8, 7, 6, 5, 4])),
        ]
        .concat();
        let counts: Vec<u8> = (100_u64..124).flat_map(u64::to_ne_bytes).collect();
        let body = [
            numbers([280 << 16, 3, 0x0001_00C1, 0]),
            attribute(3, b"can0\0"),
            attribute(4, &numbers([16])),
            attribute(13, &numbers([10])),
            attribute(23, &counts),
            attribute(0x8012, &info),
        ]
        .concat();
        let length = u32::try_from(16 + body.len()).unwrap();
        let mut bytes = numbers([length, 0, 0, 0]);
        bytes[4..6].copy_from_slice(&16_u16.to_ne_bytes());
        bytes.extend(body);
        bytes
    }

    #[test]
    fn all_that_the_kernel_says_is_read() {
        let facts = read(&answer()).unwrap();
        let expected = Facts {
            kind: "can".to_owned(),
            up: true,
            mtu: Some(16),
            queue: Some(10),
            bit_rate: Some(500_000),
            data_bit_rate: Some(2_000_000),
            sample_point: Some(875),
            state: Some(BusState::Passive),
            listen_only: Some(true),
            reports_errors: Some(true),
            restart_ms: Some(100),
            send_errors: Some(7),
            receive_errors: Some(130),
            received: 100,
            sent: 101,
            overruns: 111,
            bus_off_count: 6,
        };
        assert_eq!(facts, expected);
    }

    #[test]
    fn the_question_names_the_interface() {
        let bytes = request(7);
        assert_eq!(number(&bytes, 0), Some(32));
        assert_eq!((short(&bytes, 4), short(&bytes, 6)), (Some(18), Some(1)));
        assert_eq!(number(&bytes, 20), Some(7));
    }

    proptest! {
        #[test]
        fn answers_that_are_cut_or_changed_do_no_harm(cut in 0_usize..600, at in 0_usize..600, byte: u8) {
            let mut bytes = answer();
            if let Some(place) = bytes.get_mut(at) {
                *place = byte;
            }
            bytes.truncate(cut);
            let _ = read(&bytes);
        }
    }
}
