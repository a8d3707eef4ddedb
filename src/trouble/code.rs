//! A trouble code as two bytes, and its text (ISO 14229-1:2013 Annex D; SAE J2012, how a code is coded).

use std::fmt;
use std::str::FromStr;

/// The system a code belongs to: bits 15 and 14.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum System {
    /// P: powertrain.
    Powertrain,
    /// C: chassis.
    Chassis,
    /// B: body.
    Body,
    /// U: network.
    Network,
}

impl System {
    /// Its letter.
    pub const fn letter(self) -> char {
        match self {
            Self::Powertrain => 'P',
            Self::Chassis => 'C',
            Self::Body => 'B',
            Self::Network => 'U',
        }
    }

    /// Its name.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Powertrain => "powertrain",
            Self::Chassis => "chassis",
            Self::Body => "body",
            Self::Network => "network",
        }
    }
}

/// A two-byte trouble code: every value is one.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub struct Code(pub u16);

impl Code {
    /// Its system.
    pub const fn system(self) -> System {
        match self.0 >> 14 {
            0 => System::Powertrain,
            1 => System::Chassis,
            2 => System::Body,
            _ => System::Network,
        }
    }

    /// The first digit of its text, 0 to 3: bits 13 and 12.
    pub const fn first_digit(self) -> u8 {
        (self.0 >> 12 & 3) as u8
    }
}

/// `C0031`.
impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let letter = self.system().letter();
        write!(f, "{letter}{}{:03X}", self.first_digit(), self.0 & 0xFFF)
    }
}

/// The text is no trouble code.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
#[error(
    "{text:?} is no trouble code (a letter P, C, B or U, a digit 0 to 3, three hexadecimal digits: C0031)"
)]
pub struct ParseCodeError {
    /// What was given.
    pub text: String,
}

impl FromStr for Code {
    type Err = ParseCodeError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let parse = || {
            let (letter, digits) = text.split_at_checked(1)?;
            let system: u16 = match letter {
                "P" | "p" => 0,
                "C" | "c" => 1,
                "B" | "b" => 2,
                "U" | "u" => 3,
                _ => return None,
            };
            if digits.len() != 4 || !digits.bytes().all(|digit| digit.is_ascii_hexdigit()) {
                return None;
            }
            let number = u16::from_str_radix(digits, 16).ok()?;
            (number < 0x4000).then_some(Self(system << 14 | number))
        };
        parse().ok_or_else(|| ParseCodeError {
            text: text.to_owned(),
        })
    }
}

/// The failure type byte of a three-byte code (SAE J2012, ISO 15031-6): every value is one.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub struct FailureType(pub u8);

/// `13`.
impl fmt::Display for FailureType {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02X}", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_survives_the_round_trip() {
        for number in 0..=u16::MAX {
            assert_eq!(Code(number).to_string().parse(), Ok(Code(number)));
        }
    }

    #[test]
    fn other_texts_are_refused() {
        for text in [
            "", "C", "C003", "C00311", "X0031", "C4031", "C+031", "Ç0031", "C00é",
        ] {
            assert!(text.parse::<Code>().is_err(), "{text}");
        }
    }
}
