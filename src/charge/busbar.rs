//! Off the busbar: whether a pack's board has disconnected it, from what the board reports.
//!
//! A board that reports its switch is believed. Of one that doesn't, a report of exactly zero for minutes, while the
//! pack's share of the bank's current is far above what any board is blind to, says the same.

use std::collections::VecDeque;

/// A pack's share of the bank's current must exceed this, mA, …
const LEAST_SHARE_MA: f64 = 2000.0;
/// … and this fraction of its capacity an hour, …
const LEAST_SHARE_C: f64 = 0.02;
/// … for this long in all with the pack reporting nothing, ms, …
const HOLD_MS: i64 = 5 * 60_000;
/// … within this time: clouds and loads may take the current below the limit in between, ms.
const WITHIN_MS: i64 = 30 * 60_000;
/// After a pack has returned it may take all of the bank's current, or none, until all are alike again: for so long
/// a share tells nothing, ms. A few of the hours in which packs settle; common practice, no source.
const UNSETTLED_MS: i64 = 12 * 3_600_000;

/// Something seen at an instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seen {
    /// The reference's current, mA.
    Reference(i64),
    /// The pack's own current, mA.
    Current(i64),
    /// What the board says of its switch.
    Connected(bool),
}

/// What a watch concludes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// Off the busbar since then, ms since 1970.
    Left(i64),
    /// On it again since then, ms since 1970.
    Returned(i64),
}

/// The reference's |current| above which a pack's share is beyond any blindness, mA.
///
/// `capacity_ah` is the pack's, `share` its part of the bank's current, above 0.
#[must_use]
#[expect(clippy::cast_possible_truncation, reason = "a current in mA")]
pub fn telling_ma(capacity_ah: f64, share: f64) -> i64 {
    ((LEAST_SHARE_C * capacity_ah * 1000.0).max(LEAST_SHARE_MA) / share) as i64
}

/// Watches one pack.
#[derive(Debug, Clone)]
pub struct Watch {
    /// A value that is older than this says nothing any more, ms.
    longest_pause_ms: i64,
    reference: Option<(i64, i64)>,
    current: Option<(i64, i64)>,
    connected: Option<(i64, bool)>,
    /// When the pack reported nothing while its share was large: from, until, of late.
    nothing: VecDeque<(i64, i64)>,
    /// It did so at the last look.
    goes_on: bool,
    /// Until then the bank's current may be shared by other than capacity.
    unsettled_until_ms: i64,
    away: bool,
}

impl Watch {
    /// Watches a pack that is `away` at first or not.
    #[must_use]
    pub fn new(longest_pause_ms: i64, away: bool) -> Self {
        Self {
            longest_pause_ms,
            reference: None,
            current: None,
            connected: None,
            nothing: VecDeque::new(),
            goes_on: false,
            unsettled_until_ms: i64::MIN,
            away,
        }
    }

    /// Takes note that a pack of the bank, this one or another, returned to the busbar at an instant.
    pub fn somebody_returned(&mut self, at_ms: i64) {
        self.unsettled_until_ms = at_ms.saturating_add(UNSETTLED_MS);
    }

    /// Takes one more value, in order of time. `telling_ma` is that of [`telling_ma()`] at the instant.
    pub fn see(&mut self, at_ms: i64, seen: Seen, telling_ma: i64) -> Option<Change> {
        match seen {
            Seen::Reference(ma) => self.reference = Some((at_ms, ma)),
            Seen::Current(ma) => self.current = Some((at_ms, ma)),
            Seen::Connected(connected) => self.connected = Some((at_ms, connected)),
        }
        let longest_pause_ms = self.longest_pause_ms;
        let fresh = |since_ms: i64| at_ms - since_ms <= longest_pause_ms;
        if let Some((_, connected)) = self.connected.filter(|(since_ms, _)| fresh(*since_ms)) {
            self.forget();
            return self.is_now(!connected, at_ms);
        }
        if let Seen::Current(ma) = seen
            && ma != 0
        {
            self.forget();
            return self.is_now(false, at_ms);
        }
        let value = |value: Option<(i64, i64)>| value.filter(|(since_ms, _)| fresh(*since_ms));
        let nothing = value(self.current).is_some_and(|(_, ma)| ma == 0);
        let much = value(self.reference).is_some_and(|(_, ma)| ma.abs() > telling_ma);
        let settled = at_ms >= self.unsettled_until_ms;
        if !nothing {
            self.forget();
            return None;
        }
        if !(much && settled) {
            self.goes_on = false;
            return None;
        }
        match self.nothing.back_mut().filter(|_| self.goes_on) {
            Some((_, until_ms)) => *until_ms = at_ms,
            None => self.nothing.push_back((at_ms, at_ms)),
        }
        self.goes_on = true;
        self.nothing
            .retain(|(_, until_ms)| at_ms - *until_ms <= WITHIN_MS);
        let held_ms: i64 = self
            .nothing
            .iter()
            .map(|(from_ms, until_ms)| until_ms - from_ms)
            .sum();
        let since_ms = self.nothing.front().map(|(from_ms, _)| *from_ms);
        self.is_now(true, since_ms.filter(|_| held_ms >= HOLD_MS)?)
    }

