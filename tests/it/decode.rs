//! `decode`: the formats on a small capture, and real captures against independent decodes.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::command::{program, run, text};

/// A capture with a request, a segmented answer, "response pending", a refusal and a cut-off message.
const SMALL: &str = "\
(1700000000.100000) can0 740#031902FFAAAAAAAA
(1700000000.110000) can0 748#037F1978AAAAAAAA
(1700000000.200000) can0 748#100B59022F403113
(1700000000.200500) can0 740#3000000000000000
(1700000000.201000) can0 748#212F4034622CAAAA
(1700000000.300000) can0 740#0322F190AAAAAAAA
(1700000000.310000) can0 748#037F2231AAAAAAAA
(1700000000.400000) can0 740#0322F18CAAAAAAAA
(1700000000.410000) can0 748#100A62F18C414243
";

fn small() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("small.log");
    fs::write(&path, SMALL).unwrap();
    (folder, path)
}

fn decoded(path: &Path, more: &[&str]) -> String {
    let mut arguments = vec!["decode", path.to_str().unwrap()];
    arguments.extend(more);
    text(&arguments)
}

fn objects(text: &str) -> Vec<Value> {
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

#[test]
fn json_is_as_the_contract_says() {
    let (_folder, path) = small();
    let found = objects(&decoded(&path, &["--format", "json"]));
    assert_eq!(found.len(), 7);
    let list = &found[2];
    assert_eq!(list["time_s"], 1_700_000_000.2);
    assert_eq!(list["end_s"], 1_700_000_000.201);
    assert_eq!(list["channel"], "can0");
    assert_eq!(list["id"], "0x748");
    assert_eq!(list["extended_id"], false);
    assert_eq!(list["extension"], Value::Null);
    assert_eq!(list["transport"], "iso15765");
    assert_eq!(list["frames"], 2);
    assert_eq!(list["payload"], "59022F4031132F4034622C");
    assert_eq!(list["complete"], true);
    assert_eq!(list["fault"], Value::Null);
    assert_eq!(list["direction"], "response");
    assert_eq!(list["service"], "0x59");
    assert_eq!(list["name"], "ReadDTCInformation");
    assert_eq!(list["pending_for"], Value::Null);
    let code = &list["fields"][3];
    assert_eq!(code["name"], "code");
    assert_eq!(code["bytes"], serde_json::json!([3, 6]));
    assert_eq!(code["raw"], "403113");
    assert_eq!(code["value"], "C0031-13");
    assert_eq!(code["unit"], Value::Null);
    assert!(code["meaning"].as_str().unwrap().contains("left front"));
    assert_eq!(found[1]["pending_for"], "0x19");
    assert_eq!(found[1]["service"], "0x7F");
    let cut = &found[6];
    assert_eq!(cut["complete"], false);
    assert_eq!(cut["fault"], "capture-end");
    assert_eq!(cut["payload"], "62F18C414243");
}

#[test]
fn text_takes_messages_apart() {
    let (_folder, path) = small();
    let lines = decoded(&path, &[]);
    let lines: Vec<&str> = lines.lines().collect();
    assert!(lines[0].ends_with("small.log (candump); time 0 is 1700000000.100000"));
    assert_eq!(
        lines[3],
        "    0.100000  can0  0x748 ← ReadDTCInformation: codes by status, status bits supported 0x2F, C0031-13=0x2F, C0034-62=0x2C"
    );
    let deep = decoded(&path, &["--bytes"]);
    assert!(deep.contains("[3..6]       403113    code: C0031-13 – left front"));
    let with_frames = decoded(&path, &["--frames"]);
    assert!(with_frames.contains("flow control: continue, block size 0, separation 0 ms"));
    assert!(with_frames.contains("timing  can0  0x748 to 0x740: 2 segmented"));
}

#[test]
fn csv_has_a_row_for_each_message() {
    let (_folder, path) = small();
    let rows = decoded(&path, &["--format", "csv"]);
    assert_eq!(rows.lines().count(), 8);
    assert!(rows.lines().all(|row| !row.is_empty()));
    assert!(rows.contains(
        ",response,0x59,ReadDTCInformation,true,,59022F4031132F4034622C,\"codes by status,"
    ));
}

#[test]
fn ascii_terminals_get_ascii() {
    let (folder, path) = small();
    let output = program(folder.path())
        .args(["decode", "--bytes"])
        .arg(&path)
        .env("LC_ALL", "C")
        .output()
        .unwrap();
    assert!(output.status.success());
    let shown = String::from_utf8(output.stdout).unwrap();
    assert!(
        shown.contains(" < ReadDTCInformation") && !shown.contains('←'),
        "{shown}"
    );
}

#[test]
fn several_captures_say_which() {
    let (_folder, path) = small();
    let name = path.to_str().unwrap();
    let found = objects(&text(&["decode", name, name, "--format", "json"]));
    assert_eq!(found.len(), 14);
    assert!(found.iter().all(|object| object["file"] == name));
}

#[test]
fn strict_fails_after_damage_and_a_missing_file_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("damaged.log");
    fs::write(&path, format!("{SMALL}(17000 can0 7#\n")).unwrap();
    let name = path.to_str().unwrap();
    assert_eq!(run(&["decode", name]).status.code(), Some(0));
    let strict = run(&["decode", name, "--strict"]);
    assert_eq!(strict.status.code(), Some(1));
    assert!(!strict.stdout.is_empty());
    let missing = run(&["decode", "no-such-file.log"]);
    assert_eq!(missing.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&missing.stderr).contains("no-such-file.log"));
}

