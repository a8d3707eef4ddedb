//! Explanations of frames: what the bytes of the transport say, and the messages that the frames carry.
//!
//! Identifiers are read without an address byte, unless frames of one make no sense that way and all of them do with one
//! (extended and mixed addressing). Source: ISO 15765-2, 9.6 (frames), 10 (addressing).

use std::collections::BTreeMap;

use crate::frame::{CanId, Channel, Frame, FrameKind};
use crate::transport::{Address, AddressBook, Addressing, Fault, Message, Observer, Separation};

use super::explain::{Explanation, Fact, can_id_words, explain_message, of_message};
use super::{Direction, fault_words, head};

const CLAUSE: &str = "ISO 15765-2, 9.6";

/// Most frames that are listed one by one.
const MOST_LISTED: usize = 16;

/// What one frame is to the transport.
enum Part<'d> {
    Single(&'d [u8]),
    First { announced: u32, data: &'d [u8] },
    Further { number: u8, data: &'d [u8] },
    Flow { status: u8, block: u8, gap: u8 },
}

impl<'d> Part<'d> {
    /// Reads a frame behind `prefix` bytes of address; `None` when it is none of the transport.
    fn of(data: &'d [u8], prefix: usize) -> Option<Self> {
        let (first, rest) = data.get(prefix..)?.split_first()?;
        let low = first & 0x0F;
        match (first >> 4, rest) {
            (0, [length, own @ ..]) if data.len() > 8 && low == 0 => Self::single(*length, own),
            (0, own) if data.len() <= 8 => Self::single(low, own),
            // A first frame is full: what is shorter is none.
            (1, _) if data.len() < 8 => None,
            (1, [0, a, b, c, d, own @ ..]) if low == 0 => Some(Self::First {
                announced: u32::from_be_bytes([*a, *b, *c, *d]),
                data: own,
            }),
            (1, [next, own @ ..]) => Some(Self::First {
                announced: u32::from(low) << 8 | u32::from(*next),
                data: own,
            }),
            (2, own) => Some(Self::Further {
                number: low,
                data: own,
            }),
            (3, [block, gap, ..]) if low <= 2 => Some(Self::Flow {
                status: low,
                block: *block,
                gap: *gap,
            }),
            _ => None,
        }
    }

    fn single(length: u8, own: &'d [u8]) -> Option<Self> {
        let own = own.get(..usize::from(length))?;
        (length > 0).then_some(Self::Single(own))
    }

    const fn words(part: Option<&Self>) -> &'static str {
        match part {
            Some(Self::Single(_)) => "single frame: a whole message",
            Some(Self::First { announced, .. }) if *announced > 0xFFF => {
                "first frame of a long message"
            }
            Some(Self::First { .. }) => "first frame of a segmented message",
            Some(Self::Further { .. }) => "consecutive frame of a segmented message",
            Some(Self::Flow { .. }) => "flow control of a segmented message",
            None => "no frame of ISO 15765-2",
        }
    }
}

const fn status_words(status: u8) -> &'static str {
    match status {
        0 => "go on",
        1 => "wait",
        _ => "the message is too long",
    }
}

fn millis(gap: u8) -> f64 {
    f64::from(Separation(gap).micros()) / 1000.0
}

/// How many address bytes each identifier's frames have.
fn prefixes(frames: &[(CanId, Vec<u8>)]) -> BTreeMap<CanId, usize> {
    let mut fits: BTreeMap<CanId, [bool; 2]> = BTreeMap::new();
    for (id, data) in frames {
        let fits = fits.entry(*id).or_insert([true, true]);
        for (prefix, fits) in fits.iter_mut().enumerate() {
            *fits &= Part::of(data, prefix).is_some();
        }
    }
    // Where one side has an address byte, the other one has one too, as far as its frames allow.
    let any = fits.values().any(|[without, with]| !without && *with);
    let prefix = |[without, with]: [bool; 2]| usize::from(with && (any || !without));
    fits.into_iter()
        .map(|(id, fits)| (id, prefix(fits)))
        .collect()
}

