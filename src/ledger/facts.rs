//! Gathers what `charge` needs to answer a question about a bank.

use std::collections::BTreeSet;

use rusqlite::Connection;

use super::{
    cuts,
    hours::HOUR_MS,
    marks::{self, MarkSeen},
    own_counter,
    roster::{Member, Roster},
};
use crate::{
    charge::{
        counter::{Counts, Step},
        facts::{self, Away, Cut, Era, Facts, Gap, Mark, UNMEASURED_CAPACITY},
        learned::learned,
        switched_off::switched_off,
    },
    config::{Bank, Pack, Setup},
    store::{
        self,
        anchor::PackAtMark,
        note::{Kind, Subject},
    },
};

/// As many instants are enough to learn shares from.
const GRID_AT_MOST: i64 = 128;
/// A limit of error without a distribution is taken as rectangular (JCGM 100:2008, 4.3.7): limit/√3.
const LIMIT_TO_STANDARD: f64 = 0.577_350_269_189_625_8;
/// What a reference is taken to be where its data sheet's limits aren't stated: mA and fraction.
const UNSTATED_OFFSET_MA: f64 = 50.0;
const UNSTATED_GAIN: f64 = 0.005;

/// A question's instants, brought within what was heard.
#[derive(Debug)]
pub struct Asked {
    /// The facts.
    pub facts: Facts,
    /// The instants, as positions in the facts' cuts, in the order asked.
    pub at: Vec<usize>,
}

/// Gathers the facts for questions about these instants. Instants outside what was heard are brought to its ends.
///
/// `None` where nothing was heard of the bank's reference or of any pack yet.
///
/// # Errors
/// Whatever SQLite says.
pub fn gather(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    instants_ms: &[i64],
) -> rusqlite::Result<Option<Asked>> {
    let roster = Roster::look_up(connection, setup)?;
    let members = roster.of_bank(bank);
    let extents = members
        .iter()
        .map(|member| store::hour::extent(connection, member.number))
        .collect::<rusqlite::Result<Vec<_>>>()?;
    let Some((begin_ms, end_ms)) = common_extent(&members, &extents) else {
        return Ok(None);
    };
    let asked_ms: Vec<i64> = instants_ms
        .iter()
        .map(|at_ms| (*at_ms).clamp(begin_ms, end_ms))
        .collect();
    let inside = |at_ms: &i64| (begin_ms..=end_ms).contains(at_ms);

    let marks = marks_of_packs(connection, setup, bank, &members)?;
    let marks: Vec<Mark> = marks.into_iter().filter(|mark| inside(&mark.at_ms)).collect();
    let gaps = gaps(connection, &members, &extents, begin_ms, end_ms)?;
    let recalibrated_ms = recalibrations(connection, setup, bank)?;
    let away = away(connection, &members)?;
    let bank_facts = bank_facts(bank);

    let mut instants: BTreeSet<i64> = [begin_ms, end_ms]
        .into_iter()
        .chain(asked_ms.iter().copied())
        .collect();
    instants.extend(marks.iter().map(|mark| mark.at_ms));
    instants.extend(gaps.iter().flat_map(|gap| [gap.begin_ms, gap.end_ms]));
    instants.extend(recalibrated_ms.iter().flatten().filter(|at_ms| inside(at_ms)));
    let away_ms = away.iter().flat_map(|away| [away.begin_ms, away.end_ms]);
    instants.extend(away_ms.filter(&inside));
    instants.extend(bank_facts.eras.iter().map(|era| era.begin_ms).filter(&inside));
    let cuts = cuts::cuts(connection, &members, instants)?;
    let resolution_ma = members
        .iter()
        .map(|member| {
            let hour = end_ms.div_euclid(HOUR_MS) + 1;
            Ok(store::hour::last_before(connection, member.number, hour)?.and_then(|row| row.total_step_ma))
        })
        .collect::<rusqlite::Result<_>>()?;
    let reversed = vec![false; bank.packs.len()];
    let facts = Facts {
        bank: bank_facts,
        cuts,
        grid: cuts::cuts(connection, &members, grid_ms(begin_ms, end_ms))?,
        gaps,
        marks,
        away,
        recalibrated_ms,
        resolution_ma,
        reversed,
    };
    let at = asked_ms.iter().filter_map(|at_ms| facts.cut_at(*at_ms)).collect();
    Ok(Some(Asked {
        facts: learned(switched_off(facts)),
        at,
    }))
}

