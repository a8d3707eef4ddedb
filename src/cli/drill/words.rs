//! What a learner types.

use tonering::drill::places;
use tonering::place::{Axle, Place, Wheel};
use tonering::rig::{CHECKS, FaultWanted, causes};
use tonering::rules::Rules;

/// A line, understood.
#[derive(Clone, Debug, Eq, PartialEq)]
pub(super) enum Line {
    Empty,
    Quit,
    Help,
    Papers,
    Modules,
    /// Of one module, or of all.
    Codes(Option<String>),
    Wheels,
    Voltages,
    Checks,
    Causes,
    How(String),
    Check {
        check: String,
        place: Option<Place>,
    },
    Notes,
    Answer {
        cause: String,
        place: Place,
    },
    GiveUp,
    /// Not understood: what to say.
    Wrong(String),
}

pub(super) const HELP: &str = "\
You can say:
  papers               what the vehicle's papers say
  modules              which modules there are
  codes [MODULE]       read trouble codes: of one module, or of all
  wheels               make a test drive and look at the four wheel speeds
  voltages             read the supply of the brake module and the battery
  checks               what can be checked by hand, and what it costs
  how CHECK            how a check is done, what to expect, what to beware of
  check CHECK PLACE    do it: check air-gap left-front
  notes                what you have found by hand
  causes               what it can be
  it is CAUSE PLACE    your answer: it is sensor-circuit left-front
  give up              the answer, without marks
  quit                 leave; the same seed is the same vehicle
Read how before you check: some checks can hurt you or the vehicle.
";

/// Understands a line.
pub(super) fn parse(line: &str, rules: &Rules) -> Line {
    let lower = line.trim().to_lowercase();
    let words: Vec<&str> = lower.split_whitespace().collect();
    match words.as_slice() {
        [] => Line::Empty,
        ["quit" | "exit" | "bye"] => Line::Quit,
        ["help" | "?"] => Line::Help,
        ["papers"] => Line::Papers,
        ["modules"] => Line::Modules,
        ["codes"] => Line::Codes(None),
        ["codes", name @ ..] => Line::Codes(Some(name.join(" "))),
        ["wheels" | "drive"] => Line::Wheels,
        ["voltages" | "voltage"] => Line::Voltages,
        ["checks"] => Line::Checks,
        ["causes"] => Line::Causes,
        ["notes"] => Line::Notes,
        ["give", "up"] => Line::GiveUp,
        ["how", name] if rules.check(name).is_some() => Line::How((*name).to_owned()),
        ["how"] => Line::Wrong("how wants a check: how air-gap. checks lists them.".to_owned()),
        ["how", name, ..] => unknown_check(name),
        ["it", "is", rest @ ..] | ["it's", rest @ ..] => answer(rest),
        ["check" | "do"] => {
            Line::Wrong("check wants a check: check fluid-level. checks lists them.".to_owned())
        }
        ["check" | "do", name, rest @ ..] => check(name, rest),
        [name, rest @ ..] if places(name).is_some() => check(name, rest),
        _ => Line::Wrong(format!(
            "I do not understand {:?}. help lists what you can do.",
            line.trim()
        )),
    }
    .shown()
}

impl Line {
    /// Words to be shown hold nothing that steers a terminal.
    fn shown(self) -> Self {
        match self {
            Self::Wrong(words) => Self::Wrong(crate::cli::console::printable(&words)),
            other => other,
        }
    }
}

fn check(name: &str, rest: &[&str]) -> Line {
    let Some(kind) = places(name) else {
        return unknown_check(name);
    };
    if rest.is_empty() {
        return Line::Check {
            check: name.to_owned(),
            place: None,
        };
    }
    match place(rest) {
        Some(place) if place.kind() == kind => Line::Check {
            check: name.to_owned(),
            place: Some(place),
        },
        _ => {
            let names: Vec<String> = kind.places().iter().map(|at| place_id(*at)).collect();
            Line::Wrong(format!("{name} is done at: {}.", names.join(", ")))
        }
    }
}

fn unknown_check(name: &str) -> Line {
    let known = CHECKS.iter().map(|(id, _)| *id);
    Line::Wrong(format!(
        "There is no check {name:?}.{} checks lists them.",
        perhaps(name, known)
    ))
}

