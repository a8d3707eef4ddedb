//! How a link does: what is wrong with it, told from what is heard, what is lost and what the system knows of it.
//!
//! It reads no clock and asks nobody: frames, [`Facts`] and the time come in, [`Trouble`]s come out.

use super::bus::{Heard, LinkError};
use super::error_frame::ErrorFrame;
use super::interface::{BusState, Facts};
use crate::frame::Timestamp;

/// So many seconds back counts as now.
const WINDOW_S: i64 = 5;
/// A bus without any frame for so long is remarkable.
const QUIET_S: i64 = 5;
/// From this counter of receive errors on a controller warns (ISO 11898-1, fault confinement).
const WARNING_LEVEL: u16 = 96;
/// Unreadable pieces within the window that are no accident.
const NO_ACCIDENT: u32 = 3;

const SECOND: i64 = 1_000_000_000;
/// One more than the window, for the second that has begun.
const BUCKETS: usize = 6;

/// Follows one link.
#[derive(Clone, Debug, Default)]
pub struct Health {
    /// Frames heard, error frames included.
    pub frames: u64,
    /// Error frames heard.
    pub error_frames: u64,
    /// Frames that were lost on the way to the program.
    pub lost: u64,
    /// Error frames that say that the adapter lost frames.
    pub overflows: u64,
    facts: Option<Facts>,
    away: Option<Away>,
    bus_off: bool,
    /// When a frame last found no room in the send buffer.
    full: Option<Timestamp>,
    last: Option<Timestamp>,
    buckets: [Bucket; BUCKETS],
}

#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Away {
    Down,
    Gone,
}

/// What was counted in one second.
#[derive(Clone, Copy, Debug, Default)]
struct Bucket {
    second: i64,
    data: u32,
    unreadable: u32,
    receive_errors: u32,
    no_acknowledge: u32,
    errors: u32,
    lost: u32,
    overflows: u32,
}

/// What is wrong with a link.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Trouble {
    /// The interface is switched off.
    Down,
    /// The interface is not there any more.
    Gone,
    /// The controller has left the bus.
    BusOff {
        /// After how many milliseconds it comes back by itself; `None` for never.
        restart_ms: Option<u32>,
    },
    /// Only errors come: the bit rate is wrong, most likely.
    Unreadable {
        /// The bit rate that is set, in bits per second.
        bit_rate: Option<u32>,
    },
    /// What is sent is not acknowledged by anybody.
    Alone,
    /// What is to be sent finds no room in the send buffer.
    Full,
    /// Errors beside frames that can be read.
    Disturbed {
        /// Error frames in the last seconds.
        errors: u32,
    },
    /// Frames were lost between the kernel and this program in the last seconds.
    Late {
        /// How many.
        lost: u32,
    },
    /// The adapter's own buffer ran over in the last seconds.
    Overrun,
    /// Nothing is heard.
    Quiet {
        /// For how many seconds.
        seconds: i64,
    },
}

impl Health {
    /// Nothing heard yet; `now` is when listening began.
    pub fn new(now: Timestamp) -> Self {
        Self {
            last: Some(now),
            ..Self::default()
        }
    }

    /// Takes a frame.
    pub fn hear(&mut self, heard: &Heard) {
        self.frames += 1;
        self.lost += u64::from(heard.lost);
        self.last = Some(heard.time);
        self.away = None;
        let says = ErrorFrame::of(heard);
        let bucket = self.bucket(heard.time);
        bucket.lost = bucket.lost.saturating_add(heard.lost);
        let Some(says) = says else {
            bucket.data += 1;
            self.bus_off = false;
            return;
        };
        bucket.errors += 1;
        bucket.unreadable += u32::from(says.unreadable);
        bucket.receive_errors += u32::from(says.receive_errors);
        bucket.no_acknowledge += u32::from(says.no_acknowledge);
        bucket.overflows += u32::from(says.overflow);
        self.error_frames += 1;
        self.overflows += u64::from(says.overflow);
        if says.bus_off || says.restarted {
            self.bus_off = says.bus_off && !says.restarted;
        }
    }

