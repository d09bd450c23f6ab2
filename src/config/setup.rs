//! The checked setup: what the rest of the program may rely on.
//!
//! Everything here has been found free of contradictions by [`load()`](super::load()); nobody else sees the file as written.

use std::{net::SocketAddr, path::PathBuf, time::Duration};

use chrono_tz::Tz;

use crate::reading::{Channel, Instrument};

/// A setup file that holds.
#[derive(Debug, Clone)]
pub struct Setup {
    /// The file as the user wrote it, kept with the data it explains.
    pub text: String,
    /// SHA-256 of `text`, as lower-case hex.
    pub digest: String,
    /// Where readings are kept.
    pub store: Store,
    /// Backups made by the daemon, if any.
    pub backup: Option<BackupPlan>,
    /// Reports written by the daemon, if any.
    pub report: Option<ReportPlan>,
    /// Who brings the messages.
    pub broker: Broker,
    /// Where questions are answered.
    pub api: Api,
    /// Where answers are given back, if anywhere; then the broker is somebody's.
    pub publish: Option<Publish>,
    /// The banks, at least one.
    pub banks: Vec<Bank>,
    /// Everything that reports, of all banks; the reference of a bank comes before its packs.
    pub instruments: Vec<InstrumentEntry>,
    /// How messages become readings, in the order of the file.
    pub sources: Vec<Source>,
}

/// `[store]`.
#[derive(Debug, Clone)]
pub struct Store {
    /// The database file; a relative path is taken from the setup file's folder.
    pub path: PathBuf,
    /// How old a reading may get before it is committed.
    pub commit_after: Duration,
    /// How many bytes of refused bodies are kept.
    pub quarantine_bytes: u64,
}

/// Where the messages come from.
#[derive(Debug, Clone)]
pub enum Broker {
    /// `[mqtt]`: a broker that is already there.
    Theirs(Mqtt),
    /// No `[mqtt]` table: packdrift opens its own at this loopback address (`[broker] listen`, default 127.0.0.1:1883).
    Own(SocketAddr),
}

/// `[mqtt]`.
#[derive(Debug, Clone)]
pub struct Mqtt {
    /// Host name or address.
    pub host: String,
    /// Port.
    pub port: u16,
    /// `mqtts://`.
    pub tls: bool,
    /// The name the session is kept under.
    pub client_id: String,
    /// User name, if any.
    pub username: Option<String>,
    /// File whose first line is the password.
    pub password_file: Option<PathBuf>,
    /// PEM file of the certificate authority to trust instead of the system's.
    pub ca_file: Option<PathBuf>,
    /// What packdrift shows to a broker that wants to see a certificate.
    pub client_certificate: Option<ClientCertificate>,
}

/// `cert_file` and `key_file` under `[mqtt]`, both PEM.
#[derive(Debug, Clone)]
pub struct ClientCertificate {
    /// The certificate, and those between it and its authority.
    pub certificate: PathBuf,
    /// Its key, readable by nobody else.
    pub key: PathBuf,
}

/// `[backup]`.
#[derive(Debug, Clone)]
pub struct BackupPlan {
    /// Where backups are put; a relative path is taken from the setup file's folder.
    pub folder: PathBuf,
    /// How old the newest backup may get.
    pub every: Duration,
    /// How many are kept.
    pub keep: usize,
}

/// `[report]`.
#[derive(Debug, Clone)]
pub struct ReportPlan {
    /// Where reports are put; a relative path is taken from the setup file's folder.
    pub folder: PathBuf,
    /// How old a report may get.
    pub every: Duration,
    /// Whether names, topics, paths and hosts are left out.
    pub anonymous: bool,
}

/// `[api]`.
#[derive(Debug, Clone)]
pub struct Api {
    /// Where to listen.
    pub listen: SocketAddr,
    /// File of tokens, always set when `listen` is not loopback.
    pub token_file: Option<PathBuf>,
}

/// `[publish]`.
#[derive(Debug, Clone)]
pub struct Publish {
    /// What its topics begin with, without a slash at the end.
    pub prefix: String,
}

