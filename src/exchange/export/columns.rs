//! The columns of each table but the readings, whose are the channels.

use super::{
    Column,
    Kind::{Instant, Integer, Number, Switch, Text},
};

pub(super) const HOUR: [Column; 12] = [
    Column::new(
        "hour_begin",
        Instant,
        "When the hour began; hours are those of UTC.",
    ),
    Column::new("instrument", Text, "Whose: a pack or the reference."),
    Column::new("readings", Integer, "How many readings it has."),
    Column::new("heard_s", Integer, "How much of it was heard."),
    Column::new("charged_ah", Number, "Charge counted in."),
    Column::new("discharged_ah", Number, "Charge counted out."),
    Column::new("current_min_a", Number, "The lowest current."),
    Column::new("current_max_a", Number, "The highest current."),
    Column::new("voltage_min_v", Number, "The lowest voltage."),
    Column::new("voltage_max_v", Number, "The highest voltage."),
    Column::new("soc_min_percent", Number, "The lowest displayed state of charge."),
    Column::new(
        "soc_max_percent",
        Number,
        "The highest displayed state of charge.",
    ),
];

pub(super) const ANCHOR: [Column; 18] = [
    Column::new("begin", Instant, "When the full charge began."),
    Column::new("end", Instant, "When it ended: spans run from here."),
    Column::new(
        "voltage_crossed",
        Instant,
        "When the voltage of a full charge was reached.",
    ),
    Column::new("bank_voltage_v", Number, "The bank's voltage at the end."),
    Column::new(
        "reference_tail_current_a",
        Number,
        "What the reference reported at the end.",
    ),
    Column::new(
        "asserted",
        Integer,
        "Number of the mark by which a person asserted it.",
    ),
    Column::new(
        "vetoed",
        Integer,
        "Number of the mark by which a person vetoed it.",
    ),
    Column::new("pack", Text, "The pack that the rest of the row is about."),
    Column::new(
        "counts",
        Switch,
        "Whether it counts as a full charge of the pack.",
    ),
    Column::new("reason", Text, "Why not."),
    Column::new("voltage_v", Number, "The pack's voltage at the end."),
    Column::new("tail_current_a", Number, "The pack's current at the end."),
    Column::new("cell_min_v", Number, "Its lowest cell."),
    Column::new("cell_max_v", Number, "Its highest cell."),
    Column::new("cell_difference_v", Number, "Between the two."),
    Column::new("temperature_c", Number, "Its temperature."),
    Column::new("display_before_percent", Number, "What it displayed before."),
    Column::new("display_after_percent", Number, "What it displayed after."),
];

pub(super) const PHASE: [Column; 4] = [
    Column::new("kind", Text, "What went on."),
    Column::new("begin", Instant, "From when."),
    Column::new("end", Instant, "Until when."),
    Column::new(
        "stated",
        Integer,
        "Number of the phase that a person stated; none where it was derived.",
    ),
];

pub(super) const NOTE: [Column; 10] = [
    Column::new("id", Integer, "The note."),
    Column::new("revision", Integer, "1 as first written; the highest stands."),
    Column::new("written", Instant, "When this revision was written."),
    Column::new("at", Instant, "The instant it speaks of."),
    Column::new("bank", Text, "The bank it speaks of, or"),
    Column::new("reference", Text, "the reference, or"),
    Column::new("pack", Text, "the pack."),
    Column::new("kind", Text, "An observation, a recalibration, or of the wiring."),
    Column::new("text", Text, "What it says."),
    Column::new("withdrawn", Switch, "Whether this revision takes the note back."),
];

pub(super) const STATED_PHASE: [Column; 9] = [
    Column::new("id", Integer, "The phase."),
    Column::new("revision", Integer, "1 as first written; the highest stands."),
    Column::new("written", Instant, "When this revision was written."),
    Column::new("bank", Text, "The bank."),
    Column::new("kind", Text, "What went on."),
    Column::new("begin", Instant, "From when."),
    Column::new("end", Instant, "Until when."),
    Column::new("text", Text, "Why."),
    Column::new("withdrawn", Switch, "Whether this revision takes the phase back."),
];

pub(super) const MARK: [Column; 10] = [
    Column::new("id", Integer, "The mark."),
    Column::new("revision", Integer, "1 as first written; the highest stands."),
    Column::new("written", Instant, "When this revision was written."),
    Column::new("bank", Text, "The bank."),
    Column::new(
        "kind",
        Text,
        "Whether there was a full charge (assert) or none (veto).",
    ),
    Column::new("at", Instant, "When."),
    Column::new("voltage_v", Number, "The voltage that the person saw."),
    Column::new("tail_current_a", Number, "The current that the person saw."),
    Column::new("text", Text, "How they know."),
    Column::new("withdrawn", Switch, "Whether this revision takes the mark back."),
];

pub(super) const ANSWER: [Column; 25] = [
    Column::new("bank", Text, "The bank."),
    Column::new("pack", Text, "The pack."),
    Column::new("revision", Text, "Its board's revision."),
    Column::new("firmware", Text, "Its board's firmware."),
    Column::new("capacity_ah", Number, "Its capacity."),
    Column::new("since", Instant, "From when the answer runs."),
    Column::new("until", Instant, "Until when."),
    Column::new(
        "charge_error_ah",
        Number,
        "Counted charge less the change of stored charge.",
    ),
    Column::new(
        "charge_error_expanded_uncertainty_ah",
        Number,
        "Its expanded uncertainty, k = 2.",
    ),
    Column::new(
        "basis",
        Text,
        "Closed between full charges, provisional, or insufficient.",
    ),
    Column::new("reason", Text, "Why it is insufficient."),
    Column::new(
        "rate_begin",
        Instant,
        "Since when the rate holds: the last recalibration, or the answer's begin.",
    ),
    Column::new("rate_end", Instant, "Until when."),
    Column::new("rate_ah_per_day", Number, "How fast the error grew."),
    Column::new(
        "rate_expanded_uncertainty_ah_per_day",
        Number,
        "Its expanded uncertainty, k = 2.",
    ),
    Column::new("rate_points_per_month", Number, "The same in points of capacity."),
    Column::new("charged_ah", Number, "Charge counted in."),
    Column::new("discharged_ah", Number, "Charge counted out."),
    Column::new("equivalent_full_cycles", Number, "Both over twice the capacity."),
    Column::new(
        "coverage_fraction",
        Number,
        "The part of the time that was heard.",
    ),
    Column::new("off_busbar_s", Integer, "How long the pack was off the busbar."),
    Column::new("displayed_percent", Number, "What it displayed last."),
    Column::new("actual_percent", Number, "What was true then."),
    Column::new("display_error_points", Number, "The one less the other."),
    Column::new(
        "display_expanded_uncertainty_points",
        Number,
        "Its expanded uncertainty, k = 2.",
    ),
];
