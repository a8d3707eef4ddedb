//! Conditions over voltages, switches, the bus and the measures of the wheel speeds.

use super::condition::Judged;
use super::{Grounds, Measure, State};
use crate::frame::Timestamp;
use crate::place::Place;
use crate::rules::{
    BusCondition, MeasureCondition, SensorWord, SignalCondition, SwitchSignal, VoltageCondition,
    VoltageOf,
};
use crate::signal::Trace;
use crate::vehicle::Record;
use crate::wheel::{Measured, Named, Verdict};

/// A pause longer than this, in s, ends a stretch: nobody knows what was in between.
const PAUSE_S: f64 = 30.0;

/// Judges a voltage.
pub(super) fn voltage(wanted: &VoltageCondition, grounds: &Grounds<'_>) -> Judged {
    let signals = &grounds.record.signals;
    let supply = signals.supply_voltage.as_ref();
    let battery = signals.battery_voltage.as_ref();
    let samples: Vec<(f64, f64)> = match wanted.of {
        VoltageOf::Supply => supply.map(samples).unwrap_or_default(),
        VoltageOf::Battery => battery.map(samples).unwrap_or_default(),
        VoltageOf::SupplyOrBattery => supply.or(battery).map(samples).unwrap_or_default(),
        VoltageOf::SupplyDrop => match (supply, battery) {
            (Some(supply), Some(battery)) => drop_between(&samples(battery), &samples(supply)),
            _ => Vec::new(),
        },
    };
    let beyond = |value: f64| {
        wanted.below.is_some_and(|limit| value < limit)
            || wanted.above.is_some_and(|limit| value > limit)
    };
    let Some(stretch) = longest(&samples, beyond) else {
        return match samples.first() {
            Some(_) => settled(false, &samples, wanted),
            None => Judged::not_observable("no such voltage is in the capture"),
        };
    };
    if stretch.count == 1 && samples.len() == 1 && wanted.for_s > 0.0 {
        return Judged::not_observable("one reading of the voltage only");
    }
    let mut judged = settled(stretch.length_s >= wanted.for_s, &samples, wanted);
    if judged.state == State::True {
        judged.times_s.push(stretch.start_s);
        judged.details.push(format!(
            "{:.1} V at {:.1} s, {:.1} s at a stretch",
            stretch.worst, stretch.start_s, stretch.length_s
        ));
        judged.measure = Some(volts(stretch.worst));
    }
    judged
}

fn volts(value: f64) -> Measure {
    Measure {
        value,
        unit: "V".to_owned(),
    }
}

/// With the extreme value that matters to the condition.
fn settled(holds: bool, samples: &[(f64, f64)], wanted: &VoltageCondition) -> Judged {
    let mut judged = Judged::new(holds);
    let values = samples.iter().map(|&(_, value)| value);
    let extreme = if wanted.below.is_some() {
        values.fold(f64::INFINITY, f64::min)
    } else {
        values.fold(f64::NEG_INFINITY, f64::max)
    };
    judged.measure = Some(volts(extreme));
    judged
}

/// The valid samples of a trace.
fn samples(trace: &Trace) -> Vec<(f64, f64)> {
    let pairs = trace.time_s.iter().zip(&trace.value);
    pairs
        .map(|(&time_s, &value)| (time_s, f64::from(value)))
        .filter(|(_, value)| value.is_finite())
        .collect()
}

/// How much less `there` is than `here`, at the times of `there`; both in V. `here` is taken from the last sample of the
/// two seconds before.
fn drop_between(here: &[(f64, f64)], there: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let mut found = Vec::new();
    let mut next = 0;
    for &(time_s, value) in there {
        while here.get(next).is_some_and(|&(seen_s, _)| seen_s <= time_s) {
            next += 1;
        }
        let Some(&(seen_s, other)) = next.checked_sub(1).and_then(|last| here.get(last)) else {
            continue;
        };
        if time_s - seen_s <= 2.0 {
            found.push((time_s, other - value));
        }
    }
    found
}

struct Stretch {
    start_s: f64,
    length_s: f64,
    count: usize,
    worst: f64,
}