    fn forget(&mut self) {
        self.nothing.clear();
        self.goes_on = false;
    }

    fn is_now(&mut self, away: bool, since_ms: i64) -> Option<Change> {
        (std::mem::replace(&mut self.away, away) != away).then_some(if away {
            Change::Left(since_ms)
        } else {
            Change::Returned(since_ms)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MINUTE_MS: i64 = 60_000;
    /// Of a pack of 200 Ah that takes a fifth of the current: 4 A are told from blindness at 20 A.
    const TELLING_MA: i64 = 20_000;

    /// What a watch makes of a reference's and a pack's current each minute.
    fn changes(minutes: &[(i64, i64)]) -> Vec<Change> {
        let mut watch = Watch::new(10 * MINUTE_MS, false);
        let mut at_ms = 0;
        let mut changes = Vec::new();
        for (reference_ma, own_ma) in minutes {
            changes.extend(watch.see(at_ms, Seen::Reference(*reference_ma), TELLING_MA));
            changes.extend(watch.see(at_ms + 1000, Seen::Current(*own_ma), TELLING_MA));
            at_ms += MINUTE_MS;
        }
        changes
    }

    #[test]
    fn the_share_that_tells_is_that_of_the_larger_limit() {
        assert_eq!(telling_ma(200.0, 0.2), TELLING_MA);
        assert_eq!(telling_ma(50.0, 0.25), 8000);
    }

    #[test]
    fn nothing_for_minutes_under_a_large_current_is_away_until_a_current_comes() {
        let mut minutes = vec![(30_000, 6000); 3];
        minutes.extend([(30_000, 0); 10]);
        minutes.extend([(1000, 0), (30_000, 2000)]);
        assert_eq!(
            changes(&minutes),
            [
                Change::Left(3 * MINUTE_MS + 1000),
                Change::Returned(14 * MINUTE_MS + 1000)
            ]
        );
    }

    #[test]
    fn a_cloud_in_between_makes_it_leave_no_later() {
        let mut minutes = vec![(30_000, 6000), (30_000, 0), (30_000, 0), (5000, 0), (5000, 0)];
        minutes.extend([(30_000, 0); 10]);
        assert_eq!(changes(&minutes), [Change::Left(MINUTE_MS + 1000)]);
    }

    #[test]
    fn while_another_that_returned_takes_everything_nobody_is_away() {
        let mut watch = Watch::new(10 * MINUTE_MS, false);
        watch.somebody_returned(0);
        let mut changes = Vec::new();
        for at_ms in (0..UNSETTLED_MS + 10 * MINUTE_MS).step_by(60_000) {
            changes.extend(watch.see(at_ms, Seen::Reference(30_000), TELLING_MA));
            changes.extend(watch.see(at_ms + 1000, Seen::Current(0), TELLING_MA));
        }
        assert_eq!(changes, [Change::Left(UNSETTLED_MS)]);
    }

    #[test]
    fn a_blind_board_is_not_away() {
        // Nothing reported all night at small currents, and for some minutes at large ones.
        let mut minutes = vec![(-2000, 0); 600];
        minutes.extend([(30_000, 0); 4]);
        minutes.extend([(30_000, 5000); 10]);
        assert_eq!(changes(&minutes), []);
    }

    #[test]
    fn a_switch_is_believed_over_the_current() {
        let mut watch = Watch::new(10 * MINUTE_MS, false);
        let mut see = |minute: i64, seen| watch.see(minute * MINUTE_MS, seen, TELLING_MA);
        assert_eq!(see(0, Seen::Connected(true)), None);
        for minute in 1..9 {
            assert_eq!(see(minute, Seen::Reference(50_000)), None);
            assert_eq!(see(minute, Seen::Current(0)), None);
        }
        assert_eq!(see(9, Seen::Connected(false)), Some(Change::Left(9 * MINUTE_MS)));
        assert_eq!(see(10, Seen::Current(300)), None);
        assert_eq!(
            see(11, Seen::Connected(true)),
            Some(Change::Returned(11 * MINUTE_MS))
        );
    }
}
