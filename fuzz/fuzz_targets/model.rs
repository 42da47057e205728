//! Any text as a classifier; one that is accepted gives probabilities.
#![no_main]

use derig::classify::Model;
use derig::region::FEATURE_COUNT;
use libfuzzer_sys::fuzz_target;

fuzz_target!(init: derig_fuzz::stay_on_one_thread(), |bytes: &[u8]| {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    if let Ok(model) = Model::from_text(text) {
        let found = model.probabilities_of_row(&[0.5; FEATURE_COUNT]);
        assert!(found.0.iter().all(|p| p.is_finite()));
    }
});
