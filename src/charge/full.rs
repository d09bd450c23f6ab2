//! Full charge: when a bank is full, and whether a pack shows it too.
//!
//! Voltage at or above a set value while the current has tapered below a fraction of capacity, for a hold time.
//! For LFP 3.45 to 3.50 V a cell, a tail of 0.05 C and five minutes are common practice.

/// Once inside, a dip shorter than this doesn't end an anchor.
const BRIEF_MS: i64 = 60_000;
/// How far a pack's voltage may be from the bank's while it is on the busbar, mV a cell.
const OFF_BUSBAR_MV_PER_CELL: i64 = 50;
/// How far a pack's lowest cell may lag behind the full voltage, mV.
const CELL_LAG_MV: i64 = 100;

/// What counts as full.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Criterion {
    /// Bank voltage at or above this, mV.
    pub voltage_mv: i64,
    /// |reference current| at or below this, mA.
    pub tail_ma: i64,
    /// Both for this long, ms.
    pub hold_ms: i64,
    /// Once inside, a voltage this little below doesn't end it, mV.
    pub dip_mv: i64,
    /// A longer silence ends an anchor, ms.
    pub longest_pause_ms: i64,
    /// How much may be taken out of a full bank that still counts as full, mA·ms: as much as full charges differ by.
    pub drained_ma_ms: i64,
}

/// Something seen of the bank at an instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seen {
    /// The bank's voltage, mV.
    Voltage(i64),
    /// The reference's current, mA.
    Current(i64),
}

/// An interval in which the bank was full.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Anchor {
    /// Since when it had been met when the hold time was over, ms since 1970.
    pub begin_ms: i64,
    /// The mark: its last moment, ms since 1970.
    pub end_ms: i64,
    /// When the voltage had first reached the full value, ms since 1970.
    pub crossed_ms: i64,
    /// Voltage at the mark, mV; `None` where a person asserted it and nobody reported one.
    pub voltage_mv: Option<i64>,
    /// Reference current at the mark, mA; `None` likewise.
    pub tail_ma: Option<i64>,
}

/// Finds the anchors in what was seen, in order of time.
#[must_use]
pub fn anchors(seen: impl IntoIterator<Item = (i64, Seen)>, criterion: &Criterion) -> Vec<Anchor> {
    let mut search = Search {
        criterion: *criterion,
        voltage: None,
        current: None,
        crossed_ms: None,
        dip_since_ms: None,
        drained_ma_ms: 0,
        state: State::Outside,
    };
    let mut found = Vec::new();
    for (at_ms, what) in seen {
        found.extend(search.see(at_ms, what));
    }
    if let State::Inside(anchor) = search.state {
        found.push(anchor);
    }
    found
}

enum State {
    Outside,
    /// Met since then, but not yet for the hold time.
    Holding(i64),
    Inside(Anchor),
}

struct Search {
    criterion: Criterion,
    voltage: Option<(i64, i64)>,
    current: Option<(i64, i64)>,
    crossed_ms: Option<i64>,
    dip_since_ms: Option<i64>,
    /// What was taken out since the bank was fullest, mA·ms.
    drained_ma_ms: i64,
    state: State,
}

impl Search {
    /// Takes one more value; gives the anchor that it ends.
    fn see(&mut self, at_ms: i64, what: Seen) -> Option<Anchor> {
        match what {
            Seen::Voltage(mv) => self.voltage = Some((at_ms, mv)),
            Seen::Current(ma) => {
                let before = self.current.replace((at_ms, ma));
                let before =
                    before.filter(|(since_ms, _)| at_ms - since_ms <= self.criterion.longest_pause_ms);
                self.drained_ma_ms = before.map_or(0, |(since_ms, before_ma)| {
                    (self.drained_ma_ms - before_ma * (at_ms - since_ms)).max(0)
                });
            }
        }
        let fresh = |value: Option<(i64, i64)>| {
            value.filter(|(since_ms, _)| at_ms - since_ms <= self.criterion.longest_pause_ms)
        };
        let (Some((_, voltage_mv)), Some((_, tail_ma))) = (fresh(self.voltage), fresh(self.current)) else {
            self.crossed_ms = None;
            return self.leave();
        };
        self.cross(at_ms, voltage_mv);
        let tapered = tail_ma.abs() <= self.criterion.tail_ma;
        let drained = self.drained_ma_ms > self.criterion.drained_ma_ms;
        let met = tapered && !drained && voltage_mv >= self.criterion.voltage_mv;
        let still_met = tapered && voltage_mv > self.criterion.voltage_mv - self.criterion.dip_mv;
        match &mut self.state {
            State::Outside if met => self.state = State::Holding(at_ms),
            State::Outside => {}
            State::Holding(_) if !met => self.state = State::Outside,
            State::Holding(since_ms) => {
                if at_ms - *since_ms >= self.criterion.hold_ms {
                    self.state = State::Inside(Anchor {
                        begin_ms: *since_ms,
                        end_ms: at_ms,
                        crossed_ms: self.crossed_ms.unwrap_or(*since_ms),
                        voltage_mv: Some(voltage_mv),
                        tail_ma: Some(tail_ma),
                    });
                }
            }
            State::Inside(anchor) if at_ms - anchor.end_ms > self.criterion.longest_pause_ms => {
                return self.leave();
            }
            State::Inside(_) if drained => return self.leave(),
            State::Inside(anchor) if still_met => {
                self.dip_since_ms = None;
                *anchor = Anchor {
                    end_ms: at_ms,
                    voltage_mv: Some(voltage_mv),
                    tail_ma: Some(tail_ma),
                    ..*anchor
                };
            }
            State::Inside(_) => {
                if at_ms - *self.dip_since_ms.get_or_insert(at_ms) >= BRIEF_MS {
                    return self.leave();
                }
            }
        }
        None
    }

