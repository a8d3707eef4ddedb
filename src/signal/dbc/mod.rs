//! DBC files: messages and their signals, as far as a measured value needs them.
//!
//! Read are messages (`BO_`), signals (`SG_`) with simple and extended multiplexing (`SG_MUL_VAL_`), and floating-point
//! types (`SIG_VALTYPE_`); everything else is passed over. A statement that cannot be read is a fault with its line, and
//! reading goes on behind it. Files that are not UTF-8 are taken as Latin-1. Bit 31 of a message's number marks a 29-bit
//! identifier; a number that is too large for its width is a fault, never cut off.

use std::fmt;

use nom::branch::alt;
use nom::bytes::complete::{tag, take_while, take_while1};
use nom::character::complete::{char, digit1, one_of, space0, space1};
use nom::combinator::{map, map_res, opt, recognize};
use nom::multi::separated_list1;
use nom::number::complete::recognize_float;
use nom::sequence::{delimited, preceded, separated_pair, terminated};
use nom::{IResult, Parser};

use crate::frame::CanId;

use super::field::{ByteOrder, Coding, Field};
use super::source::Selector;

/// Most faults that are kept; a file with more is not read on, so that a hostile one costs little.
const MAX_FAULTS: usize = 100;
/// Most levels of extended multiplexing.
const MAX_LEVELS: usize = 8;
/// The message number under which editors keep signals without a message.
const ORPHANS: u32 = 0xC000_0000;

/// What was read of a DBC file.
#[derive(Clone, Debug, Default)]
pub struct Dbc {
    /// The messages in the order of the file.
    pub messages: Vec<Message>,
    /// What could not be read. After a hundred faults the rest of the file is not read.
    pub faults: Vec<DbcFault>,
}

/// A statement that could not be read.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct DbcFault {
    /// Line, from 1.
    pub line: usize,
    /// What is wrong.
    pub text: String,
}

/// `12: …`, to stand behind the file's name and a colon.
impl fmt::Display for DbcFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.line, self.text)
    }
}

/// A message.
#[derive(Clone, Debug)]
pub struct Message {
    /// Its identifier.
    pub id: CanId,
    /// Its name.
    pub name: String,
    /// Its length in bytes as declared.
    pub length: u64,
    /// Its signals in the order of the file.
    pub signals: Vec<Signal>,
    /// Line, from 1.
    pub line: usize,
}

/// A signal.
#[derive(Clone, Debug)]
pub struct Signal {
    /// Its name.
    pub name: String,
    /// The step of the raw number.
    pub factor: f64,
    /// The value of raw 0.
    pub offset: f64,
    /// Its unit as written.
    pub unit: String,
    /// Whether it selects others, and by which value it is itself selected.
    pub multiplexing: Multiplexing,
    /// Line, from 1.
    pub line: usize,
    start_bit: u64,
    length: u64,
    byte_order: ByteOrder,
    coding: Coding,
    /// Extended multiplexing: the selecting signal and the ranges that select.
    selected_by: Option<(String, Vec<(u64, u64)>)>,
}

/// The multiplexing mark of a signal: nothing, `M`, `m3`, or `m3M`.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub struct Multiplexing {
    /// It selects others.
    pub selects: bool,
    /// The value that selects it.
    pub selected_by: Option<u64>,
}

/// A signal with everything that is needed to read it.
#[derive(Clone, Debug)]
pub struct Placed {
    /// Where it stands.
    pub field: Field,
    /// The step of the raw number.
    pub factor: f64,
    /// The value of raw 0.
    pub offset: f64,
    /// Its unit as written.
    pub unit: String,
    /// When it is there.
    pub selectors: Vec<Selector>,
}

impl Signal {
    /// Where it stands, if that is possible.
    pub fn field(&self) -> Result<Field, String> {
        Field::new(self.start_bit, self.length, self.byte_order, self.coding)
            .map_err(|error| format!("line {}: signal {}: {error}", self.line, self.name))
    }
}

impl Message {
    /// A signal of this message with its selectors resolved; else what is wrong.
    pub fn place(&self, name: &str) -> Result<Placed, String> {
        let find = |name: &str| self.signals.iter().find(|known| known.name == name);
        let wanted =
            find(name).ok_or_else(|| format!("message {} has no signal {name}", self.name))?;
        let mut selectors = Vec::new();
        let mut signal = wanted;
        while let Some((switch, ranges)) = self.switch_of(signal)? {
            if selectors.len() == MAX_LEVELS {
                return Err(format!(
                    "line {}: multiplexing that never ends",
                    wanted.line
                ));
            }
            selectors.push(Selector {
                field: switch.field()?,
                ranges,
            });
            signal = switch;
        }
        Ok(Placed {
            field: wanted.field()?,
            factor: wanted.factor,
            offset: wanted.offset,
            unit: wanted.unit.clone(),
            selectors,
        })
    }

