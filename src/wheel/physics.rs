//! Drives made of formulas, and what must come out of them: measures that no sound recording shows.

use std::f64::consts::TAU;

use super::input::{Geometry, Input, Samples};
use super::measures::{Measures, Travel, measure};
use super::statistics::narrow;
use super::{Measured, Verdict};
use crate::place::Wheel;

/// Samples a second.
const RATE: f64 = 50.0;
/// Length of a drive, in s.
const SECONDS: f64 = 120.0;

/// A drive of four wheels with what lies beside them.
#[derive(Clone, Debug, Default)]
struct Drive {
    time_s: Vec<f64>,
    wheels: [Vec<f32>; 4],
    yaw: Vec<f32>,
    volts: Vec<f32>,
    vehicle: Vec<f32>,
}

/// Numbers that look random and are the same every time.
fn noise(index: usize, wheel: usize) -> f64 {
    let mixed = (index as u64)
        .wrapping_mul(4)
        .wrapping_add(wheel as u64 + 1)
        .wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let mixed = (mixed ^ (mixed >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    f64::from(u32::try_from((mixed >> 32) & 0xFFFF).unwrap()) / 32_768.0 - 1.0
}

/// Wheel speeds in a turn: `speed` of the rear axle's middle and `yaw` in rad/s, positive to the left.
fn wheels(speed: f64, yaw: f64, track: f64, wheelbase: f64) -> [f64; 4] {
    let rear = |side: f64| speed + side * yaw * track / 2.0;
    let front = |side: f64| rear(side).hypot(yaw * wheelbase);
    [front(-1.0), front(1.0), rear(-1.0), rear(1.0)]
}

/// Between 22 and 46 km/h with bends both ways, and `change` applied to the four speeds at each time.
fn drive(change: impl Fn(f64, &mut [f64; 4])) -> Drive {
    let mut drive = Drive::default();
    let mut index = 0;
    loop {
        let time = f64::from(index) / RATE;
        if time > SECONDS {
            return drive;
        }
        let speed = 34.0 + 12.0 * (TAU * time / 30.0).sin();
        let bend = (TAU * time / 17.0).sin();
        let yaw = if bend.abs() > 0.6 {
            0.35 * (bend.abs() - 0.6) / 0.4 * bend.signum()
        } else {
            0.0
        };
        let mut four = wheels(speed / 3.6, yaw, 1.52, 2.65).map(|speed| speed * 3.6);
        for (wheel, speed) in four.iter_mut().enumerate() {
            *speed *= 1.0 + 0.001 * noise(usize::try_from(index).unwrap(), wheel);
        }
        change(time, &mut four);
        drive.time_s.push(time);
        for (column, speed) in drive.wheels.iter_mut().zip(four) {
            column.push(narrow((speed * 100.0).round() / 100.0));
        }
        drive.yaw.push(narrow(yaw));
        drive.volts.push(14.1);
        drive.vehicle.push(narrow(speed));
        index += 1;
    }
}

impl Drive {
    fn samples<'a>(&'a self, value: &'a [f32], quantum: f64) -> Samples<'a> {
        Samples::new(&self.time_s, value, quantum)
    }

    fn input(&self) -> Input<'_> {
        Input {
            speeds: self
                .wheels
                .each_ref()
                .map(|wheel| Some(self.samples(wheel, 0.01))),
            supply_voltage: Some(self.samples(&self.volts, 0.1)),
            vehicle_speed: Some(self.samples(&self.vehicle, 1.0)),
            ..Input::default()
        }
    }
}

/// What is shown, as place and measure.
fn shown(measures: &Measures) -> Vec<String> {
    let mut found = Vec::new();
    let mut add = |place: &str, all: Vec<super::Named<'_>>| {
        for named in all {
            if named.measured.is_shown() {
                found.push(format!("{place} {}", named.id));
            }
        }
    };
    for wheel in Wheel::ALL {
        if let Some(measures) = &measures.wheels[wheel.index()] {
            add(wheel.id(), measures.all());
        }
    }
    for (axle, measures) in ["front", "rear"].iter().zip(&measures.axles) {
        add(axle, measures.all());
    }
    add("vehicle", measures.vehicle.all());
    found
}

fn wheel(measures: &Measures, wheel: Wheel) -> &super::WheelMeasures {
    measures.wheels[wheel.index()].as_ref().unwrap()
}

fn value(measured: &Measured) -> f64 {
    measured.value().unwrap()
}

