//! What a survey tells while it goes on.

use std::fmt;

use crate::service::refusal;

/// Something that a survey found out. Names come from the profile: a printer escapes them.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Event {
    /// The legislated modes were asked.
    Legislated {
        /// How many modules answered.
        answering: usize,
    },
    /// A module of the profile does not answer.
    Silent {
        /// Its name.
        module: String,
    },
    /// A module gave its codes.
    Codes {
        /// Its name.
        module: String,
        /// How many.
        codes: usize,
    },
    /// A module gave no list of codes.
    NoCodes {
        /// Its name.
        module: String,
        /// Why.
        why: NoCodes,
    },
    /// A module does not give this data; it is not asked for again.
    Refused {
        /// Its name.
        module: String,
        /// The identifier.
        identifier: u16,
        /// Its response code.
        code: u8,
    },
    /// The modules have been asked; signals are polled from now on.
    Polling {
        /// How many.
        signals: usize,
        /// Rounds a second.
        rate_hz: f64,
    },
}

/// Why a module's list of codes is not to be had.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum NoCodes {
    /// It says so, with this response code (ISO 14229-1, Annex A).
    Refused(u8),
    /// Its answer did not come to its end.
    BrokeOff,
    /// It did not answer to this question, though to others.
    Silent,
    /// Another tester kept asking it for lists of its own, so that no answer could be told to be meant for this one.
    Contested,
}

impl fmt::Display for NoCodes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Refused(code) => {
                write!(f, "gives no codes (0x{code:02X}: {})", refusal(code).1)
            }
            Self::BrokeOff => f.write_str("gives no codes, its answer broke off"),
            Self::Silent => f.write_str("answers, but not to the question for its codes"),
            Self::Contested => {
                f.write_str("its codes are not known: another tester asks it at the same time")
            }
        }
    }
}

impl fmt::Display for Event {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Legislated { answering: 0 } => f.write_str("legislated modes: nobody answers"),
            Self::Legislated { answering: 1 } => f.write_str("legislated modes: 1 module answers"),
            Self::Legislated { answering } => {
                write!(f, "legislated modes: {answering} modules answer")
            }
            Self::Silent { module } => write!(f, "{module}: does not answer"),
            Self::Codes { module, codes: 0 } => write!(f, "{module}: answers, no codes"),
            Self::Codes { module, codes: 1 } => write!(f, "{module}: answers, 1 code"),
            Self::Codes { module, codes } => write!(f, "{module}: answers, {codes} codes"),
            Self::NoCodes { module, why } => write!(f, "{module}: {why}"),
            Self::Refused {
                module,
                identifier,
                code,
            } => write!(
                f,
                "{module}: does not give 0x{identifier:04X} (0x{code:02X}: {})",
                refusal(*code).1
            ),
            Self::Polling { signals, rate_hz } => {
                let plural = if *signals == 1 { "signal" } else { "signals" };
                write!(f, "polling {signals} {plural}, {rate_hz} rounds a second")
            }
        }
    }
}
