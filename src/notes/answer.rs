//! What a person says about a check: a result in words, or a reading with or without its unit, as it is noted.

use super::NoteResult;
use crate::rules::{CheckRule, ValueUnit};

/// An answer that fits no result of the check.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
pub enum AnswerError {
    /// No such result.
    #[error("{said:?} is no result of this check; possible: {}", possible.join(", "))]
    Word {
        /// What was said.
        said: String,
        /// The results.
        possible: Vec<String>,
    },
    /// Several results begin like this.
    #[error("{said:?} may be {}", possible.join(" or "))]
    Several {
        /// What was said.
        said: String,
        /// The results that begin like this.
        possible: Vec<String>,
    },
    /// No number.
    #[error("{said:?} is no reading; give a number, with or without a unit ({units})")]
    Number {
        /// What was said.
        said: String,
        /// The units.
        units: &'static str,
    },
    /// A comma that may stand for the decimal point or group digits.
    #[error("{said:?} may be {one} or {other}: write it without the comma")]
    Comma {
        /// What was said.
        said: String,
        /// Read with a decimal comma.
        one: String,
        /// Read with grouped digits.
        other: String,
    },
    /// A unit of something else.
    #[error("{unit:?} is no unit here; possible: {units}")]
    Unit {
        /// What was said.
        unit: String,
        /// The units.
        units: &'static str,
    },
    /// A reading below zero.
    #[error("a reading below 0 is not possible here; swap the leads, and give the size")]
    Negative,
}

/// Words for a check that could not be done.
const CANNOT: [&str; 6] = [
    "cannot",
    "cannot-do",
    "cannot-do-that",
    "can't",
    "can-not",
    "impossible",
];

/// Words for a circuit without an end, as meters show it.
const OPEN: [&str; 8] = [
    "open",
    "open-circuit",
    "ol",
    "o.l",
    "o.l.",
    "inf",
    ".inf",
    "infinite",
];

/// The result that a person means.
///
/// Results in words: the word itself (spaces for hyphens), its number in the order of the rules, or its beginning. Readings: a number
/// with a decimal point or comma, and a unit; without one, that of the check. `1k2` and `open` are resistances.
pub fn answer(said: &str, check: &CheckRule) -> Result<NoteResult, AnswerError> {
    let said = said.trim();
    let word = said
        .to_lowercase()
        .split([' ', '_'])
        .filter(|part| !part.is_empty())
        .collect::<Vec<_>>()
        .join("-");
    let known = check.results.iter().any(|result| result.id == word);
    if !known && CANNOT.contains(&word.as_str()) {
        return Ok(NoteResult::CannotDo);
    }
    match &check.value {
        Some(value) => reading(said, &word, value.unit).map(NoteResult::Value),
        None => in_words(said, &word, check).map(NoteResult::Word),
    }
}

fn in_words(said: &str, word: &str, check: &CheckRule) -> Result<String, AnswerError> {
    let ids = || check.results.iter().map(|result| result.id.clone());
    if let Some(exact) = ids().find(|id| id == word) {
        return Ok(exact);
    }
    if let Some(numbered) = word
        .parse::<usize>()
        .ok()
        .and_then(|number| ids().nth(number.checked_sub(1)?))
    {
        return Ok(numbered);
    }
    let begun: Vec<String> = ids()
        .filter(|id| word.len() >= 2 && id.starts_with(word))
        .collect();
    let said = said.to_owned();
    match begun.as_slice() {
        [only] => Ok(only.clone()),
        [] => Err(AnswerError::Word {
            said,
            possible: ids().collect(),
        }),
        _ => Err(AnswerError::Several {
            said,
            possible: begun,
        }),
    }
}

