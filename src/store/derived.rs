//! Which tables hold nothing but what is derived from the readings.

/// Dropped and derived again by a rebuild, with the same result to the last digit.
pub const TABLES: [&str; 9] = [
    "hour",
    "gap",
    "display_jump",
    "off_busbar",
    "counter_step",
    "caution_hour",
    "anchor",
    "anchor_pack",
    "cut",
];
