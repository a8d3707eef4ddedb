//! Does an identifier behave as if it carried diagnostic messages? What its frames alone say, without a partner.

use super::echo::{NEGATIVE, is_response_code};
use super::pci::{CLASSIC, Pci};
use crate::frame::{CanId, Timestamp};

/// How likely an identifier is to carry diagnostic messages before any frame is looked at.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub(super) enum Prior {
    /// SAE J1939's transport, request, acknowledgement and address claim: never ours, though they look alike.
    Never,
    /// Broadcast groups of SAE J1939.
    Unlikely,
    /// Anything else.
    Open,
    /// Where makers put diagnostics: 11-bit from 0x600, 29-bit of ISO 15765-2 (normal fixed and mixed), and 29-bit with
    /// the extended data page of ISO 15765-3.
    Likely,
}

impl Prior {
    pub(super) const fn of(id: CanId) -> Self {
        let raw = id.raw();
        if !id.is_extended() {
            return if raw >= 0x600 {
                Self::Likely
            } else {
                Self::Open
            };
        }
        let extended_data_page = raw & 0x0200_0000 != 0;
        let data_page = raw & 0x0100_0000 != 0;
        match (raw >> 16) & 0xFF {
            0xF0..=0xFF if extended_data_page && data_page => Self::Likely,
            _ if extended_data_page => Self::Open,
            0xC7 | 0xC8 | 0xE8 | 0xEA..=0xEC | 0xEE if !data_page => Self::Never,
            0xCD | 0xCE | 0xDA | 0xDB if !data_page => Self::Likely,
            0xF0..=0xFF => Self::Unlikely,
            _ => Self::Open,
        }
    }

    /// Bits of likeness that a pair needs before both identifiers count as recognised; less is enough when the other
    /// one is known already, or when no more can come.
    pub(super) const fn needed(self, other_is_known: bool) -> u32 {
        match self {
            Self::Never => u32::MAX,
            Self::Unlikely => 64,
            Self::Open if other_is_known => 24,
            Self::Open => 32,
            Self::Likely if other_is_known => 16,
            Self::Likely => 18,
        }
    }

    /// The same when the capture is over.
    pub(super) const fn needed_at_end(self, other_is_known: bool) -> u32 {
        match self {
            Self::Likely => 16,
            Self::Open => 24,
            Self::Never | Self::Unlikely => self.needed(other_is_known),
        }
    }
}

/// What one reading of an undecided identifier has shown so far.
#[derive(Clone, Debug, Default)]
pub(super) struct Habit {
    /// A frame contradicted this reading.
    pub is_refuted: bool,
    /// Messages so far, whole ones.
    pub messages: u32,
    /// Broken ones, and consecutive frames that follow nothing.
    pub faults: u32,
    /// Messages in the strict form of a request.
    pub requests: u32,
    /// Messages in the strict form of an answer.
    pub answers: u32,
    /// Messages whose filling was not uniform.
    pub uneven: u32,
    /// Segmented messages that a flow control steered.
    pub steered: u32,
    /// Time of the first and of the last message.
    pub first: Option<Timestamp>,
    /// See `first`.
    pub last: Option<Timestamp>,
}

impl Habit {
    /// Notes a whole single-frame message.
    pub(super) fn note_single(&mut self, payload: &[u8], filling: &[u8], time: Option<Timestamp>) {
        self.messages += 1;
        self.requests += u32::from(is_strict_request(payload));
        self.answers += u32::from(is_strict_answer(payload));
        self.uneven += u32::from(!is_uniform(filling));
        self.note_time(time);
    }

    /// Notes a whole segmented message, of which `head` is the beginning.
    pub(super) fn note_segmented(&mut self, head: u8, steered: bool, time: Option<Timestamp>) {
        self.messages += 1;
        self.requests += u32::from(SEGMENTED_REQUESTS.contains(&head));
        self.answers += u32::from(is_answer_service(head) && head != NEGATIVE);
        self.steered += u32::from(steered);
        self.note_time(time);
    }

    fn note_time(&mut self, time: Option<Timestamp>) {
        self.first = self.first.or(time);
        self.last = time.or(self.last);
    }

