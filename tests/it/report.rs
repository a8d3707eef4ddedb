//! The printers of the report, each with a snapshot of the invented report and with hostile texts in every place.

use tonering::report::comparison;
use tonering::report::escape::is_unseen;
use tonering::report::{Report, csv, html, json, markdown, text};
use unicode_width::UnicodeWidthStr as _;

use crate::report_example::comparison as compared;
use crate::report_example::{HARM, example, hostile};

fn printed(write: impl Fn(&mut Vec<u8>) -> std::io::Result<()>) -> String {
    let mut out = Vec::new();
    write(&mut out).unwrap();
    String::from_utf8(out).unwrap()
}

fn as_text(report: &Report, width: usize, unicode: bool) -> String {
    let layout = text::Layout {
        width,
        colour: false,
        unicode,
    };
    printed(|out| text::write(report, out, layout))
}

#[test]
fn text_in_80_columns_of_ascii() {
    insta::assert_snapshot!("text_80_ascii", as_text(&example(), 80, false));
}

#[test]
fn text_in_120_columns() {
    insta::assert_snapshot!("text_120", as_text(&example(), 120, true));
}

#[test]
fn markdown_of_the_example() {
    insta::assert_snapshot!("markdown", printed(|out| markdown::write(&example(), out)));
}

#[test]
fn json_of_the_example() {
    insta::assert_snapshot!(
        "json",
        printed(|out| json::write(&example(), out, json::Form::Lines))
    );
}

#[test]
fn html_of_the_example() {
    let mut report = example();
    for plot in &mut report.plots {
        plot.columns.truncate(6);
        plot.reference.truncate(6);
    }
    let page = printed(|out| html::write(&report, out));
    let body = page.split_once("<body>").unwrap().1;
    let body = body.split("<script>").next().unwrap();
    insta::assert_snapshot!("html", body);
}

#[test]
fn a_page_of_ten_minutes_is_small_and_asks_for_nothing() {
    let page = printed(|out| html::write(&example(), out));
    assert!(page.len() < 1_000_000, "{} bytes", page.len());
    for needle in [
        "src=", "url(", "@import", "<link", "<iframe", "style=\"", " on",
    ] {
        let outside_texts = page.split("<script>").next().unwrap();
        let found = outside_texts.match_indices(needle).find(|(at, _)| {
            // In an opening tag or in the style, not in a sentence.
            let before = &outside_texts[..*at];
            before.rfind('<') > before.rfind('>')
        });
        assert_eq!(found, None, "{needle}");
    }
}

#[test]
fn html_keeps_its_shape_whatever_the_texts() {
    let tags = |report: &Report| {
        let page = printed(|out| html::write(report, out));
        assert!(!page.replace('\n', "").chars().any(is_unseen));
        let body = page.split_once("<body>").unwrap().1.to_owned();
        let body = body.split("<script>").next().unwrap().to_owned();
        body.split('<')
            .skip(1)
            .map(|piece| piece.split([' ', '>']).next().unwrap_or("").to_owned())
            .collect::<Vec<_>>()
    };
    let expected = tags(&example());
    let long = "\u{202e}<b>\"'\u{1b}".repeat(10_000);
    for harm in HARM.iter().copied().chain([long.as_str()]) {
        if !harm.is_empty() {
            assert_eq!(tags(&hostile(harm)), expected, "{harm:.40}");
        }
    }
}

/// Writes the pages that `tests/browser/check.mjs` opens.
#[test]
#[ignore = "run by tests/browser/run.sh"]
fn pages_for_the_browser() {
    let folder = std::path::PathBuf::from(std::env::var("TONERING_PAGES").unwrap());
    std::fs::create_dir_all(&folder).unwrap();
    let mut harm = HARM.concat();
    harm.push_str(&"<b>\u{202e}&amp;".repeat(1 << 20));
    let bare = Report {
        program: "tonering".into(),
        ..Report::default()
    };
    let mut danger = example();
    if let Some(safety) = &mut danger.safety {
        safety.urgency = tonering::report::Urgency::DoNotDrive;
    }
    let pages = [
        ("example.html", example()),
        ("danger.html", danger),
        ("hostile.html", hostile(&harm)),
        ("bare.html", bare),
    ];
    for (name, report) in pages {
        let page = printed(|out| html::write(&report, out));
        std::fs::write(folder.join(name), page).unwrap();
    }
    for (name, text) in [
        ("comparison.html", "Training trolley"),
        ("comparison-hostile.html", harm.as_str()),
    ] {
        let page = printed(|out| comparison::html::write(&compared(text), out));
        std::fs::write(folder.join(name), page).unwrap();
    }
}

#[test]
fn csv_of_the_example() {
    let all = [csv::Table::Codes, csv::Table::Checks, csv::Table::Causes]
        .map(|table| printed(|out| csv::write(&example(), out, table)))
        .join("\n");
    insta::assert_snapshot!("csv", all.replace('\r', ""));
}

/// One screen of a terminal as it has always been.
const SCREEN: usize = 24;

#[test]
fn the_first_screen_holds_safety_three_causes_and_the_next_check() {
    for (width, unicode) in [(80, false), (120, true)] {
        let text = as_text(&example(), width, unicode);
        let screen: Vec<&str> = text.lines().take(SCREEN).collect();
        let screen = screen.join("\n");
        for needed in [
            "SAFETY",
            "81 %",
            "17 %",
            "3 %",
            "NEXT CHECK",
            "15 minutes",
            "Expect:",
        ] {
            assert!(screen.contains(needed), "{needed} is not in\n{screen}");
        }
    }
}

