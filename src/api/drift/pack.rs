//! One pack's entry in the answer.

use super::{
    super::zulu::Zulu,
    body::{
        CautionBody, CountedBody, EpochBody, ErrorBody, OwnCounterBody, PackBody, RateBody, ResetBody,
        ResyncBody, StepBody, coverage_body, lines, round,
    },
    display,
};
use crate::{
    charge::{
        caution::{Episode, Kind},
        counter::Counts,
        drift::{ChargeError, Coverage, Insufficient, Record},
        estimate::Estimate,
        facts::Facts,
        rate::{DAYS_PER_MONTH, Rate},
        stored::Basis,
    },
    config::{Bank, Setup},
    ledger::{Display, OwnCount, Resync},
    store::gap::DisplayJump,
    unit::{tenths, thousandths},
};

/// What a pack's board said beside its current.
pub(super) struct Seen<'a> {
    pub(super) display: Option<Display>,
    pub(super) reference_display: Option<Display>,
    pub(super) resyncs: &'a [Resync],
    pub(super) jumps: &'a [DisplayJump],
    pub(super) own: Option<&'a OwnCount>,
    pub(super) cautions: &'a [Episode],
}

pub(super) fn pack_body(
    setup: &Setup,
    bank: &Bank,
    record: &Record<'_>,
    facts: &Facts,
    p: usize,
    (from, until): (usize, usize),
    seen: &Seen<'_>,
) -> PackBody {
    let (from_ms, until_ms) = (facts.cuts[from].at_ms, facts.cuts[until].at_ms);
    let held = bank.packs[p].held_at(until_ms);
    let capacity_ah = held.capacity_ah;
    let rates = record.rates(p, from, until);
    let present = rates.last().and_then(|rate| rate.as_ref().ok());
    let counted = record.heard(p + 1, from, until);
    let throughput_ah = counted.throughput_ah();
    PackBody {
        revision: held.revision.clone(),
        firmware: held.firmware.clone(),
        capacity_ah,
        charge_error: error_body(record.charge_error(p, from, until), capacity_ah),
        rate: present.map(|rate| rate_body(rate, capacity_ah)),
        epochs: rates
            .iter()
            .flatten()
            .map(|rate| epoch_body(rate, capacity_ah))
            .collect(),
        own_counter: seen
            .own
            .map(|own| own_counter_body(record, p, (from, until), capacity_ah, own)),
        display: seen
            .display
            .map(|display| display::body(display, record.actual(p, until), seen.reference_display)),
        resyncs: seen.resyncs.iter().map(resync_body).collect(),
        counted: CountedBody {
            charged_ah: round(counted.charged_ah(), 3),
            discharged_ah: round(counted.discharged_ah(), 3),
            net_ah: round(counted.net_ah(), 3),
            equivalent_full_cycles: Some(round(throughput_ah / (2.0 * capacity_ah), 2)),
        },
        coverage: coverage_body(
            record.coverage(p + 1, from, until),
            Some(record.off_busbar_ms(p, from, until)),
        ),
        recalibrations: inside(&facts.recalibrated_ms[p + 1], from_ms, until_ms),
        unexplained_resets: seen.jumps.iter().map(reset_body).collect(),
        cautions: seen.cautions.iter().map(caution_body).collect(),
        ..unheard(setup, bank, p)
    }
}

/// The entry of a pack of which nothing is known yet.
pub(super) fn unheard(setup: &Setup, bank: &Bank, p: usize) -> PackBody {
    let pack = &bank.packs[p];
    let held = pack.held_at(i64::MAX);
    let coverage = Coverage {
        fraction: 0.0,
        longest_gap_ms: 0,
    };
    PackBody {
        pack: setup.entry(pack.instrument).id.clone(),
        revision: held.revision.clone(),
        firmware: held.firmware.clone(),
        capacity_ah: held.capacity_ah,
        charge_error: error_body(Err(Insufficient::NothingHeard), held.capacity_ah),
        rate: None,
        epochs: Vec::new(),
        own_counter: None,
        display: None,
        resyncs: Vec::new(),
        counted: CountedBody {
            charged_ah: 0.0,
            discharged_ah: 0.0,
            net_ah: 0.0,
            equivalent_full_cycles: Some(0.0),
        },
        coverage: coverage_body(coverage, Some(0)),
        recalibrations: Vec::new(),
        unexplained_resets: Vec::new(),
        cautions: Vec::new(),
    }
}

