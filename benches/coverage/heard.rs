//! The facts of a question straight from readings in memory: what the ledger gathers from the store, without a
//! store. A test holds the two together.

use std::{collections::BTreeSet, iter};

use packdrift::{
    charge::{
        busbar::{self, Change, Watch, telling_ma},
        causes::steps::{Gathering, STEP_MS, Steps},
        count::{Between, Counted, Joining, Piece, Sample},
        facts::{Away, Cut, Facts, Gap, Mark},
        full::{self, Anchor, Criterion, Seen, Shown},
    },
    config::{Bank, Setup},
    ledger,
    reading::{Channel, Channels},
};

/// A reading: ms since 1970, the instrument's place in the bank, values.
pub type Reading = (i64, u16, Channels);

/// What was heard of a bank.
pub struct Heard<'a> {
    setup: &'a Setup,
    readings: Vec<Reading>,
    members: Vec<Member>,
    away: Vec<Away>,
    marks: Vec<Mark>,
    begin_ms: i64,
    end_ms: i64,
}

/// One instrument's current, and what else it said.
struct Member {
    joining: Joining,
    samples: Vec<Sample>,
    /// Counted up to each sample.
    totals: Vec<Counted>,
    said: Vec<(i64, Channels)>,
}

impl Member {
    fn new(joining: Joining, said: Vec<(i64, Channels)>) -> Self {
        let samples: Vec<Sample> = said
            .iter()
            .filter_map(|(at_ms, channels)| {
                let current_ma = channels.get(Channel::Current)?;
                Some(Sample {
                    at_ms: *at_ms,
                    current_ma,
                })
            })
            .collect();
        let mut total = Counted::default();
        let totals = iter::once(total)
            .chain(samples.windows(2).map(|pair| {
                if let Some(piece) = Piece::joining(pair[0], pair[1], joining) {
                    total += piece.until(i64::MAX);
                }
                total
            }))
            .collect();
        Self {
            joining,
            samples,
            totals,
            said,
        }
    }

    fn until(&self, at_ms: i64) -> Counted {
        let behind = self.samples.partition_point(|sample| sample.at_ms <= at_ms);
        let Some(last) = behind.checked_sub(1) else {
            return Counted::default();
        };
        let part = self
            .samples
            .get(behind)
            .and_then(|next| Piece::joining(self.samples[last], *next, self.joining))
            .map_or_else(Counted::default, |piece| piece.until(at_ms));
        self.totals[last] + part
    }

    /// The last value of a channel in `[from_ms, until_ms]`.
    fn last(&self, channel: Channel, from_ms: i64, until_ms: i64) -> Option<i64> {
        let behind = self.said.partition_point(|(at_ms, _)| *at_ms <= until_ms);
        let recent = self.said[..behind].iter().rev();
        recent
            .take_while(|(at_ms, _)| *at_ms >= from_ms)
            .find_map(|(_, channels)| channels.get(channel))
    }

    /// The first value of a channel in `[from_ms, until_ms]`.
    fn first(&self, channel: Channel, from_ms: i64, until_ms: i64) -> Option<i64> {
        let from = self.said.partition_point(|(at_ms, _)| *at_ms < from_ms);
        self.said[from..]
            .iter()
            .take_while(|(at_ms, _)| *at_ms <= until_ms)
            .find_map(|(_, channels)| channels.get(channel))
    }

    fn gaps(&self, of: usize) -> impl Iterator<Item = Gap> + '_ {
        let pause_ms = self.joining.longest_pause_ms;
        self.samples.windows(2).filter_map(move |pair| {
            let (begin_ms, end_ms) = (pair[0].at_ms, pair[1].at_ms);
            let at_ends = |channel| {
                let before = self.last(channel, begin_ms - pause_ms, begin_ms)?;
                let after = self.first(channel, end_ms, end_ms + pause_ms)?;
                Some((before, after))
            };
            (end_ms - begin_ms > pause_ms).then(|| Gap {
                of,
                begin_ms,
                end_ms,
                charge_mah: at_ends(Channel::Charge),
                soc_permille: at_ends(Channel::Soc),
            })
        })
    }

    fn finest_step_ma(&self) -> Option<i64> {
        let steps = self
            .samples
            .windows(2)
            .map(|pair| (pair[1].current_ma - pair[0].current_ma).abs());
        steps.filter(|step_ma| *step_ma > 0).min()
    }
}

