//! The sending gate: the one place where a request becomes something that may be sent.
//!
//! [`permit`] knows an allow-list of requests that only read, or that keep a harmless session open. What is not on the
//! list is refused: control, writing, routines, security, downloads, resets, programming sessions, and everything the
//! program has no name for. Everything that sends takes a [`Permitted`], and only this file can make one. Clearing codes
//! passes only with a [`Confirmed`], which [`clear`](super::clear) gives after its own conditions, and then to that one
//! module alone.
//!
//! Source: SAE J1979:2012, 6 (modes); ISO 14229-1:2013, 9 to 14 (services); ISO 14230-3:1999, 6 to 8 (KWP 2000).

use crate::signal::profile::Protocol;
use crate::transport::Address;

/// A request that may be sent. There is no other way to get one than [`permit`].
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Permitted {
    payload: Vec<u8>,
    only_to: Option<Address>,
}

impl Permitted {
    /// The bytes of the request.
    pub fn payload(&self) -> &[u8] {
        &self.payload
    }

    /// Whether it may go to this address.
    pub fn may_go_to(&self, address: Address) -> bool {
        self.only_to.is_none_or(|only| only == address)
    }
}

/// That a person has confirmed to clear the codes of one module, and that what has to come before it was done.
#[derive(Debug)]
pub struct Confirmed {
    module: Address,
}

impl Confirmed {
    /// Only the clearing procedure makes one.
    pub(super) const fn clearing(module: Address) -> Self {
        Self { module }
    }
}

/// A request that is not on the list.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
#[error("the request {request:02X?} is not among those that this program sends")]
pub struct Refused {
    /// Its bytes.
    pub request: Vec<u8>,
}

/// Lets a request pass that only reads, in the language of the module it is for; with a confirmation also the clearing of
/// that module's codes.
///
/// ```
/// use tonering::link::permit;
/// use tonering::signal::profile::Protocol;
///
/// assert!(permit(&[0x22, 0xF1, 0x90], Protocol::Uds, None).is_ok());
/// // Writing, clearing, resetting, and control are refused.
/// assert!(permit(&[0x2E, 0xF1, 0x90, 0x00], Protocol::Uds, None).is_err());
/// assert!(permit(&[0x14, 0xFF, 0xFF, 0xFF], Protocol::Uds, None).is_err());
/// ```
pub fn permit(
    request: &[u8],
    language: Protocol,
    confirmed: Option<&Confirmed>,
) -> Result<Permitted, Refused> {
    let reads = reads_legislated(request)
        || match language {
            Protocol::Uds => reads_uds(request),
            Protocol::Kwp => reads_kwp(request),
            Protocol::Obd => false,
        };
    if reads {
        return Ok(Permitted {
            payload: request.to_vec(),
            only_to: None,
        });
    }
    match confirmed {
        Some(confirmed) if clears(request, language) => Ok(Permitted {
            payload: request.to_vec(),
            only_to: Some(confirmed.module),
        }),
        _ => Err(Refused {
            request: request.to_vec(),
        }),
    }
}

/// Legislated modes that only read (SAE J1979). Not 04 (clears), 05 (not on CAN), 08 (controls).
fn reads_legislated(request: &[u8]) -> bool {
    match request {
        // Up to six parameters, monitors or kinds of information.
        [0x01 | 0x06 | 0x09, asked @ ..] => (1..=6).contains(&asked.len()),
        // Up to three pairs of parameter and frame.
        [0x02, asked @ ..] => matches!(asked.len(), 2 | 4 | 6),
        [0x03 | 0x07 | 0x0A] => true,
        _ => false,
    }
}

/// ISO 14229-1: default and extended session, codes, data by identifier, tester present.
fn reads_uds(request: &[u8]) -> bool {
    match request {
        [0x10, 0x01 | 0x03] | [0x3E, 0x00 | 0x80] => true,
        // Every sub-function that the editions of 2013 and 2020 define is a report.
        [0x19, 0x01..=0x1A | 0x42 | 0x55 | 0x56, asked @ ..] => asked.len() <= 6,
        [0x22, asked @ ..] => are_identifiers(asked),
        _ => false,
    }
}

/// ISO 14230-3 on CAN: the default session, codes and their status, identification, data by identifier, tester present.
/// Not the forms of 0x21 and 0x22 that make a module go on sending by itself.
fn reads_kwp(request: &[u8]) -> bool {
    match request {
        [0x10, sub] => *sub == 0x81,
        // Which codes, of which group.
        [0x18, which, _, _] => *which <= 0x04,
        // The status of one code; a common identifier; tester present.
        [0x17 | 0x22, _, _] | [0x3E] => true,
        [0x3E, response] => matches!(response, 0x01 | 0x02),
        [service, _] => matches!(service, 0x1A | 0x21),
        _ => false,
    }
}

fn are_identifiers(asked: &[u8]) -> bool {
    !asked.is_empty() && asked.len().is_multiple_of(2) && asked.len() <= 2 * MAX_IDENTIFIERS
}

/// Clearing all codes: of everything, or (KWP 2000) of the chassis.
fn clears(request: &[u8], language: Protocol) -> bool {
    match language {
        Protocol::Uds => request == [0x14, 0xFF, 0xFF, 0xFF],
        Protocol::Kwp => request == [0x14, 0xFF, 0x00] || request == [0x14, 0x40, 0x00],
        Protocol::Obd => request == [0x04],
    }
}

