//! The JSON Schemas in `schemas/`: made from the types, compared with what is committed, and met by the examples.
//!
//! `TONERING_UPDATE=1 cargo test --features schema --test it schemas` writes them anew.

use std::fs;

use serde_json::Value;
use tonering::report::comparison::json::ComparisonOut;
use tonering::report::json::{self, shape::ReportOut};

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
        (
            "comparison.schema.json",
            value(schemars::schema_for!(ComparisonOut)),
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

#[test]
fn the_example_report_meets_its_schema() {
    let mut out = Vec::new();
    json::write(&example(), &mut out, json::Form::OneLine).unwrap();
    let report: Value = serde_json::from_slice(&out).unwrap();
    let (_, schema) = schemas().swap_remove(0);
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

/// The part of JSON Schema that our schemas use; a key that no schema names is a fault as well.
fn check(value: &Value, schema: &Value, root: &Value, path: &str, faults: &mut Vec<String>) {
    if let Some(reference) = schema["$ref"].as_str() {
        let target = root.pointer(reference.trim_start_matches('#')).unwrap();
        return check(value, target, root, path, faults);
    }
    if let Some(choices) = schema["anyOf"].as_array() {
        let fits = choices.iter().any(|choice| {
            let mut found = Vec::new();
            check(value, choice, root, path, &mut found);
            found.is_empty()
        });
        if !fits {
            faults.push(format!("{path} fits no choice"));
        }
        return;
    }
    let kind = match value {
        Value::Null => "null",
        Value::Bool(_) => "boolean",
        Value::Number(number) if number.is_u64() => "integer",
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
