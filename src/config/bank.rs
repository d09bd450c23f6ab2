//! `[[bank]]`: the packs, the reference, and what counts as full.

use std::{ops::Range, time::Duration};

use chrono_tz::Tz;

use super::{
    reader::{Table, Written, nearest},
    setup::{Bank, Chemistry, FullCharge, Held, Losses, Pack, Reference},
};
use crate::reading::Instrument;

/// A gap bridged for longer than this would say more of the pause than of the pack.
const LONGEST_BRIDGE: Duration = Duration::from_secs(3600);

/// No pack holds more, Ah: who writes more has written mAh.
const LARGEST_AH: f64 = 10_000.0;

/// What a capacity in Ah must be, in words.
const CAPACITY: &str = "above 0 and at most 10000; 200000 mAh are 200";

/// Gives names their instruments, in the order they are met.
pub(super) trait Enlist {
    /// The instrument of a new name; `None` where the name can't be used, which has then been said.
    fn enlist(&mut self, name: &Written<String>) -> Option<Instrument>;
}

/// A bank as written, with what can be checked only once all names are known.
pub(super) struct Draft {
    pub(super) bank: Option<Bank>,
    pub(super) voltage_from: Option<Written<String>>,
}

impl Chemistry {
    /// Voltages at which a cell of this kind can be called full, V. Common practice, no source.
    fn full_volts(self) -> Range<f64> {
        match self {
            Self::Lfp => 3.35..3.65,
            Self::Nmc => 4.0..4.25,
            Self::Lto => 2.6..2.9,
        }
    }
}

pub(super) fn bank(table: Table<'_>, names: &mut impl Enlist) -> Draft {
    let id = table.required_text("id", "\"skerry\"");
    let chemistry = chemistry(&table);
    let cells = table.required_number("cells_in_series", "16").and_then(|cells| {
        let whole = (1.0..=500.0).contains(&cells.value) && cells.value.fract() == 0.0;
        if !whole {
            table.findings.add(
                &cells.place,
                format!("a pack can't have {} cells in series", cells.value),
                "this number",
                "write how many cells one pack has in series, from 1 to 500",
            );
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "checked just above"
        )]
        whole.then_some(cells.value as u16)
    });
    let time_zone = time_zone(&table);
    let (full, voltage_from) = match table.table("full", "`full`") {
        Some(full) => full_charge(full, chemistry, cells),
        None => {
            table.findings.add(
                &table.place,
                "[[bank]] has no `full`",
                "in here",
                "say when the bank is full: full = { volts = 56.0, tail_fraction = 0.05, hold = \"5m\" }",
            );
            (None, None)
        }
    };
    let longest_bridge = table
        .duration("longest_bridge", Some(LONGEST_BRIDGE))
        .unwrap_or(Duration::from_secs(600));
    let losses = losses(&table);
    let reference = match table.table("reference", "[bank.reference]") {
        Some(reference) => self::reference(reference, names),
        None => {
            table.findings.add(
                &table.place,
                "[[bank]] has no reference",
                "in here",
                "add [bank.reference] with the id of the shunt in the main lead",
            );
            None
        }
    };
    let written = table.tables("pack", "[[bank.pack]]");
    if written.is_empty() {
        table.findings.add(
            &table.place,
            "[[bank]] has no packs",
            "in here",
            "add a [[bank.pack]] with id and capacity_ah for each pack",
        );
    }
    let count = written.len();
    let packs: Vec<Pack> = written
        .into_iter()
        .filter_map(|pack| self::pack(pack, names))
        .collect();
    table.finish();
    let draft = || {
        Some(Bank {
            id: id?.value,
            chemistry: chemistry?,
            cells_in_series: cells?,
            time_zone: time_zone?,
            full: full?,
            longest_bridge,
            losses,
            reference: reference?,
            packs: (packs.len() == count && count > 0).then_some(packs)?,
        })
    };
    Draft {
        bank: draft(),
        voltage_from,
    }
}

fn chemistry(table: &Table<'_>) -> Option<Chemistry> {
    let written = table.required_text("chemistry", "\"lfp\"")?;
    let known = [
        ("lfp", Chemistry::Lfp),
        ("nmc", Chemistry::Nmc),
        ("lto", Chemistry::Lto),
    ];
    let found = known.iter().find(|(name, _)| *name == written.value);
    if found.is_none() {
        table.findings.add(
            &written.place,
            format!("“{}” is no chemistry packdrift knows", written.value),
            "this word",
            "write \"lfp\", \"nmc\" or \"lto\"",
        );
    }
    found.map(|(_, chemistry)| *chemistry)
}

