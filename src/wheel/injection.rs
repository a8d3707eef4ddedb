//! Faults put into sound recordings at the pulse level, for tests.
//!
//! A wheel's recorded speed turns a ring; the ring's pulses pass a sensor; what is left of them is counted and timed as
//! a module does it (pulses of a window, timed from the last pulse before it, nothing after a tenth of a second
//! without a pulse), and rounded as the recording is. The detectors know nothing of this file.

#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::cast_precision_loss,
    reason = "a few dozen teeth and a few million samples"
)]

use super::recordings::{Recording, Trace};

/// A fault of one wheel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Fault {
    /// Nothing: the emulation alone.
    None,
    /// So many teeth in a row are gone.
    MissingTeeth(usize),
    /// The ring turns off centre: the angle of a tooth is off by this many radians at most.
    OffCentre(f64),
    /// Pulses are too weak below this speed, in km/h.
    WeakBelow(f64),
    /// The contact opens: so many times a minute, for so many seconds each.
    Intermittent(f64, f64),
    /// The wheel turns this much faster: 0.05 is 5 %.
    Tyre(f64),
    /// So many extra pulses a second on average, from noise.
    Noise(f64),
    /// The value stays what it was from the middle of the recording on.
    Frozen,
    /// No pulses at all.
    Dead,
}

/// Rolling circumference that is assumed, in m.
const CIRCUMFERENCE_M: f64 = 1.95;
/// Teeth of the ring.
const TEETH: usize = 48;
/// Without a pulse for so long, in s, a wheel reads nothing.
const TIMEOUT_S: f64 = 0.1;

/// Numbers that look random and are the same every time (multiplicative congruence, as in many C libraries).
#[derive(Clone, Debug)]
pub(super) struct Random(u64);

impl Random {
    pub(super) const fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(2).wrapping_add(0x9E37_79B9_7F4A_7C15))
    }

    /// Between 0 and 1.
    pub(super) fn unit(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        f64::from(u32::try_from(self.0 >> 32).unwrap()) / f64::from(u32::MAX)
    }

    /// About normal, spread 1.
    pub(super) fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

/// The recording with a fault at one wheel.
pub(super) fn with_fault(
    recording: &Recording,
    wheel: usize,
    fault: Fault,
    seed: u64,
) -> Recording {
    let mut faulty = recording.clone();
    let trace = &recording.wheels[wheel];
    faulty.wheels[wheel] = match fault {
        Fault::Frozen => {
            let mut frozen = trace.clone();
            let middle = trace.speed_kmh.len() / 2;
            let held = frozen.speed_kmh[middle];
            frozen.speed_kmh[middle..].fill(held);
            frozen
        }
        _ => emulate(trace, fault, &trace.time_s, seed),
    };
    faulty
}

/// The recording as if sampled at this interval: every wheel passes ring, sensor and module, with the noise of a road.
pub(super) fn resampled(
    recording: &Recording,
    interval_s: f64,
    most_s: f64,
    faults: [Fault; 4],
    seed: u64,
) -> Recording {
    let mut out = Recording {
        name: format!("{} every {interval_s} s", recording.name),
        ..Recording::default()
    };
    let first = recording.wheels[0].time_s[0];
    let last = recording.wheels[0]
        .time_s
        .last()
        .unwrap()
        .min(first + most_s);
    let mut times = Vec::new();
    let mut time = first;
    while time < last {
        times.push(time);
        time += interval_s;
    }
    for (wheel, fault) in faults.into_iter().enumerate() {
        let mut trace = recording.wheels[wheel].clone();
        trace.quantum_kmh = trace.quantum_kmh.max(0.01);
        let mut random = Random::new(seed ^ (wheel as u64 + 77));
        // Road noise: 1 ‰ of the speed, new every 50 ms.
        let rough = finer(&trace, 0.05, &mut random, first + most_s);
        out.wheels[wheel] = emulate(&rough, fault, &times, seed ^ wheel as u64);
    }
    out
}

fn finer(trace: &Trace, step_s: f64, random: &mut Random, until_s: f64) -> Trace {
    let mut out = Trace {
        quantum_kmh: trace.quantum_kmh,
        ..Trace::default()
    };
    for (times, speeds) in trace.time_s.windows(2).zip(trace.speed_kmh.windows(2)) {
        if times[0] > until_s {
            break;
        }
        let span = times[1] - times[0];
        let pieces = if span < 5.0 {
            (span / step_s).ceil().max(1.0)
        } else {
            1.0
        };
        let mut piece = 0.0;
        while piece < pieces {
            let speed = f64::from(speeds[0]) + f64::from(speeds[1] - speeds[0]) * piece / pieces;
            out.time_s.push(times[0] + span * piece / pieces);
            out.speed_kmh
                .push((speed * (1.0 + 0.001 * random.normal())).max(0.0) as f32);
            piece += 1.0;
        }
    }
    out
}

