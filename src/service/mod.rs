//! Services: messages to typed requests and answers (ISO 14229-1, SAE J1979 / ISO 15031-5, KWP 2000), paired into
//! exchanges.

#![warn(clippy::indexing_slicing)]

mod code_list;
mod decode;
mod explain;
mod explain_frames;
mod family;
mod field;
mod identifier;
mod kwp;
mod monitor;
mod negative;
mod obd;
mod pairing;
mod parameter;
mod subject;
mod uds;
mod uds_codes;

pub use code_list::{CodeEntry, CodeList, code_list};
pub use decode::{Context, Decoded, Direction, Head, decode, fault_words, fields, head};
pub use explain::{Explanation, Fact, explain};
pub use family::{Families, Family, service_name};
pub use field::{Bits, Field, Scale, Value, Words, rounded, supported};
pub use identifier::{identifier_name, identifiers};
pub use negative::refusal;
pub use pairing::{Pairing, Timing, is_request};
pub use parameter::parameters;
pub use subject::{Subject, SubjectError};

#[cfg(test)]
mod tests;

use crate::transport::Message;

/// A request and what came back, or answers whose request is not in the capture.
#[derive(Clone, Debug)]
pub struct Exchange {
    /// The request; `None` when the capture holds only the answer.
    pub request: Option<Message>,
    /// The final answers in the order in which they ended: several for a functional request, otherwise at most one.
    pub answers: Vec<Answer>,
    /// Messages that are no answer but show that their sender is alive: broken ones, and "response pending" that no
    /// final answer followed. At most [`Exchange::MAX_SIGNS`].
    pub signs: Vec<Message>,
    /// Why no further answer is waited for.
    pub closed: Closed,
}

impl Exchange {
    /// Most signs of life that are kept for one exchange.
    pub const MAX_SIGNS: usize = 16;
}

/// A final answer, positive or negative.
#[derive(Clone, Debug)]
pub struct Answer {
    /// The answer itself.
    pub message: Message,
    /// How many times "response pending" (0x7F … 0x78) came before it.
    pub pending: u32,
}

/// Why an exchange is over.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub enum Closed {
    /// Everything that was asked for has been answered.
    Answered,
    /// The time for an answer is over.
    TimedOut,
    /// The request asked for no positive answer, and none came.
    Suppressed,
    /// The same tester asked the same module something else.
    Superseded,
    /// The capture ended before the time for an answer was over.
    CaptureEnd,
    /// There is an answer, but no request in the capture.
    NoRequest,
    /// The request itself did not arrive whole, so no answer was due.
    BrokenRequest,
}