/// Instants on which shares are learned: hours of the clock, half a day apart or so much more that they stay few.
pub fn grid_ms(begin_ms: i64, end_ms: i64) -> impl Iterator<Item = i64> {
    let mut step_ms = 12 * HOUR_MS;
    while (end_ms - begin_ms) / step_ms > GRID_AT_MOST {
        step_ms *= 2;
    }
    // An odd number of hours moves the instants through the day.
    let step_ms = step_ms + HOUR_MS;
    let first = begin_ms.div_euclid(step_ms) + 1;
    (first..)
        .map(move |place| place * step_ms)
        .take_while(move |at_ms| *at_ms <= end_ms)
}

/// What the instruments of a bank have counted up to each of these instants, which are in order of time.
///
/// # Errors
/// Whatever SQLite says.
pub fn counted_until(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    instants_ms: &[i64],
) -> rusqlite::Result<Vec<Cut>> {
    let members = Roster::look_up(connection, setup)?.of_bank(bank);
    cuts::cuts(connection, &members, instants_ms.iter().copied())
}

/// From when until when the bank was heard. Instruments speak one after another: the ends are those at which all
/// of them were heard that take part there at all.
fn common_extent(members: &[Member], extents: &[Option<(i64, i64)>]) -> Option<(i64, i64)> {
    let heard: Vec<_> = members
        .iter()
        .zip(extents)
        .filter_map(|(member, extent)| Some((member, (*extent)?)))
        .collect();
    extents[0]?;
    let earliest_ms = heard.iter().map(|(_, (first_ms, _))| *first_ms).min()?;
    let latest_ms = heard.iter().map(|(_, (_, last_ms))| *last_ms).max()?;
    let near = |member: &Member, away_ms: i64| away_ms <= member.joining.longest_pause_ms;
    let begin_ms = heard
        .iter()
        .filter(|(member, (first_ms, _))| near(member, first_ms - earliest_ms))
        .map(|(_, (first_ms, _))| *first_ms)
        .max()?;
    let end_ms = heard
        .iter()
        .filter(|(member, (_, last_ms))| near(member, latest_ms - last_ms))
        .map(|(_, (_, last_ms))| *last_ms)
        .min()?;
    (begin_ms < end_ms).then_some((begin_ms, end_ms))
}

/// The marks that stand, and for whom they count.
fn marks_of_packs(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    members: &[Member],
) -> rusqlite::Result<Vec<Mark>> {
    let counts = |mark: &MarkSeen, member: &Member| {
        let shows = |pack: &PackAtMark| pack.instrument == member.number && pack.against.is_none();
        mark.packs.iter().any(shows)
    };
    Ok(marks::marks(connection, setup, bank)?
        .iter()
        .filter(|mark| mark.stands())
        .map(|mark| Mark {
            since_ms: mark.anchor.begin_ms.min(mark.anchor.crossed_ms),
            at_ms: mark.anchor.end_ms,
            counts: members[1..].iter().map(|member| counts(mark, member)).collect(),
        })
        .collect())
}

/// The gaps of all members, with what their own counters say of them.
fn gaps(
    connection: &Connection,
    members: &[Member],
    extents: &[Option<(i64, i64)>],
    begin_ms: i64,
    end_ms: i64,
) -> rusqlite::Result<Vec<Gap>> {
    let mut gaps = Vec::new();
    for (of, (member, extent)) in members.iter().zip(extents).enumerate() {
        for gap in silences(connection, member, *extent, begin_ms, end_ms)? {
            gaps.push(Gap {
                of,
                begin_ms: gap.begin_ms,
                end_ms: gap.end_ms,
                charge_mah: own_charge(connection, member, &gap)?,
                soc_permille: gap.soc_permille,
            });
        }
    }
    Ok(gaps)
}

/// When an instrument with this extent was not heard in `[begin_ms, end_ms]`: the gaps between its readings, and its
/// silence before the first and behind the last. Of one that is cut by an end of the stretch nobody was a witness.
pub(super) fn silences(
    connection: &Connection,
    member: &Member,
    extent: Option<(i64, i64)>,
    begin_ms: i64,
    end_ms: i64,
) -> rusqlite::Result<Vec<store::gap::Gap>> {
    let silence = |begin_ms, end_ms| store::gap::Gap {
        begin_ms,
        end_ms,
        charge_mah: None,
        soc_permille: None,
    };
    let Some((first_ms, last_ms)) = extent else {
        return Ok(vec![silence(begin_ms, end_ms)]);
    };
    let whole = begin_ms..=end_ms;
    let between = store::gap::of_instrument(connection, member.number)?
        .into_iter()
        .map(|gap| {
            if whole.contains(&gap.begin_ms) && whole.contains(&gap.end_ms) {
                gap
            } else {
                silence(gap.begin_ms.max(begin_ms), gap.end_ms.min(end_ms))
            }
        });
    Ok(std::iter::once(silence(begin_ms, first_ms.min(end_ms)))
        .chain(between)
        .chain([silence(last_ms.max(begin_ms), end_ms)])
        .filter(|gap| gap.begin_ms < gap.end_ms)
        .collect())
}