fn answer(rest: &[&str]) -> Line {
    let Some((cause, at)) = rest.split_first() else {
        return Line::Wrong(
            "Say what it is: it is sensor-circuit left-front. causes lists what it can be."
                .to_owned(),
        );
    };
    if !causes().contains(cause) {
        return Line::Wrong(format!(
            "There is no cause {cause:?}.{} causes lists them.",
            perhaps(cause, causes().into_iter())
        ));
    }
    let place = if at.is_empty() {
        Some(Place::Vehicle)
    } else {
        place(at)
    };
    // The simulator knows which kind of place each cause has.
    let id = place.map(place_id).filter(|_| !at.is_empty());
    let wanted = id.map_or_else(|| (*cause).to_owned(), |id| format!("{cause}@{id}"));
    match (wanted.parse::<FaultWanted>(), place) {
        (Ok(_), Some(place)) => Line::Answer {
            cause: (*cause).to_owned(),
            place,
        },
        (Err(error), _) => Line::Wrong(format!("{error}.")),
        (Ok(_), None) => Line::Wrong(format!(
            "{:?} is no wheel and no axle: left-front, right-front, left-rear, right-rear, front, rear.",
            at.join(" ")
        )),
    }
}

/// A place in words: `left-front`, `left front`, `front`, `vehicle`.
fn place(words: &[&str]) -> Option<Place> {
    let id = words.join("-");
    let id = id.trim_end_matches("-wheel").trim_end_matches("-axle");
    if id == "vehicle" {
        return Some(Place::Vehicle);
    }
    let wheel = Wheel::from_id(id).map(Place::Wheel);
    wheel.or_else(|| Axle::from_id(id).map(Place::Axle))
}

/// The word for a place that can be typed.
pub(super) fn place_id(place: Place) -> String {
    match place {
        Place::Vehicle => "vehicle".to_owned(),
        Place::Axle(axle) => axle.id().to_owned(),
        Place::Wheel(wheel) => wheel.id().to_owned(),
    }
}

/// ` Perhaps X?` for the nearest known word, if one is near.
fn perhaps<'a>(word: &str, known: impl Iterator<Item = &'a str>) -> String {
    let nearest = known.min_by_key(|known| distance(word, known));
    match nearest {
        Some(near) if distance(word, near) <= 1 + word.len() / 4 => format!(" Perhaps {near}?"),
        _ => String::new(),
    }
}

/// How many letters have to be changed, put in or taken out.
fn distance(one: &str, other: &str) -> usize {
    let other: Vec<char> = other.chars().collect();
    let mut row: Vec<usize> = (0..=other.len()).collect();
    for (line, letter) in (1..).zip(one.chars()) {
        let mut corner = row[0];
        row[0] = line;
        for (column, known) in other.iter().enumerate() {
            let change = corner + usize::from(letter != *known);
            corner = row[column + 1];
            row[column + 1] = change.min(row[column] + 1).min(corner + 1);
        }
    }
    row[other.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_are_counted() {
        assert_eq!(distance("", "abc"), 3);
        assert_eq!(distance("kitten", "sitting"), 3, "the textbook example");
        assert_eq!(distance("air-gap", "air-gap"), 0);
    }

    #[test]
    fn places_may_be_said_in_several_ways() {
        let rules = Rules::built_in().unwrap();
        for line in [
            "check air-gap left-front",
            "do air-gap left front",
            "air-gap Left Front wheel",
        ] {
            assert_eq!(
                parse(line, &rules),
                Line::Check {
                    check: "air-gap".to_owned(),
                    place: Some(Place::Wheel(Wheel::LeftFront))
                }
            );
        }
        assert_eq!(
            parse("it is sensors-swapped rear axle", &rules),
            Line::Answer {
                cause: "sensors-swapped".to_owned(),
                place: Place::Axle(Axle::Rear)
            }
        );
        for line in [
            "it is tone-ring",
            "it is supply-lost left-front",
            "check air-gap roof",
        ] {
            assert!(matches!(parse(line, &rules), Line::Wrong(_)), "{line}");
        }
    }
}
