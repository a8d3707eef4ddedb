//! The rig's own source of chance: seeded, the same on every machine, no clock.
//!
//! A generator belongs to a seed and a *stream*, named by what it is for. The drive has a stream of its own, each
//! wheel another: a fault that is added disturbs nothing but itself, so that "before" and "after" a repair are the
//! same drive.
//!
//! Source: D. Blackman and S. Vigna, "Scrambled linear pseudorandom number generators" (xoshiro256++), seeded by
//! splitmix64 as its authors advise.

use super::curve;

/// A seeded generator.
#[derive(Clone, Debug)]
pub struct Random {
    state: [u64; 4],
}

impl Random {
    /// The generator of this seed for this purpose.
    pub fn new(seed: u64, stream: &str) -> Self {
        // FNV-1a over the name of the stream.
        let mut name = 0xCBF2_9CE4_8422_2325_u64;
        for byte in stream.bytes() {
            name = (name ^ u64::from(byte)).wrapping_mul(0x0100_0000_01B3);
        }
        let mut counter = seed ^ name.rotate_left(17);
        Self {
            state: [(); 4].map(|()| split_mix(&mut counter)),
        }
    }

    /// The next 64 random bits.
    pub fn bits(&mut self) -> u64 {
        let [a, b, c, d] = self.state;
        let result = a.wrapping_add(d).rotate_left(23).wrapping_add(a);
        let c2 = c ^ a;
        let d2 = d ^ b;
        self.state = [a ^ d2, b ^ c2, c2 ^ b << 17, d2.rotate_left(45)];
        result
    }

    /// A number from 0 up to, not including, 1.
    #[expect(clippy::cast_precision_loss, reason = "53 bits fit exactly")]
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / 9_007_199_254_740_992.0
    }

    /// A number between the two.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// True with this probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// A whole number from 0 up to, not including, `end`; 0 when `end` is 0.
    pub fn below(&mut self, end: usize) -> usize {
        let end = u64::try_from(end).unwrap_or(u64::MAX).max(1);
        usize::try_from(self.bits() % end).unwrap_or(0)
    }

    /// One of these.
    ///
    /// # Panics
    ///
    /// On an empty slice: callers pass tables of the program.
    pub fn pick<T: Copy>(&mut self, from: &[T]) -> T {
        from[self.below(from.len())]
    }

    /// About normally distributed with mean 0 and deviation 1: twelve uniform numbers added, so never beyond 6.
    pub fn normal(&mut self) -> f64 {
        let mut sum = 0_u64;
        for _ in 0..3 {
            let bits = self.bits();
            sum += (bits & 0xFFFF) + (bits >> 16 & 0xFFFF) + (bits >> 32 & 0xFFFF) + (bits >> 48);
        }
        #[expect(clippy::cast_precision_loss, reason = "below 2^20")]
        let sum = sum as f64;
        sum / 65_535.0 - 6.0
    }

    /// Exponentially distributed with this mean: the wait for an event that comes at random.
    pub fn wait(&mut self, mean: f64) -> f64 {
        -mean * curve::logarithm(1.0 - self.unit())
    }
}

fn split_mix(counter: &mut u64) -> u64 {
    *counter = counter.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let a = (*counter ^ *counter >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let b = (a ^ a >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
    b ^ b >> 31
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: reference implementation of splitmix64 (S. Vigna, public domain), first outputs for the seed 1234567.
    #[test]
    fn split_mix_gives_the_published_numbers() {
        let mut counter = 1_234_567;
        let found = [(); 3].map(|()| split_mix(&mut counter));
        assert_eq!(
            found,
            [
                6_457_827_717_110_365_317,
                3_203_168_211_198_807_973,
                9_817_491_932_198_370_423
            ]
        );
    }

    /// Source: reference implementation of xoshiro256++, state 1, 2, 3, 4.
    #[test]
    fn the_generator_gives_the_published_numbers() {
        let mut random = Random {
            state: [1, 2, 3, 4],
        };
        let found = [(); 4].map(|()| random.bits());
        assert_eq!(
            found,
            [
                41_943_041,
                58_720_359,
                3_588_806_011_781_223,
                3_591_011_842_654_386
            ]
        );
    }

    #[test]
    fn moments_are_right() {
        let mut random = Random::new(7, "moments");
        let n = 100_000;
        let (mut sum, mut square, mut waits) = (0.0, 0.0, 0.0);
        for _ in 0..n {
            let x = random.normal();
            sum += x;
            square += x * x;
            waits += random.wait(2.0);
        }
        let n = f64::from(n);
        assert!((sum / n).abs() < 0.02);
        assert!((square / n - 1.0).abs() < 0.02);
        assert!((waits / n - 2.0).abs() < 0.05);
    }

    #[test]
    fn streams_differ_and_seeds_repeat() {
        let first = Random::new(1, "drive").bits();
        assert_eq!(first, Random::new(1, "drive").bits());
        assert_ne!(first, Random::new(1, "wheel").bits());
        assert_ne!(first, Random::new(2, "drive").bits());
    }
}
