//! The set-up of the bank as a report tells it: what holds in the arithmetic, without topics, addresses or secrets.

use maud::{Markup, html};
use serde_json::{Value, json};

use super::Report;
use crate::{
    config::Chemistry,
    page::{
        answers::Held,
        plots::icon,
        words::{day, visible},
    },
    unit::thousandths,
};

fn chemistry(report: &Report<'_>) -> &'static str {
    match report.bank.chemistry {
        Chemistry::Lfp => "lithium iron phosphate",
        Chemistry::Nmc => "lithium nickel manganese cobalt oxide",
        Chemistry::Lto => "lithium titanate",
    }
}

fn full_v(report: &Report<'_>) -> f64 {
    thousandths(report.bank.full.voltage_mv)
}

/// The section's body.
pub(super) fn section(report: &Report<'_>) -> Markup {
    let bank = report.bank;
    let (self_discharge, efficiency) = (
        bank.losses.self_discharge_percent_month,
        bank.losses.coulombic_efficiency,
    );
    let limit = |limit: Option<f64>, unit: &str| {
        limit.map_or("not stated".to_owned(), |limit| format!("at most {limit} {unit}"))
    };
    html! {
        p { "The bank “" (visible(&report.evidence.drift.bank)) "” has " (bank.packs.len()) " packs in parallel, each with " (bank.cells_in_series) " " (chemistry(report)) " cells in series and a management board of its own. Instants are those of " (report.evidence.zone.name()) "." }
        h3 id="dated" { "Every pack as it was, dated" }
        div class="scroll" tabindex="0" role="region" aria-labelledby="dated" { table {
            thead { tr { @for head in ["pack", "from", "rated, Ah", "set, Ah", "measured, Ah", "revision", "firmware", "standing draw, mA"] { th scope="col" { (head) } } } }
            tbody { @for (p, pack) in report.evidence.packs.iter().enumerate() { @for held in &pack.held {
                tr {
                    th scope="row" { (icon(p)) " " (visible(&pack.pack)) }
                    td { @match held.from { Some(from) => { (day(from.ms, report.evidence.zone)) }, None => "the beginning" } @if !held.in_bank { ", not in the bank" } }
                    @for figure in figures(held) { td { (figure) } }
                }
            } } }
        } }
        dl class="facts" {
            dt { "Reference" } dd { "zero error " (limit(bank.reference.offset_ma, "mA")) ", gain error " (limit(bank.reference.gain_percent, "%")) }
            dt { "Reference set anew" } dd { (set_anew(report)) }
            dt { "Full" } dd { "at " (full_v(report)) " V or more, with a current of at most " (bank.full.tail_fraction) " of the bank’s capacity in an hour, for " (bank.full.hold.as_secs()) " s" }
            dt { "Repeatability of a full charge" } dd { (bank.full.repeatability_percent) " % of capacity, k = 1" }
            dt { "Self-discharge" } dd { (self_discharge.0) " ± " (self_discharge.1) " % a month, k = 1" }
            dt { "Coulombic efficiency" } dd { (efficiency.0) " ± " (efficiency.1) ", k = 1" }
            dt { "Longest pause that is bridged" } dd { (bank.longest_bridge.as_secs()) " s" }
        }
    }
}

/// When the yardstick itself was calibrated, as far as people noted it.
fn set_anew(report: &Report<'_>) -> String {
    let notes = report.evidence.notes.iter();
    let days = notes
        .filter(|note| note.reference.is_some() && note.kind == "recalibration")
        .map(|note| day(note.at.ms, report.evidence.zone));
    let days: Vec<_> = days.collect();
    if days.is_empty() {
        return "never, as far as anybody noted".to_owned();
    }
    format!("on {}", days.join(", "))
}

fn figures(held: &Held) -> [String; 6] {
    let or_dash = |value: Option<f64>| value.map_or("–".to_owned(), |value| value.to_string());
    let measured = held
        .measured_capacity_ah
        .zip(held.measured_capacity_uncertainty_ah);
    [
        held.capacity_ah.to_string(),
        or_dash(held.set_capacity_ah),
        measured.map_or("–".to_owned(), |(ah, uncertainty_ah)| {
            format!("{ah} ± {uncertainty_ah}")
        }),
        visible(&held.revision),
        held.firmware.as_deref().map_or("–".to_owned(), visible),
        format!(
            "{} ± {}",
            held.standing_draw_ma, held.standing_draw_uncertainty_ma
        ),
    ]
}

/// The same for a program.
pub(super) fn document(report: &Report<'_>) -> Value {
    let bank = report.bank;
    let packs: Vec<_> = report
        .evidence
        .packs
        .iter()
        .map(|pack| {
            let held: Vec<_> = pack
                .held
                .iter()
                .map(|held| {
                    json!({
                        "from": held.from.map(|from| crate::page::words::rfc3339(from.ms)),
                        "capacity_ah": held.capacity_ah,
                        "set_capacity_ah": held.set_capacity_ah,
                        "measured_capacity_ah": held.measured_capacity_ah,
                        "measured_capacity_uncertainty_ah": held.measured_capacity_uncertainty_ah,
                        "revision": held.revision,
                        "firmware": held.firmware,
                        "standing_draw_ma": held.standing_draw_ma,
                        "standing_draw_uncertainty_ma": held.standing_draw_uncertainty_ma,
                        "in_bank": held.in_bank,
                    })
                })
                .collect();
            json!({"pack": pack.pack, "held": held})
        })
        .collect();
    json!({
        "bank": report.evidence.drift.bank,
        "chemistry": chemistry(report),
        "cells_in_series": bank.cells_in_series,
        "time_zone": bank.time_zone.name(),
        "full": {
            "volts": full_v(report),
            "tail_fraction": bank.full.tail_fraction,
            "hold_s": bank.full.hold.as_secs(),
            "merge_s": bank.full.merge.as_secs(),
            "repeatability_percent": bank.full.repeatability_percent,
        },
        "longest_bridge_s": bank.longest_bridge.as_secs(),
        "self_discharge_percent_month": bank.losses.self_discharge_percent_month.0,
        "self_discharge_uncertainty_percent_month": bank.losses.self_discharge_percent_month.1,
        "coulombic_efficiency": bank.losses.coulombic_efficiency.0,
        "coulombic_efficiency_uncertainty": bank.losses.coulombic_efficiency.1,
        "reference": {
            "reference": report.names.of(&report.setup.entry(bank.reference.instrument).id),
            "offset_ma": bank.reference.offset_ma,
            "gain_percent": bank.reference.gain_percent,
        },
        "packs": packs,
        "setup_sha256": report.evidence.drift.setup,
    })
}