/// `[[bank]]`: packs on one busbar and the shunt in the main lead.
#[derive(Debug, Clone)]
pub struct Bank {
    /// Its name.
    pub id: String,
    /// What the cells are.
    pub chemistry: Chemistry,
    /// Cells in series in each pack.
    pub cells_in_series: u16,
    /// Where plain dates are read.
    pub time_zone: Tz,
    /// What counts as full.
    pub full: FullCharge,
    /// The longest pause of a regular reporter that is bridged.
    pub longest_bridge: Duration,
    /// What leaves the packs where the reference cannot see it, beside the boards' own draws.
    pub losses: Losses,
    /// The yardstick.
    pub reference: Reference,
    /// The packs, at least one.
    pub packs: Vec<Pack>,
}

/// Cell chemistry: decides what voltages a cell can have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Chemistry {
    /// Lithium iron phosphate.
    Lfp,
    /// Lithium nickel manganese cobalt oxide and its relatives.
    Nmc,
    /// Lithium titanate.
    Lto,
}

impl Chemistry {
    /// Nominal voltage of a cell, V. Common practice, no source.
    #[must_use]
    pub fn nominal_v(self) -> f64 {
        match self {
            Self::Lfp => 3.2,
            Self::Nmc => 3.65,
            Self::Lto => 2.3,
        }
    }
}

/// `full = { … }`: when a bank is full.
#[derive(Debug, Clone)]
pub struct FullCharge {
    /// Bank voltage at or above this, mV.
    pub voltage_mv: i64,
    /// |reference current| at or below this fraction of the bank's capacity.
    pub tail_fraction: f64,
    /// Both held for this long.
    pub hold: Duration,
    /// Anchors closer than this, with little discharged between, are one.
    pub merge: Duration,
    /// Standard uncertainty of a mark, % of capacity.
    pub repeatability_percent: f64,
    /// Whose voltage is taken; `None`: the reference's, else the median of the packs.
    pub voltage_from: Option<Instrument>,
}

/// Charge that leaves the packs behind the reference's back, each with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Losses {
    /// `self_discharge_percent_month`, default 0.5 ± 0.5: % of capacity in 30 days.
    pub self_discharge_percent_month: (f64, f64),
    /// `coulombic_efficiency`, default 0.998 ± 0.001: charge that comes out again over charge put in.
    pub coulombic_efficiency: (f64, f64),
}

/// `[bank.reference]`.
#[derive(Debug, Clone)]
pub struct Reference {
    /// The instrument.
    pub instrument: Instrument,
    /// Limit of its zero error, mA, as its data sheet has it.
    pub offset_ma: Option<f64>,
    /// Limit of its gain error, %, as its data sheet has it.
    pub gain_percent: Option<f64>,
}

/// `[[bank.pack]]`.
#[derive(Debug, Clone)]
pub struct Pack {
    /// The instrument: the pack's board.
    pub instrument: Instrument,
    /// What held when, oldest first, at least one; the first has no beginning.
    pub held: Vec<Held>,
}

/// What a pack was from a date on.
#[derive(Debug, Clone, PartialEq)]
pub struct Held {
    /// From when, ms since 1970; `None`: always.
    pub from_ms: Option<i64>,
    /// Rated capacity, Ah.
    pub capacity_ah: f64,
    /// What the board believes, where it differs.
    pub set_capacity_ah: Option<f64>,
    /// What somebody measured, and its standard uncertainty, Ah.
    pub measured_capacity_ah: Option<(f64, f64)>,
    /// The board's revision: what is compared.
    pub revision: String,
    /// The board's firmware.
    pub firmware: Option<String>,
    /// What the board draws from its pack and its standard uncertainty, mA; default 15 ± 15, as stated ± 5.
    pub standing_draw_ma: (f64, f64),
    /// Nobody stated the draw.
    pub draw_is_assumed: bool,
    /// On the busbar at all.
    pub in_bank: bool,
    /// How often its cells were changed for others by then.
    pub cells_changed: usize,
}

