//! The map: a small TOML file that says what the columns of somebody's log mean.
//!
//! Here it is only read; whether a file has such columns, and the setup such instruments, is `columns`'.

use std::{collections::BTreeMap, path::Path};

use serde::Deserialize;

use crate::reading::Channel;

/// Why a map can't be used.
#[derive(Debug, thiserror::Error)]
pub enum MapError {
    /// It can't be read.
    #[error("the map {path} can't be read")]
    Read {
        /// The file.
        path: String,
        /// What the system says.
        source: std::io::Error,
    },
    /// It is no map.
    #[error("the map {path} is wrong")]
    Wrong {
        /// The file.
        path: String,
        /// Where and why.
        source: toml::de::Error,
    },
}

/// A map as written.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Map {
    /// `csv`, `json_lines`, `senml` or `parquet`; left out: as the file begins.
    pub format: Option<Format>,
    /// What stands between fields; left out: as the header shows.
    pub delimiter: Option<String>,
    /// `.` or `,`; left out: both are understood where there is no doubt.
    pub decimal: Option<char>,
    /// Lines before the header that say something else.
    #[serde(default)]
    pub skip_lines: u64,
    /// What the columns are called, where the file has no header.
    pub header: Option<Vec<String>>,
    /// When.
    pub time: Time,
    /// Whose log it is, where no column says so.
    pub instrument: Option<Name>,
    /// `positive` or `negative`: how charging is reported, unless a column says otherwise.
    #[serde(default)]
    pub charging: Charging,
    /// Column by column, what it is; left out: columns that are called like channels are.
    #[serde(default)]
    pub columns: BTreeMap<String, Column>,
    /// One value a row, with a name for what it is.
    pub long: Option<Long>,
    /// A row only where something changed; a value holds until the next.
    pub state_changes: Option<StateChanges>,
    /// What else stands for no value.
    #[serde(default)]
    pub missing: Vec<String>,
}

/// How a file is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Format {
    /// RFC 4180 and its relatives.
    Csv,
    /// A JSON object a line.
    JsonLines,
    /// RFC 8428: the columns are `name`, `instrument` and `channel` (the last two parts of the name), `unit`, `value`
    /// and `time`.
    Senml,
    /// Apache Parquet.
    Parquet,
}

/// How charging is reported.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Charging {
    /// As packdrift has it.
    #[default]
    Positive,
    /// The other way round.
    Negative,
}

/// `[time]`.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Time {
    /// The column.
    #[serde(default)]
    pub column: String,
    /// A second column, where date and time of day stand apart.
    pub and: Option<String>,
    /// As in strftime(3), e.g. `%d.%m.%Y %H:%M:%S`; left out: RFC 3339 and its relatives, or s or ms since 1970.
    pub format: Option<String>,
    /// Where the clock is, for times without an offset: a name like `Europe/Oslo`, `UTC`, or an offset like `+01:00`.
    pub zone: Option<String>,
    /// The column that names the zone of each row.
    pub zone_column: Option<String>,
    /// Which one is meant where the clock showed an hour twice; left out: as the order of rows shows.
    pub fold: Option<Fold>,
}

/// Which of two passes of an hour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Fold {
    /// The first one.
    Earlier,
    /// The second one.
    Later,
}

/// An instrument: by name, or by a column.
#[derive(Debug, Clone, Deserialize)]
#[serde(
    untagged,
    expecting = "write instrument = \"tern\" or instrument = { column = \"device\" }"
)]
pub enum Name {
    /// Always this one.
    Fixed(String),
    /// As the column says.
    Column(NameColumn),
}

/// `instrument = { column = …, names = { … } }`.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NameColumn {
    /// The column.
    pub column: String,
    /// What it calls instruments, where it doesn't use the setup's names.
    #[serde(default)]
    pub names: BTreeMap<String, String>,
}

/// What a column, or a name in a long file, is.
#[derive(Debug, Clone, Deserialize)]
#[serde(
    untagged,
    expecting = "write a channel, or { channel = \"current\", instrument = \"tern\", unit = \"mA\" }"
)]
pub enum Column {
    /// A channel of the row's instrument.
    Channel(String),
    /// More than that.
    More(More),
}

/// `{ channel = …, … }`.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct More {
    /// The channel.
    pub channel: String,
    /// Whose it is, where the row doesn't say.
    pub instrument: Option<String>,
    /// The unit; left out: the heading's, else the channel's own.
    pub unit: Option<String>,
    /// What the number is multiplied with, beside the unit.
    pub scale: Option<f64>,
    /// How charging is reported here.
    pub charging: Option<Charging>,
}

/// `[long]`.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Long {
    /// The column with the name of what the value is.
    pub name: String,
    /// The column with the value.
    pub value: String,
    /// The column with the unit, where each row says it.
    pub unit: Option<String>,
    /// Name by name, what it is. Rows of other names are left out.
    pub names: BTreeMap<String, Column>,
}

/// `[state_changes]`.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StateChanges {
    /// How long a value is taken to hold at most, e.g. `"2h"`.
    pub longest_hold: String,
}

impl Map {
    /// Reads a map.
    ///
    /// # Errors
    /// Where it can't be read, or is none.
    pub fn read(path: &Path) -> Result<Self, MapError> {
        let shown = path.display().to_string();
        let text = std::fs::read_to_string(path).map_err(|source| MapError::Read {
            path: shown.clone(),
            source,
        })?;
        toml::from_str(&text).map_err(|source| MapError::Wrong { path: shown, source })
    }

    /// The map of a file that needs none: of `SenML` whose names end in an instrument and a channel, and of the
    /// readings that packdrift itself exports.
    #[must_use]
    pub fn own(format: Format) -> Self {
        if format == Format::Senml {
            let names = Channel::ALL.map(|channel| {
                (
                    channel.name().to_owned(),
                    Column::Channel(channel.name().to_owned()),
                )
            });
            return Self {
                time: Time {
                    column: "time".into(),
                    ..Time::default()
                },
                long: Some(Long {
                    name: "channel".into(),
                    value: "value".into(),
                    unit: Some("unit".into()),
                    names: names.into(),
                }),
                ..Self::own(Format::Csv)
            };
        }
        Self {
            time: Time {
                column: "at".into(),
                ..Time::default()
            },
            instrument: Some(Name::Column(NameColumn {
                column: "instrument".into(),
                names: BTreeMap::new(),
            })),
            decimal: Some('.'),
            ..Self::default()
        }
    }
}