    /// Whether this can only be requests that nobody answered.
    pub(super) fn is_unanswered_requests(&self) -> bool {
        self.messages > 0
            && self.requests == self.messages
            && self.uneven == 0
            && self.faults == 0
            && !self.is_faster_than(FASTEST_REQUESTS)
    }

    /// Whether this can only be answers whose requests are not in the capture.
    pub(super) fn is_answers_alone(&self) -> bool {
        self.answers == self.messages
            && self.uneven == 0
            && (self.messages >= ENOUGH_ANSWERS && self.faults == 0
                || self.steered > 0 && self.faults <= self.messages)
    }

    fn is_faster_than(&self, least_gap: i64) -> bool {
        match (self.first, self.last) {
            (Some(first), Some(last)) if self.messages > 4 => {
                last.nanos_since(first) < least_gap.saturating_mul(i64::from(self.messages - 1))
            }
            _ => false,
        }
    }
}

/// Requests without answers that come faster than this on average (nanoseconds) are a broadcast.
const FASTEST_REQUESTS: i64 = 40_000_000;
/// So many single-frame answers, and nothing else, are needed to believe in answers without requests.
const ENOUGH_ANSWERS: u32 = 3;

/// Whether the frame can be one of the protocol at all, as strictly as an undecided identifier needs.
pub(super) fn is_strict_frame(pci: &Pci<'_>, frame: usize, prefix: usize) -> bool {
    match *pci {
        Pci::Single { length, data } => {
            data.len() == length && (frame >= CLASSIC || frame == prefix + 1 + length)
        }
        Pci::First { length, .. } => length <= MAX_LIKELY_LENGTH,
        Pci::Consecutive { data, .. } => !data.is_empty(),
        Pci::Flow { .. } => true,
    }
}

/// No undecided identifier is believed to announce more than this, in bytes.
const MAX_LIKELY_LENGTH: u32 = 0xFFFF;

/// Whether the bytes after a message are all the same and one of the usual values, or absent.
pub(super) fn is_uniform(filling: &[u8]) -> bool {
    match filling.split_first() {
        None => true,
        Some((first, rest)) => {
            matches!(first, 0x00 | 0x55 | 0xAA | 0xCC | 0xFF)
                && rest.iter().all(|byte| byte == first)
        }
    }
}

/// Whether a whole single-frame payload is a request with a plausible length and sub-function. Services that only
/// stand for something on the standard's own identifiers (modes 01 to 0A) are not among them.
fn is_strict_request(payload: &[u8]) -> bool {
    match *payload {
        [0x14, _, _, _]
        | [0x14, 0xFF, 0x00 | 0xFF]
        | [0x2E, _, _, _, ..]
        | [0x3E]
        | [0x3E, 0x00 | 0x01 | 0x02 | 0x80] => true,
        // Sessions: the standard's, the maker's, and KWP 2000's.
        [0x10, session] => matches!(session & 0x7F, 0x01..=0x05 | 0x40..=0x7E) && session != 0x80,
        [0x11, reset] => matches!(reset & 0x7F, 0x01..=0x05 | 0x40..=0x7E),
        [0x18, 0x00..=0x03, _, _] | [0x12 | 0x17, ..] if payload.len() <= 4 => payload.len() > 1,
        [0x19, sub, ..] => match sub & 0x7F {
            0x01 | 0x02 | 0x05 | 0x0F | 0x11..=0x13 | 0x16 => payload.len() == 3,
            0x04 | 0x06 | 0x10 | 0x18 | 0x19 => payload.len() >= 6,
            0x03 | 0x0A..=0x0E | 0x14 | 0x15 => payload.len() == 2,
            0x07 | 0x08 => payload.len() == 4,
            0x09 => payload.len() == 5,
            0x17 | 0x1A | 0x42 | 0x55 | 0x56 => payload.len() >= 3,
            _ => false,
        },
        [0x1A, identifier] => identifier >= 0x80,
        [0x21, identifier] => identifier != 0x00,
        [0x22, ref identifiers @ ..] => {
            matches!(identifiers.len(), 2 | 4 | 6) && identifiers.iter().any(|&byte| byte != 0)
        }
        [0x27, level, ..] => matches!(level, 0x01..=0x42 | 0x61..=0x7E),
        [0x28, control, communication] => control & 0x7F <= 0x05 && communication != 0,
        [0x2F, _, _, control, ..] => control <= 0x03,
        [0x31, sub, _, _, ..] => matches!(sub & 0x7F, 0x01..=0x03),
        [0x85, setting, ..] => matches!(setting & 0x7F, 0x01 | 0x02),
        [0x83 | 0x86 | 0x87, sub, ..] => sub & 0x7F <= 0x07,
        _ => false,
    }
}

