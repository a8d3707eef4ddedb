//! An invented report: a training trolley whose left front sensor cable opens in turns. All numbers are made up to show
//! every part of a report; they are no check values.

use tonering::place::{Place, Wheel};
use tonering::report::comparison::{
    CodeChange, CodeFate, Comparison, MeasureChange, MeasureFate, ModuleChange, Outcome, Value,
};
use tonering::report::plot::{COLUMNS, Mark, decimate};
use tonering::report::{
    ByteLine, CaptureLine, CauseLine, CheckLine, CodeLine, FindingLine, LikelyLine, MeasureLine,
    ModuleLine, Plot, RepairLine, Report, Safety, Urgency, VisitLine, Weighed, WheelLine,
};

const LF: Place = Place::Wheel(Wheel::LeftFront);
const START_S: f64 = 1_700_000_000.0;

/// The report.
pub(crate) fn example() -> Report {
    Report {
        program: "tonering 0.1.0".into(),
        vehicle: Some("Training trolley, four active sensors".into()),
        safety: Some(Safety {
            urgency: Urgency::DriveWithCare,
            words: "The anti-lock function is off while the lamp is lit; the foot brake itself works. Keep a longer \
                    distance and brake gently, above all on a wet road."
                .into(),
            reasons: vec![
                "The brake module reports a fault that is present now.".into(),
                "One wheel's speed is missing while the vehicle moves.".into(),
            ],
        }),
        captures: vec![CaptureLine {
            file: "drive.log".into(),
            kind: "candump".into(),
            frames: 120_034,
            unreadable: 2,
            remarks: vec![
                "Line 88123 breaks off in the middle of a frame.".into(),
                "The last line has no end.".into(),
            ],
            first_s: Some(START_S),
            last_s: Some(START_S + 612.4),
            sha256: Some("9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08".into()),
        }],
        modules: modules(),
        codes: codes(),
        wheels: wheels(),
        findings: findings(),
        causes: causes(),
        checks: checks(),
        repair: Some(repair()),
        cautions: vec![
            "Work on brakes decides over lives: if you are not sure of a step, hand it to a workshop.".into(),
            "Secure the vehicle against rolling before you work at a wheel; never rely on a jack alone.".into(),
        ],
        limits: vec![
            "The speeds come 50 times a second: a tone-ring fault shows up to 48 km/h only.".into(),
            "No stop from speed in the recording: the sensors were not seen while braking hard.".into(),
        ],
        fit: Some("One cause explains everything that was found.".into()),
        stability: Some("Were the first half as frequent as the rules assume, it would still be first.".into()),
        plots: plots(),
        rules: vec!["built-in, 22 causes, 31 findings, 28 checks".into()],
        left_out: Some(0.000_3),
        visits: vec![visit()],
        basis: None,
        error: None,
    }
}

fn visit() -> VisitLine {
    VisitLine {
        number: 1,
        date: "2026-11-02".into(),
        kind: "diagnosis".into(),
        found: vec!["C0031-13 from Brake control, present now".into()],
        done: vec!["Connector at the left front wheel: no dirt, no bent pin.".into()],
    }
}

fn modules() -> Vec<ModuleLine> {
    let module = |name: &str, role, request: &str, response: &str, state, words: &str| ModuleLine {
        name: name.into(),
        role,
        request: Some(request.into()),
        response: Some(response.into()),
        state,
        words: words.into(),
    };
    vec![
        module(
            "Brake control",
            "brakes",
            "0x740",
            "0x748",
            "answering",
            "answered 14 of 14 requests",
        ),
        module(
            "Engine control",
            "powertrain",
            "0x7E0",
            "0x7E8",
            "answering",
            "answered 6 of 6 requests",
        ),
        module(
            "Steering angle",
            "steering",
            "0x742",
            "0x74A",
            "silent",
            "kept silent: asked 3 times, never answered",
        ),
    ]
}

