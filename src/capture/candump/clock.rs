//! What the time stamps of a candump text mean: moments, or differences to the line before.
//!
//! candump writes moments with ten digits before the point (`-t a`), and with three or more both the time since its
//! start (`-t z`) and the difference to the line before (`-t d`). The last two begin alike, with `(000.000000)`, and
//! nothing in the text says which it is. But time since the start grows with every frame of a bus, while differences
//! go up and down. So the first stamps of the first interface are compared, without the very first:
//!
//! - differences, when a tenth of the steps goes back (a quarter where the stamps are not of candump's own three
//!   digits), or when hardly any step grows at all: differences that are all the same;
//! - moments otherwise. Two or three lines that happen to grow are taken as moments; they cannot be told apart.
//!
//! One interface, because candump may write the frames of two busy ones slightly out of order.

/// How many stamps of the first interface are enough to decide.
pub(super) const ENOUGH: usize = 64;

/// Digits before the point that candump writes for a moment since 1970.
const MOMENT_DIGITS: usize = 10;
/// Digits before the point that candump writes for a difference, and for the time since its start.
const SHORT_DIGITS: usize = 3;
/// Fewest steps that can show differences where the stamps are not of candump's own form.
const FEWEST_STEPS: usize = 8;

/// Whether stamps with so many digits can only be moments.
pub(super) const fn are_moments(whole_digits: usize) -> bool {
    whole_digits == 0 || whole_digits >= MOMENT_DIGITS
}

/// Whether these stamps of one interface, in nanoseconds, are differences. `whole_digits` is that of the first.
pub(super) fn are_differences(stamps: &[i64], whole_digits: usize) -> bool {
    let steps = || {
        let later = stamps.iter().skip(1);
        later.clone().zip(later.skip(1))
    };
    let count = steps().count();
    let back = steps().filter(|(from, to)| to < from).count();
    let forward = steps().filter(|(from, to)| to > from).count();
    let moves = stamps.iter().skip(1).any(|&nanos| nanos > 0);
    if are_moments(whole_digits) || count == 0 || !moves {
        return false;
    }
    if whole_digits == SHORT_DIGITS {
        back * 10 >= count && back > 0 || forward * 4 < count
    } else {
        count >= FEWEST_STEPS && (back * 4 >= count || forward == 0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Case {
        source: &'static str,
        digits: usize,
        micros: &'static [i64],
        differences: bool,
    }

    const CASES: &[Case] = &[
        Case {
            source: "arithmetic: stamps that grow",
            digits: 3,
            micros: &[0, 12_500, 13_000, 20_000, 30_000, 100_000],
            differences: false,
        },
        Case {
            source: "arithmetic: the same moments as differences",
            digits: 3,
            micros: &[0, 12_500, 500, 7_000, 10_000, 70_000],
            differences: true,
        },
        Case {
            source: "arithmetic: a strict period",
            digits: 3,
            micros: &[0, 10_000, 10_000, 10_000, 10_000],
            differences: true,
        },
        Case {
            source: "arithmetic: frames delivered two at a time, by an adapter that stamps in batches",
            digits: 3,
            micros: &[0, 0, 1_000, 1_000, 2_000, 2_000, 3_000, 3_000],
            differences: false,
        },
        Case {
            source: "nothing to tell them apart",
            digits: 3,
            micros: &[0, 12_500],
            differences: false,
        },
        Case {
            source: "candump: ten digits are a moment, even where the clock was set back",
            digits: 10,
            micros: &[5_000_000, 6_000_000, 1_000, 2_000, 1_000, 500],
            differences: false,
        },
        Case {
            source: "one digit is not candump's own form: a clock that goes back once",
            digits: 1,
            micros: &[100_000, 200_000, 5_000_000, 1_000_000, 1_100_000],
            differences: false,
        },
    ];

    #[test]
    fn differences_are_told_from_moments() {
        for case in CASES {
            let stamps: Vec<i64> = case.micros.iter().map(|micros| micros * 1_000).collect();
            let found = are_differences(&stamps, case.digits);
            assert_eq!(
                found, case.differences,
                "{}: {:?}",
                case.source, case.micros
            );
        }
    }
}