    /// Takes what the system says of the interface.
    pub fn learn(&mut self, facts: Facts) {
        self.away = (!facts.up).then_some(Away::Down);
        if let Some(state) = facts.state {
            self.bus_off = state == BusState::BusOff;
        }
        self.facts = Some(facts);
    }

    /// Takes an error of the link.
    pub fn fail(&mut self, error: &LinkError) {
        match error {
            LinkError::Down { .. } => self.away = Some(Away::Down),
            LinkError::Gone { .. } | LinkError::NoSuchLink { .. } => self.away = Some(Away::Gone),
            _ => {}
        }
    }

    /// A frame did not get out: the send buffer stays full.
    pub const fn full(&mut self, now: Timestamp) {
        self.full = Some(now);
    }

    /// The link answers again.
    pub fn recover(&mut self) {
        self.away = None;
    }

    /// What is known of the interface.
    pub const fn facts(&self) -> Option<&Facts> {
        self.facts.as_ref()
    }

    /// Frames a second, over the last whole seconds.
    pub fn rate(&self, now: Timestamp) -> f64 {
        let this = second(now);
        let within = |bucket: &&Bucket| (this - WINDOW_S..this).contains(&bucket.second);
        let frames: u32 = self.buckets.iter().filter(within).map(|b| b.data).sum();
        f64::from(frames) / 5.0
    }

    /// What is wrong now, the worst first.
    pub fn troubles(&self, now: Timestamp) -> Vec<Trouble> {
        match self.away {
            Some(Away::Gone) => return vec![Trouble::Gone],
            Some(Away::Down) => return vec![Trouble::Down],
            None => {}
        }
        let recent = self.recent(now);
        let mut found = Vec::new();
        if self.bus_off {
            let restart = self.facts.as_ref().and_then(|facts| facts.restart_ms);
            let restart_ms = restart.filter(|&after| after > 0);
            found.push(Trouble::BusOff { restart_ms });
        }
        let counter = self.facts.as_ref().and_then(|facts| facts.receive_errors);
        let many = counter.is_some_and(|counter| counter >= WARNING_LEVEL);
        let unreadable = recent.unreadable >= NO_ACCIDENT || recent.receive_errors > 0 || many;
        if recent.data == 0 && unreadable {
            let bit_rate = self.facts.as_ref().and_then(|facts| facts.bit_rate);
            found.push(Trouble::Unreadable { bit_rate });
        } else if recent.no_acknowledge > 0 {
            found.push(Trouble::Alone);
        } else if recent.errors > recent.overflows {
            let errors = recent.errors - recent.overflows;
            found.push(Trouble::Disturbed { errors });
        }
        if self
            .full
            .is_some_and(|full| now.nanos_since(full) < WINDOW_S * SECOND)
        {
            found.push(Trouble::Full);
        }
        if recent.lost > 0 {
            found.push(Trouble::Late { lost: recent.lost });
        }
        if recent.overflows > 0 {
            found.push(Trouble::Overrun);
        }
        if found.is_empty()
            && let Some(last) = self.last
        {
            let seconds = now.nanos_since(last) / SECOND;
            if seconds >= QUIET_S {
                found.push(Trouble::Quiet { seconds });
            }
        }
        found
    }

    fn bucket(&mut self, time: Timestamp) -> &mut Bucket {
        let second = second(time);
        let index = usize::try_from(second.rem_euclid(WINDOW_S + 1)).unwrap_or(0);
        #[expect(
            clippy::indexing_slicing,
            reason = "a remainder of the number of buckets"
        )]
        let bucket = &mut self.buckets[index];
        if bucket.second != second {
            *bucket = Bucket {
                second,
                ..Bucket::default()
            };
        }
        bucket
    }

    fn recent(&self, now: Timestamp) -> Bucket {
        let this = second(now);
        let within = |bucket: &&Bucket| (this - WINDOW_S..=this).contains(&bucket.second);
        let mut sum = Bucket::default();
        for bucket in self.buckets.iter().filter(within) {
            sum.data += bucket.data;
            sum.unreadable += bucket.unreadable;
            sum.receive_errors += bucket.receive_errors;
            sum.no_acknowledge += bucket.no_acknowledge;
            sum.errors += bucket.errors;
            sum.lost = sum.lost.saturating_add(bucket.lost);
            sum.overflows += bucket.overflows;
        }
        sum
    }
}

