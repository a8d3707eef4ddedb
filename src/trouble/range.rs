//! Who gives a code its meaning: the shared list, the maker, or nobody yet (SAE J2012, ISO 15031-6).

use super::{Code, System};

/// Who owns a range of codes.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub enum Owner {
    /// The list that all makers share.
    Shared,
    /// Each maker for itself.
    Maker,
    /// A range in which both occur: U3.
    Mixed,
    /// Nobody: reserved.
    Reserved,
}

impl Owner {
    /// The owner of a code.
    pub const fn of(code: Code) -> Self {
        let number = code.0 & 0xFFF;
        match (code.system(), code.first_digit()) {
            (_, 0) | (System::Powertrain, 2) => Self::Shared,
            (System::Powertrain, 3) => match number {
                0x000..=0x3FF => Self::Maker,
                0x400..=0x9FF => Self::Shared,
                _ => Self::Reserved,
            },
            (System::Network, 3) => match number {
                0x000..=0x00E => Self::Shared,
                _ => Self::Mixed,
            },
            (System::Chassis | System::Body, 3) => Self::Reserved,
            _ => Self::Maker,
        }
    }

    /// What to say of a code whose meaning is not known here.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Shared => {
                "of the shared list (SAE J2012), but not in this catalogue; the current list names it"
            }
            Self::Maker => "of the maker's own range; the maker's list names it",
            Self::Mixed => {
                "of a range that the shared list and makers both use; the maker's list names it"
            }
            Self::Reserved => "of a reserved range; if anybody, the maker names it",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_are_those_of_the_table() {
        // Source: contents list of SAE J2012 (DEC2007) and the open list Wal33D/dtc-database, 2026-02.
        for (text, owner) in [
            ("P0500", Owner::Shared),
            ("P2158", Owner::Shared),
            ("P1301", Owner::Maker),
            ("P33FF", Owner::Maker),
            ("P3400", Owner::Shared),
            ("B0001", Owner::Shared),
            ("C0031", Owner::Shared),
            ("U0121", Owner::Shared),
            ("B1782", Owner::Maker),
            ("C2123", Owner::Maker),
            ("U1600", Owner::Maker),
            ("B3000", Owner::Reserved),
            ("C3000", Owner::Reserved),
            ("U300E", Owner::Shared),
            ("U3FFF", Owner::Mixed),
        ] {
            assert_eq!(Owner::of(text.parse().unwrap()), owner, "{text}");
        }
    }
}
