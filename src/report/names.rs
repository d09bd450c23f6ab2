//! What everybody is called in a report: as in the setup, or otherwise, so that the report tells neither names nor
//! topics, paths or hosts.

use std::path::PathBuf;

use serde_json::Value;

use crate::{
    config::{Bank, Broker, Part, Setup},
    reading::Channel,
};

/// Names up to this long are replaced in texts only where they stand alone: “a” is in every sentence.
const SHORT: usize = 3;
/// Fields of the API's answers that hold words of its own, digests or instants, never a person's.
const MACHINE_WORDS: [&str; 11] = [
    "basis", "counts", "kind", "source", "setup", "at", "begin", "end", "since", "until", "from",
];

/// Names and what stands for them, the longest first.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Names(Vec<(String, String)>);

/// Why a list of names can't be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadRename {
    /// Not a pair.
    #[error("“{0}” is not NAME=OTHER")]
    NoPair(String),
    /// Nobody is called that.
    #[error("nobody in this bank is called “{name}”; there is: {}", known.join(", "))]
    Unknown {
        /// The name.
        name: String,
        /// Who there is.
        known: Vec<String>,
    },
    /// Two would be called the same.
    #[error("two would be called “{0}”")]
    Twice(String),
}

impl Names {
    /// Reads `NAME=OTHER` pairs; with none, everybody keeps their name. With any, whoever is not named is called
    /// by what they are, so that no name is left by oversight.
    ///
    /// # Errors
    /// Where a pair isn't one, names nobody, or gives two the same name.
    pub fn read(pairs: &[String], setup: &Setup, bank: &Bank) -> Result<Self, BadRename> {
        if pairs.is_empty() {
            return Ok(Self::default());
        }
        let packs = bank
            .packs
            .iter()
            .map(|pack| setup.entry(pack.instrument).id.clone());
        let mut known: Vec<String> = packs.collect();
        known.push(setup.entry(bank.reference.instrument).id.clone());
        if !known.contains(&bank.id) {
            known.push(bank.id.clone());
        }
        let mut names: Vec<(String, String)> = Vec::new();
        for pair in pairs {
            let (name, other) = pair
                .split_once('=')
                .filter(|(_, other)| !other.is_empty())
                .ok_or_else(|| BadRename::NoPair(pair.clone()))?;
            if !known.iter().any(|one| one == name) {
                return Err(BadRename::Unknown {
                    name: name.to_owned(),
                    known,
                });
            }
            names.push((name.to_owned(), other.to_owned()));
        }
        for (place, name) in known.iter().enumerate() {
            if names.iter().any(|(one, _)| one == name) {
                continue;
            }
            let is_free = |other: &String| names.iter().all(|(_, taken)| taken != other);
            let other = match bank.packs.len().checked_sub(place) {
                None => "bank".to_owned(),
                Some(0) => "reference".to_owned(),
                Some(_) => (1..=known.len())
                    .map(|number| format!("P{number}"))
                    .find(is_free)
                    .unwrap_or_default(),
            };
            names.push((name.clone(), other));
        }
        for (place, (_, other)) in names.iter().enumerate() {
            if names[..place].iter().any(|(_, one)| one == other) {
                return Err(BadRename::Twice(other.clone()));
            }
        }
        let others = setup.banks.iter().map(|bank| &bank.id);
        let others = others.chain(setup.instruments.iter().map(|entry| &entry.id));
        for other in others.filter(|other| !known.contains(other)) {
            names.push((other.clone(), "[name]".to_owned()));
        }
        names.extend(private_words(setup));
        names.sort_by_key(|(name, _)| std::cmp::Reverse(name.len()));
        Ok(Self(names))
    }

    /// What somebody is called.
    #[must_use]
    pub fn of<'a>(&'a self, name: &'a str) -> &'a str {
        let renamed = self.0.iter().find(|(one, _)| one == name);
        renamed.map_or(name, |(_, other)| other)
    }

    /// A text with every name in it replaced, whatever the case of its letters.
    #[must_use]
    pub fn in_text(&self, text: &str) -> String {
        // Letters beyond ASCII keep their bytes, so that places in both texts agree.
        let lower = text.to_ascii_lowercase();
        let mut replaced = String::with_capacity(text.len());
        let mut at = 0;
        while let Some(letter) = text[at..].chars().next() {
            let found = self
                .0
                .iter()
                .find(|(name, _)| stands_at(&lower, at, &name.to_ascii_lowercase()));
            if let Some((name, other)) = found {
                replaced.push_str(other);
                at += name.len();
            } else {
                replaced.push(letter);
                at += letter.len_utf8();
            }
        }
        replaced
    }

    /// Replaces the names in an answer of the API.
    pub fn in_document(&self, document: &mut Value) {
        match document {
            Value::String(text) => *text = self.in_text(text),
            Value::Array(values) => values.iter_mut().for_each(|value| self.in_document(value)),
            Value::Object(fields) => {
                for (field, value) in fields {
                    if !(value.is_string() && MACHINE_WORDS.contains(&field.as_str())) {
                        self.in_document(value);
                    }
                }
            }
            _ => {}
        }
    }

    /// Whether anybody is called otherwise than in the setup.
    #[must_use]
    pub fn hide(&self) -> bool {
        !self.0.is_empty()
    }
}

fn stands_at(text: &str, at: usize, name: &str) -> bool {
    if !text[at..].starts_with(name) {
        return false;
    }
    let is_part = |neighbour: Option<char>| neighbour.is_some_and(char::is_alphanumeric);
    let alone = !is_part(text[..at].chars().next_back()) && !is_part(text[at + name.len()..].chars().next());
    alone || name.len() > SHORT
}

