//! Are all inputs that fuzzing keeps taken without a fault? `examples/fuzz.rs` makes more of them.

use crate::taken::{Target, kept};

#[test]
fn every_kept_input_is_taken_or_refused() {
    for target in Target::ALL {
        let taker = target.taker();
        let inputs = kept(target);
        assert!(!inputs.is_empty(), "{target:?}");
        let accepted = inputs.iter().filter(|(_, input)| taker(input)).count();
        assert!(
            accepted > 0,
            "nothing is accepted by {target:?}: the inputs test nothing"
        );
    }
}
