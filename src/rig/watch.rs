//! How the brake module judges the signal of one wheel.

use super::codes::WheelSymptom;
use super::counter::TASK_S;
use super::debounce::{Debounce, Outcome};
use super::line::LineState;
use super::random::Random;

/// The limits of a brake module: of the size that makers print.
#[derive(Clone, Copy, Debug)]
pub(super) struct Limits {
    pub(super) teeth: u32,
    /// A line is open or shorted after so long, s (published: 0.14 to 0.5).
    pub(super) line_s: f64,
    /// A wheel gives no signal although others turn: faster than this, m/s, for so long, s (published: 10 to 19 km/h,
    /// 0.15 to 5 s).
    pub(super) others_speed: f64,
    pub(super) no_signal_s: f64,
    /// No wheel can change its speed faster than this, m/s² (published: 500 to 980).
    pub(super) jump: f64,
    /// So many jumps within five seconds are erratic.
    pub(super) jumps: f64,
    /// A gap once per turn, above this speed, m/s, for so long, s (published: 48 km/h, 1 min).
    pub(super) pattern_speed: f64,
    pub(super) pattern_s: f64,
    /// A wheel differs by this share for so long, s (published: 6 % for 9 to 72 s).
    pub(super) share: f64,
    pub(super) disagree_s: f64,
    /// Below this supply nothing is judged, V (published: 9.6).
    pub(super) least_supply_v: f64,
    /// Supply too low, V, for so long, s (published: 9 V, 0.1 s).
    pub(super) low_supply_v: f64,
    pub(super) supply_s: f64,
    /// A message is lost after so long, s.
    pub(super) lost_s: f64,
    /// The brake switch contradicts the pressure for so long, s.
    pub(super) switch_s: f64,
    /// Yaw rate and wheels disagree for so long, s.
    pub(super) yaw_s: f64,
    /// Slower than this is a standstill, km/h (published: 2.75).
    pub(super) least_kmh: f64,
}

impl Limits {
    /// Those of the training vehicle.
    pub(super) const fn training(teeth: u32) -> Self {
        Self {
            teeth,
            line_s: 0.2,
            others_speed: 12.0 / 3.6,
            no_signal_s: 1.0,
            jump: 700.0,
            jumps: 6.0,
            pattern_speed: 40.0 / 3.6,
            pattern_s: 12.0,
            share: 0.05,
            disagree_s: 10.0,
            least_supply_v: 9.6,
            low_supply_v: 9.0,
            supply_s: 0.1,
            lost_s: 1.0,
            switch_s: 8.0,
            yaw_s: 4.0,
            least_kmh: 1.0,
        }
    }

    /// Those of another maker, drawn.
    pub(super) fn drawn(teeth: u32, random: &mut Random) -> Self {
        let mut between = |low: f64, high: f64| random.between(low, high);
        Self {
            teeth,
            line_s: between(0.14, 0.5),
            others_speed: between(10.0, 19.0) / 3.6,
            no_signal_s: between(0.15, 3.0),
            jump: between(400.0, 980.0),
            jumps: between(4.0, 15.0),
            pattern_speed: between(30.0, 48.0) / 3.6,
            pattern_s: between(10.0, 60.0),
            share: between(0.04, 0.07),
            disagree_s: between(8.0, 40.0),
            least_supply_v: between(9.0, 9.8),
            low_supply_v: between(8.5, 9.6),
            supply_s: between(0.1, 0.5),
            lost_s: between(0.5, 2.0),
            switch_s: between(4.0, 15.0),
            yaw_s: between(3.0, 6.0),
            least_kmh: between(0.5, 2.75),
        }
    }
}

/// What the module sees of a wheel in one task. Speeds in m/s.
#[derive(Clone, Copy, Debug)]
pub(super) struct Signal<'a> {
    pub(super) raw: f64,
    pub(super) speed: f64,
    pub(super) fastest_other: f64,
    pub(super) middle_other: f64,
    pub(super) median: f64,
    pub(super) straight: bool,
    pub(super) braking: bool,
    pub(super) line: LineState,
    pub(super) edges: &'a [f64],
}

/// The tests of one wheel.
#[derive(Clone, Debug)]
pub(super) struct WheelWatch {
    open: Debounce,
    to_earth: Debounce,
    no_signal: Debounce,
    disagrees: Debounce,
    jumps: f64,
    calm_s: f64,
    /// How often the line has opened, and how long it has been sound since.
    openings: f64,
    line_before: LineState,
    sound_s: f64,
    raw_before: f64,
    pattern: Pattern,
}

impl WheelWatch {
    pub(super) const fn new(limits: &Limits) -> Self {
        Self {
            open: Debounce::new(limits.line_s, 0.5),
            to_earth: Debounce::new(limits.line_s, 0.5),
            no_signal: Debounce::new(limits.no_signal_s, 2.0),
            disagrees: Debounce::new(limits.disagree_s, 15.0),
            jumps: 0.0,
            calm_s: 0.0,
            openings: 0.0,
            line_before: LineState::Sound,
            sound_s: 0.0,
            raw_before: 0.0,
            pattern: Pattern::new(),
        }
    }