fn codes() -> Vec<CodeLine> {
    vec![
        CodeLine {
            code: "C0031".into(),
            failure_type: Some("13".into()),
            failure_words: Some("circuit open".into()),
            status: Some("0x2F".into()),
            list: None,
            test_failed: Some(true),
            confirmed: Some(true),
            pending: Some(true),
            state_words: "present now".into(),
            module: "Brake control".into(),
            meaning: "Left front wheel speed sensor: signal".into(),
            time_s: Some(START_S + 3.2),
            origin: "drive.log:412".into(),
            bytes: [
                ("40", "first byte of the code", "letter C (chassis), first digit 0, second digit 0"),
                ("31", "second byte of the code", "last two digits 31"),
                ("13", "failure type", "circuit open"),
                ("2F", "status", "test failed now and in this cycle; pending; confirmed; failed since the last clearing"),
            ]
            .map(|(raw, name, meaning)| ByteLine {
                raw: raw.into(),
                name: name.into(),
                meaning: meaning.into(),
            })
            .into(),
        },
        CodeLine {
            code: "P0500".into(),
            failure_type: None,
            failure_words: None,
            status: None,
            list: Some("stored"),
            test_failed: None,
            confirmed: None,
            pending: None,
            state_words: "remembered".into(),
            module: "Engine control".into(),
            meaning: "Vehicle speed signal".into(),
            time_s: Some(START_S + 4.75),
            origin: "drive.log:530".into(),
            bytes: [
                ("05", "first byte of the code", "letter P (engine), first digit 0, second digit 5"),
                ("00", "second byte of the code", "last two digits 00"),
            ]
            .map(|(raw, name, meaning)| ByteLine {
                raw: raw.into(),
                name: name.into(),
                meaning: meaning.into(),
            })
            .into(),
        },
    ]
}

fn wheels() -> Vec<WheelLine> {
    Wheel::ALL
        .into_iter()
        .map(|wheel| {
            let faulty = wheel == Wheel::LeftFront;
            let measure = |id, name: &str, value, uncertainty, unit, times_s: &[f64]| MeasureLine {
                id,
                name: name.into(),
                value,
                uncertainty,
                unit,
                shown: faulty,
                times_s: times_s.iter().map(|time| START_S + time).collect(),
            };
            let mut measures = vec![
                measure(
                    "dropout_share",
                    "signal missing while moving",
                    if faulty { 8.4 } else { 0.0 },
                    faulty.then_some(0.3),
                    "%",
                    if faulty {
                        &[95.2, 171.0, 260.4, 300.25, 410.0, 555.5]
                    } else {
                        &[]
                    },
                ),
                measure(
                    "onset_kmh",
                    "signal starts at",
                    if faulty { 2.9 } else { 2.75 },
                    Some(0.4),
                    "km/h",
                    &[],
                ),
                measure(
                    "ratio",
                    "rolls faster than the others by",
                    -0.12,
                    Some(0.08),
                    "%",
                    &[],
                ),
            ];
            if !faulty {
                measures.push(measure(
                    "turn_1",
                    "once-per-turn ripple",
                    0.21,
                    Some(0.05),
                    "%",
                    &[],
                ));
            }
            WheelLine {
                wheel,
                samples: 30_120,
                interval_s: Some(0.02),
                top_kmh: Some(63.1),
                measures,
                limits: if faulty {
                    vec!["Ripple once per turn: too many gaps in the signal.".into()]
                } else {
                    Vec::new()
                },
            }
        })
        .collect()
}