/// Most identifiers in one request of 0x22.
const MAX_IDENTIFIERS: usize = 8;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::CanId;

    const LANGUAGES: [Protocol; 3] = [Protocol::Uds, Protocol::Kwp, Protocol::Obd];

    /// What may be sent, written down by service and second byte, apart from the code above: service, its second bytes,
    /// the languages. Source: what the services do by SAE J1979:2012, ISO 14229-1:2013/2020 and ISO 14230-3:1999.
    fn harmless(first: u8, second: u8, language: Protocol) -> bool {
        let everyone: &[u8] = &[0x01, 0x02, 0x06, 0x09];
        if everyone.contains(&first) {
            return true;
        }
        match language {
            Protocol::Obd => false,
            Protocol::Uds => match first {
                0x10 => second == 1 || second == 3,
                0x19 => second > 0 && second < 0x1B || [0x42, 0x55, 0x56].contains(&second),
                0x22 => true,
                0x3E => second == 0 || second == 128,
                _ => false,
            },
            Protocol::Kwp => match first {
                0x10 => second == 129,
                0x18 => second <= 4,
                0x17 | 0x1A | 0x21 | 0x22 => true,
                0x3E => second == 1 || second == 2,
                _ => false,
            },
        }
    }

    /// What may follow the first two bytes: enough forms that each service has one that fits it.
    fn tails() -> Vec<Vec<u8>> {
        let mut tails = vec![vec![]];
        for length in 1..=20 {
            tails.push(vec![0xFF; length]);
            tails.push(vec![0x00; length]);
            tails.push(vec![0x01; length]);
        }
        tails
    }

    #[test]
    fn all_first_two_bytes_pass_only_when_they_are_harmless() {
        let tails = tails();
        let mut passed = 0;
        for language in LANGUAGES {
            for first in 0..=u8::MAX {
                for second in 0..=u8::MAX {
                    let any = tails.iter().any(|tail| {
                        let mut request = vec![first, second];
                        request.extend(tail);
                        permit(&request, language, None).is_ok()
                    });
                    assert_eq!(
                        any,
                        harmless(first, second, language),
                        "{first:02X} {second:02X} in {language:?}"
                    );
                    passed += u32::from(any);
                }
            }
        }
        // 4 modes x 256 x 3; UDS 2 + 29 + 256 + 2; KWP 1 + 5 + 4 x 256 + 2.
        assert_eq!(passed, 3_072 + 289 + 1_032);
    }

    #[test]
    fn requests_of_one_byte_pass_only_when_they_read() {
        for language in LANGUAGES {
            for only in 0..=u8::MAX {
                let harmless =
                    [3, 7, 10].contains(&only) || only == 0x3E && language == Protocol::Kwp;
                let passes = permit(&[only], language, None).is_ok();
                assert_eq!(passes, harmless, "{only:02X} in {language:?}");
            }
            assert!(permit(&[], language, None).is_err());
        }
    }

    /// Every request of these services, whatever follows: they change something (ISO 14229-1:2013, 9 to 14).
    #[test]
    fn what_changes_something_never_passes() {
        let changing = [
            0x04, 0x08, 0x11, 0x14, 0x23, 0x27, 0x28, 0x2C, 0x2E, 0x2F, 0x31, 0x34, 0x35, 0x36,
            0x37, 0x38, 0x3B, 0x3D, 0x83, 0x84, 0x85, 0x86, 0x87,
        ];
        for language in LANGUAGES {
            for service in changing {
                for tail in tails() {
                    let mut request = vec![service];
                    request.extend(tail);
                    let error = permit(&request, language, None).unwrap_err();
                    assert_eq!(error.request, request);
                }
            }
        }
    }

    #[test]
    fn a_confirmation_lets_clearing_pass_to_its_module_and_nothing_else() {
        let module = Address::can(CanId::standard(0x740).unwrap());
        let other = Address::can(CanId::standard(0x7DF).unwrap());
        let confirmed = Confirmed::clearing(module);
        for (request, language) in [
            (&[0x14, 0xFF, 0xFF, 0xFF][..], Protocol::Uds),
            (&[0x14, 0xFF, 0x00], Protocol::Kwp),
            (&[0x04], Protocol::Obd),
        ] {
            assert!(permit(request, language, None).is_err());
            let permitted = permit(request, language, Some(&confirmed)).unwrap();
            assert_eq!(permitted.payload(), request);
            assert!(permitted.may_go_to(module));
            assert!(!permitted.may_go_to(other));
        }
        let mut passed = 0;
        for language in LANGUAGES {
            for first in 0..=u8::MAX {
                for second in 0..=u8::MAX {
                    for tail in [&[][..], &[0], &[0xFF, 0xFF], &[0, 0]] {
                        let mut request = vec![first, second];
                        request.extend(tail);
                        let with = permit(&request, language, Some(&confirmed)).is_ok();
                        let without = permit(&request, language, None).is_ok();
                        passed += u32::from(with && !without);
                    }
                }
            }
        }
        // 14 FF FF FF; 14 FF 00 and 14 40 00.
        assert_eq!(passed, 3);
    }
}