/// The longest stretch of samples that are beyond.
fn longest(samples: &[(f64, f64)], beyond: impl Fn(f64) -> bool) -> Option<Stretch> {
    let mut best: Option<Stretch> = None;
    let mut current: Option<Stretch> = None;
    let mut last_s = f64::NEG_INFINITY;
    for &(time_s, value) in samples {
        let joined = time_s >= last_s && time_s - last_s <= PAUSE_S;
        last_s = time_s;
        if !beyond(value) {
            current = None;
            continue;
        }
        let stretch = match current.take() {
            Some(stretch) if joined => Stretch {
                length_s: time_s - stretch.start_s,
                count: stretch.count + 1,
                worst: if beyond(stretch.worst.min(value)) && value < stretch.worst {
                    value
                } else {
                    stretch.worst
                },
                ..stretch
            },
            _ => Stretch {
                start_s: time_s,
                length_s: 0.0,
                count: 1,
                worst: value,
            },
        };
        if best
            .as_ref()
            .is_none_or(|best| stretch.length_s >= best.length_s)
        {
            best = Some(Stretch { ..stretch });
        }
        current = Some(stretch);
    }
    best
}

/// Judges a switch-like signal.
pub(super) fn switch(wanted: &SignalCondition, grounds: &Grounds<'_>) -> Judged {
    let signals = &grounds.record.signals;
    let trace = match wanted.name {
        SwitchSignal::FluidLow => signals.fluid_low.as_ref(),
        SwitchSignal::BrakeSwitch => signals.brake_switch.as_ref(),
        SwitchSignal::AbsActive => signals.abs_active.as_ref(),
    };
    let Some(trace) = trace else {
        return Judged::not_observable("no such signal is in the capture");
    };
    let speed = wanted
        .moving_kmh
        .map(|least| (least, speeds(grounds.record)));
    let mut speed_at = 0;
    let (mut on, mut all) = (0_u32, 0_u32);
    let (mut seen_s, mut last_s) = (0.0, f64::NAN);
    let mut judged = Judged::new(false);
    for (time_s, value) in samples(trace) {
        if let Some((least, speeds)) = &speed {
            while speeds
                .get(speed_at)
                .is_some_and(|&(seen_s, _)| seen_s <= time_s)
            {
                speed_at += 1;
            }
            let now = speed_at.checked_sub(1).and_then(|last| speeds.get(last));
            if !now.is_some_and(|&(at_s, kmh)| time_s - at_s <= 2.0 && kmh >= *least) {
                last_s = f64::NAN;
                continue;
            }
        }
        let step = time_s - last_s;
        if step > 0.0 && step <= PAUSE_S {
            seen_s += step;
        }
        last_s = time_s;
        all = all.saturating_add(1);
        if value >= 0.5 {
            on = on.saturating_add(1);
            if judged.times_s.is_empty() {
                judged.times_s.push(time_s);
            }
        }
    }
    if all == 0 || seen_s < wanted.at_least_s {
        return Judged::not_observable("the signal was not seen for long enough");
    }
    let share = f64::from(on) / f64::from(all);
    judged.state = if share > wanted.on_more_than {
        State::True
    } else {
        State::False
    };
    judged
        .details
        .push(format!("{:.0} % of the samples", share * 100.0));
    judged.measure = Some(Measure {
        value: share,
        unit: String::new(),
    });
    judged
}

/// The vehicle's speed: its own signal, else the first wheel's.
fn speeds(record: &Record) -> Vec<(f64, f64)> {
    let signals = &record.signals;
    let first = signals.speeds.iter().flatten().next();
    signals
        .vehicle_speed
        .as_ref()
        .or(first)
        .map(samples)
        .unwrap_or_default()
}

