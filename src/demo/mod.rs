//! A simulated winter of the bank "skerry": packs with unequal capacities and resistances on one busbar, boards with
//! known faults, a reference that is nearly right. It shares no code with the arithmetic that answers, and keeps the
//! truth to itself until the answer stands.

mod board;
mod cells;
mod cutoff;
mod plan;
mod publish;
mod random;
mod rough;
mod simulate;
mod weather;
mod winter;

pub use board::Faults;
pub use plan::{Kind, Plan, UnknownKind};
pub use publish::{PublishError, publish};
pub use simulate::simulate;
pub use winter::{PackTraits, Winter};
