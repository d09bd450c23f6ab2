//! The daemon's log: lines for a person, or JSON for a program.

use std::{error::Error, fmt, io::stderr};

use chrono::{SecondsFormat, Utc};
use clap::ValueEnum;
use serde_json::{Map, Value};
use tracing::{
    Event, Subscriber,
    field::{Field, Visit},
};
use tracing_subscriber::{
    EnvFilter,
    fmt::{FmtContext, FormatEvent, FormatFields, format::Writer},
    registry::LookupSpan,
};

/// How the log is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum LogFormat {
    /// A line for a person.
    Text,
    /// A JSON document a line.
    Json,
}

/// Logs to standard error, at `level` unless RUST_LOG says otherwise.
pub(super) fn to_stderr(level: &str, format: LogFormat) {
    // What the MQTT libraries do from day to day is of no interest here.
    let usual = format!("{level},mqtt5=warn,rumqttc=warn");
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(usual));
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(stderr)
        .with_ansi(console::colors_enabled_stderr());
    match format {
        LogFormat::Text => log.init(),
        LogFormat::Json => log.event_format(JsonLines).init(),
    }
}

/// A JSON document a line, in which an error is the list of its causes.
struct JsonLines;

impl<S, N> FormatEvent<S, N> for JsonLines
where
    S: Subscriber + for<'a> LookupSpan<'a>,
    N: for<'a> FormatFields<'a> + 'static,
{
    fn format_event(
        &self,
        _context: &FmtContext<'_, S, N>,
        mut writer: Writer<'_>,
        event: &Event<'_>,
    ) -> fmt::Result {
        let mut line = Line(Map::new());
        let at = Utc::now().to_rfc3339_opts(SecondsFormat::Millis, true);
        line.0.insert("at".into(), at.into());
        line.0
            .insert("level".into(), event.metadata().level().as_str().into());
        line.0.insert("target".into(), event.metadata().target().into());
        event.record(&mut line);
        writeln!(writer, "{}", Value::Object(line.0))
    }
}

struct Line(Map<String, Value>);

impl Line {
    fn put(&mut self, field: &Field, value: impl Into<Value>) {
        self.0.insert(field.name().to_owned(), value.into());
    }
}

impl Visit for Line {
    fn record_debug(&mut self, field: &Field, value: &dyn fmt::Debug) {
        self.put(field, format!("{value:?}"));
    }

    fn record_str(&mut self, field: &Field, value: &str) {
        self.put(field, value);
    }

    fn record_i64(&mut self, field: &Field, value: i64) {
        self.put(field, value);
    }

    fn record_u64(&mut self, field: &Field, value: u64) {
        self.put(field, value);
    }

    fn record_f64(&mut self, field: &Field, value: f64) {
        self.put(field, value);
    }

    fn record_bool(&mut self, field: &Field, value: bool) {
        self.put(field, value);
    }

    fn record_error(&mut self, field: &Field, value: &(dyn Error + 'static)) {
        let mut causes: Vec<Value> = Vec::new();
        let mut next = Some(value);
        while let Some(error) = next {
            causes.push(error.to_string().into());
            next = error.source();
        }
        self.put(field, causes);
    }
}
