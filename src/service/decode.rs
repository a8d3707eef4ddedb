//! A message taken apart: direction, service, name, and its fields.
//!
//! [`head`] is what a list of messages needs and costs almost nothing; [`fields`] hands out one field after another
//! without keeping any; [`decode`] keeps them.

use crate::transport::{Fault, Message};
use crate::trouble::Catalogue;

use super::family::{Family, clear_cut, service_name};
use super::field::{Cursor, Field, Value, Words};
use super::negative::refusal;
use super::{kwp, obd, uds};

/// Whether a message asks or answers.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub enum Direction {
    /// A request.
    Request,
    /// An answer, positive or negative.
    Response,
    /// Not known: the first byte did not arrive.
    Unknown,
}

impl Direction {
    /// The word for it in JSON.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Request => "request",
            Self::Response => "response",
            Self::Unknown => "unknown",
        }
    }
}

/// What a message is, without its fields.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Head {
    /// Whether it asks or answers.
    pub direction: Direction,
    /// The first payload byte; `None` when that did not arrive.
    pub service: Option<u8>,
    /// What the service is called.
    pub name: &'static str,
    /// The service that was asked for, when this says "response pending".
    pub pending_for: Option<u8>,
}

/// What the decoder knows besides the bytes.
#[derive(Clone, Copy)]
pub struct Context<'a> {
    /// What codes mean.
    pub catalogue: &'a Catalogue,
    /// Which family the message belongs to, see [`super::Families`].
    pub family: Family,
    /// How many data bytes an identifier has at least, where a profile says so.
    pub length_of: &'a dyn Fn(u16) -> Option<usize>,
}

impl std::fmt::Debug for Context<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Context")
            .field("family", &self.family)
            .finish_non_exhaustive()
    }
}

impl<'a> Context<'a> {
    /// For a single message: the family that its bytes show, no lengths known.
    pub fn of(message: &Message, catalogue: &'a Catalogue) -> Self {
        let family = message
            .service()
            .and_then(|service| clear_cut(service, &message.payload));
        Self {
            catalogue,
            family: family.unwrap_or(Family::Uds),
            length_of: &|_| None,
        }
    }
}

/// A message taken apart.
#[derive(Clone, Debug)]
pub struct Decoded<'a> {
    /// What it is.
    pub head: Head,
    /// Its fields in the order of the bytes.
    pub fields: Vec<Field<'a>>,
}

/// Takes a message apart. The request helps where an answer alone is ambiguous (several identifiers).
pub fn decode<'a>(
    message: &'a Message,
    request: Option<&Message>,
    catalogue: &'a Catalogue,
) -> Decoded<'a> {
    let context = Context::of(message, catalogue);
    let mut found = Vec::new();
    fields(message, request, &context, &mut |field| found.push(field));
    Decoded {
        head: head(message, context.family),
        fields: found,
    }
}

/// Whether the payload starts with the service identifier.
fn has_head(message: &Message) -> bool {
    message.fault != Some(Fault::Orphan)
}

/// What a message is.
#[inline]
pub fn head(message: &Message, family: Family) -> Head {
    let service = match message.payload.first() {
        Some(&service) if has_head(message) => service,
        _ => {
            return Head {
                direction: Direction::Unknown,
                service: None,
                name: "part of a message without its beginning",
                pending_for: None,
            };
        }
    };
    let pending_for = match *message.payload.as_slice() {
        [0x7F, asked, 0x78, ..] => Some(asked),
        _ => None,
    };
    Head {
        direction: if service & 0x40 == 0 {
            Direction::Request
        } else {
            Direction::Response
        },
        service: Some(service),
        name: if service == 0x7F {
            "NegativeResponse"
        } else {
            service_name(service, family)
        },
        pending_for,
    }
}

/// Hands the fields of a message to `out`, in the order of the bytes. Every byte is in a field.
pub fn fields<'a>(
    message: &'a Message,
    request: Option<&Message>,
    context: &Context<'a>,
    out: &mut dyn FnMut(Field<'a>),
) {
    let mut cursor = Cursor::new(&message.payload, out);
    if !has_head(message) {
        cursor.remainder("bytes", "ISO 15765-2, 9.6");
        return;
    }
    let Some(service) = cursor.peek() else {
        return;
    };
    cursor.at = 1;
    cursor.cut = message.fault.is_some() || message.payload.len() < message.announced as usize;
    let name = match service {
        0x7F => "NegativeResponse",
        _ => service_name(service, context.family),
    };
    cursor.put(Field {
        meaning: Words::Plain(name),
        ..Field::new(
            "service",
            0..1,
            Value::Byte(service),
            service_clause(service, context.family),
        )
    });
    let request = request.map(|request| request.payload.as_slice());
    match (service, context.family) {
        (0x7F, _) => negative(&mut cursor, context.family),
        (_, Family::Other) => cursor.remainder("bytes", "not ISO 14229 or SAE J1979"),
        (0x01..=0x0A | 0x41..=0x4A, _) => obd::fields(&mut cursor, service, request, context),
        (_, Family::Kwp) => kwp::fields(&mut cursor, service, context),
        (_, Family::Unknown | Family::Uds | Family::Obd) => {
            uds::fields(&mut cursor, service, request, context);
        }
    }
    cursor.remainder("bytes", "left to the maker");
    if let Some(fault) = message.fault {
        let end = message.payload.len();
        cursor.put(Field {
            meaning: Words::Plain(fault_words(fault)),
            ..Field::new(
                "rest of the message",
                end..end,
                Value::Missing,
                "ISO 15765-2, 9.6 to 9.8",
            )
        });
    }
}

/// What a fault of the transport says to a person.
pub const fn fault_words(fault: Fault) -> &'static str {
    match fault {
        Fault::Sequence => "a frame with the wrong number came",
        Fault::Timeout => "the next frame did not come in time",
        Fault::Overflow => "the receiver had no room for it",
        Fault::Restarted => "the sender began anew before the end",
        Fault::Length => "the announced length cannot be",
        Fault::Orphan => "the first frame is not in the capture",
        Fault::CaptureEnd => "the capture ended in the middle",
        Fault::Limit => "more messages were under way than memory is kept for",
    }
}

fn negative(cursor: &mut Cursor<'_, '_>, family: Family) {
    const CLAUSE: &str = "ISO 14229-1, Annex A";
    cursor.byte("refused service", CLAUSE, |asked| {
        service_name(asked & !0x40, family)
    });
    cursor.byte("response code", CLAUSE, |code| refusal(code).1);
    cursor.end(CLAUSE);
}

const fn service_clause(service: u8, family: Family) -> &'static str {
    match (service, family) {
        (0x7F, _) => "ISO 14229-1, 7.5 and Annex A",
        (_, Family::Other) => "not ISO 14229 or SAE J1979",
        (0x01..=0x0A | 0x41..=0x4A, _) => "SAE J1979, 6",
        (_, Family::Kwp) => "ISO 14230-3, 4.2",
        _ => "ISO 14229-1, 7.4 and 9 to 14",
    }
}
