//! Fields: what the bytes of a message are, one after another.
//!
//! A field borrows from the message and from the catalogue; words are made only when they are printed.

use std::borrow::Cow;
use std::fmt;
use std::ops::Range;

use crate::trouble::{self, Code, FailureType, Status};

/// One field of a message.
#[derive(Clone, Debug)]
pub struct Field<'a> {
    /// What it is called in its standard.
    pub name: Cow<'a, str>,
    /// Which bytes of the payload, from 0; an empty range where bytes are missing.
    pub bytes: Range<usize>,
    /// Which bits of the first byte, where it is not whole bytes.
    pub bits: Option<Bits>,
    /// What it says.
    pub value: Value<'a>,
    /// The unit of a number.
    pub unit: Option<&'static str>,
    /// What that means.
    pub meaning: Words<'a>,
    /// How the number comes from the bytes.
    pub scale: Option<Scale>,
    /// Where the standard says so.
    pub clause: &'static str,
}

/// A run of bits of one byte: 7 is the highest.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Bits {
    /// The highest bit.
    pub high: u8,
    /// The lowest bit.
    pub low: u8,
}

/// What a field says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Value<'a> {
    /// A number that the standard scales; the field has its unit.
    Number(f64),
    /// A whole number.
    Count(u64),
    /// One byte that is no number: `0x2F`.
    Byte(u8),
    /// A two-byte identifier: `0xF190`.
    Id(u16),
    /// A trouble code.
    Code(Code, Option<FailureType>),
    /// Printable text.
    Text(&'a [u8]),
    /// Bytes that the standard leaves to the maker, or that do not fit.
    Bytes(&'a [u8]),
    /// A bit.
    Flag(bool),
    /// The parameters, monitors or tests that a bitmap names; `base` is the number before the first.
    Supported {
        /// Number before the first.
        base: u8,
        /// Four bytes, the top bit first.
        map: u32,
    },
    /// Bytes that should be there and are not.
    Missing,
}

/// Words for a value.
#[derive(Clone, Debug)]
pub enum Words<'a> {
    /// There is nothing to say.
    None,
    /// Plain words.
    Plain(&'a str),
    /// What a trouble code means.
    Code(trouble::Meaning<'a>),
    /// The bits that are set in a status byte (ISO 14229-1, Table D.2).
    Status(Status),
    /// The bits of a severity byte (ISO 14229-1, D.3).
    Severity(u8),
}

/// How a number comes from its bytes: `raw × multiply / divide + add`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    /// Factor.
    pub multiply: f64,
    /// Divisor.
    pub divide: f64,
    /// Summand.
    pub add: f64,
    /// Whether the raw number is in two's complement.
    pub signed: bool,
}

impl Scale {
    /// The raw number itself.
    pub const RAW: Self = Self::new(1.0, 1.0, 0.0);

    /// For a raw number without a sign.
    pub const fn new(multiply: f64, divide: f64, add: f64) -> Self {
        Self {
            multiply,
            divide,
            add,
            signed: false,
        }
    }

    /// For a raw number in two's complement.
    pub const fn signed(multiply: f64, divide: f64, add: f64) -> Self {
        Self {
            multiply,
            divide,
            add,
            signed: true,
        }
    }

    /// The number that these bytes (at most four, the highest first) stand for.
    #[inline]
    pub fn of(self, bytes: &[u8]) -> f64 {
        let raw = bytes
            .iter()
            .fold(0_u32, |sum, byte| sum << 8 | u32::from(*byte));
        let number = if self.signed {
            let unused = 32_u32.saturating_sub(8 * u32::try_from(bytes.len()).unwrap_or(4));
            f64::from(raw.wrapping_shl(unused).cast_signed().wrapping_shr(unused))
        } else {
            f64::from(raw)
        };
        number * self.multiply / self.divide + self.add
    }
}

impl Field<'_> {
    /// The arithmetic behind a scaled number: `(0x1A × 256 + 0xF8) / 4 = 1726 rpm`.
    pub fn arithmetic(&self, payload: &[u8]) -> Option<String> {
        let (scale, Value::Number(number)) = (self.scale?, self.value) else {
            return None;
        };
        let bytes = payload.get(self.bytes.clone())?;
        let mut text = String::new();
        let mut places = bytes.len();
        for byte in bytes {
            places = places.saturating_sub(1);
            let gap = if text.is_empty() { "" } else { " + " };
            let times = match u32::try_from(places).ok()? {
                0 => String::new(),
                places => format!(" × {}", 256_u64.checked_pow(places)?),
            };
            text = format!("{text}{gap}0x{byte:02X}{times}");
        }
        if scale.signed {
            text = format!("{}-bit two's complement of ({text})", 8 * bytes.len());
        } else if bytes.len() > 1 && (differs(scale.multiply, 1.0) || differs(scale.divide, 1.0)) {
            text = format!("({text})");
        }
        if differs(scale.multiply, 1.0) {
            text = format!("{text} × {}", scale.multiply);
        }
        if differs(scale.divide, 1.0) {
            text = format!("{text} / {}", scale.divide);
        }
        if scale.add > 0.0 {
            text = format!("{text} + {}", scale.add);
        } else if scale.add < 0.0 {
            text = format!("{text} − {}", -scale.add);
        }
        let unit = self.unit.map_or(String::new(), |unit| format!(" {unit}"));
        Some(format!("{text} = {}{unit}", rounded(number)))
    }
}

