//! Many reports as Parquet: one tidy table for each kind of thing, for the engines that people query tables with.
//!
//! The tables are made from the reports' JSON, so that both hold the same numbers, rounded in the same way. The first two
//! columns of each are `report`, the number of the report from 1, and `file`, its first capture; they join the tables. Rows are
//! gathered and written in groups of [`GROUP`]: memory does not grow with the number of reports.
//!
//! Source: the Apache Parquet format, through the `parquet` crate; pages are packed with gzip.

mod columns;

use std::fmt::Write as _;
use std::io::{self, Write};
use std::sync::Arc;

use parquet::basic::{Compression, GzipLevel};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::properties::{WriterProperties, WriterVersion};
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::parser::parse_message_type;
use serde_json::Value;

use self::columns::{Cell, Kind, TABLES, Table};

/// Rows that are gathered before they are written.
pub const GROUP: usize = 16 << 10;

/// The names of the tables.
pub fn names() -> impl Iterator<Item = &'static str> {
    TABLES.iter().map(|table| table.name)
}

/// Writes the tables.
pub struct Tables<W: Write + Send> {
    reports: i64,
    tables: Vec<Open<W>>,
}

impl<W: Write + Send> std::fmt::Debug for Tables<W> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Tables")
            .field("reports", &self.reports)
            .finish_non_exhaustive()
    }
}

/// A table that is being written.
struct Open<W: Write + Send> {
    table: &'static Table,
    writer: SerializedFileWriter<W>,
    /// One for each column, `report` and `file` first.
    gathered: Vec<Gathered>,
    rows: usize,
}

/// Values of a column that are not written yet; of a null only its place is kept.
struct Gathered {
    values: Values,
    /// 1 where there is a value, 0 where there is none.
    present: Vec<i16>,
}

enum Values {
    Texts(Vec<ByteArray>),
    Integers(Vec<i64>),
    Numbers(Vec<f64>),
    Flags(Vec<bool>),
}

impl<W: Write + Send> Tables<W> {
    /// Begins every table; `open` gives the place where the table of this name is written.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn new(mut open: impl FnMut(&str) -> io::Result<W>) -> io::Result<Self> {
        let tables = TABLES
            .iter()
            .map(|table| Open::new(table, open(table.name)?));
        Ok(Self {
            reports: 0,
            tables: tables.collect::<io::Result<_>>()?,
        })
    }

    /// Adds a report: its JSON, one object.
    ///
    /// # Errors
    /// When it is no JSON, or the tables cannot be written.
    pub fn push(&mut self, json: &[u8]) -> io::Result<()> {
        let report: Value = serde_json::from_slice(json)?;
        self.reports += 1;
        let first = report.get("captures").and_then(|list| list.get(0));
        let file = first.and_then(|capture| capture.get("file")?.as_str());
        let file = file.unwrap_or_default();
        for table in &mut self.tables {
            table.push(self.reports, file, &report)?;
        }
        Ok(())
    }

    /// Writes what is gathered and the ends of the files, and gives back where they were written, in the order of [`names`].
    ///
    /// # Errors
    /// When they cannot be written.
    pub fn finish(self) -> io::Result<Vec<W>> {
        self.tables.into_iter().map(Open::finish).collect()
    }
}

impl<W: Write + Send> Open<W> {
    fn new(table: &'static Table, out: W) -> io::Result<Self> {
        let mut schema = format!(
            "message {} {{ required int64 report; required binary file (STRING);",
            table.name
        );
        let mut gathered = vec![Gathered::new(Kind::Integer), Gathered::new(Kind::Text)];
        for column in table.columns {
            let kind = match column.kind {
                Kind::Text => format!("binary {} (STRING)", column.name),
                Kind::Integer => format!("int64 {}", column.name),
                Kind::Number => format!("double {}", column.name),
                Kind::Flag => format!("boolean {}", column.name),
            };
            // Writing to a text cannot fail.
            let _ = write!(schema, " optional {kind};");
            gathered.push(Gathered::new(column.kind));
        }
        schema.push('}');
        let schema = Arc::new(parse_message_type(&schema).map_err(failed)?);
        let properties = WriterProperties::builder()
            .set_created_by(concat!("tonering ", env!("CARGO_PKG_VERSION")).to_owned())
            .set_writer_version(WriterVersion::PARQUET_1_0)
            .set_compression(Compression::GZIP(GzipLevel::default()))
            .build();
        let writer = SerializedFileWriter::new(out, schema, Arc::new(properties));
        Ok(Self {
            table,
            writer: writer.map_err(failed)?,
            gathered,
            rows: 0,
        })
    }