const fn second(time: Timestamp) -> i64 {
    time.nanos().div_euclid(SECOND)
}

impl Trouble {
    /// What it is and what helps, for the link of this name.
    pub fn words(&self, link: &str, is_virtual: bool) -> String {
        match self {
            Self::Down if is_virtual => {
                format!("{link} is down. Switch it on: ip link set {link} up")
            }
            Self::Down => format!(
                "{link} is down. Switch it on with the bit rate of the bus: ip link set {link} up type can bitrate 500000"
            ),
            Self::Gone => format!(
                "{link} is gone: the adapter was unplugged or lost its supply. Listening goes on when it is back."
            ),
            Self::BusOff { restart_ms } => {
                let back = match restart_ms {
                    Some(after) => format!("It tries again after {after} ms."),
                    None => format!(
                        "It stays off until it is started again: ip link set {link} type can restart"
                    ),
                };
                format!(
                    "The adapter has left the bus after too many errors (bus off): bit rate, wiring or termination. {back}"
                )
            }
            Self::Unreadable { bit_rate } => {
                let set = bit_rate.map_or_else(String::new, |rate| {
                    format!(" ({link} is set to {})", bit_rate_words(rate))
                });
                format!(
                    "Something is on the bus, but only errors come: most likely the bit rate is wrong{set}. Usual are 500 and \
                     250 kbit/s, on slower buses 125, 100, 83.3, 50 or 33.3 kbit/s. Else: CAN high and low crossed, no common earth."
                )
            }
            Self::Alone => "What is sent gets no acknowledgement: nobody else is on the bus, or the bit rate is wrong.".to_owned(),
            Self::Full => format!(
                "What is asked does not get out: the send buffer of {link} stays full. Is another node connected and awake, and at \
                 the same bit rate?"
            ),
            Self::Disturbed { errors } => format!(
                "Errors beside readable frames ({errors} in the last {WINDOW_S} s): wiring, termination (60 ohm between CAN high \
                 and low) or a node that disturbs."
            ),
            Self::Late { lost } => format!(
                "This computer was too slow: {lost} frames did not reach the program. Findings about gaps are doubtful."
            ),
            Self::Overrun => "The adapter's own buffer ran over: frames of the bus are missing.".to_owned(),
            Self::Quiet { seconds } => format!(
                "Nothing heard for {seconds} s. Ignition on? Plug seated? The right bus?"
            ),
        }
    }

    /// A word for it, the same whatever its numbers.
    pub const fn id(&self) -> &'static str {
        match self {
            Self::Down => "link down",
            Self::Gone => "link gone",
            Self::BusOff { .. } => "bus off",
            Self::Unreadable { .. } => "unreadable",
            Self::Alone => "alone",
            Self::Full => "send buffer full",
            Self::Disturbed { .. } => "disturbed",
            Self::Late { .. } => "frames lost",
            Self::Overrun => "overrun",
            Self::Quiet { .. } => "quiet",
        }
    }
}

