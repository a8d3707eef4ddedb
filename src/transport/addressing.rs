//! Who talks to whom: what is known before the first frame.
//!
//! ISO 15765-4 is always in the book. A profile adds the conversations of the maker's own identifiers. What is in
//! neither is left to recognition.
//!
//! Source: ISO 15765-4 (identifiers of emissions-related diagnostics), ISO 15765-2 (addressing formats).

use std::collections::{BTreeMap, BTreeSet};

use super::Address;
use crate::frame::CanId;

/// How the addresses of a conversation stand in its frames (ISO 15765-2, "addressing formats").
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Addressing {
    /// The identifier says it all.
    Normal,
    /// The 29-bit identifier holds target and source address: `0x18DA` target source.
    NormalFixed,
    /// The first data byte is the target address.
    Extended,
    /// The first data byte is an address extension.
    Mixed,
}

impl Addressing {
    /// How many data bytes stand before the protocol control information: 0 or 1.
    pub const fn prefix(self) -> usize {
        match self {
            Self::Normal | Self::NormalFixed => 0,
            Self::Extended | Self::Mixed => 1,
        }
    }
}

/// A tester and a module that talk to each other.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub struct Conversation {
    /// What requests are sent to.
    pub request: Address,
    /// What answers are sent from.
    pub response: Address,
    /// How the addresses stand in the frames.
    pub addressing: Addressing,
}

/// Why an entry does not fit into the book.
#[derive(Clone, Copy, Debug, Eq, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum BookError {
    /// Request and response are the same.
    #[error("{address} cannot be both request and response of one conversation")]
    SameAddress {
        /// The address.
        address: Address,
    },
    /// The address is in another conversation already.
    #[error("{address} already belongs to the conversation with {partner}")]
    Taken {
        /// The address.
        address: Address,
        /// Its partner so far.
        partner: Address,
    },
    /// The identifier is used with and without an address byte.
    #[error("identifier {id} cannot carry messages both with and without an address byte")]
    TwoFormats {
        /// The identifier.
        id: CanId,
    },
    /// Extended and mixed addressing need the address byte, the others have none.
    #[error("{address} does not suit its addressing: the address byte is missing or too much")]
    Extension {
        /// The address.
        address: Address,
    },
    /// Logical addresses of ISO 13400 need no entry.
    #[error("{address} is no CAN address")]
    NotCan {
        /// The address.
        address: Address,
    },
}

/// What is known beforehand: which identifiers carry messages, and who is whose partner.
#[derive(Clone, Debug, Default)]
pub struct AddressBook {
    partners: BTreeMap<Address, Address>,
    functional: BTreeSet<Address>,
    formats: BTreeMap<CanId, Addressing>,
}

/// What the book says about an identifier.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Listed {
    /// Its frames carry messages in this format.
    As(Addressing),
    /// It is not in the book.
    No,
}

impl AddressBook {
    /// Only ISO 15765-4: requests to all on `0x7DF` and `0x18DB33F1`, modules on `0x7E0`–`0x7E7` and `0x7E8`–`0x7EF`,
    /// `0x18DA` with the tester's address F1.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a conversation.
    pub fn add(&mut self, conversation: Conversation) -> Result<(), BookError> {
        let Conversation {
            request,
            response,
            addressing,
        } = conversation;
        if request == response {
            return Err(BookError::SameAddress { address: request });
        }
        for (address, partner) in [(request, response), (response, request)] {
            self.check(address, addressing)?;
            if let Some(&known) = self.partners.get(&address)
                && known != partner
            {
                return Err(BookError::Taken {
                    address,
                    partner: known,
                });
            }
        }
        for (address, partner) in [(request, response), (response, request)] {
            self.partners.insert(address, partner);
            self.note_format(address, addressing);
        }
        Ok(())
    }

    /// Adds an address of requests to all. An address that does not suit `addressing` is left out.
    pub fn add_functional(&mut self, address: Address, addressing: Addressing) {
        if self.check(address, addressing).is_ok() {
            self.functional.insert(address);
            self.note_format(address, addressing);
        }
    }

    fn check(&self, address: Address, addressing: Addressing) -> Result<(), BookError> {
        let Address::Can { id, extension } = address else {
            return Err(BookError::NotCan { address });
        };
        if extension.is_some() != (addressing.prefix() == 1) {
            return Err(BookError::Extension { address });
        }
        match self.listed(id) {
            Listed::As(known) if known.prefix() != addressing.prefix() => {
                // The standard's identifiers give way to what the profile says; the profile's own do not.
                if self.formats.contains_key(&id) {
                    return Err(BookError::TwoFormats { id });
                }
                Ok(())
            }
            Listed::As(_) | Listed::No => Ok(()),
        }
    }

    fn note_format(&mut self, address: Address, addressing: Addressing) {
        if let Address::Can { id, .. } = address {
            self.formats.entry(id).or_insert(addressing);
        }
    }

