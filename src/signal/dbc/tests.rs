//! DBC files against another reader's results.

use super::*;

const FILE: &str = include_str!("multiplexed.dbc");

fn value(dbc: &Dbc, message: &str, signal: &str, data: &[u8]) -> Option<f64> {
    let message = dbc.messages.iter().find(|known| known.name == message)?;
    let placed = message.place(signal).unwrap();
    let selected = placed.selectors.iter().all(|selector| {
        let raw = selector.field.raw(data).unwrap();
        let mut ranges = selector.ranges.iter();
        ranges.any(|(first, last)| (*first..=*last).contains(&raw))
    });
    let number = placed.field.number(placed.field.raw(data)?);
    selected.then_some(number * placed.factor + placed.offset)
}

#[test]
fn values_agree_with_another_reader() {
    // Source: cantools 45.1, decode_message on the same file and bytes; it gives no value where ours is None.
    let dbc = Dbc::parse(FILE.as_bytes());
    assert_eq!(dbc.faults, []);
    let names: Vec<_> = dbc
        .messages
        .iter()
        .map(|m| (m.name.as_str(), m.id.to_string()))
        .collect();
    assert_eq!(
        names,
        [
            ("WHEELS", "0x1D0".to_owned()),
            ("J", "0x18FECA15".to_owned())
        ]
    );
    let wheels = [0x12, 0x34, 0x56, 0x78, 0x9A, 0xBC, 0xDE, 0xF0];
    let cases: &[(&str, &str, &[u8], Option<f64>)] = &[
        ("WHEELS", "FL", &wheels, Some(23.3)),
        ("WHEELS", "FR", &wheels, Some(55.34)),
        ("WHEELS", "Torque", &wheels, Some(-172.0)),
        (
            "J",
            "Temp",
            &[0x00, 0xFF, 0xFE, 0, 0, 0, 0, 0],
            Some(-273.0625),
        ),
        ("J", "Speed", &[0x00, 0xFF, 0xFE, 0, 0, 0, 0, 0], None),
        (
            "J",
            "Speed",
            &[0x01, 0x10, 0x27, 0, 0, 0, 0, 0],
            Some(39.0625),
        ),
        ("J", "Temp", &[0x01, 0x10, 0x27, 0, 0, 0, 0, 0], None),
        (
            "J",
            "Deep",
            &[0x02, 0x01, 0, 0, 0x80, 0x3F, 0, 0],
            Some(1.0),
        ),
        ("J", "Deep", &[0x02, 0x02, 0, 0, 0x80, 0x3F, 0, 0], None),
        (
            "J",
            "Deep",
            &[0x02, 0x04, 0, 0, 0x80, 0x3F, 0, 0],
            Some(1.0),
        ),
        ("J", "Deep", &[0x01, 0x04, 0, 0, 0x80, 0x3F, 0, 0], None),
    ];
    for (message, signal, data, expected) in cases {
        let found = value(&dbc, message, signal, data);
        let same = match (found, expected) {
            (Some(found), Some(expected)) => (found - expected).abs() < 1e-9,
            (found, expected) => found == *expected,
        };
        assert!(
            same,
            "{message}.{signal} in {data:02X?}: {found:?}, cantools {expected:?}"
        );
    }
}

#[test]
fn faults_have_their_line_and_reading_goes_on() {
    let text = "BO_ 2048 A: 8 X\n SG_ S : 0|8@1+ (1,0) [0|0] \"\" X\n\nBO_ 99999999999 B: 8 X\nBO_ 3758096384 C: 8 X\n\
                BO_ 1 D: 8 X\n SG_ T : 0;8@1+ (1,0) [0|0] \"\" X\n SG_ U : 0|70@1+ (1,0) [0|0] \"\" X\nVAL_ 1 U 0 \"open ;\nBO_ 2 E: 8 X\n";
    let dbc = Dbc::parse(text.as_bytes());
    let lines: Vec<_> = dbc.faults.iter().map(|fault| fault.line).collect();
    assert_eq!(lines, [1, 4, 5, 7, 9], "{:?}", dbc.faults);
    assert!(dbc.faults[0].text.contains("11-bit"), "{}", dbc.faults[0]);
    let names: Vec<_> = dbc
        .messages
        .iter()
        .map(|known| known.name.as_str())
        .collect();
    assert_eq!(names, ["D", "E"]);
    assert!(dbc.messages[0].place("U").unwrap_err().contains("70 bits"));
    assert!(dbc.messages[0].place("V").is_err());
}

#[test]
fn multiplexing_that_bites_its_tail_is_refused() {
    let text = "BO_ 1 A: 8 X\n SG_ S m0M : 0|8@1+ (1,0) [0|0] \"\" X\n SG_ T m0M : 8|8@1+ (1,0) [0|0] \"\" X\nSG_MUL_VAL_ 1 S T 0-0;\nSG_MUL_VAL_ 1 T S 0-0;\n";
    let dbc = Dbc::parse(text.as_bytes());
    assert!(
        dbc.messages[0]
            .place("S")
            .unwrap_err()
            .contains("never ends")
    );
}

#[test]
fn other_encodings_and_line_ends() {
    let dbc = Dbc::parse(b"\xEF\xBB\xBFVERSION \"\"\r\nBO_ 1 A: 8 X\r\n SG_ S : 0|8@1+ (1,0) [0|0] \"\xC2\xB0\" X\r\n");
    assert_eq!(dbc.messages[0].signals[0].unit, "°");
    let latin = Dbc::parse(b"BO_ 1 A: 8 X\n SG_ S : 0|8@1+ (1,0) [0|0] \"\xB0\" X\n");
    assert_eq!(latin.messages[0].signals[0].unit, "°");
    assert_eq!(latin.faults, []);
}

proptest::proptest! {
    #[test]
    fn any_bytes_are_read(cut in 0_usize..FILE.len(), drop in 0_usize..40, insert: Vec<u8>) {
        let bytes = FILE.as_bytes();
        let end = (cut + drop).min(bytes.len());
        let mut text = bytes[..cut].to_vec();
        text.extend(insert);
        text.extend(&bytes[end..]);
        for message in Dbc::parse(&text).messages {
            for signal in &message.signals {
                let _ = message.place(&signal.name);
            }
        }
    }
}
