//! Explanations for a learner: what something is, what follows from it and what does not.
//!
//! Source of what follows: the definitions in ISO 14229-1 (Annex D for codes and their status); that a code names a
//! circuit or a symptom and not a part is common practice, no source.

use std::fmt::Write as _;

use crate::frame::CanId;
use crate::transport::{Address, Message};
use crate::trouble::{Catalogue, Code, FailureType, Owner, Status};

use super::explain_frames::{explain_frame, explain_frames};
use super::family::{Family, clear_cut, service_name};
use super::field::STATUS;
use super::identifier::{fixed_length, identifier_name};
use super::parameter::{Items, parameter};
use super::{Direction, Subject, Words, head, refusal};

/// What is said about a subject.
#[derive(Clone, Debug)]
pub struct Explanation {
    /// The word for its kind: `code`, `status`, `message`.
    pub kind: &'static str,
    /// One line: what it is.
    pub title: String,
    /// What is known about it.
    pub facts: Vec<Fact>,
    /// The messages whose fields belong to the explanation, each with the family that its bytes show.
    pub messages: Vec<(Message, Family)>,
    /// What follows from it.
    pub follows: Vec<String>,
    /// What does not follow, however often it is believed.
    pub does_not_follow: Vec<String>,
}

/// One thing that is known.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Fact {
    /// What it is about.
    pub name: String,
    /// What is so.
    pub words: String,
    /// Where that is written; empty where it follows from the bytes.
    pub source: String,
}

impl Explanation {
    pub(super) fn new(kind: &'static str, title: String) -> Self {
        Self {
            kind,
            title,
            facts: Vec::new(),
            messages: Vec::new(),
            follows: Vec::new(),
            does_not_follow: Vec::new(),
        }
    }

    pub(super) fn fact(&mut self, name: &str, words: impl Into<String>, source: &str) {
        self.facts.push(Fact {
            name: name.to_owned(),
            words: words.into(),
            source: source.to_owned(),
        });
    }

    pub(super) fn follows(&mut self, words: &str) {
        self.follows.push(words.to_owned());
    }

    pub(super) fn not(&mut self, words: &str) {
        self.does_not_follow.push(words.to_owned());
    }
}

/// Explains a subject.
pub fn explain(subject: &Subject, catalogue: &Catalogue) -> Explanation {
    match subject {
        Subject::Code(code, failure) => explain_code(*code, *failure, catalogue),
        Subject::Byte(byte) => explain_byte(*byte, catalogue),
        Subject::FailureType(failure) => explain_failure(*failure, catalogue),
        Subject::Status(status) => explain_status(*status),
        Subject::Service(service) => explain_service(*service),
        Subject::Refusal(code) => explain_refusal(*code),
        Subject::Parameter(pid) => explain_parameter(*pid),
        Subject::Identifier(id) => explain_identifier(*id),
        Subject::CanId(id) => explain_can_id(*id),
        Subject::Message(payload) => explain_message(payload.clone(), None),
        Subject::Frame(id, data) => explain_frame(*id, data),
        Subject::Frames(frames) => explain_frames(frames),
    }
}