    /// Keeps in mind since when the voltage has been at the full value.
    fn cross(&mut self, at_ms: i64, voltage_mv: i64) {
        if voltage_mv <= self.criterion.voltage_mv - self.criterion.dip_mv {
            self.crossed_ms = None;
        } else if voltage_mv >= self.criterion.voltage_mv {
            self.crossed_ms.get_or_insert(at_ms);
        }
    }

    fn leave(&mut self) -> Option<Anchor> {
        self.dip_since_ms = None;
        match std::mem::replace(&mut self.state, State::Outside) {
            State::Inside(anchor) => Some(anchor),
            State::Outside | State::Holding(_) => None,
        }
    }
}

/// Joins anchors that follow each other within `merge_ms` with less than `small_ah` discharged between them.
///
/// `discharged_ah` says what was taken out between two instants; `None` keeps them apart.
///
/// # Errors
/// Whatever `discharged_ah` says.
pub fn merged<E>(
    anchors: impl IntoIterator<Item = Anchor>,
    merge_ms: i64,
    small_ah: f64,
    mut discharged_ah: impl FnMut(i64, i64) -> Result<Option<f64>, E>,
) -> Result<Vec<Anchor>, E> {
    let mut merged: Vec<Anchor> = Vec::new();
    for anchor in anchors {
        if let Some(last) = merged.last_mut()
            && anchor.begin_ms - last.end_ms < merge_ms
            && discharged_ah(last.end_ms, anchor.begin_ms)?.is_some_and(|out_ah| out_ah < small_ah)
        {
            *last = Anchor {
                begin_ms: last.begin_ms,
                crossed_ms: last.crossed_ms,
                ..anchor
            };
        } else {
            merged.push(anchor);
        }
    }
    Ok(merged)
}

/// What a pack showed at a mark of its bank.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Shown {
    /// Its voltage, mV.
    pub voltage_mv: Option<i64>,
    /// Its current, mA.
    pub tail_ma: Option<i64>,
    /// Its lowest cell, mV.
    pub cell_min_mv: Option<i64>,
    /// It was off the busbar, or not of the bank at all.
    pub away: bool,
}

/// Why a bank's mark doesn't count for a pack.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Against {
    /// Nothing was heard of it.
    Silent,
    /// It was off the busbar.
    OffBusbar,
    /// Its own current was more than twice its share of the tail.
    StillCharging,
    /// Its lowest cell lagged.
    CellLags,
}

impl Against {
    /// The word in the store and in answers.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Silent => "silent",
            Self::OffBusbar => "off_busbar",
            Self::StillCharging => "still_charging",
            Self::CellLags => "cell_lags",
        }
    }
}

/// Whether two voltages can't be those of one busbar.
#[must_use]
pub fn are_apart(cells_in_series: i64, one_mv: i64, other_mv: i64) -> bool {
    (one_mv - other_mv).abs() > OFF_BUSBAR_MV_PER_CELL * cells_in_series
}

/// Whether a bank's mark counts for a pack with this share of the bank's capacity.
#[must_use]
pub fn against(
    criterion: &Criterion,
    cells_in_series: i64,
    bank_voltage_mv: Option<i64>,
    share: f64,
    shown: &Shown,
) -> Option<Against> {
    let Some(tail_ma) = shown.tail_ma else {
        return Some(Against::Silent);
    };
    let apart = shown
        .voltage_mv
        .zip(bank_voltage_mv)
        .is_some_and(|(mv, bank_mv)| are_apart(cells_in_series, mv, bank_mv));
    if shown.away || apart {
        return Some(Against::OffBusbar);
    }
    #[expect(clippy::cast_precision_loss, reason = "currents are far below 2^52 mA")]
    let (own_ma, limit_ma) = (tail_ma.abs() as f64, 2.0 * share * criterion.tail_ma as f64);
    if own_ma > limit_ma {
        return Some(Against::StillCharging);
    }
    let lags = shown
        .cell_min_mv
        .is_some_and(|mv| mv < criterion.voltage_mv / cells_in_series - CELL_LAG_MV);
    lags.then_some(Against::CellLags)
}

