//! What the captures could not show.

use crate::evidence::Grounds;
use crate::place::Wheel;
use crate::vehicle::{ModuleState, Role};
use crate::wheel::Travel;

/// A sentence for each thing that the captures could not show, the weightiest first.
pub(super) fn limits(grounds: &Grounds<'_>) -> Vec<String> {
    let record = grounds.record;
    let mut limits = Vec::new();
    let mut say = |words: String| limits.push(words);
    let brakes: Vec<usize> = record
        .modules
        .iter()
        .enumerate()
        .filter(|(_, module)| module.role == Role::Brakes)
        .map(|(index, _)| index)
        .collect();
    let asked = brakes
        .iter()
        .filter_map(|&index| record.modules.get(index))
        .any(|module| module.state != ModuleState::NotAsked);
    if brakes.is_empty() {
        say(
            "Nothing says which module looks after the brakes; a profile names it (--profile)."
                .to_owned(),
        );
    } else if !asked {
        say("The brake module was not asked in this capture, so its codes are unknown.".to_owned());
    } else if !record
        .lists
        .iter()
        .any(|list| brakes.contains(&list.module))
    {
        say("The brake module gave no list of codes in this capture.".to_owned());
    }
    let missing: Vec<&str> = Wheel::ALL
        .into_iter()
        .filter(|wheel| {
            record
                .signals
                .speeds
                .get(wheel.index())
                .is_none_or(Option::is_none)
        })
        .map(Wheel::words)
        .collect();
    match missing.len() {
        0 => {}
        4 => say(
            "No wheel-speed signal was seen: a profile says where they are (--profile), wheels --find looks for them.".to_owned(),
        ),
        _ => say(format!("No wheel-speed signal was seen of: {}.", missing.join(", "))),
    }
    if missing.len() < 4 {
        match grounds.measures.drive.travel {
            Travel::Drove => {}
            Travel::Stood => say(
                "The vehicle stood, so the wheel signals in motion could not be tested.".to_owned(),
            ),
            Travel::OnlySomeTurned => say(
                "Only some wheels turned, as on a lift, on rollers or in tow; that says nothing about those that stood. If the vehicle was driven, their signals are dead."
                    .to_owned(),
            ),
        }
    }
    if record.signals.supply_voltage.is_none() && record.signals.battery_voltage.is_none() {
        say("No voltage was seen in this capture.".to_owned());
    }
    for capture in &record.captures {
        let lost = capture.tally.unreadable();
        if lost > 0 {
            say(format!(
                "{}: {lost} pieces could not be read.",
                capture.file
            ));
        }
        if capture.first.is_none() && capture.tally.frames > 0 {
            say(format!(
                "{}: has no times, so nothing over time could be measured.",
                capture.file
            ));
        }
    }
    limits
}
