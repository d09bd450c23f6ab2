//! A `[[source]]` for a topic that nobody takes, guessed from one message.

use serde_json::Value;

use crate::{config::Setup, reading::Channel};

/// A source that would take a topic, guessed from one message.
pub(super) fn suggested_source(topic: &str, example: &[u8], setup: &Setup) -> String {
    let mut levels: Vec<&str> = topic.split('/').collect();
    let named = levels.iter().position(|level| setup.instrument(level).is_some());
    if let Some(place) = named {
        levels[place] = "{instrument}";
    }
    let pattern = levels.join("/");
    let mut lines = vec!["[[source]]".to_owned(), format!("topic = {pattern:?}")];
    if named.is_none() {
        lines.push("instrument = \"…\"".to_owned());
    }
    match serde_json::from_slice::<Value>(example) {
        Ok(Value::Object(fields)) => {
            lines.push("format = \"json\"".to_owned());
            let pointer = |key: &str| format!("/{}", key.replace('~', "~0").replace('/', "~1"));
            if let Some(time) = fields
                .keys()
                .find(|key| ["at", "time", "timestamp", "ts"].contains(&key.as_str()))
            {
                lines.push(format!("time = {:?}", pointer(time)));
            }
            let channels: Vec<_> = fields
                .keys()
                .filter_map(|key| Some(format!("{} = {:?}", guessed(key)?.name(), pointer(key))))
                .collect();
            lines.push(format!("channels = {{ {} }}", channels.join(", ")));
        }
        _ => {
            lines.push("format = \"number\"".to_owned());
            let channel = guessed(topic).map_or("…", Channel::name);
            lines.push(format!("channels = {{ {channel} = {{ scale = 1 }} }}"));
        }
    }
    lines
        .iter()
        .map(|line| format!("     {line}"))
        .collect::<Vec<_>>()
        .join("\n")
}

/// The channel that a name speaks of, where it can be guessed.
fn guessed(name: &str) -> Option<Channel> {
    let name = name.to_lowercase();
    let hints = [
        ("volt", Channel::Voltage),
        ("amp", Channel::Current),
        ("current", Channel::Current),
        ("soc", Channel::Soc),
        ("percent", Channel::Soc),
        ("temp", Channel::Temperature),
        ("charge", Channel::Charge),
    ];
    hints
        .into_iter()
        .find(|(hint, _)| name.contains(hint))
        .map(|(_, channel)| channel)
}