#[test]
fn no_line_is_wider_than_the_page_and_nothing_in_it_is_obeyed() {
    let long = "\u{202e}\u{1b}[2J漢字 <b>".repeat(10_000);
    for harm in HARM.iter().copied().chain([long.as_str()]) {
        let report = hostile(harm);
        for (width, unicode) in [(80, false), (80, true), (120, true)] {
            let text = as_text(&report, width, unicode);
            for line in text.lines() {
                assert!(line.width() <= width, "{line}");
            }
            assert!(!text.replace('\n', "").chars().any(is_unseen));
            assert!(unicode || text.is_ascii());
            assert!(text.len() < 2_000_000);
        }
    }
}

#[test]
fn colour_only_adds_sequences_that_can_be_taken_away() {
    let layout = text::Layout {
        width: 80,
        colour: true,
        unicode: true,
    };
    let coloured = printed(|out| text::write(&example(), out, layout));
    assert!(coloured.contains("\u{1b}["));
    let plain = anstream::adapter::strip_str(&coloured).to_string();
    assert_eq!(plain, as_text(&example(), 80, true));
}

#[test]
fn markdown_keeps_its_shape_whatever_the_texts() {
    let shape = |report: &Report| {
        let text = printed(|out| markdown::write(report, out));
        // Between backticks markup is text; a harmful text with backticks of its own is looked at elsewhere.
        let mut outside = text.split('`').step_by(2);
        assert!(
            text.contains("``") || outside.all(|piece| !piece.contains('<')),
            "{text}"
        );
        assert!(!text.replace('\n', "").chars().any(is_unseen));
        text.lines()
            .map(|line| {
                let in_table = line.starts_with('|');
                let bars = line.replace("\\|", "").matches('|').count();
                let bars = if in_table { bars } else { 0 };
                let mark = line.split(' ').next().unwrap_or("").trim_end_matches('*');
                (bars, line.starts_with('#').then(|| mark.to_owned()))
            })
            .collect::<Vec<_>>()
    };
    let expected = shape(&example());
    for harm in HARM.iter().filter(|harm| !harm.is_empty()) {
        assert_eq!(shape(&hostile(harm)), expected, "{harm}");
    }
}

#[test]
fn json_gives_hostile_texts_back_as_they_were_and_shows_none_of_it() {
    for harm in HARM {
        let text = printed(|out| json::write(&hostile(harm), out, json::Form::OneLine));
        assert_eq!(text.lines().count(), 1);
        assert!(!text.trim_end().chars().any(is_unseen));
        let value: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert_eq!(value["causes"][0]["summary"], *harm);
        assert_eq!(
            value["wheels"][0]["measures"][0]["value"],
            serde_json::Value::Null
        );
    }
}

#[test]
fn csv_has_as_many_lines_and_fields_as_before() {
    for table in [csv::Table::Codes, csv::Table::Checks, csv::Table::Causes] {
        let plain = printed(|out| csv::write(&example(), out, table));
        for harm in HARM {
            let text = printed(|out| csv::write(&hostile(harm), out, table));
            assert_eq!(text.lines().count(), plain.lines().count());
            assert!(
                text.lines()
                    .all(|line| !line.starts_with(['=', '+', '-', '@']))
            );
        }
    }
}

#[test]
fn an_empty_report_is_a_report_in_every_format() {
    let empty = Report::default();
    assert!(as_text(&empty, 80, false).contains("No trouble code was read."));
    assert!(printed(|out| markdown::write(&empty, out)).contains("No trouble code was read."));
    let json = printed(|out| json::write(&empty, out, json::Form::Lines));
    assert!(serde_json::from_str::<serde_json::Value>(&json).unwrap()["causes"].is_array());
}

#[test]
fn comparison_in_text_and_markdown() {
    let example = compared("Training trolley");
    insta::assert_snapshot!(
        "comparison_text",
        printed(|out| comparison::text::write(&example, out, text::Layout::PLAIN))
    );
    insta::assert_snapshot!(
        "comparison_markdown",
        printed(|out| comparison::markdown::write(&example, out))
    );
}

#[test]
fn comparison_in_html_is_one_page_in_the_design_of_the_report() {
    let page = printed(|out| comparison::html::write(&compared("Training trolley"), out));
    assert!(page.contains("script-src &#39;none&#39;;") && !page.contains("<script"));
    insta::assert_snapshot!("comparison_html", page.split_once("<body>").unwrap().1);
}

#[test]
fn comparison_obeys_no_text() {
    for harm in HARM {
        let example = compared(harm);
        let text = printed(|out| comparison::text::write(&example, out, text::Layout::PLAIN));
        assert!(text.lines().all(|line| line.width() <= 80), "{text}");
        assert!(!text.replace('\n', "").chars().any(is_unseen));
        let marked = printed(|out| comparison::markdown::write(&example, out));
        assert!(!marked.contains('<'), "{marked}");
        assert!(!marked.replace('\n', "").chars().any(is_unseen));
        let page = printed(|out| comparison::html::write(&example, out));
        let plain = printed(|out| comparison::html::write(&compared("plain"), out));
        assert_eq!(
            page.matches('<').count(),
            plain.matches('<').count(),
            "{page}"
        );
        assert!(!page.replace('\n', "").chars().any(is_unseen));
        let json = printed(|out| comparison::json::write(&example, out, json::Form::OneLine));
        let value: serde_json::Value = serde_json::from_str(&json).unwrap();
        assert_eq!(value["vehicle"], *harm);
    }
}
