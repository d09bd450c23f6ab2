//! `packdrift plan`: how long a test of the bank as set up must run to see a given difference between boards.

use std::{collections::BTreeMap, path::Path};

use clap::Args;

use super::{Failure, bank::asked_bank, table::table};
use crate::{
    charge::plan::{Difference, LONGEST_WEEKS, Test},
    config::{self, Bank, Setup},
    ledger,
};

/// Cycling that is tried where nobody says how much, equivalent full cycles a week.
const CYCLES: [f64; 4] = [0.5, 1.0, 2.0, 4.0];

/// What is to be seen, and how the test is run.
#[derive(Args)]
pub struct Arguments {
    /// The difference that is to be seen: a steady current, mA.
    #[arg(
        long,
        value_name = "MA",
        default_value_t = 50.0,
        value_parser = above_nought,
        conflicts_with = "difference_percent"
    )]
    difference_ma: f64,
    /// Instead: charging against discharging, % of what is cycled.
    #[arg(long, value_name = "PERCENT", value_parser = above_nought)]
    difference_percent: Option<f64>,
    /// Equivalent full cycles a week; several may be named.
    #[arg(long, value_name = "CYCLES", value_parser = above_nought)]
    cycles_per_week: Vec<f64>,
    /// Seconds from reading to reading.
    #[arg(long, value_name = "SECONDS", default_value_t = 60.0, value_parser = above_nought)]
    report_s: f64,
    /// Which bank, where there are several.
    #[arg(long, value_name = "NAME")]
    bank: Option<String>,
}

/// A number that a test can be reckoned with.
fn above_nought(text: &str) -> Result<f64, &'static str> {
    let number = text.parse().ok();
    number
        .filter(|number: &f64| number.is_finite() && *number > 0.0)
        .ok_or("a number above 0 is wanted")
}

/// Reckons and prints.
///
/// # Errors
/// Where the setup file is wrong or has no such bank.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let setup = config::load(config)?;
    let bank = asked_bank(&setup, arguments.bank.as_deref())?;
    print!("{}", shown(&setup, bank, arguments));
    Ok(())
}

fn shown(setup: &Setup, bank: &Bank, arguments: &Arguments) -> String {
    let (difference, seen) = match arguments.difference_percent {
        Some(percent) => (
            Difference::OfThroughput(percent),
            format!("charging and discharging that differ by {percent} % of what is cycled"),
        ),
        None => (
            Difference::Steady(arguments.difference_ma),
            format!("a steady difference of {} mA", arguments.difference_ma),
        ),
    };
    let cycles = if arguments.cycles_per_week.is_empty() {
        CYCLES.to_vec()
    } else {
        arguments.cycles_per_week.clone()
    };
    let tests: Vec<Test> = cycles
        .iter()
        .map(|cycles_per_week| Test {
            difference,
            cycles_per_week: *cycles_per_week,
            report_s: arguments.report_s,
        })
        .collect();
    let facts = ledger::bank_facts(bank);
    let mut rows = Vec::new();
    let mut row = |between: String, weeks: &dyn Fn(&Test) -> Option<u32>| {
        rows.extend(tests.iter().map(|test| {
            [
                between.clone(),
                format!("{}", test.cycles_per_week),
                weeks(test).map_or(format!("over {LONGEST_WEEKS}"), |weeks| weeks.to_string()),
            ]
        }));
    };
    let mut revisions: BTreeMap<&str, Vec<(&str, f64)>> = BTreeMap::new();
    for pack in &bank.packs {
        let held = pack.held_at(i64::MAX);
        if held.in_bank {
            let name = setup.entry(pack.instrument).id.as_str();
            revisions
                .entry(&held.revision)
                .or_default()
                .push((name, held.capacity_ah));
        }
    }
    let revisions: Vec<_> = revisions.into_iter().collect();
    let mut single = Vec::new();
    for (place, (one, packs)) in revisions.iter().enumerate() {
        for (other, other_packs) in &revisions[place + 1..] {
            let capacities = |packs: &[(&str, f64)]| packs.iter().map(|(_, ah)| *ah).collect::<Vec<_>>();
            let (own, others) = (capacities(packs), capacities(other_packs));
            if own.len() > 1 && others.len() > 1 {
                row(format!("revisions {one} and {other}"), &|test| {
                    test.weeks_for_revisions(&facts, [&own, &others])
                });
            } else {
                single.push(format!("{one} and {other}"));
            }
            let (pack, other_pack) = (packs[0], other_packs[0]);
            row(format!("{} and {}, these two", pack.0, other_pack.0), &|test| {
                test.weeks_for_packs(&facts, [pack.1, other_pack.1])
            });
        }
    }
    let table = table(["between", "cycles\na week", "weeks"], &[0], rows);
    let mut lines = vec![
        format!(
            "bank {}: weeks until {seen} is seen, with a full charge at both ends",
            bank.id
        ),
        table,
    ];
    lines.extend(
        single
            .iter()
            .map(|pair| format!("revisions {pair}: no test tells them apart, one of them has a single unit")),
    );
    lines.push(
        "seen: in four of five tests, at 95 % confidence; units of one revision taken to scatter by some 40 mA\n"
            .to_owned(),
    );
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_a_test_can_be_reckoned_with_is_taken() {
        assert_eq!(above_nought("0.5"), Ok(0.5));
        for text in ["0", "-5", "nan", "inf", "much"] {
            assert!(above_nought(text).is_err(), "{text}");
        }
    }
}
