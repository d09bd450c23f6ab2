//! Reads a TOML table key by key. Every key that is asked for is thereby known; what was never asked for is wrong.

use std::{cell::RefCell, ops::Range, time::Duration};

use toml::{
    Spanned,
    de::{DeTable, DeValue},
};

use super::{duration, finding::Findings};

/// A value and where it stands in the file.
#[derive(Debug, Clone)]
pub(super) struct Written<T> {
    pub(super) value: T,
    pub(super) place: Range<usize>,
}

/// A table being read.
pub(super) struct Table<'f> {
    /// As in the file, e.g. `[bank.reference]`.
    name: &'static str,
    pub(super) place: Range<usize>,
    entries: &'f DeTable<'f>,
    asked: RefCell<Vec<&'static str>>,
    pub(super) findings: &'f Findings,
}

impl<'f> Table<'f> {
    pub(super) fn new(
        name: &'static str,
        table: &'f DeTable<'f>,
        place: Range<usize>,
        findings: &'f Findings,
    ) -> Self {
        Self {
            name,
            place,
            entries: table,
            asked: RefCell::default(),
            findings,
        }
    }

    fn get(&self, key: &'static str) -> Option<&'f Spanned<DeValue<'f>>> {
        self.asked.borrow_mut().push(key);
        self.entries.get(key)
    }

    fn mistyped(&self, key: &str, value: &Spanned<DeValue<'_>>, wanted: &str, example: &str) {
        self.findings.add(
            &value.span(),
            format!("`{key}` under {} is no {wanted}", self.name),
            format!("this is {}", kind(value.get_ref())),
            format!("write it like this: {key} = {example}"),
        );
    }

    pub(super) fn text(&self, key: &'static str) -> Option<Written<String>> {
        let value = self.get(key)?;
        match value.get_ref() {
            DeValue::String(text) => Some(Written {
                value: text.to_string(),
                place: value.span(),
            }),
            _ => {
                self.mistyped(key, value, "text", "\"…\"");
                None
            }
        }
    }

    pub(super) fn required_text(&self, key: &'static str, example: &str) -> Option<Written<String>> {
        self.require(key, example).then(|| self.text(key)).flatten()
    }

    pub(super) fn number(&self, key: &'static str) -> Option<Written<f64>> {
        let value = self.get(key)?;
        let number = match value.get_ref() {
            DeValue::Integer(integer) => integer.as_str().parse::<f64>().ok(),
            DeValue::Float(float) => float.as_str().parse::<f64>().ok(),
            _ => None,
        };
        if let Some(number) = number.filter(|number| number.is_finite()) {
            return Some(Written {
                value: number,
                place: value.span(),
            });
        }
        self.mistyped(key, value, "number", "1.5");
        None
    }

    pub(super) fn required_number(&self, key: &'static str, example: &str) -> Option<Written<f64>> {
        self.require(key, example).then(|| self.number(key)).flatten()
    }

    /// A number that must lie in a range, which `wanted` says in words.
    pub(super) fn number_within(
        &self,
        key: &'static str,
        within: impl FnOnce(f64) -> bool,
        wanted: &str,
    ) -> Option<f64> {
        let number = self.number(key)?;
        if within(number.value) {
            return Some(number.value);
        }
        self.findings.add(
            &number.place,
            format!("`{key}` can't be {}", number.value),
            "this value",
            format!("`{key}` must be {wanted}"),
        );
        None
    }

    pub(super) fn boolean(&self, key: &'static str) -> Option<bool> {
        let value = self.get(key)?;
        match value.get_ref() {
            DeValue::Boolean(boolean) => Some(*boolean),
            _ => {
                self.mistyped(key, value, "yes or no", "true");
                None
            }
        }
    }

    pub(super) fn duration(&self, key: &'static str, longest: Option<Duration>) -> Option<Duration> {
        let text = self.text(key)?;
        match duration(&text.value) {
            Ok(duration) if longest.is_none_or(|longest| duration <= longest) => Some(duration),
            Ok(_) => {
                self.findings.add(
                    &text.place,
                    format!("`{key}` is too long"),
                    "this duration",
                    format!("`{key}` may be {:?} at most", longest.unwrap_or_default()),
                );
                None
            }
            Err(why) => {
                self.findings.add(
                    &text.place,
                    format!("`{key}` can't be used: {why}"),
                    "this duration",
                    "write a positive duration like \"5m\", \"12h\" or \"PT5M\"",
                );
                None
            }
        }
    }

