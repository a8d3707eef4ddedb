//! Inspection notes of a simulated vehicle: checks by hand, written as a mechanic would.

use std::fmt::Write as _;

use super::hand::{Reading, UnknownCheck};
use super::vehicle::Vehicle;
use crate::place::Place;

/// Does these checks and gives the notes as YAML. Checks that are not possible are left out.
pub fn notes_yaml(vehicle: &Vehicle, checks: &[(String, Place)]) -> Result<String, UnknownCheck> {
    let mut text = String::from("notes: 1\nchecks:\n");
    let mut any = false;
    for (check, place) in checks {
        let at = match place {
            Place::Vehicle => String::new(),
            Place::Axle(axle) => format!(", axle: {}", axle.id()),
            Place::Wheel(wheel) => format!(", wheel: {}", wheel.id()),
        };
        let found = match vehicle.hand_check(check, *place)? {
            Reading::Result(word) => format!("result: {word}"),
            Reading::Value(key, value) if value.is_infinite() => format!("{key}: .inf"),
            Reading::Value(key, value) => format!("{key}: {value}"),
            Reading::NotPossible => continue,
        };
        any = true;
        writeln!(text, "  - {{ check: {check}{at}, {found} }}")
            .expect("because a string takes everything");
    }
    if !any {
        text = String::from("notes: 1\nchecks: []\n");
    }
    Ok(text)
}