const SEGMENTED_REQUESTS: [u8; 8] = [0x22, 0x2E, 0x2F, 0x31, 0x34, 0x36, 0x27, 0x2C];

/// Whether a whole single-frame payload can be an answer.
fn is_strict_answer(payload: &[u8]) -> bool {
    match *payload {
        [NEGATIVE, service, code] => service & 0x40 == 0 && is_response_code(code),
        [0x50 | 0x51 | 0x67 | 0x68 | 0x7E | 0xC5, sub, ..] => {
            sub != 0 || payload.first() == Some(&0x7E)
        }
        [0x59, sub, _, ..] => matches!(sub, 0x01..=0x19 | 0x42 | 0x55 | 0x56),
        // A count, then codes of two or three bytes.
        [0x43 | 0x47 | 0x4A | 0x58, count, ref codes @ ..] => {
            codes.is_empty() == (count == 0) && codes.len() >= usize::from(count)
        }
        [
            0x41 | 0x42 | 0x49 | 0x5A | 0x61 | 0x62 | 0x6E | 0x6F | 0x71,
            _,
            _,
            ..,
        ]
        | [0x44 | 0x54 | 0x7E | 0x77]
        | [0x74, _, ..]
        | [0x76, ..] => true,
        _ => false,
    }
}

const fn is_answer_service(service: u8) -> bool {
    matches!(
        service,
        0x41..=0x4A | 0x50 | 0x51 | 0x54 | 0x58..=0x5A | 0x61..=0x63 | 0x67..=0x71 | 0x74..=0x77 | NEGATIVE
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn priors_know_the_usual_places() {
        // Source: ISO 15765-2 and -4 (PF 0xDA, 0xDB, 0xCD, 0xCE); SAE J1939-21 (0xEA, 0xEB, 0xEC, 0xE8).
        let cases = [
            (0x18DA_10F1, Prior::Likely),
            (0x14DA_F110, Prior::Likely),
            (0x18CE_55AA, Prior::Likely),
            (0x17FC_0076, Prior::Likely),
            (0x17FE_0076, Prior::Likely),
            (0x1CEC_FF00, Prior::Never),
            (0x1CEB_FF00, Prior::Never),
            (0x18EA_FFF9, Prior::Never),
            (0x18FE_F100, Prior::Unlikely),
            (0x0CF0_0400, Prior::Unlikely),
            (0x0000_0180, Prior::Open),
        ];
        for (raw, expected) in cases {
            assert_eq!(
                Prior::of(CanId::extended(raw).unwrap()),
                expected,
                "{raw:08X}"
            );
        }
        assert_eq!(Prior::of(CanId::standard(0x720).unwrap()), Prior::Likely);
        assert_eq!(Prior::of(CanId::standard(0x241).unwrap()), Prior::Open);
    }

    #[test]
    fn requests_have_a_strict_form() {
        for payload in [
            &[0x3E, 0x00][..],
            &[0x22, 0xF1, 0x90],
            &[0x10, 0x03],
            &[0x19, 0x02, 0xFF],
        ] {
            assert!(is_strict_request(payload), "{payload:02X?}");
        }
        for payload in [
            &[0x00][..],
            &[0x10, 0x00],
            &[0x22, 0xF1],
            &[0x05, 0x01],
            &[0x19, 0x02],
            &[0x3E, 0x33],
        ] {
            assert!(!is_strict_request(payload), "{payload:02X?}");
        }
    }
}