fn findings() -> Vec<FindingLine> {
    let finding =
        |id: &str, place, holds, summary: &str, times_s: &[f64], source, origins: &[&str]| {
            FindingLine {
                id: id.into(),
                place,
                holds,
                summary: summary.into(),
                measure: None,
                unit: None,
                times_s: times_s.iter().map(|time| START_S + time).collect(),
                source,
                origins: origins.iter().map(|&origin| origin.into()).collect(),
            }
        };
    vec![
        finding(
            "code-sensor-circuit-open",
            LF,
            true,
            "The brake module reports an open circuit at the left front sensor, present now.",
            &[3.2],
            "capture",
            &["drive.log:412"],
        ),
        FindingLine {
            measure: Some(8.4),
            unit: Some("%".into()),
            ..finding(
                "speed-dropout",
                LF,
                true,
                "The left front speed falls to zero while the other wheels turn.",
                &[95.2, 171.0, 260.4, 300.25, 410.0, 555.5],
                "capture",
                &["drive.log:18604", "drive.log:33512"],
            )
        },
        finding(
            "tone-ring-sound",
            LF,
            true,
            "The left front tone ring was looked at and is intact.",
            &[],
            "notes",
            &[],
        ),
        finding(
            "turn-ripple",
            LF,
            false,
            "No ripple once per turn in the left front speed.",
            &[],
            "capture",
            &[],
        ),
        finding(
            "supply-dip",
            Place::Vehicle,
            false,
            "The supply of the brake module never fell below 11.8 V.",
            &[],
            "capture",
            &[],
        ),
    ]
}

fn causes() -> Vec<CauseLine> {
    let weigh = |pairs: &[(usize, f64)]| -> Vec<Weighed> {
        pairs
            .iter()
            .map(|&(finding, factor)| Weighed { finding, factor })
            .collect()
    };
    let cause = |id: &str, place, name: &str, probability, prior, work, summary: &str| CauseLine {
        id: id.into(),
        place,
        name: name.into(),
        probability,
        prior,
        speaks_for: Vec::new(),
        speaks_against: Vec::new(),
        work,
        summary: summary.into(),
        cautions: Vec::new(),
    };
    let mut causes = vec![
        CauseLine {
            speaks_for: weigh(&[(0, 42.0), (1, 12.3)]),
            cautions: vec!["Route and clip the new cable exactly as the old one, clear of the tyre at full lock.".into()],
            ..cause(
                "sensor-circuit",
                LF,
                "Sensor cable or connector",
                0.812,
                0.04,
                "home",
                "The wire between sensor and module is open, shorted or corroded, most often at the connector behind \
                 the wheel arch or where the cable bends with the suspension.",
            )
        },
        CauseLine {
            speaks_for: weigh(&[(0, 8.0), (1, 7.1)]),
            ..cause(
                "sensor-failed",
                LF,
                "Sensor element",
                0.171,
                0.03,
                "home",
                "The sensor itself has failed. It is bolted to the hub carrier and may be seized in its bore.",
            )
        },
        CauseLine {
            speaks_for: weigh(&[(1, 3.0)]),
            speaks_against: weigh(&[(2, 0.05), (3, 0.2)]),
            ..cause(
                "tone-ring",
                LF,
                "Tone ring or encoder",
                0.031,
                0.03,
                "workshop",
                "The ring that the sensor reads is cracked, corroded or lacks teeth.",
            )
        },
        CauseLine {
            speaks_against: weigh(&[(4, 0.125)]),
            ..cause(
                "supply-low",
                Place::Vehicle,
                "Supply voltage too low",
                0.009,
                0.03,
                "home",
                "Battery or charging voltage falls below what the brake module needs.",
            )
        },
        cause(
            "module-internal",
            Place::Vehicle,
            "Brake control module",
            0.006,
            0.01,
            "specialist",
            "Electronics or hydraulic unit of the brake module.",
        ),
    ];
    for (id, name) in [
        ("pump-motor", "Return pump or its relay"),
        ("brake-switch", "Brake lamp switch"),
    ] {
        causes.push(cause(
            id,
            Place::Vehicle,
            name,
            0.001,
            0.01,
            "workshop",
            "Not supported by anything read.",
        ));
    }
    causes
}