    fn push(&mut self, number: i64, file: &str, report: &Value) -> io::Result<()> {
        for row in (self.table.rows)(report) {
            let always = [Cell::Integer(number), Cell::Text(file)];
            let own = self.table.columns.iter().map(|column| column.cell(row));
            for (gathered, cell) in self.gathered.iter_mut().zip(always.into_iter().chain(own)) {
                gathered.push(&cell);
            }
            self.rows += 1;
        }
        if self.rows >= GROUP {
            self.write_group()?;
        }
        Ok(())
    }

    fn write_group(&mut self) -> io::Result<()> {
        self.rows = 0;
        let mut group = self.writer.next_row_group().map_err(failed)?;
        for (index, gathered) in self.gathered.iter_mut().enumerate() {
            // `report` and `file` are never null, and have no levels.
            gathered.write(&mut group, index > 1).map_err(failed)?;
        }
        group.close().map_err(failed)?;
        Ok(())
    }

    fn finish(mut self) -> io::Result<W> {
        if self.rows > 0 {
            self.write_group()?;
        }
        self.writer.into_inner().map_err(failed)
    }
}

impl Gathered {
    const fn new(kind: Kind) -> Self {
        Self {
            values: match kind {
                Kind::Text => Values::Texts(Vec::new()),
                Kind::Integer => Values::Integers(Vec::new()),
                Kind::Number => Values::Numbers(Vec::new()),
                Kind::Flag => Values::Flags(Vec::new()),
            },
            present: Vec::new(),
        }
    }

    fn push(&mut self, cell: &Cell<'_>) {
        let present = match (&mut self.values, cell) {
            (Values::Texts(values), Cell::Text(text)) => {
                values.push(ByteArray::from(*text));
                true
            }
            (Values::Integers(values), Cell::Integer(value)) => {
                values.push(*value);
                true
            }
            (Values::Numbers(values), Cell::Number(value)) => {
                values.push(*value);
                true
            }
            (Values::Flags(values), Cell::Flag(value)) => {
                values.push(*value);
                true
            }
            _ => false,
        };
        self.present.push(i16::from(present));
    }

    fn write<W: Write + Send>(
        &mut self,
        group: &mut SerializedRowGroupWriter<'_, W>,
        optional: bool,
    ) -> Result<(), ParquetError> {
        let Some(mut column) = group.next_column()? else {
            return Err(ParquetError::General(
                "more columns than the schema has".to_owned(),
            ));
        };
        let present = optional.then_some(self.present.as_slice());
        match (&self.values, column.untyped()) {
            (Values::Texts(values), ColumnWriter::ByteArrayColumnWriter(writer)) => {
                writer.write_batch(values, present, None)?;
            }
            (Values::Integers(values), ColumnWriter::Int64ColumnWriter(writer)) => {
                writer.write_batch(values, present, None)?;
            }
            (Values::Numbers(values), ColumnWriter::DoubleColumnWriter(writer)) => {
                writer.write_batch(values, present, None)?;
            }
            (Values::Flags(values), ColumnWriter::BoolColumnWriter(writer)) => {
                writer.write_batch(values, present, None)?;
            }
            _ => {
                return Err(ParquetError::General(
                    "a column is of another kind than the schema says".to_owned(),
                ));
            }
        }
        column.close()?;
        self.present.clear();
        match &mut self.values {
            Values::Texts(values) => values.clear(),
            Values::Integers(values) => values.clear(),
            Values::Numbers(values) => values.clear(),
            Values::Flags(values) => values.clear(),
        }
        Ok(())
    }
}

