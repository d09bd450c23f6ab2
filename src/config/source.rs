//! `[[source]]`: how the messages of some topics become readings.

use std::time::Duration;

use toml::de::DeValue;

use super::{
    reader::{Table, Written, nearest},
    setup::{ChannelAt, Format, InstrumentName, Source, TopicPattern},
};
use crate::reading::{Channel, Instrument};

/// A reporter on change that keeps still for longer than this is taken to be gone: the longest night of a board that
/// is blind to small currents, and not much more.
const LONGEST_HOLD: Duration = Duration::from_secs(12 * 3600);

/// Finds instruments by name: `None` where no bank has one of that name.
pub(super) type Known<'a> = &'a dyn Fn(&str) -> Option<Instrument>;

/// Reads a source; the place of its topic comes along, to say which ones overlap.
pub(super) fn source(table: Table<'_>, known: Known<'_>, names: &[&str]) -> Option<Written<Source>> {
    let written = table.required_text("topic", "\"skerry/{instrument}/reading\"");
    let topic = written
        .as_ref()
        .and_then(|topic| match TopicPattern::read(&topic.value) {
            Ok(pattern) => Some(pattern),
            Err((what, mend)) => {
                table.findings.add(&topic.place, what, "this topic", mend);
                None
            }
        });
    let format = format(&table);
    let time = pointer(&table, "time");
    if format == Some(Format::Senml) {
        for key in ["time", "each"] {
            if table.has(key) {
                table.findings.add(
                    &table.place,
                    format!("SenML says itself where `{key}` would point to"),
                    "in this source",
                    format!("leave out `{key}`"),
                );
            }
        }
    }
    let each = pointer(&table, "each");
    let instrument = instrument(&table, known, names, each.is_some());
    let charging_negative =
        one_of(&table, "charging", &["positive", "negative"]).as_deref() == Some("negative");
    let reports_on_change =
        one_of(&table, "reports", &["regular", "on_change"]).as_deref() == Some("on_change");
    let longest_hold = table.duration("longest_hold", Some(LONGEST_HOLD));
    let channels = channels(&table, format, topic.as_ref());
    let (from_ms, until_ms) = dates(&table);
    if let Some(topic) = &topic {
        let place = written.as_ref().map_or(&table.place, |written| &written.place);
        match (topic.names_instrument(), table.has("instrument")) {
            (false, false) => table.findings.add(
                place,
                "nothing says which instrument this source is of",
                "no instrument here",
                "put {instrument} into the topic, or add a line like this: instrument = \"shunt\"",
            ),
            (true, true) => table.findings.add(
                place,
                "the topic names the instrument, and so does `instrument`",
                "here",
                "leave out one of the two",
            ),
            _ => {}
        }
    }
    table.finish();
    let source = Source {
        topic: topic?,
        format: format?,
        instrument,
        time,
        each,
        charging_negative,
        channels: channels?,
        on_change: reports_on_change.then(|| longest_hold.unwrap_or(Duration::from_secs(1800))),
        from_ms,
        until_ms,
    };
    Some(Written {
        value: source,
        place: written?.place,
    })
}

/// From when until when messages are like this, ms since 1970.
fn dates(table: &Table<'_>) -> (Option<i64>, Option<i64>) {
    let (from, until) = (table.instant("from"), table.instant("until"));
    if let (Some(from), Some(until)) = (&from, &until)
        && until.value <= from.value
    {
        table.findings.add(
            &until.place,
            "a source can't end before it begins",
            "this is when it ends",
            "put a later instant here, or leave out one of `from` and `until`",
        );
    }
    (from.map(|from| from.value), until.map(|until| until.value))
}

fn format(table: &Table<'_>) -> Option<Format> {
    table.required_text("format", "\"json\"")?;
    match one_of(table, "format", &["json", "number", "senml"])?.as_str() {
        "json" => Some(Format::Json),
        "senml" => Some(Format::Senml),
        _ => Some(Format::Number),
    }
}

/// A word out of a few.
fn one_of(table: &Table<'_>, key: &'static str, words: &[&str]) -> Option<String> {
    let written = table.text(key)?;
    if words.contains(&written.value.as_str()) {
        return Some(written.value);
    }
    let mend = nearest(&written.value, words).map_or_else(
        || format!("write one of: {}", words.join(", ")),
        |word| format!("did you mean \"{word}\"?"),
    );
    table.findings.add(
        &written.place,
        format!("`{key}` can't be “{}”", written.value),
        "this word",
        mend,
    );
    None
}

