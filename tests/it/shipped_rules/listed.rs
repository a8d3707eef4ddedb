//! Codes in lists that do not tell whether their faults are there: read both ways, and free in neither.

use tonering::place::{Place, Wheel};
use tonering::rules::Rules;
use tonering::trouble::Catalogue;
use tonering::vehicle::List;

use super::scene::Scene;

/// Source: SAE J1979, mode 03 has no status. A reading under which a code is explained by nothing would cost nothing, and
/// so be believed.
#[test]
fn a_code_without_a_status_is_a_finding_however_it_is_read() {
    let rules = Rules::built_in().unwrap();
    let catalogue = Catalogue::embedded().unwrap();
    let mut both = 0;
    for code in catalogue.codes() {
        // A number with two meanings may be one that no brake module's cause explains.
        let meanings = catalogue.readings(code, None);
        let shared = |numbering: &str| numbering.starts_with("shared");
        if meanings
            .iter()
            .any(|one| shared(one.numbering) != shared(meanings[0].numbering))
        {
            continue;
        }
        let scene = Scene::new().read().code(&code.to_string(), 0);
        let readings = scene.readings(&rules, &catalogue);
        if readings.len() > 1 && readings[0] {
            assert!(!readings.contains(&false), "{code}: {readings:?}");
            both += 1;
        }
    }
    assert!(both > 80, "{both}");
}

/// Source: common practice: the lamp is lit, so such a code is more likely there than not.
#[test]
fn a_code_without_a_status_is_rather_there_than_not() {
    let left_rear = Place::Wheel(Wheel::LeftRear);
    for code in ["C0037", "C0215"] {
        let judged = Scene::new().read().code(code, 0).judge();
        let there = judged.of("sensor-circuit", left_rear) + judged.of("sensor-failed", left_rear);
        let past = judged.highest("no-present-fault");
        assert!(there > 4.0 * past, "{code}: {}", judged.head());
        assert!(past > 0.005, "{code}: {}", judged.head());
    }
}

/// Source: KWP 2000, from memory: bits 6 and 5 of the status are 01 for a stored fault, bit 4 is a test that has not come to
/// an end; ISO 14229-1:2013, 11.3.4: bits outside the availability mask are not kept.
#[test]
fn what_a_module_does_not_keep_says_nothing_about_the_test() {
    let tested = |list: List, status: u8, availability: Option<u8>| {
        let mut scene = Scene::new().read().code("C0037-31", status);
        for code in &mut scene.record.codes {
            (code.list, code.availability) = (list, availability);
        }
        let judged = scene.judge();
        let waits = judged
            .holding
            .contains(&"wheel-code-untested at left rear".to_owned());
        (waits, judged.highest("no-present-fault"))
    };
    let (waits, _) = tested(List::Kwp(0x18), 0x30, None);
    let (open, _) = tested(List::Kwp(0x18), 0x20, None);
    assert!(waits && !open);
    let (_, passed) = tested(List::Uds(2), 0x28, Some(0x7F));
    let (_, untold) = tested(List::Uds(2), 0x28, Some(0x2F));
    assert!(passed > untold, "{passed} {untold}");
}
