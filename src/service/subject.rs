//! What a person asks to have explained, read from what was typed.
//!
//! Codes have five or seven characters, bytes two digits, identifiers three or eight, messages an even number of digits;
//! words before a number say what it is: `status 2F`, `service 0x19`.

use crate::frame::{CanId, MAX_DATA};
use crate::trouble::{Code, FailureType};

/// Something that can be explained.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Subject {
    /// A trouble code, perhaps with its failure type.
    Code(Code, Option<FailureType>),
    /// A byte of which nothing says what it is.
    Byte(u8),
    /// A failure type byte.
    FailureType(FailureType),
    /// A status byte of ISO 14229-1.
    Status(u8),
    /// A service identifier.
    Service(u8),
    /// A response code of a negative answer.
    Refusal(u8),
    /// A parameter of mode 01.
    Parameter(u8),
    /// A data identifier.
    Identifier(u16),
    /// A CAN identifier.
    CanId(CanId),
    /// The bytes of a whole message, without those of the transport.
    Message(Vec<u8>),
    /// A CAN frame.
    Frame(CanId, Vec<u8>),
    /// Several CAN frames, in the order in which they came.
    Frames(Vec<(CanId, Vec<u8>)>),
}

/// What was typed is nothing that can be explained.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
#[error(
    "{text:?} is nothing that can be explained; possible: a code (C0031, C0031-13), a byte (0x2F) or with its kind \
     (failure-type 13, status 2F, service 19, refusal 31, parameter 0C, identifier F190), a CAN identifier (0x7E8), the \
     bytes of a message (59 02 FF 40 31 13 2F), a frame (7E8#037F2278), several of them, or \
     lines of a candump capture"
)]
pub struct SubjectError {
    /// What was typed.
    pub text: String,
}

/// Longest message that is taken from the command line, in bytes.
const MAX_MESSAGE: usize = 4095;

/// Most frames that are taken from the command line.
const MAX_FRAMES: usize = 1024;

impl Subject {
    /// Reads what was typed.
    ///
    /// ```
    /// use tonering::service::Subject;
    /// assert_eq!(Subject::parse("status 2F")?, Subject::Status(0x2F));
    /// assert_eq!(Subject::parse("7F 22 78")?, Subject::Message(vec![0x7F, 0x22, 0x78]));
    /// # Ok::<(), tonering::service::SubjectError>(())
    /// ```
    pub fn parse(text: &str) -> Result<Self, SubjectError> {
        let found = frame(text)
            .or_else(|| named(text))
            .or_else(|| code(text))
            .or_else(|| plain(text));
        found.ok_or_else(|| SubjectError {
            text: text.to_owned(),
        })
    }
}

/// `C0034`, `C0034-13`, `C0034:13`, `C003413`.
fn code(text: &str) -> Option<Subject> {
    let (head, tail) = text.trim().split_at_checked(5)?;
    let code: Code = head.parse().ok()?;
    let tail = tail.trim_start_matches(['-', ':']);
    if tail.is_empty() {
        return (text.trim().len() == 5).then_some(Subject::Code(code, None));
    }
    Some(Subject::Code(code, Some(FailureType(byte(tail)?))))
}

/// A word and a number.
fn named(text: &str) -> Option<Subject> {
    let (word, number) = text.trim().rsplit_once([' ', ':', '='])?;
    Some(match word.trim() {
        "failure-type" | "failure type" => Subject::FailureType(FailureType(byte(number)?)),
        "status" => Subject::Status(byte(number)?),
        "service" => Subject::Service(byte(number)?),
        "refusal" | "response code" | "response-code" => Subject::Refusal(byte(number)?),
        "parameter" | "pid" | "PID" => Subject::Parameter(byte(number)?),
        "identifier" | "did" | "DID" => Subject::Identifier(number_of(number, 4)?.try_into().ok()?),
        "id" | "ID" => Subject::CanId(can_id(number)?),
        "message" => Subject::Message(bytes(number)?),
        _ => return None,
    })
}

/// Digits alone.
fn plain(text: &str) -> Option<Subject> {
    let text = text.trim();
    let digits = digits(text);
    if text.contains(char::is_whitespace) {
        return Some(Subject::Message(bytes(text)?));
    }
    if !digits.bytes().all(|digit| digit.is_ascii_hexdigit()) {
        return None;
    }
    match digits.len() {
        1 | 2 => Some(Subject::Byte(byte(text)?)),
        3 => Some(Subject::CanId(can_id(text)?)),
        8 if digits.len() < text.len() || digits.starts_with("18D") => {
            can_id(text).map(Subject::CanId)
        }
        4 if digits.len() < text.len() => {
            Some(Subject::Identifier(number_of(text, 4)?.try_into().ok()?))
        }
        _ => Some(Subject::Message(bytes(digits)?)),
    }
}

