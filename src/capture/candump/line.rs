//! One line of candump text, in any of its forms.
//!
//! This is the general path: it knows everything that the tools write, and decides what a line means. The fast path
//! beside it knows one form and must agree.
//!
//! - log form: `(1700000000.100000) can0 7DF#02010C`, CAN FD `7DF##1…`, remote `7DF#R` and `7DF#R8`, raw length code
//!   `7DF#…_9`, bytes parted by dots, a last `R` or `T`;
//! - screen form: `(000.012500)  can0  RX - -  7DF   [3]  02 01 0C   '...'`, CAN FD `[12]`, `remote request`,
//!   `ERRORFRAME`, bytes in binary or in swapped order;
//! - the time stamp may be absent, negative, or a date.
//!
//! Three digits are an 11-bit identifier, eight a 29-bit one; eight with bit 29 set are an error frame.
//! Left out: CAN XL.
//!
//! Source: the candump and log formats of can-utils (`lib.h`, `candump.c`), written down from their documentation.

use nom::branch::alt;
use nom::bytes::complete::{tag, take_while1};
use nom::character::complete::{char, digit1, one_of, space0, space1};
use nom::combinator::{eof, map, opt, recognize, value, verify};
use nom::sequence::{delimited, pair, preceded, terminated};
use nom::{IResult, Parser};

use crate::frame::{CanId, FrameKind, MAX_DATA};

/// Longest interface name that is believed, in bytes; Linux allows 15.
pub(super) const MAX_NAME: usize = 32;

/// Linux's flag of an error frame within an identifier.
const ERROR_FLAG: u32 = 0x2000_0000;
/// The flags of a CAN FD frame: bit-rate switch, error passive.
const BIT_RATE_SWITCH: u8 = 1;
const ERROR_PASSIVE: u8 = 2;
const MAX_CLASSIC: usize = 8;

/// What a line is.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Line<'a> {
    /// A frame.
    Frame(Parsed<'a>),
    /// Nothing: blank, a comment, or the explanation of an error frame.
    Blank,
    /// No frame; its time stamp counts all the same where stamps are differences.
    Malformed(Option<Stamp>),
}

/// A frame as it stands in its line.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Parsed<'a> {
    pub(super) stamp: Option<Stamp>,
    pub(super) name: &'a str,
    pub(super) id: CanId,
    pub(super) kind: FrameKind,
    pub(super) data: [u8; MAX_DATA],
    /// `length <= MAX_DATA`
    pub(super) length: usize,
    /// Whether it has the log form, with `#`.
    pub(super) is_log: bool,
}

/// A time stamp and how it was written.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) struct Stamp {
    pub(super) nanos: i64,
    /// Digits before the point; 0 for a date.
    pub(super) whole_digits: usize,
}

/// Reads one line, without its line feed.
pub(super) fn read_line(line: &[u8]) -> Line<'_> {
    let is_indented = line.first() == Some(&b'\t');
    let line = line.trim_ascii();
    if line.is_empty() {
        return Line::Blank;
    }
    let (rest, stamp) = match opt(terminated(stamp, space0)).parse_complete(line) {
        Ok(parsed) => parsed,
        Err(_) => (line, None),
    };
    let frame = if rest.contains(&b'#') {
        log_frame(rest).or_else(|_| screen_frame(rest))
    } else if rest.contains(&b'[') || rest.contains(&b'{') {
        screen_frame(rest)
    } else {
        Err(wrong(rest))
    };
    match frame {
        Ok((_, frame)) => Line::Frame(Parsed { stamp, ..frame }),
        Err(_) => match line.first() {
            Some(b'#' | b';') => Line::Blank,
            // candump explains an error frame on lines of their own, which begin with a tabulator.
            Some(first) if is_indented && first.is_ascii_lowercase() => Line::Blank,
            _ => Line::Malformed(stamp),
        },
    }
}

/// `(1700000000.100000)` or `(2023-11-14 22:13:20.100000)`.
fn stamp(input: &[u8]) -> IResult<&[u8], Stamp> {
    let inside = alt((date_stamp, number_stamp));
    delimited((char('('), space0), inside, (space0, char(')'))).parse_complete(input)
}

fn number_stamp(input: &[u8]) -> IResult<&[u8], Stamp> {
    let (rest, (minus, (whole, nanos))) = pair(opt(char('-')), seconds).parse_complete(input)?;
    let sign = if minus.is_some() { -1 } else { 1 };
    let total = decimal(whole)
        .and_then(|whole| whole.checked_mul(1_000_000_000))
        .and_then(|whole| whole.checked_add(nanos))
        .and_then(|total| total.checked_mul(sign));
    let nanos = total.ok_or_else(|| wrong(input))?;
    Ok((
        rest,
        Stamp {
            nanos,
            whole_digits: whole.len(),
        },
    ))
}

