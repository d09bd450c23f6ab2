//! What the columns of one file mean, from its header, the map and the setup.

use std::collections::{BTreeMap, HashMap};

use super::{
    map::{Charging, Column, Map, More, Name},
    rows::Rows,
    trouble::Trouble,
};
use crate::{
    api::field,
    config::Setup,
    reading::{Channel, Instrument},
    unit,
};

/// A value of a row.
#[derive(Debug, Clone, Copy)]
pub(super) struct ValueAt {
    pub(super) column: usize,
    pub(super) channel: Channel,
    /// Whose it is, where the row doesn't say.
    pub(super) instrument: Option<Instrument>,
    /// Makes A, V, %, Ah or °C of the number.
    pub(super) scale: f64,
    pub(super) charging_negative: bool,
}

/// Whose a row is.
pub(super) enum Who {
    Fixed(Instrument),
    Column {
        column: usize,
        known: HashMap<String, Instrument>,
    },
    /// Each value says it.
    Values,
}

pub(super) enum Shape {
    /// Several values a row.
    Wide(Vec<ValueAt>),
    /// One value a row, and its name.
    Long {
        name: usize,
        unit: Option<usize>,
        series: HashMap<String, (usize, ValueAt)>,
    },
}

/// What the columns of a file mean.
pub(super) struct Columns {
    pub(super) time: usize,
    pub(super) and: Option<usize>,
    pub(super) zone: Option<usize>,
    pub(super) who: Who,
    pub(super) shape: Shape,
}

impl Columns {
    pub(super) fn find(map: &Map, rows: &mut Rows, setup: &Setup) -> Result<Self, Trouble> {
        let mut optional = |name: &Option<String>| name.as_deref().map(|name| rows.column(name)).transpose();
        let (and, zone) = (optional(&map.time.and)?, optional(&map.time.zone_column)?);
        let time = rows.column(&map.time.column)?;
        let who = match &map.instrument {
            None => Who::Values,
            Some(Name::Fixed(name)) => Who::Fixed(instrument(setup, name)?),
            Some(Name::Column(by)) => {
                let ours = setup
                    .all_instruments()
                    .map(|each| (setup.entry(each).id.clone(), each));
                let mut known: HashMap<String, Instrument> = ours.collect();
                for (theirs, name) in &by.names {
                    known.insert(theirs.clone(), instrument(setup, name)?);
                }
                Who::Column {
                    column: rows.column(&by.column)?,
                    known,
                }
            }
        };
        let shape = match &map.long {
            Some(long) => {
                let (name, value) = (rows.column(&long.name)?, rows.column(&long.value)?);
                let unit = long.unit.as_deref().map(|unit| rows.column(unit)).transpose()?;
                let mut series = HashMap::new();
                for (place, (theirs, column)) in long.names.iter().enumerate() {
                    let at = value_at(setup, map, value, theirs, None, column)?;
                    series.insert(theirs.clone(), (place, at));
                }
                Shape::Long { name, unit, series }
            }
            None => {
                let used: Vec<usize> = [Some(time), and, zone].into_iter().flatten().collect();
                Shape::Wide(wide(setup, map, rows, &used)?)
            }
        };
        let columns = Self {
            time,
            and,
            zone,
            who,
            shape,
        };
        columns.all_have_an_instrument(rows)?;
        Ok(columns)
    }

    fn all_have_an_instrument(&self, rows: &Rows) -> Result<(), Trouble> {
        if !matches!(self.who, Who::Values) {
            return Ok(());
        }
        let nobody = |what: &str| {
            Trouble::at(
                rows.header_line(),
                format!("nothing says which instrument “{what}” is of"),
                "write instrument = \"…\" into the map, or into the column's entry",
            )
        };
        match &self.shape {
            Shape::Wide(values) => {
                let lone = values.iter().find(|at| at.instrument.is_none());
                lone.map_or(Ok(()), |at| Err(nobody(&rows.header()[at.column])))
            }
            Shape::Long { series, .. } => {
                let lone = series.iter().find(|(_, (_, at))| at.instrument.is_none());
                lone.map_or(Ok(()), |(name, _)| Err(nobody(name)))
            }
        }
    }
}