impl<'a> Heard<'a> {
    /// Takes the readings of the setup's first bank, in order of time.
    pub fn new(setup: &'a Setup, readings: Vec<Reading>) -> Self {
        let bank = &setup.banks[0];
        let members: Vec<Member> = iter::once(bank.reference.instrument)
            .chain(bank.packs.iter().map(|pack| pack.instrument))
            .enumerate()
            .map(|(place, instrument)| {
                let joining = Joining {
                    between: Between::Line,
                    longest_pause_ms: setup.entry(instrument).reporting.longest_pause_ms(),
                };
                let own = readings.iter().filter(|reading| usize::from(reading.1) == place);
                Member::new(
                    joining,
                    own.map(|(at_ms, _, channels)| (*at_ms, *channels)).collect(),
                )
            })
            .collect();
        let begin_ms = members.iter().map(|member| member.samples[0].at_ms).max();
        let end_ms = members
            .iter()
            .map(|member| member.samples[member.samples.len() - 1].at_ms)
            .min();
        let mut heard = Self {
            setup,
            readings,
            members,
            away: Vec::new(),
            marks: Vec::new(),
            begin_ms: begin_ms.unwrap(),
            end_ms: end_ms.unwrap(),
        };
        heard.away = heard.find_away();
        heard.marks = heard.find_marks();
        heard
    }

    fn bank(&self) -> &Bank {
        &self.setup.banks[0]
    }

    /// The marks, ms since 1970.
    pub fn marks_ms(&self) -> Vec<i64> {
        self.marks.iter().map(|mark| mark.at_ms).collect()
    }

    /// What a pack reported of its current, in order of time.
    pub fn reported(&self, p: usize) -> &[Sample] {
        &self.members[p + 1].samples
    }

    /// The readings of a stretch of time as means over steps.
    pub fn steps(&self, (begin_ms, end_ms): (i64, i64)) -> Steps {
        let joinings: Vec<Joining> = self.members.iter().map(|member| member.joining).collect();
        let mut gathering = Gathering::new(begin_ms, end_ms, STEP_MS, &joinings);
        for (at_ms, of, channels) in &self.readings {
            if let Some(current_ma) = channels.get(Channel::Current) {
                gathering.current(usize::from(*of), *at_ms, current_ma);
            }
            if let Some(voltage_mv) = channels.get(Channel::Voltage).filter(|_| *of == 0) {
                gathering.voltage(*at_ms, voltage_mv);
            }
        }
        gathering.finish()
    }

    /// Whether a pack displayed something, and what, in tenths of a percent, at an instant.
    pub fn soc_permille(&self, p: usize, at_ms: i64) -> Option<i64> {
        let member = &self.members[p + 1];
        member.last(Channel::Soc, at_ms - member.joining.longest_pause_ms, at_ms)
    }

    /// Everything that a pack displayed in a stretch of time, tenths of a percent.
    pub fn displayed(&self, p: usize, from_ms: i64, until_ms: i64) -> impl Iterator<Item = (i64, i64)> {
        let said = &self.members[p + 1].said;
        let from = said.partition_point(|(at_ms, _)| *at_ms < from_ms);
        let until = said.partition_point(|(at_ms, _)| *at_ms <= until_ms);
        said[from..until.max(from)]
            .iter()
            .filter_map(|(at_ms, channels)| Some((*at_ms, channels.get(Channel::Soc)?)))
    }

    /// The facts for questions about these instants, which lie within what was heard, with those recalibrations of
    /// packs noted: (ms since 1970, pack).
    pub fn facts(&self, instants_ms: &[i64], recalibrated: &[(i64, usize)]) -> (Facts, Vec<usize>) {
        let inside = |at_ms: &i64| (self.begin_ms..=self.end_ms).contains(at_ms);
        let mut recalibrated_ms = vec![Vec::new(); self.members.len()];
        for (at_ms, p) in recalibrated {
            recalibrated_ms[p + 1].push(*at_ms);
        }
        let gaps: Vec<Gap> = self
            .members
            .iter()
            .enumerate()
            .flat_map(|(of, member)| member.gaps(of))
            .filter(|gap| inside(&gap.begin_ms) && inside(&gap.end_ms))
            .collect();
        let asked: Vec<i64> = instants_ms
            .iter()
            .map(|at_ms| (*at_ms).clamp(self.begin_ms, self.end_ms))
            .collect();
        let mut instants: BTreeSet<i64> = [self.begin_ms, self.end_ms].into();
        instants.extend(&asked);
        instants.extend(self.marks.iter().map(|mark| mark.at_ms));
        instants.extend(gaps.iter().flat_map(|gap| [gap.begin_ms, gap.end_ms]));
        instants.extend(recalibrated_ms.iter().flatten());
        let away_ms = self.away.iter().flat_map(|away| [away.begin_ms, away.end_ms]);
        instants.extend(away_ms.filter(&inside));
        instants.retain(&inside);
        let cuts = instants
            .into_iter()
            .map(|at_ms| Cut {
                at_ms,
                totals: self.members.iter().map(|member| member.until(at_ms)).collect(),
            })
            .collect();
        let facts = Facts {
            bank: ledger::bank_facts(self.bank()),
            cuts,
            grid: ledger::grid_ms(self.begin_ms, self.end_ms)
                .map(|at_ms| Cut {
                    at_ms,
                    totals: self.members.iter().map(|member| member.until(at_ms)).collect(),
                })
                .collect(),
            gaps,
            marks: self.marks.clone(),
            away: self.away.clone(),
            recalibrated_ms,
            resolution_ma: self.members.iter().map(Member::finest_step_ma).collect(),
            reversed: vec![false; self.members.len() - 1],
        };
        let at = asked.iter().map(|at_ms| facts.cut_at(*at_ms).unwrap()).collect();
        (facts, at)
    }

