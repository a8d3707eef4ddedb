//! `rules try` and `rules network`: the demo captures come out as their trials say, and a trial that does not says why.

use std::fs;

use crate::command::{program, run, text, top};

#[test]
fn every_demo_comes_out_as_expected() {
    let shown = text(&["rules", "try", "captures"]);
    let demos = fs::read_dir(top().join("captures")).unwrap();
    let demos = demos.filter(|entry| entry.as_ref().unwrap().path().is_dir());
    let demos = demos.count();
    assert!(demos >= 14);
    assert_eq!(shown.matches("passed  captures/").count(), demos, "{shown}");
    assert!(
        shown.ends_with(&format!("{demos} trials, {demos} passed\n")),
        "{shown}"
    );
}

/// Findings instead of captures, with the built-in rules and with rules that spoil what is expected.
#[test]
fn a_trial_that_fails_says_why() {
    let folder = tempfile::tempdir().unwrap();
    let trial = "\
trial: 1
name: a wire that was measured
findings:
  - { finding: wheel-code-electrical, wheel: left-front }
  - { finding: wiring-bad, wheel: left-front }
expect:
  first: sensor-circuit@left-front
  below: [{ cause: sensor-failed, probability: 0.3 }]
";
    fs::create_dir(folder.path().join("cases")).unwrap();
    fs::write(folder.path().join("cases/wire.yaml"), trial).unwrap();
    let own = "\
rules: 1
links:
  - { cause: sensor-circuit, finding: wiring-bad, strength: 0, source: spoilt for a test }
  - { cause: sensor-failed, finding: wiring-bad, strength: 0.9, source: spoilt for a test }
";
    fs::create_dir(folder.path().join("own")).unwrap();
    fs::write(folder.path().join("own/own.yaml"), own).unwrap();
    let tried = |more: &[&str]| {
        let output = program(folder.path())
            .args(["rules", "try", "cases"])
            .args(more)
            .output()
            .unwrap();
        let text = String::from_utf8(output.stdout).unwrap();
        (output.status.code(), text)
    };
    assert_eq!(
        tried(&[]),
        (
            Some(0),
            "passed  cases/wire.yaml: a wire that was measured\n1 trial, 1 passed\n".to_owned()
        )
    );
    let (status, shown) = tried(&["--rules", "own"]);
    assert_eq!(status, Some(1));
    for part in [
        "FAILED  cases/wire.yaml: a wire that was measured\n",
        "        sensor-circuit@left-front first: it has ",
        "; first is sensor-failed@left-front with ",
        "        sensor-failed below 30.0 %: it has ",
        "most for it: given in the trial: ",
        "1 trial, 0 passed\n",
    ] {
        assert!(shown.contains(part), "{part} is not in\n{shown}");
    }
}

#[test]
fn a_folder_without_trials_and_a_faulty_trial_are_told() {
    let folder = tempfile::tempdir().unwrap();
    for (name, trial, told) in [
        ("a", "rules: 1\n", "holds no trial"),
        (
            "b",
            "trial: 1\nexpect: { first: x }\n",
            "t.yaml:2:18: expect.first: there is no cause \"x\"",
        ),
        (
            "c",
            "trial: 1\ncaptures: [gone.log]\nexpect: { first: network }\n",
            "gone.log",
        ),
    ] {
        let case = folder.path().join(name);
        fs::create_dir(&case).unwrap();
        fs::write(case.join("t.yaml"), trial).unwrap();
        let output = run(&["rules".as_ref(), "try".as_ref(), case.as_os_str()]);
        assert_eq!(output.status.code(), Some(1));
        let error = String::from_utf8_lossy(&output.stderr);
        assert!(error.contains(told), "{error}");
    }
}

/// The network is written and read again; two of its causes, by hand: `P = p (1 − spared) …` of one finding.
#[test]
fn a_network_is_written_and_calculated() {
    let network: serde_json::Value = serde_json::from_str(&text(&["rules", "network"])).unwrap();
    let priors = network["causes"].as_array().unwrap();
    let total: f64 = priors
        .iter()
        .map(|cause| cause["prior"].as_f64().unwrap())
        .sum();
    // faults_expected of the rules.
    assert!((total - 0.9).abs() < 1e-9, "{total}");

    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("network.json");
    fs::write(
        &file,
        r#"{"network": 1,
            "causes": [{"id": "a", "prior": 0.1, "alone": false}, {"id": "b", "prior": 0.2, "alone": false}],
            "findings": [{"id": "f", "leak": 0.05}],
            "links": [{"cause": 0, "finding": 0, "strength": 0.8}],
            "readings": [{"weight": 1, "outcomes": [true]}]}"#,
    )
    .unwrap();
    let shown = text(&["rules".as_ref(), "posterior".as_ref(), file.as_os_str()]);
    let out: serde_json::Value = serde_json::from_str(&shown).unwrap();
    let with = 0.1 * (1.0 - 0.95 * 0.2);
    let expected = with / (with + 0.9 * 0.05);
    assert!((out["posterior"][0].as_f64().unwrap() - expected).abs() < 1e-12);
    assert!((out["posterior"][1].as_f64().unwrap() - 0.2).abs() < 1e-12);
    let output = run(&["rules", "posterior", "captures/README.md"]);
    assert_eq!(output.status.code(), Some(1));
}
