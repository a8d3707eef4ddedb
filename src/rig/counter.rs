//! How the module makes a speed out of pulses: whole periods counted within a task's window, then filtered.

/// How often the module measures, seconds.
pub(super) const TASK_S: f64 = 0.01;
/// Without a pulse for this long the wheel stands, seconds.
const STANDSTILL_S: f64 = 0.4;
/// Faster than this no wheel turns, m/s: 290 km/h.
const FASTEST: f64 = 80.0;
/// Most readings that the filter averages.
pub(super) const MAX_FILTER: usize = 4;

/// One input of the module.
#[derive(Clone, Debug)]
pub(super) struct Counter {
    /// Length of road that the module takes for one pulse, metres.
    pitch_m: f64,
    /// How many readings are averaged, 1 to [`MAX_FILTER`].
    filter: usize,
    last_edge: Option<f64>,
    raw: f64,
    history: [f64; MAX_FILTER],
    at: usize,
}

impl Counter {
    pub(super) fn new(pitch_m: f64, filter: usize) -> Self {
        Self {
            pitch_m,
            filter: filter.clamp(1, MAX_FILTER),
            last_edge: None,
            raw: 0.0,
            history: [0.0; MAX_FILTER],
            at: 0,
        }
    }

    /// The reading of the last task before the filter, m/s.
    pub(super) const fn raw(&self) -> f64 {
        self.raw
    }

    /// The filtered reading, m/s.
    pub(super) fn speed(&self) -> f64 {
        let used = &self.history[..self.filter];
        used.iter().sum::<f64>() / super::whole::real(self.filter)
    }

    /// One task: `edges` are the times of the pulses since the last one, in order. Gives the reading, m/s.
    pub(super) fn measure(&mut self, now: f64, edges: &[f64]) -> f64 {
        let mut start = self.last_edge;
        let mut periods = 0.0;
        for &edge in edges {
            match self.last_edge {
                // Closer than a wheel can turn: noise, not counted.
                Some(last) if edge - last < self.pitch_m / FASTEST => {}
                Some(_) => {
                    periods += 1.0;
                    self.last_edge = Some(edge);
                }
                None => {
                    start = Some(edge);
                    self.last_edge = Some(edge);
                }
            }
        }
        if let (Some(start), Some(last)) = (start, self.last_edge.filter(|_| periods > 0.0)) {
            self.raw = self.pitch_m * periods / (last - start);
        } else if let Some(edge) = self.last_edge {
            // No pulse: the wheel cannot be faster than one pulse in the time that has passed.
            let age = now - edge;
            self.raw = self.raw.min(self.pitch_m / age.max(TASK_S));
            if age > STANDSTILL_S {
                self.raw = 0.0;
                self.last_edge = None;
            }
        }
        self.at = (self.at + 1) % self.filter;
        if let Some(slot) = self.history.get_mut(self.at) {
            *slot = self.raw;
        }
        self.raw
    }

    /// Forgets everything, as after a reset.
    pub(super) fn reset(&mut self) {
        *self = Self::new(self.pitch_m, self.filter);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn readings(hertz: f64, seconds: f64, filter: usize) -> Vec<f64> {
        let mut counter = Counter::new(1.95 / 48.0, filter);
        let mut found = Vec::new();
        let mut next = 1.0 / hertz;
        let mut now = 0.0;
        while now < seconds {
            now += TASK_S;
            let mut edges = Vec::new();
            while next <= now {
                edges.push(next);
                next += 1.0 / hertz;
            }
            found.push(counter.measure(now, &edges));
        }
        found
    }

    /// Source: f = v/(3.6 C) N by arithmetic: 410.256 Hz at 60 km/h, 34.188 Hz at 5 km/h (C 1.95 m, 48 teeth).
    #[test]
    fn steady_pulses_give_their_speed() {
        for (hertz, kmh) in [(410.256_41, 60.0), (34.188_034, 5.0), (1_709.402, 250.0)] {
            let found = readings(hertz, 2.0, 1);
            for reading in &found[20..] {
                assert!((reading * 3.6 / kmh - 1.0).abs() < 1e-6, "{reading} {kmh}");
            }
        }
    }

    #[test]
    fn a_stop_is_seen_within_half_a_second() {
        let mut counter = Counter::new(1.95 / 48.0, 2);
        for task in 1..=10_u32 {
            let now = f64::from(task) * TASK_S;
            counter.measure(now, &[now - 0.005]);
        }
        assert!(counter.speed() > 3.0);
        for task in 11..=60_u32 {
            counter.measure(f64::from(task) * TASK_S, &[]);
        }
        assert!(counter.speed() <= 0.0);
    }
}
