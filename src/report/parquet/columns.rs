//! Which tables there are, and where each column comes from in the JSON of a report.

use serde_json::Value;

/// A table.
#[derive(Debug)]
pub(super) struct Table {
    pub(super) name: &'static str,
    /// The rows that a report gives.
    pub(super) rows: fn(&Value) -> Vec<Row<'_>>,
    pub(super) columns: &'static [Column],
}

/// A row: an object, the one around it, and how many stand before it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Row<'a> {
    object: &'a Value,
    around: &'a Value,
    before: usize,
}

/// A column.
#[derive(Debug)]
pub(super) struct Column {
    pub(super) name: &'static str,
    pub(super) kind: Kind,
    from: From,
}

/// What stands in a column. Any value but the first two of a table may be null.
#[derive(Clone, Copy, Debug)]
pub(super) enum Kind {
    Text,
    Integer,
    Number,
    Flag,
}

#[derive(Clone, Copy, Debug)]
enum From {
    /// A key of the object.
    Key(&'static str),
    /// A key of the object around it.
    Around(&'static str),
    /// A key of an object in the object.
    Inner(&'static str, &'static str),
    /// An element of a list in the object.
    Element(&'static str, usize),
    /// Which of its kind: 1 for the first.
    Rank,
    /// Whether it is in this list of the report.
    Among(&'static str),
}

/// A value on its way into a column.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Cell<'a> {
    Null,
    Text(&'a str),
    Integer(i64),
    Number(f64),
    Flag(bool),
}

const fn column(name: &'static str, kind: Kind, from: From) -> Column {
    Column { name, kind, from }
}

/// A column of the same name as its key.
const fn key(name: &'static str, kind: Kind) -> Column {
    column(name, kind, From::Key(name))
}

use self::Kind::{Flag, Integer, Number, Text};

/// Every table, by name.
pub(super) const TABLES: [Table; 7] = [
    Table {
        name: "captures",
        rows: |report| list(report, "captures", report),
        columns: &[
            key("sha256", Text),
            key("kind", Text),
            key("frames", Integer),
            key("unreadable", Integer),
            key("first_s", Number),
            key("last_s", Number),
            column("vehicle", Text, From::Around("vehicle")),
            column("safety", Text, From::Inner("safety", "urgency")),
            column("left_out", Number, From::Around("left_out")),
            column("program", Text, From::Around("program")),
            column("basis", Text, From::Around("basis")),
            column("error", Text, From::Around("error")),
        ],
    },
    Table {
        name: "codes",
        rows: |report| list(report, "codes", report),
        columns: &[
            key("module", Text),
            key("code", Text),
            key("failure_type", Text),
            key("status", Text),
            key("list", Text),
            key("test_failed", Flag),
            key("confirmed", Flag),
            key("pending", Flag),
            key("meaning", Text),
            key("time_s", Number),
        ],
    },
    Table {
        name: "causes",
        rows: |report| list(report, "causes", report),
        columns: &[
            column("rank", Integer, From::Rank),
            column("cause", Text, From::Key("id")),
            key("wheel", Text),
            key("axle", Text),
            key("name", Text),
            key("probability", Number),
            key("prior", Number),
            key("work", Text),
        ],
    },
    Table {
        name: "checks",
        rows: |report| list(report, "checks", report),
        columns: &[
            column("rank", Integer, From::Rank),
            column("check", Text, From::Key("id")),
            key("wheel", Text),
            key("axle", Text),
            key("name", Text),
            key("minutes", Number),
        ],
    },
    Table {
        name: "findings",
        rows: |report| {
            let mut rows = list(report, "findings", report);
            rows.extend(list(report, "absent", &Value::Null));
            rows
        },
        columns: &[
            column("finding", Text, From::Key("id")),
            key("wheel", Text),
            key("axle", Text),
            column("holds", Flag, From::Among("findings")),
            key("measure", Number),
            key("unit", Text),
            key("source", Text),
            key("summary", Text),
        ],
    },
    Table {
        name: "wheels",
        rows: |report| list(report, "wheels", report),
        columns: &[
            key("wheel", Text),
            key("samples", Integer),
            key("interval_s", Number),
            key("top_kmh", Number),
        ],
    },
    Table {
        name: "measures",
        rows: |report| {
            let wheels = list(report, "wheels", report);
            let wheels = wheels.into_iter();
            wheels
                .flat_map(|wheel| list(wheel.object, "measures", wheel.object))
                .collect()
        },
        columns: &[
            column("wheel", Text, From::Around("wheel")),
            column("measure", Text, From::Key("id")),
            key("value", Number),
            column("low", Number, From::Element("interval", 0)),
            column("high", Number, From::Element("interval", 1)),
            key("unit", Text),
        ],
    },
];

fn list<'a>(object: &'a Value, key: &str, around: &'a Value) -> Vec<Row<'a>> {
    let entries = object.get(key).and_then(Value::as_array);
    let entries = entries.into_iter().flatten().enumerate();
    entries
        .map(|(before, object)| Row {
            object,
            around,
            before,
        })
        .collect()
}

impl Column {
    /// The value of this column in a row.
    pub(super) fn cell<'a>(&self, row: Row<'a>) -> Cell<'a> {
        let value = match self.from {
            From::Key(key) => row.object.get(key),
            From::Around(key) => row.around.get(key),
            From::Inner(key, inner) => row.around.get(key).and_then(|found| found.get(inner)),
            From::Element(key, index) => row.object.get(key).and_then(|found| found.get(index)),
            From::Rank => return Cell::Integer(i64::try_from(row.before + 1).unwrap_or(i64::MAX)),
            From::Among(key) => return Cell::Flag(row.around.get(key).is_some()),
        };
        let cell = value.and_then(|value| match self.kind {
            Text => value.as_str().map(Cell::Text),
            Integer => value.as_i64().map(Cell::Integer),
            Number => value.as_f64().map(Cell::Number),
            Flag => value.as_bool().map(Cell::Flag),
        });
        cell.unwrap_or(Cell::Null)
    }
}
