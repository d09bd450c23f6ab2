//! Does the day on which a display is 10 points off lie within the interval that was foretold? A full charge or an
//! end stop that comes first hides that day: it is then only known to lie behind it.

use packdrift::{charge::forecast::HORIZON_DAYS, demo::Winter};

use super::{
    heard::Heard,
    tally::Compared,
    winter::{DAY_MS, answered, as_of},
};

const THRESHOLD_POINTS: f64 = 10.0;
/// How finely days are foretold.
const STEP_DAYS: f64 = 0.1;
/// A display that is as far off for a moment only, while packs settle, is not what is meant.
const LASTS_MS: i64 = 3_600_000;

/// What was foretold every ten days. `off` says only whether the interval holds the day: 0, or −1 where the day came
/// before it, 1 where it came after.
pub fn passings(winter: &Winter, heard: &Heard<'_>, recalibrated: &[(i64, usize)]) -> Vec<Compared> {
    let marks_ms = heard.marks_ms();
    let asked_ms: Vec<i64> = (1..7)
        .map(|n| marks_ms[0] + 10 * n * DAY_MS + 5 * DAY_MS / 24)
        .collect();
    let (facts, at) = heard.facts(&asked_ms, recalibrated);
    let end_ms = facts.cuts[facts.cuts.len() - 1].at_ms;
    let mut compared = Vec::new();
    for until in at {
        let now_ms = facts.cuts[until].at_ms;
        let next_ms = marks_ms.iter().copied().find(|mark_ms| *mark_ms > now_ms);
        // Boards set themselves anew before a mark is over.
        let seen_until_ms = next_ms.map_or(end_ms, |mark_ms| mark_ms - DAY_MS / 2);
        let then = as_of(&facts, until);
        answered(&then, |record| {
            for p in 0..winter.packs.len() {
                let shown = heard
                    .soc_permille(p, now_ms)
                    .filter(|permille| (1..1000).contains(permille));
                // At an end stop nothing can be compared: the display's error goes on shrinking there by itself.
                let Some(shown) = shown.map(tenths) else {
                    continue;
                };
                // What is as far off already has nothing to be foretold.
                if (shown - winter.true_soc_percent(p, now_ms)).abs() >= THRESHOLD_POINTS {
                    continue;
                }
                let Ok(outlook) = record.outlook(p, (0, until), Some(shown)) else {
                    compared.push(Compared::MISSED);
                    continue;
                };
                let passing = outlook.passing(THRESHOLD_POINTS);
                let (earliest, latest) = (
                    passing.earliest.unwrap_or(HORIZON_DAYS),
                    passing.latest.unwrap_or(f64::INFINITY),
                );
                let off = match passed(winter, heard, p, now_ms, seen_until_ms) {
                    Passed::After(days) if days < earliest => -1.0,
                    Passed::After(days) | Passed::NotWithin(days) if days > latest + STEP_DAYS => 1.0,
                    _ => 0.0,
                };
                compared.push(Compared { off, stated: 0.5 });
            }
        });
    }
    compared
}

/// When a threshold was passed, in days.
enum Passed {
    After(f64),
    /// Not before a full charge or an end stop set the display anew.
    NotWithin(f64),
}

/// When the display was first off by the threshold for an hour.
fn passed(winter: &Winter, heard: &Heard<'_>, p: usize, from_ms: i64, until_ms: i64) -> Passed {
    let mut since_ms: Option<i64> = None;
    for (at_ms, permille) in heard.displayed(p, from_ms, until_ms) {
        if !(1..1000).contains(&permille) {
            return Passed::NotWithin(days(at_ms - from_ms));
        }
        if (tenths(permille) - winter.true_soc_percent(p, at_ms)).abs() < THRESHOLD_POINTS {
            since_ms = None;
        } else if at_ms - *since_ms.get_or_insert(at_ms) >= LASTS_MS {
            return Passed::After(days(at_ms - LASTS_MS - from_ms));
        }
    }
    Passed::NotWithin(days(until_ms - from_ms))
}

#[expect(clippy::cast_precision_loss, reason = "tenths of a percent")]
fn tenths(permille: i64) -> f64 {
    permille as f64 / 10.0
}

#[expect(clippy::cast_precision_loss, reason = "some weeks in ms")]
fn days(ms: i64) -> f64 {
    ms as f64 / DAY_MS as f64
}
