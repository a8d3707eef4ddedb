//! A bus in memory, with a clock that only moves while somebody waits.
//!
//! Whoever holds a [`Port`] hears what the others put and what the hub's [`Partner`]s (simulated vehicles) send. Time
//! passes only in [`Bus::hear`], in steps of a millisecond, so the same calls give the same frames and need no time.

use std::collections::VecDeque;
use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use super::bus::{Bus, Data, Heard, LinkError};
use crate::frame::{CanId, Channel, Frame, FrameKind, Timestamp};
use crate::rig::{Random, RigFrame, Vehicle};

/// What takes part in a hub without holding a port: it is told the time and what the others send.
pub trait Partner: Send {
    /// Its own clock.
    fn now(&self) -> Timestamp;
    /// Does what is due up to this moment of its own clock.
    fn advance(&mut self, to: Timestamp);
    /// The next frame it has sent.
    fn next_frame(&mut self) -> Option<RigFrame>;
    /// Takes a frame that somebody else has put on the bus.
    fn receive(&mut self, frame: &Frame<'_>);
}

impl Partner for Vehicle {
    fn now(&self) -> Timestamp {
        Self::now(self)
    }

    fn advance(&mut self, to: Timestamp) {
        Self::advance(self, to);
    }

    fn next_frame(&mut self) -> Option<RigFrame> {
        Self::next_frame(self)
    }

    fn receive(&mut self, frame: &Frame<'_>) {
        Self::receive(self, frame);
    }
}

/// A bus in memory.
///
/// ```
/// use std::time::Duration;
/// use tonering::frame::{CanId, Timestamp};
/// use tonering::link::{Bus, Hub};
///
/// let hub = Hub::new(Timestamp::default());
/// let (mut one, mut other) = (hub.port(), hub.port());
/// one.put(CanId::standard(0x123)?, &[1, 2])?;
/// let heard = other.hear(Duration::from_millis(5))?.expect("it was just put");
/// assert_eq!(&*heard.data, [1, 2]);
/// assert!(one.hear(Duration::from_millis(5))?.is_none());
/// assert_eq!(hub.now().nanos(), 5_000_000);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Clone)]
pub struct Hub {
    inner: Arc<Mutex<Inner>>,
}

/// A place on a hub.
#[derive(Clone, Debug)]
pub struct Port {
    hub: Hub,
    index: usize,
    listens_only: bool,
}

struct Inner {
    now: Timestamp,
    /// What each port has still to hear.
    queues: Vec<VecDeque<Heard>>,
    partners: Vec<Joined>,
    /// How often a delivery fails, and the dice for it.
    loss: Option<(f64, Random)>,
    /// Frames put by ports so far.
    put: u64,
    down: bool,
}

struct Joined {
    partner: Box<dyn Partner>,
    /// From the hub's clock to its own, nanoseconds.
    offset: i64,
}

/// From whom a frame comes.
#[derive(Clone, Copy, Eq, PartialEq)]
enum Origin {
    Port(usize),
    Partner(usize),
}

impl Hub {
    /// A hub whose clock stands at `start`.
    pub fn new(start: Timestamp) -> Self {
        Self {
            inner: Arc::new(Mutex::new(Inner {
                now: start,
                queues: Vec::new(),
                partners: Vec::new(),
                loss: None,
                put: 0,
                down: false,
            })),
        }
    }

    /// The same, but each delivery fails with this probability (from 0 to 1), unnoticed; the seed chooses which.
    pub fn lossy(self, probability: f64, seed: u64) -> Self {
        self.lock().loss = Some((probability, Random::new(seed, "loss")));
        self
    }

    /// A new place on the hub.
    pub fn port(&self) -> Port {
        let mut inner = self.lock();
        inner.queues.push(VecDeque::new());
        Port {
            index: inner.queues.len() - 1,
            hub: self.clone(),
            listens_only: false,
        }
    }

    /// A new place that refuses to send.
    pub fn listening_port(&self) -> Port {
        Port {
            listens_only: true,
            ..self.port()
        }
    }

    /// Puts a partner on the bus. Its clock runs on with the hub's from now on.
    pub fn join(&self, partner: impl Partner + 'static) {
        let mut inner = self.lock();
        let offset = partner.now().nanos_since(inner.now);
        inner.partners.push(Joined {
            partner: Box::new(partner),
            offset,
        });
    }

    /// The hub's clock.
    pub fn now(&self) -> Timestamp {
        self.lock().now
    }

    /// How many frames were put through ports so far, by whomever.
    pub fn frames_put(&self) -> u64 {
        self.lock().put
    }

    /// Takes the interface down, or up again: ports fail while it is down.
    pub fn set_down(&self, down: bool) {
        self.lock().down = down;
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl fmt::Debug for Hub {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let inner = self.lock();
        f.debug_struct("Hub")
            .field("now", &inner.now)
            .field("ports", &inner.queues.len())
            .field("partners", &inner.partners.len())
            .finish_non_exhaustive()
    }
}

impl Inner {
    fn deliver(&mut self, heard: Heard, from: Origin) {
        for index in 0..self.queues.len() {
            if from == Origin::Port(index) || self.loses() {
                continue;
            }
            if let Some(queue) = self.queues.get_mut(index) {
                queue.push_back(heard);
            }
        }
        for index in 0..self.partners.len() {
            if from == Origin::Partner(index) || self.loses() {
                continue;
            }
            if let Some(joined) = self.partners.get_mut(index) {
                joined.partner.receive(&heard.frame(0, Channel(0)));
            }
        }
    }

    fn loses(&mut self) -> bool {
        self.loss
            .as_mut()
            .is_some_and(|(probability, random)| random.chance(*probability))
    }

