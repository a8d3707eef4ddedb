//! Does this answer belong to that request? How much does the likeness prove?
//!
//! Only the shape of ISO 14229-1, ISO 15031-5 and KWP 2000 on CAN is used: an answer begins with the request's service
//! plus 0x40, or with 0x7F and the request's service, and repeats what it answers.

/// How many bits of the answer had to be as they are if it answers this request; `None` if it does not.
///
/// `whole` says that `answer` is all of it, not only its beginning.
pub(super) fn likeness(request: &[u8], answer: &[u8], whole: bool) -> Option<u32> {
    let (&asked, rest) = request.split_first()?;
    let (&service, answer_rest) = answer.split_first()?;
    if asked & 0x40 != 0 {
        return None;
    }
    if service == NEGATIVE {
        let &[echoed, code] = answer_rest else {
            return None;
        };
        return (whole && echoed == asked && is_response_code(code)).then_some(20);
    }
    if service != asked | 0x40 {
        return None;
    }
    let echo = match asked {
        // Sub-function, without the bit that suppresses the answer. Older protocols may leave it out.
        0x10 | 0x11 | 0x19 | 0x27..=0x29 | 0x2C | 0x3E | 0x83 | 0x85..=0x87 => {
            return match (rest.first(), answer_rest.first()) {
                (Some(&sub), Some(&echoed)) => (sub & 0x7F == echoed & 0x7F).then_some(16),
                (_, None) => Some(8),
                // KWP 2000 answers with data where no sub-function was asked for.
                (None, Some(_)) => (asked != 0x19).then_some(8),
            };
        }
        // Data identifier; parameter and frame number.
        0x02 | 0x22 | 0x24 | 0x2E | 0x2F => 2,
        // Routine: sub-function and identifier, or only a local identifier.
        0x31 if rest.len() >= 3 && answer_rest.len() >= 3 => 3,
        // Local identifier, parameter, test, block number.
        0x01 | 0x05 | 0x06 | 0x08 | 0x09 | 0x1A | 0x21 | 0x30..=0x33 | 0x3B => 1,
        0x36 => {
            return match (rest.first(), answer_rest.first()) {
                (Some(&block), Some(&echoed)) => (block == echoed).then_some(16),
                _ => Some(8),
            };
        }
        // The rest repeats nothing.
        _ => 0,
    };
    let asked_echo = rest.get(..echo.min(rest.len()))?;
    let echoed = answer_rest.get(..asked_echo.len())?;
    let bits = 8 + 8 * u32::try_from(asked_echo.len()).unwrap_or(0);
    (asked_echo == echoed).then_some(bits)
}

/// The service of a negative response (ISO 14229-1).
pub(super) const NEGATIVE: u8 = 0x7F;

/// Whether the byte is a negative response code of ISO 14229-1 or KWP 2000.
pub(super) const fn is_response_code(code: u8) -> bool {
    matches!(code, 0x10..=0x14 | 0x21..=0x26 | 0x31..=0x3A | 0x40..=0x45 | 0x50..=0x5D | 0x70..=0x7F | 0x80..=0x94)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_told_from_other_bytes() {
        // Source: ISO 14229-1 (message formats); common practice for KWP 2000 on CAN.
        let cases: [(&[u8], &[u8], Option<u32>); 14] = [
            (&[0x22, 0xF1, 0x90], &[0x62, 0xF1, 0x90, 0x57], Some(24)),
            (&[0x22, 0xF1, 0x90], &[0x62, 0xF1, 0x91, 0x57], None),
            (&[0x22, 0xF1, 0x90], &[0x7F, 0x22, 0x31], Some(20)),
            (&[0x22, 0xF1, 0x90], &[0x7F, 0x22, 0x00], None),
            (&[0x22, 0xF1, 0x90], &[0x7F, 0x19, 0x31], None),
            (&[0x10, 0x03], &[0x50, 0x03, 0, 0x32, 1, 0xF4], Some(16)),
            (&[0x10, 0x02], &[0x50], Some(8)),
            (&[0x3E, 0x80], &[0x7E, 0x00], Some(16)),
            (&[0x21, 0x03], &[0x61, 0x03, 0, 0], Some(16)),
            (
                &[0x31, 0x01, 0xFF, 0x00],
                &[0x71, 0x01, 0xFF, 0x00, 0],
                Some(32),
            ),
            (&[0x01, 0x0C], &[0x41, 0x0D, 0x20], None),
            (&[0x03], &[0x43, 0x00], Some(8)),
            (&[0x41, 0x0C], &[0x41, 0x0C], None),
            (&[], &[0x41], None),
        ];
        for (request, answer, expected) in cases {
            assert_eq!(
                likeness(request, answer, true),
                expected,
                "{request:02X?} {answer:02X?}"
            );
        }
    }
}
