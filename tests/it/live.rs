//! The picture and the lines of `live`, printed from the invented report.

use tonering::report::live::{Live, WheelNow, changes, screen, status};
use tonering::report::text::Layout;

use crate::report_example::{HARM, example, hostile};

fn live() -> Live {
    let speed = |speed_kmh| WheelNow {
        speed_kmh: Some(speed_kmh),
        age_s: Some(0.02),
    };
    Live {
        link: "can0".to_owned(),
        bus: "500 kbit/s, error active".to_owned(),
        sending: "nothing, this program only listens; the adapter acknowledges frames of others".to_owned(),
        seconds: 151.4,
        frames: 120_034,
        rate: 811.6,
        error_frames: 3,
        lost: 0,
        troubles: vec![(
            "disturbed",
            "Errors beside readable frames (3 in the last 5 s): wiring, termination (60 ohm between CAN high and low) or a node \
             that disturbs."
                .to_owned(),
        )],
        recording: Some("drive.log, 5.2 MB".to_owned()),
        wheels: [
            WheelNow {
                speed_kmh: Some(12.0),
                age_s: Some(7.0),
            },
            speed(43.21),
            WheelNow {
                speed_kmh: None,
                age_s: Some(0.02),
            },
            speed(43.3),
        ],
        report: Some(example()),
        ..Live::default()
    }
}

fn picture(live: &Live, width: usize, unicode: bool, rows: usize) -> String {
    let layout = Layout {
        width,
        colour: false,
        unicode,
    };
    screen(live, layout, rows).unwrap().join("\n")
}

#[test]
fn the_picture_of_24_lines_at_80_columns() {
    insta::assert_snapshot!("live_80", picture(&live(), 80, true, 24));
}

#[test]
fn the_picture_of_40_lines_at_120_columns() {
    insta::assert_snapshot!("live_120", picture(&live(), 120, true, 40));
}

#[test]
fn the_picture_before_anything_was_heard() {
    let nothing = Live {
        link: "can0".to_owned(),
        sending: "nothing, this program only listens".to_owned(),
        ..Live::default()
    };
    insta::assert_snapshot!("live_nothing", picture(&nothing, 80, false, 24));
}

/// At every size: never more lines than the screen has, never a wider one, and the last says how to stop.
#[test]
fn the_picture_fits_every_terminal() {
    for rows in 1..60 {
        for width in [60, 80, 100, 120] {
            let shown = picture(&live(), width, true, rows);
            assert!(shown.lines().count() <= rows);
            let wide = shown.lines().map(|line| line.chars().count()).max();
            assert!(wide.unwrap() <= width, "{shown}");
            assert!(shown.lines().last().unwrap().starts_with("Ctrl-C stops"));
        }
    }
}

#[test]
fn what_comes_from_outside_does_not_steer_the_terminal() {
    for harm in HARM {
        let mut live = live();
        live.report = Some(hostile(harm));
        let shown = picture(&live, 80, true, 40);
        assert!(
            !shown.chars().any(|c| c.is_control() && c != '\n'),
            "{shown:?}"
        );
    }
}

#[test]
fn lines_tell_what_has_changed_and_nothing_twice() {
    let nothing = Live::default();
    let first = changes(&nothing, &live());
    insta::assert_snapshot!("live_lines", first.join("\n"));
    assert_eq!(changes(&live(), &live()), Vec::<String>::new());
    let mut later = live();
    later.troubles.clear();
    later.frames += 1_000;
    later.wheels[0].age_s = Some(0.1);
    let report = later.report.as_mut().unwrap();
    let gone = report.codes.remove(0);
    let told = changes(&live(), &later);
    assert_eq!(told.len(), 3, "{told:?}");
    assert_eq!(told[0], "disturbed: over");
    assert_eq!(told[1], "wheel: left front 12.0 km/h");
    assert!(
        told[2].starts_with(&format!("code: {}", gone.code)),
        "{told:?}"
    );
    assert!(told[2].ends_with("is no longer reported"), "{told:?}");
}

#[test]
fn the_status_is_one_line() {
    assert_eq!(
        status(&live()),
        "status: 120 034 frames, 812 a second, 3 error frames, 0 lost; wheels silent 43.2 no value 43.3 km/h"
    );
}