/// What the module reads at `times` of the pulses that this wheel's ring and sensor make.
fn emulate(trace: &Trace, fault: Fault, times: &[f64], seed: u64) -> Trace {
    let pulses = pulses(trace, fault, seed);
    let interval = super::clock::interval(times).unwrap_or(0.02);
    let window = interval.clamp(0.01, 0.02);
    let mut speed_kmh = Vec::with_capacity(times.len());
    let quantum = trace.quantum_kmh.max(0.001);
    let mut end = 0;
    let mut invalid = trace.time_s.iter().zip(&trace.speed_kmh).peekable();
    let mut is_invalid = false;
    for &time in times {
        while invalid.peek().is_some_and(|(at, _)| **at <= time) {
            is_invalid = invalid.next().is_some_and(|(_, speed)| speed.is_nan());
        }
        while pulses.get(end).is_some_and(|&pulse| pulse <= time) {
            end += 1;
        }
        let start = pulses[..end].partition_point(|&pulse| pulse <= time - window);
        let count = end - start;
        let per_pulse = CIRCUMFERENCE_M / TEETH as f64 * 3.6;
        let speed = match (
            start.checked_sub(1).map(|at| pulses[at]),
            end.checked_sub(1).map(|at| pulses[at]),
        ) {
            (Some(before), Some(latest)) if count > 0 && latest - before <= TIMEOUT_S => {
                count as f64 * per_pulse / (latest - before)
            }
            (_, Some(latest)) if count > 1 => {
                (count - 1) as f64 * per_pulse / (latest - pulses[start]).max(1e-6)
            }
            (_, Some(latest)) if count == 0 && time - latest <= TIMEOUT_S && end >= 2 => {
                per_pulse / (latest - pulses[end - 2]).max(time - latest).max(1e-6)
            }
            _ => 0.0,
        };
        speed_kmh.push(if is_invalid {
            f32::NAN
        } else {
            ((speed / quantum).round() * quantum) as f32
        });
    }
    Trace {
        time_s: times.to_vec(),
        speed_kmh,
        quantum_kmh: trace.quantum_kmh,
    }
}

/// After which part of the time this part of the way is done, where the speed changes evenly.
fn part(way: f64, speeds: &[f32]) -> f64 {
    let (start, end) = (f64::from(speeds[0]), f64::from(speeds[1]));
    let way = way.clamp(0.0, 1.0);
    // (start·x + (end − start)·x²/2) / mean = way
    let (half, mean) = ((end - start) / 2.0, f64::midpoint(start, end));
    if half.abs() < 1e-9 * mean {
        return way;
    }
    let root = (start * start + 4.0 * half * mean * way).max(0.0).sqrt();
    ((root - start) / (2.0 * half)).clamp(0.0, 1.0)
}

/// When the sensor's pulses come.
fn pulses(trace: &Trace, fault: Fault, seed: u64) -> Vec<f64> {
    let mut random = Random::new(seed);
    let mut out = Vec::new();
    if fault == Fault::Dead {
        return out;
    }
    // Teeth are cut to about half a per cent of their pitch; the ring starts anywhere.
    let mut pitch: Vec<f64> = (0..TEETH).map(|_| 0.005 * random.normal()).collect();
    pitch[0] = 0.0;
    let mut turn = random.unit();
    let mut tooth = (turn * TEETH as f64).ceil() as i64;
    let ratio = if let Fault::Tyre(ratio) = fault {
        1.0 + ratio
    } else {
        1.0
    };
    let mut opens_at = f64::INFINITY;
    let mut closes_at = f64::NEG_INFINITY;
    if let Fault::Intermittent(per_minute, _) = fault {
        opens_at = trace.time_s[0] - random.unit().max(1e-9).ln() * 60.0 / per_minute;
    }
    for (times, speeds) in trace.time_s.windows(2).zip(trace.speed_kmh.windows(2)) {
        let span = times[1] - times[0];
        let speed = f64::from(speeds[0] + speeds[1]) / 2.0;
        if !(span > 0.0 && speed.is_finite()) {
            continue;
        }
        let turns = speed / 3.6 * ratio * span / CIRCUMFERENCE_M;
        if let Fault::Noise(rate) = fault {
            let mut at = times[0] - random.unit().max(1e-9).ln() / rate;
            while at < times[1] {
                out.push(at);
                at -= random.unit().max(1e-9).ln() / rate;
            }
        }
        loop {
            let index = tooth.rem_euclid(TEETH as i64) as usize;
            let angle = std::f64::consts::TAU * index as f64 / TEETH as f64;
            let off = match fault {
                Fault::OffCentre(radians) => radians * angle.sin() / std::f64::consts::TAU,
                _ => 0.0,
            };
            let at_turn = (tooth as f64 + pitch[index]) / TEETH as f64 + off;
            if at_turn > turn + turns {
                break;
            }
            let at = times[0] + span * part((at_turn - turn) / turns, speeds);
            tooth += 1;
            while at > opens_at {
                if let Fault::Intermittent(per_minute, length) = fault {
                    closes_at = opens_at + length;
                    opens_at = closes_at - random.unit().max(1e-9).ln() * 60.0 / per_minute;
                }
            }
            let lost = match fault {
                Fault::MissingTeeth(count) => index < count,
                Fault::WeakBelow(kmh) => speed < kmh,
                Fault::Intermittent(..) => at < closes_at,
                _ => false,
            };
            if !lost {
                out.push(at);
            }
        }
        turn += turns;
    }
    out.sort_unstable_by(f64::total_cmp);
    out
}
