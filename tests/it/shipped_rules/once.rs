//! What was, and what counts once: codes that a clearing removed, voltages that several modules remember, frames of a silent
//! module.
//!
//! Source of all: common practice; no published case was found.

use tonering::frame::{CanId, Timestamp};
use tonering::place::Place;
use tonering::vehicle::{CaptureSummary, Clear, Cyclic, ModuleState, Role};

use super::scene::{PRESENT, STORED, Scene};

fn holds(holding: &[String], finding: &str) -> bool {
    holding
        .iter()
        .any(|held| held == &format!("{finding} at vehicle"))
}

#[test]
fn a_code_that_was_cleared_and_is_not_back_is_one_of_the_past() {
    let mut scene = Scene::new().read().code("C0020-11", PRESENT);
    let before = scene.judge();
    let removed = std::mem::take(&mut scene.record.codes);
    scene.record.clears.push(Clear {
        module: 0,
        origin: removed[0].origin,
        removed,
    });
    let after = scene.judge();
    assert!(
        holds(&after.holding, "pump-code-remembered"),
        "{}",
        after.head()
    );
    assert!(
        holds(&after.holding, "cleared-not-returned"),
        "{}",
        after.head()
    );
    assert!(!holds(&after.holding, "pump-code"), "{}", after.head());
    let pump = after.of("pump-motor", Place::Vehicle);
    assert!(
        pump < before.of("pump-motor", Place::Vehicle) / 1.5,
        "{}",
        after.head()
    );
    assert!(pump > 0.1, "{}", after.head());
}

#[test]
fn a_voltage_that_several_modules_remember_leads_to_battery_and_charging() {
    let one = Scene::new().read().code("U3003-16", STORED);
    let alone = one.judge().of("supply-low", Place::Vehicle);
    let several = Scene::new()
        .read()
        .code("U3003-16", STORED)
        .neighbour("Body", Role::Body)
        .neighbour("Gateway", Role::Gateway)
        .code_from(1, "U3003-16", STORED)
        .code_from(2, "U3003-16", STORED)
        .judge();
    assert!(holds(&several.holding, "voltage-remembered-by-several"));
    assert!(!holds(&several.holding, "voltage-remembered-by-one"));
    let supply = several.of("supply-low", Place::Vehicle);
    assert!(supply > 1.3 * alone && supply > 0.3, "{}", several.head());
    let high = Scene::new().read().code("U3003-17", STORED).judge();
    assert!(
        high.of("supply-high", Place::Vehicle) > high.of("supply-low", Place::Vehicle),
        "{}",
        high.head()
    );
}

/// A minute of a bus on which the frames with the wheel speeds never came.
fn without_frames(mut scene: Scene) -> Scene {
    scene.record.bus.frames = 10_000;
    scene.record.captures.push(CaptureSummary {
        file: "drive.log".to_owned(),
        kind: tonering::capture::Kind::CandumpLog,
        tally: tonering::capture::Tally::default(),
        first: Some(Timestamp::from_seconds(0.0)),
        last: Some(Timestamp::from_seconds(60.0)),
    });
    scene.record.cyclic.push(Cyclic {
        id: CanId::standard_masked(0x1A0),
        frames: 0,
        steady: false,
        cycle_s: 0.0,
        pauses: Vec::new(),
        more_pauses: 0,
    });
    scene
}

#[test]
fn a_silent_module_and_its_missing_frames_are_one_fact() {
    let unasked = without_frames(Scene::empty()).judge();
    assert!(
        holds(&unasked.holding, "speed-frames-absent"),
        "{}",
        unasked.head()
    );
    assert_eq!(
        unasked.first(),
        ("supply-lost", Place::Vehicle),
        "{}",
        unasked.head()
    );
    let mut scene = Scene::empty();
    scene.module("Brake control", Role::Brakes, ModuleState::Silent);
    let both = without_frames(scene).judge();
    assert!(holds(&both.holding, "brakes-silent"));
    assert!(
        !holds(&both.holding, "speed-frames-absent"),
        "{}",
        both.head()
    );
}