/// A date and time of day, whose time zone nobody wrote down: taken as UTC.
fn date_stamp(input: &[u8]) -> IResult<&[u8], Stamp> {
    let (rest, date) =
        recognize((digit1, char('-'), digit1, char('-'), digit1)).parse_complete(input)?;
    let (rest, clock) = preceded(
        alt((space1, tag("T"))),
        recognize((digit1, char(':'), digit1, char(':'))),
    )
    .parse_complete(rest)?;
    let (rest, (whole, nanos)) = seconds(rest)?;
    let [year, month, day] = numbers(date, b'-').ok_or_else(|| wrong(input))?;
    let [hour, minute, _] = numbers(clock, b':').ok_or_else(|| wrong(input))?;
    let second = decimal(whole).ok_or_else(|| wrong(input))?;
    let moment = civil_nanos([year, month, day, hour, minute, second], nanos);
    let nanos = moment.ok_or_else(|| wrong(input))?;
    Ok((
        rest,
        Stamp {
            nanos,
            whole_digits: 0,
        },
    ))
}

/// Nanoseconds since 1970 of a UTC date and time.
fn civil_nanos(parts: [i64; 6], nanos: i64) -> Option<i64> {
    let [year, month, day, hour, minute, second] = parts;
    let moment = jiff::civil::DateTime::new(
        year.try_into().ok()?,
        month.try_into().ok()?,
        day.try_into().ok()?,
        hour.try_into().ok()?,
        minute.try_into().ok()?,
        second.try_into().ok()?,
        nanos.try_into().ok()?,
    );
    let moment = jiff::tz::TimeZone::UTC.to_timestamp(moment.ok()?).ok()?;
    i64::try_from(moment.as_nanosecond()).ok()
}

/// Up to three numbers with `by` between them; an absent one is 0.
fn numbers(text: &[u8], by: u8) -> Option<[i64; 3]> {
    let mut found = [0; 3];
    for (to, part) in found.iter_mut().zip(text.split(|&byte| byte == by)) {
        *to = if part.is_empty() { 0 } else { decimal(part)? };
    }
    Some(found)
}

/// Whole digits and the nanoseconds of the fraction; digits after the ninth are cut off.
fn seconds(input: &[u8]) -> IResult<&[u8], (&[u8], i64)> {
    let (rest, (whole, fraction)) =
        pair(digit1, opt(preceded(char('.'), digit1))).parse_complete(input)?;
    let digits = fraction.unwrap_or_default();
    let nanos = (0..9).fold(0, |sum, place| {
        sum * 10 + i64::from(digits.get(place).map_or(0, |digit| digit - b'0'))
    });
    Ok((rest, (whole, nanos)))
}

fn decimal(digits: &[u8]) -> Option<i64> {
    digits.iter().try_fold(0_i64, |sum, digit| {
        let digit = digit.checked_sub(b'0').filter(|digit| *digit < 10)?;
        sum.checked_mul(10)?.checked_add(i64::from(digit))
    })
}

/// A name of printable characters without spaces, and the space after it.
fn interface(input: &[u8]) -> IResult<&[u8], &str> {
    let (rest, name) = terminated(take_while1(|byte: u8| byte > b' ' && byte != 0x7F), space1)
        .parse_complete(input)?;
    match std::str::from_utf8(name) {
        Ok(name) if name.len() <= MAX_NAME => Ok((rest, name)),
        _ => Err(wrong(input)),
    }
}

/// Identifier and whether it is that of an error frame.
fn identifier(input: &[u8]) -> IResult<&[u8], (CanId, bool)> {
    let (rest, digits) = take_while1(|byte: u8| byte.is_ascii_hexdigit()).parse_complete(input)?;
    let raw = (digits.len() <= 8).then(|| {
        digits.iter().fold(0, |sum: u32, &digit| {
            sum << 4 | hex_value(digit).map_or(0, u32::from)
        })
    });
    let id = match (digits.len(), raw) {
        (3, Some(raw)) => CanId::standard(raw).ok().map(|id| (id, false)),
        (8, Some(raw)) if raw & !CanId::MAX_EXTENDED == ERROR_FLAG => {
            Some((CanId::extended_masked(raw), true))
        }
        (8, Some(raw)) => CanId::extended(raw).ok().map(|id| (id, false)),
        _ => None,
    };
    id.map(|id| (rest, id)).ok_or_else(|| wrong(input))
}