    /// The signal that selects this one, and by which values.
    #[expect(clippy::type_complexity, reason = "used once, beside its caller")]
    fn switch_of(&self, signal: &Signal) -> Result<Option<(&Signal, Vec<(u64, u64)>)>, String> {
        if let Some((name, ranges)) = &signal.selected_by {
            let switch = self.signals.iter().find(|known| known.name == *name);
            let switch = switch.ok_or_else(|| {
                format!(
                    "line {}: signal {} is selected by {name}, which is not there",
                    signal.line, signal.name
                )
            })?;
            return Ok(Some((switch, ranges.clone())));
        }
        let Some(value) = signal.multiplexing.selected_by else {
            return Ok(None);
        };
        let mut switches = self
            .signals
            .iter()
            .filter(|known| known.multiplexing.selects && known.multiplexing.selected_by.is_none());
        match (switches.next(), switches.next()) {
            (Some(switch), None) => Ok(Some((switch, vec![(value, value)]))),
            (None, _) => Err(format!(
                "line {}: signal {} is multiplexed, but nothing selects",
                signal.line, signal.name
            )),
            _ => Err(format!(
                "line {}: signal {} has more than one that selects",
                signal.line, signal.name
            )),
        }
    }
}

impl Dbc {
    /// Reads what there is.
    pub fn parse(bytes: &[u8]) -> Self {
        let text = match std::str::from_utf8(bytes) {
            Ok(text) => text.to_owned(),
            Err(_) => bytes.iter().copied().map(char::from).collect(),
        };
        let text = text.trim_start_matches('\u{FEFF}');
        let mut reader = Reader {
            dbc: Self::default(),
            current: None,
        };
        let mut statements = Statements {
            rest: text,
            line: 1,
        };
        while let Some(statement) = statements.next_statement() {
            reader.take(&statement);
            if reader.dbc.faults.len() >= MAX_FAULTS {
                break;
            }
        }
        reader.dbc
    }

    fn fault(&mut self, line: usize, text: impl Into<String>) {
        if self.faults.len() < MAX_FAULTS {
            self.faults.push(DbcFault {
                line,
                text: text.into(),
            });
        }
    }
}

/// A statement: its keyword, what follows, and where it begins.
struct Statement<'a> {
    keyword: &'a str,
    rest: &'a str,
    line: usize,
    closed: bool,
}

/// Cuts a file into statements. `BO_`, `SG_` and what has no closing semicolon end with their line; the others end with a
/// semicolon outside quotation marks. The block of new symbols (`NS_`) is a list of bare keywords, one a line.
struct Statements<'a> {
    rest: &'a str,
    line: usize,
}

impl<'a> Statements<'a> {
    fn next_statement(&mut self) -> Option<Statement<'a>> {
        loop {
            let trimmed = self.rest.trim_start();
            self.advance(self.rest.len() - trimmed.len());
            if self.rest.is_empty() {
                return None;
            }
            let line = self.line;
            let end_of_line = self.rest.find('\n').unwrap_or(self.rest.len());
            let first = self.rest.get(..end_of_line).unwrap_or_default();
            let keyword_end = first
                .find(|c: char| !c.is_ascii_alphanumeric() && c != '_')
                .unwrap_or(first.len());
            let (keyword, after) = first.split_at_checked(keyword_end).unwrap_or((first, ""));
            if after.trim().is_empty() {
                self.advance(end_of_line);
                continue;
            }
            let by_semicolon =
                keyword.len() > 3 && keyword.ends_with('_') && !matches!(keyword, "BO_" | "SG_");
            let by_semicolon = by_semicolon || matches!(keyword, "CM_" | "BA_" | "EV_");
            let (end, closed) = if by_semicolon {
                self.semicolon()
            } else {
                (end_of_line, true)
            };
            let rest = self.rest.get(keyword_end..end).unwrap_or_default();
            // A text that never ends would swallow the rest of the file: only its first line is passed over.
            self.advance(if closed { end } else { end_of_line });
            return Some(Statement {
                keyword,
                rest,
                line,
                closed,
            });
        }
    }

    /// Where the statement's semicolon stands, and whether there is one.
    fn semicolon(&self) -> (usize, bool) {
        let mut quoted = false;
        let mut escaped = false;
        for (at, byte) in self.rest.bytes().enumerate() {
            match byte {
                _ if escaped => escaped = false,
                b'\\' if quoted => escaped = true,
                b'"' => quoted = !quoted,
                b';' if !quoted => return (at + 1, true),
                _ => {}
            }
        }
        (self.rest.len(), false)
    }

    fn advance(&mut self, bytes: usize) {
        let (passed, rest) = self.rest.split_at_checked(bytes).unwrap_or((self.rest, ""));
        self.line += passed.bytes().filter(|byte| *byte == b'\n').count();
        self.rest = rest;
    }
}

