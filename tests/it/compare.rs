//! `compare BEFORE AFTER` on the demo captures of a repair.

use crate::command::{run, text};

const BEFORE: &str = "captures/repair/before.log.gz";
const AFTER: &str = "captures/repair/after.log.gz";
/// SHA-256 of the file, by `sha256sum`.
const HASH_AFTER: &str = "09e165f7a50b764c5a6a55828f13efabbf29d4995b8fd1fa3f8bc255d99ad5c4";

fn compared(before: &str, after: &str, format: &str) -> String {
    let profile = "captures/repair/profile.yaml";
    text(&[
        "compare",
        before,
        after,
        "--profile",
        profile,
        "--format",
        format,
    ])
}

fn verdict(before: &str, after: &str) -> String {
    let json: serde_json::Value = serde_json::from_str(&compared(before, after, "json")).unwrap();
    json["verdict"].as_str().unwrap().to_owned()
}

#[test]
fn a_mended_wire_is_proven() {
    let words = compared(BEFORE, AFTER, "text");
    for needed in [
        "VERDICT  PROVEN",
        "C003A-1F: gone",
        "longest drop-out",
        "mended",
    ] {
        assert!(words.contains(needed), "{needed} is not in\n{words}");
    }
    assert!(compared(BEFORE, AFTER, "markdown").contains("**Verdict: PROVEN.**"));
    assert_eq!(verdict(BEFORE, AFTER), "proven");
}

#[test]
fn the_same_fault_again_is_not_mended_nor_is_a_new_one() {
    assert_eq!(verdict(BEFORE, BEFORE), "not-mended");
    assert_eq!(verdict(AFTER, BEFORE), "not-mended");
    let healthy = "captures/healthy/drive.log.gz";
    assert_eq!(verdict(healthy, healthy), "not-shown");
}

#[test]
fn standard_input_is_one_capture_only() {
    let output = run(&["compare", "-", "-"]);
    assert_eq!(output.status.code(), Some(1));
    let words = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(words.contains("not both"), "{words}");
}

#[test]
fn several_captures_a_side_and_a_page_with_their_hashes() {
    let page = text(&[
        "compare",
        "--before",
        BEFORE,
        BEFORE,
        "--after",
        AFTER,
        "--profile",
        "captures/repair/profile.yaml",
        "--format",
        "html",
    ]);
    assert!(page.starts_with("<!DOCTYPE html>"));
    assert_eq!(page.matches("<dt>Before</dt>").count(), 2);
    // As `sha256sum` gives it.
    assert!(page.contains(HASH_AFTER), "{page}");
    for wrong in [
        &["compare", BEFORE][..],
        &["compare", "--before", BEFORE],
        &["compare", BEFORE, AFTER, "--before", BEFORE],
    ] {
        assert_eq!(run(wrong).status.code(), Some(2), "{wrong:?}");
    }
}