/// One frame.
pub(super) fn explain_frame(id: CanId, data: &[u8]) -> Explanation {
    let frames = [(id, data.to_vec())];
    let prefix = prefixes(&frames).get(&id).copied().unwrap_or(0);
    let part = Part::of(data, prefix);
    let kind = match part {
        None if data.first().is_some_and(|first| first >> 4 == 0) => {
            "no frame of ISO 15765-2: its length byte cannot be"
        }
        _ => Part::words(part.as_ref()),
    };
    let mut told = match part {
        Some(Part::Single(own)) => explain_message(own.to_vec(), None),
        Some(Part::First { announced, data }) if !data.is_empty() => {
            explain_message(data.to_vec(), Some(announced))
        }
        _ => Explanation::new("frame", String::new()),
    };
    let inside = std::mem::take(&mut told.title);
    told.kind = "frame";
    told.title = match inside.as_str() {
        "" => format!("{id}: {kind}"),
        inside => format!("{id}: {kind}; {inside}"),
    };
    let mut facts = Vec::new();
    let mut add = |name: &str, words: String, source: &str| {
        facts.push(Fact {
            name: name.to_owned(),
            words,
            source: source.to_owned(),
        });
    };
    add(
        "identifier",
        format!("{id}: {}", can_id_words(id)),
        "ISO 15765-4",
    );
    if let (1, Some(byte)) = (prefix, data.first()) {
        add(
            "address byte",
            format!("0x{byte:02X}: target address, or extension of the address"),
            "ISO 15765-2, 10.3",
        );
    }
    add("frame", kind.to_owned(), CLAUSE);
    match part {
        Some(Part::Flow { status, block, gap }) => {
            add("flow status", status_words(status).to_owned(), CLAUSE);
            add("block size", format!("{block} (0: all at once)"), CLAUSE);
            add("separation time", format!("{} ms", millis(gap)), CLAUSE);
        }
        Some(Part::Further { number, .. }) => add("sequence number", number.to_string(), CLAUSE),
        Some(Part::First { announced, data }) => add(
            "length",
            format!(
                "{announced} bytes announced, {} of them in this frame",
                data.len()
            ),
            CLAUSE,
        ),
        Some(Part::Single(own)) => add(
            "length",
            format!("{} bytes, all of them in this frame", own.len()),
            CLAUSE,
        ),
        None => {}
    }
    told.facts.splice(0..0, facts);
    addressing(&mut told, data, prefix);
    told
}

/// What can be said of the addressing.
fn addressing(told: &mut Explanation, data: &[u8], prefix: usize) {
    if prefix == 1 {
        told.follows(
            "the first data byte belongs to the address: without it, the frame would be none of the transport",
        );
        told.not("whether that byte names the target (extended addressing) or widens the address (mixed addressing): both look alike");
        return;
    }
    let other = Part::of(data, 1);
    if let (Some(part), Some(byte)) = (&other, data.first()) {
        told.not(&format!(
            "that addressing is normal: with extended or mixed addressing 0x{byte:02X} is part of the address, and this is a {}",
            Part::words(Some(part))
        ));
    } else {
        told.not("that addressing is normal: with extended or mixed addressing the first data byte is part of the address");
    }
}

/// Several frames, in the order in which they came.
pub(super) fn explain_frames(frames: &[(CanId, Vec<u8>)]) -> Explanation {
    let prefixes = prefixes(frames);
    let prefix_of = |id: CanId| prefixes.get(&id).copied().unwrap_or(0);
    let messages = observed(frames, &prefixes);
    let whole = messages
        .iter()
        .filter(|message| message.is_complete())
        .count();
    let title = match messages.as_slice() {
        [] => format!("{} frames without a message", frames.len()),
        [only] => format!("{} frames: {}", frames.len(), message_words(only)),
        several => format!(
            "{} frames: {} messages, {whole} of them whole",
            frames.len(),
            several.len()
        ),
    };
    let mut told = Explanation::new("frames", title);
    for (index, (id, data)) in frames.iter().enumerate().take(MOST_LISTED) {
        let prefix = prefix_of(*id);
        let name = format!("frame {}", index + 1);
        told.fact(&name, frame_words(*id, data, prefix), CLAUSE);
    }
    if frames.len() > MOST_LISTED {
        let more = frames.len() - MOST_LISTED;
        told.fact(
            "further frames",
            format!("{more}, not listed one by one"),
            "",
        );
    }
    if messages.len() > 1 {
        for (index, message) in messages.iter().enumerate() {
            told.fact(
                &format!("message {}", index + 1),
                message_words(message),
                "",
            );
        }
    }
    for message in messages {
        conclude(&mut told, &message);
        let family = super::Family::of_payload(&message.payload);
        told.messages.push((message, family));
    }
    for (id, prefix) in &prefixes {
        if *prefix == 1 {
            told.follows(&format!(
                "the first data byte of {id} belongs to the address: without it, not all of its frames would be frames of the transport"
            ));
        }
    }
    told.not(
        "whether the times between the frames were kept: a frame does not say when it was sent",
    );
    told
}

fn frame_words(id: CanId, data: &[u8], prefix: usize) -> String {
    let part = Part::of(data, prefix);
    let kind = Part::words(part.as_ref());
    let address = match (prefix, data.first()) {
        (1, Some(byte)) => format!("{id}/0x{byte:02X}"),
        _ => id.to_string(),
    };
    match part {
        Some(Part::Single(own)) => format!("{address}: {kind} of {} bytes", own.len()),
        Some(Part::First { announced, data }) => format!(
            "{address}: {kind}; {announced} bytes announced, {} of them here",
            data.len()
        ),
        Some(Part::Further { number, data }) => format!(
            "{address}: {kind}; number {number}, up to {} bytes",
            data.len()
        ),
        Some(Part::Flow { status, block, gap }) => format!(
            "{address}: flow control: {}; block size {block}, separation time {} ms",
            status_words(status),
            millis(gap)
        ),
        None => format!("{address}: {kind}"),
    }
}

