//! SenML packs (RFC 8428) in JSON and CBOR, resolved to records that stand by themselves.
//!
//! What a record's name says about channels is `decode`'s.

use ciborium::Value as Cbor;
use serde_json::Value as Json;

use crate::reading::{Reason, Refusal};

/// The version of RFC 8428; nothing later is understood.
const VERSION: f64 = 10.0;
/// Times below this are relative to now (RFC 8428, section 4.5.3), s.
const ABSOLUTE_S: f64 = 268_435_456.0;

/// One record with its base fields worked in.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// The whole name.
    pub name: String,
    /// The unit.
    pub unit: Option<String>,
    /// When.
    pub time: Time,
    /// What it says; `None` where it only says a sum or data.
    pub value: Option<Value>,
}

/// When a record holds, s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Time {
    /// Since 1970-01-01T00:00:00Z.
    Absolute(f64),
    /// Since now, mostly negative.
    Relative(f64),
}

/// What a record says.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// A number.
    Number(f64),
    /// A text.
    Text(String),
    /// Yes or no.
    Switch(bool),
}

/// The fields of one record as they are sent.
#[derive(Debug, Default)]
struct Fields {
    base_name: Option<String>,
    base_time: Option<f64>,
    base_unit: Option<String>,
    base_value: Option<f64>,
    version: Option<f64>,
    name: Option<String>,
    unit: Option<String>,
    time: Option<f64>,
    number: Option<f64>,
    text: Option<String>,
    switch: Option<bool>,
}

/// Resolves a pack: JSON, or CBOR where the first byte is that of a CBOR array.
///
/// # Errors
/// Where it is no pack, of a later version, or has a field that must be understood and isn't.
pub fn resolve(body: &[u8]) -> Result<Vec<Record>, Refusal> {
    match body.first() {
        None => Err(refusal(Reason::Empty, "the body has no bytes")),
        Some(&first) if is_cbor(first) => {
            let pack = ciborium::from_reader(body);
            of_cbor(pack.map_err(|error| malformed(format!("not CBOR: {error}")))?)
        }
        Some(_) => {
            let pack = serde_json::from_slice(body);
            of_json(&pack.map_err(|error| malformed(format!("not JSON: {error}")))?)
        }
    }
}

/// Whether a pack that begins with this byte is CBOR: major type 4 or a tag (RFC 8949, section 3.1); JSON never begins
/// so.
#[must_use]
pub fn is_cbor(first: u8) -> bool {
    matches!(first, 0x80..=0x9f | 0xc0..=0xdf)
}

/// Resolves a pack that was read as JSON.
///
/// # Errors
/// As [`resolve`].
pub fn of_json(pack: &Json) -> Result<Vec<Record>, Refusal> {
    resolved(from_json(pack)?)
}

/// Resolves a pack that was read as CBOR.
///
/// # Errors
/// As [`resolve`].
pub fn of_cbor(pack: Cbor) -> Result<Vec<Record>, Refusal> {
    resolved(from_cbor(pack)?)
}

fn resolved(packed: Vec<Fields>) -> Result<Vec<Record>, Refusal> {
    let mut base = Fields::default();
    let mut records = Vec::new();
    for fields in packed {
        if fields.version.is_some_and(|version| version > VERSION) {
            return Err(malformed("the pack is of a later version of SenML"));
        }
        base.base_name = fields.base_name.or(base.base_name);
        base.base_time = fields.base_time.or(base.base_time);
        base.base_unit = fields.base_unit.or(base.base_unit);
        base.base_value = fields.base_value.or(base.base_value);
        let name = format!(
            "{}{}",
            base.base_name.as_deref().unwrap_or_default(),
            fields.name.unwrap_or_default()
        );
        if !is_name(&name) {
            return Err(malformed(format!("{name:?} is no name of a record")));
        }
        let time = base.base_time.unwrap_or(0.0) + fields.time.unwrap_or(0.0);
        let number = match (fields.number, base.base_value) {
            (None, None) => None,
            (number, base) => Some(number.unwrap_or(0.0) + base.unwrap_or(0.0)),
        };
        let other = match (fields.text, fields.switch) {
            (Some(text), _) => Some(Value::Text(text)),
            (None, switch) => switch.map(Value::Switch),
        };
        records.push(Record {
            name,
            unit: fields.unit.or_else(|| base.base_unit.clone()),
            time: if time < ABSOLUTE_S {
                Time::Relative(time)
            } else {
                Time::Absolute(time)
            },
            value: other.or(number.map(Value::Number)),
        });
    }
    Ok(records)
}

/// Section 4.5.1: letters, digits and a few signs, beginning with a letter or digit.
fn is_name(name: &str) -> bool {
    name.starts_with(|first: char| first.is_ascii_alphanumeric())
        && name
            .chars()
            .all(|letter| letter.is_ascii_alphanumeric() || matches!(letter, '-' | ':' | '.' | '/' | '_'))
}