/// Someone who reports.
#[derive(Debug, Clone)]
pub struct InstrumentEntry {
    /// The name in topics, notes and answers; unique in the whole setup.
    pub id: String,
    /// Position of its bank in [`Setup::banks`].
    pub bank: usize,
    /// What it is there.
    pub role: Role,
    /// The largest |current| it can have, mA.
    pub max_current_ma: i64,
    /// The voltages it can have, mV.
    pub voltage_mv: std::ops::RangeInclusive<i64>,
    /// How its current is reported.
    pub reporting: Reporting,
}

/// What an instrument is in its bank.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// The shunt in the main lead.
    Reference,
    /// A pack's board, by its position in [`Bank::packs`].
    Pack(usize),
}

/// How an instrument's current is to be read between two reports.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reporting {
    /// At regular times: straight lines between reports, pauses up to this long bridged.
    Regular {
        /// Longest pause that is bridged.
        longest_bridge: Duration,
    },
    /// On change: a value holds until the next, at most this long.
    OnChange {
        /// Longest time a value is taken to hold.
        longest_hold: Duration,
    },
}

impl Reporting {
    /// The longest pause between two reports that isn't a gap, ms.
    #[must_use]
    pub fn longest_pause_ms(self) -> i64 {
        let pause = match self {
            Self::Regular { longest_bridge } => longest_bridge,
            Self::OnChange { longest_hold } => longest_hold,
        };
        i64::try_from(pause.as_millis()).unwrap_or(i64::MAX)
    }
}

/// `[[source]]`: how the messages of some topics become readings.
#[derive(Debug, Clone)]
pub struct Source {
    /// Which topics, and what stands in them.
    pub topic: TopicPattern,
    /// What the bodies are.
    pub format: Format,
    /// Who a message is of, where the topic doesn't say.
    pub instrument: Option<InstrumentName>,
    /// Pointer to the time; `None`: arrival time.
    pub time: Option<String>,
    /// Pointer to an array or object with one entry an instrument.
    pub each: Option<String>,
    /// True where the instrument reports charging as a negative current.
    pub charging_negative: bool,
    /// Where the channels are. For [`Format::Number`] with `{channel}` in the topic: only scales, pointers empty. For
    /// [`Format::Senml`] names of records in place of pointers, or nothing where records are called like channels.
    pub channels: Vec<ChannelAt>,
    /// How values are reported.
    pub on_change: Option<Duration>,
    /// From when on messages are like this, ms since 1970; `None`: from the beginning.
    pub from_ms: Option<i64>,
    /// Up to when, not included.
    pub until_ms: Option<i64>,
}

impl Source {
    /// Whether messages are like this at an instant.
    #[must_use]
    pub fn holds_at(&self, at_ms: i64) -> bool {
        self.from_ms.is_none_or(|from_ms| at_ms >= from_ms)
            && self.until_ms.is_none_or(|until_ms| at_ms < until_ms)
    }

    /// Whether messages are an instrument's; `None` where only the message tells.
    pub(super) fn is_of(&self, instrument: Instrument) -> Option<bool> {
        match &self.instrument {
            Some(InstrumentName::Fixed(fixed)) => Some(*fixed == instrument),
            Some(InstrumentName::Pointer(_)) | None => None,
        }
    }

    /// Whether messages can bring a current.
    pub(super) fn brings_current(&self) -> bool {
        // SenML that lists no channels brings whatever its records are called.
        let unlisted = self.format == Format::Senml && self.channels.is_empty();
        unlisted
            || self.topic.names_channel()
            || self.channels.iter().any(|at| at.channel == Channel::Current)
    }

    /// Whether there is an instant at which both hold.
    pub(super) fn overlaps(&self, other: &Self) -> bool {
        let ends_before = |one: &Self, other: &Self| {
            one.until_ms
                .zip(other.from_ms)
                .is_some_and(|(until_ms, from_ms)| until_ms <= from_ms)
        };
        !ends_before(self, other) && !ends_before(other, self)
    }
}