/// `ReadDTCInformation: an answer of 11 bytes from 0x7E8`.
fn message_words(message: &Message) -> String {
    let head = head(message, super::Family::of_payload(&message.payload));
    let direction = match head.direction {
        Direction::Request => "a request",
        Direction::Response => "an answer",
        Direction::Unknown => "bytes",
    };
    let mut words = format!(
        "{}: {direction} of {} bytes from {}",
        head.name,
        (message.announced as usize).max(message.payload.len()),
        message.address
    );
    if let Some(fault) = message.fault {
        words = format!("{words}; not whole: {}", reason(fault));
    }
    words
}

/// Why a message is not whole, where the frames that were given are all there is.
const fn reason(fault: Fault) -> &'static str {
    match fault {
        Fault::CaptureEnd => "further frames are missing at the end",
        Fault::Orphan => "its first frame is missing",
        _ => fault_words(fault),
    }
}

/// The messages in the frames.
fn observed(frames: &[(CanId, Vec<u8>)], prefixes: &BTreeMap<CanId, usize>) -> Vec<Message> {
    let mut book = AddressBook::new();
    for (id, data) in frames {
        let (extension, addressing) = match prefixes.get(id) {
            Some(1) => (data.first().copied(), Addressing::Extended),
            _ => (None, Addressing::Normal),
        };
        book.add_functional(Address::Can { id: *id, extension }, addressing);
    }
    let mut observer = Observer::new(book);
    let mut messages = Vec::new();
    for (number, (id, data)) in (1..).zip(frames) {
        observer.push(&Frame {
            number,
            time: None,
            channel: Channel(0),
            id: *id,
            kind: FrameKind::Data,
            data,
        });
        messages.extend(std::iter::from_fn(|| observer.next_message()));
    }
    observer.finish();
    messages.extend(std::iter::from_fn(|| observer.next_message()));
    messages
}

fn conclude(told: &mut Explanation, message: &Message) {
    if message.is_complete() {
        of_message(told, message);
        return;
    }
    let have = message.payload.len();
    match message.fault {
        Some(Fault::Orphan) => {
            told.not("what these bytes say: the first frame, which names the service, is not here");
        }
        Some(fault) => {
            let missing = (message.announced as usize).saturating_sub(have);
            told.follows(&format!(
                "{missing} of the {} bytes that {} announced are not here ({})",
                message.announced,
                message.address,
                reason(fault)
            ));
            told.not("what the missing bytes say");
        }
        None => {}
    }
}

#[cfg(test)]
mod tests {
    use crate::service::{Subject, explain};
    use crate::trouble::Catalogue;

    use super::*;

    fn told(text: &str) -> Explanation {
        let catalogue = Catalogue::embedded().unwrap();
        explain(&Subject::parse(text).unwrap(), &catalogue)
    }

    fn payloads(told: &Explanation) -> Vec<(Address, Vec<u8>, Option<Fault>)> {
        let messages = told.messages.iter();
        messages
            .map(|(message, _)| (message.address, message.payload.clone(), message.fault))
            .collect()
    }

    /// Source: can-isotp 2.0.7, 13 bytes with extended addressing (tester F1, module 55).
    #[test]
    fn several_frames_with_an_address_byte_make_a_message() {
        let told = told("6F1#55100D0102030405 655#F1300000 6F1#5521060708090A0B 6F1#55220C0D");
        let from = Address::Can {
            id: CanId::standard(0x6F1).unwrap(),
            extension: Some(0x55),
        };
        assert_eq!(payloads(&told), [(from, (1..=13).collect(), None)]);
        assert!(told.follows.iter().any(|words| words.contains("0x6F1")));
        assert!(told.facts[1].words.contains("go on"), "{:?}", told.facts[1]);
    }

    /// Source: can-isotp 2.0.7, the vehicle's number in three frames; one of them left out.
    #[test]
    fn what_is_missing_is_named() {
        let whole = told("7E8#101449020157304C 7E8#2130303030353154 7E8#2232313233343536");
        assert_eq!(payloads(&whole)[0].1.len(), 20);
        assert_eq!(payloads(&whole)[0].2, None);
        let gap = told("7E8#101449020157304C 7E8#2232313233343536");
        assert_eq!(payloads(&gap)[0].2, Some(Fault::Sequence));
        assert!(gap.title.contains("wrong number"), "{}", gap.title);
        let end = told("7E8#101449020157304C 7E8#2130303030353154");
        assert!(
            end.follows
                .iter()
                .any(|words| words.starts_with("7 of the 20 bytes")),
            "{:?}",
            end.follows
        );
    }

    /// Source: can-isotp 2.0.7, a single frame with extended addressing: without an address byte it would be a first frame
    /// that is not full.
    #[test]
    fn an_address_byte_is_found_in_a_single_frame() {
        let told = told("6F1#120322F190");
        assert_eq!(payloads(&told)[0].1, [0x22, 0xF1, 0x90]);
        assert!(told.facts.iter().any(|fact| fact.name == "address byte"));
    }
}