fn wide(setup: &Setup, map: &Map, rows: &mut Rows, used: &[usize]) -> Result<Vec<ValueAt>, Trouble> {
    let line = rows.header_line();
    let named = if map.columns.is_empty() {
        called_like_channels(rows, used)
    } else {
        map.columns.clone()
    };
    let mut values: Vec<ValueAt> = Vec::new();
    for (heading, column) in &named {
        let place = rows.column(heading)?;
        let (_, unit) = unit::heading(heading);
        let at = value_at(setup, map, place, heading, unit.as_deref(), column)?;
        if let Some(other) = values
            .iter()
            .find(|other| other.channel == at.channel && other.instrument == at.instrument)
        {
            return Err(Trouble::at(
                line,
                format!(
                    "“{}” and “{heading}” are both the {} of one instrument",
                    rows.header()[other.column],
                    at.channel.name()
                ),
                "name the one that counts under [columns] in the map",
            ));
        }
        values.push(at);
    }
    if values.is_empty() {
        return Err(Trouble::at(
            line,
            "no column is called like a channel",
            "name them in a map under [columns], like \"Amps\" = \"current\"",
        ));
    }
    Ok(values)
}

/// Columns whose headings are channels' names, with a unit in any style.
fn called_like_channels(rows: &Rows, used: &[usize]) -> BTreeMap<String, Column> {
    let headings = rows
        .header()
        .iter()
        .enumerate()
        .filter(|(place, _)| !used.contains(place));
    let mut named: BTreeMap<String, Column> = BTreeMap::new();
    let mut found = Vec::new();
    for (_, heading) in headings {
        let (name, _) = unit::heading(heading);
        let name = if name == "state_of_charge" { "soc" } else { &name };
        if let Some(channel) = Channel::named(name) {
            found.push(channel);
            named.insert(heading.clone(), Column::Channel(name.to_owned()));
        }
    }
    if matches!(rows, Rows::JsonLines(_)) {
        // An object has only what is known; a later one may have more than the first.
        for channel in Channel::ALL
            .into_iter()
            .filter(|channel| !found.contains(channel))
        {
            named.insert(
                field(channel).to_owned(),
                Column::Channel(channel.name().to_owned()),
            );
        }
    }
    named
}

fn value_at(
    setup: &Setup,
    map: &Map,
    column: usize,
    heading: &str,
    heading_unit: Option<&str>,
    meaning: &Column,
) -> Result<ValueAt, Trouble> {
    let more = match meaning {
        Column::Channel(channel) => More {
            channel: channel.clone(),
            instrument: None,
            unit: None,
            scale: None,
            charging: None,
        },
        Column::More(more) => more.clone(),
    };
    let channel = Channel::named(&more.channel).ok_or_else(|| {
        Trouble::whole(
            format!(
                "the map calls “{heading}” a “{}”, which is no channel",
                more.channel
            ),
            format!("the channels are: {}", Channel::ALL.map(Channel::name).join(", ")),
        )
    })?;
    let known_scale = |unit: &str| {
        unit::scale(channel, unit).ok_or_else(|| {
            Trouble::whole(
                format!(
                    "“{heading}” is in {unit}, which is no unit of the channel {}",
                    channel.name()
                ),
                "mend the channel or the unit in the map; other units are taken with `scale`",
            )
        })
    };
    let scale = match (&more.unit, heading_unit, more.scale) {
        (Some(unit), Some(other), _) if !alike(known_scale(unit)?, known_scale(other)?) => {
            return Err(Trouble::whole(
                format!("“{heading}” says {other}, the map says {unit}"),
                "mend the one that is wrong",
            ));
        }
        (Some(unit), _, scale) => known_scale(unit)? * scale.unwrap_or(1.0),
        (None, Some(unit), None) => known_scale(unit)?,
        (None, _, scale) => scale.unwrap_or(1.0),
    };
    Ok(ValueAt {
        column,
        channel,
        instrument: more
            .instrument
            .as_deref()
            .map(|name| instrument(setup, name))
            .transpose()?,
        scale,
        charging_negative: more.charging.unwrap_or(map.charging) == Charging::Negative,
    })
}

/// Whether two units are the same; those there are differ far more, but for rounding.
fn alike(scale: f64, other: f64) -> bool {
    (scale / other - 1.0).abs() < 1e-9
}

fn instrument(setup: &Setup, name: &str) -> Result<Instrument, Trouble> {
    setup.instrument(name).ok_or_else(|| {
        let names: Vec<_> = setup.instruments.iter().map(|entry| entry.id.as_str()).collect();
        Trouble::whole(
            format!("the map names “{name}”, which is no instrument of the setup"),
            format!("the instruments are: {}", names.join(", ")),
        )
    })
}
