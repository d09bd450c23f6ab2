//! What a message tells of a channel: the value it names, or of a reporter on change the one that holds.
//!
//! What a reporter on change says of anything says that it is there, and that everything else is what it was.

use crate::{
    charge::count::{Between, Joining, Sample},
    reading::{Channel, Channels},
};

/// A value at `at_ms` by a message that has `said` it or not, given the one `before`: (ms since 1970, value).
pub(super) fn value(
    joining: Joining,
    before: Option<(i64, i64)>,
    at_ms: i64,
    said: Option<i64>,
) -> Option<(i64, i64)> {
    let held = before.filter(|(since_ms, _)| joining.holds(*since_ms, at_ms));
    Some((at_ms, said.or(held.map(|(_, value)| value))?))
}

/// The current at `at_ms` by a message, given the one `before`.
pub(super) fn current(
    joining: Joining,
    before: Option<Sample>,
    at_ms: i64,
    channels: &Channels,
) -> Option<Sample> {
    let before = before.map(|sample| (sample.at_ms, sample.current_ma));
    let (at_ms, current_ma) = value(joining, before, at_ms, channels.get(Channel::Current))?;
    Some(Sample { at_ms, current_ma })
}

/// The current that a message tells; `last` then is what holds from it on, nothing where the instrument is gone.
pub(super) fn current_after(
    joining: Joining,
    last: &mut Option<Sample>,
    at_ms: i64,
    channels: &Channels,
) -> Option<Sample> {
    let told = current(joining, *last, at_ms, channels);
    *last = told.or(*last).filter(|_| !is_gone(joining, channels));
    told
}

/// Whether a reporter on change says that it is no longer there: nothing of it holds from then on.
pub(super) fn is_gone(joining: Joining, channels: &Channels) -> bool {
    joining.between == Between::Hold && channels.get(Channel::Alive) == Some(0)
}
