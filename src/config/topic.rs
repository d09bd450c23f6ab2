//! Topics with placeholders: `skerry/{instrument}_{channel}`.
//!
//! Names and channels are known, so a pattern is a short list of topics: nothing has to be guessed from a topic.

use super::setup::{Part, TopicPattern};

impl TopicPattern {
    /// Reads a pattern.
    ///
    /// # Errors
    /// In words, what is wrong and the mend.
    pub fn read(written: &str) -> Result<Self, (String, String)> {
        let wrong = |what: &str, mend: &str| Err((what.to_owned(), mend.to_owned()));
        if written.is_empty() {
            return wrong(
                "the topic is empty",
                "write the topic as the instruments publish it",
            );
        }
        if written.contains(['+', '#']) {
            return wrong(
                "the topic has an MQTT wildcard",
                "write {instrument} or {channel} where a name stands; the rest literally",
            );
        }
        let mut levels = Vec::new();
        for level in written.split('/') {
            levels.push(parts(level)?);
        }
        let pattern = Self {
            written: written.to_owned(),
            levels,
        };
        for placeholder in [Part::Instrument, Part::Channel] {
            if pattern
                .levels
                .iter()
                .flatten()
                .filter(|part| **part == placeholder)
                .count()
                > 1
            {
                return wrong("a placeholder stands in the topic twice", "name it once");
            }
        }
        Ok(pattern)
    }

    /// Whether `{instrument}` stands in it.
    #[must_use]
    pub fn names_instrument(&self) -> bool {
        self.levels.iter().flatten().any(|part| *part == Part::Instrument)
    }

    /// Whether `{channel}` stands in it.
    #[must_use]
    pub fn names_channel(&self) -> bool {
        self.levels.iter().flatten().any(|part| *part == Part::Channel)
    }

    /// The MQTT filter to subscribe to: `+` for every level with a placeholder in it.
    #[must_use]
    pub fn filter(&self) -> String {
        let levels: Vec<&str> = self
            .levels
            .iter()
            .map(|parts| match parts.as_slice() {
                [] => "",
                [Part::Text(text)] => text.as_str(),
                _ => "+",
            })
            .collect();
        levels.join("/")
    }

    /// The topic with names in place of the placeholders.
    #[must_use]
    pub fn filled(&self, instrument: &str, channel: &str) -> String {
        let levels: Vec<String> = self
            .levels
            .iter()
            .map(|parts| {
                let texts = parts.iter().map(|part| match part {
                    Part::Text(text) => text.as_str(),
                    Part::Instrument => instrument,
                    Part::Channel => channel,
                });
                texts.collect()
            })
            .collect();
        levels.join("/")
    }
}

/// The parts of one level.
fn parts(level: &str) -> Result<Vec<Part>, (String, String)> {
    let mut parts = Vec::new();
    let mut rest = level;
    while let Some(open) = rest.find('{') {
        if open > 0 {
            parts.push(Part::Text(rest[..open].to_owned()));
        }
        let unclosed = || {
            (
                "a “{” in the topic is never closed".to_owned(),
                "write {instrument} or {channel}".to_owned(),
            )
        };
        let close = rest[open..]
            .find('}')
            .map(|close| open + close)
            .ok_or_else(unclosed)?;
        let part = match &rest[open + 1..close] {
            "instrument" => Part::Instrument,
            "channel" => Part::Channel,
            other => {
                return Err((
                    format!("“{{{other}}}” is no placeholder"),
                    "the placeholders are {instrument} and {channel}".to_owned(),
                ));
            }
        };
        if matches!(parts.last(), Some(Part::Instrument | Part::Channel)) {
            return Err((
                "two placeholders touch each other".to_owned(),
                "put some text between them, or each in a level of its own".to_owned(),
            ));
        }
        parts.push(part);
        rest = &rest[close + 1..];
    }
    if !rest.is_empty() {
        parts.push(Part::Text(rest.to_owned()));
    }
    Ok(parts)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pattern(written: &str) -> TopicPattern {
        TopicPattern::read(written).unwrap()
    }

    #[test]
    fn filters_have_a_wildcard_for_each_level_with_a_placeholder() {
        assert_eq!(pattern("a/x_{instrument}/{channel}/b").filter(), "a/+/+/b");
        assert_eq!(pattern("/a//b").filter(), "/a//b");
    }

    #[test]
    fn placeholders_are_filled_within_a_level() {
        assert_eq!(
            pattern("skerry/{instrument}_{channel}").filled("bow_tern", "cell_min"),
            "skerry/bow_tern_cell_min"
        );
    }

    #[test]
    fn what_is_no_pattern_is_refused() {
        for written in [
            "",
            "a/+",
            "a/#",
            "a/{pack}",
            "a/{instrument",
            "{instrument}{channel}",
            "{channel}/{channel}",
        ] {
            assert!(TopicPattern::read(written).is_err(), "{written}");
        }
    }
}