    /// Starts all tests from nothing.
    pub(super) fn restart(&mut self) {
        self.open.restart();
        self.to_earth.restart();
        self.no_signal.restart();
        self.disagrees.restart();
        self.jumps = 0.0;
        self.calm_s = 0.0;
        self.openings = 0.0;
        self.sound_s = 0.0;
        self.raw_before = 0.0;
        self.pattern = Pattern::new();
    }

    /// One task: the tests that have come to an end.
    pub(super) fn task(
        &mut self,
        signal: &Signal<'_>,
        limits: &Limits,
    ) -> Vec<(WheelSymptom, Outcome)> {
        let mut found = Vec::new();
        let mut note = |symptom, outcome: Option<Outcome>| {
            if let Some(outcome) = outcome {
                found.push((symptom, outcome));
            }
        };
        let line = signal.line;
        note(
            WheelSymptom::LineOpen,
            self.open.step(line == LineState::Open, TASK_S),
        );
        note(
            WheelSymptom::LineToEarth,
            self.to_earth.step(line == LineState::ToEarth, TASK_S),
        );
        if line == LineState::Sound {
            self.sound_s += TASK_S;
        } else {
            if self.line_before == LineState::Sound {
                self.openings += 1.0;
            }
            self.sound_s = 0.0;
        }
        self.line_before = line;
        if self.openings >= 3.0 && line != LineState::Sound {
            note(WheelSymptom::LineIntermittent, Some(Outcome::Failed));
        } else if self.sound_s > 10.0 {
            self.openings = 0.0;
            note(WheelSymptom::LineIntermittent, Some(Outcome::Passed));
        }
        // A wheel whose line is known to be broken is not judged further.
        if line != LineState::Sound {
            self.raw_before = signal.raw;
            return found;
        }
        if signal.fastest_other > limits.others_speed {
            let missing = signal.speed < 2.75 / 3.6;
            note(WheelSymptom::NoSignal, self.no_signal.step(missing, TASK_S));
        }
        let jump = (signal.raw - self.raw_before).abs() / TASK_S;
        self.raw_before = signal.raw;
        self.jumps += -self.jumps * TASK_S / 5.0;
        if jump > limits.jump && !signal.braking {
            self.jumps += 1.0;
            self.calm_s = 0.0;
        }
        if self.jumps > limits.jumps {
            note(WheelSymptom::Erratic, Some(Outcome::Failed));
        } else if signal.speed > 5.0 {
            self.calm_s += TASK_S;
            if self.calm_s > 10.0 {
                note(WheelSymptom::Erratic, Some(Outcome::Passed));
            }
        }
        self.pattern.listen(signal.edges, limits.teeth);
        if signal.speed > limits.pattern_speed {
            note(WheelSymptom::Pattern, self.pattern.task(limits.pattern_s));
        }
        if signal.straight && !signal.braking && signal.median > 20.0 / 3.6 {
            let share = (signal.speed / signal.middle_other.max(0.1) - 1.0).abs();
            let off = share > limits.share && signal.speed > 0.5 * signal.median;
            note(WheelSymptom::Disagrees, self.disagrees.gather(off, TASK_S));
        }
        found
    }
}

/// Looks for a gap that comes back once per turn.
#[derive(Clone, Debug)]
struct Pattern {
    last_edge: f64,
    usual: f64,
    since_gap: u32,
    seen_s: f64,
    unseen_s: f64,
    fresh: bool,
}

impl Pattern {
    const fn new() -> Self {
        Self {
            last_edge: 0.0,
            usual: 0.0,
            since_gap: 0,
            seen_s: 0.0,
            unseen_s: 0.0,
            fresh: false,
        }
    }

    /// Compares each period with the usual one, and counts pulses between those that stand out.
    fn listen(&mut self, edges: &[f64], teeth: u32) {
        for &edge in edges {
            let period = edge - self.last_edge;
            self.last_edge = edge;
            self.since_gap += 1;
            if self.usual > 0.0 && period > 1.35 * self.usual && period < 8.0 * self.usual {
                // As many pulses as a turn has, or fewer by those that are missing.
                if (teeth.saturating_sub(4)..=teeth + 1).contains(&self.since_gap) {
                    self.fresh = true;
                }
                self.since_gap = 0;
            } else {
                self.usual += (period.min(0.2) - self.usual) / 8.0;
            }
        }
    }

    fn task(&mut self, enough_s: f64) -> Option<Outcome> {
        if std::mem::take(&mut self.fresh) {
            self.unseen_s = 0.0;
        } else {
            self.unseen_s += TASK_S;
        }
        // A turn at walking pace takes longer than at speed: half a second covers all speeds at which it looks.
        if self.unseen_s < 0.5 {
            self.seen_s += TASK_S;
            return (self.seen_s > enough_s).then_some(Outcome::Failed);
        }
        self.seen_s = 0.0;
        (self.unseen_s > 5.0).then_some(Outcome::Passed)
    }
}