/// Source: brute-force arithmetic of the worked turn: 30 km/h, radius 20 m at the rear axle, wheelbase 2.70 m, track 1.55 m.
#[test]
fn the_worked_turn() {
    let speed = 30.0 / 3.6;
    let four = wheels(speed, speed / 20.0, 1.55, 2.70).map(|speed| speed * 3.6);
    for (got, expected) in four.iter().zip([29.120_507, 31.424_575, 28.8375, 31.1625]) {
        assert!((got - expected).abs() < 1e-6, "{four:?}");
    }
    let [lf, rf, lr, rr] = four;
    assert!(((lf * rr / (rf * lr) - 1.0).abs() - 0.001_392).abs() < 1e-6);
    let mean = four.iter().sum::<f64>() / 4.0;
    assert!(((rf - lr) / mean - 0.085_85).abs() < 1e-4);
    assert!(((rr - lr) / 3.6 / 1.55 - 0.416_667).abs() < 1e-6);
}

/// Two minutes of the worked turn and of straight road: 8.6 % between the wheels are no fault.
#[test]
fn a_sound_drive_with_bends_raises_nothing() {
    let drive = drive(|_, _| {});
    let measures = measure(&Input {
        yaw_rate: Some(drive.samples(&drive.yaw, 0.001)),
        ..drive.input()
    });
    assert_eq!(shown(&measures), [""; 0]);
    assert_eq!(measures.drive.travel, Travel::Drove);
    assert!(measures.drive.left_turns >= 3 && measures.drive.right_turns >= 3);
    for axle in &measures.axles {
        assert_eq!(axle.swapped.verdict(), Some(Verdict::NotShown));
    }
}

#[test]
fn a_wheel_that_comes_late_lags() {
    let mut late = drive(|_, _| {});
    let whole = late.wheels[1].clone();
    for (index, speed) in late.wheels[1].iter_mut().enumerate() {
        *speed = whole[index.saturating_sub(30)];
    }
    let measures = measure(&late.input());
    let lag = &wheel(&measures, Wheel::RightFront).lag;
    assert!(lag.is_shown(), "{lag:?}");
    assert!((value(lag) - 0.6).abs() < 0.06, "{lag:?}");
    assert!(!wheel(&measures, Wheel::LeftRear).lag.is_shown());
}

/// Four wheels vanish from one sample to the next and come back; so do three drop-outs of one wheel with dips of the supply.
#[test]
fn what_hits_all_wheels_and_what_comes_with_the_supply() {
    let gone = |time: f64| (50.0..50.4).contains(&time) || (80.0..80.4).contains(&time);
    let measures = measure(
        &drive(|time, four| {
            if gone(time) {
                *four = [0.0; 4];
            }
        })
        .input(),
    );
    let all = &measures.vehicle.all_at_once;
    assert!(all.is_shown() && (value(all) - 2.0).abs() < 1e-9, "{all:?}");
    for wheel in measures.wheels.iter().flatten() {
        assert!(!wheel.dropout_share.is_shown());
    }

    let out = |time: f64| {
        [30.0, 61.0, 95.0]
            .iter()
            .any(|at| (*at..at + 0.3).contains(&time))
    };
    let mut dips = drive(|time, four| {
        if out(time) {
            four[2] = 0.0;
        }
    });
    for (time, volts) in dips.time_s.iter().zip(&mut dips.volts) {
        if out(*time) {
            *volts = 8.9;
        }
    }
    let measures = measure(&dips.input());
    let vehicle = &measures.vehicle;
    assert!(vehicle.dropouts_with_dips.is_shown());
    assert!((value(&vehicle.dropouts_with_dips) - 1.0).abs() < 1e-9);
    assert!(vehicle.supply_below_9_5.is_shown());
    assert!((value(&vehicle.supply_below_9_5) - 0.9).abs() < 0.1);
    assert!((value(&vehicle.supply_lowest) - 8.9).abs() < 1e-4);
    assert!(wheel(&measures, Wheel::LeftRear).dropout_share.is_shown());
}

#[test]
fn noise_that_comes_with_a_consumer() {
    let loaded = |time: f64| time % 40.0 > 25.0;
    let count = std::cell::Cell::new(0_usize);
    let mut noisy = drive(|time, four| {
        count.set(count.get() + 1);
        if loaded(time) {
            four[3] *= 1.0 + 0.012 * noise(count.get(), 9);
        }
    });
    for (time, volts) in noisy.time_s.iter().zip(&mut noisy.volts) {
        if loaded(*time) {
            *volts = 13.5;
        }
    }
    let measures = measure(&noisy.input());
    let found = &wheel(&measures, Wheel::RightRear).noise_loaded;
    assert!(found.is_shown() && value(found) > 4.0, "{found:?}");
    assert!(!wheel(&measures, Wheel::LeftRear).noise_loaded.is_shown());
}

