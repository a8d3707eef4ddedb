//! What breaks a message, by the contract and ISO 15765-2.

use super::*;

const FIRST: &str = "1014490201573031";
const FLOW: &str = "300000";

#[test]
fn a_wrong_number_breaks_the_message() {
    let lines = [
        (0.0, 0x7E8, FIRST),
        (0.001, 0x7E0, FLOW),
        (0.01, 0x7E8, "2130303030353154"),
        (0.02, 0x7E8, "2332313233343536"),
        (0.03, 0x7E8, "2432313233343536"),
        (0.04, 0x7E8, "2532313233343536"),
    ];
    let messages = observe(&lines);
    assert_eq!(
        summary(&messages),
        [
            "7E8 49020157303130303030353154 sequence",
            "7E8 3231323334353632313233343536 orphan"
        ]
    );
    assert_eq!((messages[0].frames, messages[0].announced), (3, 20));
    assert_eq!(messages[1].frames, 2);
}

#[test]
fn a_repeated_frame_breaks_the_message_unless_it_is_a_copy() {
    let repeated = |gap: f64| {
        observe(&[
            (0.0, 0x7E8, "1009490201573031"),
            (0.01, 0x7E8, "2130303A"),
            (0.01 + gap, 0x7E8, "2130303A"),
        ])
    };
    assert_eq!(summary(&repeated(0.00005)), ["7E8 49020157303130303A -"]);
    assert_eq!(
        summary(&repeated(0.00006)),
        ["7E8 49020157303130303A -", "7E8 30303A orphan"]
    );
}
