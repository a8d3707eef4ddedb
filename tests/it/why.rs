//! `diagnose --why`: the arithmetic adds up, and what is not there is told.

use serde_json::Value;

use crate::command::{run, text};

/// Demo captures with their notes, and a cause to ask for.
const DEMOS: &[(&str, &str)] = &[
    ("open-circuit/drive.log", "sensor-circuit@left-front"),
    ("two-faults/drive.log.gz", "fluid-level-switch"),
    ("supply-lost/drive.log", "supply-lost"),
    ("weak-signal/drive.log.gz", "sensor-failed right-front"),
];

fn arguments(demo: &str, cause: &str, more: &[&str]) -> Vec<String> {
    let folder = demo.split('/').next().unwrap();
    let mut words = vec![
        "diagnose".to_owned(),
        format!("captures/{demo}"),
        "--profile".to_owned(),
        format!("captures/{folder}/profile.yaml"),
        "--notes".to_owned(),
        format!("captures/{folder}/notes.yaml"),
        "--why".to_owned(),
        cause.to_owned(),
    ];
    words.extend(more.iter().map(|&word| word.to_owned()));
    words
}

fn json(demo: &str, cause: &str) -> Value {
    serde_json::from_str(&text(&arguments(demo, cause, &["--format", "json"]))).unwrap()
}

#[test]
fn the_factors_multiply_to_the_odds() {
    let odds = |probability: f64| probability / (1.0 - probability);
    for (demo, cause) in DEMOS {
        let out = json(demo, cause);
        let why = &out["causes"][0];
        let number = |key: &str| why[key].as_f64().unwrap();
        let steps = why["steps"].as_array().unwrap();
        let factors = steps.iter().map(|step| step["factor"].as_f64().unwrap());
        let product = odds(number("start")) * factors.product::<f64>();
        let expected = odds(number("probability"));
        assert!(
            (product / expected - 1.0).abs() < 1e-9,
            "{demo}: {product} and {expected}"
        );
        let last = steps.last().unwrap()["after"].as_f64().unwrap();
        assert!((last - number("probability")).abs() < 1e-12, "{demo}");
        // Every finding that could be observed is in the arithmetic once.
        let counted: u64 = steps
            .iter()
            .map(|step| step["findings"].as_u64().unwrap())
            .sum();
        let observed = out["readings"][0]["observed"].as_array().unwrap().len();
        assert_eq!(usize::try_from(counted).unwrap(), observed, "{demo}");
        let ranking = out["ranking"].as_array().unwrap();
        let rank = usize::try_from(why["rank"].as_u64().unwrap()).unwrap();
        assert_eq!(ranking[rank - 1]["id"], why["id"], "{demo}");
        assert_eq!(
            ranking[rank - 1]["probability"],
            why["probability"],
            "{demo}"
        );
    }
}

#[test]
fn the_text_fits_eighty_columns_and_has_every_part() {
    let (demo, cause) = DEMOS[0];
    let shown = text(&arguments(demo, cause, &[]));
    for part in [
        "Before any evidence: weight ",
        "WHAT BEARS ON IT AND COULD NOT BE OBSERVED",
        "ITS RIVALS",
        "WHAT WOULD CHANGE THE ORDER",
        "IF THE ASSUMED FREQUENCIES ARE WRONG",
        "  Odds: ",
        "captures/open-circuit/drive.log:",
    ] {
        assert!(shown.contains(part), "{part} is not in\n{shown}");
    }
    for line in shown.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    let markdown = text(&arguments(demo, cause, &["--format", "markdown"]));
    assert!(markdown.contains("| Factor | Then | What was seen |"));
    assert!(markdown.contains("### Its rivals"));
}

#[test]
fn a_number_and_a_cause_without_its_place_are_understood() {
    let (demo, cause) = DEMOS[0];
    let wanted = json(demo, cause);
    let number = wanted["causes"][0]["rank"].to_string();
    for same in [
        number.as_str(),
        "sensor-circuit",
        "sensor-circuit left front",
    ] {
        assert_eq!(json(demo, same)["causes"], wanted["causes"], "{same}");
    }
}

#[test]
fn what_is_not_there_is_told_with_what_is_possible() {
    let (demo, _) = DEMOS[0];
    for (cause, more, told) in [
        (
            "sensor-circiut",
            vec![],
            "there is no cause \"sensor-circiut\"; possible: fluid-low",
        ),
        (
            "sensor-circuit@lf",
            vec![],
            "possible: left-front, right-front, left-rear, right-rear",
        ),
        (
            "supply-lost@front",
            vec![],
            "supply-lost has no place \"front\"; possible: vehicle",
        ),
        ("99999", vec![], "there is no cause \"99999\""),
        (
            "1",
            vec!["--format", "html"],
            "--why is for --format text, markdown or json",
        ),
    ] {
        let output = run(&arguments(demo, cause, &more));
        assert_eq!(output.status.code(), Some(1), "{cause}");
        let error = String::from_utf8_lossy(&output.stderr);
        assert!(error.contains(told), "{error}");
    }
}
