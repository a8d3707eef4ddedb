//! The JSON Schemas in `schemas/`: made from the types, compared with what is committed, and met by the examples.
//!
//! `TONERING_UPDATE=1 cargo test --features schema --test it schemas` writes them anew.

use std::fs;
use std::path::PathBuf;

use serde_json::Value;
use tonering::diagnosis::TrialFile;
use tonering::notes::NotesFile;
use tonering::report::comparison::json::ComparisonOut;
use tonering::report::json::{self, shape::ReportOut};
use tonering::report::trials::TrialsOut;
use tonering::report::why::json::WhyOut;
use tonering::rules::RulesFile;
use tonering::signal::profile::ProfileFile;

use crate::command::top;
use crate::report_example::example;

/// Every schema with its file.
fn schemas() -> Vec<(&'static str, Value)> {
    let value = |schema: schemars::Schema| serde_json::to_value(schema).unwrap();
    vec![
        (
            "report.schema.json",
            value(schemars::schema_for!(ReportOut)),
        ),
        ("why.schema.json", value(schemars::schema_for!(WhyOut))),
        (
            "comparison.schema.json",
            value(schemars::schema_for!(ComparisonOut)),
        ),
        (
            "profile.schema.json",
            value(schemars::schema_for!(ProfileFile)),
        ),
        ("notes.schema.json", value(schemars::schema_for!(NotesFile))),
        ("rules.schema.json", value(schemars::schema_for!(RulesFile))),
        ("trial.schema.json", value(schemars::schema_for!(TrialFile))),
        (
            "trials.schema.json",
            value(schemars::schema_for!(TrialsOut)),
        ),
    ]
}

#[test]
fn committed_schemas_are_up_to_date() {
    for (file, schema) in schemas() {
        let path = top().join("schemas").join(file);
        let made = format!("{schema:#}\n");
        if std::env::var_os("TONERING_UPDATE").is_some() {
            fs::create_dir_all(top().join("schemas")).unwrap();
            fs::write(&path, &made).unwrap();
        }
        let committed = fs::read_to_string(&path).unwrap_or_default();
        assert!(
            committed == made,
            "{file} is out of date: run with TONERING_UPDATE=1"
        );
    }
}

fn schema(file: &str) -> Value {
    let found = schemas().into_iter().find(|(name, _)| *name == file);
    found.unwrap().1
}

#[test]
fn the_example_report_meets_its_schema() {
    let mut out = Vec::new();
    json::write(&example(), &mut out, json::Form::OneLine).unwrap();
    let report: Value = serde_json::from_slice(&out).unwrap();
    let schema = schema("report.schema.json");
    let mut faults = Vec::new();
    check(&report, &schema, &schema, "report", &mut faults);
    assert_eq!(faults, Vec::<String>::new());

    // The check can fail: a missing key, a wrong type, and a key that the schema does not know.
    for spoil in [
        |report: &mut Value| drop(report.as_object_mut().unwrap().remove("codes")),
        |report: &mut Value| report["causes"][0]["probability"] = "high".into(),
        |report: &mut Value| report["wheels"][0]["colour"] = "blue".into(),
    ] {
        let mut spoilt = report.clone();
        spoil(&mut spoilt);
        let mut faults = Vec::new();
        check(&spoilt, &schema, &schema, "report", &mut faults);
        assert_eq!(faults.len(), 1, "{faults:?}");
    }
}

#[test]
fn what_came_of_trials_meets_its_schema() {
    let shown = crate::command::text(&["rules", "try", "captures", "--format", "json"]);
    let trials: Value = serde_json::from_str(&shown).unwrap();
    let tried = trials["tried"].as_array().unwrap();
    assert_eq!(trials["passed"], tried.len());
    assert_eq!(trials["failed"], 0);
    let first = &tried[0]["expectations"][0];
    assert_eq!(first["passed"], true);
    assert!(first["probability"].as_f64().unwrap() > 0.0, "{first}");
    let schema = schema("trials.schema.json");
    for (spoilt, wrong) in [(false, 0), (true, 1)] {
        let mut trials = trials.clone();
        if spoilt {
            trials["tried"][0]["expectations"][0]["number"] = "first".into();
        }
        let mut faults = Vec::new();
        check(&trials, &schema, &schema, "trials", &mut faults);
        assert_eq!(faults.len(), wrong, "{faults:?}");
    }
}

#[test]
fn the_arithmetic_of_a_cause_meets_its_schema() {
    let shown = crate::command::text(&[
        "diagnose",
        "captures/open-circuit/drive.log",
        "--profile",
        "captures/open-circuit/profile.yaml",
        "--why",
        "sensor-circuit",
        "--format",
        "json",
    ]);
    let why: Value = serde_json::from_str(&shown).unwrap();
    let schema = schema("why.schema.json");
    for (spoilt, wrong) in [(false, 0), (true, 1)] {
        let mut why = why.clone();
        if spoilt {
            why["causes"][0]["steps"][0]["factor"] = "large".into();
        }
        let mut faults = Vec::new();
        check(&why, &schema, &schema, "why", &mut faults);
        assert_eq!(faults.len(), wrong, "{faults:?}");
    }
}

