//! From values to places on the sheet, and where the ticks stand.

use chrono::{Datelike, Days, Months, NaiveTime, TimeDelta};
use chrono_tz::Tz;

use crate::{
    api::{instant_of, midnight},
    page::words::{local, short_day},
    reading::HOUR_MS,
};

/// A straight line from values to places.
#[derive(Debug, Clone, Copy)]
pub struct Scale {
    /// The value at `begin`, and the one at `end`.
    pub values: (f64, f64),
    /// Where they stand.
    pub places: (f64, f64),
}

impl Scale {
    /// Where a value stands.
    #[must_use]
    pub fn at(&self, value: f64) -> f64 {
        let part = (value - self.values.0) / (self.values.1 - self.values.0);
        self.places.0 + part * (self.places.1 - self.places.0)
    }

    /// Where an instant stands, ms since 1970.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "times are far below 2^52 ms")]
    pub fn at_ms(&self, at_ms: i64) -> f64 {
        self.at(at_ms as f64)
    }
}

/// Round values that cover `[from, to]` with about `most` steps: (step, first, last).
fn rounded(from: f64, to: f64, most: f64) -> (f64, f64, f64) {
    let span = (to - from).max(1e-9);
    let rough = span / most;
    let magnitude = 10_f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|factor| factor * magnitude)
        .find(|step| *step >= rough)
        .unwrap_or(10.0 * magnitude);
    (step, (from / step).floor() * step, (to / step).ceil() * step)
}

/// Ticks at round values, each with its label, and the range they cover.
#[derive(Debug, Clone)]
pub struct Ticks {
    /// Value and label.
    pub marks: Vec<(f64, String)>,
    /// From the first to the last.
    pub range: (f64, f64),
}

/// Ticks that cover `[from, to]` in about `most` steps; `with_sign` where a plus tells something.
#[must_use]
pub fn ticks(from: f64, to: f64, most: f64, with_sign: bool) -> Ticks {
    let (step, first, last) = rounded(from, to, most);
    let digits = if step >= 1.0 {
        0
    } else if step >= 0.1 {
        1
    } else {
        2
    };
    let mut marks = Vec::new();
    let mut index = 0_u32;
    loop {
        let value = first + step * f64::from(index);
        if value > last + step / 2.0 {
            break;
        }
        let label = if with_sign {
            crate::page::words::signed(value, digits)
        } else {
            format!("{value:.digits$}").replace('-', "−")
        };
        marks.push((value, label));
        index += 1;
    }
    Ticks {
        marks,
        range: (first, last),
    }
}

/// Round instants in a zone, about `most` of them, each with its label.
#[must_use]
pub fn time_ticks(from_ms: i64, to_ms: i64, most: i64, zone: Tz) -> Vec<(i64, String)> {
    let span_ms = to_ms - from_ms;
    let fits = |step_ms: i64| span_ms / step_ms <= most;
    let first_day = local(from_ms, zone).date_naive();
    let last_day = local(to_ms, zone).date_naive();
    let mut ticks = Vec::new();
    if let Some((hours, _)) = [
        (1, HOUR_MS),
        (3, 3 * HOUR_MS),
        (6, 6 * HOUR_MS),
        (12, 12 * HOUR_MS),
    ]
    .into_iter()
    .find(|(_, step_ms)| fits(*step_ms))
    {
        // Round where the bank is, also behind a change of its clocks.
        for day in first_day.iter_days().take_while(|day| *day <= last_day) {
            for hour in (0..24).step_by(hours) {
                let at_ms = instant_of(day.and_time(NaiveTime::MIN) + TimeDelta::hours(hour), zone);
                // An hour that is jumped over is the next one.
                let new = ticks.last().is_none_or(|(last_ms, _)| *last_ms < at_ms);
                if new && (from_ms..=to_ms).contains(&at_ms) {
                    let label = match hour {
                        0 => short_day(at_ms, zone),
                        _ => local(at_ms, zone).format("%H:%M").to_string(),
                    };
                    ticks.push((at_ms, label));
                }
            }
        }
        return ticks;
    }
    let days = [1, 2, 7, 14].into_iter().find(|days| fits(days * 24 * HOUR_MS));
    let months = [1, 2, 3, 6, 12]
        .into_iter()
        .find(|months| fits(i64::from(*months) * 30 * 24 * HOUR_MS))
        .unwrap_or(12);
    let mut date = match days {
        Some(days) => {
            // Days are counted from a Monday, so that weeks begin where weeks begin.
            let since_monday = i64::from(first_day.num_days_from_ce()) - 1;
            first_day - Days::new(since_monday.rem_euclid(days).unsigned_abs())
        }
        None => first_day.with_day(1).unwrap_or(first_day),
    };
    while date <= last_day {
        let at_ms = midnight(date, zone);
        if (from_ms..=to_ms).contains(&at_ms) {
            ticks.push((at_ms, short_day(at_ms, zone)));
        }
        let next = match days {
            Some(days) => date.checked_add_days(Days::new(days.unsigned_abs())),
            None => date.checked_add_months(Months::new(months)),
        };
        let Some(next) = next else { break };
        date = next;
    }
    ticks
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_cover_the_range() {
        let ticks = ticks(-22.0, 127.0, 6.0, true);
        assert_eq!(ticks.range, (-50.0, 150.0));
        let labels: Vec<_> = ticks.marks.iter().map(|(_, label)| label.as_str()).collect();
        assert_eq!(labels, ["−50", "0", "+50", "+100", "+150"]);
    }

    #[test]
    fn a_winter_is_ticked_by_weeks_that_begin_on_mondays() {
        // 1 November 2025 is a Saturday.
        let from_ms = 1_761_955_200_000;
        let ticks = time_ticks(from_ms, from_ms + 70 * 86_400_000, 12, Tz::UTC);
        let labels: Vec<_> = ticks.iter().map(|(_, label)| label.as_str()).collect();
        assert_eq!(labels[..3], ["3 Nov", "10 Nov", "17 Nov"]);
        assert_eq!(ticks.len(), 10);
    }

    #[test]
    fn hours_are_round_behind_a_change_of_the_clocks_and_every_day_has_its_date() {
        // In Oslo clocks went back on 26 October 2025 (IANA time zone database). From noon on the 25th:
        let from_ms = 1_761_386_400_000;
        let ticks = time_ticks(from_ms, from_ms + 48 * HOUR_MS, 8, chrono_tz::Europe::Oslo);
        let labels: Vec<_> = ticks.iter().map(|(_, label)| label.as_str()).collect();
        let expect = [
            "12:00", "18:00", "26 Oct", "06:00", "12:00", "18:00", "27 Oct", "06:00",
        ];
        assert_eq!(labels, expect);
        assert_eq!(ticks[3].0 - ticks[2].0, 7 * HOUR_MS);
        // An hour that was jumped over has no tick of its own.
        let spring_ms = 1_774_740_600_000; // 29 March 2026, 00:30 in Oslo
        let ticks = time_ticks(spring_ms, spring_ms + 4 * HOUR_MS, 8, chrono_tz::Europe::Oslo);
        let labels: Vec<_> = ticks.iter().map(|(_, label)| label.as_str()).collect();
        assert_eq!(labels, ["01:00", "03:00", "04:00", "05:00"]);
    }
}