    /// An instant: a TOML date-time with an offset, or the same as text. In ms since 1970.
    pub(super) fn instant(&self, key: &'static str) -> Option<Written<i64>> {
        let value = self.get(key)?;
        let text = match value.get_ref() {
            DeValue::Datetime(datetime) => datetime.to_string(),
            DeValue::String(text) => text.to_string(),
            _ => String::new(),
        };
        if let Ok(instant) = chrono::DateTime::parse_from_rfc3339(&text) {
            return Some(Written {
                value: instant.timestamp_millis(),
                place: value.span(),
            });
        }
        self.mistyped(key, value, "instant with an offset", "2026-01-10T08:00:00Z");
        None
    }

    pub(super) fn table(&self, key: &'static str, name: &'static str) -> Option<Table<'f>> {
        let value = self.get(key)?;
        match value.get_ref() {
            DeValue::Table(table) => Some(Table::new(name, table, value.span(), self.findings)),
            _ => {
                self.mistyped(key, value, "table", "{ … }");
                None
            }
        }
    }

    pub(super) fn tables(&self, key: &'static str, name: &'static str) -> Vec<Table<'f>> {
        let Some(value) = self.get(key) else {
            return Vec::new();
        };
        if let DeValue::Array(array) = value.get_ref() {
            let tables: Vec<_> = array
                .iter()
                .filter_map(|entry| match entry.get_ref() {
                    DeValue::Table(table) => Some(Table::new(name, table, entry.span(), self.findings)),
                    _ => None,
                })
                .collect();
            if tables.len() == array.len() {
                return tables;
            }
        }
        self.findings.add(
            &value.span(),
            format!("`{key}` is no list of tables"),
            format!("this is {}", kind(value.get_ref())),
            format!("begin each entry with {name}"),
        );
        Vec::new()
    }

    /// The entries as they are, for tables whose keys are the user's: key, its place, value.
    pub(super) fn entries(&self) -> impl Iterator<Item = (&'f str, Range<usize>, &'f Spanned<DeValue<'f>>)> {
        self.entries
            .iter()
            .map(|(key, value)| (key.get_ref().as_ref(), key.span(), value))
    }

    /// Whether nothing is written in it.
    pub(super) fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    /// Whether a key is there.
    pub(super) fn has(&self, key: &str) -> bool {
        self.entries.contains_key(key)
    }

    /// Whether a key is there; where not, that is wrong.
    fn require(&self, key: &'static str, example: &str) -> bool {
        let there = self.entries.contains_key(key);
        if !there {
            self.asked.borrow_mut().push(key);
            self.findings.add(
                &self.place,
                format!("{} has no `{key}`", self.name),
                "in here",
                format!("add a line like this: {key} = {example}"),
            );
        }
        there
    }

    /// Says which keys are unknown, once all known ones have been asked for.
    pub(super) fn finish(self) {
        let asked = self.asked.borrow();
        for (key, _) in self.entries {
            let name = key.get_ref().as_ref();
            if asked.contains(&name) {
                continue;
            }
            let mend = match nearest(name, &asked) {
                Some(meant) => format!("did you mean `{meant}`?"),
                None => format!("{} knows: {}", self.name, sorted(&asked).join(", ")),
            };
            self.findings.add(
                &key.span(),
                format!("{} has no key `{name}`", self.name),
                "unknown",
                mend,
            );
        }
    }
}

fn sorted<'a>(names: &[&'a str]) -> Vec<&'a str> {
    let mut names = names.to_vec();
    names.sort_unstable();
    names.dedup();
    names
}

/// The known name that is near enough to what was written to have been meant.
pub(super) fn nearest<'a>(written: &str, known: &[&'a str]) -> Option<&'a str> {
    let distance = |name: &str| edits(&written.to_lowercase(), &name.to_lowercase());
    let name = known.iter().min_by_key(|name| distance(name))?;
    (distance(name) <= 1 + written.chars().count() / 4).then_some(*name)
}

/// Letters to add, drop or change to get from one word to the other.
fn edits(from: &str, to: &str) -> usize {
    let to: Vec<char> = to.chars().collect();
    let mut row: Vec<usize> = (0..=to.len()).collect();
    for (index, letter) in from.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = index + 1;
        for (column, other) in to.iter().enumerate() {
            let changed = diagonal + usize::from(letter != *other);
            diagonal = row[column + 1];
            row[column + 1] = changed.min(row[column] + 1).min(diagonal + 1);
        }
    }
    row[to.len()]
}

fn kind(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}
