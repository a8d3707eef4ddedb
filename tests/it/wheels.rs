//! `wheels`: table, drawing, CSV, JSON, SVG and the search, on the demo captures.

use serde_json::Value;

use crate::command::{program, run, text, top};

fn demo(name: &str, more: &[&str]) -> String {
    let capture = format!("captures/{name}/drive.log.gz");
    let profile = format!("captures/{name}/profile.yaml");
    let mut arguments = vec!["wheels", &capture, "--profile", &profile];
    arguments.extend(more);
    text(&arguments)
}

fn shown(name: &str) -> Vec<String> {
    let found: Value = serde_json::from_str(&demo(name, &["--format", "json"])).unwrap();
    let mut shown = Vec::new();
    for (list, key) in [("wheels", "wheel"), ("axles", "axle")] {
        for place in found[list].as_array().unwrap() {
            for measure in place["measures"].as_array().unwrap() {
                if measure["verdict"] == "shown" {
                    shown.push(format!(
                        "{} {}",
                        place[key].as_str().unwrap(),
                        measure["id"].as_str().unwrap()
                    ));
                }
            }
        }
    }
    shown
}

/// The simulated vehicle counts pulses; its faults are those that the captures' own page names.
#[test]
fn the_demo_captures_show_their_fault_and_no_other() {
    let has = |name: &str, fault: &str| {
        let shown = shown(name);
        assert!(shown.contains(&fault.to_owned()), "{name}: {shown:?}");
        let place = fault.split(' ').next().unwrap();
        assert!(
            shown.iter().all(|text| text.starts_with(place)),
            "{name}: {shown:?}"
        );
    };
    assert_eq!(shown("healthy"), [""; 0]);
    assert_eq!(shown("fluid-low"), [""; 0]);
    assert_eq!(shown("remembered"), [""; 0]);
    has("tooth-missing", "left-rear comb");
    has("tyre-mismatch", "right-rear ratio");
    has("weak-signal", "right-front onset");
    has("sensors-swapped", "front swapped");
    has("wheel-bearing", "right-front order_1");
}

#[test]
fn the_page_fits_its_width() {
    for width in ["80", "120"] {
        let output = program(&top())
            .args([
                "wheels",
                "captures/tooth-missing/drive.log.gz",
                "--profile",
                "captures/tooth-missing/profile.yaml",
            ])
            .env("COLUMNS", width)
            .output()
            .unwrap();
        let page = String::from_utf8(output.stdout).unwrap();
        let widest = page.lines().map(|line| line.chars().count()).max().unwrap();
        assert!(widest <= width.parse().unwrap(), "{width}: {widest}");
        assert!(page.contains("! left rear: pulses missing in each turn"));
    }
    let output = program(&top())
        .args([
            "wheels",
            "captures/tooth-missing/drive.log.gz",
            "--profile",
            "captures/tooth-missing/profile.yaml",
        ])
        .env("LC_ALL", "C")
        .output()
        .unwrap();
    assert!(output.stdout.is_ascii());
}

#[test]
fn csv_has_the_header_and_a_row_for_each_time() {
    let rows = demo("healthy", &["--format", "csv"]);
    let mut lines = rows.lines();
    assert_eq!(
        lines.next(),
        Some("time_s,left_front_kmh,right_front_kmh,left_rear_kmh,right_rear_kmh")
    );
    let mut last = String::new();
    let mut count = 0;
    for line in lines {
        assert_eq!(line.split(',').count(), 5, "{line}");
        let time = line.split(',').next().unwrap().to_owned();
        assert!(time > last, "{line}");
        last = time;
        count += 1;
    }
    assert!(count > 4_000, "{count}");
}

/// The drawing of a demo capture.
fn plotted(capture: &str) -> String {
    let folder = tempfile::tempdir().unwrap();
    let plot = folder.path().join("plot.svg");
    demo(capture, &["--plot", plot.to_str().unwrap()]);
    std::fs::read_to_string(plot).unwrap()
}

#[test]
fn the_plot_is_one_svg() {
    let svg = plotted("tooth-missing");
    assert!(svg.starts_with("<svg ") && svg.ends_with("</svg>\n"));
    for word in ["left rear", "(order)", "turns of the wheel", "km/h"] {
        assert!(svg.contains(word), "{word}");
    }
    assert!(!svg.contains("NaN"));
    // The pattern returns all through the drive, not at its beginning only.
    let places: Vec<f64> = svg
        .lines()
        .filter(|line| line.ends_with(">p</text>"))
        .map(|line| line.split('"').nth(1).unwrap().parse().unwrap())
        .collect();
    let (first, last) = (places[0], places[places.len() - 1]);
    assert!(first < 250.0 && last > 600.0, "{places:?}");
}

#[test]
fn what_lasts_is_marked_for_as_long_as_it_lasts() {
    // The signal is gone whenever the vehicle travels, in half of the 95 letters of a row or more.
    let svg = plotted("polled");
    let gone = svg.lines().filter(|line| line.ends_with(">o</text>"));
    assert!(gone.count() > 40, "{svg}");
}

#[test]
fn a_file_name_in_the_plot_is_no_markup() {
    let folder = tempfile::tempdir().unwrap();
    let capture = folder.path().join("<b onload=x>&.log.gz");
    std::fs::copy(top().join("captures/healthy/drive.log.gz"), &capture).unwrap();
    let plot = folder.path().join("plot.svg");
    text(&[
        "wheels",
        capture.to_str().unwrap(),
        "--profile",
        "captures/healthy/profile.yaml",
        "--plot",
        plot.to_str().unwrap(),
    ]);
    let svg = std::fs::read_to_string(plot).unwrap();
    assert!(svg.contains("&lt;b onload=x&gt;&amp;.log.gz"), "{svg}");
    assert!(!svg.contains("<b "));
}

#[test]
fn what_was_found_is_a_profile_that_reads_the_same_speeds() {
    let folder = tempfile::tempdir().unwrap();
    let capture = "captures/healthy/drive.log.gz";
    let found = folder.path().join("found.yaml");
    text(&[
        "wheels",
        capture,
        "--find",
        "--format",
        "yaml",
        "--output",
        found.to_str().unwrap(),
    ]);
    let rows = text(&[
        "wheels",
        capture,
        "--profile",
        found.to_str().unwrap(),
        "--format",
        "csv",
    ]);
    assert!(rows.lines().count() > 4_000);
    let json: Value =
        serde_json::from_str(&text(&["wheels", capture, "--find", "--format", "json"])).unwrap();
    assert!(json["candidates"][0]["score"].as_f64().unwrap() > 0.5);
    assert!(json["candidates"][0]["speeds"]["left-front"]["frame"].is_string());
}

#[test]
fn a_profile_without_speeds_says_what_would_help() {
    let folder = tempfile::tempdir().unwrap();
    let profile = folder.path().join("empty.yaml");
    std::fs::write(&profile, "profile: 1\n").unwrap();
    let output = run(&[
        "wheels",
        "captures/healthy/drive.log.gz",
        "--profile",
        profile.to_str().unwrap(),
    ]);
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stderr).contains("--find"));
    let output = run(&["wheels", "captures/healthy/drive.log.gz"]);
    assert_eq!(output.status.code(), Some(2));
}