    pub(super) fn listed(&self, id: CanId) -> Listed {
        if let Some(&addressing) = self.formats.get(&id) {
            return Listed::As(addressing);
        }
        match standard(id) {
            Standard::ToAll | Standard::Partner(_) if id.is_extended() => {
                Listed::As(Addressing::NormalFixed)
            }
            Standard::ToAll | Standard::Partner(_) => Listed::As(Addressing::Normal),
            Standard::No => Listed::No,
        }
    }

    pub(super) fn partner(&self, address: Address) -> Option<Address> {
        if let Some(&partner) = self.partners.get(&address) {
            return Some(partner);
        }
        match address {
            Address::Can {
                id,
                extension: None,
            } => match standard(id) {
                Standard::Partner(partner) => Some(Address::can(partner)),
                Standard::ToAll | Standard::No => None,
            },
            Address::Can { .. } | Address::DoIp { .. } => None,
        }
    }

    pub(super) fn is_functional(&self, address: Address) -> bool {
        self.functional.contains(&address)
            || match address {
                Address::Can {
                    id,
                    extension: None,
                } => standard(id) == Standard::ToAll,
                Address::Can { .. } | Address::DoIp { .. } => false,
            }
    }
}

/// What ISO 15765-4 says about an identifier.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Standard {
    ToAll,
    Partner(CanId),
    No,
}

const fn standard(id: CanId) -> Standard {
    let raw = id.raw();
    if id.is_extended() {
        let target = (raw >> 8) & 0xFF;
        let source = raw & 0xFF;
        return match raw >> 16 {
            _ if raw == 0x18DB_33F1 => Standard::ToAll,
            0x18DA if (target == 0xF1) != (source == 0xF1) => Standard::Partner(swapped(id)),
            _ => Standard::No,
        };
    }
    match raw {
        0x7DF => Standard::ToAll,
        0x7E0..=0x7E7 => Standard::Partner(CanId::standard_masked(raw + 8)),
        0x7E8..=0x7EF => Standard::Partner(CanId::standard_masked(raw - 8)),
        _ => Standard::No,
    }
}

/// The identifier with target and source address exchanged (normal fixed and mixed 29-bit addressing).
const fn swapped(id: CanId) -> CanId {
    let raw = id.raw();
    CanId::extended_masked((raw & 0x1FFF_0000) | ((raw & 0xFF) << 8) | ((raw >> 8) & 0xFF))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn short(raw: u32) -> Address {
        Address::can(CanId::standard(raw).unwrap())
    }

    fn long(raw: u32) -> Address {
        Address::can(CanId::extended(raw).unwrap())
    }

    #[test]
    fn the_standard_pairs_are_in() {
        // Source: ISO 15765-4, table of legislated identifiers.
        let book = AddressBook::new();
        for module in 0..8 {
            assert_eq!(
                book.partner(short(0x7E0 + module)),
                Some(short(0x7E8 + module))
            );
            assert_eq!(
                book.partner(short(0x7E8 + module)),
                Some(short(0x7E0 + module))
            );
        }
        assert!(book.is_functional(short(0x7DF)) && book.is_functional(long(0x18DB_33F1)));
        assert_eq!(book.partner(long(0x18DA_10F1)), Some(long(0x18DA_F110)));
        assert_eq!(book.partner(long(0x18DA_F1F1)), None);
        assert_eq!(book.partner(short(0x740)), None);
        assert_eq!(book.listed(CanId::standard(0x740).unwrap()), Listed::No);
    }

    #[test]
    fn entries_that_contradict_each_other_are_refused() {
        let mut book = AddressBook::new();
        let normal = |request, response| Conversation {
            request: short(request),
            response: short(response),
            addressing: Addressing::Normal,
        };
        book.add(normal(0x740, 0x748)).unwrap();
        book.add(normal(0x740, 0x748)).unwrap();
        assert_eq!(
            book.add(normal(0x740, 0x749)).unwrap_err().to_string(),
            "0x740 already belongs to the conversation with 0x748"
        );
        assert!(matches!(
            book.add(normal(0x741, 0x741)),
            Err(BookError::SameAddress { .. })
        ));
        let extended = Conversation {
            request: Address::Can {
                id: CanId::standard(0x740).unwrap(),
                extension: Some(1),
            },
            response: Address::Can {
                id: CanId::standard(0x641).unwrap(),
                extension: Some(0xF1),
            },
            addressing: Addressing::Extended,
        };
        assert!(matches!(
            book.add(extended),
            Err(BookError::TwoFormats { .. })
        ));
        assert!(matches!(
            book.add(Conversation {
                addressing: Addressing::Mixed,
                ..normal(0x750, 0x758)
            }),
            Err(BookError::Extension { .. })
        ));
    }
}