#[cfg(test)]
mod tests {
    use super::*;

    const MINUTE: i64 = 60_000;
    const CRITERION: Criterion = Criterion {
        voltage_mv: 56_000,
        tail_ma: 50_000,
        hold_ms: 5 * MINUTE,
        dip_mv: 160,
        longest_pause_ms: 10 * MINUTE,
        drained_ma_ms: 3_000 * 60 * MINUTE,
    };

    /// Anchors as (begin, end) in minutes, of one (voltage, current) a minute.
    fn check(series: &[(i64, i64)], expect: &[(i64, i64)]) {
        let seen = series.iter().enumerate().flat_map(|(minute, (mv, ma))| {
            let at_ms = i64::try_from(minute).unwrap() * MINUTE;
            [(at_ms, Seen::Voltage(*mv)), (at_ms, Seen::Current(*ma))]
        });
        let found: Vec<_> = anchors(seen, &CRITERION)
            .iter()
            .map(|anchor| (anchor.begin_ms / MINUTE, anchor.end_ms / MINUTE))
            .collect();
        assert_eq!(found, expect);
    }

    fn minutes(count: usize, mv: i64, ma: i64) -> Vec<(i64, i64)> {
        vec![(mv, ma); count]
    }

    #[test]
    fn a_bank_from_which_some_was_taken_is_no_longer_full_though_its_voltage_stays() {
        let mut series = minutes(20, 56_200, 10_000);
        // 6 A take the 3 Ah in half an hour, whatever comes in before; the voltage doesn't tell.
        series.extend(minutes(120, 56_050, -6_000));
        check(&series, &[(0, 51)]);
        // What is put back counts.
        let mut series = minutes(20, 56_200, 10_000);
        for _ in 0..6 {
            series.extend(minutes(20, 56_050, -6_000));
            series.extend(minutes(20, 56_200, 8_000));
        }
        check(&series, &[(0, 259)]);
    }

    #[test]
    fn voltage_without_a_tapered_current_is_not_full() {
        check(&minutes(30, 56_300, 120_000), &[]);
    }

    #[test]
    fn four_minutes_are_too_short() {
        check(&[minutes(5, 56_300, 20_000), minutes(3, 54_000, 0)].concat(), &[]);
    }

    #[test]
    fn the_mark_is_the_last_moment() {
        check(
            &[minutes(9, 56_300, 20_000), minutes(3, 54_000, 0)].concat(),
            &[(0, 8)],
        );
    }

    #[test]
    fn shallow_dips_and_brief_ones_do_not_end_it() {
        let shallow = [
            minutes(7, 56_300, 20_000),
            minutes(5, 55_900, 20_000),
            minutes(3, 54_000, 0),
        ]
        .concat();
        check(&shallow, &[(0, 11)]);
    }

    #[test]
    fn a_deep_dip_of_a_minute_ends_it() {
        let deep = [
            minutes(7, 56_300, 20_000),
            minutes(2, 55_000, -20_000),
            minutes(8, 56_300, 20_000),
        ]
        .concat();
        check(&deep, &[(0, 6), (9, 16)]);
    }

    #[test]
    fn near_anchors_with_little_between_are_one() {
        let at = |begin_ms, end_ms| Anchor {
            begin_ms,
            end_ms,
            crossed_ms: begin_ms,
            voltage_mv: None,
            tail_ma: None,
        };
        let anchors = [at(0, 10), at(20, 30), at(100, 110)];
        let little = |_, _| Ok::<_, std::convert::Infallible>(Some(0.5));
        assert_eq!(
            merged(anchors, 50, 1.0, little),
            Ok(vec![at(0, 30), at(100, 110)])
        );
        let much = |_, _| Ok::<_, std::convert::Infallible>(Some(1.5));
        assert_eq!(merged(anchors, 50, 1.0, much), Ok(anchors.to_vec()));
    }

    #[test]
    fn a_mark_counts_for_a_pack_only_if_it_shows_it() {
        let shown = Shown {
            voltage_mv: Some(56_250),
            tail_ma: Some(4_000),
            cell_min_mv: Some(3_490),
            away: false,
        };
        let verdict = |shown: Shown| against(&CRITERION, 16, Some(56_300), 0.2, &shown);
        assert_eq!(verdict(shown), None);
        assert_eq!(
            verdict(Shown {
                tail_ma: None,
                ..shown
            }),
            Some(Against::Silent)
        );
        assert_eq!(
            verdict(Shown {
                tail_ma: Some(21_000),
                ..shown
            }),
            Some(Against::StillCharging)
        );
        assert_eq!(
            verdict(Shown {
                voltage_mv: Some(53_000),
                ..shown
            }),
            Some(Against::OffBusbar)
        );
        assert_eq!(
            verdict(Shown {
                cell_min_mv: Some(3_380),
                ..shown
            }),
            Some(Against::CellLags)
        );
    }
}
