//! The shape of a profile as a table, to find every misplaced key and every value of a wrong kind at once.
//!
//! The reader of the file types stops at the first mistake; when it does, this goes through the whole file.

use super::fault::MAX_FAULTS;
use super::fault::{Fault, Step, entries_at, fault_of, keys_at, path_text, place_of, read_at};
use super::file::FunctionalFile;

/// What belongs at one place of the file.
enum Kind {
    Text,
    Whole,
    Number,
    Switch,
    Wholes,
    Functional,
    Map(&'static [Entry]),
    List(&'static Self),
}

struct Entry {
    key: &'static str,
    kind: Kind,
    needed: bool,
}

const fn may(key: &'static str, kind: Kind) -> Entry {
    Entry {
        key,
        kind,
        needed: false,
    }
}

const fn must(key: &'static str, kind: Kind) -> Entry {
    Entry {
        key,
        kind,
        needed: true,
    }
}

const SIGNAL: Kind = Kind::Map(&[
    may("frame", Kind::Whole),
    may("extended_id", Kind::Switch),
    may("did", Kind::Whole),
    may("module", Kind::Text),
    may("pid", Kind::Whole),
    may("dbc", Kind::Text),
    may("message", Kind::Text),
    may("signal", Kind::Text),
    may("start_bit", Kind::Whole),
    may("length", Kind::Whole),
    may("byte_order", Kind::Text),
    may("signed", Kind::Switch),
    may("factor", Kind::Number),
    may("offset", Kind::Number),
    may("unit", Kind::Text),
    may("invalid", Kind::Wholes),
]);

const PROFILE: Kind = Kind::Map(&[
    must("profile", Kind::Whole),
    may("name", Kind::Text),
    may(
        "modules",
        Kind::List(&Kind::Map(&[
            must("name", Kind::Text),
            may("role", Kind::Text),
            must("request", Kind::Whole),
            must("response", Kind::Whole),
            may("addressing", Kind::Text),
            may("request_extension", Kind::Whole),
            may("response_extension", Kind::Whole),
            may("protocol", Kind::Text),
            may("extended_id", Kind::Switch),
        ])),
    ),
    may("functional", Kind::List(&Kind::Functional)),
    may(
        "wheels",
        Kind::Map(&[
            may("tyre", Kind::Text),
            may("circumference_m", Kind::Number),
            may("teeth", Kind::Whole),
            may("sensor", Kind::Text),
            may("track_m", Kind::Number),
            may("wheelbase_m", Kind::Number),
            may(
                "speeds",
                Kind::Map(&[
                    may("left-front", SIGNAL),
                    may("right-front", SIGNAL),
                    may("left-rear", SIGNAL),
                    may("right-rear", SIGNAL),
                ]),
            ),
        ]),
    ),
    may(
        "signals",
        Kind::Map(&[
            may("supply_voltage", SIGNAL),
            may("battery_voltage", SIGNAL),
            may("vehicle_speed", SIGNAL),
            may("yaw_rate", SIGNAL),
            may("steering_angle", SIGNAL),
            may("brake_switch", SIGNAL),
            may("abs_active", SIGNAL),
            may("fluid_low", SIGNAL),
        ]),
    ),
]);

/// Every fault of shape, in the order of the file as far as maps are.
pub(super) fn faults(text: &str) -> Vec<Fault> {
    let mut faults = Vec::new();
    check(text, &mut Vec::new(), &PROFILE, &mut faults);
    faults
}

fn check<'a>(text: &'a str, path: &mut Vec<Step<'a>>, kind: &Kind, faults: &mut Vec<Fault>) {
    if faults.len() >= MAX_FAULTS {
        return;
    }
    let read = match kind {
        Kind::Text => read_at::<Option<String>>(text, path).map(drop),
        Kind::Whole => read_at::<Option<u64>>(text, path).map(drop),
        Kind::Number => read_at::<Option<f64>>(text, path).map(drop),
        Kind::Switch => read_at::<Option<bool>>(text, path).map(drop),
        Kind::Wholes => read_at::<Vec<i128>>(text, path).map(drop),
        Kind::Functional => read_at::<FunctionalFile>(text, path).map(drop),
        Kind::Map(_) => read_at::<Option<AnyMap>>(text, path).map(drop),
        Kind::List(_) => read_at::<Vec<serde::de::IgnoredAny>>(text, path).map(drop),
    };
    if let Err(error) = read {
        let fault = fault_of(&error);
        if !faults.contains(&fault) {
            faults.push(fault);
        }
        return;
    }
    match kind {
        Kind::Map(entries) => check_map(text, path, entries, faults),
        Kind::List(of) => {
            for index in 0..entries_at(text, path) {
                path.push(Step::Index(index));
                check(text, path, of, faults);
                path.pop();
            }
        }
        _ => {}
    }
}

fn check_map<'a>(
    text: &'a str,
    path: &mut Vec<Step<'a>>,
    entries: &[Entry],
    faults: &mut Vec<Fault>,
) {
    let keys = keys_at(text, path);
    for (index, key) in keys.iter().enumerate() {
        if faults.len() >= MAX_FAULTS {
            return;
        }
        let problem = if !entries.iter().any(|entry| entry.key == key) {
            let possible: Vec<_> = entries.iter().map(|entry| entry.key).collect();
            format!("unknown key; possible here: {}", possible.join(", "))
        } else if keys.iter().take(index).any(|before| before == key) {
            "this key stands here twice".to_owned()
        } else {
            continue;
        };
        let mut at = path.clone();
        at.push(Step::Key(key));
        let (line, column) = place_of(text, &at);
        faults.push(Fault {
            line,
            column,
            path: path_text(&at),
            text: problem,
        });
    }
    for entry in entries {
        if keys.iter().any(|key| key == entry.key) {
            path.push(Step::Key(entry.key));
            check(text, path, &entry.kind, faults);
            path.pop();
        } else if entry.needed {
            let (line, column) = place_of(text, path);
            faults.push(Fault {
                line,
                column,
                path: path_text(path),
                text: format!("`{}` is missing", entry.key),
            });
        }
    }
}

/// Any map, its content unread.
#[derive(serde::Deserialize)]
struct AnyMap {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_mistakes_are_found_at_once() {
        let text = "profile: one\nmodules:\n  - { name: A, request: 0x740, respons: 0x748 }\n  - request: high\n    response: 1\n\
                    wheels:\n  tire: 1\n  teeth: -3\n  speeds: { left-front: { frame: 0x1A0, factor: x } }\n";
        let found: Vec<_> = faults(text)
            .iter()
            .map(|fault| {
                format!(
                    "{}:{} {}",
                    fault.line.unwrap_or(0),
                    fault.column.unwrap_or(0),
                    fault.path
                )
            })
            .collect();
        assert_eq!(
            found,
            [
                "1:10 profile",
                "3:41 modules[0].respons",
                "3:5 modules[0]",
                "4:5 modules[1]",
                "4:14 modules[1].request",
                "7:9 wheels.tire",
                "8:10 wheels.teeth",
                "9:49 wheels.speeds.left-front.factor",
            ]
        );
    }
}
