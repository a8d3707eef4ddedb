//! The rig as a whole: what comes out of it, seen by the other rooms.

use super::*;

fn recorded(settings: &Settings) -> String {
    let mut text = Vec::new();
    Vehicle::new(settings).record(|frame| write_candump(&mut text, "can0", frame).unwrap());
    String::from_utf8(text).unwrap()
}

fn with_fault(fault: &str, seed: u64) -> Settings {
    let wanted: FaultWanted = fault.parse().unwrap();
    Settings {
        faults: vec![wanted.settled(seed)],
        ..Settings::training(seed)
    }
}

#[test]
fn the_same_seed_gives_the_same_bytes() {
    let settings = with_fault("tone-ring@left-rear", 3);
    let first = recorded(&settings);
    assert_eq!(first, recorded(&settings));
    assert_ne!(
        first,
        recorded(&Settings {
            seed: 4,
            ..settings
        })
    );
}
