//! Cases of the comparison, built by hand. What a status byte means is ISO 14229-1:2013, Table D.2.

use super::{Side, compare};
use crate::capture::{Kind, Tally};
use crate::frame::Timestamp;
use crate::report::comparison::{CodeFate, Comparison, MeasureFate, Outcome};
use crate::signal::Trace;
use crate::trouble::{Code, FailureType};
use crate::vehicle::{
    CaptureSummary, CodeListRead, List, Module, ModuleState, Origin, Record, ReportedCode, Role,
};
use crate::wheel::{Input, Made, Measured, Measures, Travel, Verdict, WheelMeasures, measure};

const BRAKES: &str = "Brake control";

fn origin(time_s: f64) -> Origin {
    Origin {
        capture: 0,
        number: 1,
        time: Some(Timestamp::from_seconds(time_s)),
    }
}

fn record(state: ModuleState) -> Record {
    Record {
        captures: vec![CaptureSummary {
            file: "a.log".to_owned(),
            kind: Kind::CandumpLog,
            tally: Tally::default(),
            first: None,
            last: None,
        }],
        modules: vec![Module {
            name: BRAKES.to_owned(),
            role: Role::Brakes,
            in_profile: true,
            request: None,
            response: None,
            state,
            asked: 1,
            positive: 1,
            negative: 0,
            broken: 0,
            unanswered: 0,
            missed: 0,
            first_seen: None,
        }],
        ..Record::default()
    }
}

/// A record of a module that gave a list of these codes (number, status) at this time.
fn with_codes(codes: &[(u16, u8)], read_s: f64) -> Record {
    let mut record = record(ModuleState::Answering);
    record.lists.push(CodeListRead {
        module: 0,
        list: List::Uds(2),
        codes: 1,
        origin: origin(read_s),
    });
    record.codes = codes
        .iter()
        .map(|&(number, status)| ReportedCode {
            code: Code(number),
            failure_type: Some(FailureType(0x13)),
            status: Some(status),
            availability: None,
            list: List::Uds(2),
            module: 0,
            origin: origin(read_s),
        })
        .collect();
    record
}

/// A drive from 10 s on, up to this speed.
fn driven(mut record: Record, top_kmh: f32) -> Record {
    for trace in &mut record.signals.speeds {
        let mut speed = Trace::new(0.01);
        speed.push(0.0, 0.0);
        speed.push(10.0, top_kmh);
        *trace = Some(speed);
    }
    record
}

fn nothing_measured() -> Measures {
    measure(&Input::default())
}

fn compared(before: (&Record, &Measures), after: (&Record, &Measures)) -> Comparison {
    let side = |(record, measures)| Side {
        record,
        measures,
        captures: &[],
    };
    compare("tonering", None, side(before), side(after), &|code, _| {
        code.to_string()
    })
}

fn codes_only(before: &Record, after: &Record) -> Comparison {
    let none = nothing_measured();
    compared((before, &none), (after, &none))
}

#[test]
fn fates_of_a_code_and_the_verdict() {
    let before = with_codes(&[(0x4031, 0x2F)], 5.0);
    let cases = [
        (
            with_codes(&[(0x4031, 0x2F)], 20.0),
            CodeFate::Still,
            Outcome::NotMended,
        ),
        // 0x50: both "not completed" bits, as right after a clearing; 0x54 has the pending bit as well.
        (
            with_codes(&[(0x4031, 0x54)], 20.0),
            CodeFate::NotRetested,
            Outcome::NotShown,
        ),
        (
            with_codes(&[(0x4031, 0x50)], 20.0),
            CodeFate::NotRetested,
            Outcome::NotShown,
        ),
        (
            with_codes(&[(0x4031, 0x68)], 20.0),
            CodeFate::Remembered,
            Outcome::NotShown,
        ),
        (
            with_codes(&[(0x4031, 0x28)], 20.0),
            CodeFate::Passed,
            Outcome::Proven,
        ),
        (
            with_codes(&[], 20.0),
            CodeFate::NotRetested,
            Outcome::NotShown,
        ),
        (
            driven(with_codes(&[], 20.0), 15.0),
            CodeFate::NotRetested,
            Outcome::NotShown,
        ),
        (
            driven(with_codes(&[], 20.0), 35.0),
            CodeFate::Gone,
            Outcome::Proven,
        ),
        // Read before the drive began.
        (
            driven(with_codes(&[], 5.0), 35.0),
            CodeFate::NotRetested,
            Outcome::NotShown,
        ),
        (
            record(ModuleState::Answering),
            CodeFate::NotRead,
            Outcome::NotShown,
        ),
    ];
    for (after, fate, outcome) in cases {
        let comparison = codes_only(&before, &after);
        assert_eq!(comparison.codes.len(), 1);
        let code = &comparison.codes[0];
        assert_eq!(
            (code.fate, comparison.outcome),
            (fate, outcome),
            "{}",
            code.words
        );
    }
}