fn differs(a: f64, b: f64) -> bool {
    (a - b).abs() > f64::EPSILON
}

/// A number for a person: at most six significant digits after the point, no trailing zeros.
pub fn rounded(number: f64) -> f64 {
    (number * 1e4).round() / 1e4
}

impl Value<'_> {
    /// Whether it is printed as a number or a truth value, not as text.
    pub const fn is_number(self) -> bool {
        matches!(self, Self::Number(_) | Self::Count(_) | Self::Flag(_))
    }
}

/// As in text: `1726`, `0x2F`, `C0031-13`, `W0L…`, `A6660750`, `on`, `01 0C 0D`, `missing`.
impl fmt::Display for Value<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Number(number) => write!(f, "{}", rounded(number)),
            Self::Count(count) => write!(f, "{count}"),
            Self::Byte(byte) => write!(f, "0x{byte:02X}"),
            Self::Id(id) => write!(f, "0x{id:04X}"),
            Self::Code(code, None) => write!(f, "{code}"),
            Self::Code(code, Some(failure)) => write!(f, "{code}-{failure}"),
            Self::Text(text) => {
                for byte in text {
                    fmt::Write::write_char(f, char::from(*byte))?;
                }
                Ok(())
            }
            Self::Bytes(bytes) => {
                for byte in bytes {
                    write!(f, "{byte:02X}")?;
                }
                Ok(())
            }
            Self::Flag(set) => f.write_str(if set { "yes" } else { "no" }),
            Self::Supported { base, map } => {
                let mut first = true;
                for number in supported(base, map) {
                    let gap = if first { "" } else { " " };
                    first = false;
                    write!(f, "{gap}{number:02X}")?;
                }
                if first { f.write_str("none") } else { Ok(()) }
            }
            Self::Missing => f.write_str("missing"),
        }
    }
}

/// The numbers that a bitmap names: the top bit is `base + 1`.
pub fn supported(base: u8, map: u32) -> impl Iterator<Item = u8> {
    (1..=32_u8).filter_map(move |bit| {
        let set = map >> (32 - u32::from(bit)) & 1 != 0;
        set.then(|| base.wrapping_add(bit))
    })
}

impl<'a> Words<'a> {
    /// Plain words; none when the text is empty.
    pub const fn plain(words: &'a str) -> Self {
        if words.is_empty() {
            Self::None
        } else {
            Self::Plain(words)
        }
    }

    /// Whether there is nothing to say.
    pub const fn is_none(&self) -> bool {
        matches!(self, Self::None)
    }
}