/// Judges whether the bus was disturbed.
pub(super) fn bus(wanted: &BusCondition, grounds: &Grounds<'_>) -> Judged {
    let bus = &grounds.record.bus;
    let errors = bus
        .error_frames
        .saturating_sub(bus.no_acknowledge)
        .saturating_sub(bus.overflow);
    #[expect(clippy::cast_precision_loss, reason = "counts stay below 2^53")]
    let share = errors as f64 / bus.frames.max(1) as f64;
    if errors >= wanted.errors && share > wanted.error_share {
        let mut judged = Judged::new(true);
        judged
            .details
            .push(format!("{errors} error frames among {} frames", bus.frames));
        judged.origins.clone_from(&bus.first_errors);
        judged.times_s = bus
            .first_errors
            .iter()
            .filter_map(|origin| origin.time)
            .map(Timestamp::seconds)
            .collect();
        judged.measure = Some(Measure {
            value: share,
            unit: String::new(),
        });
        return judged;
    }
    if bus.frames >= wanted.frames {
        Judged::new(false)
    } else {
        Judged::not_observable("too few frames to judge the bus")
    }
}

/// Judges a measure of the wheel speeds.
pub(super) fn measure(wanted: &MeasureCondition, place: Place, grounds: &Grounds<'_>) -> Judged {
    let measures = grounds.measures;
    let all: Vec<Named<'_>> = match place {
        Place::Vehicle => measures.vehicle.all(),
        Place::Axle(axle) => measures
            .axles
            .get(axle as usize)
            .map(crate::wheel::AxleMeasures::all)
            .unwrap_or_default(),
        Place::Wheel(wheel) => match measures.wheels.get(wheel.index()) {
            Some(Some(wheel)) => wheel.all(),
            _ => Vec::new(),
        },
    };
    let Some(named) = all.into_iter().find(|named| named.id == wanted.name) else {
        return Judged::not_observable("no wheel-speed signal of this wheel is in the capture");
    };
    let made = match named.measured {
        Measured::Made(made) => made,
        Measured::NotMade { reason } | Measured::Moot { reason } => {
            return Judged::not_observable(reason.clone());
        }
    };
    let size = made.value.abs();
    let mut judged = match made.verdict {
        Verdict::Unclear => return Judged::not_observable("the capture does not settle it"),
        Verdict::NotShown if other_kind(wanted, grounds) => {
            return Judged::not_observable("another kind of sensor would show it");
        }
        Verdict::NotShown => Judged::new(false),
        // Beyond the upper limit it is another finding's matter, and says nothing about this one.
        Verdict::Shown if wanted.below.is_some_and(|limit| size >= limit) => {
            return Judged::not_observable("it is more than this finding is about");
        }
        Verdict::Shown => Judged::new(wanted.above.is_none_or(|limit| size > limit)),
    };
    judged.measure = Some(Measure {
        value: made.value,
        unit: made.unit.to_owned(),
    });
    if judged.state == State::True {
        judged
            .details
            .push(words(&named, made.value, made.uncertainty, made.unit));
        judged.times_s = made
            .times_s
            .iter()
            .copied()
            .take(super::condition::MOST_KEPT)
            .collect();
    }
    judged
}

/// Whether the sensors are known to be of another kind than the one that shows such a measure.
fn other_kind(wanted: &MeasureCondition, grounds: &Grounds<'_>) -> bool {
    let sensor = grounds.record.wheel_data.sensor.map(SensorWord::from);
    wanted.sensor.is_some() && sensor.is_some() && wanted.sensor != sensor
}

/// `share of moving time without a signal: 12 %`.
fn words(named: &Named<'_>, value: f64, uncertainty: f64, unit: &str) -> String {
    let (value, uncertainty, unit) = if unit.is_empty() && value.abs() <= 1.0 {
        (value * 100.0, uncertainty * 100.0, "%")
    } else {
        (value, uncertainty, unit)
    };
    // As many digits as the uncertainty is known to, two at the most.
    let digits = match uncertainty {
        half if half <= 0.0 || half >= 1.0 => usize::from(value.abs() < 10.0),
        half if half >= 0.095 => 1,
        _ => 2,
    };
    if uncertainty >= 0.005 {
        format!(
            "{}: {value:.digits$} ± {uncertainty:.digits$} {unit}",
            named.name
        )
    } else {
        format!("{}: {value:.digits$} {unit}", named.name)
    }
}
