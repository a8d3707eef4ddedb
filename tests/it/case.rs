//! A case folder over two visits: a diagnosis with notes, then a comparison after the repair.

use std::fs;
use std::path::Path;

use crate::command::{program, top};

fn run(case: &Path, arguments: &[&str]) -> String {
    let output = program(&top())
        .args(arguments)
        .args(["--profile", "captures/repair/profile.yaml", "--case"])
        .arg(case)
        .env("SOURCE_DATE_EPOCH", "1800000000")
        .output()
        .unwrap();
    let error = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{error}");
    assert!(error.contains("kept in"), "{error}");
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn a_later_visit_sees_what_was_found_and_done() {
    let folder = tempfile::tempdir().unwrap();
    let case = folder.path().join("car");
    let (before, after) = (
        "captures/repair/before.log.gz",
        "captures/repair/after.log.gz",
    );
    let first = run(
        &case,
        &["diagnose", before, "--notes", "captures/repair/notes.yaml"],
    );
    assert!(!first.contains("EARLIER VISITS"));
    let read = |name: &str| String::from_utf8(fs::read(case.join(name)).unwrap()).unwrap();
    assert_eq!(
        fs::read(case.join("visit-0001/notes.yaml")).unwrap(),
        fs::read(top().join("captures/repair/notes.yaml")).unwrap()
    );
    assert!(read("visit-0001/report.html").starts_with("<!DOCTYPE html>"));
    let report: serde_json::Value = serde_json::from_str(&read("visit-0001/report.json")).unwrap();
    let hash = report["captures"][0]["sha256"].as_str().unwrap();
    let bytes = fs::metadata(top().join(before)).unwrap().len();
    assert_eq!(
        read("visit-0001/captures.txt"),
        format!("# {bytes} bytes\n{hash}  {before}\n")
    );

    let second = run(&case, &["compare", before, after]);
    // 1 800 000 000 s after 1970 is this day (`date -u -d @1800000000`).
    for needed in [
        "EARLIER VISITS",
        "Visit 1, 2027-01-15 (diagnosis)",
        "Code C003A-1F from",
        "Checked by hand: ",
    ] {
        assert!(second.contains(needed), "{needed} is not in\n{second}");
    }
    let third = run(&case, &["diagnose", after, "--format", "json"]);
    let report: serde_json::Value = serde_json::from_str(&third).unwrap();
    let visits = report["visits"].as_array().unwrap();
    assert_eq!(visits.len(), 2);
    assert_eq!(visits[1]["kind"], "comparison");
    assert_eq!(visits[1]["found"][0], "Verdict on the repair: PROVEN");
    let history = read("case.md");
    for needed in ["## Visit 1, 2027-01-15 08:00 UTC", "## Visit 3, ", "PROVEN"] {
        assert!(history.contains(needed), "{needed} is not in\n{history}");
    }
}