fn explain_code(code: Code, failure: Option<FailureType>, catalogue: &Catalogue) -> Explanation {
    let title = catalogue.describe(code, failure);
    let mut told = Explanation::new("code", title.trim_end_matches('.').to_owned());
    let [high, low] = code.0.to_be_bytes();
    let mut bytes = format!("{high:02X} {low:02X}");
    if let Some(failure) = failure {
        let _ = write!(bytes, " {failure}");
    }
    told.fact("bytes", bytes, "ISO 14229-1, Annex D");
    let system = code.system();
    told.fact(
        "system",
        format!(
            "{} ({}): the top two bits are {:02b}",
            system.words(),
            system.letter(),
            code.0 >> 14
        ),
        "SAE J2012",
    );
    let owner = match Owner::of(code) {
        Owner::Shared => "the list that all makers share",
        Owner::Maker => "each maker for itself",
        Owner::Mixed => "partly the shared list, partly the makers",
        Owner::Reserved => "nobody: reserved",
    };
    told.fact("number given by", owner, "SAE J2012");
    let readings = catalogue.readings(code, failure);
    for reading in &readings {
        let place = reading
            .place
            .map_or(String::new(), |place| format!(", at the {place}"));
        let words = format!(
            "{}, {:.0} %: {} ({}{place}; {})",
            catalogue.numbering_words(reading.numbering),
            reading.weight * 100.0,
            reading.meaning,
            reading.component,
            reading.kind
        );
        // The source may name a maker; what a person needs to know of it is whether there is one.
        let source = if reading.source.starts_with("from memory") {
            reading.source
        } else {
            ""
        };
        told.fact("reading", words, source);
        if let Some(note) = reading.note {
            told.fact("remark", note, "");
        }
    }
    if let Some(failure) = failure {
        let numbering = readings
            .first()
            .map_or("shared", |reading| reading.numbering);
        match catalogue.failure_type_of(numbering, failure) {
            Some(known) => told.fact(
                "failure type",
                format!("{failure}: {} (group: {})", known.meaning, known.category),
                catalogue.scheme_words(numbering).unwrap_or_default(),
            ),
            None => told.fact(
                "failure type",
                format!("{failure}: not in the table"),
                "SAE J2012",
            ),
        }
    }
    told.follows("the module that gave it has seen its test for this fail, now or earlier");
    if failure.is_none() && readings.iter().any(|reading| reading.kind == "general") {
        told.not("in what way it fails: the failure type byte says that, and it is not given here");
    }
    if readings.len() > 1 {
        told.not("which of the readings holds: the number alone does not say; the year and maker of the vehicle do");
    }
    if readings
        .iter()
        .any(|reading| reading.kind == "lost-communication")
    {
        told.not("that the named module is faulty: it may have lost its feed, its earth or its bus wires");
    } else {
        told.not("which part has to be replaced: wire, connector, feed, part and module can all be behind it");
    }
    told.not("that the fault is there now: bit 0 of its status byte says that");
    told
}

fn explain_failure(failure: FailureType, catalogue: &Catalogue) -> Explanation {
    let known = catalogue.failure_type(failure);
    let words = known.map_or("not in the table", |known| &known.meaning);
    let mut told = Explanation::new("failure-type", format!("failure type {failure}: {words}"));
    told.fact(
        "group",
        catalogue.failure_group(failure).unwrap_or("none"),
        "SAE J2012, ISO 15031-6",
    );
    if let Some(known) = known {
        told.fact("meaning", &known.meaning, "SAE J2012, ISO 15031-6");
        if let Some(note) = &known.note {
            told.fact("remark", note, "");
        }
    }
    if let Some(older) = catalogue.failure_type_of("older-a", failure) {
        told.fact("in an older table", &older.meaning, "");
        told.not("that this table holds: some older codes use another one (see above)");
    }
    told.follows("in what way the part or circuit that the code names has failed");
    told.not("where along the circuit: wire, connector, part or module");
    told
}

fn explain_status(byte: u8) -> Explanation {
    let status = Status(byte);
    let title = format!("status byte 0x{byte:02X}: {}", Words::Status(status));
    let mut told = Explanation::new("status", title);
    for (bit, words) in STATUS.iter().enumerate() {
        let set = if byte >> bit & 1 != 0 { "yes" } else { "no" };
        told.fact(
            &format!("bit {bit}"),
            format!("{words}: {set}"),
            "ISO 14229-1, Table D.2",
        );
    }
    if status.test_failed() {
        told.follows("the last completed test failed: the fault is there now");
    } else if status.confirmed() {
        told.follows("the fault is remembered, and the last completed test did not find it");
    }
    if status.pending() && !status.confirmed() {
        told.follows(
            "it was seen in this or the last cycle, but not often enough to be stored for good",
        );
    }
    if status.test_not_completed_since_last_clear() {
        told.follows(
            "since the codes were cleared no test has been completed: nothing is known yet",
        );
    }
    if status.warning_indicator_requested() {
        told.follows("this code asks for a warning lamp");
    }
    if status.test_not_completed_since_last_clear() && status.test_failed_since_last_clear() {
        told.follows(
            "the module contradicts itself: bit 5 needs a completed test, bit 4 denies one",
        );
    }
    if status.test_not_completed_this_operation_cycle() && status.test_failed_this_operation_cycle()
    {
        told.follows(
            "the module contradicts itself: bit 1 needs a completed test, bit 6 denies one",
        );
    }
    if !status.test_failed() {
        told.not("that it is mended: many tests run only under conditions of their own (speed, time, voltage)");
    }
    told.not(
        "that a bit which is 0 is really 0: a module answers 0 for bits that it does not support",
    );
    told
}

