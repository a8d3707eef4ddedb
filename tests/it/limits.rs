//! Named limits, met by input that is made to break them: under an address space of 600 MB nothing is killed, nothing hangs, and what
//! was too much is told.

use std::fmt::Write as _;
use std::fs;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

use flate2::Compression;
use flate2::write::GzEncoder;

/// Runs the program with 600 MB of address space; gives status and standard error.
fn limited(folder: &Path, arguments: &[&str]) -> (i32, String) {
    let output = Command::new("sh")
        .args(["-c", "ulimit -v 600000; exec \"$@\"", "sh"])
        .arg(env!("CARGO_BIN_EXE_tonering"))
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    let status = output.status.code();
    (
        status.unwrap_or_else(|| panic!("{arguments:?}: killed: {told}")),
        told,
    )
}

/// So many bytes of one value, packed.
fn packed(byte: u8, megabytes: usize) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::best());
    for _ in 0..megabytes {
        encoder.write_all(&vec![byte; 1 << 20]).unwrap();
    }
    encoder.finish().unwrap()
}

#[cfg(unix)]
#[test]
fn a_line_without_end_and_a_stream_without_end_are_given_up() {
    let folder = tempfile::tempdir().unwrap();
    let head = b"(1700000000.100000) can0 740#031902FFAAAAAAAA\n";
    let mut encoder = GzEncoder::new(Vec::new(), Compression::best());
    encoder.write_all(head).unwrap();
    let mut bytes = encoder.finish().unwrap();
    // Line length, and decompression ratio: a thousand times its size is more than the limit.
    bytes.extend(packed(b'A', 1_200));
    fs::write(folder.path().join("bomb.log.gz"), bytes).unwrap();
    for command in ["decode", "diagnose"] {
        let (status, told) = limited(folder.path(), &[command, "bomb.log.gz"]);
        assert_eq!(status, 0, "{told}");
        assert!(told.contains("bomb.log.gz: 1 "), "{told}");
    }
}

#[cfg(unix)]
#[test]
fn messages_that_never_end_on_every_identifier_are_bounded() {
    // Open conversations, number of identifiers, message length: 60,000 identifiers announce 4 GB each, and send on and on.
    let folder = tempfile::tempdir().unwrap();
    let mut text = Vec::new();
    for round in 0..4_u32 {
        for number in 0..60_000_u32 {
            let id = 0x18DA_0000 + number;
            let data = match round {
                0 => "1000FFFFFFFFAABB".to_owned(),
                _ => format!("2{round:X}00112233445566"),
            };
            let time = round * 60_000 + number;
            writeln!(text, "({}.{:06}) can0 {id:08X}#{data}", 1_700_000_000, time).unwrap();
        }
    }
    fs::write(folder.path().join("open.log"), text).unwrap();
    for arguments in [
        &["decode", "open.log"][..],
        &["diagnose", "open.log"],
        &["wheels", "open.log", "--find"],
    ] {
        let (status, told) = limited(folder.path(), arguments);
        assert!(
            status == 0 || arguments[0] == "wheels",
            "{arguments:?}: {told}"
        );
    }
}

