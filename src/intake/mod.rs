//! From a broker to the writer: the MQTT connection, topics, and what a body says.
//!
//! Decoding is pure and knows no network; [`mqtt`] and [`own`] know no formats. A message is acknowledged only
//! after the writer has committed it, whether it became readings or was refused. What is kept, and how, is
//! `store`'s.

mod decode;
mod inlet;
mod limits;
mod topics;
pub(crate) mod value;

pub mod clocks;
pub mod instant;
pub mod live;
pub mod mqtt;
pub mod open;
mod outdated;
pub mod own;
pub mod senml;
pub mod survey;
mod usual;

pub use decode::{Arrival, Decoder};
pub use inlet::Inlet;
pub use outdated::outdated_filters;
pub use usual::usual_ms;

/// Larger messages are not asked for, bytes.
const LARGEST_BODY: usize = 1 << 20;

/// This machine's clock, ms since 1970-01-01T00:00:00Z.
fn now_ms() -> i64 {
    chrono::Utc::now().timestamp_millis()
}