fn log_frame(input: &[u8]) -> IResult<&[u8], Parsed<'_>> {
    let (rest, name) = interface(input)?;
    let (rest, (id, is_error)) = terminated(identifier, char('#')).parse_complete(rest)?;
    let (rest, mut body) = alt((fd_body, remote_body, classic_body)).parse_complete(rest)?;
    let (rest, _) = (opt(preceded(space1, one_of("RT"))), space0, eof).parse_complete(rest)?;
    if is_error {
        body.kind = error_kind(&body).ok_or_else(|| wrong(input))?;
    }
    Ok((rest, body.into_frame(name, id, true)))
}

fn screen_frame(input: &[u8]) -> IResult<&[u8], Parsed<'_>> {
    let (rest, name) = interface(input)?;
    let (rest, flags) = opt(direction).parse_complete(rest)?;
    let (rest, (id, is_error)) = terminated(identifier, space1).parse_complete(rest)?;
    let (rest, (length, is_fd)) = alt((bracketed, braced)).parse_complete(rest)?;
    let (rest, mut body) = if let Ok((rest, ())) = remote_request(rest) {
        let length = u8::try_from(length).map_err(|_| wrong(input))?;
        (rest, Body::new(FrameKind::Remote { length }))
    } else {
        screen_bytes(rest, length)?
    };
    if is_fd {
        if body.kind != FrameKind::Data {
            return Err(wrong(input));
        }
        let (bit_rate_switch, error_passive) = flags.unwrap_or_default();
        body.kind = FrameKind::Fd {
            bit_rate_switch,
            error_passive,
        };
    } else if length > MAX_CLASSIC {
        return Err(wrong(input));
    }
    if is_error {
        body.kind = error_kind(&body).ok_or_else(|| wrong(input))?;
    }
    Ok((rest, body.into_frame(name, id, false)))
}

/// `RX - -  `: direction, then `B` for a bit-rate switch and `E` for error passive.
fn direction(input: &[u8]) -> IResult<&[u8], (bool, bool)> {
    let flag = |set| {
        preceded(
            space1,
            alt((value(true, char(set)), value(false, char('-')))),
        )
    };
    let flags = pair(flag('B'), flag('E'));
    let both = preceded(alt((tag("RX"), tag("TX"))), opt(flags));
    map(terminated(both, space1), Option::unwrap_or_default).parse_complete(input)
}

/// `[8]`, or with two digits `[08]` for CAN FD.
fn bracketed(input: &[u8]) -> IResult<&[u8], (usize, bool)> {
    let digits = verify(digit1, |digits: &[u8]| digits.len() <= 2);
    let (rest, digits) = delimited(char('['), digits, char(']')).parse_complete(input)?;
    let length = decimal(digits).and_then(|length| usize::try_from(length).ok());
    match length {
        Some(length) if length <= MAX_DATA => Ok((rest, (length, digits.len() == 2))),
        _ => Err(wrong(input)),
    }
}

/// `{C}`: eight bytes with a raw length code above 8.
fn braced(input: &[u8]) -> IResult<&[u8], (usize, bool)> {
    let code = one_of("9ABCDEFabcdef");
    value((MAX_CLASSIC, false), delimited(char('{'), code, char('}'))).parse_complete(input)
}

fn remote_request(input: &[u8]) -> IResult<&[u8], ()> {
    value((), (space1, tag("remote request"), space0, eof)).parse_complete(input)
}

/// `length` bytes on the screen, then perhaps their characters.
fn screen_bytes(input: &[u8], length: usize) -> IResult<&[u8], Body> {
    let (start, _) = space0(input)?;
    let first = start
        .split(|byte| *byte == b' ' || *byte == b'\t')
        .next()
        .unwrap_or_default();
    let (rest, body) = if length > 1 && first.contains(&b'`') {
        let (rest, mut body) = repeated(input, length, |place, rest| {
            let (rest, _) = if place == 0 {
                space1(rest)?
            } else {
                tag("`")(rest)?
            };
            hex_byte(rest)
        })?;
        if let Some(data) = body.data.get_mut(..length) {
            data.reverse();
        }
        (rest, body)
    } else if first.len() == 8 {
        repeated(input, length, |_, rest| binary_byte(space1(rest)?.0))?
    } else {
        repeated(input, length, |_, rest| hex_byte(space1(rest)?.0))?
    };
    let (rest, ()) = screen_end(rest)?;
    Ok((rest, body))
}

/// Exactly `length` bytes (up to [`MAX_DATA`]), each read by `read`.
fn repeated<'a>(
    mut rest: &'a [u8],
    length: usize,
    read: impl Fn(usize, &'a [u8]) -> IResult<&'a [u8], u8>,
) -> IResult<&'a [u8], Body> {
    let mut body = Body::new(FrameKind::Data);
    for (place, to) in body.data.iter_mut().take(length).enumerate() {
        (rest, *to) = read(place, rest)?;
        body.length += 1;
    }
    Ok((rest, body))
}