fn checks() -> Vec<CheckLine> {
    let texts = |texts: &[&str]| -> Vec<String> { texts.iter().map(|&text| text.into()).collect() };
    vec![
        CheckLine {
            id: "sensor-connector-look".into(),
            place: LF,
            name: "Look at the sensor's connector".into(),
            minutes: 15.0,
            urgent: true,
            why: "It costs least and settles the likeliest cause.".into(),
            expect: "Dry, clean contacts that hold firmly; no green or white deposit.".into(),
            steps: texts(&[
                "Ignition off. Turn the steering to full lock and follow the cable from the sensor to the connector.",
                "Open the connector and look into both halves with a lamp.",
                "Bend the cable gently along its length and look for breaks in the sheath.",
            ]),
            tools: texts(&["lamp", "contact cleaner"]),
            outcomes: texts(&[
                "Clean: cable or connector falls to 55 %, the sensor rises to 40 %; measure its resistance next.",
                "Corroded: cable or connector rises to 97 %; clean it and drive again.",
                "Loose: cable or connector rises to 98 %.",
            ]),
            cautions: texts(&["Chock the wheels and use stands: you reach behind the wheel."]),
        },
        CheckLine {
            id: "sensor-wiring-test".into(),
            place: LF,
            name: "Test the sensor's wires for breaks and shorts".into(),
            minutes: 30.0,
            urgent: false,
            why: "It finds a break that cannot be seen.".into(),
            expect: "Under 1 Ω along each wire and over 1 MΩ from each wire to earth.".into(),
            steps: texts(&[
                "Battery off. Unplug the sensor and the brake module.",
                "Measure along each wire while bending the cable, then from each wire to earth.",
            ]),
            tools: texts(&["multimeter", "back-probe pins"]),
            outcomes: texts(&[
                "Good: the sensor becomes the likeliest cause with 72 %.",
                "Open or short: cable or connector is certain enough to repair (over 99 %).",
            ]),
            cautions: texts(&["Never pierce the insulation: water follows the hole."]),
        },
    ]
}

/// A drive of ten minutes, 20 samples a second: stops, turns and the left front dropping out.
fn repair() -> RepairLine {
    let likely = |id: &str, place, name: &str, probability| LikelyLine {
        id: id.into(),
        place,
        name: name.into(),
        probability,
    };
    RepairLine {
        causes: vec![likely(
            "sensor-circuit",
            LF,
            "Sensor cable or connector",
            0.96,
        )],
        first: true,
        ends: 0.7,
        left: vec![
            likely(
                "tone-ring",
                Place::Wheel(Wheel::RightRear),
                "Tone ring or encoder",
                0.41,
            ),
            likely("supply-low", Place::Vehicle, "Battery or charging", 0.2),
        ],
        checks: checks().split_off(1),
    }
}

fn plots() -> Vec<Plot> {
    let time_s: Vec<f64> = (0..12_240).map(|i| START_S + f64::from(i) * 0.05).collect();
    let outs = [
        (95.2, 101.0),
        (171.0, 174.5),
        (260.4, 266.0),
        (300.25, 301.0),
        (410.0, 421.0),
        (555.5, 558.0),
    ];
    let speed = |t: f64, side: f64| {
        let base = 32.0 + 30.0 * (t / 47.0).sin() * (t / 211.0).cos();
        let stop = (t / 150.0).fract() * 150.0;
        let factor =
            ((stop - 6.0) / 12.0).clamp(0.0, 1.0) * ((150.0 - stop) / 12.0).clamp(0.0, 1.0);
        (base * factor * (1.0 + 0.02 * side * (t / 19.0).sin())).max(0.0)
    };
    #[expect(
        clippy::cast_possible_truncation,
        reason = "speeds are single precision, as in a trace"
    )]
    let columns = |side: f64, faulty: bool| {
        let value: Vec<f32> = time_s
            .iter()
            .map(|time| {
                let t = time - START_S;
                let out = faulty && outs.iter().any(|&(from, to)| (from..to).contains(&t));
                if out {
                    0.0
                } else {
                    ((speed(t, side) / 0.05).round() * 0.05) as f32
                }
            })
            .collect();
        decimate(&time_s, &value, COLUMNS, 1.0)
    };
    Wheel::ALL
        .into_iter()
        .map(|wheel| {
            let faulty = wheel == Wheel::LeftFront;
            let marks = if faulty {
                outs.map(|(from, to)| Mark {
                    from_s: START_S + from,
                    to_s: START_S + to,
                    words: "signal missing while moving".into(),
                })
                .into()
            } else {
                Vec::new()
            };
            Plot {
                title: wheel.words().into(),
                place: Place::Wheel(wheel),
                unit: "km/h",
                columns: columns(if wheel.is_left() { -1.0 } else { 1.0 }, faulty),
                reference: columns(0.0, false),
                marks,
            }
        })
        .collect()
}