/// Sources: makers let a display lead by some per cent; 20 % is another factor or another tyre all round.
#[test]
fn the_vehicle_speed_of_another_module() {
    for (factor, expected) in [(1.04, Verdict::NotShown), (1.2, Verdict::Shown)] {
        let mut fast = drive(|_, _| {});
        for speed in &mut fast.vehicle {
            *speed = (*speed * factor).round();
        }
        let found = measure(&fast.input()).vehicle.vehicle_speed;
        assert_eq!(found.verdict(), Some(expected), "{found:?}");
        assert!((value(&found) - f64::from(factor) + 1.0).abs() < 0.02);
    }
}

/// Two dead wheels of one axle look like a lift; where a yaw rate says that the vehicle turns, they look like a vehicle that is towed with
/// that axle lifted, until somebody brakes. Two wheels that turn on a lift, with a yaw rate of nothing, stay a lift.
#[test]
fn a_dead_axle_is_no_lift() {
    let dead = drive(|_, four| (four[2], four[3]) = (0.0, 0.0));
    let alone = measure(&dead.input());
    assert_eq!(alone.drive.travel, Travel::OnlySomeTurned);
    assert_eq!(shown(&alone), [""; 0]);
    let towed = measure(&Input {
        yaw_rate: Some(dead.samples(&dead.yaw, 0.001)),
        ..dead.input()
    });
    assert_eq!(towed.drive.travel, Travel::Drove);
    assert_eq!(shown(&towed), [""; 0]);
    let reason = wheel(&towed, Wheel::LeftRear).dropout_share.reason();
    assert!(reason.is_some_and(|reason| reason.contains("towed")));
    let pressed: Vec<f32> = dead
        .time_s
        .iter()
        .map(|time| f32::from(u8::from(time % 60.0 < 1.0)))
        .collect();
    let with_yaw = measure(&Input {
        yaw_rate: Some(dead.samples(&dead.yaw, 0.001)),
        brake_switch: Some(dead.samples(&pressed, 1.0)),
        ..dead.input()
    });
    assert_eq!(with_yaw.drive.travel, Travel::Drove);
    for place in [Wheel::LeftRear, Wheel::RightRear] {
        assert!(wheel(&with_yaw, place).dropout_share.is_shown());
    }
    for place in [Wheel::LeftFront, Wheel::RightFront] {
        assert!(!wheel(&with_yaw, place).dropout_share.is_shown());
    }
    let lift = vec![0.002; dead.yaw.len()];
    let on_lift = measure(&Input {
        yaw_rate: Some(dead.samples(&lift, 0.001)),
        ..dead.input()
    });
    assert_eq!(on_lift.drive.travel, Travel::OnlySomeTurned);
    assert_eq!(shown(&on_lift), [""; 0]);
}

/// An axle that falls silent in the middle of a drive is neither lifted nor towed, and no other signal needs to say so.
#[test]
fn an_axle_that_falls_silent_is_no_lift() {
    let silent = drive(|time, four| {
        if time > 60.0 {
            (four[0], four[1]) = (0.0, 0.0);
        }
    });
    let measures = measure(&silent.input());
    for which in Wheel::ALL {
        let gone = matches!(which, Wheel::LeftFront | Wheel::RightFront);
        assert_eq!(
            wheel(&measures, which).dropout_share.is_shown(),
            gone,
            "{which:?}"
        );
    }
}

/// A signal that dies is gone for good, one that pauses is not; a pause of 2 s at 30 km/h is longer than four turns, one of 0.2 s is
/// not.
#[test]
fn what_dies_does_not_come_back() {
    let silent = |when: fn(f64) -> bool| {
        let drive = drive(move |time, four| {
            if when(time) {
                four[3] = 0.0;
            }
        });
        let measures = measure(&drive.input());
        let wheel = wheel(&measures, Wheel::RightRear);
        assert!(wheel.dropout_share.is_shown());
        let way = wheel.dropout_way.clone();
        (wheel.gone_for_good.clone(), way)
    };
    let (gone, way) = silent(|time| time > 50.0);
    assert!(gone.is_shown() && way.is_shown());
    // Of 70 s, without those in which the vehicle slows so that a wheel might be locked.
    assert!((40.0..50.0).contains(&value(&gone)), "{gone:?}");
    assert!(value(&way) > 100.0, "{way:?}");
    // One that was never there is not lost.
    let (gone, _) = silent(|_| true);
    assert!(gone.made().is_none(), "{gone:?}");
    let (gone, way) = silent(|time| time.rem_euclid(30.0) > 28.0);
    assert!(!gone.is_shown() && way.is_shown(), "{gone:?} {way:?}");
    let (gone, way) = silent(|time| time.rem_euclid(10.0) > 9.8);
    assert!(!gone.is_shown() && !way.is_shown(), "{gone:?} {way:?}");
}

