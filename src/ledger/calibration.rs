//! Gathers what calibration phases say of one pack's board: its samples beside the reference's.

use rusqlite::Connection;

use super::{phases::phases, roster::Roster};
use crate::{
    charge::{
        count::Sample,
        evidence::{Evidence, Known, evidence},
        phase,
    },
    config::{Bank, Setup},
    reading::Channel,
    store,
    unit::thousandths,
};

/// A voltage of the reference this near to a board's is of the same instant, ms.
const SAME_INSTANT_MS: i64 = 60_000;
/// A pack that is off the busbar for so much of a phase leaves another one alone, ms in 1,000.
const AWAY_PERMILLE: i64 = 950;

/// One calibration phase of a pack.
#[derive(Debug)]
pub struct Calibration {
    /// From, ms since 1970.
    pub begin_ms: i64,
    /// Until, ms since 1970.
    pub end_ms: i64,
    /// What the currents show; `None` where other packs were on the busbar, so that nobody knows this one's current.
    pub evidence: Option<Evidence>,
    /// The board's voltage less the reference's, V, and its standard uncertainty.
    pub difference_v: Option<Known>,
}

/// The calibration phases of pack `p` in `[since_ms, until_ms)`, and the smallest steps of its board's and the
/// reference's current, mA.
///
/// # Errors
/// Whatever SQLite says.
pub fn calibrations(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    p: usize,
    (since_ms, until_ms): (i64, i64),
) -> rusqlite::Result<(Vec<Calibration>, [Option<i64>; 2])> {
    let members = Roster::look_up(connection, setup)?.of_bank(bank);
    let (board, reference) = (members[p + 1].number, members[0].number);
    let finest = |number| {
        let last = store::hour::last_before(connection, number, i64::MAX)?;
        Ok::<_, rusqlite::Error>(last.and_then(|hour| hour.total_step_ma))
    };
    let steps_ma = [finest(board)?, finest(reference)?];
    let found = phases(connection, setup, bank, since_ms, until_ms)?;
    let mut calibrations = Vec::new();
    for phase in found
        .phases
        .iter()
        .filter(|phase| phase.kind == phase::Kind::Calibration)
    {
        let lasts_ms = phase.end_ms - phase.begin_ms;
        let is_away = |q: usize| {
            let out_of_bank = [phase.begin_ms, phase.end_ms]
                .iter()
                .all(|at_ms| !bank.packs[q].held_at(*at_ms).in_bank);
            let away_ms: i64 = found.away[q]
                .iter()
                .map(|stretch| stretch.within_ms(phase.begin_ms, phase.end_ms))
                .sum();
            out_of_bank || 1000 * away_ms >= AWAY_PERMILLE * lasts_ms
        };
        if is_away(p) {
            continue;
        }
        let alone = (0..bank.packs.len()).all(|q| q == p || is_away(q));
        let [own, of_reference] = Seen::read(connection, [board, reference], phase.begin_ms, phase.end_ms)?;
        let resolution_ma = (steps_ma[0].unwrap_or(1), steps_ma[1].unwrap_or(1));
        calibrations.push(Calibration {
            begin_ms: phase.begin_ms,
            end_ms: phase.end_ms,
            evidence: alone.then(|| evidence(&own.currents, &of_reference.currents, resolution_ma)),
            difference_v: difference_v(&own.voltages, &of_reference.voltages),
        });
    }
    Ok((calibrations, steps_ma))
}

/// What one instrument said in a phase.
#[derive(Default)]
struct Seen {
    currents: Vec<Sample>,
    /// (ms since 1970, mV).
    voltages: Vec<(i64, i64)>,
}

impl Seen {
    fn read(
        connection: &Connection,
        instruments: [i64; 2],
        from_ms: i64,
        until_ms: i64,
    ) -> rusqlite::Result<[Self; 2]> {
        let mut seen: [Self; 2] = Default::default();
        store::reading::each_between(connection, from_ms, until_ms, |(at_ms, number, channels)| {
            if let Some(of) = instruments.iter().position(|instrument| *instrument == number) {
                let current = channels.get(Channel::Current);
                seen[of]
                    .currents
                    .extend(current.map(|current_ma| Sample { at_ms, current_ma }));
                seen[of]
                    .voltages
                    .extend(channels.get(Channel::Voltage).map(|mv| (at_ms, mv)));
            }
            Ok(())
        })?;
        Ok(seen)
    }
}

/// Mean difference, V, and what its scatter leaves it uncertain by.
#[expect(clippy::cast_precision_loss, reason = "voltages in mV")]
fn difference_v(board: &[(i64, i64)], reference: &[(i64, i64)]) -> Option<Known> {
    let differences: Vec<f64> = board
        .iter()
        .filter_map(|(at_ms, mv)| {
            let after = reference.partition_point(|of| of.0 < *at_ms);
            let near = [after.checked_sub(1), Some(after)].into_iter().flatten();
            let nearest = near
                .filter_map(|at| reference.get(at))
                .min_by_key(|of| (of.0 - at_ms).abs())?;
            ((nearest.0 - at_ms).abs() <= SAME_INSTANT_MS).then(|| thousandths(mv - nearest.1))
        })
        .collect();
    let count = differences.len() as f64;
    let mean = differences.iter().sum::<f64>() / count;
    let squares: f64 = differences.iter().map(|one| (one - mean).powi(2)).sum();
    (differences.len() > 1).then(|| (mean, (squares / (count - 1.0) / count).sqrt()))
}