fn explain_service(service: u8) -> Explanation {
    let family = clear_cut(service, &[service]).unwrap_or(Family::Uds);
    let name = if service == 0x7F {
        "NegativeResponse"
    } else {
        service_name(service, family)
    };
    let direction = if service & 0x40 == 0 {
        "request"
    } else {
        "answer"
    };
    let title = format!("service 0x{service:02X}: {name}, {direction}");
    let mut told = Explanation::new("service", title);
    let base = service & !0x40;
    told.fact("request", format!("0x{base:02X}"), "ISO 14229-1, Table 2");
    told.fact(
        "positive answer",
        format!("0x{:02X}: the request with bit 6 set", base | 0x40),
        "ISO 14229-1, 7.4",
    );
    told.fact(
        "negative answer",
        format!("0x7F 0x{base:02X} and a response code"),
        "ISO 14229-1, 7.5",
    );
    let kwp = service_name(service, Family::Kwp);
    if family != Family::Kwp && service != 0x7F && kwp != name && !kwp.starts_with("reserved") {
        told.fact("in KWP 2000", kwp, "ISO 14230-3");
        told.not("which of the two it is: the other messages of the same module show that");
    }
    told
}

fn explain_refusal(code: u8) -> Explanation {
    let (name, words) = refusal(code);
    let title = format!("response code 0x{code:02X}: {words}");
    let mut told = Explanation::new("response-code", title);
    if !name.is_empty() {
        told.fact("name", name, "ISO 14229-1, Annex A");
    }
    if code == 0x78 {
        told.follows("the module has understood, is alive, and its answer will come");
        told.not("that the request was carried out: only the final answer says so");
    } else {
        told.follows("the module is alive and has read the request; this is its final answer");
        told.not("that the module or what it watches is faulty: it only did not do what was asked");
    }
    told
}

fn explain_parameter(pid: u8) -> Explanation {
    let known = parameter(pid);
    let name = known.map_or("reserved or not known here", |known| known.name);
    let mut told = Explanation::new("parameter", format!("parameter 0x{pid:02X}: {name}"));
    if let Some(known) = known {
        told.fact("data bytes", known.length.to_string(), "SAE J1979, Annex B");
        if let Items::Number(scale, unit) = known.items {
            let mut words = "the number".to_owned();
            if scale.signed {
                words += " (two's complement)";
            }
            if (scale.multiply - 1.0).abs() > f64::EPSILON {
                let _ = write!(words, " × {}", scale.multiply);
            }
            if (scale.divide - 1.0).abs() > f64::EPSILON {
                let _ = write!(words, " / {}", scale.divide);
            }
            if scale.add > 0.0 {
                let _ = write!(words, " + {}", scale.add);
            } else if scale.add < 0.0 {
                let _ = write!(words, " − {}", -scale.add);
            }
            if !unit.is_empty() {
                let _ = write!(words, ", in {unit}");
            }
            told.fact("value", words, "SAE J1979, Annex B");
        }
        told.fact("request", format!("01 {pid:02X}"), "SAE J1979, 6.1");
        told.fact(
            "answer",
            format!("41 {pid:02X} and the data"),
            "SAE J1979, 6.1",
        );
    }
    told
}

fn explain_identifier(id: u16) -> Explanation {
    let title = format!("identifier 0x{id:04X}: {}", identifier_name(id));
    let mut told = Explanation::new("identifier", title);
    let [high, low] = id.to_be_bytes();
    told.fact(
        "request",
        format!("22 {high:02X} {low:02X}"),
        "ISO 14229-1, 10.2",
    );
    told.fact(
        "answer",
        format!("62 {high:02X} {low:02X} and the data"),
        "ISO 14229-1, 10.2",
    );
    match fixed_length(id) {
        Some(length) => told.fact("data bytes", length.to_string(), "ISO 14229-1, C.1"),
        None => told.not(
            "how long its data are, and how they are scaled: a profile or the maker says that",
        ),
    }
    let code = Code(id);
    told.fact("as a code", code.to_string(), "SAE J2012");
    told
}