/// Source: scapy 2.8.0 over the captures of the corpus; code lists equal to udsoncan 1.26.
#[test]
#[ignore = "needs the capture corpus"]
fn corpus_decodes_agree() {
    let corpus =
        std::env::var("TONERING_CORPUS").expect("TONERING_CORPUS names the folder of captures");
    let corpus = Path::new(&corpus);
    let mut checked = 0;
    for entry in fs::read_dir(corpus.join("oracle")).unwrap() {
        let oracle = entry.unwrap().path();
        let name = oracle.file_name().unwrap().to_str().unwrap().to_owned();
        let Some(capture) = name.strip_suffix(".decode.jsonl") else {
            continue;
        };
        checked += 1;
        let wanted = objects(&fs::read_to_string(&oracle).unwrap());
        let found = objects(&decoded(&corpus.join(capture), &["--format", "json"]));
        let ids: Vec<&str> = wanted
            .iter()
            .map(|object| object["id"].as_str().unwrap())
            .collect();
        let own = |object: &Value| object["id"].as_str().unwrap_or_default()[2..].to_owned();
        let found: Vec<&Value> = found
            .iter()
            .filter(|object| object["complete"] == true && ids.contains(&own(object).as_str()))
            .collect();
        assert_eq!(found.len(), wanted.len(), "{capture}");
        for (wanted, found) in wanted.iter().zip(found) {
            agrees(capture, wanted, found);
        }
    }
    assert!(checked >= 9, "{checked}");
}