#[test]
fn a_new_code_is_not_mended_and_an_untested_one_is_no_code() {
    let before = with_codes(&[(0x4031, 0x2F)], 5.0);
    let after = driven(with_codes(&[(0x4034, 0x2F), (0x4037, 0x50)], 20.0), 40.0);
    let comparison = codes_only(&before, &after);
    let fates: Vec<(&str, CodeFate)> = comparison
        .codes
        .iter()
        .map(|code| (code.code.as_str(), code.fate))
        .collect();
    assert_eq!(fates, [("C0031", CodeFate::Gone), ("C0034", CodeFate::New)]);
    assert_eq!(comparison.outcome, Outcome::NotMended);
}

#[test]
fn what_another_module_only_remembers_is_left_alone() {
    let other = |mut record: Record| {
        record.modules[0].role = Role::Body;
        record
    };
    let remembered = with_codes(&[(0x9003, 0x28)], 5.0);
    let comparison = codes_only(&other(remembered.clone()), &other(remembered.clone()));
    assert_eq!(comparison.codes[0].fate, CodeFate::Unchanged);
    assert_eq!(comparison.outcome, Outcome::NotShown);
    // The brakes' own memory counts.
    assert_eq!(
        codes_only(&remembered, &remembered).codes[0].fate,
        CodeFate::Passed
    );
}

#[test]
fn a_module_that_answers_again_is_mended_once_its_codes_are_read() {
    let silent = record(ModuleState::Silent);
    let awake = record(ModuleState::Answering);
    assert_eq!(codes_only(&silent, &silent).outcome, Outcome::NotMended);
    assert_eq!(codes_only(&silent, &awake).outcome, Outcome::Likely);
    assert_eq!(
        codes_only(&silent, &with_codes(&[], 5.0)).outcome,
        Outcome::Proven
    );
    assert_eq!(codes_only(&awake, &awake).outcome, Outcome::NotShown);
}

/// A drive of this length with so many drop-outs of the left front wheel.
fn drop_outs(events: u64, minutes: f64) -> Measures {
    let time_s: Vec<f64> = (0..600).map(|at| f64::from(at) * 0.1).collect();
    let value = vec![50.0_f32; time_s.len()];
    let samples = Some(crate::wheel::Samples::new(&time_s, &value, 0.01));
    let mut measures = measure(&Input {
        speeds: [samples; 4],
        ..Input::default()
    });
    measures.drive.travel = Travel::Drove;
    measures.drive.moving_s = minutes * 60.0;
    measures.drive.top_kmh = 50.0;
    if let Some(WheelMeasures {
        dropout_share: Measured::Made(made),
        ..
    }) = &mut measures.wheels[0]
    {
        *made = Made {
            value: if events > 0 { 0.1 } else { 0.0 },
            uncertainty: 0.01,
            unit: "",
            verdict: if events > 0 {
                Verdict::Shown
            } else {
                Verdict::NotShown
            },
            false_alarm: None,
            events,
            times_s: Vec::new(),
            lasted_s: Vec::new(),
            note: None,
        };
    } else {
        panic!("no drop-out share: {measures:?}");
    }
    measures
}

#[test]
fn a_fault_that_came_and_went_must_stay_away_long_enough() {
    let none = record(ModuleState::Answering);
    // Two events in ten minutes: after t minutes the chance of none is exp(-2 t / 10), below 5 % from 15 minutes on.
    for (minutes, fate, outcome) in [
        (10.0, MeasureFate::Better, Outcome::NotShown),
        (14.0, MeasureFate::Better, Outcome::NotShown),
        (16.0, MeasureFate::Mended, Outcome::Proven),
    ] {
        let (before, after) = (drop_outs(2, 10.0), drop_outs(0, minutes));
        let comparison = compared((&none, &before), (&none, &after));
        let change = comparison
            .measures
            .iter()
            .find(|change| change.id == "dropout_share")
            .unwrap();
        assert_eq!(
            (change.fate, comparison.outcome),
            (fate, outcome),
            "{}",
            change.words
        );
        assert_eq!(change.beyond_uncertainty, Some(true));
        let asks_for_more = comparison
            .remaining
            .iter()
            .any(|words| words.contains("more minutes"));
        assert_eq!(asks_for_more, fate == MeasureFate::Better);
    }
    let (before, after) = (drop_outs(2, 10.0), drop_outs(1, 10.0));
    assert_eq!(
        compared((&none, &before), (&none, &after)).outcome,
        Outcome::NotMended
    );
    assert_eq!(
        compared((&none, &after), (&none, &nothing_measured())).outcome,
        Outcome::NotShown
    );
}