fn time_zone(table: &Table<'_>) -> Option<Tz> {
    let Some(written) = table.text("time_zone") else {
        return Some(Tz::UTC);
    };
    let zone = written.value.parse::<Tz>().ok();
    if zone.is_none() {
        let names: Vec<&str> = chrono_tz::TZ_VARIANTS.iter().map(|zone| zone.name()).collect();
        let mend = nearest(&written.value, &names).map_or(
            "write a name of the IANA time zone database like \"Europe/Oslo\"".to_owned(),
            |near| format!("did you mean \"{near}\"?"),
        );
        table.findings.add(
            &written.place,
            format!("there is no time zone “{}”", written.value),
            "this zone",
            mend,
        );
    }
    zone
}

fn full_charge(
    table: Table<'_>,
    chemistry: Option<Chemistry>,
    cells: Option<u16>,
) -> (Option<FullCharge>, Option<Written<String>>) {
    let volts = table.required_number("volts", "56.0");
    if let (Some(volts), Some(chemistry), Some(cells)) = (&volts, chemistry, cells) {
        let range = chemistry.full_volts();
        let cells = f64::from(cells);
        if !(range.start..=range.end).contains(&(volts.value / cells)) {
            table.findings.add(
                &volts.place,
                format!("{} V over {cells} cells is {:.3} V a cell, which is no full charge", volts.value, volts.value / cells),
                "this voltage",
                format!(
                    "for this chemistry and cell count it lies from {:.1} to {:.1} V; set it a little below what the charger holds",
                    range.start * cells,
                    range.end * cells
                ),
            );
        }
    }
    let tail_fraction = table.number_within(
        "tail_fraction",
        |fraction| fraction > 0.0 && fraction <= 0.5,
        "above 0 and at most 0.5 of the bank's capacity, e.g. 0.05",
    );
    let repeatability = table.number_within(
        "repeatability",
        |percent| percent > 0.0 && percent <= 10.0,
        "above 0 and at most 10 % of capacity, e.g. 0.3",
    );
    let hold = table.duration("hold", None);
    let merge = table.duration("merge", None);
    let voltage_from = table.text("voltage_from");
    table.finish();
    #[expect(clippy::cast_possible_truncation, reason = "a voltage in mV")]
    let full = volts.map(|volts| FullCharge {
        voltage_mv: (volts.value * 1000.0).round() as i64,
        tail_fraction: tail_fraction.unwrap_or(0.05),
        hold: hold.unwrap_or(Duration::from_secs(300)),
        merge: merge.unwrap_or(Duration::from_secs(12 * 3600)),
        repeatability_percent: repeatability.unwrap_or(0.3),
        voltage_from: None,
    });
    (full, voltage_from)
}

fn losses(table: &Table<'_>) -> Losses {
    let month = |key| {
        table.number_within(
            key,
            |percent| (0.0..=30.0).contains(&percent),
            "from 0 to 30 % in 30 days",
        )
    };
    let part = |key, wanted| table.number_within(key, |part| (0.0..=1.0).contains(&part), wanted);
    Losses {
        self_discharge_percent_month: (
            month("self_discharge_percent_month").unwrap_or(0.5),
            month("self_discharge_uncertainty_percent_month").unwrap_or(0.5),
        ),
        coulombic_efficiency: (
            part("coulombic_efficiency", "from 0 to 1, e.g. 0.998").unwrap_or(0.998),
            part("coulombic_efficiency_uncertainty", "from 0 to 1, e.g. 0.001").unwrap_or(0.001),
        ),
    }
}

fn reference(table: Table<'_>, names: &mut impl Enlist) -> Option<Reference> {
    let id = table.required_text("id", "\"shunt\"");
    let limit = |key, wanted| table.number_within(key, |value| value >= 0.0, wanted);
    let offset_ma = limit("offset_ma", "0 or more mA, as the data sheet has it");
    let gain_percent = limit("gain_percent", "0 or more %, as the data sheet has it");
    table.finish();
    let instrument = names.enlist(&id?)?;
    Some(Reference {
        instrument,
        offset_ma,
        gain_percent,
    })
}