/// Units and what one of each is in the unit of the check. Inch and pound per square inch: NIST SP 811, appendix B.
const fn units(unit: ValueUnit) -> (&'static [(&'static str, f64)], &'static str) {
    match unit {
        ValueUnit::Mm => (
            &[
                ("mm", 1.0),
                ("millimetre", 1.0),
                ("millimeter", 1.0),
                ("cm", 10.0),
                ("in", 25.4),
                ("inch", 25.4),
                ("\"", 25.4),
            ],
            "mm, cm, in",
        ),
        ValueUnit::V => (&[("V", 1.0), ("volt", 1.0), ("mV", 0.001)], "V, mV"),
        ValueUnit::Ohm => (
            &[
                ("Ω", 1.0),
                ("\u{2126}", 1.0),
                ("ohm", 1.0),
                ("R", 1.0),
                ("k", 1e3),
                ("kΩ", 1e3),
                ("k\u{2126}", 1e3),
                ("kohm", 1e3),
                ("M", 1e6),
                ("MΩ", 1e6),
                ("M\u{2126}", 1e6),
                ("Mohm", 1e6),
                ("megohm", 1e6),
                ("mΩ", 1e-3),
                ("m\u{2126}", 1e-3),
                ("mohm", 1e-3),
            ],
            "Ω or ohm, kΩ, MΩ; open for no end",
        ),
        ValueUnit::Bar => (
            &[
                ("bar", 1.0),
                ("psi", 0.068_947_57),
                ("kPa", 0.01),
                ("MPa", 10.0),
            ],
            "bar, psi, kPa",
        ),
        ValueUnit::A => (
            &[("A", 1.0), ("amp", 1.0), ("ampere", 1.0), ("mA", 0.001)],
            "A, mA",
        ),
    }
}

/// The units that a reading of this kind may have, for a person.
pub const fn possible_units(unit: ValueUnit) -> &'static str {
    units(unit).1
}

fn reading(said: &str, word: &str, unit: ValueUnit) -> Result<f64, AnswerError> {
    let (table, possible) = units(unit);
    if unit == ValueUnit::Ohm && (OPEN.contains(&word) || word == "∞") {
        return Ok(f64::INFINITY);
    }
    let no_number = || AnswerError::Number {
        said: said.to_owned(),
        units: possible,
    };
    let end = said
        .find(|c: char| !(c.is_ascii_digit() || ".,+-".contains(c)))
        .unwrap_or(said.len());
    let (figures, rest) = said.split_at(end);
    let rest = rest.trim();
    // 1k2, 4M7: the unit stands for the decimal point.
    if unit == ValueUnit::Ohm
        && let Some((factor, decimals)) = split_point(rest)
        && figures.bytes().all(|byte| byte.is_ascii_digit())
        && !figures.is_empty()
    {
        let number: f64 = format!("{figures}.{decimals}")
            .parse()
            .map_err(|_| no_number())?;
        return Ok(rounded(number * factor));
    }
    let number = number(figures).ok_or_else(no_number)??;
    if number < 0.0 {
        return Err(AnswerError::Negative);
    }
    if rest.is_empty() {
        return Ok(number);
    }
    let exact = table.iter().find(|(name, _)| *name == rest);
    let name = rest.to_lowercase();
    let name = name.strip_suffix('.').unwrap_or(&name);
    let alike = |(known, _): &&(&str, f64)| {
        let known = known.to_lowercase();
        name == known || known.len() > 2 && name.strip_suffix('s') == Some(&known)
    };
    // Milli and mega differ in their capital only.
    let mega = |rest: &str| rest.starts_with('M');
    let found = exact.or_else(|| {
        let near = |(known, _): &&(&str, f64)| mega(known) == mega(rest) || known.len() < 2;
        let close = table.iter().filter(alike).find(near);
        close.or_else(|| table.iter().find(alike))
    });
    match found {
        Some((_, factor)) => Ok(rounded(number * factor)),
        None => Err(AnswerError::Unit {
            unit: rest.to_owned(),
            units: possible,
        }),
    }
}

/// `k2` is a thousand and the decimals `2`.
fn split_point(rest: &str) -> Option<(f64, &str)> {
    let (factor, decimals) = match rest.split_at_checked(1)? {
        ("k" | "K", decimals) => (1e3, decimals),
        ("M", decimals) => (1e6, decimals),
        ("R" | "r", decimals) => (1.0, decimals),
        _ => return None,
    };
    let digits = !decimals.is_empty() && decimals.bytes().all(|byte| byte.is_ascii_digit());
    digits.then_some((factor, decimals))
}

/// A number with a decimal point or comma; `None` where it is none.
fn number(figures: &str) -> Option<Result<f64, AnswerError>> {
    let commas = figures.matches(',').count();
    if commas == 0 {
        return figures.parse().ok().map(Ok);
    }
    let point: f64 = figures.replacen(',', ".", 1).parse().ok()?;
    let grouped: f64 = figures.replace(',', "").parse().ok()?;
    let decimals = figures.rsplit(',').next().map_or(0, str::len);
    Some(if decimals == 3 {
        Err(AnswerError::Comma {
            said: figures.to_owned(),
            one: point.to_string(),
            other: grouped.to_string(),
        })
    } else {
        Ok(point)
    })
}

