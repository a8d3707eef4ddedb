//! From which severity on a fault is found, at which sampling: the table of the documentation, made anew.
//!
//! A recorded drive (one reading a second) gives the speeds; each wheel's ring, sensor and module are emulated at the
//! pulse level, with the roughness of a road; one wheel has the fault.

#![expect(
    clippy::disallowed_methods,
    reason = "tests read the corpus and the documentation"
)]

use super::injection::{Fault, resampled};
use super::measures::measure;
use super::recordings::{self, Recording};
use super::tests::outcome;

/// Sampling intervals, in s.
const INTERVALS: [f64; 5] = [0.01, 0.02, 0.1, 0.5, 1.0];
/// Length of a drive, in s.
const DRIVE_S: f64 = 240.0;
/// Drives of each fault: other rings, other roads, other wheels.
const DRIVES: u64 = 3;
/// Drives without a fault for the false alarms.
const SOUND_DRIVES: u64 = 6;

const FAULTS: &[(&str, Fault)] = &[
    ("1 tooth of 48 missing", Fault::MissingTeeth(1)),
    ("2 teeth missing", Fault::MissingTeeth(2)),
    ("4 teeth missing", Fault::MissingTeeth(4)),
    ("ring off centre by 0.4 %", Fault::OffCentre(0.004)),
    ("ring off centre by 0.7 %", Fault::OffCentre(0.007)),
    ("ring off centre by 1 %", Fault::OffCentre(0.01)),
    ("ring off centre by 2 %", Fault::OffCentre(0.02)),
    ("no pulses below 3 km/h", Fault::WeakBelow(3.0)),
    ("no pulses below 5 km/h", Fault::WeakBelow(5.0)),
    ("no pulses below 10 km/h", Fault::WeakBelow(10.0)),
    (
        "open 10 times a minute for 0.02 s",
        Fault::Intermittent(10.0, 0.02),
    ),
    (
        "open 10 times a minute for 0.1 s",
        Fault::Intermittent(10.0, 0.1),
    ),
    (
        "open 10 times a minute for 0.5 s",
        Fault::Intermittent(10.0, 0.5),
    ),
    ("open once a minute for 2 s", Fault::Intermittent(1.0, 2.0)),
    ("tyre 2 % smaller", Fault::Tyre(0.02)),
    ("tyre 4 % smaller", Fault::Tyre(0.04)),
    ("tyre 6 % smaller", Fault::Tyre(0.06)),
    ("tyre 6 % larger", Fault::Tyre(-0.06)),
    ("3 stray pulses a second", Fault::Noise(3.0)),
    ("10 stray pulses a second", Fault::Noise(10.0)),
    ("30 stray pulses a second", Fault::Noise(30.0)),
    ("no pulses at all", Fault::Dead),
];

/// The drive: a town trip with stops, from its first start on.
fn drive() -> Recording {
    let mut drive = recordings::all()
        .into_iter()
        .find(|recording| recording.name == "polled-05")
        .expect("the trip is in the corpus");
    let start = drive.wheels[0]
        .speed_kmh
        .iter()
        .position(|speed| *speed > 5.0)
        .unwrap_or(0)
        .saturating_sub(5);
    for wheel in &mut drive.wheels {
        wheel.time_s.drain(..start);
        wheel.speed_kmh.drain(..start);
    }
    drive
}

fn table() -> String {
    use std::fmt::Write as _;
    let drive = drive();
    let mut text = String::from("| fault at one wheel |");
    for interval in INTERVALS {
        let _ = write!(text, " every {interval} s |");
    }
    text.push_str("\n| --- |");
    text.push_str(&" --- |".repeat(INTERVALS.len()));
    text.push('\n');
    let mut elsewhere = 0;
    let mut runs = 0;
    for &(words, fault) in FAULTS {
        let _ = write!(text, "| {words} |");
        for interval in INTERVALS {
            let mut found = 0;
            for run in 0..DRIVES {
                let wheel = usize::try_from(run % 4).unwrap();
                let mut faults = [Fault::None; 4];
                faults[wheel] = fault;
                let recording = resampled(&drive, interval, DRIVE_S, faults, 11 + run);
                let (named, others) = outcome(&measure(&recording.input()), wheel, fault);
                found += u32::from(named);
                elsewhere += others.len();
                runs += 1;
            }
            let _ = write!(text, " {found} of {DRIVES} |");
        }
        text.push('\n');
    }
    let mut alarms = Vec::new();
    let mut sound = 0;
    for interval in INTERVALS {
        for run in 0..SOUND_DRIVES {
            let recording = resampled(&drive, interval, DRIVE_S, [Fault::None; 4], 100 + run);
            alarms.extend(outcome(&measure(&recording.input()), 0, Fault::None).1);
            sound += 1;
        }
    }
    let _ = write!(
        text,
        "\n{runs} drives of {DRIVE_S:.0} s with a fault: {elsewhere} measures shown at a sound wheel. {sound} drives without one: {} measures shown.\n",
        alarms.len()
    );
    text
}

/// The table of the documentation is what comes out. `TONERING_UPDATE=1` writes it anew.
#[test]
#[ignore = "needs the capture corpus"]
fn the_documented_curve_is_what_comes_out() {
    const BEGIN: &str = "<!-- made by the test `the_documented_curve_is_what_comes_out` -->\n";
    const END: &str = "<!-- end -->\n";
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/wheel-measures.md");
    let page = std::fs::read_to_string(path).expect("the page");
    let (before, rest) = page.split_once(BEGIN).expect("where the table begins");
    let (documented, after) = rest.split_once(END).expect("where the table ends");
    let made = table();
    if std::env::var_os("TONERING_UPDATE").is_some() {
        std::fs::write(path, format!("{before}{BEGIN}\n{made}\n{END}{after}"))
            .expect("the page is written");
        return;
    }
    assert_eq!(
        documented.trim(),
        made.trim(),
        "TONERING_UPDATE=1 writes it anew"
    );
}
