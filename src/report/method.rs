//! The method as a report tells it, with its formulas.

use maud::{Markup, html};

/// The section's body.
pub(super) fn section() -> Markup {
    html! {
        p { "Charging is positive. The counted charge " var { "Q" } " of an instrument is the integral of the current it reports, by trapezoids between reports; pauses too long to bridge are gaps, filled from what else was reported (its own counter or display, the other instruments, the full charges before and after) and paid for in uncertainty." }
        p { "The bank is " em { "full" } " while its voltage is high and the current has tapered off for a while. The last moment of that is a " em { "mark" } ". Marks are the only instants at which the stored charge is known without trusting a counter." }
        p { "Between marks, packs on one busbar settle to nearly the same state of charge, so the pack " var { "p" } " of capacity " var { "C" } sub { "p" } " carries its share of what the bank stored:" }
        p class="formula" { "Δ" var { "S" } sub { "p" } " = " var { "C" } sub { "p" } " / Σ" var { "C" } " · (Δ" var { "Q" } sub { "reference" } " − losses)" }
        p { "Capacities are those stated, about 2 % sure, weighed against what the boards themselves tell: over swings of days, how much a board counts for each Ah of the reference is its pack’s share times its own gain, which is about 1.2 % sure. Only shares are learned so, never the capacity of all together." }
        p { "Losses are the boards’ own draw, self-discharge and the charge lost to coulombic inefficiency. Once a span between two marks is closed, nothing was gained or lost over it, so that what the reference counted over it is its own error with these losses, and is taken off. That is why figures get better when a span closes: " em { "provisional" } " figures end in an open span, " em { "closed" } " ones don’t." }
        p { "The charge error of a pack is what its board counted less what it gained:" }
        p class="formula" { var { "E" } sub { "p" } " = Δ" var { "Q" } sub { "p" } " − Δ" var { "S" } sub { "p" } }
        p { "Positive: the board counted too much. A full charge sets its display right, but not what it counts wrong: the charge error goes on over it. From mark to mark it is simply the board’s own net count. The rate is the error over the time since the last recalibration, or since another board or firmware counts; a month is 30.4375 days, a point one percent of rated capacity." }
        p { "The uncertainty is a budget after JCGM 100 (the GUM): each source has a standard uncertainty " var { "u" } sub { "i" } " in Ah, and stated is the expanded uncertainty" }
        p class="formula" { var { "U" } " = 2 · √(Σ " var { "u" } sub { "i" } sup { "2" } ")" }
        p { "An error smaller than its " var { "U" } " is called not significant." }
    }
}
