//! Milliseconds as real numbers, hours and days.

pub(super) const MS_PER_HOUR: f64 = 3_600_000.0;
const MS_PER_DAY: f64 = 24.0 * MS_PER_HOUR;

/// Milliseconds in hours.
pub(super) fn hours(ms: i64) -> f64 {
    as_f64(ms) / MS_PER_HOUR
}

/// Milliseconds in days.
pub(super) fn days(ms: i64) -> f64 {
    as_f64(ms) / MS_PER_DAY
}

/// A whole number, of milliseconds or of anything else there is, as a real one.
#[expect(
    clippy::cast_precision_loss,
    reason = "times, currents and sums of them are far below 2^52"
)]
pub(super) fn as_f64(whole: i64) -> f64 {
    whole as f64
}