/// What a body is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// One JSON document.
    Json,
    /// One plain number.
    Number,
    /// A `SenML` pack (RFC 8428), JSON or CBOR.
    Senml,
}

/// How a source names its instrument outside the topic.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum InstrumentName {
    /// Always this one.
    Fixed(Instrument),
    /// An RFC 6901 pointer inside each entry.
    Pointer(String),
}

/// Where a channel's value stands in a JSON body.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelAt {
    /// Which channel.
    pub channel: Channel,
    /// RFC 6901 pointer.
    pub pointer: String,
    /// What the number there is multiplied with to give A, V, %, Ah or °C.
    pub scale: f64,
}

/// A topic with `{instrument}` and `{channel}` in it, e.g. `skerry/{instrument}_{channel}`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TopicPattern {
    /// As written.
    pub written: String,
    /// Level by level.
    pub levels: Vec<Vec<Part>>,
}

/// A piece of a topic level.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Part {
    /// This text.
    Text(String),
    /// Any text: the instrument's name.
    Instrument,
    /// Any text: the channel's name.
    Channel,
}

impl Setup {
    /// The instrument of that name.
    #[must_use]
    pub fn instrument(&self, id: &str) -> Option<Instrument> {
        let index = self.instruments.iter().position(|entry| entry.id == id)?;
        u16::try_from(index).ok().map(Instrument)
    }

    /// The bank of that name.
    #[must_use]
    pub fn bank(&self, id: &str) -> Option<&Bank> {
        self.banks.iter().find(|bank| bank.id == id)
    }

    /// What the setup knows of an instrument.
    ///
    /// # Panics
    /// Only where the instrument is of another setup.
    #[must_use]
    pub fn entry(&self, instrument: Instrument) -> &InstrumentEntry {
        &self.instruments[usize::from(instrument.0)]
    }

    /// Every instrument, in the order of the setup.
    pub fn all_instruments(&self) -> impl Iterator<Item = Instrument> + '_ {
        (0..self.instruments.len()).filter_map(|index| u16::try_from(index).ok().map(Instrument))
    }
}

impl Bank {
    /// Who reports: the reference, then the packs.
    pub fn instruments(&self) -> impl Iterator<Item = Instrument> + '_ {
        std::iter::once(self.reference.instrument).chain(self.packs.iter().map(|pack| pack.instrument))
    }

    /// The instants at which a pack became something else, in order, ms since 1970.
    #[must_use]
    pub fn changes_ms(&self) -> Vec<i64> {
        let mut changes_ms: Vec<i64> = self
            .packs
            .iter()
            .flat_map(|pack| &pack.held)
            .filter_map(|held| held.from_ms)
            .collect();
        changes_ms.sort_unstable();
        changes_ms.dedup();
        changes_ms
    }

    /// Sum of the rated capacities of the packs on the busbar at an instant, Ah.
    #[must_use]
    pub fn capacity_ah(&self, at_ms: i64) -> f64 {
        self.packs
            .iter()
            .map(|pack| pack.held_at(at_ms))
            .filter(|held| held.in_bank)
            .map(|held| held.capacity_ah)
            .sum()
    }
}

impl Pack {
    /// What the pack was at an instant.
    ///
    /// # Panics
    /// Never for a checked setup: the first entry has no beginning.
    #[must_use]
    pub fn held_at(&self, at_ms: i64) -> &Held {
        self.held
            .iter()
            .rev()
            .find(|held| held.from_ms.is_none_or(|from_ms| from_ms <= at_ms))
            .expect("the first entry of a checked setup has no beginning")
    }
}

impl Held {
    /// The capacity that shares are taken by: the measured one, else the rated, Ah.
    #[must_use]
    pub fn best_capacity_ah(&self) -> f64 {
        self.measured_capacity_ah
            .map_or(self.capacity_ah, |(capacity_ah, _)| capacity_ah)
    }

    /// What the board believes, Ah.
    #[must_use]
    pub fn displayed_capacity_ah(&self) -> f64 {
        self.set_capacity_ah.unwrap_or(self.capacity_ah)
    }
}