    /// Moves the clock and carries what the partners send.
    fn step(&mut self, to: Timestamp) {
        self.now = to;
        for index in 0..self.partners.len() {
            let Some(joined) = self.partners.get_mut(index) else {
                continue;
            };
            let offset = joined.offset;
            let own = Timestamp::from_nanos(to.nanos().saturating_add(offset));
            joined.partner.advance(own);
            let mut sent = Vec::new();
            while let Some(frame) = joined.partner.next_frame() {
                sent.push(frame);
            }
            for frame in sent {
                let Some(data) = Data::new(&frame.data) else {
                    continue;
                };
                let heard = Heard {
                    time: Timestamp::from_nanos(frame.time.nanos().saturating_sub(offset)),
                    id: frame.id,
                    kind: frame.kind,
                    data,
                    lost: 0,
                };
                self.deliver(heard, Origin::Partner(index));
            }
        }
    }
}

impl Port {
    fn name(&self) -> String {
        format!("port {}", self.index)
    }
}

impl Bus for Port {
    fn hear(&mut self, patience: Duration) -> Result<Option<Heard>, LinkError> {
        let mut inner = self.hub.lock();
        let patience = i64::try_from(patience.as_nanos()).unwrap_or(i64::MAX);
        let end = Timestamp::from_nanos(inner.now.nanos().saturating_add(patience));
        loop {
            if inner.down {
                return Err(LinkError::Down { link: self.name() });
            }
            let now = inner.now;
            // A frame that a partner has begun to send is heard when it is over.
            let queue = inner.queues.get_mut(self.index);
            let next = queue.and_then(|queue| queue.pop_front_if(|heard| heard.time <= now));
            if let Some(heard) = next {
                return Ok(Some(heard));
            }
            if inner.now >= end {
                return Ok(None);
            }
            let next = Timestamp::from_nanos(inner.now.nanos().saturating_add(STEP));
            inner.step(next.min(end));
        }
    }

    fn put(&mut self, id: CanId, data: &[u8]) -> Result<(), LinkError> {
        let link = self.name();
        if self.listens_only {
            return Err(LinkError::ListensOnly { link });
        }
        let length = data.len();
        let data = Data::new(data).ok_or(LinkError::TooLong { link, length })?;
        let mut inner = self.hub.lock();
        if inner.down {
            return Err(LinkError::Down { link: self.name() });
        }
        let kind = if length > 8 {
            FrameKind::Fd {
                bit_rate_switch: false,
                error_passive: false,
            }
        } else {
            FrameKind::Data
        };
        inner.put += 1;
        let heard = Heard {
            time: inner.now,
            id,
            kind,
            data,
            lost: 0,
        };
        inner.deliver(heard, Origin::Port(self.index));
        Ok(())
    }

    fn now(&self) -> Timestamp {
        self.hub.now()
    }
}

/// The hub's clock moves in steps of so many nanoseconds.
const STEP: i64 = 1_000_000;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rig::Settings;

    #[test]
    fn a_vehicle_is_heard_and_answers() {
        let vehicle = Vehicle::new(&Settings::training(1)).without_tester();
        let hub = Hub::new(Timestamp::from_seconds(50.0));
        hub.join(vehicle);
        let mut port = hub.port();
        let heard = port.hear(Duration::from_millis(500)).unwrap().unwrap();
        assert!(heard.time.seconds() >= 50.0 && heard.time <= hub.now());
        // Source: SAE J1979: mode 01 PID 00 to all, answered from 0x7E8.
        port.put(CanId::standard(0x7DF).unwrap(), &[2, 1, 0, 0, 0, 0, 0, 0])
            .unwrap();
        let answer = (0..200).find_map(|_| {
            let heard = port.hear(Duration::from_millis(100)).unwrap()?;
            (heard.id.raw() == 0x7E8).then_some(heard)
        });
        assert_eq!(answer.unwrap().data.get(1..3), Some(&[0x41, 0x00][..]));
        assert_eq!(hub.frames_put(), 1);
    }

    #[test]
    fn a_listening_port_and_an_interface_that_is_down_refuse() {
        let hub = Hub::new(Timestamp::default());
        let id = CanId::standard(1).unwrap();
        let mut quiet = hub.listening_port();
        assert!(matches!(
            quiet.put(id, &[1]),
            Err(LinkError::ListensOnly { .. })
        ));
        let mut port = hub.port();
        assert!(matches!(
            port.put(id, &[0; 65]),
            Err(LinkError::TooLong { length: 65, .. })
        ));
        hub.set_down(true);
        assert!(matches!(port.put(id, &[1]), Err(LinkError::Down { .. })));
        assert!(matches!(
            port.hear(Duration::from_millis(1)),
            Err(LinkError::Down { .. })
        ));
        hub.set_down(false);
        port.put(id, &[1]).unwrap();
        assert_eq!(&*quiet.hear(Duration::ZERO).unwrap().unwrap().data, [1]);
        assert_eq!(hub.frames_put(), 1);
    }

    #[test]
    fn a_lossy_hub_loses_its_share_and_the_same_each_time() {
        let count = || {
            let hub = Hub::new(Timestamp::default()).lossy(0.25, 7);
            let (mut one, mut other) = (hub.port(), hub.port());
            let id = CanId::standard(1).unwrap();
            for _ in 0..1_000 {
                one.put(id, &[0]).unwrap();
            }
            let mut heard = 0;
            while other.hear(Duration::ZERO).unwrap().is_some() {
                heard += 1;
            }
            heard
        };
        let heard = count();
        assert!((700..800).contains(&heard), "{heard}");
        assert_eq!(count(), heard);
    }
}