impl fmt::Display for Words<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::None => Ok(()),
            Self::Plain(words) => f.write_str(words),
            Self::Code(meaning) => meaning.fmt(f),
            Self::Status(status) => join(f, status.0, &STATUS, "nothing set"),
            Self::Severity(severity) => join(f, *severity, &SEVERITY, "no severity given"),
        }
    }
}

/// The status bits in words, bit 0 first.
pub(super) const STATUS: [&str; 8] = [
    "test failed",
    "test failed in this cycle",
    "pending",
    "confirmed",
    "not tested since clearing",
    "failed since clearing",
    "not tested in this cycle",
    "lamp asked for",
];

/// The severity bits in words, bit 0 first (ISO 14229-1:2013, D.3; the classes of bits 0 to 4 are those of its WWH-OBD
/// part).
const SEVERITY: [&str; 8] = [
    "no class",
    "class A",
    "class B1",
    "class B2",
    "class C",
    "maintenance only",
    "check at the next halt",
    "check at once",
];

fn join(f: &mut fmt::Formatter<'_>, byte: u8, words: &[&str; 8], none: &str) -> fmt::Result {
    if byte == 0 {
        return f.write_str(none);
    }
    let mut first = true;
    for (bit, words) in words.iter().enumerate() {
        if byte >> bit & 1 != 0 {
            if !first {
                f.write_str(", ")?;
            }
            first = false;
            f.write_str(words)?;
        }
    }
    Ok(())
}

/// Reads a payload from front to back and hands out fields.
///
/// Every byte ends up in a field: what is asked for and is not there gives a field that says so, and
/// [`Cursor::end`] names what is left over.
pub(super) struct Cursor<'a, 'o> {
    pub(super) payload: &'a [u8],
    pub(super) at: usize,
    /// Whether the message is not whole, so that bytes are missing at its end.
    pub(super) cut: bool,
    out: &'o mut dyn FnMut(Field<'a>),
}

impl<'a, 'o> Cursor<'a, 'o> {
    pub(super) fn new(payload: &'a [u8], out: &'o mut dyn FnMut(Field<'a>)) -> Self {
        Self {
            payload,
            at: 0,
            cut: false,
            out,
        }
    }

    /// How many bytes are left.
    pub(super) fn left(&self) -> usize {
        self.payload.len().saturating_sub(self.at)
    }

    /// The bytes that are left.
    pub(super) fn rest(&self) -> &'a [u8] {
        self.payload.get(self.at..).unwrap_or_default()
    }

    pub(super) fn peek(&self) -> Option<u8> {
        self.payload.get(self.at).copied()
    }

    /// The next `length` bytes and where they are; a field that says "missing" when they are not there.
    pub(super) fn take(
        &mut self,
        length: usize,
        name: &'static str,
        clause: &'static str,
    ) -> Option<(Range<usize>, &'a [u8])> {
        let range = self.at..self.at.checked_add(length)?;
        if let Some(bytes) = self.payload.get(range.clone()) {
            self.at = range.end;
            return Some((range, bytes));
        }
        let rest = self.rest();
        let range = self.at..self.payload.len();
        self.at = self.payload.len();
        let value = if rest.is_empty() {
            Value::Missing
        } else {
            Value::Bytes(rest)
        };
        self.put(Field {
            meaning: Words::Plain("the message ends before this field does"),
            ..Field::new(name, range, value, clause)
        });
        None
    }

    pub(super) fn put(&mut self, field: Field<'a>) {
        (self.out)(field);
    }

    /// One byte as a field, with words for it.
    pub(super) fn byte(
        &mut self,
        name: &'static str,
        clause: &'static str,
        words: impl FnOnce(u8) -> &'static str,
    ) -> Option<u8> {
        let (range, bytes) = self.take(1, name, clause)?;
        let byte = bytes.first().copied()?;
        self.put(Field {
            meaning: Words::plain(words(byte)),
            ..Field::new(name, range, Value::Byte(byte), clause)
        });
        Some(byte)
    }