/// What an instrument's own counter says of a gap: the values at both ends, the later one with steps put right that
/// are not charge. Nothing, where the counter doesn't count net charge.
fn own_charge(
    connection: &Connection,
    member: &Member,
    gap: &store::gap::Gap,
) -> rusqlite::Result<Option<(i64, i64)>> {
    let Some((before_mah, after_mah)) = gap.charge_mah else {
        return Ok(None);
    };
    let steps = store::counter_step::between(connection, member.number, gap.begin_ms, gap.end_ms)?;
    let corrections: Option<i64> = steps.iter().map(Step::correction_mah).sum();
    if own_counter::counts(connection, member, gap.begin_ms)? != Counts::Net {
        return Ok(None);
    }
    Ok(corrections.map(|mah| (before_mah, after_mah + mah)))
}

/// Recalibrations of the reference and of each pack, in order of time. A board of another revision, or with another
/// firmware, is calibrated anew.
fn recalibrations(connection: &Connection, setup: &Setup, bank: &Bank) -> rusqlite::Result<Vec<Vec<i64>>> {
    let names: Vec<&str> = bank
        .instruments()
        .map(|instrument| setup.entry(instrument).id.as_str())
        .collect();
    let mut recalibrated = vec![Vec::new(); names.len()];
    for note in store::note::standing_of(connection, Kind::Recalibration)? {
        for (of, name) in names.iter().enumerate() {
            let meant = match &note.said.subject {
                Subject::Instrument(id) => id == name,
                Subject::Bank(id) => *id == bank.id,
            };
            if meant {
                recalibrated[of].push(note.said.at_ms);
            }
        }
    }
    for (pack, recalibrated) in bank.packs.iter().zip(&mut recalibrated[1..]) {
        let boards = pack
            .held
            .windows(2)
            .filter(|pair| pair[1].is_another_board(&pair[0]));
        recalibrated.extend(boards.filter_map(|pair| pair[1].from_ms));
        recalibrated.sort_unstable();
        recalibrated.dedup();
    }
    Ok(recalibrated)
}

/// Who was off the busbar when.
fn away(connection: &Connection, members: &[Member]) -> rusqlite::Result<Vec<Away>> {
    let mut away = Vec::new();
    for (p, member) in members[1..].iter().enumerate() {
        let stretches = store::off_busbar::of_instrument(connection, member.number)?;
        away.extend(stretches.into_iter().map(|stretch| Away {
            p,
            begin_ms: stretch.begin_ms,
            end_ms: stretch.end_ms.unwrap_or(i64::MAX),
        }));
    }
    Ok(away)
}

/// What the setup says of a bank beforehand.
#[must_use]
pub fn bank_facts(bank: &Bank) -> facts::Bank {
    let (discharge_percent, discharge_uncertainty_percent) = bank.losses.self_discharge_percent_month;
    facts::Bank {
        reference_offset_ma: bank.reference.offset_ma.unwrap_or(UNSTATED_OFFSET_MA) * LIMIT_TO_STANDARD,
        reference_gain: bank
            .reference
            .gain_percent
            .map_or(UNSTATED_GAIN, |percent| percent / 100.0)
            * LIMIT_TO_STANDARD,
        self_discharge_month: (discharge_percent / 100.0, discharge_uncertainty_percent / 100.0),
        coulombic_efficiency: bank.losses.coulombic_efficiency,
        full_repeatability: bank.full.repeatability_percent / 100.0,
        eras: std::iter::once(i64::MIN)
            .chain(bank.changes_ms())
            .map(|begin_ms| Era {
                begin_ms,
                packs: bank.packs.iter().map(|pack| pack_facts(pack, begin_ms)).collect(),
                learned: None,
            })
            .collect(),
    }
}

fn pack_facts(pack: &Pack, at_ms: i64) -> facts::Pack {
    let held = pack.held_at(at_ms);
    let capacity_uncertainty = held
        .measured_capacity_ah
        .map_or(UNMEASURED_CAPACITY, |(capacity_ah, uncertainty_ah)| {
            uncertainty_ah / capacity_ah
        });
    facts::Pack {
        capacity_ah: held.best_capacity_ah(),
        capacity_uncertainty,
        displayed_capacity_ah: held.displayed_capacity_ah(),
        standing_draw_ma: held.standing_draw_ma,
        draw_is_assumed: held.draw_is_assumed,
        in_bank: held.in_bank,
        cells_changed: held.cells_changed,
    }
}
