//! What is seen on a link while it is listened to: a picture for a terminal, or lines of what has changed for a pipe.
//!
//! The view model is [`Live`]. Nothing here decides facts or knows a clock.

mod changes;
mod screen;

pub use changes::{changes, status};
pub use screen::screen;

use super::Report;
use crate::place::Wheel;

/// Everything that is shown of a link at one moment.
#[derive(Clone, Debug, Default)]
pub struct Live {
    /// The link's name.
    pub link: String,
    /// Bit rate and state of the bus, as far as they are known: `500 kbit/s, error active`.
    pub bus: String,
    /// What this program and the adapter send: a sentence.
    pub sending: String,
    /// Since when it is listened to, in seconds.
    pub seconds: f64,
    /// Frames heard, error frames included.
    pub frames: u64,
    /// Frames a second.
    pub rate: f64,
    /// Error frames heard.
    pub error_frames: u64,
    /// Frames lost on the way to the program.
    pub lost: u64,
    /// What is wrong with the link, a sentence each, the worst first; with a word that stays while the numbers change.
    pub troubles: Vec<(&'static str, String)>,
    /// Where frames are recorded, in words.
    pub recording: Option<String>,
    /// What is being asked, in words, where something is.
    pub asking: Option<String>,
    /// The wheels' speeds.
    pub wheels: [WheelNow; 4],
    /// What the frames so far say, judged; `None` before the first time.
    pub report: Option<Report>,
    /// How much older than the last frame that judgement is, in seconds.
    pub judged_s: Option<f64>,
}

/// A wheel's last speed.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct WheelNow {
    /// In km/h; `None` when there was none yet or the sender marked it as invalid.
    pub speed_kmh: Option<f64>,
    /// How long ago it came, in seconds; `None` when none came yet.
    pub age_s: Option<f64>,
}

impl WheelNow {
    /// A speed older than this is no speed of now, in seconds.
    const OLD_S: f64 = 2.0;

    /// What to show: `43.2`, `no value`, `silent`, or `–` before the first.
    fn words(&self) -> String {
        match (self.age_s, self.speed_kmh) {
            (None, _) => "–".to_owned(),
            (Some(age), _) if age > Self::OLD_S => "silent".to_owned(),
            (Some(_), Some(speed)) => format!("{speed:.1}"),
            (Some(_), None) => "no value".to_owned(),
        }
    }
}

/// The wheels with what each does now.
fn wheels(live: &Live) -> impl Iterator<Item = (Wheel, &WheelNow)> {
    Wheel::ALL.into_iter().zip(&live.wheels)
}
