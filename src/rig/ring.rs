//! The tone ring (or encoder): edges at angles, each with a strength, that pass the sensor as the wheel turns.

use super::random::Random;
use super::whole::real;

/// One edge that a sensor can see: where it stands, in turns from 0 to 1, and how strong it is (1: as made).
#[derive(Clone, Copy, Debug, PartialEq)]
struct Edge {
    at: f64,
    strength: f64,
}

/// A ring of edges on a turning wheel.
#[derive(Clone, Debug)]
pub struct Ring {
    edges: Vec<Edge>,
    /// The next edge to come, and in which turn.
    next: usize,
    turn: f64,
}

impl Ring {
    /// A ring with perfect spacing.
    pub fn perfect(teeth: u32) -> Self {
        let pitch = 1.0 / f64::from(teeth.max(1));
        let edges = (0..teeth.max(1))
            .map(|tooth| Edge {
                at: f64::from(tooth) * pitch,
                strength: 1.0,
            })
            .collect();
        Self {
            edges,
            next: 0,
            turn: 0.0,
        }
    }

    /// A sound ring as made: spacing errors of a fraction of a percent of the pitch, nearly even teeth.
    pub fn made(teeth: u32, random: &mut Random) -> Self {
        Self::perfect(teeth).uneven(0.004, 0.01, random)
    }

    /// With random errors of spacing (in pitches) and strength added to every edge.
    fn uneven(mut self, spacing: f64, strength: f64, random: &mut Random) -> Self {
        let pitch = 1.0 / real(self.edges.len().max(1));
        for edge in &mut self.edges {
            let shift = (random.normal() * spacing).clamp(-0.45, 0.45);
            edge.at += shift * pitch;
            edge.strength *= (1.0 + random.normal() * strength).max(0.0);
        }
        self
    }

    /// Without `count` neighbouring teeth, the first of them `first`.
    pub fn without(mut self, first: usize, count: usize) -> Self {
        let teeth = self.edges.len();
        for tooth in first..first + count.min(teeth.saturating_sub(1)) {
            if let Some(edge) = self.edges.get_mut(tooth % teeth.max(1)) {
                edge.strength = 0.0;
            }
        }
        self.edges.retain(|edge| edge.strength > 0.0);
        self
    }

    /// Cracked behind tooth `place`: that space is wider by `width` pitches and the rest closer together. From 0.6
    /// pitches on, the lips of the crack are seen as one more edge.
    pub fn cracked(mut self, place: usize, width: f64) -> Self {
        let teeth = real(self.edges.len().max(1));
        let pitch = 1.0 / teeth;
        let shrink = teeth / (teeth + width);
        let mut lips = None;
        for (tooth, edge) in self.edges.iter_mut().enumerate() {
            edge.at *= shrink;
            if tooth == place {
                lips = Some(edge.at + 0.4 * pitch * shrink * (1.0 + width));
            }
            if tooth > place {
                edge.at += width * pitch * shrink;
            }
        }
        if let Some(at) = lips.filter(|_| width >= 0.6) {
            let index = self.edges.partition_point(|edge| edge.at < at);
            self.edges.insert(index, Edge { at, strength: 0.7 });
        }
        self
    }

    /// Rusty: uneven spacing and height all round, and a stretch that rust has nearly levelled.
    pub fn corroded(self, severity: f64, random: &mut Random) -> Self {
        let mut ring = self.uneven(0.03 + 0.07 * severity, 0.08 + 0.15 * severity, random);
        let teeth = ring.edges.len();
        let first = random.below(teeth);
        let levelled = if severity > 0.6 { 3 } else { 2 };
        for tooth in first..first + levelled {
            if let Some(edge) = ring.edges.get_mut(tooth % teeth.max(1)) {
                edge.strength *= 0.6 - 0.45 * severity;
            }
        }
        ring
    }

    /// Turns the ring on to `position` (in turns since it was made) and tells each edge that passed: its position and
    /// its strength.
    pub fn turn_to(&mut self, position: f64, mut passed: impl FnMut(f64, f64)) {
        while let Some(edge) = self.edges.get(self.next) {
            let at = self.turn + edge.at;
            if at > position {
                break;
            }
            passed(at, edge.strength);
            self.next += 1;
            if self.next == self.edges.len() {
                self.next = 0;
                self.turn += 1.0;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn intervals(ring: &mut Ring, turns: f64) -> Vec<f64> {
        let mut places = Vec::new();
        ring.turn_to(turns, |at, _| places.push(at));
        places.windows(2).map(|pair| pair[1] - pair[0]).collect()
    }

    /// Source: arithmetic on a ring of 48 with a missing tooth, counted over whole turns: 47/48 of the speed, and the
    /// lowest reading of a single period is one half.
    #[test]
    fn a_missing_tooth_counts_47_of_48_and_halves_one_reading() {
        let mut ring = Ring::perfect(48).without(11, 1);
        let periods = intervals(&mut ring, 10.0);
        assert_eq!(periods.len(), 470);
        let longest = periods.iter().copied().fold(0.0, f64::max);
        assert!((1.0 / 48.0 / longest - 0.5).abs() < 1e-9);
    }

    /// Source: a published answer on a cracked ring of 48 that gives one pulse more, 49/48 of the speed.
    #[test]
    fn a_wide_crack_adds_an_edge() {
        let mut ring = Ring::perfect(48).cracked(20, 0.8);
        assert_eq!(intervals(&mut ring, 10.0).len(), 490);
        let mut ring = Ring::perfect(48).cracked(20, 0.4);
        let periods = intervals(&mut ring, 10.0);
        assert_eq!(periods.len(), 480);
        let sum: f64 = periods.iter().sum();
        assert!((sum - 10.0).abs() < 1e-9, "{sum}");
    }

    #[test]
    fn edges_stay_in_order_however_rusty() {
        for seed in 0..20 {
            let mut random = Random::new(seed, "ring");
            let ring = Ring::made(48, &mut random);
            let mut ring = ring.corroded(1.0, &mut random);
            assert!(intervals(&mut ring, 3.0).iter().all(|&period| period > 0.0));
        }
    }
}
