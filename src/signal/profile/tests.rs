//! Profiles read, refused with every fault at its place, and printed again.

use super::*;
use crate::place::Wheel;
use crate::signal::{ByteOrder, Carrier};
use std::io::ErrorKind;

const WHOLE: &str = "\
profile: 1
name: Training trolley, four active sensors
modules:
  - name: Brake control
    role: brakes
    request: 0x740
    response: 0x748
    addressing: normal
    protocol: uds
  - { name: Body, role: body, request: 0x6F1, response: 0x612, addressing: extended, request_extension: 0x12, response_extension: 0xF1 }
  - { name: Old steering, request: 0x700, response: 0x701, extended_id: true, protocol: kwp }
functional: [0x7DF, { id: 0x6F1, request_extension: 0xDF }]
wheels:
  tyre: 205/55R16
  teeth: 48
  sensor: active
  track_m: 1.52
  wheelbase_m: 2.62
  speeds:
    left-front:  { frame: 0x1A0, start_bit: 7,  length: 16, byte_order: big, factor: 0.01, offset: 0, unit: km/h, invalid: [0xFFFF] }
    right-front: { did: 0x2B01, module: Brake control, start_bit: 7, length: 16, byte_order: big, factor: 0.01 }
    left-rear:   { dbc: chassis.dbc, message: WHEELS, signal: WHL_LR }
    right-rear:  { frame: 0x1A0, start_bit: 55, length: 16, byte_order: big, factor: 1, unit: rpm }
signals:
  supply_voltage: { did: 0x2B10, module: Brake control, start_bit: 7, length: 8, byte_order: big, factor: 0.1, unit: V }
  brake_switch:   { frame: 0x1B0, start_bit: 0, length: 1, byte_order: little }
  vehicle_speed:  { pid: 0x0D }
  yaw_rate: { frame: 0x300, start_bit: 7, length: 16, byte_order: big, signed: true, factor: 0.01, unit: deg/s, invalid: [-1] }
";

const CHASSIS: &str =
    "BO_ 2147484064 WHEELS: 8 ABS\n SG_ WHL_LR : 39|16@0+ (0.1,0) [0|0] \"m/s\" X\n";

fn read(text: &str) -> Result<Profile, ProfileErrors> {
    Profile::parse(text, "car.yaml", &mut |path| {
        if path == Path::new("chassis.dbc") {
            Ok(CHASSIS.as_bytes().to_vec())
        } else {
            Err(ErrorKind::NotFound.into())
        }
    })
}

#[test]
fn a_whole_profile() {
    let profile = read(WHOLE).unwrap();
    assert_eq!(profile.modules.len(), 3);
    assert_eq!(profile.modules[1].request.to_string(), "0x6F1/0x12");
    assert_eq!(profile.modules[1].response.to_string(), "0x612/0xF1");
    assert_eq!(profile.modules[2].request.to_string(), "0x00000700");
    assert_eq!(profile.functional[1].to_string(), "0x6F1/0xDF");
    assert!((profile.wheels.circumference_m.unwrap() - 1.9273).abs() < 1e-4);
    let left_rear = profile.speeds[Wheel::LeftRear.index()].as_ref().unwrap();
    assert_eq!(
        left_rear.carrier,
        Carrier::Frame(crate::frame::CanId::extended(0x1A0).unwrap())
    );
    assert!((left_rear.value(100) - 36.0).abs() < 1e-5);
    let right_rear = profile.speeds[Wheel::RightRear.index()].as_ref().unwrap();
    assert!((right_rear.value(100) - 6.0 * 1.927_295).abs() < 1e-4);
    let yaw = profile.yaw_rate.as_ref().unwrap();
    assert_eq!(yaw.invalid, [0xFFFF]);
    assert!((yaw.value(0x8000) + 327.68_f64.to_radians()).abs() < 1e-6);
    let speed = profile.vehicle_speed.as_ref().unwrap();
    assert_eq!((speed.field.start_bit(), speed.field.length()), (7, 8));
    assert_eq!(speed.field.byte_order(), ByteOrder::Big);
}

#[test]
fn what_is_printed_reads_the_same() {
    let profile = read(WHOLE).unwrap();
    let text = profile.to_yaml();
    assert!(
        text.contains("request: 0x740") && text.contains("did: 0x2B01"),
        "{text}"
    );
    let again = read(&text).unwrap();
    assert_eq!(again.to_yaml(), text);
    assert_eq!(again.modules, profile.modules);
    assert_eq!(again.functional, profile.functional);
    assert_eq!(again.wheels, profile.wheels);
    assert!(again.sources().eq(profile.sources()));
}

#[test]
fn conversations_that_clash_are_faults() {
    let text = "profile: 1\nmodules:\n  - { name: A, request: 0x740, response: 0x748 }\n  - { name: B, request: 0x740, response: 0x749 }\n  \
                - { name: C, request: 0x700, response: 0x700 }\n";
    let errors = read(text).unwrap_err();
    let lines: Vec<_> = errors.faults.iter().map(|fault| fault.line).collect();
    assert_eq!(lines, [Some(4), Some(5)], "{errors}");
}

#[test]
fn only_the_version_is_needed() {
    let profile = read("profile: 1\n").unwrap();
    assert_eq!(profile.sources().count(), 0);
}

