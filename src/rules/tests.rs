//! Tests of loading: the shipped rules are sound, and faults are found, all at once and at their place.

use super::*;

const CAUTION: &str =
    "cautions:\n  - { id: gloves, words: Wear gloves., always: true, source: s }\n";

fn faults(text: &str) -> Vec<String> {
    match Rules::only(&[RuleText {
        name: "own.yaml",
        text,
    }]) {
        Ok(_) => Vec::new(),
        Err(error) => error.remarks.iter().map(ToString::to_string).collect(),
    }
}

#[test]
fn the_shipped_rules_are_sound() {
    let rules = Rules::built_in().unwrap_or_else(|error| panic!("{error}"));
    for id in [
        "fluid-low-worn-pads",
        "fluid-leak",
        "fluid-level-switch",
        "sensor-weak-signal",
        "sensor-circuit",
        "sensor-failed",
        "tone-ring",
        "wheel-bearing",
        "tyre-mismatch",
        "sensors-swapped",
        "supply-lost",
        "supply-low",
        "earth-poor",
        "pump-motor",
        "valve-circuit",
        "brake-switch",
        "pressure-sensor",
        "motion-sensor",
        "network",
        "module-coding",
        "module-internal",
        "no-present-fault",
    ] {
        assert!(rules.cause(id).is_some(), "{id}");
    }
    let total: f64 = rules
        .causes()
        .iter()
        .map(|cause| {
            rules.prior(cause) * f64::from(u8::try_from(cause.place.kind().places().len()).unwrap())
        })
        .sum();
    assert!((total - rules.faults_expected()).abs() < 1e-12);
}

#[test]
fn every_value_of_a_check_lies_in_a_band() {
    for check in Rules::built_in().unwrap().checks() {
        let Some(value) = &check.value else { continue };
        for (typical, band) in value.typical().into_iter().zip(&value.bands) {
            assert_eq!(value.band(typical), Some(band), "{}", check.id);
        }
        assert!(value.band(f64::INFINITY).is_some(), "{}", check.id);
    }
}

#[test]
fn every_fault_is_reported_with_line_and_possibilities() {
    let text = "\
rules: 1
causes:
  - id: loose-nut
    place: wheel
    name: Loose nut
    weight: 0
    work: home
    summary: A nut is loose.
    repair: { minutes: 5, parts: 0 }
    cautions: [helmet]
    shows:
      - { finding: ratlle, strength: 1.5 }
    source: s
findings:
  - id: rattle
    place: wheel
    holds: it rattles
    absent: it does not rattle
    when: { check: { id: shake, results: [loud] } }
    leak: 0
    source: s
checks:
  - id: shake
    place: vehicle
    name: Shake
    minutes: 1
    work: home
    steps: [Shake it.]
    expect: [{ words: no noise }]
    results: [{ id: quiet, means: fine }, { id: noisy, means: loose }]
    source: s
";
    let faults = faults(&format!("{text}{CAUTION}"));
    for expected in [
        "own.yaml:6:13: causes[0].weight: must be above 0",
        "own.yaml:10:16: causes[0].cautions[0]: there is no caution \"helmet\"; possible: gloves",
        "own.yaml:12:20: causes[0].shows[0].finding: there is no finding \"ratlle\"; possible: rattle",
        "own.yaml:12:38: causes[0].shows[0].strength: the strength must be above 0 and at most 1",
        "own.yaml:15:9: findings[0].id: rattle is used by no cause",
        "own.yaml:16:12: findings[0].place: the check shake is of a vehicle, the finding of a wheel; possible: vehicle",
        "own.yaml:19:43: findings[0].when.check.results[0]: there is no result \"loud\"; possible: quiet, noisy",
        "own.yaml:20:11: findings[0].leak: must be above 0 and below 1",
    ] {
        assert!(
            faults.iter().any(|fault| fault == expected),
            "missing {expected}\nin {faults:#?}"
        );
    }
}

#[test]
fn a_fault_of_form_has_its_line() {
    let found = faults("rules: 1\ncauses:\n  - id: a\n    plaice: wheel\n");
    assert_eq!(found.len(), 1);
    assert!(found[0].starts_with("own.yaml:4:5: "), "{found:?}");
    assert!(found[0].contains("plaice"), "{found:?}");
    assert!(!found[0].contains(" at line "), "{found:?}");
    let found = faults("rules: 7\n");
    assert!(
        found[0].contains("own.yaml:1:8: rules: version 7"),
        "{found:?}"
    );
    let found = faults("rules: 1\nfaults_expected: 9\n");
    assert!(
        found[0].starts_with("own.yaml:2:18: faults_expected: "),
        "{found:?}"
    );
    assert!(!faults("").is_empty());
    assert!(!faults("[").is_empty());
}

#[test]
fn own_files_add_replace_and_reweigh() {
    let own = |text| {
        Rules::load(&[RuleText {
            name: "own.yaml",
            text,
        }])
    };
    let rules = own("\
rules: 1
weights:
  - { cause: tone-ring, weight: 40, source: own count of 2025 }
links:
  - { cause: tone-ring, finding: tip-swarf, strength: 0.2, source: own count }
  - { cause: tone-ring, finding: late-onset, strength: 0, source: own count }
")
    .unwrap_or_else(|error| panic!("{error}"));
    let ring = rules.cause("tone-ring").unwrap();
    assert!((ring.weight - 40.0).abs() < 1e-12);
    assert!(ring.shows.iter().any(|link| link.finding == "tip-swarf"));
    assert!(!ring.shows.iter().any(|link| link.finding == "late-onset"));

    let rules = own("\
rules: 1
cautions:
  - { id: fuse, words: Ask the foreman., source: own }
")
    .unwrap();
    assert_eq!(rules.caution("fuse").unwrap().words, "Ask the foreman.");

    let error = own("\
rules: 1
weights:
  - { cause: tone-rnig, weight: 40, source: own }
cautions:
  - { id: fuse, words: a, source: own }
  - { id: fuse, words: b, source: own }
")
    .unwrap_err();
    let text = error.to_string();
    assert!(
        text.contains("own.yaml:3:14: weights[0].cause: there is no cause \"tone-rnig\""),
        "{text}"
    );
    assert!(
        text.contains("own.yaml:6:11: cautions[1].id: fuse is there twice"),
        "{text}"
    );
}