/// `500 kbit/s`, `83.3 kbit/s`, `1 Mbit/s`.
pub fn bit_rate_words(rate: u32) -> String {
    let shown = |value: f64, unit: &str| {
        let text = format!("{value:.1}");
        format!("{} {unit}", text.trim_end_matches(".0"))
    };
    if rate >= 1_000_000 {
        shown(f64::from(rate) / 1e6, "Mbit/s")
    } else {
        shown(f64::from(rate) / 1e3, "kbit/s")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{CanId, FrameKind};
    use crate::link::Data;

    fn at(seconds: f64) -> Timestamp {
        Timestamp::from_seconds(1_000.0 + seconds)
    }

    fn data(seconds: f64) -> Heard {
        Heard {
            time: at(seconds),
            id: CanId::standard_masked(0x123),
            kind: FrameKind::Data,
            data: Data::new(&[1, 2]).unwrap(),
            lost: 0,
        }
    }

    fn error(seconds: f64, class: u32, data: [u8; 8]) -> Heard {
        Heard {
            time: at(seconds),
            id: CanId::extended_masked(class),
            kind: FrameKind::Error,
            data: Data::new(&data).unwrap(),
            lost: 0,
        }
    }

    #[test]
    fn only_errors_mean_a_wrong_bit_rate() {
        let mut health = Health::new(at(0.0));
        health.learn(Facts {
            up: true,
            bit_rate: Some(250_000),
            ..Facts::default()
        });
        for count in 0..4 {
            health.hear(&error(
                0.1 * f64::from(count),
                0x088,
                [0, 0, 4, 0, 0, 0, 0, 0],
            ));
        }
        let expected = Trouble::Unreadable {
            bit_rate: Some(250_000),
        };
        assert_eq!(health.troubles(at(1.0)), std::slice::from_ref(&expected));
        assert!(expected.words("can0", false).contains("250 kbit/s"));
        // Readable frames beside them: the bit rate is right and something disturbs.
        health.hear(&data(1.5));
        assert_eq!(health.troubles(at(2.0)), [Trouble::Disturbed { errors: 4 }]);
        assert_eq!(health.troubles(at(6.0)), []);
        assert_eq!((health.frames, health.error_frames), (5, 4));
    }

    /// Where single errors are not reported, the controller's counter tells it.
    #[test]
    fn a_high_counter_without_frames_means_a_wrong_bit_rate_too() {
        let mut health = Health::new(at(0.0));
        health.learn(Facts {
            up: true,
            receive_errors: Some(128),
            ..Facts::default()
        });
        assert_eq!(
            health.troubles(at(1.0)),
            [Trouble::Unreadable { bit_rate: None }]
        );
    }

    #[test]
    fn bus_off_lasts_until_it_is_over() {
        let mut health = Health::new(at(0.0));
        health.hear(&error(0.0, 0x040, [0; 8]));
        let off = Trouble::BusOff { restart_ms: None };
        assert!(health.troubles(at(60.0)).contains(&off));
        health.hear(&error(61.0, 0x100, [0; 8]));
        assert!(!health.troubles(at(61.0)).contains(&off));
        health.learn(Facts {
            up: true,
            state: Some(BusState::BusOff),
            restart_ms: Some(100),
            ..Facts::default()
        });
        let off = Trouble::BusOff {
            restart_ms: Some(100),
        };
        assert!(health.troubles(at(62.0)).contains(&off));
    }

    #[test]
    fn losses_silence_and_absence_are_told_apart() {
        let mut health = Health::new(at(0.0));
        health.hear(&Heard {
            lost: 12,
            ..data(1.0)
        });
        health.hear(&error(1.1, 0x204, [0, 1, 0, 0, 0, 0, 0, 0]));
        let found = health.troubles(at(1.2));
        assert_eq!(found, [Trouble::Late { lost: 12 }, Trouble::Overrun]);
        assert_eq!((health.lost, health.overflows), (12, 1));
        assert_eq!(health.troubles(at(9.5)), [Trouble::Quiet { seconds: 8 }]);
        let link = "can0".to_owned();
        health.fail(&LinkError::Down { link: link.clone() });
        assert_eq!(health.troubles(at(9.5)), [Trouble::Down]);
        health.fail(&LinkError::Gone { link });
        assert_eq!(health.troubles(at(9.5)), [Trouble::Gone]);
        health.recover();
        health.hear(&error(10.0, 0x0A0, [0, 0, 0x80, 0x19, 0, 0, 0, 0]));
        assert_eq!(health.troubles(at(10.0)), [Trouble::Alone]);
    }

    #[test]
    fn the_rate_is_that_of_whole_seconds() {
        let mut health = Health::new(at(0.0));
        for count in 0..500 {
            health.hear(&data(f64::from(count) * 0.01));
        }
        assert!((health.rate(at(5.0)) - 100.0).abs() < 1e-9);
    }

    #[test]
    fn bit_rates_in_words() {
        let shown = [500_000, 83_333, 1_000_000, 2_500_000].map(bit_rate_words);
        assert_eq!(
            shown,
            ["500 kbit/s", "83.3 kbit/s", "1 Mbit/s", "2.5 Mbit/s"]
        );
    }
}