#[test]
fn every_fault_at_once_with_its_place() {
    let text = "\
profile: 2
modules:
  - { name: A, role: brake, request: 0x740, response: 0x748, addressing: mixed }
  - { name: A, request: 0x20000000, response: 0x749, protocol: can }
wheels:
  tyre: 205/55
  teeth: 0
  speeds:
    left-front: { frame: 0x1A0, start_bit: 7, length: 65, byte_order: big }
    right-front: { did: 0x2B01, module: B, start_bit: 7, length: 16, byte_order: big }
    left-rear: { dbc: chassis.dbc, message: WHEELS, signal: RR, factor: 2 }
    right-rear: { frame: 0x1A0, pid: 0x0D }
signals:
  yaw_rate: { frame: 0x1A0, start_bit: 7, length: 8, byte_order: middle, unit: V }
  supply_voltage: { dbc: other.dbc, message: M, signal: S }
  fluid_low: { pid: 0x01, unit: V, start_bit: 7, length: 1, byte_order: big, invalid: [2] }
";
    let errors = read(text).unwrap_err();
    let found: Vec<_> = errors
        .faults
        .iter()
        .map(|fault| {
            format!(
                "{}:{} {}",
                fault.line.unwrap(),
                fault.column.unwrap(),
                fault.path
            )
        })
        .collect();
    assert_eq!(
        found,
        [
            "1:10 profile",
            "3:5 modules[0].request_extension",
            "3:5 modules[0].response_extension",
            "3:22 modules[0].role",
            "4:13 modules[1].name",
            "4:25 modules[1].request",
            "4:64 modules[1].protocol",
            "6:9 wheels.tyre",
            "7:10 wheels.teeth",
            "9:55 wheels.speeds.left-front.length",
            "10:41 wheels.speeds.right-front.module",
            "11:73 wheels.speeds.left-rear.factor",
            "12:17 wheels.speeds.right-rear",
            "14:66 signals.yaw_rate.byte_order",
            "15:26 signals.supply_voltage.dbc",
            "16:33 signals.fluid_low.unit",
        ],
        "{errors}"
    );
    let text = errors.to_string();
    assert!(
        text.starts_with("car.yaml:1:10: profile: version 2"),
        "{text}"
    );
    assert!(text.contains("possible here: brakes, powertrain"), "{text}");
}

#[test]
fn shape_and_meaning_are_reported_together() {
    let errors = read(
        "profile: 1\nmodules:\n  - { nam: A, request: 1, response: 2 }\nwheels: { tyre: big }\n",
    )
    .unwrap_err();
    let text = errors.to_string();
    assert!(
        text.contains("car.yaml:3:12: modules[0].nam: unknown key; possible here: name, role"),
        "{text}"
    );
    assert!(text.contains("wheels.tyre"), "{text}");
}

#[test]
fn broken_text_is_one_fault() {
    for text in [
        "",
        "[",
        "profile: 1\nmodules: [",
        "profile: 1\nprofile: 1\n",
        "- 1",
        "profile: &a [*a]",
    ] {
        let errors = read(text).unwrap_err();
        assert_eq!(errors.faults.len(), 1, "{text:?}: {errors}");
    }
    let long = format!("profile: 1\nname: {}\n", "x".repeat(1 << 20));
    assert!(read(&long).unwrap_err().to_string().contains("longer than"));
}

proptest::proptest! {
    #![proptest_config(proptest::test_runner::Config::with_cases(64))]
    #[test]
    fn any_text_is_refused_or_read(cut in 0_usize..WHOLE.len(), drop in 0_usize..20, insert in "[\\[\\]{},:\\-&*!|> \n\"a0]{0,4}") {
        let end = (cut + drop).min(WHOLE.len());
        let text = format!("{}{insert}{}", &WHOLE[..cut], &WHOLE[end..]);
        if let Err(errors) = read(&text) {
            proptest::prop_assert!(!errors.faults.is_empty());
        }
    }
}

#[test]
fn the_profiles_of_the_guide_are_read() {
    let guide = include_str!("../../../docs/profile.md");
    let dbc = "BO_ 1 WHEELS: 8 X\n SG_ WHL_LF : 7|16@0+ (0.01,0) [0|0] \"km/h\" X\n SG_ WHL_RF : 23|16@0+ (0.01,0) [0|0] \"km/h\" X\n";
    let blocks = guide.split("```yaml\n").skip(1);
    let blocks: Vec<_> = blocks
        .filter_map(|block| block.split("```").next())
        .collect();
    assert!(blocks.len() >= 5);
    for block in blocks {
        if let Err(errors) = Profile::parse(block, "guide", &mut |_| Ok(dbc.into())) {
            panic!("{errors}\n{block}");
        }
    }
}

#[test]
fn a_name_that_would_steer_a_terminal_is_written_out() {
    let name = "Trolley \u{1b}[31m \u{9b}2J \u{202e}x\u{200b}\u{e0041} \"ä\"";
    let profile = Profile {
        name: name.to_owned(),
        ..Profile::default()
    };
    let written = profile.to_yaml();
    assert!(
        !written
            .chars()
            .any(|c| c != '\n' && crate::unseen::is_unseen(c))
    );
    let read = Profile::parse(&written, "written.yaml", &mut |_| {
        Err(ErrorKind::NotFound.into())
    });
    assert_eq!(read.unwrap().name, name);
}