fn explain_can_id(id: CanId) -> Explanation {
    let mut told = Explanation::new(
        "can-id",
        format!("CAN identifier {id}: {}", can_id_words(id)),
    );
    let bits = if id.is_extended() {
        "29 bits"
    } else {
        "11 bits"
    };
    told.fact("width", bits, "ISO 11898-1");
    match id.raw() {
        raw @ 0x18DA_0000..=0x18DB_FFFF if id.is_extended() => {
            let [_, _, target, source] = raw.to_be_bytes();
            told.fact(
                "target",
                format!("0x{target:02X}"),
                "ISO 15765-2, normal fixed addressing",
            );
            told.fact(
                "source",
                format!("0x{source:02X}"),
                "ISO 15765-2, normal fixed addressing",
            );
        }
        raw @ 0x7E0..=0x7E7 if !id.is_extended() => {
            told.fact(
                "answers come from",
                format!("0x{:03X}", raw + 8),
                "ISO 15765-4",
            );
        }
        raw @ 0x7E8..=0x7EF if !id.is_extended() => {
            told.fact(
                "requests go to",
                format!("0x{:03X}", raw - 8),
                "ISO 15765-4",
            );
        }
        _ => {}
    }
    told.fact("priority", "the lower number wins the bus", "ISO 11898-1");
    told.not("what its frames carry: outside the ranges of ISO 15765-4 each maker gives identifiers as it likes");
    told
}

pub(super) fn can_id_words(id: CanId) -> &'static str {
    match (id.is_extended(), id.raw()) {
        (false, 0x7DF) => "requests to all modules that know SAE J1979",
        (false, 0x7E0..=0x7E7) => "requests to one module that knows SAE J1979",
        (false, 0x7E8..=0x7EF) => "answers of one module that knows SAE J1979",
        (false, 0x600..=0x7FF) => "often diagnostics, by custom",
        (true, 0x18DA_0000..=0x18DA_FFFF) => "a message from one address to another",
        (true, 0x18DB_0000..=0x18DB_FFFF) => "a request to a group of modules",
        _ => "given by the maker",
    }
}

fn explain_byte(byte: u8, catalogue: &Catalogue) -> Explanation {
    let mut told = Explanation::new(
        "byte",
        format!("byte 0x{byte:02X}: what it means depends on where it stands"),
    );
    let of_service = explain_service(byte);
    told.fact("as a service", of_service.title, "ISO 14229-1, Table 2");
    let (name, words) = refusal(byte);
    let words = if name.is_empty() {
        words.to_owned()
    } else {
        format!("{words} ({name})")
    };
    told.fact("as a response code", words, "ISO 14229-1, Annex A");
    let failure = catalogue.failure_type(FailureType(byte));
    told.fact(
        "as a failure type",
        failure.map_or("not in the table", |known| &known.meaning),
        "SAE J2012",
    );
    told.fact(
        "as a status",
        Words::Status(Status(byte)).to_string(),
        "ISO 14229-1, Table D.2",
    );
    let name = parameter(byte).map_or("reserved or not known here", |known| known.name);
    told.fact("as a parameter", name, "SAE J1979, Annex B");
    told.not(
        "which of these it is; say so for more: service, refusal, failure-type, status, parameter",
    );
    told
}

pub(super) fn explain_message(payload: Vec<u8>, announced: Option<u32>) -> Explanation {
    let family = Family::of_payload(&payload);
    let length = u32::try_from(payload.len()).unwrap_or(u32::MAX);
    let message = Message {
        number: 1,
        start: None,
        end: None,
        channel: crate::frame::Channel(0),
        address: Address::can(CanId::standard_masked(0)),
        partner: None,
        functional: false,
        frames: 1,
        payload,
        announced: announced.unwrap_or(length),
        fault: None,
    };
    let head = head(&message, family);
    let direction = match head.direction {
        Direction::Request => "a request",
        Direction::Response => "an answer",
        Direction::Unknown => "a message",
    };
    let bytes = if message.announced == 1 {
        "byte"
    } else {
        "bytes"
    };
    let title = format!(
        "{}: {direction} of {} {bytes}",
        head.name, message.announced
    );
    let mut told = Explanation::new("message", title);
    if message.payload.len() < message.announced as usize {
        told.not("what the whole message says: its other bytes stand in frames that are not here");
    } else {
        of_message(&mut told, &message);
    }
    told.messages.push((message, family));
    told
}