    fn find_away(&self) -> Vec<Away> {
        let bank = self.bank();
        let together_ah = bank.capacity_ah(self.begin_ms);
        let packs = bank.packs.iter().zip(&self.members[1..]);
        let mut watched: Vec<(Watch, i64)> = packs
            .map(|(pack, member)| {
                let capacity_ah = pack.held_at(self.begin_ms).capacity_ah;
                let watch = Watch::new(member.joining.longest_pause_ms, false);
                (watch, telling_ma(capacity_ah, capacity_ah / together_ah))
            })
            .collect();
        let mut away: Vec<Away> = Vec::new();
        for (at_ms, of, channels) in &self.readings {
            let current = channels.get(Channel::Current);
            let connected = channels.get(Channel::Connected);
            let own = usize::from(*of).checked_sub(1);
            let seen = match own {
                None => [None, current.map(busbar::Seen::Reference)],
                Some(_) => [
                    connected.map(|on| busbar::Seen::Connected(on != 0)),
                    current.map(busbar::Seen::Current),
                ],
            };
            // What the reference says is seen by the watches over all packs.
            let whose = own.map_or(0..watched.len(), |p| p..p + 1);
            for (seen, p) in seen
                .into_iter()
                .flatten()
                .flat_map(|seen| whose.clone().map(move |p| (seen, p)))
            {
                let (watch, telling_ma) = &mut watched[p];
                match watch.see(*at_ms, seen, *telling_ma) {
                    Some(Change::Left(begin_ms)) => away.push(Away {
                        p,
                        begin_ms,
                        end_ms: i64::MAX,
                    }),
                    Some(Change::Returned(end_ms)) => {
                        if let Some(away) = away.iter_mut().rev().find(|away| away.p == p) {
                            away.end_ms = end_ms;
                        }
                        for (watch, _) in &mut watched {
                            watch.somebody_returned(end_ms);
                        }
                    }
                    None => {}
                }
            }
        }
        away.sort_by_key(|away| (away.p, away.begin_ms));
        away
    }

    fn find_marks(&self) -> Vec<Mark> {
        let bank = self.bank();
        let criterion = ledger::criterion(bank, self.begin_ms);
        let seen = self.readings.iter().filter(|reading| reading.1 == 0);
        let seen = seen.flat_map(|(at_ms, _, channels)| {
            let voltage = channels.get(Channel::Voltage).map(Seen::Voltage);
            let current = channels.get(Channel::Current).map(Seen::Current);
            [voltage, current]
                .into_iter()
                .flatten()
                .map(|seen| (*at_ms, seen))
        });
        let found = full::anchors(seen, &criterion);
        let small_ah = 0.01 * bank.capacity_ah(self.begin_ms);
        let merge_ms = i64::try_from(bank.full.merge.as_millis()).unwrap();
        let merged = full::merged(found, merge_ms, small_ah, |from_ms, until_ms| {
            let between = self.members[0].until(until_ms) - self.members[0].until(from_ms);
            Ok::<_, ()>(Some(between.discharged_ah()))
        });
        merged
            .unwrap()
            .iter()
            .filter(|anchor| (self.begin_ms..=self.end_ms).contains(&anchor.end_ms))
            .map(|anchor| Mark {
                since_ms: anchor.begin_ms.min(anchor.crossed_ms),
                at_ms: anchor.end_ms,
                counts: (0..bank.packs.len())
                    .map(|p| self.shows(p, anchor, &criterion))
                    .collect(),
            })
            .collect()
    }

    fn shows(&self, p: usize, anchor: &Anchor, criterion: &Criterion) -> bool {
        let (bank, member) = (self.bank(), &self.members[p + 1]);
        let from_ms = anchor.end_ms - member.joining.longest_pause_ms;
        let last = |channel| member.last(channel, from_ms, anchor.end_ms);
        let shown = Shown {
            voltage_mv: last(Channel::Voltage),
            tail_ma: last(Channel::Current),
            cell_min_mv: last(Channel::CellMin),
            away: self
                .away
                .iter()
                .any(|away| away.p == p && (away.begin_ms..away.end_ms).contains(&anchor.end_ms)),
        };
        let capacity_ah = bank.packs[p].held_at(anchor.end_ms).best_capacity_ah();
        let share = capacity_ah / bank.capacity_ah(anchor.end_ms);
        let cells = i64::from(bank.cells_in_series);
        full::against(criterion, cells, anchor.voltage_mv, share, &shown).is_none()
    }
}
