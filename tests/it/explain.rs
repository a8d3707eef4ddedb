//! `explain`: the examples of the documentation are run, and the JSON form is checked.

use std::fs;

use crate::command::{program, run, text, top};

/// Every `console` block that starts with `$ tonering …` says what the program says.
#[test]
fn the_examples_in_the_documents_are_true() {
    let mut examples = 0;
    for name in ["docs/services.md", "docs/codes.md"] {
        let document = fs::read_to_string(top().join(name)).unwrap();
        for block in document.split("```console\n").skip(1) {
            let block = block.split("```").next().unwrap();
            let (command, wanted) = block.split_once('\n').unwrap();
            let arguments = command.strip_prefix("$ tonering ").unwrap();
            let output = program(&top())
                .args(arguments.split(' '))
                .env("COLUMNS", "80")
                .output()
                .unwrap();
            let shown = String::from_utf8(output.stdout).unwrap();
            assert_eq!(shown, wanted, "{name}: {command}");
            examples += 1;
        }
    }
    assert!(examples >= 6, "{examples}");
}

#[test]
fn json_has_facts_fields_and_what_follows() {
    let shown = text(&["explain", "59 02 FF 40 31 13 2F", "--format", "json"]);
    let told: serde_json::Value = serde_json::from_str(&shown).unwrap();
    assert_eq!(told["kind"], "message");
    assert_eq!(told["fields"][3]["value"], "C0031-13");
    assert!(told["fields"][3]["clause"].is_string());
    assert!(!told["does_not_follow"].as_array().unwrap().is_empty());
    let code = text(&["explain", "C0031", "--format", "json"]);
    let told: serde_json::Value = serde_json::from_str(&code).unwrap();
    assert_eq!(told["facts"][0]["words"], "40 31");
}

/// Names of makers stand in sources only, and sources are not printed.
#[test]
fn no_maker_is_named() {
    let files = ["rules/codes/older-a.yaml", "rules/codes/older-b.yaml"];
    let sources: String = files
        .iter()
        .map(|name| fs::read_to_string(top().join(name)).unwrap())
        .collect();
    assert!(sources.contains("source: \"published: maker service texts, "));
    for what in [
        "C0035",
        "C0035-08",
        "C0205",
        "C0550",
        "failure-type 18",
        "0x18",
    ] {
        for format in ["text", "json"] {
            let shown = text(&["explain", what, "--format", format]);
            for word in ["published", "service texts", "open list"] {
                assert!(!shown.contains(word), "{what}: {shown}");
            }
        }
    }
}

#[test]
fn what_cannot_be_explained_is_refused_with_what_can() {
    let output = run(&["explain", "hello"]);
    assert_eq!(output.status.code(), Some(1));
    let words = String::from_utf8(output.stderr).unwrap();
    assert!(
        words.contains("\"hello\"") && words.contains("7E8#037F2278"),
        "{words}"
    );
}