/// The end of the line, or what stands behind the bytes: `'characters'` or `ERRORFRAME`.
fn screen_end(input: &[u8]) -> IResult<&[u8], ()> {
    let more = preceded(space1, alt((tag("'"), tag("ERRORFRAME"))));
    match alt((more, eof)).parse_complete(input) {
        Ok((rest, _)) => Ok((rest.get(rest.len()..).unwrap_or_default(), ())),
        Err(error) => Err(error),
    }
}

const fn hex_value(digit: u8) -> Option<u8> {
    match digit {
        b'0'..=b'9' => Some(digit - b'0'),
        b'A'..=b'F' => Some(digit - b'A' + 10),
        b'a'..=b'f' => Some(digit - b'a' + 10),
        _ => None,
    }
}

fn hex_digit(input: &[u8]) -> IResult<&[u8], u8> {
    let digit = input.split_first();
    let digit = digit.and_then(|(&digit, rest)| Some((rest, hex_value(digit)?)));
    digit.ok_or_else(|| wrong(input))
}

fn hex_byte(input: &[u8]) -> IResult<&[u8], u8> {
    let (rest, high) = hex_digit(input)?;
    let (rest, low) = hex_digit(rest)?;
    Ok((rest, high << 4 | low))
}

fn binary_byte(input: &[u8]) -> IResult<&[u8], u8> {
    let (digits, rest) = input.split_at_checked(8).ok_or_else(|| wrong(input))?;
    let byte = digits.iter().try_fold(0_u8, |byte, digit| match digit {
        b'0' => Some(byte << 1),
        b'1' => Some(byte << 1 | 1),
        _ => None,
    });
    byte.map(|byte| (rest, byte)).ok_or_else(|| wrong(input))
}

/// What stands behind the first `#` of the log form.
#[derive(Clone, Copy, Debug)]
struct Body {
    kind: FrameKind,
    data: [u8; MAX_DATA],
    length: usize,
}

impl Body {
    const fn new(kind: FrameKind) -> Self {
        Self {
            kind,
            data: [0; MAX_DATA],
            length: 0,
        }
    }

    fn into_frame(self, name: &str, id: CanId, is_log: bool) -> Parsed<'_> {
        Parsed {
            stamp: None,
            name,
            id,
            kind: self.kind,
            data: self.data,
            length: self.length,
            is_log,
        }
    }
}

/// Only a classic frame with data can report an error.
fn error_kind(body: &Body) -> Option<FrameKind> {
    (body.kind == FrameKind::Data).then_some(FrameKind::Error)
}

/// As many bytes as there are, up to `most`, perhaps with dots between them.
fn log_bytes(input: &[u8], most: usize, kind: FrameKind) -> (&[u8], Body) {
    let mut body = Body::new(kind);
    let mut rest = input;
    for to in body.data.iter_mut().take(most) {
        let digits = rest.strip_prefix(b".").unwrap_or(rest);
        let Ok((behind, byte)) = hex_byte(digits) else {
            break;
        };
        *to = byte;
        body.length += 1;
        rest = behind;
    }
    (rest, body)
}

/// `02010C`, with a raw length code `_9` to `_F` perhaps.
fn classic_body(input: &[u8]) -> IResult<&[u8], Body> {
    let (rest, body) = log_bytes(input, MAX_CLASSIC, FrameKind::Data);
    let (rest, _) = opt(preceded(char('_'), hex_digit)).parse_complete(rest)?;
    Ok((rest, body))
}

/// `#1` and the data of a CAN FD frame.
fn fd_body(input: &[u8]) -> IResult<&[u8], Body> {
    let (rest, flags) = preceded(char('#'), hex_digit).parse_complete(input)?;
    let kind = FrameKind::Fd {
        bit_rate_switch: flags & BIT_RATE_SWITCH != 0,
        error_passive: flags & ERROR_PASSIVE != 0,
    };
    Ok(log_bytes(rest, MAX_DATA, kind))
}

/// `R` or `R8`, with a raw length code perhaps.
fn remote_body(input: &[u8]) -> IResult<&[u8], Body> {
    let (rest, _) = one_of("Rr").parse_complete(input)?;
    let (rest, length) = opt(one_of("012345678")).parse_complete(rest)?;
    let (rest, _) = opt(preceded(char('_'), hex_digit)).parse_complete(rest)?;
    let length = length.map_or(0, |digit| digit as u8 - b'0');
    Ok((rest, Body::new(FrameKind::Remote { length })))
}

fn wrong(input: &[u8]) -> nom::Err<nom::error::Error<&[u8]>> {
    nom::Err::Error(nom::error::Error::new(input, nom::error::ErrorKind::Verify))
}