/// Puts statements together.
struct Reader {
    dbc: Dbc,
    /// The message whose signals follow: `None` when it could not be read or is none.
    current: Option<usize>,
}

impl Reader {
    fn take(&mut self, statement: &Statement<'_>) {
        let line = statement.line;
        if !statement.closed {
            let text = format!(
                "this {} statement has no closing semicolon",
                statement.keyword
            );
            return self.dbc.fault(line, text);
        }
        match statement.keyword {
            "BO_" => self.message(statement.rest, line),
            "SG_" => self.signal(statement.rest, line),
            "SG_MUL_VAL_" => self.extended_multiplexing(statement.rest, line),
            "SIG_VALTYPE_" => self.value_type(statement.rest, line),
            _ => {}
        }
    }

    fn message(&mut self, text: &str, line: usize) {
        self.current = None;
        let Ok((_, (number, name, length))) = message(text) else {
            return self
                .dbc
                .fault(line, "no message (BO_ number name: length sender)");
        };
        if number == u64::from(ORPHANS) {
            return;
        }
        match identifier(number) {
            Ok(id) => {
                self.current = Some(self.dbc.messages.len());
                self.dbc.messages.push(Message {
                    id,
                    name: name.to_owned(),
                    length,
                    signals: Vec::new(),
                    line,
                });
            }
            Err(text) => self.dbc.fault(line, format!("message {name}: {text}")),
        }
    }

    fn signal(&mut self, text: &str, line: usize) {
        let current = self.current;
        let Ok((_, signal)) = signal(text) else {
            let form = "no signal (SG_ name : start|length@order sign (factor,offset) [min|max] \"unit\" receivers)";
            return self.dbc.fault(line, form);
        };
        if let Some(message) = current.and_then(|index| self.dbc.messages.get_mut(index)) {
            message.signals.push(Signal { line, ..signal });
        }
    }

    fn extended_multiplexing(&mut self, text: &str, line: usize) {
        let Ok((_, (number, name, switch, ranges))) = extended_multiplexing(text) else {
            return self.dbc.fault(
                line,
                "no extended multiplexing (SG_MUL_VAL_ number signal switch first-last, …;)",
            );
        };
        match self.find(number, name) {
            Some(signal) => signal.selected_by = Some((switch.to_owned(), ranges)),
            None => self
                .dbc
                .fault(line, format!("no signal {name} in message {number}")),
        }
    }

    fn value_type(&mut self, text: &str, line: usize) {
        let Ok((_, (number, name, kind))) = value_type(text) else {
            return self.dbc.fault(
                line,
                "no value type (SIG_VALTYPE_ number signal : 0, 1 or 2;)",
            );
        };
        let Some(signal) = self.find(number, name) else {
            return self
                .dbc
                .fault(line, format!("no signal {name} in message {number}"));
        };
        match kind {
            0 => {}
            1 => signal.coding = Coding::Float32,
            2 => signal.coding = Coding::Float64,
            _ => self.dbc.fault(
                line,
                format!("{kind} is no value type (0 integer, 1 float, 2 double)"),
            ),
        }
    }

    fn find(&mut self, number: u64, name: &str) -> Option<&mut Signal> {
        let id = identifier(number).ok()?;
        let message = self.dbc.messages.iter_mut().find(|known| known.id == id)?;
        message.signals.iter_mut().find(|known| known.name == name)
    }
}

/// A message number as an identifier: bit 31 marks 29 bits.
fn identifier(number: u64) -> Result<CanId, String> {
    const EXTENDED: u32 = 1 << 31;
    let whole = u32::try_from(number).map_err(|_| format!("{number} does not fit 32 bits"))?;
    let id = if whole & EXTENDED != 0 {
        CanId::extended(whole & !EXTENDED)
    } else {
        CanId::standard(whole)
    };
    id.map_err(|error| format!("{number}: {error}"))
}