fn pack(table: Table<'_>, names: &mut impl Enlist) -> Option<Pack> {
    let id = table.required_text("id", "\"tern\"");
    let rated = table.required_number("capacity_ah", "200");
    if let Some(rated) = rated.as_ref().filter(|rated| !is_one(rated.value)) {
        table.findings.add(
            &rated.place,
            format!("a pack can't have {} Ah", rated.value),
            "this capacity",
            format!("write the rated capacity in Ah, {CAPACITY}"),
        );
    }
    let first = Held {
        from_ms: None,
        capacity_ah: rated.as_ref().map_or(1.0, |rated| rated.value),
        set_capacity_ah: None,
        measured_capacity_ah: None,
        revision: String::new(),
        firmware: None,
        standing_draw_ma: (15.0, 15.0),
        draw_is_assumed: true,
        in_bank: true,
        cells_changed: 0,
    };
    let mut held = vec![held(&table, first)];
    let _ = table.required_text("revision", "\"A\"");
    for change in table.tables("change", "[[bank.pack.change]]") {
        let from = change.instant("from");
        match &from {
            None => table.findings.add(
                &change.place,
                "[[bank.pack.change]] doesn't say from when",
                "in here",
                "add a line like this: from = 2026-01-10T08:00:00Z",
            ),
            Some(from)
                if held
                    .last()
                    .and_then(|last| last.from_ms)
                    .is_some_and(|last| last >= from.value) =>
            {
                table.findings.add(
                    &from.place,
                    "changes are out of order",
                    "not after the one before",
                    "list the changes of a pack from the oldest to the newest, each at its own instant",
                );
            }
            Some(_) => {}
        }
        let mut before = held[held.len() - 1].clone();
        if change.has("capacity_ah") {
            let _ = change.number_within("capacity_ah", is_one, CAPACITY);
            // Other cells, which nobody has measured yet.
            before.cells_changed += 1;
            before.measured_capacity_ah = None;
        }
        held.push(Held {
            from_ms: from.map(|from| from.value),
            ..self::held(&change, before)
        });
        change.finish();
    }
    table.finish();
    let instrument = names.enlist(&id?)?;
    rated.map(|_| Pack { instrument, held })
}

/// Whether a pack can have so many Ah.
fn is_one(ah: f64) -> bool {
    ah > 0.0 && ah <= LARGEST_AH
}

/// What a table says a pack is; what it leaves out stays as `before`.
fn held(table: &Table<'_>, before: Held) -> Held {
    let capacity = |key| table.number_within(key, is_one, CAPACITY);
    let measured = capacity("measured_capacity_ah");
    let uncertainty = capacity("measured_capacity_uncertainty_ah");
    if measured.is_some() != uncertainty.is_some() {
        table.findings.add(
            &table.place,
            "a measured capacity and its uncertainty go together",
            "one of them is missing here",
            "state both measured_capacity_ah and measured_capacity_uncertainty_ah (one standard deviation)",
        );
    }
    let current = |key| table.number_within(key, |ma| ma >= 0.0, "0 or more mA");
    let draw_ma = current("standing_draw_ma");
    let draw_uncertainty_ma = current("standing_draw_uncertainty_ma");
    let text = |key| table.text(key).map(|text| text.value);
    Held {
        from_ms: before.from_ms,
        capacity_ah: table
            .number("capacity_ah")
            .map_or(before.capacity_ah, |ah| ah.value),
        set_capacity_ah: capacity("set_capacity_ah").or(before.set_capacity_ah),
        measured_capacity_ah: measured.zip(uncertainty).or(before.measured_capacity_ah),
        revision: text("revision").unwrap_or(before.revision),
        firmware: text("firmware").or(before.firmware),
        standing_draw_ma: match draw_ma {
            Some(draw_ma) => (draw_ma, draw_uncertainty_ma.unwrap_or(5.0)),
            None => (
                before.standing_draw_ma.0,
                draw_uncertainty_ma.unwrap_or(before.standing_draw_ma.1),
            ),
        },
        draw_is_assumed: before.draw_is_assumed && draw_ma.is_none() && draw_uncertainty_ma.is_none(),
        in_bank: table.boolean("in_bank").unwrap_or(before.in_bank),
        cells_changed: before.cells_changed,
    }
}