#[expect(
    clippy::too_many_lines,
    reason = "one check after another, in the order of the oracle"
)]
fn agrees(capture: &str, wanted: &Value, found: &Value) {
    let say = |what: &str| format!("{capture}: {what}\n{wanted}\n{found}");
    let hex = |value: &Value| {
        value
            .as_str()
            .map(|text| text.trim_start_matches("0x").to_owned())
    };
    let time = (found["end_s"].as_f64().unwrap() - wanted["t"].as_f64().unwrap()).abs();
    assert!(time < 2e-6, "{}", say("time"));
    assert_eq!(found["channel"], wanted["bus"], "{}", say("bus"));
    assert_eq!(
        hex(&found["service"]).as_deref(),
        wanted["sid"].as_str(),
        "{}",
        say("service")
    );
    let response = wanted["kind"] != "request";
    assert_eq!(
        found["direction"] == "response",
        response,
        "{}",
        say("direction")
    );
    let fields: Vec<&Value> = found["fields"].as_array().unwrap().iter().collect();
    let named = |name: &str| {
        fields
            .iter()
            .copied()
            .filter(|field| field["name"] == name)
            .collect::<Vec<_>>()
    };
    let payload = found["payload"].as_str().unwrap();
    if wanted["proto"] == "gmlan" && fields.len() > 1 {
        // The family shows itself only after some messages; what was said before must not be wrong.
        let foreign = found["name"].as_str().unwrap().contains("not in ISO 14229");
        let same = [
            "10", "27", "34", "36", "3E", "50", "67", "74", "76", "7E", "5A", "1A",
        ];
        assert!(
            foreign || same.contains(&&payload[..2]),
            "{}",
            say("foreign")
        );
        return;
    }
    if let Some(nrc) = wanted["nrc"].as_str() {
        assert_eq!(
            hex(&named("response code")[0]["value"]).as_deref(),
            Some(nrc),
            "{}",
            say("nrc")
        );
        assert_eq!(
            hex(&named("refused service")[0]["value"]).as_deref(),
            wanted["of"].as_str(),
            "{}",
            say("of")
        );
        assert_eq!(
            found["pending_for"].is_null(),
            nrc != "78",
            "{}",
            say("pending")
        );
    }
    if let Some(sub) = wanted["subfunction"].as_str() {
        let names = ["sub-function", "session"];
        let field = fields
            .iter()
            .find(|field| names.contains(&field["name"].as_str().unwrap()))
            .unwrap();
        let byte = |text: &str| u8::from_str_radix(text, 16).unwrap() & 0x7F;
        assert_eq!(
            byte(&hex(&field["value"]).unwrap()),
            byte(sub),
            "{}",
            say("sub-function")
        );
    }
    let identifiers: Vec<String> = named("identifier")
        .iter()
        .filter_map(|field| hex(&field["value"]))
        .collect();
    if let Some(wanted) = wanted["dids"].as_array() {
        let wanted: Vec<&str> = wanted.iter().filter_map(Value::as_str).collect();
        assert_eq!(identifiers, wanted, "{}", say("identifiers"));
    }
    if let Some(wanted) = wanted["did"].as_str() {
        assert_eq!(identifiers, [wanted], "{}", say("identifier"));
    }
    if let Some(local) = wanted["lid"].as_str() {
        assert_eq!(
            hex(&named("local identifier")[0]["value"]).as_deref(),
            Some(local),
            "{}",
            say("local")
        );
    }
    if let Some(length) = wanted["data_len"].as_u64() {
        let data: usize = named("data")
            .iter()
            .map(|field| field["raw"].as_str().unwrap().len() / 2)
            .sum();
        assert_eq!(data as u64, length, "{}", say("data"));
    }
    if let Some(mask) = wanted["availability_mask"].as_str() {
        assert_eq!(
            hex(&named("status bits supported")[0]["value"]).as_deref(),
            Some(mask)
        );
    }
    if let Some(codes) = wanted["dtcs"].as_array() {
        let wanted: Vec<(String, String)> = codes
            .iter()
            .map(|code| {
                let text = |key: &str| code[key].as_str().unwrap();
                (
                    format!("{}-{}", text("code"), text("ftb")),
                    text("status").to_owned(),
                )
            })
            .collect();
        let values = named("code");
        let statuses = named("status");
        let found: Vec<(String, String)> = values
            .iter()
            .zip(&statuses)
            .map(|(code, status)| {
                (
                    code["value"].as_str().unwrap().to_owned(),
                    hex(&status["value"]).unwrap(),
                )
            })
            .collect();
        assert_eq!(
            (found, values.len()),
            (wanted.clone(), wanted.len()),
            "{}",
            say("codes")
        );
    }
    if let Some(count) = wanted["dtc_count"].as_u64() {
        assert_eq!(
            named("number of codes")[0]["value"].as_u64(),
            Some(count),
            "{}",
            say("count")
        );
    }
    if let Some(records) = wanted["records"].as_array() {
        let parameters = named("parameter");
        assert_eq!(parameters.len(), records.len(), "{}", say("parameters"));
        for (record, parameter) in records.iter().zip(parameters) {
            let number =
                |text: &str| u8::from_str_radix(text.trim_start_matches("0x"), 16).unwrap();
            assert_eq!(
                number(parameter["value"].as_str().unwrap()),
                number(record["pid"].as_str().unwrap())
            );
            let end = &parameter["bytes"][1];
            let field = fields
                .iter()
                .find(|field| field["bytes"][0] == *end)
                .unwrap();
            if let Some(data) = record["data"].as_str() {
                let (value, _) = data.split_once(' ').unwrap();
                let value: f64 = value.parse().unwrap();
                let own = field["value"].as_f64().unwrap();
                assert!(
                    (own - value).abs() < 1e-3 * value.abs().max(1.0),
                    "{}",
                    say("value")
                );
            } else {
                let mut wanted: Vec<String> = record["supported_pids"]
                    .as_str()
                    .unwrap()
                    .split('+')
                    .map(|pid| pid.trim_start_matches("PID").to_owned())
                    .collect();
                wanted.sort();
                assert_eq!(
                    field["value"].as_str().unwrap(),
                    wanted.join(" "),
                    "{}",
                    say("map")
                );
            }
        }
    }
}