fn number(text: &str) -> IResult<&str, u64> {
    map_res(digit1, str::parse).parse(text)
}

fn real(text: &str) -> IResult<&str, f64> {
    let special = alt((tag("inf"), tag("-inf"), tag("nan"), tag("NaN"), tag("INF")));
    map_res(alt((recognize_float, special)), str::parse).parse(text)
}

fn name(text: &str) -> IResult<&str, &str> {
    take_while1(|c: char| c.is_alphanumeric() || c == '_')(text)
}

fn message(text: &str) -> IResult<&str, (u64, &str, u64)> {
    let (text, number_read) = preceded(space1, number).parse(text)?;
    let (text, name_read) = preceded(space1, name).parse(text)?;
    let (text, _) = (space0, char(':'), space0).parse(text)?;
    let (text, length) = number(text)?;
    Ok((text, (number_read, name_read, length)))
}

fn multiplexing(text: &str) -> IResult<&str, Multiplexing> {
    let selected = map(
        (char('m'), number, opt(char('M'))),
        |(_, value, selects)| Multiplexing {
            selects: selects.is_some(),
            selected_by: Some(value),
        },
    );
    let switch = map(char('M'), |_| Multiplexing {
        selects: true,
        selected_by: None,
    });
    alt((selected, switch)).parse(text)
}

fn spaced<'a, T>(
    inner: impl Parser<&'a str, Output = T, Error = nom::error::Error<&'a str>>,
) -> impl Parser<&'a str, Output = T, Error = nom::error::Error<&'a str>> {
    delimited(space0, inner, space0)
}

fn signal(text: &str) -> IResult<&str, Signal> {
    let (text, name_read) = preceded(space1, name).parse(text)?;
    let (text, mark) = opt(preceded(space1, multiplexing)).parse(text)?;
    let (text, _) = spaced(char(':')).parse(text)?;
    let (text, (start_bit, length)) =
        separated_pair(number, spaced(char('|')), number).parse(text)?;
    let (text, order) = preceded(spaced(char('@')), one_of("01")).parse(text)?;
    let (text, sign) = spaced(one_of("+-")).parse(text)?;
    let pair = separated_pair(spaced(real), char(','), spaced(real));
    let (text, (factor, offset)) = delimited(char('('), pair, char(')')).parse(text)?;
    let bounds = (
        spaced(char('[')),
        take_while(|c| c != ']'),
        terminated(char(']'), space0),
    );
    let (text, _) = opt(recognize(bounds)).parse(text)?;
    let unit = delimited(char('"'), take_while(|c| c != '"'), char('"'));
    let (text, unit) = opt(preceded(space0, unit)).parse(text)?;
    Ok((
        text,
        Signal {
            name: name_read.to_owned(),
            factor,
            offset,
            unit: unit.unwrap_or_default().to_owned(),
            multiplexing: mark.unwrap_or_default(),
            line: 0,
            start_bit,
            length,
            byte_order: if order == '1' {
                ByteOrder::Little
            } else {
                ByteOrder::Big
            },
            coding: if sign == '-' {
                Coding::Signed
            } else {
                Coding::Unsigned
            },
            selected_by: None,
        },
    ))
}

#[expect(clippy::type_complexity, reason = "the four parts of one statement")]
fn extended_multiplexing(text: &str) -> IResult<&str, (u64, &str, &str, Vec<(u64, u64)>)> {
    let (text, number_read) = preceded(space1, number).parse(text)?;
    let (text, signal) = preceded(space1, name).parse(text)?;
    let (text, switch) = preceded(space1, name).parse(text)?;
    let range = separated_pair(number, spaced(char('-')), number);
    let (text, ranges) = preceded(space1, separated_list1(spaced(char(',')), range)).parse(text)?;
    Ok((text, (number_read, signal, switch, ranges)))
}

fn value_type(text: &str) -> IResult<&str, (u64, &str, u64)> {
    let (text, number_read) = preceded(space1, number).parse(text)?;
    let (text, signal) = preceded(space1, name).parse(text)?;
    let (text, _) = (space0, opt(char(':')), space0).parse(text)?;
    let (text, kind) = number(text)?;
    Ok((text, (number_read, signal, kind)))
}

#[cfg(test)]
mod tests;