/// 48 senders of 1 MiB each, in turn: all together more than is kept. Those that are ended say so, the others arrive.
#[cfg(unix)]
#[test]
fn long_messages_on_many_identifiers_at_once_are_bounded() {
    let folder = tempfile::tempdir().unwrap();
    let mut bytes = vec![
        0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 4, 0, 227, 0, 0, 0,
    ];
    let mut data = [0x5A_u8; 64];
    data[..6].copy_from_slice(&[0x10, 0, 0, 0x10, 0, 0]);
    for round in 0..=(1_u32 << 20) / 63 {
        if round > 0 {
            data[0] = 0x20 | u8::try_from(round % 16).unwrap();
        }
        for number in 0..48_u32 {
            let micros = (round * 48 + number) % 1_000_000;
            let seconds = 1_700_000_000 + (round * 48 + number) / 1_000_000;
            for word in [seconds, micros, 72, 72] {
                bytes.extend(word.to_le_bytes());
            }
            bytes.extend((0x98DA_10F1_u32 + (number << 8)).to_be_bytes());
            // Length, and the flag of CAN FD.
            bytes.extend([64, 4, 0, 0]);
            bytes.extend(data);
        }
    }
    let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
    encoder.write_all(&bytes).unwrap();
    fs::write(
        folder.path().join("long.pcap.gz"),
        encoder.finish().unwrap(),
    )
    .unwrap();
    let arguments = ["decode", "long.pcap.gz", "--output", "decoded.txt"];
    let (status, told) = limited(folder.path(), &arguments);
    assert_eq!(status, 0, "{told}");
    let decoded = fs::read_to_string(folder.path().join("decoded.txt")).unwrap();
    assert!(
        decoded.contains("more messages were under way than memory is kept for"),
        "{}",
        decoded.chars().take(2_000).collect::<String>()
    );
}

#[cfg(unix)]
#[test]
fn lengths_that_a_file_claims_are_not_believed() {
    let folder = tempfile::tempdir().unwrap();
    // A record of 4 GB in pcap, a block of 4 GB in pcapng.
    let mut pcap = vec![
        0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 4, 0, 227, 0, 0, 0,
    ];
    pcap.extend([
        0, 0, 0, 0, 0, 0, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF,
    ]);
    pcap.extend([0; 64]);
    let mut pcapng = vec![
        0x0A, 0x0D, 0x0D, 0x0A, 28, 0, 0, 0, 0x4D, 0x3C, 0x2B, 0x1A, 1, 0, 0, 0,
    ];
    pcapng.extend([0xFF; 8]);
    pcapng.extend([28, 0, 0, 0, 6, 0, 0, 0, 0xFC, 0xFF, 0xFF, 0xFF]);
    pcapng.extend([0; 64]);
    for (name, bytes) in [("a.pcap", pcap), ("a.pcapng", pcapng)] {
        fs::write(folder.path().join(name), bytes).unwrap();
        let (status, told) = limited(folder.path(), &["diagnose", name, "--strict"]);
        assert_eq!(status, 1, "{name}: {told}");
        assert!(told.contains(name), "{told}");
    }
}

#[cfg(unix)]
#[test]
fn nesting_and_sizes_of_text_files_are_bounded() {
    let folder = tempfile::tempdir().unwrap();
    let demo = crate::command::top().join("captures/supply-lost/drive.log");
    let demo = demo.to_str().unwrap();
    let nested = format!(
        "profile: 1\nname: {}1{}\n",
        "[".repeat(100_000),
        "]".repeat(100_000)
    );
    let mut aliases = String::from("profile: 1\na0: &a0 [x, x, x, x, x, x, x, x, x, x]\n");
    for level in 1..12 {
        let one = format!("*a{}", level - 1);
        let list = vec![one; 10].join(", ");
        writeln!(aliases, "a{level}: &a{level} [{list}]").unwrap();
    }
    let indicators = format!("profile: 1\nname:\n  {}1\n", "- ".repeat(100_000));
    let large = "#".repeat((16 << 20) + 1);
    for (name, text) in [
        ("nested", &nested),
        ("indicators", &indicators),
        ("aliases", &aliases),
        ("large", &large),
    ] {
        for option in ["--profile", "--notes"] {
            fs::write(
                folder.path().join(name),
                text.replace("profile:", &format!("{}:", &option[2..])),
            )
            .unwrap();
            let (status, told) = limited(folder.path(), &["diagnose", demo, option, name]);
            assert_eq!(status, 1, "{option} {name}: {told}");
            assert!(told.contains(name), "{option} {name}: {told}");
            let is_nested = ["nested", "indicators"].contains(&name);
            assert_eq!(told.contains("64 levels deep"), is_nested, "{told}");
        }
    }
}