/// A ring is looked at over the whole drive, and its marks say so.
#[test]
fn marks_of_a_ring_reach_over_the_whole_drive() {
    let off_centre = drive(|time, four| four[1] *= 1.0 + 0.02 * (TAU * turned(time)).sin());
    let toothless = drive(|time, four| {
        if turned(time).fract() < 0.08 {
            four[1] *= 0.7;
        }
    });
    let (swings, dips) = (measure(&off_centre.input()), measure(&toothless.input()));
    let order = wheel(&swings, Wheel::RightFront).orders[0].clone();
    let dips = wheel(&dips, Wheel::RightFront).dips_per_turn.clone();
    for measured in [order, dips] {
        let made = measured.made().unwrap();
        assert!(measured.is_shown(), "{made:?}");
        let (first, last) = (made.times_s[0], *made.times_s.last().unwrap());
        assert!(first < 10.0 && last > SECONDS - 15.0, "{made:?}");
    }
}

/// What a module sends that counts the pulses of the last 40 ms, of a ring of 48 teeth and 1.95 m: every fifth of its readings, with
/// one pulse more or less being 3.66 km/h more or less.
fn counted(drive: &Drive) -> Drive {
    const PULSES_PER_M: f64 = 48.0 / 1.95;
    const WINDOW: usize = 2;
    let wheels = std::array::from_fn(|wheel| {
        let mut way = 0.2 * noise(wheel, 3);
        let ways = drive.wheels[wheel].iter().map(|speed| {
            way += f64::from(*speed) / 3.6 / RATE;
            (way * PULSES_PER_M).floor()
        });
        let pulses: Vec<f64> = ways.collect();
        let windows = pulses.windows(WINDOW + 1);
        let speeds =
            windows.map(|window| (window[WINDOW] - window[0]) / PULSES_PER_M * RATE / 2.0 * 3.6);
        speeds
            .step_by(5)
            .map(|speed| narrow((speed * 100.0).round() / 100.0))
            .collect()
    });
    Drive {
        time_s: drive.time_s[WINDOW..].iter().copied().step_by(5).collect(),
        wheels,
        ..Drive::default()
    }
}

/// However fine the message is: a wheel that slows by 6 km/h in a second leaves a count of pulses where it was for a second, now and
/// then; that is no frozen value, and what the counts jump by is no noise.
#[test]
fn a_count_of_pulses_is_neither_frozen_nor_noisy() {
    let town = drive(|time, four| {
        let wave = (TAU * time / 24.0).sin();
        let slow = (14.0 + 22.0 * (1.0 + wave)) / (34.0 + 12.0 * (TAU * time / 30.0).sin());
        *four = four.map(|speed| speed * slow);
    });
    let counted = counted(&town);
    let input = Input {
        supply_voltage: None,
        vehicle_speed: None,
        ..counted.input()
    };
    assert_eq!(shown(&measure(&input)), [""; 0]);
    // One that is frozen for half a minute is.
    let mut frozen = counted.clone();
    let held = frozen.wheels[1][400];
    frozen.wheels[1][400..700].fill(held);
    let input = Input {
        supply_voltage: None,
        vehicle_speed: None,
        ..frozen.input()
    };
    assert!(
        wheel(&measure(&input), Wheel::RightFront)
            .frozen_share
            .is_shown()
    );
}