/// The shipped and the demo files of one format, by their paths.
fn examples(folder: &str, named: &str) -> Vec<(PathBuf, Value)> {
    let mut folders = vec![top().join(folder)];
    let mut found = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|ending| ending == "yaml") {
                let text = fs::read_to_string(&path).unwrap();
                let value: Value = serde_yaml::from_str(&text).unwrap();
                if value.get(named).is_some_and(Value::is_number) {
                    found.push((path, value));
                }
            }
        }
    }
    found
}

#[test]
fn shipped_and_demo_files_meet_their_schemas() {
    for (file, folder, named, least) in [
        ("profile.schema.json", "captures", "profile", 10),
        ("notes.schema.json", "captures", "notes", 5),
        ("rules.schema.json", "rules", "rules", 5),
        ("trial.schema.json", "captures", "trial", 14),
    ] {
        let schema = schema(file);
        let examples = examples(folder, named);
        assert!(examples.len() >= least, "{file}: {}", examples.len());
        for (path, value) in examples {
            let name = path.display().to_string();
            let mut faults = Vec::new();
            check(&value, &schema, &schema, &name, &mut faults);
            assert_eq!(faults, Vec::<String>::new());
            // The check can fail: another version's type, and a key that the format does not know.
            for (key, spoilt) in [(named, "one".into()), ("colour", Value::from("blue"))] {
                let mut value = value.clone();
                value[key] = spoilt;
                let mut faults = Vec::new();
                check(&value, &schema, &schema, &name, &mut faults);
                assert_eq!(faults.len(), 1, "{faults:?}");
            }
        }
    }
}

#[test]
fn choices_and_limits_of_a_profile_are_in_its_schema() {
    let schema = schema("profile.schema.json");
    for (text, faulty) in [
        (
            "profile: 1\nmodules: [{ name: A, role: brakes, request: 0x740, response: 0x748 }]",
            false,
        ),
        ("profile: 2", true),
        (
            "profile: 1\nmodules: [{ name: A, role: boat, request: 0x740, response: 0x748 }]",
            true,
        ),
        (
            "profile: 1\nmodules: [{ name: A, role: brakes, request: -1, response: 0x748 }]",
            true,
        ),
        ("profile: 1\nwheels: { sensor: none }", true),
    ] {
        let value: Value = serde_yaml::from_str(text).unwrap();
        let mut faults = Vec::new();
        check(&value, &schema, &schema, "profile", &mut faults);
        assert_eq!(!faults.is_empty(), faulty, "{text}: {faults:?}");
    }
}

/// The part of JSON Schema that our schemas use; a key that no schema names is a fault as well.
fn check(value: &Value, schema: &Value, root: &Value, path: &str, faults: &mut Vec<String>) {
    if let Some(reference) = schema["$ref"].as_str() {
        let target = root.pointer(reference.trim_start_matches('#')).unwrap();
        return check(value, target, root, path, faults);
    }
    for (key, most) in [("anyOf", usize::MAX), ("oneOf", 1)] {
        let Some(choices) = schema[key].as_array() else {
            continue;
        };
        let fitting = choices.iter().filter(|choice| {
            let mut found = Vec::new();
            check(value, choice, root, path, &mut found);
            found.is_empty()
        });
        let fitting = fitting.count();
        if fitting == 0 || fitting > most {
            faults.push(format!("{path} fits {fitting} choices"));
        }
        return;
    }
    if let Some(only) = schema.get("const").filter(|only| *only != value) {
        faults.push(format!("{path} is not {only}"));
        return;
    }
    if let Some(words) = schema["enum"]
        .as_array()
        .filter(|words| !words.contains(value))
    {
        faults.push(format!("{path} is none of {words:?}"));
        return;
    }
    if let Some(number) = value.as_f64() {
        let below = schema["minimum"]
            .as_f64()
            .is_some_and(|least| number < least);
        let above = schema["maximum"].as_f64().is_some_and(|most| number > most);
        if below || above {
            faults.push(format!("{path} is outside of its limits"));
            return;
        }
    }
    let kind = match value {
        Value::Null => "null",
        Value::Bool(_) => "boolean",
        Value::Number(number) if number.is_u64() || number.is_i64() => "integer",
        Value::Number(_) => "number",
        Value::String(_) => "string",
        Value::Array(_) => "array",
        Value::Object(_) => "object",
    };
    let fits = |name: &Value| name == kind || name == "number" && kind == "integer";
    let allowed = match &schema["type"] {
        Value::Array(names) => names.iter().any(fits),
        name => fits(name),
    };
    if !allowed {
        faults.push(format!("{path} is {kind}, not {}", schema["type"]));
        return;
    }
    for (index, item) in value.as_array().into_iter().flatten().enumerate() {
        check(
            item,
            &schema["items"],
            root,
            &format!("{path}[{index}]"),
            faults,
        );
    }
    if let Some(object) = value.as_object() {
        for name in schema["required"].as_array().into_iter().flatten() {
            if !object.contains_key(name.as_str().unwrap()) {
                faults.push(format!("{path} lacks {name}"));
            }
        }
        for (key, item) in object {
            match schema["properties"].get(key) {
                Some(inner) => check(item, inner, root, &format!("{path}.{key}"), faults),
                None => faults.push(format!("{path}.{key} is not in the schema")),
            }
        }
    }
}