/// Topics, paths, hosts and users of the setup, which somebody may have written into a note.
fn private_words(setup: &Setup) -> Vec<(String, String)> {
    let mut words = Vec::new();
    let mut hide = |word: &str, other: &str| {
        if !word.is_empty() && !words.iter().any(|(known, _)| known == word) {
            words.push((word.to_owned(), other.to_owned()));
        }
    };
    for path in paths(setup) {
        // As the setup file has it, where that isn't an everyday word, and as anybody else would write it.
        let telling = path.components().count() > 1 || path.extension().is_some();
        let absolute = std::path::absolute(&path).ok();
        for path in telling.then_some(path).into_iter().chain(absolute) {
            hide(&path.display().to_string(), "[path]");
            if let Some(folder) = path.parent() {
                hide(&folder.display().to_string(), "[path]");
            }
        }
    }
    if let Broker::Theirs(mqtt) = &setup.broker {
        hide(&mqtt.host, "[host]");
        hide(mqtt.username.as_deref().unwrap_or_default(), "[user]");
    }
    if let Some(publish) = &setup.publish {
        hide(&format!("{}/", publish.prefix), "[topic]/");
    }
    for source in &setup.sources {
        for entry in &setup.instruments {
            for channel in Channel::ALL {
                let level = |parts: &Vec<Part>| {
                    let part = |part: &Part| match part {
                        Part::Text(text) => text.clone(),
                        Part::Instrument => entry.id.clone(),
                        Part::Channel => channel.name().to_owned(),
                    };
                    parts.iter().map(part).collect::<String>()
                };
                let levels: Vec<_> = source.topic.levels.iter().map(level).collect();
                hide(&levels.join("/"), "[topic]");
            }
        }
    }
    // A folder like “/” is in every path, and no secret.
    words.retain(|(word, _)| word.len() > SHORT);
    words
}

/// Every file and folder that the setup names.
fn paths(setup: &Setup) -> Vec<PathBuf> {
    let mut paths = vec![setup.store.path.clone()];
    paths.extend(setup.backup.as_ref().map(|plan| plan.folder.clone()));
    paths.extend(setup.report.as_ref().map(|plan| plan.folder.clone()));
    paths.extend(setup.api.token_file.clone());
    if let Broker::Theirs(mqtt) = &setup.broker {
        paths.extend(mqtt.password_file.clone());
        paths.extend(mqtt.ca_file.clone());
        if let Some(shown) = &mqtt.client_certificate {
            paths.extend([shown.certificate.clone(), shown.key.clone()]);
        }
    }
    paths
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use serde_json::json;

    use super::*;
    use crate::config;

    fn names() -> Names {
        let pair = |name: &str, other: &str| (name.to_owned(), other.to_owned());
        Names(vec![
            pair("skerry/tern/reading", "[topic]"),
            pair("skerry", "bank"),
            pair("tern", "P1"),
            pair("b2", "P2"),
        ])
    }

    #[test]
    fn names_in_a_text_are_replaced_whatever_their_case() {
        let names = names();
        assert_eq!(
            names.in_text("Tern’s fuse; B2 too, b20 not"),
            "P1’s fuse; P2 too, b20 not"
        );
        assert_eq!(
            names.in_text("SKERRY/tern/reading ist für TERN"),
            "[topic] ist für P1"
        );
        assert_eq!(names.of("tern"), "P1");
    }

    #[test]
    fn an_answer_keeps_its_own_words() {
        let mut document = json!({"packs": [{"pack": "tern", "basis": "closed", "text": "on skerry"}]});
        names().in_document(&mut document);
        assert_eq!(
            document,
            json!({"packs": [{"pack": "P1", "basis": "closed", "text": "on bank"}]})
        );
    }

    #[test]
    fn no_name_topic_path_or_host_of_the_setup_is_left() {
        let text = concat!(
            include_str!("../../demo-data/skerry.toml"),
            r#"
[mqtt]
url = "mqtts://lighthouse:8883"
username = "keeper"
password_file = "/etc/lamp/word"
ca_file = "/etc/lamp/ca.pem"
cert_file = "/etc/lamp/cert.pem"
key_file = "key.pem"
[api]
token_file = "secret/tokens"
[publish]
prefix = "cliff/told"
[backup]
folder = "/mnt/copies"
[report]
folder = "/var/www/winter"
[[bank]]
id = "stack"
chemistry = "lfp"
cells_in_series = 16
full = { volts = 56.0 }
reference = { id = "auk" }
pack = [{ id = "puffin", capacity_ah = 200, revision = "A" }]
"#
        );
        let setup = config::parse("setup.toml", text, Path::new("")).unwrap();
        let names = Names::read(&["tern=T".to_owned()], &setup, &setup.banks[0]).unwrap();
        for word in [
            "shunt",
            "tern",
            "skerry",
            "stack",
            "auk",
            "puffin",
            "lighthouse",
            "keeper",
            "/etc/lamp/word",
            "/etc/lamp",
            "/etc/lamp/ca.pem",
            "/etc/lamp/cert.pem",
            "key.pem",
            "secret/tokens",
            "cliff/told/stack/drift",
            "/mnt/copies",
            "/var/www/winter/report.html",
            "skerry/puffin/reading",
            "packdrift.sqlite",
        ] {
            let told = names.in_text(&format!("see {word} there"));
            assert!(!told.contains(word), "{told}");
        }
        assert_eq!(
            names.in_text("the board reports backups"),
            "the board reports backups"
        );
    }
}
