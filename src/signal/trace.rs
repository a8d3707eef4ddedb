//! A signal over time, as compact columns.

/// Samples of one signal in the order in which they were seen. The two columns have the same length.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trace {
    /// When each sample was seen, in seconds on the capture's clock. Not always rising: clocks jump.
    pub time_s: Vec<f64>,
    /// Its value in the signal's unit (km/h for wheel speeds); NaN where the sender marked it as invalid.
    pub value: Vec<f32>,
    /// The smallest step of the value, in its unit: the quantum of the raw number. 0 when unknown.
    pub quantum: f64,
    /// Where the capture's clock was set back: from which sample on, and how many seconds make its times go on. The same for
    /// all traces of a capture, so that their samples stay beside each other.
    pub set_back: Vec<(usize, f64)>,
}

impl Trace {
    /// An empty trace with this quantum.
    pub const fn new(quantum: f64) -> Self {
        Self {
            time_s: Vec::new(),
            value: Vec::new(),
            quantum,
            set_back: Vec::new(),
        }
    }

    /// From the next sample on, this many seconds make the times go on.
    pub fn go_on(&mut self, seconds: f64) {
        let before = self.set_back.last().map_or(0.0, |(_, seconds)| *seconds);
        if seconds.to_bits() != before.to_bits() {
            self.set_back.push((self.len(), seconds));
        }
    }

    /// Adds a sample.
    pub fn push(&mut self, time_s: f64, value: f32) {
        if self.time_s.len() == self.time_s.capacity() {
            // A quarter more instead of twice as much: an hour of four wheels is the largest thing in memory.
            let more = (self.time_s.len() / 4).max(256);
            self.time_s.reserve_exact(more);
            self.value.reserve_exact(more);
        }
        self.time_s.push(time_s);
        self.value.push(value);
    }

    /// Forgets the samples up to the first that is not before this time, in seconds.
    pub fn forget_before(&mut self, time_s: f64) {
        let kept = self.time_s.iter().position(|&time| time >= time_s);
        let gone = kept.unwrap_or(self.time_s.len());
        self.time_s.drain(..gone);
        self.value.drain(..gone);
    }

    /// How many samples there are.
    pub fn len(&self) -> usize {
        self.time_s.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.time_s.is_empty()
    }
}