fn from_json(pack: &Json) -> Result<Vec<Fields>, Refusal> {
    let records = pack.as_array().ok_or_else(|| malformed("a pack is an array"))?;
    records
        .iter()
        .map(|record| {
            let record = record
                .as_object()
                .ok_or_else(|| malformed("a record is an object"))?;
            let mut fields = Fields::default();
            for (label, value) in record {
                let given = match value {
                    Json::Number(number) => Given::Number(number.as_f64().unwrap_or(f64::NAN)),
                    Json::String(text) => Given::Text(text.clone()),
                    Json::Bool(on) => Given::Switch(*on),
                    _ => Given::Other,
                };
                fields.put(label, given)?;
            }
            Ok(fields)
        })
        .collect()
}

fn from_cbor(mut pack: Cbor) -> Result<Vec<Fields>, Refusal> {
    while let Cbor::Tag(_, inner) = pack {
        pack = *inner;
    }
    let records = pack.as_array().ok_or_else(|| malformed("a pack is an array"))?;
    records
        .iter()
        .map(|record| {
            let record = record.as_map().ok_or_else(|| malformed("a record is a map"))?;
            let mut fields = Fields::default();
            for (label, value) in record {
                let label = match label {
                    Cbor::Text(label) => label.as_str(),
                    Cbor::Integer(number) => label_of(i128::from(*number)),
                    _ => return Err(malformed("a label is a number or a text")),
                };
                let given = match value {
                    Cbor::Text(text) => Given::Text(text.clone()),
                    Cbor::Bool(on) => Given::Switch(*on),
                    other => cbor_number(other).map_or(Given::Other, Given::Number),
                };
                fields.put(label, given)?;
            }
            Ok(fields)
        })
        .collect()
}

/// Table 6 of RFC 8428; later ones are not among them and may be passed over.
fn label_of(number: i128) -> &'static str {
    match number {
        -1 => "bver",
        -2 => "bn",
        -3 => "bt",
        -4 => "bu",
        -5 => "bv",
        0 => "n",
        1 => "u",
        2 => "v",
        3 => "vs",
        4 => "vb",
        6 => "t",
        _ => "",
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "numbers in SenML are double precision at most"
)]
fn cbor_number(value: &Cbor) -> Option<f64> {
    match value {
        Cbor::Integer(number) => Some(i128::from(*number) as f64),
        Cbor::Float(number) => Some(*number),
        // A decimal fraction: exponent and mantissa (RFC 8949, section 3.4.4).
        Cbor::Tag(4, inner) => {
            let [Cbor::Integer(exponent), Cbor::Integer(mantissa)] = inner.as_array()?.as_slice() else {
                return None;
            };
            // As text, so that 12345 and -2 give what 123.45 gives.
            format!("{}e{}", i128::from(*mantissa), i128::from(*exponent))
                .parse()
                .ok()
        }
        _ => None,
    }
}

/// A field's value, as far as any field needs it.
enum Given {
    Number(f64),
    Text(String),
    Switch(bool),
    Other,
}

impl Fields {
    fn put(&mut self, label: &str, given: Given) -> Result<(), Refusal> {
        let place = match (label, given) {
            ("bn", Given::Text(text)) => self.base_name.replace(text).map(drop),
            ("bu", Given::Text(text)) => self.base_unit.replace(text).map(drop),
            ("n", Given::Text(text)) => self.name.replace(text).map(drop),
            ("u", Given::Text(text)) => self.unit.replace(text).map(drop),
            ("vs", Given::Text(text)) => self.text.replace(text).map(drop),
            ("vb", Given::Switch(on)) => self.switch.replace(on).map(drop),
            ("bt", Given::Number(number)) => self.base_time.replace(number).map(drop),
            ("bv", Given::Number(number)) => self.base_value.replace(number).map(drop),
            ("bver", Given::Number(number)) => self.version.replace(number).map(drop),
            ("t", Given::Number(number)) => self.time.replace(number).map(drop),
            ("v", Given::Number(number)) => self.number.replace(number).map(drop),
            ("bn" | "bu" | "n" | "u" | "vs" | "vb" | "bt" | "bv" | "bver" | "t" | "v", _) => {
                return Err(malformed(format!(
                    "the field {label:?} has a value of another kind"
                )));
            }
            // Section 4.4: whoever doesn't understand such a field must not use the record.
            (label, _) if label.ends_with('_') => {
                return Err(malformed(format!(
                    "the field {label:?} must be understood and isn't"
                )));
            }
            _ => None,
        };
        match place {
            None => Ok(()),
            Some(()) => Err(malformed(format!("the field {label:?} stands twice in a record"))),
        }
    }
}

fn malformed(detail: impl Into<String>) -> Refusal {
    refusal(Reason::Malformed, detail)
}

fn refusal(reason: Reason, detail: impl Into<String>) -> Refusal {
    Refusal {
        reason,
        detail: detail.into(),
    }
}