/// On ice a wheel that is braked a little locks and is turned again several times a second, without any brake switch in the
/// capture: no signal that is lost. What falls as often while the engine pulls is one.
#[test]
fn a_wheel_that_locks_and_rolls_on_ice_is_no_fault() {
    let falls = |when: fn(f64) -> bool| {
        drive(move |time, four| {
            // The drive's acceleration in m/s², and every 0.8 s a twentieth of a second.
            let acceleration = 12.0 / 3.6 * TAU / 30.0 * (TAU * time / 30.0).cos();
            if when(acceleration) && time.rem_euclid(0.8) < 0.05 {
                four[0] *= 0.4;
            }
        })
    };
    let braked = measure(&falls(|acceleration| acceleration < -0.45).input());
    assert_eq!(shown(&braked), [""; 0]);
    let pulled = measure(&falls(|acceleration| acceleration > 0.45).input());
    assert!(wheel(&pulled, Wheel::LeftFront).spikes.is_shown());
}

/// A dead wheel has no ratio, but the others are still compared with each other.
#[test]
fn a_dead_wheel_does_not_hide_another_ones_tyre() {
    let measures = measure(
        &drive(|_, four| {
            four[0] = f64::NAN;
            four[3] *= 1.08;
        })
        .input(),
    );
    let ratio = &wheel(&measures, Wheel::RightRear).ratio;
    assert!(
        ratio.is_shown() && (value(ratio) - 0.08).abs() < 0.01,
        "{ratio:?}"
    );
    assert!(wheel(&measures, Wheel::LeftFront).ratio.reason().is_some());
    assert!(!wheel(&measures, Wheel::LeftRear).ratio.is_shown());
}

/// Source: two samples a turn (sampling theorem): v < C / (2 · interval) for order 1, with C = 1.95 m and 0.02 s.
#[test]
fn the_sampling_limits_the_orders() {
    let drive = drive(|_, _| {});
    let mut input = drive.input();
    input.geometry = Geometry {
        circumference_m: 1.95,
        circumference_known: true,
        ..Geometry::default()
    };
    let measures = measure(&input);
    let limit = wheel(&measures, Wheel::LeftFront).order_limit_kmh;
    assert!((limit - 175.5).abs() < 1.0, "{limit}");
}

/// Turns of a wheel of the usual circumference after this time of [`drive`], straight on.
fn turned(time_s: f64) -> f64 {
    let metres = (34.0 * time_s + 12.0 * 30.0 / TAU * (1.0 - (TAU * time_s / 30.0).cos())) / 3.6;
    metres / Geometry::USUAL_CIRCUMFERENCE_M
}

/// A ring that runs out of true beside a dead wheel. The two sound wheels are compared with the mean of what is left, so each
/// shows half of it.
#[test]
fn a_dead_wheel_does_not_hide_another_ones_ring() {
    let drive = drive(|time, four| {
        four[0] = 0.0;
        four[1] *= 1.0 + 0.02 * (TAU * turned(time)).sin();
    });
    let measures = measure(&drive.input());
    let order = |which| wheel(&measures, which).orders[0].clone();
    assert!(
        order(Wheel::RightFront).is_shown(),
        "{:?}",
        order(Wheel::RightFront)
    );
    for sound in [Wheel::LeftRear, Wheel::RightRear] {
        let (own, whole) = (value(&order(sound)), value(&order(Wheel::RightFront)));
        assert!((own / whole - 0.5).abs() < 0.1, "{own} of {whole}");
        assert!(!order(sound).is_shown(), "{:?}", order(sound));
    }
}

/// A signal that jumps beside a dead wheel: in the two sound ones it shows by half, and must not excuse it.
#[test]
fn a_dead_wheel_does_not_hide_another_ones_jumps() {
    let drive = drive(|time, four| {
        four[0] = 0.0;
        if (time / 4.0).fract() < 0.01 {
            four[3] *= 0.6;
        }
    });
    let measures = measure(&drive.input());
    for which in [Wheel::RightFront, Wheel::LeftRear, Wheel::RightRear] {
        let jumps = &wheel(&measures, which).acceleration;
        assert_eq!(
            jumps.is_shown(),
            which == Wheel::RightRear,
            "{which:?}: {jumps:?}"
        );
    }
}

/// A ring that lacks a tooth beside a dead wheel: against it each of the two sound wheels is off at the same moments, by half.
#[test]
fn a_dead_wheel_does_not_spread_another_ones_dips() {
    let drive = drive(|time, four| {
        four[1] = 0.0;
        if turned(time).fract() < 0.1 {
            four[0] *= 0.7;
        }
    });
    let measures = measure(&drive.input());
    for which in [Wheel::LeftFront, Wheel::LeftRear, Wheel::RightRear] {
        let dips = &wheel(&measures, which).dips_per_turn;
        assert_eq!(
            dips.is_shown(),
            which == Wheel::LeftFront,
            "{which:?}: {dips:?}"
        );
    }
}
