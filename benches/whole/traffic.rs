//! A generated drive: wheel speeds, ten conversations at once, and other traffic, the same in every run.
//!
//! Of ten frames one carries the four wheel speeds; one or two belong to a conversation (a request of one frame, an answer of three
//! with its flow control); the rest is noise on 48 identifiers. Every frame has eight bytes.

/// Identifiers of requests; the answers are 8 higher.
const FIRST_REQUEST: u16 = 0x700;
/// How many conversations take turns.
const PAIRS: u16 = 10;
/// The wheel speeds, a word each, 0.01 km/h a step, most significant byte first.
pub(crate) const WHEELS: u16 = 0x1A0;
/// When it starts, in microseconds.
const START_US: u64 = 1_700_000_000_000_000;

/// Describes it to the program.
pub(crate) const PROFILE: &str = "\
profile: 1
name: Training trolley
modules:
  - { name: Brake control, role: brakes, request: 0x700, response: 0x708, protocol: uds }
wheels:
  tyre: 205/55R16
  teeth: 48
  sensor: active
  track_m: 1.52
  wheelbase_m: 2.62
  speeds:
    left-front: { frame: 0x1A0, start_bit: 7, length: 16, byte_order: big, factor: 0.01 }
    right-front: { frame: 0x1A0, start_bit: 23, length: 16, byte_order: big, factor: 0.01 }
    left-rear: { frame: 0x1A0, start_bit: 39, length: 16, byte_order: big, factor: 0.01 }
    right-rear: { frame: 0x1A0, start_bit: 55, length: 16, byte_order: big, factor: 0.01 }
";

/// Hands out time in microseconds, identifier and data of so many frames, so many microseconds apart.
pub(crate) fn frames(count: u64, step_us: u64, mut each: impl FnMut(u64, u16, [u8; 8])) {
    let mut state = 0x2545_F491_4F6C_DD1D_u64;
    let mut random = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state
    };
    // Of each conversation the next of its five frames.
    let mut steps = [0_u8; PAIRS as usize];
    let mut turn = 0_u16;
    for number in 0..count {
        let time = START_US + number * step_us;
        let noise = random();
        match number % 20 {
            0 | 10 => each(time, WHEELS, wheels(number * step_us, noise)),
            3 | 9 | 15 => {
                let pair = turn;
                turn = (turn + 1) % PAIRS;
                let step = &mut steps[usize::from(pair)];
                let request = FIRST_REQUEST + 16 * pair;
                let [a, b, c, d, ..] = noise.to_le_bytes();
                let (id, data) = match *step {
                    0 => (request, [3, 0x22, 0xF1, 0x90, 0xAA, 0xAA, 0xAA, 0xAA]),
                    1 => (request + 8, [0x10, 0x11, 0x62, 0xF1, 0x90, a, b, c]),
                    2 => (request, [0x30, 0, 0, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA]),
                    3 => (request + 8, [0x21, a, b, c, d, d, a, b]),
                    _ => (request + 8, [0x22, c, d, b, a, 0xAA, 0xAA, 0xAA]),
                };
                *step = (*step + 1) % 5;
                each(time, id, data);
            }
            _ => {
                let id = 0x200 + u16::from(noise.to_be_bytes()[0] % 48) * 16;
                each(time, id, noise.to_le_bytes());
            }
        }
    }
}

/// Speeds that rise and fall between 20 and 80 km/h over two minutes, a little noise on each.
fn wheels(since_us: u64, noise: u64) -> [u8; 8] {
    let phase = since_us % 120_000_000;
    let rising = phase.min(120_000_000 - phase) / 10_000;
    let base = 2_000 + rising;
    let mut data = [0; 8];
    for (wheel, place) in data.chunks_exact_mut(2).enumerate() {
        let shake = u64::from(noise.to_le_bytes()[wheel] % 5);
        let word = u16::try_from(base + shake).unwrap_or(u16::MAX);
        place.copy_from_slice(&word.to_be_bytes());
    }
    data
}

/// A line of candump text.
pub(crate) fn line(text: &mut Vec<u8>, bus: &str, time_us: u64, id: u16, data: [u8; 8]) {
    const DIGITS: &[u8; 16] = b"0123456789ABCDEF";
    let digit = |value: u64| DIGITS[usize::try_from(value & 15).unwrap_or(0)];
    let decimal = |text: &mut Vec<u8>, value: u64, places: u32| {
        for place in (0..places).rev() {
            text.push(b'0' + u8::try_from(value / 10_u64.pow(place) % 10).unwrap_or(0));
        }
    };
    text.push(b'(');
    decimal(text, time_us / 1_000_000, 10);
    text.push(b'.');
    decimal(text, time_us % 1_000_000, 6);
    text.extend(b") ");
    text.extend(bus.as_bytes());
    text.push(b' ');
    for shift in [8, 4, 0] {
        text.push(digit(u64::from(id) >> shift));
    }
    text.push(b'#');
    for byte in data {
        text.push(digit(u64::from(byte) >> 4));
        text.push(digit(u64::from(byte)));
    }
    text.push(b'\n');
}