/// What went wrong, as the system's own error where it is one: the caller tells a closed pipe or a full disk by it.
fn failed(error: ParquetError) -> io::Error {
    let ParquetError::External(inner) = error else {
        return io::Error::other(error);
    };
    match inner.downcast::<io::Error>() {
        Ok(io) => *io,
        Err(other) => io::Error::other(other),
    }
}

#[cfg(test)]
mod tests {
    use parquet::file::reader::{FileReader as _, SerializedFileReader};

    use super::*;

    const LINE: &str = r#"{"program": "p", "vehicle": null, "safety": {"urgency": "drive-with-care"}, "left_out": 1e-9,
        "captures": [{"file": "a.log", "kind": "candump", "frames": 3, "unreadable": 0, "first_s": 0.1, "last_s": null}],
        "codes": [{"code": "C0031", "failure_type": "13", "test_failed": true, "module": "B", "meaning": "m", "time_s": 3.2},
                  {"code": "P0500", "test_failed": null}],
        "causes": [{"id": "x", "wheel": "left-front", "probability": 0.30000000000000004}, {"id": "y", "axle": "rear", "probability": 0.0}],
        "wheels": [{"wheel": "left-rear", "samples": 7, "measures": [{"id": "m", "value": 0.1, "interval": [1.0, 2.0], "unit": "%"},
                                                                    {"id": "n", "value": null, "interval": null}]}],
        "findings": [{"id": "f"}], "absent": [{"id": "g", "measure": 2.5}], "checks": []}"#;

    fn rows(bytes: &[u8]) -> Vec<String> {
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(bytes).unwrap();
        let reader = SerializedFileReader::new(file).unwrap();
        let rows = reader.get_row_iter(None).unwrap();
        rows.map(|row| row.unwrap().to_string()).collect()
    }

    fn written(lines: &[&str]) -> std::collections::BTreeMap<&'static str, Vec<String>> {
        let mut tables = Tables::new(|_| Ok(Vec::new())).unwrap();
        for line in lines {
            tables.push(line.as_bytes()).unwrap();
        }
        names()
            .zip(tables.finish().unwrap().iter().map(|bytes| rows(bytes)))
            .collect()
    }

    #[test]
    fn every_value_is_where_it_belongs() {
        let tables = written(&[LINE]);
        assert_eq!(
            tables["codes"],
            [
                r#"{report: 1, file: "a.log", module: "B", code: "C0031", failure_type: "13", status: null, list: null, test_failed: true, confirmed: null, pending: null, meaning: "m", time_s: 3.2}"#,
                r#"{report: 1, file: "a.log", module: null, code: "P0500", failure_type: null, status: null, list: null, test_failed: null, confirmed: null, pending: null, meaning: null, time_s: null}"#,
            ]
        );
        assert_eq!(
            tables["measures"],
            [
                r#"{report: 1, file: "a.log", wheel: "left-rear", measure: "m", value: 0.1, low: 1.0, high: 2.0, unit: "%"}"#,
                r#"{report: 1, file: "a.log", wheel: "left-rear", measure: "n", value: null, low: null, high: null, unit: null}"#,
            ]
        );
        assert!(
            tables["causes"][0]
                .contains("rank: 1, cause: \"x\", wheel: \"left-front\", axle: null")
        );
        assert!(tables["causes"][0].contains("probability: 0.30000000000000004"));
        assert!(
            tables["findings"][0].contains("finding: \"f\", wheel: null, axle: null, holds: true")
        );
        assert!(tables["findings"][1].contains("holds: false, measure: 2.5"));
        assert!(
            tables["captures"][0].contains("safety: \"drive-with-care\", left_out: 0.000000001")
        );
        assert!(tables["checks"].is_empty());
    }

    #[test]
    fn many_reports_are_many_groups_and_nothing_is_lost() {
        let count = GROUP + 100;
        let tables = written(&vec![LINE; count]);
        assert_eq!(tables["captures"].len(), count);
        assert_eq!(tables["codes"].len(), 2 * count);
        assert!(tables["codes"][2 * count - 1].starts_with(&format!("{{report: {count}, ")));
    }

    #[test]
    fn no_report_at_all_is_a_table_without_rows() {
        assert!(written(&[]).values().all(Vec::is_empty));
    }
}
