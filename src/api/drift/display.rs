//! Displays beside what is: a pack's, the bank's mean, and the reference's own.

use super::{
    super::zulu::Zulu,
    body::{DisplayBody, round},
};
use crate::{charge::estimate::Estimate, config::Bank, ledger::Display, unit::tenths};

/// Why a board should not be judged by how far its display is from the reference's.
pub(super) const COMPARISON: &str = "A board's display less the reference's display mixes what both have drifted, \
                                     jumps whenever either is set to 100 %, and hides all error while one of them \
                                     stands at its end stop. It says nothing of which of the two is wrong.";

/// A display beside the actual state of charge, %.
pub(super) fn body(display: Display, actual: Option<Estimate>, reference: Option<Display>) -> DisplayBody {
    let shown = tenths(display.soc_permille);
    DisplayBody {
        at: Some(Zulu(display.at_ms)),
        censored: display.soc_permille <= 0 || display.soc_permille >= 1000,
        less_reference_display_points: reference
            .map(|reference| round(shown - tenths(reference.soc_permille), 1)),
        ..beside(shown, actual)
    }
}

fn beside(soc_percent: f64, actual: Option<Estimate>) -> DisplayBody {
    let actual_percent = actual.as_ref().map(|actual| actual.value_ah);
    DisplayBody {
        at: None,
        soc_percent,
        actual_percent: actual_percent.map(|actual| round(actual, 2)),
        error_points: actual_percent.map(|actual| round(soc_percent - actual, 2)),
        expanded_uncertainty_points: actual.map(|actual| round(actual.expanded_uncertainty_ah(), 2)),
        censored: false,
        less_reference_display_points: None,
    }
}

/// The capacity-weighted mean of the packs' displays: what an inverter sees that asks them all. `None` where one of
/// those on the busbar displays nothing.
pub(super) fn bank_mean(
    bank: &Bank,
    actual: Option<Estimate>,
    on_busbar: &[bool],
    displays: &[Option<Display>],
    until_ms: i64,
) -> Option<DisplayBody> {
    let (mut shown_ah, mut of_ah, mut censored) = (0.0, 0.0, false);
    for (p, pack) in bank.packs.iter().enumerate().filter(|(p, _)| on_busbar[*p]) {
        let permille = displays[p]?.soc_permille;
        let capacity_ah = pack.held_at(until_ms).displayed_capacity_ah();
        shown_ah += tenths(permille) / 100.0 * capacity_ah;
        of_ah += capacity_ah;
        censored |= permille <= 0 || permille >= 1000;
    }
    if of_ah <= 0.0 {
        return None;
    }
    let shown = round(100.0 * shown_ah / of_ah, 2);
    Some(DisplayBody {
        censored,
        ..beside(shown, actual)
    })
}
