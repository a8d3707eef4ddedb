//! Lessons whose truth is known.

use super::*;
use crate::place::Wheel;

fn with_school(test: impl FnOnce(School<'_>)) {
    let rules = Rules::built_in().unwrap();
    let catalogue = Catalogue::load(&[]).unwrap();
    test(School {
        rules: &rules,
        catalogue: &catalogue,
        means: Means::default(),
    });
}

fn case<'r>(fault: &str, school: School<'r>) -> Case<'r> {
    let wanted: FaultWanted = fault.parse().unwrap();
    let mut settings = Settings::training(3);
    settings.faults = vec![wanted.settled(3)];
    Case::of(&settings, school)
}

const LEFT: Place = Place::Wheel(Wheel::LeftFront);

#[test]
fn the_same_seed_is_the_same_lesson_and_every_lesson_lights_the_lamp() {
    with_school(|school| {
        let one = Case::new(4, school);
        let two = Case::new(4, school);
        assert_eq!(one.truth(), two.truth());
        assert_eq!(one.record().codes.len(), two.record().codes.len());
        assert!(one.lights_the_lamp());
        assert_ne!(
            (4..10)
                .map(|seed| drawn(seed, 0).faults)
                .collect::<Vec<_>>(),
            vec![drawn(4, 0).faults; 6]
        );
    });
}

#[test]
fn a_straight_way_to_the_right_cause_gets_high_marks() {
    with_school(|school| {
        let mut case = case("sensor-circuit/open@left-front", school);
        case.read_codes(0);
        case.read_codes(0);
        assert!((case.spent().minutes - CODES_MINUTES).abs() < 1e-9);
        case.prepare("sensor-wiring-test").unwrap();
        let done = case.check("sensor-wiring-test", LEFT).unwrap();
        assert_eq!(done.reading, Reading::Result("open"));
        assert_eq!(
            case.check("sensor-wiring-test", LEFT),
            Err(NotDone::Already)
        );
        let right = Answer::Cause {
            cause: "sensor-circuit".to_owned(),
            place: LEFT,
        };
        let marks = case.marks(&right);
        assert_eq!((marks.right, marks.for_answer), (Right::Whole, 50));
        // Cheaper than the program, which reads everything first.
        assert_eq!(marks.for_cost, 25);
        assert_eq!(marks.for_cautions, 10);
        assert!(marks.sum() >= 85);
        let (cause, place, probability) = marks.way.verdict.clone().unwrap();
        assert_eq!((cause.as_str(), place), ("sensor-circuit", LEFT));
        assert!(probability > 0.5);
    });
}

#[test]
fn wrong_answers_idle_checks_and_missed_cautions_cost_marks() {
    with_school(|school| {
        let mut case = case("sensor-circuit/open@left-front", school);
        let before = case.spent();
        // Nothing here has to do with a broken wire, and the cautions were not read.
        for place in [Wheel::LeftRear, Wheel::RightRear] {
            case.check("tyre-pressure", Place::Wheel(place)).unwrap();
        }
        case.check("pad-thickness", LEFT).unwrap();
        assert!(case.spent().minutes > before.minutes);
        let wrong = case.marks(&Answer::Cause {
            cause: "tone-ring".to_owned(),
            place: LEFT,
        });
        assert_eq!(
            (wrong.right, wrong.for_answer, wrong.for_cost),
            (Right::Wrong, 0, 0)
        );
        assert!(wrong.idle.len() >= 2, "{:?}", wrong.idle);
        assert!(wrong.for_checks < 15 && wrong.for_cautions < 10);
        let (unread, cautions) = &wrong.unread[0];
        assert_eq!(unread.check, "pad-thickness");
        assert!(!cautions.is_empty());
        let elsewhere = case.marks(&Answer::Cause {
            cause: "sensor-circuit".to_owned(),
            place: Place::Wheel(Wheel::RightFront),
        });
        assert_eq!(elsewhere.right, Right::WrongPlace);
        let none = case.marks(&Answer::None);
        assert_eq!((none.right, none.sum()), (Right::GaveUp, 0));
    });
}

#[test]
fn a_drive_with_fluid_missing_is_told() {
    with_school(|school| {
        let mut reckless = case("fluid-leak", school);
        reckless.drive();
        let answer = Answer::Cause {
            cause: "fluid-leak".to_owned(),
            place: Place::Vehicle,
        };
        let marks = reckless.marks(&answer);
        assert!(marks.drove_in_danger);
        assert!(marks.for_cautions <= 5);
    });
}

#[test]
fn unknown_checks_and_places_are_refused() {
    with_school(|school| {
        let mut case = case("supply-lost/fuse", school);
        let unknown = case.check("tea", Place::Vehicle).unwrap_err();
        assert!(unknown.to_string().contains("no check \"tea\""));
        let place = case.check("air-gap", Place::Vehicle).unwrap_err();
        assert!(place.to_string().contains("a wheel"));
        assert_eq!(case.spent(), Spent::default());
        assert!(case.prepare("tea").is_none());
        assert_eq!(places("air-gap"), Some(PlaceKind::Wheel));
    });
}
