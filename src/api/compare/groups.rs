//! Packs gathered by revision or by firmware.

use std::collections::BTreeMap;

use super::{
    super::drift::round,
    Packs,
    body::{ComparisonBody, GroupBody, GroupsBody},
    words,
};
use crate::charge::{
    compare::Drifting,
    confounder::{self, Group},
    revision::{CLAIMED, Needs, Scatter, Units, Verdict},
};

/// By what packs are gathered.
#[derive(Clone, Copy)]
pub(super) enum What {
    Revision,
    Firmware,
}

impl What {
    pub(super) fn word(self) -> &'static str {
        match self {
            Self::Revision => "revision",
            Self::Firmware => "firmware",
        }
    }

    fn other(self) -> Self {
        match self {
            Self::Revision => Self::Firmware,
            Self::Firmware => Self::Revision,
        }
    }

    fn of(self, packs: &Packs<'_>, p: usize) -> Option<String> {
        let held = packs.held(p);
        match self {
            Self::Revision => Some(held.revision.clone()),
            Self::Firmware => held.firmware.clone(),
        }
    }
}

/// The groups side by side; `None` where there are fewer than two.
pub(super) fn by(ranked: &[Drifting], packs: &Packs<'_>, what: What) -> Option<GroupsBody> {
    let mut gathered: BTreeMap<String, Vec<&Drifting>> = BTreeMap::new();
    for one in ranked {
        if let Some(name) = what.of(packs, one.p) {
            gathered.entry(name).or_default().push(one);
        }
    }
    if gathered.len() < 2 {
        return None;
    }
    let groups: Vec<Group<'_>> = gathered
        .into_iter()
        .map(|(name, members)| Group {
            name: format!("{} {name}", what.word()),
            also: members.iter().map(|one| what.other().of(packs, one.p)).collect(),
            packs: members,
        })
        .collect();
    let units: Vec<Units> = groups.iter().map(units).collect();
    let scatter = Scatter::within(&units);
    let (mut comparisons, mut confounders) = (Vec::new(), Vec::new());
    for one in 0..groups.len() {
        for other in one + 1..groups.len() {
            let found = confounder::between(&groups[one], &groups[other], what.other().word());
            confounders.extend(found.iter().map(ToString::to_string));
            let verdict = scatter
                .as_ref()
                .and_then(|scatter| Verdict::between(&units[one], &units[other], scatter));
            comparisons.extend(verdict.map(|verdict| comparison(&groups[one], &groups[other], &verdict)));
        }
    }
    let bodies: Vec<GroupBody> = groups
        .iter()
        .zip(&units)
        .map(|(group, units)| group_body(group, units, packs, what))
        .collect();
    let verdict = words::of_groups(&bodies, &comparisons);
    Some(GroupsBody {
        groups: bodies,
        scatter_between_units_ah_per_day: scatter.map(|scatter| round(scatter.ah_per_day, 3)),
        comparisons,
        confounders,
        verdict,
    })
}

fn units(group: &Group<'_>) -> Units {
    Units {
        rates: group.packs.iter().map(|one| one.ah_per_day.clone()).collect(),
        days: group
            .packs
            .iter()
            .map(|one| one.days)
            .fold(f64::INFINITY, f64::min),
    }
}

fn group_body(group: &Group<'_>, units: &Units, packs: &Packs<'_>, what: What) -> GroupBody {
    let mean = units.mean();
    GroupBody {
        name: group.name.clone(),
        packs: group
            .packs
            .iter()
            .map(|one| packs.name(one.p).to_owned())
            .collect(),
        mean_ah_per_day: round(mean.value_ah, 4),
        expanded_uncertainty_ah_per_day: round(mean.expanded_uncertainty_ah(), 4),
        verdict_on: if group.packs.len() > 1 {
            what.word()
        } else {
            "unit"
        },
    }
}

fn comparison(one: &Group<'_>, other: &Group<'_>, verdict: &Verdict) -> ComparisonBody {
    let better = if verdict.first_is_better { one } else { other };
    ComparisonBody {
        one: one.name.clone(),
        other: other.name.clone(),
        difference_ah_per_day: round(verdict.difference_ah_per_day, 4),
        standard_uncertainty_ah_per_day: round(verdict.standard_uncertainty_ah_per_day, 4),
        degrees_of_freedom: round(verdict.degrees_of_freedom, 1),
        confidence_differ: round(verdict.differ, 4),
        confidence_better: round(verdict.one_is_better, 4),
        better: (verdict.one_is_better >= CLAIMED).then(|| better.name.clone()),
        more_days: match verdict.needs {
            Some(Needs::Days(days)) => Some(days),
            _ => None,
        },
        units_of_each_needed: match verdict.needs {
            Some(Needs::Units(units)) => Some(units),
            _ => None,
        },
    }
}
