//! The ranking on simulated vehicles with known faults: floors that must hold. `docs/calibration.md` has the real numbers.

#[path = "../../benches/calibration/cases.rs"]
mod cases;

use tonering::notes::Notes;
use tonering::place::{Axle, Place, Wheel};
use tonering::rig::{Delivery, Drive, Fault, FaultWanted, Settings, random_case};
use tonering::rules::Rules;
use tonering::trouble::Catalogue;
use tonering::vehicle::SensorKind;

use self::cases::{Case, Judged};

const VEHICLE: Place = Place::Vehicle;

fn fault(text: &str) -> Fault {
    text.parse::<FaultWanted>().unwrap().settled(1)
}

/// Judges a vehicle after so many of the checks that the plan proposes; the checks that were proposed.
fn judge(settings: &Settings, checks: usize) -> (Judged, Vec<String>) {
    let rules = Rules::built_in().unwrap();
    let catalogue = Catalogue::embedded().unwrap();
    let case = Case::new(settings);
    let mut notes = Notes::default();
    let mut judged = case.judge(&rules, &catalogue, &notes, checks > 0);
    let mut proposed = Vec::new();
    for left in (0..checks).rev() {
        let Some((check, place)) = judged.next.take() else {
            break;
        };
        notes.entries.push(case.answer(&check, place));
        proposed.push(check);
        judged = case.judge(&rules, &catalogue, &notes, left > 0);
    }
    (judged, proposed)
}

fn sick(fault_text: &str, seed: u64) -> Settings {
    let mut settings = Settings::training(seed);
    settings.faults.push(fault(fault_text));
    settings
}

/// Source: the rig's own truth. Faults that the capture alone tells apart.
#[test]
fn faults_that_can_be_told_apart_come_first() {
    let left_front = Place::Wheel(Wheel::LeftFront);
    for (text, cause, place) in [
        (
            "tone-ring/teeth-missing@left-front=0.7",
            "tone-ring",
            left_front,
        ),
        (
            "sensors-swapped@rear",
            "sensors-swapped",
            Place::Axle(Axle::Rear),
        ),
        ("pump-motor/stuck=0.8", "pump-motor", VEHICLE),
        ("brake-switch/stuck-on=0.8", "brake-switch", VEHICLE),
        ("earth-poor=0.9", "earth-poor", VEHICLE),
        ("supply-low=0.9", "supply-low", VEHICLE),
        ("module-coding/not-coded=0.8", "module-coding", VEHICLE),
    ] {
        let mut settings = sick(text, 1);
        settings.drive = Drive::Bends;
        let (judged, _) = judge(&settings, 0);
        let first = &judged.causes[0];
        assert_eq!(judged.rank(cause, place), Some(0), "{text}: {first:?}");
    }
}

/// Source: the rig's own truth. Faults that look alike in the capture and that the proposed checks separate.
#[test]
fn the_proposed_checks_find_what_the_capture_leaves_open() {
    for (text, cause) in [
        ("fluid-leak=0.8", "fluid-leak"),
        ("fluid-level-switch/stuck=0.8", "fluid-level-switch"),
        ("module-internal/dead=0.8", "module-internal"),
        ("supply-lost/fuse=0.8", "supply-lost"),
    ] {
        let (judged, proposed) = judge(&sick(text, 2), 6);
        let rank = judged.rank(cause, VEHICLE);
        assert_eq!(rank, Some(0), "{text}: {proposed:?} {:?}", judged.causes[0]);
    }
}

/// Source: common practice: an open circuit sends nobody to the brake fluid, a low level sends everybody there first.
#[test]
fn the_first_check_is_the_one_that_fits() {
    let mut settings = sick("sensor-circuit/open@left-front=0.8", 3);
    settings.sensor = SensorKind::Active;
    let (_, proposed) = judge(&settings, 4);
    assert!(proposed[0].starts_with("sensor-"), "{proposed:?}");
    let fits =
        |check: &String| !["fluid-level", "leak-look", "pad-thickness"].contains(&check.as_str());
    assert!(proposed.iter().all(fits), "{proposed:?}");
    assert!(
        !proposed.contains(&"sensor-resistance".to_owned()),
        "{proposed:?}"
    );
    let (_, proposed) = judge(&sick("fluid-leak=0.8", 3), 2);
    assert!(
        ["fluid-level", "leak-look"].contains(&proposed[0].as_str()),
        "{proposed:?}"
    );
    assert!(proposed.contains(&"leak-look".to_owned()), "{proposed:?}");
}

/// Source: the rig's own truth: nothing is wrong.
#[test]
fn sound_vehicles_are_not_accused() {
    for seed in 1..=6 {
        let mut settings = Settings::training(seed);
        settings.stray_codes = 2;
        settings.spirited = seed % 2 == 0;
        if seed % 3 == 0 {
            settings.delivery = Delivery::Polled { rate_hz: 5.0 };
        }
        let (judged, _) = judge(&settings, 0);
        let accused = judged.accused().unwrap();
        assert!(accused.2 < 0.15, "seed {seed}: {accused:?}");
    }
}

/// Vehicles drawn evenly over the causes, by their capture alone. Held on larger draws (docs/calibration.md): of those with one
/// fault that shows, 77 % first and 98 % in the first three; no sound one accused. Of some 60 vehicles chance takes three spreads of
/// 5 and 2 points from that.
#[test]
fn drawn_vehicles_hold_their_floors() {
    let rules = Rules::built_in().unwrap();
    let catalogue = Catalogue::embedded().unwrap();
    let none = Notes::default();
    let (mut shown, mut first, mut three) = (0, 0, 0);
    for seed in 9_000..9_080 {
        let (settings, truth) = random_case(seed);
        let case = Case::new(&settings);
        let judged = case.judge(&rules, &catalogue, &none, false);
        if truth.causes.is_empty() {
            let accused = judged.accused().unwrap();
            assert!(accused.2 < 0.5, "seed {seed}: {accused:?}");
        }
        let [cause] = truth.causes.as_slice() else {
            continue;
        };
        let mut sound = settings.clone();
        sound.faults.clear();
        sound.past_faults.clear();
        let without = Case::new(&sound).judge(&rules, &catalogue, &none, false);
        if judged
            .holding
            .iter()
            .all(|finding| without.holding.contains(finding))
        {
            continue;
        }
        shown += 1;
        let rank = judged.rank(cause.cause, cause.place);
        first += usize::from(rank == Some(0));
        three += usize::from(rank.is_some_and(|rank| rank < 3));
    }
    assert!(shown >= 40, "{shown}");
    assert!(first * 100 >= 62 * shown, "{first} of {shown} first");
    assert!(
        three * 100 >= 92 * shown,
        "{three} of {shown} in the first three"
    );
}
