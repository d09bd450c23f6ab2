//! The answer in sentences.

use super::{
    Packs,
    body::{ComparisonBody, GroupBody, GroupsBody},
};
use crate::charge::compare::{DECIDED, Drifting, Order};

/// What to tell first.
pub(super) fn verdict(
    packs: &Packs<'_>,
    ranked: &[Drifting],
    orders: &[Order],
    revisions: Option<&GroupsBody>,
) -> Vec<String> {
    let mut sentences: Vec<String> = revisions
        .map(|revisions| revisions.verdict.clone())
        .unwrap_or_default();
    let names: Vec<&str> = ranked.iter().map(|one| packs.name(one.p)).collect();
    if let [slowest, .., fastest] = names.as_slice() {
        sentences.push(format!("Of these packs {slowest} drifts least, {fastest} most."));
    }
    let neighbours = orders.iter().filter(|order| order.more == order.less + 1);
    for order in neighbours.filter(|order| order.probability < DECIDED) {
        let (less, more) = (names[order.less], names[order.more]);
        let then = match order.more_days {
            Some(days) => format!("about {days:.0} more days would do"),
            None => "a longer test would not tell them apart either".to_owned(),
        };
        sentences.push(format!(
            "{less} and {more} can't be told apart yet ({:.0} % likely in this order); {then}.",
            100.0 * order.probability
        ));
    }
    sentences
}

/// What is to be said of revisions or firmwares.
pub(super) fn of_groups(groups: &[GroupBody], comparisons: &[ComparisonBody]) -> Vec<String> {
    let mut sentences: Vec<String> = comparisons
        .iter()
        .map(|one| capital(&of_comparison(one)))
        .collect();
    let single = groups.iter().filter(|group| group.packs.len() == 1);
    sentences.extend(single.map(|group| {
        format!(
            "Of {} there is one unit: what is said holds for {}, not for the {}.",
            group.name,
            group.packs[0],
            group.name.split(' ').next().unwrap_or("group"),
        )
    }));
    sentences
}

/// The sentence with a capital at its beginning: it begins with a word of ours, not with a pack's name.
fn capital(sentence: &str) -> String {
    let mut letters = sentence.chars();
    let first = letters.next().into_iter().flat_map(char::to_uppercase);
    first.chain(letters).collect()
}

fn of_comparison(comparison: &ComparisonBody) -> String {
    let ComparisonBody { one, other, .. } = comparison;
    if let Some(better) = &comparison.better {
        let worse = if better == one { other } else { one };
        return format!(
            "{better} drifts less than {worse}: {:.0} % likely, the scatter between units included.",
            100.0 * comparison.confidence_better
        );
    }
    let then = match (comparison.more_days, comparison.units_of_each_needed) {
        (Some(days), _) => format!("; about {days:.0} more days would do"),
        (None, Some(units)) => format!(
            "; a longer test would not tell them apart either, {units} units of each would, if the difference is what it \
             seems to be"
        ),
        (None, None) => ": they differ, but not in how fast they drift".to_owned(),
    };
    format!("{one} and {other} can't be told apart{then}.")
}