/// What follows from a message as a whole.
pub(super) fn of_message(told: &mut Explanation, message: &Message) {
    match *message.payload.as_slice() {
        [0x7F, _, code, ..] => {
            let of = explain_refusal(code);
            told.follows.extend(of.follows);
            told.does_not_follow.extend(of.does_not_follow);
        }
        [0x54 | 0x44, ..] => {
            told.follows("codes and what was stored with them are cleared");
            told.not(
                "that anything is mended: a fault that is there comes back when its test has run",
            );
        }
        [0x43 | 0x47 | 0x4A | 0x53 | 0x57..=0x59, ..] => {
            let Some(list) = super::code_list(&message.payload) else {
                return;
            };
            if list.entries.is_empty() {
                told.follows("no code fits what was asked for");
                told.not("that the module has no codes at all: the request may have asked for some kinds only");
            } else {
                told.follows("each code names a circuit or a symptom that a test of this module has found wrong");
                told.not("which part has to be replaced, and which of several codes came first");
            }
            if list.malformed.is_some() {
                told.follows("bytes of the list are missing or left over: see the fields");
            }
        }
        [service, ..] if service & 0x40 == 0 => {
            told.follows("somebody asked for this");
            told.not("whether anybody answered, and what");
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(text: &str) -> Explanation {
        let catalogue = Catalogue::embedded().unwrap();
        explain(&Subject::parse(text).unwrap(), &catalogue)
    }

    fn fact<'e>(told: &'e Explanation, name: &str) -> &'e str {
        let mut facts = told.facts.iter();
        &facts.find(|fact| fact.name == name).unwrap().words
    }

    #[test]
    fn a_code_says_its_wheel_and_what_it_does_not_say() {
        let one = told("C0034-13");
        assert!(one.title.contains("right front") && one.title.contains("open circuit"));
        assert_eq!(fact(&one, "bytes"), "40 34 13");
        let both = told("C0035");
        assert_eq!(
            both.facts
                .iter()
                .filter(|fact| fact.name == "reading")
                .count(),
            2
        );
        assert!(
            both.does_not_follow
                .iter()
                .any(|words| words.contains("which of the readings"))
        );
        let lost = told("U0121");
        assert!(
            lost.does_not_follow
                .iter()
                .any(|words| words.contains("lost its feed"))
        );
    }

    /// Source: udsoncan 1.26.1 for the bits; the contradictions follow from the definitions of ISO 14229-1, Table D.2.
    #[test]
    fn a_status_byte_is_taken_apart() {
        assert!(
            told("status 2F")
                .follows
                .iter()
                .any(|words| words.contains("there now"))
        );
        assert!(
            told("status 28")
                .follows
                .iter()
                .any(|words| words.contains("remembered"))
        );
        assert!(
            told("status 50")
                .follows
                .iter()
                .any(|words| words.contains("nothing is known"))
        );
        assert!(
            told("status 30")
                .follows
                .iter()
                .any(|words| words.contains("contradicts"))
        );
        assert!(
            told("status 42")
                .follows
                .iter()
                .any(|words| words.contains("contradicts"))
        );
    }

    #[test]
    fn frames_are_taken_apart_with_their_transport() {
        let pending = told("7E8#037F2278");
        assert!(
            pending.title.contains("single frame") && pending.title.contains("NegativeResponse")
        );
        let first = told("7E8#100B59022F403113");
        assert_eq!(
            fact(&first, "length"),
            "11 bytes announced, 6 of them in this frame"
        );
        assert_eq!(fact(&told("7E0#30080A"), "separation time"), "10 ms");
        assert_eq!(fact(&told("7E8#21AABB"), "sequence number"), "1");
        assert!(told("7E8#09AABB").title.contains("cannot be"));
        assert!(told("123#").title.contains("no frame of ISO 15765-2"));
    }

    #[test]
    fn every_byte_identifier_and_code_can_be_explained() {
        let catalogue = Catalogue::embedded().unwrap();
        for byte in 0..=u8::MAX {
            for subject in [
                Subject::Byte(byte),
                Subject::Status(byte),
                Subject::Service(byte),
                Subject::Refusal(byte),
                Subject::Parameter(byte),
                Subject::FailureType(FailureType(byte)),
            ] {
                assert!(!explain(&subject, &catalogue).title.is_empty());
            }
        }
        for number in 0..=u16::MAX {
            assert!(
                !explain(&Subject::Code(Code(number), None), &catalogue)
                    .facts
                    .is_empty()
            );
            assert!(
                !explain(&Subject::Identifier(number), &catalogue)
                    .facts
                    .is_empty()
            );
        }
    }
}
