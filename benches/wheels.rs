//! Speed of the wheel-speed measures: a drive of 15, 30 and 60 minutes at 100 samples a second and wheel. Time must grow as the
//! number of samples does.
//!
//! `cargo bench --bench wheels`

#![expect(
    clippy::cast_possible_truncation,
    reason = "speeds need seven digits at most"
)]

use std::f64::consts::TAU;
use std::hint::black_box;

use divan::Bencher;
use divan::counter::ItemsCount;
use tonering::wheel::{Geometry, Input, Samples, measure};

fn main() {
    divan::main();
}

/// Samples a second.
const RATE: u32 = 100;

/// Four wheels between 0 and 110 km/h, with a stop every five minutes, bends, a little noise and steps of 0.01 km/h.
struct Drive {
    time_s: Vec<f64>,
    wheels: [Vec<f32>; 4],
}

impl Drive {
    fn new(minutes: u32) -> Self {
        let mut drive = Self {
            time_s: Vec::new(),
            wheels: Default::default(),
        };
        let mut state = 0x2545_F491_4F6C_DD1D_u64;
        for index in 0..minutes * 60 * RATE {
            let time = f64::from(index) / f64::from(RATE);
            let speed = (55.0 - 57.0 * (TAU * time / 300.0).cos()).max(0.0);
            let bend = 0.03 * (TAU * time / 23.0).sin();
            drive.time_s.push(time);
            for (wheel, column) in drive.wheels.iter_mut().enumerate() {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                let chance = f64::from(u32::try_from(state >> 40).unwrap_or(0)) / 8_388_608.0 - 1.0;
                let side = if wheel % 2 == 0 { -bend } else { bend };
                let exact = speed * (1.0 + side) * (1.0 + 0.002 * chance);
                column.push(((exact * 100.0).round() / 100.0) as f32);
            }
        }
        drive
    }

    fn input(&self) -> Input<'_> {
        Input {
            speeds: self
                .wheels
                .each_ref()
                .map(|wheel| Some(Samples::new(&self.time_s, wheel, 0.01))),
            geometry: Geometry::default(),
            ..Input::default()
        }
    }
}

#[divan::bench(args = [15, 30, 60], sample_count = 10)]
fn minutes(bencher: Bencher<'_, '_>, minutes: u32) {
    let drive = Drive::new(minutes);
    bencher
        .counter(ItemsCount::new(4 * drive.time_s.len()))
        .bench(|| measure(black_box(&drive.input())));
}