/// The invented report with a harmful text in every place that takes text from outside.
pub(crate) fn hostile(text: &str) -> Report {
    let mut report = example();
    let set = |place: &mut String| text.clone_into(place);
    let set_all = |places: &mut Vec<String>| places.iter_mut().for_each(set);
    let set_some = |place: &mut Option<String>| place.iter_mut().for_each(set);
    set(&mut report.program);
    set_some(&mut report.vehicle);
    set_some(&mut report.fit);
    set_some(&mut report.stability);
    for list in [&mut report.cautions, &mut report.limits, &mut report.rules] {
        set_all(list);
    }
    if let Some(safety) = &mut report.safety {
        set(&mut safety.words);
        set_all(&mut safety.reasons);
    }
    for capture in &mut report.captures {
        set(&mut capture.file);
        set(&mut capture.kind);
        set_all(&mut capture.remarks);
        set_some(&mut capture.sha256);
    }
    for visit in &mut report.visits {
        set(&mut visit.date);
        set(&mut visit.kind);
        set_all(&mut visit.found);
        set_all(&mut visit.done);
    }
    for module in &mut report.modules {
        set(&mut module.name);
        set(&mut module.words);
        set_some(&mut module.request);
        set_some(&mut module.response);
    }
    for code in &mut report.codes {
        for place in [
            &mut code.code,
            &mut code.state_words,
            &mut code.module,
            &mut code.meaning,
            &mut code.origin,
        ] {
            set(place);
        }
        for place in [
            &mut code.failure_type,
            &mut code.failure_words,
            &mut code.status,
        ] {
            set_some(place);
        }
        for byte in &mut code.bytes {
            set(&mut byte.raw);
            set(&mut byte.name);
            set(&mut byte.meaning);
        }
    }
    for wheel in &mut report.wheels {
        set_all(&mut wheel.limits);
        for measure in &mut wheel.measures {
            set(&mut measure.name);
            measure.value = f64::NAN;
        }
    }
    for finding in &mut report.findings {
        set(&mut finding.id);
        set(&mut finding.summary);
        set_some(&mut finding.unit);
        set_all(&mut finding.origins);
    }
    for cause in &mut report.causes {
        set(&mut cause.id);
        set(&mut cause.name);
        set(&mut cause.summary);
        set_all(&mut cause.cautions);
    }
    hostile_plan(&mut report, text);
    for plot in &mut report.plots {
        set(&mut plot.title);
        for mark in &mut plot.marks {
            set(&mut mark.words);
        }
    }
    report
}

/// The same in the checks and the repair.
fn hostile_plan(report: &mut Report, text: &str) {
    let set = |place: &mut String| text.clone_into(place);
    let set_all = |places: &mut Vec<String>| places.iter_mut().for_each(set);
    let repair = report.repair.iter_mut();
    for line in repair.flat_map(|repair| repair.causes.iter_mut().chain(&mut repair.left)) {
        set(&mut line.id);
        set(&mut line.name);
    }
    let repair = report.repair.iter_mut();
    let follow = repair.flat_map(|repair| &mut repair.checks);
    for check in report.checks.iter_mut().chain(follow) {
        for place in [
            &mut check.id,
            &mut check.name,
            &mut check.why,
            &mut check.expect,
        ] {
            set(place);
        }
        for list in [
            &mut check.steps,
            &mut check.tools,
            &mut check.outcomes,
            &mut check.cautions,
        ] {
            set_all(list);
        }
    }
}

