//! A signal over time, as compact columns.

use std::sync::Arc;

/// Samples of one signal in the order in which they were seen. The two columns have the same length.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trace {
    /// When each sample was seen, in seconds on the capture's clock. Not always rising: clocks jump. Signals of one frame
    /// share this column.
    pub time_s: Arc<Vec<f64>>,
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
    pub fn new(quantum: f64) -> Self {
        Self {
            time_s: Arc::default(),
            value: Vec::new(),
            quantum,
            set_back: Vec::new(),
        }
    }

    /// Adds a sample.
    pub fn push(&mut self, time_s: f64, value: f32) {
        Arc::make_mut(&mut self.time_s).push(time_s);
        self.value.push(value);
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