/// `7E8#037F2278`, `123##1AABB`, `(1700000000.1) can0 7E8#037F2278`, `can0  7E8   [4]  03 7F 22 78`.
fn frame(text: &str) -> Option<Subject> {
    let mut tokens = text
        .split_whitespace()
        .filter(|token| token.contains('#'))
        .peekable();
    if tokens.peek().is_some() {
        let mut frames = tokens
            .take(MAX_FRAMES)
            .map(compact)
            .collect::<Option<Vec<_>>>()?;
        if frames.len() > 1 {
            return Some(Subject::Frames(frames));
        }
        let (id, data) = frames.pop()?;
        return Some(Subject::Frame(id, data));
    }
    let (head, tail) = text.split_once('[')?;
    let (_, data) = tail.split_once(']')?;
    Some(Subject::Frame(
        can_id(head.split_whitespace().last()?)?,
        frame_bytes(data)?,
    ))
}

/// `7E8#037F2278`; CAN FD has a second mark and a digit of flags.
fn compact(token: &str) -> Option<(CanId, Vec<u8>)> {
    let (id, data) = token.split_once('#')?;
    let data = match data.strip_prefix('#') {
        Some(flexible) => flexible.get(1..)?,
        None => data,
    };
    Some((can_id(id)?, frame_bytes(data)?))
}

fn frame_bytes(data: &str) -> Option<Vec<u8>> {
    if data.trim().is_empty() {
        return Some(Vec::new());
    }
    bytes(data).filter(|bytes| bytes.len() <= MAX_DATA)
}

fn digits(text: &str) -> &str {
    let text = text.trim();
    text.strip_prefix("0x")
        .or_else(|| text.strip_prefix("0X"))
        .unwrap_or(text)
}

fn number_of(text: &str, most: usize) -> Option<u32> {
    let digits = digits(text);
    let fine =
        (1..=most).contains(&digits.len()) && digits.bytes().all(|digit| digit.is_ascii_hexdigit());
    fine.then(|| u32::from_str_radix(digits, 16).ok())?
}

fn byte(text: &str) -> Option<u8> {
    number_of(text, 2)?.try_into().ok()
}

/// Three digits are an 11-bit identifier, more a 29-bit one, as candump writes them.
fn can_id(text: &str) -> Option<CanId> {
    let raw = number_of(text, 8)?;
    if digits(text).len() <= 3 {
        CanId::standard(raw).ok()
    } else {
        CanId::extended(raw).ok()
    }
}

/// Pairs of digits, with or without gaps and `0x`.
fn bytes(text: &str) -> Option<Vec<u8>> {
    let mut found = Vec::new();
    for token in text.split_whitespace() {
        let digits = digits(token).as_bytes();
        if !digits.len().is_multiple_of(2) || digits.is_empty() {
            return None;
        }
        for pair in digits.chunks_exact(2) {
            found.push(byte(std::str::from_utf8(pair).ok()?)?);
        }
        if found.len() > MAX_MESSAGE {
            return None;
        }
    }
    (!found.is_empty()).then_some(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_typed_is_recognised() {
        let standard = |raw| CanId::standard(raw).unwrap();
        let extended = |raw| CanId::extended(raw).unwrap();
        let reply = vec![0x03, 0x7F, 0x22, 0x78];
        for (text, subject) in [
            ("C0034", Subject::Code(Code(0x4034), None)),
            (
                "c0034-13",
                Subject::Code(Code(0x4034), Some(FailureType(0x13))),
            ),
            (
                "C003413",
                Subject::Code(Code(0x4034), Some(FailureType(0x13))),
            ),
            (
                "C0034:13",
                Subject::Code(Code(0x4034), Some(FailureType(0x13))),
            ),
            ("0x2F", Subject::Byte(0x2F)),
            ("2F", Subject::Byte(0x2F)),
            ("status 2F", Subject::Status(0x2F)),
            ("failure-type 0x13", Subject::FailureType(FailureType(0x13))),
            ("service 19", Subject::Service(0x19)),
            ("refusal 31", Subject::Refusal(0x31)),
            ("parameter 0C", Subject::Parameter(0x0C)),
            ("identifier F190", Subject::Identifier(0xF190)),
            ("0xF190", Subject::Identifier(0xF190)),
            ("7E8", Subject::CanId(standard(0x7E8))),
            ("0x18DAF110", Subject::CanId(extended(0x18DA_F110))),
            ("7F2278", Subject::Message(vec![0x7F, 0x22, 0x78])),
            ("7F 22 78", Subject::Message(vec![0x7F, 0x22, 0x78])),
            (
                "7E8#037F2278",
                Subject::Frame(standard(0x7E8), reply.clone()),
            ),
            (
                "(1700000000.1) can0 7E8#037F2278",
                Subject::Frame(standard(0x7E8), reply.clone()),
            ),
            (
                "  can0  7E8   [4]  03 7F 22 78",
                Subject::Frame(standard(0x7E8), reply),
            ),
            (
                "123##1AABB",
                Subject::Frame(standard(0x123), vec![0xAA, 0xBB]),
            ),
        ] {
            assert_eq!(Subject::parse(text), Ok(subject), "{text}");
        }
        for text in [
            "",
            "hello",
            "X0034",
            "C0034-1G",
            "7E8#0",
            "800#00",
            "status 2F3",
            "7F 2",
            "é",
            "C003é",
        ] {
            assert!(Subject::parse(text).is_err(), "{text}");
        }
    }

    proptest::proptest! {
        #[test]
        fn anything_typed_is_read_or_refused(text in "[ -~é]{0,40}") {
            let _ = Subject::parse(&text);
        }
    }
}