/// Texts that try to do harm.
pub(crate) const HARM: &[&str] = &[
    "\u{1b}[31mred\u{1b}[0m\u{1b}]8;;http://example.invalid\u{7}link\u{1b}]8;;\u{7}",
    "\u{9b}2J\u{85}\u{90}q",
    "abc\u{202e}cba\u{202c} \u{2066}x\u{2069} \u{200f}\u{61c}",
    "<script>console.log('in')</script><img src=\"http://example.invalid/x\" onerror=\"console.log('in')\">",
    "\"'><svg/onload=console.log('in')></style></title></script>",
    "a|b `c` *d* _e_ [f](http://example.invalid) @team #12 ~~x~~ :+1: $x$",
    "=1+1,\"x\"\r\ny",
    "",
];

/// The start of the plots, with this at each mark, or without marks.
fn drawn(plots: &[Plot], words: Option<&str>) -> Vec<Plot> {
    let mut plots = plots.to_vec();
    for plot in &mut plots {
        plot.columns.truncate(60);
        plot.reference.truncate(60);
        match words {
            Some(words) => plot
                .marks
                .iter_mut()
                .for_each(|mark| mark.words = words.into()),
            None => plot.marks.clear(),
        }
    }
    plots
}

/// An invented comparison: one code gone, one not tested again, a drop-out that came seldom.
pub(crate) fn comparison(text: &str) -> Comparison {
    let code = |code: &str, fate, after: Option<&str>, words: &str| CodeChange {
        code: code.into(),
        failure_type: Some("13".into()),
        module: "Brake control".into(),
        meaning: text.into(),
        fate,
        before: Some("0x2F".into()),
        after: after.map(Into::into),
        words: words.into(),
    };
    let value = |value, uncertainty, faulty| {
        Some(Value {
            value,
            uncertainty,
            faulty,
        })
    };
    let measure = |wheel, id, name, unit, before, after, fate, words: &str| MeasureChange {
        place: Place::Wheel(wheel),
        id,
        name,
        unit,
        before,
        after,
        beyond_uncertainty: Some(fate != MeasureFate::Same),
        fate,
        words: words.into(),
    };
    let report = example();
    Comparison {
        plots: [drawn(&report.plots, Some(text)), drawn(&report.plots, None)],
        program: report.program,
        vehicle: Some(text.into()),
        before: report.captures.clone(),
        after: report.captures,
        outcome: Outcome::Likely,
        reasons: vec!["A trouble code is gone after a drive.".into(), text.into()],
        codes: vec![
            code(
                "C0031",
                CodeFate::Gone,
                None,
                "No longer listed, after a drive of up to 42 km/h.",
            ),
            code(
                "C0034",
                CodeFate::NotRetested,
                Some("0x50"),
                "Cleared, and its test has not run since.",
            ),
        ],
        modules: vec![ModuleChange {
            name: text.into(),
            before: Some("silent"),
            after: Some("answering"),
            words: "was silent and answers now.".into(),
        }],
        measures: vec![
            measure(
                Wheel::LeftFront,
                "dropout_longest",
                "longest drop-out",
                "s",
                value(1.2, 0.02, true),
                value(0.0, 0.0, false),
                MeasureFate::Better,
                "It came 2 times in 10 minutes of driving before. In 10 minutes it would have stayed away by luck with a \
                 chance of 14 %.",
            ),
            measure(
                Wheel::RightFront,
                "ratio",
                "speed against the other wheels, less 1",
                "",
                value(0.001, 0.002, false),
                value(0.0, 0.002, false),
                MeasureFate::Same,
                "The same within its uncertainty.",
            ),
        ],
        remaining: vec![
            "Drive at least 6 more minutes in the same way.".into(),
            text.into(),
        ],
        visits: vec![VisitLine {
            found: vec![text.into()],
            done: vec![text.into()],
            ..visit()
        }],
    }
}