/// Nine significant digits: no meter shows more.
fn rounded(value: f64) -> f64 {
    format!("{value:.8e}").parse().unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::rules::Rules;

    fn of(check: &str, said: &str) -> Result<NoteResult, String> {
        let rules = Rules::built_in().unwrap();
        answer(said, rules.check(check).unwrap()).map_err(|error| error.to_string())
    }

    #[test]
    fn readings_in_the_units_of_the_trade() {
        for (check, said, value) in [
            ("pad-thickness", "2.1", 2.1),
            ("pad-thickness", "2,1 mm", 2.1),
            ("pad-thickness", "0.21 cm", 2.1),
            ("pad-thickness", "0.1 in", 2.54),
            ("sensor-resistance", "1100", 1100.0),
            ("sensor-resistance", "1.1 kΩ", 1100.0),
            ("sensor-resistance", "1.1kOhm", 1100.0),
            ("sensor-resistance", "1k1", 1100.0),
            ("sensor-resistance", "2 MΩ", 2e6),
            ("sensor-resistance", "2 mΩ", 2e-3),
            ("sensor-resistance", "980 ohms", 980.0),
            ("sensor-resistance", "OL", f64::INFINITY),
            ("sensor-resistance", "open circuit", f64::INFINITY),
            ("battery-voltage", "12,6", 12.6),
            ("battery-voltage", "12600 mV", 12.6),
            ("battery-voltage", "14.1 Volts", 14.1),
            ("tyre-pressure", "220 kPa", 2.2),
            ("tyre-pressure", "32 psi", 2.206_322_24),
        ] {
            assert_eq!(of(check, said), Ok(NoteResult::Value(value)), "{said}");
        }
    }

    #[test]
    fn results_by_word_number_and_beginning() {
        for (check, said, word) in [
            ("fluid-level", "below minimum", "below-minimum"),
            ("fluid-level", "Below", "below-minimum"),
            ("fluid-level", "2", "below-minimum"),
            ("tone-ring-look", "teeth_missing", "teeth-missing"),
            ("bearing-play", "none", "none"),
        ] {
            let expected = Ok(NoteResult::Word(word.to_owned()));
            assert_eq!(of(check, said), expected, "{said}");
        }
        for check in ["fluid-level", "pad-thickness"] {
            assert_eq!(of(check, "cannot do that"), Ok(NoteResult::CannotDo));
        }
    }

    #[test]
    fn what_fits_nothing_says_what_would() {
        for (check, said, part) in [
            ("fluid-level", "half", "possible: ok, below-minimum"),
            ("tone-ring-look", "c", "is no result"),
            ("tone-ring-look", "cor", ""),
            ("fluid-level", "3", "possible: ok, below-minimum"),
            ("pad-thickness", "thin", "is no reading"),
            (
                "pad-thickness",
                "2 V",
                "\"V\" is no unit here; possible: mm",
            ),
            ("pad-thickness", "-2", "below 0"),
            ("sensor-resistance", "1,100", "may be 1.1 or 1100"),
            ("pad-thickness", "open", "is no reading"),
            ("pad-thickness", "", "is no reading"),
            ("pad-thickness", "1.2.3", "is no reading"),
        ] {
            match of(check, said) {
                Ok(result) => assert!(part.is_empty(), "{said}: {result:?}"),
                Err(error) => assert!(!part.is_empty() && error.contains(part), "{error}"),
            }
        }
    }

    proptest! {
        #[test]
        fn nothing_said_is_too_odd(said in ".{0,40}") {
            for check in Rules::built_in().unwrap().checks() {
                if let Ok(NoteResult::Value(value)) = answer(&said, check) {
                    prop_assert!(value >= 0.0);
                }
            }
        }

        #[test]
        fn a_printed_reading_is_read_again(value in 0.0..1e6_f64) {
            let rules = Rules::built_in().unwrap();
            let check = rules.check("sensor-resistance").unwrap();
            let said = format!("{value} Ω");
            let NoteResult::Value(again) = answer(&said, check).unwrap() else {
                panic!("no value");
            };
            prop_assert!((again - value).abs() <= value * 1e-8);
        }
    }
}