/// A JSON pointer (RFC 6901).
fn pointer(table: &Table<'_>, key: &'static str) -> Option<String> {
    let written = table.text(key)?;
    if is_pointer(&written.value) {
        return Some(written.value);
    }
    not_a_pointer(table, &written.place, &written.value);
    None
}

fn is_pointer(text: &str) -> bool {
    let begins = text.is_empty() || text.starts_with('/');
    begins && text.split('~').skip(1).all(|rest| rest.starts_with(['0', '1']))
}

fn not_a_pointer(table: &Table<'_>, place: &std::ops::Range<usize>, text: &str) {
    table.findings.add(
        place,
        format!("“{text}” is no JSON pointer (RFC 6901)"),
        "this pointer",
        format!(
            "begin with a slash, like \"/{}\"; a “~” in a name is ~0, a “/” is ~1",
            text.trim_start_matches('/')
        ),
    );
}

fn instrument(table: &Table<'_>, known: Known<'_>, names: &[&str], each: bool) -> Option<InstrumentName> {
    let written = table.text("instrument")?;
    if written.value.starts_with('/') || (each && written.value.is_empty()) {
        if !is_pointer(&written.value) {
            not_a_pointer(table, &written.place, &written.value);
        }
        return Some(InstrumentName::Pointer(written.value));
    }
    if let Some(instrument) = known(&written.value) {
        return Some(InstrumentName::Fixed(instrument));
    }
    let mend = nearest(&written.value, names).map_or_else(
        || format!("the instruments are: {}", names.join(", ")),
        |near| format!("did you mean \"{near}\"?"),
    );
    table.findings.add(
        &written.place,
        format!("no bank has an instrument “{}”", written.value),
        "this name",
        mend,
    );
    None
}

fn channels(
    table: &Table<'_>,
    format: Option<Format>,
    topic: Option<&TopicPattern>,
) -> Option<Vec<ChannelAt>> {
    let Some(entries) = table.table("channels", "[source.channels]") else {
        let in_topic = topic.is_some_and(TopicPattern::names_channel);
        let mend = match format {
            Some(Format::Number) if in_topic => return Some(Vec::new()),
            Some(Format::Senml) => return Some(Vec::new()),
            Some(Format::Number) => "put {channel} into the topic, or name one under [source.channels]",
            _ => "add [source.channels] with lines like this: voltage = \"/volts\"",
        };
        // A topic that couldn't be read has been spoken of already.
        if format.is_some() && topic.is_some() {
            table.findings.add(
                &table.place,
                "nothing says what this source reports",
                "no channel here",
                mend,
            );
        }
        return None;
    };
    let mut channels = Vec::new();
    for (name, place, value) in entries.entries() {
        let Some(channel) = Channel::named(name) else {
            let names = Channel::ALL.map(Channel::name);
            let mend = nearest(name, &names).map_or_else(
                || format!("the channels are: {}", names.join(", ")),
                |near| format!("did you mean `{near}`?"),
            );
            table
                .findings
                .add(&place, format!("there is no channel “{name}”"), "this name", mend);
            continue;
        };
        let (pointer, scale) = match value.get_ref() {
            DeValue::String(text) => {
                if format != Some(Format::Senml) && !is_pointer(text) {
                    not_a_pointer(table, &value.span(), text);
                }
                (text.to_string(), 1.0)
            }
            DeValue::Table(at) => {
                let at = Table::new("a channel", at, value.span(), table.findings);
                let pointer = match format {
                    Some(Format::Senml) => at.text("at").map(|name| name.value),
                    _ => self::pointer(&at, "at"),
                }
                .unwrap_or_default();
                let scale = at.number_within("scale", |scale| scale != 0.0, "anything but 0");
                at.finish();
                (pointer, scale.unwrap_or(1.0))
            }
            _ => {
                table.findings.add(
                    &value.span(),
                    format!("`{name}` doesn't say where its value stands"),
                    "this value",
                    format!("write {name} = \"/pointer\" or {name} = {{ at = \"/pointer\", scale = 0.001 }}"),
                );
                continue;
            }
        };
        channels.push(ChannelAt {
            channel,
            pointer,
            scale,
        });
    }
    if format == Some(Format::Json) && entries.is_empty() {
        table.findings.add(
            &entries.place,
            "nothing says what this source reports",
            "empty",
            "write at least one line like this: voltage = \"/volts\"",
        );
    }
    if format == Some(Format::Number)
        && !topic.is_some_and(TopicPattern::names_channel)
        && channels.len() != 1
    {
        table.findings.add(
            &entries.place,
            "one plain number can't be several channels",
            "here",
            "name exactly one channel, or put {channel} into the topic",
        );
    }
    Some(channels)
}