fn error_body(answer: Result<ChargeError, Insufficient>, capacity_ah: f64) -> ErrorBody {
    match answer {
        Ok(ChargeError { error, basis }) => ErrorBody {
            ah: Some(round(error.value_ah, 3)),
            expanded_uncertainty_ah: Some(round(error.expanded_uncertainty_ah(), 3)),
            percent_of_capacity: Some(round(100.0 * error.value_ah / capacity_ah, 2)),
            basis: match basis {
                Basis::Closed => "closed",
                Basis::Provisional => "provisional",
            },
            reason: None,
            significant: Some(error.is_significant()),
            budget: lines(&error),
        },
        Err(reason) => ErrorBody {
            ah: None,
            expanded_uncertainty_ah: None,
            percent_of_capacity: None,
            basis: "insufficient",
            reason: Some(reason.to_string()),
            significant: None,
            budget: Vec::new(),
        },
    }
}

fn rate_body(rate: &Rate, capacity_ah: f64) -> RateBody {
    RateBody {
        ah_per_day: round(rate.ah_per_day(), 4),
        points_per_month: round(100.0 * rate.ah_per_day() * DAYS_PER_MONTH / capacity_ah, 2),
        expanded_uncertainty_ah_per_day: round(rate.expanded_uncertainty_ah_per_day(), 4),
        told_from: Zulu(rate.told_over_ms.0),
        told_until: Zulu(rate.told_over_ms.1),
    }
}

fn epoch_body(rate: &Rate, capacity_ah: f64) -> EpochBody {
    EpochBody {
        begin: Zulu(rate.begin_ms),
        end: Zulu(rate.end_ms),
        charge_error_ah: round(rate.error.value_ah, 3),
        expanded_uncertainty_ah: round(rate.error.expanded_uncertainty_ah(), 3),
        rate: rate_body(rate, capacity_ah),
    }
}

fn own_counter_body(
    record: &Record<'_>,
    p: usize,
    (from, until): (usize, usize),
    capacity_ah: f64,
    own: &OwnCount,
) -> OwnCounterBody {
    let counted_ah = own.counted_mah.map(thousandths);
    let heard = record.heard(p + 1, from, until);
    let counts = counted_ah.map_or(Counts::Net, |own_ah| Counts::of(own_ah, &heard, capacity_ah));
    let error: Option<Estimate> = counted_ah
        .filter(|_| counts == Counts::Net)
        .and_then(|own_ah| record.own_counter_error(p, from, until, own_ah));
    OwnCounterBody {
        counts: counts.word(),
        counted_ah,
        charge_error_ah: error.as_ref().map(|error| round(error.value_ah, 3)),
        expanded_uncertainty_ah: error.map(|error| round(error.expanded_uncertainty_ah(), 3)),
        steps: own
            .steps
            .iter()
            .map(|step| StepBody {
                at: Zulu(step.at_ms),
                kind: step.kind.word(),
                before_ah: thousandths(step.before_mah),
                after_ah: thousandths(step.after_mah),
                counted_ah: step.counted_mah.map(thousandths),
            })
            .collect(),
    }
}

fn resync_body(resync: &Resync) -> ResyncBody {
    ResyncBody {
        at: Zulu(resync.at_ms),
        before_percent: resync.before_permille.map(tenths),
        after_percent: resync.after_permille.map(tenths),
    }
}

fn reset_body(jump: &DisplayJump) -> ResetBody {
    ResetBody {
        at: Zulu(jump.at_ms),
        before_percent: tenths(jump.soc_before),
        after_percent: tenths(jump.soc_after),
    }
}

fn caution_body(episode: &Episode) -> CautionBody {
    let (worst, text) = match episode.kind {
        Kind::CellHigh => (
            thousandths(episode.worst),
            "a cell above 3.65 V, the usual caution for LFP".to_owned(),
        ),
        Kind::CellLow => (
            thousandths(episode.worst),
            "a cell below 2.5 V, the usual caution for LFP".to_owned(),
        ),
        Kind::ColdCharging => (tenths(episode.worst), "charging below 0 °C".to_owned()),
        Kind::SocSpread => {
            let apart = tenths(episode.worst);
            let text =
                format!("packs on one busbar display up to {apart} points apart, this one furthest off");
            (apart, text)
        }
    };
    CautionBody {
        kind: episode.kind.word(),
        begin: Zulu(episode.begin_ms),
        end: Zulu(episode.end_ms),
        worst,
        text,
    }
}

/// Those of the instants that lie between two.
pub(super) fn inside(instants_ms: &[i64], from_ms: i64, until_ms: i64) -> Vec<Zulu> {
    instants_ms
        .iter()
        .filter(|at_ms| (from_ms..=until_ms).contains(*at_ms))
        .map(|at_ms| Zulu(*at_ms))
        .collect()
}