    /// A two-byte identifier as a field.
    pub(super) fn id(
        &mut self,
        name: &'static str,
        clause: &'static str,
        words: impl FnOnce(u16) -> &'static str,
    ) -> Option<u16> {
        let (range, bytes) = self.take(2, name, clause)?;
        let id = u16::from_be_bytes(<[u8; 2]>::try_from(bytes).ok()?);
        let words = words(id);
        self.put(Field {
            meaning: Words::plain(words),
            ..Field::new(name, range, Value::Id(id), clause)
        });
        Some(id)
    }

    /// A scaled number as a field.
    pub(super) fn number(
        &mut self,
        length: usize,
        name: &'static str,
        clause: &'static str,
        scale: Scale,
        unit: &'static str,
    ) -> Option<f64> {
        let (range, bytes) = self.take(length, name, clause)?;
        let number = scale.of(bytes);
        self.put(Field {
            unit: (!unit.is_empty()).then_some(unit),
            scale: Some(scale),
            ..Field::new(name, range, Value::Number(number), clause)
        });
        Some(number)
    }

    /// A whole number of up to eight bytes as a field.
    pub(super) fn count(
        &mut self,
        length: usize,
        name: &'static str,
        clause: &'static str,
    ) -> Option<u64> {
        let (range, bytes) = self.take(length, name, clause)?;
        let count = bytes
            .iter()
            .fold(0_u64, |sum, byte| sum << 8 | u64::from(*byte));
        self.put(Field::new(name, range, Value::Count(count), clause));
        Some(count)
    }

    /// The next bytes as they are, or as text when all of them are printable.
    pub(super) fn bytes(&mut self, length: usize, name: &'static str, clause: &'static str) {
        if let Some((range, bytes)) = self.take(length, name, clause) {
            self.put(Field::new(name, range, Value::Bytes(bytes), clause));
        }
    }

    /// The next bytes as text when they are printable (padding 0x00, 0x20 and 0xFF at the ends aside).
    pub(super) fn text(&mut self, length: usize, name: &'static str, clause: &'static str) {
        if let Some((range, bytes)) = self.take(length, name, clause) {
            self.put(Field::new(name, range, text(bytes), clause));
        }
    }

    /// Everything that is left, if anything is, as bytes.
    pub(super) fn remainder(&mut self, name: &'static str, clause: &'static str) {
        if self.left() > 0 {
            self.bytes(self.left(), name, clause);
        }
    }

    /// Names what is left over: bytes that do not belong to the layout.
    pub(super) fn end(&mut self, clause: &'static str) {
        let rest = self.rest();
        if !rest.is_empty() {
            let range = self.at..self.payload.len();
            self.at = self.payload.len();
            self.put(Field {
                meaning: Words::Plain(if self.cut {
                    "the rest of this did not arrive"
                } else {
                    "more bytes than this message has fields"
                }),
                ..Field::new(
                    if self.cut { "beginning" } else { "left over" },
                    range,
                    Value::Bytes(rest),
                    clause,
                )
            });
        }
    }
}

/// Text when the bytes are printable, without padding at the ends; otherwise the bytes.
pub(super) fn text(bytes: &[u8]) -> Value<'_> {
    let padding = |byte: &u8| matches!(byte, 0x00 | 0xFF | b' ');
    let start = bytes.iter().take_while(|byte| padding(byte)).count();
    let end = bytes.iter().rev().take_while(|byte| padding(byte)).count();
    let inner = bytes
        .get(start..bytes.len().saturating_sub(end))
        .unwrap_or_default();
    if !inner.is_empty() && inner.iter().all(|byte| (0x20..0x7F).contains(byte)) {
        Value::Text(inner)
    } else {
        Value::Bytes(bytes)
    }
}

impl<'a> Field<'a> {
    /// A field with a name, its bytes, a value and a clause, and nothing else.
    pub(super) const fn new(
        name: &'a str,
        bytes: Range<usize>,
        value: Value<'a>,
        clause: &'static str,
    ) -> Self {
        Self {
            name: Cow::Borrowed(name),
            bytes,
            bits: None,
            value,
            unit: None,
            meaning: Words::None,
            scale: None,
            clause,
        }
    }
}
